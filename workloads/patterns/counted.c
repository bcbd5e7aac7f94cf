/*
 * Cycles too short to be timed one by one: reading a clock costs a tenth of them. The on part is a number of
 * kernel steps, the off part a number of idle turns; both are found by measuring, and after each batch the
 * idle turns are set right so that the period of the batch is the one asked for.
 *
 * Invariants:
 *   1. steps counts every step the state was advanced, calibration included: the block's answer depends on
 *      it.
 *   2. on_steps, idle_turns and the cycles of a batch are capped: a damaged measurement cannot keep a worker
 *      for long.
 *   3. A measurement that an interrupt or another process has spoilt (too long by half) changes nothing.
 */
#include <assert.h>

#include "holdfast/mix.h"
#include "workloads/patterns/counted.h"

#define CALIBRATION_CALLS 8
#define CALIBRATION_TURNS 400
#define CALIBRATION_TRIES 3
#define LONG_BURST        8     /* steps */
#define QUICK_CORRECTIONS 4     /* take half the error each; later ones at most SLOW_SHARE of the period, */
#define SLOW_SHARE        0.005 /* so that the middle of the batches is followed, not the disturbed ones */
#define CYCLES_MAX        10000
#define IDLE_TURNS_MAX    100000.0
#define BATCH_SHARE       0.97 /* of the batch's time: the rest is for waiting on the next edge */

void hf_counted_init(struct hf_counted *counted, const struct hf_kernel *kernel, void *state,
                     double period_ticks, double duty)
{
    assert(period_ticks > 0 && duty > 0 && duty <= 1);
    *counted =
        (struct hf_counted){.kernel = kernel, .state = state, .period_ticks = period_ticks, .duty = duty};
}

/* A core runs hundreds of instructions ahead: without the fence the idle turns would run beside the work
 * before them. */
static void idle(uint64_t turns)
{
#if defined(__x86_64__)
    __builtin_ia32_lfence();
#endif
    for (; turns != 0; turns--)
        __asm__ volatile("" : "+r"(turns));
}

/* Ticks of one call of advance(steps): the least of a few tries. */
static double call_ticks(struct hf_counted *counted, uint64_t steps)
{
    uint64_t least = UINT64_MAX;

    for (int attempt = 0; attempt < CALIBRATION_TRIES; attempt++) {
        uint64_t begin = hf_ticks_now();
        uint64_t ticks;

        for (int i = 0; i < CALIBRATION_CALLS; i++)
            counted->kernel->advance(counted->state, steps);
        ticks = hf_ticks_now() - begin;
        counted->steps += CALIBRATION_CALLS * steps;
        least = ticks < least ? ticks : least;
    }
    return (double)least / CALIBRATION_CALLS;
}

static double idle_turn_ticks(void)
{
    uint64_t least = UINT64_MAX;

    for (int attempt = 0; attempt < CALIBRATION_TRIES; attempt++) {
        uint64_t begin = hf_ticks_now();
        uint64_t ticks;

        idle(CALIBRATION_TURNS);
        ticks = hf_ticks_now() - begin;
        least = ticks < least ? ticks : least;
    }
    return (double)(least + 1) / CALIBRATION_TURNS;
}

/* advance(n) costs about a call and n steps. */
static void calibrate(struct hf_counted *counted)
{
    double one = call_ticks(counted, 1);
    double step = (call_ticks(counted, LONG_BURST) - one) / (LONG_BURST - 1);
    double on_ticks = counted->duty * counted->period_ticks;
    double steps = step > 0 ? 1 + (on_ticks - one) / step : 1;

    steps = steps < (double)counted->kernel->burst_steps ? steps : (double)counted->kernel->burst_steps;
    counted->on_steps = steps < 1.5 ? 1 : (uint64_t)(steps + 0.5);
    counted->turn_ticks = idle_turn_ticks();
    counted->idle_turns = (1 - counted->duty) * counted->period_ticks / counted->turn_ticks;
}

/* Moves the idle turns by what the mean period was off. */
static void correct(struct hf_counted *counted, double mean_ticks)
{
    double error_ticks = counted->period_ticks - mean_ticks;
    double slow_ticks = SLOW_SHARE * counted->period_ticks;

    if (mean_ticks > 1.5 * counted->period_ticks && counted->idle_turns == 0)
        return; /* the kernel's step is longer than the period: nothing can be set right */
    if (mean_ticks > 3 * counted->period_ticks)
        return; /* spoilt */
    if (counted->corrections >= QUICK_CORRECTIONS)
        error_ticks =
            error_ticks > slow_ticks ? slow_ticks : (error_ticks < -slow_ticks ? -slow_ticks : error_ticks);
    counted->corrections++;
    counted->idle_turns += error_ticks / 2 / counted->turn_ticks;
    counted->idle_turns =
        counted->idle_turns > 0 ? counted->idle_turns : 0; /* also when it is not a number */
    if (counted->idle_turns > IDLE_TURNS_MAX)
        counted->idle_turns = IDLE_TURNS_MAX;
}

uint64_t hf_counted_run(struct hf_counted *counted, uint64_t now, uint64_t end)
{
    double carry = 0;
    uint64_t cycles, begin, ticks;

    if (counted->on_steps == 0)
        calibrate(counted);
    begin = hf_ticks_now();
    if (begin < now || begin >= end)
        return 0;
    cycles = (uint64_t)((double)(end - begin) * BATCH_SHARE / counted->period_ticks);
    cycles = cycles < CYCLES_MAX ? cycles : CYCLES_MAX;
    for (uint64_t i = 0; i < cycles; i++) {
        uint64_t turns;

        counted->kernel->advance(counted->state, counted->on_steps);
        carry += counted->idle_turns;
        turns = (uint64_t)carry;
        carry -= (double)turns;
        idle(turns);
    }
    ticks = hf_ticks_now() - begin;
    counted->steps += cycles * counted->on_steps;
    if (cycles != 0)
        correct(counted, (double)ticks / (double)cycles);
    return cycles;
}
