/*
 * How hard a kernel works: its rate beside the rate of a bare loop of its limiting instruction.
 *
 * Both run in short turns one after the other, so that a change of clock or a neighbour's load meets both;
 * the medians of the turns are what is compared.
 */
#include <assert.h>
#include <stdlib.h>

#include "base/memory.h"
#include "holdfast/kernel.h"
#include "holdfast/mix.h"

#define TURN_S     1e-3
#define TURNS_MAX  10000
#define WARM_TURNS 3

static int compare_doubles(const void *left, const void *right)
{
    double a = *(const double *)left;
    double b = *(const double *)right;

    return (a > b) - (a < b);
}

static double median(double *values, int count)
{
    qsort(values, (size_t)count, sizeof values[0], compare_doubles);
    return count % 2 ? values[count / 2] : (values[count / 2 - 1] + values[count / 2]) / 2;
}

/* A turn of about TURN_S: the amount that gives it is found by doubling. Returns units a second. */
static double kernel_turn(const struct hf_kernel *kernel, void *state, uint64_t steps)
{
    double rate = hf_ticks_per_second(); /* before the turn: the first call calibrates */
    uint64_t begin = hf_ticks_now();

    kernel->advance(state, steps);
    return (double)steps * rate / (double)(hf_ticks_now() - begin + 1);
}

static double limit_turn(const struct hf_kernel *kernel, uint64_t rounds)
{
    double rate = hf_ticks_per_second();
    uint64_t begin = hf_ticks_now();
    uint64_t operations = kernel->limit_loop(rounds);

    return (double)operations * rate / (double)(hf_ticks_now() - begin + 1);
}

static uint64_t steps_of_turn(const struct hf_kernel *kernel, void *state)
{
    uint64_t steps = 1;

    while ((double)steps / kernel_turn(kernel, state, steps) < TURN_S && steps < UINT64_C(1) << 40)
        steps *= 2;
    return steps;
}

static uint64_t rounds_of_turn(const struct hf_kernel *kernel)
{
    uint64_t rounds = 1;
    double per_round = (double)kernel->limit_loop(1);

    while ((double)rounds * per_round / limit_turn(kernel, rounds) < TURN_S && rounds < UINT64_C(1) << 40)
        rounds *= 2;
    return rounds;
}

/* Rates of `turns` turns each, one after the other; the first ones warm up and are overwritten. */
static void turns_run(const struct hf_kernel *kernel, void *state, int turns, double *ret_kernel,
                      double *ret_limit)
{
    uint64_t steps = steps_of_turn(kernel, state);
    uint64_t rounds = kernel->limit_loop != NULL ? rounds_of_turn(kernel) : 0;

    for (int i = -WARM_TURNS; i < turns; i++) {
        int slot = i < 0 ? 0 : i;

        ret_kernel[slot] = kernel_turn(kernel, state, steps);
        ret_limit[slot] = rounds != 0 ? limit_turn(kernel, rounds) : 0;
    }
}

int hf_kernel_measure(const struct hf_kernel *kernel, double seconds, double *ret_steps_per_s,
                      double *ret_limit_operations_per_s, struct hf_error *error)
{
    double wanted = seconds / (2.8 * TURN_S); /* turns last TURN_S to twice that, two of them */
    int turns = wanted < 5 ? 5 : (wanted > TURNS_MAX ? TURNS_MAX : (int)wanted);
    double *rates = hf_allocate((size_t)turns * 2, sizeof rates[0]);
    char *memory = hf_allocate(kernel->state_bytes + 64, 1);
    int code = HF_OK;

    if (rates == NULL || memory == NULL) {
        code = hf_fail(error, HF_E_MEMORY, "no memory to measure the kernel %s", kernel->name);
    } else {
        void *state = memory + (64 - (uintptr_t)memory % 64);

        kernel->start(state, HF_OPERANDS_FULL, 1);
        turns_run(kernel, state, turns, rates, rates + turns);
        *ret_steps_per_s = median(rates, turns);
        *ret_limit_operations_per_s = median(rates + turns, turns);
    }
    hf_free(memory);
    hf_free(rates);
    return code;
}
