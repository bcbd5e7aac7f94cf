/* pulse: the same answer whatever the beat; every live bit; the metronome; the periods that counted cycles
 * really have. */
#include <math.h>
#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>
#include <stdint.h>
#include <stdlib.h>

#include <cmocka.h>

#include "holdfast/random.h"
#include "workloads/kernels/pulse.h"
#include "workloads/patterns/counted.h"

static _Alignas(64) unsigned char state[8192];

static const uint64_t on_stages[] = {1, 2, 3, 6, 12, 30, 600, 0, 4}; /* the last two: nonsense, but it ends */

#define ON_COUNT (sizeof on_stages / sizeof on_stages[0])

/* All entries of both widths that can run here. */
static int entries(const struct hf_kernel *ret_entries[2 * HF_KERNEL_ENTRIES_MAX])
{
    int count = hf_kernel_entries(hf_kernel_index("pulse", 256), ret_entries);

    return count + hf_kernel_entries(hf_kernel_index("pulse", 512), ret_entries + count);
}

static void test_answer_is_of_steps_alone(void **unused)
{
    const struct hf_kernel *kernel[2 * HF_KERNEL_ENTRIES_MAX];
    int count = entries(kernel);

    (void)unused;
    assert_true(count >= 2);
    for (int k = 0; k < count; k++) {
        assert_true(kernel[k]->state_bytes <= sizeof state);
        for (size_t on = 0; on < ON_COUNT; on++) {
            for (int operands = 0; operands < HF_OPERANDS_COUNT; operands++) {
                uint64_t steps = 0;

                kernel[k]->start(state, (enum hf_operands)operands, 9 + on);
                for (uint64_t turns = 0; turns < 60; turns += 7) {
                    kernel[k]->pulse(state, 11 + turns, on_stages[on], turns);
                    kernel[k]->advance(state, 3);
                    steps += 14 + turns;
                }
                assert_true(kernel[k]->digest(state) ==
                            kernel[k]->expect((enum hf_operands)operands, 9 + on, steps));
            }
        }
        kernel[k]->start(state, HF_OPERANDS_FULL, 1);
        kernel[k]->pulse(state, 0, 6, 1000); /* nothing to do */
        assert_true(kernel[k]->digest(state) == kernel[k]->expect(HF_OPERANDS_FULL, 1, 0));
    }
}

static void test_every_live_bit(void **unused)
{
    const struct hf_kernel *kernel[2 * HF_KERNEL_ENTRIES_MAX];
    int count = entries(kernel);

    (void)unused;
    for (int k = 0; k < count; k++) {
        for (uint64_t bit = 0; bit < kernel[k]->live_bits; bit++) {
            kernel[k]->start(state, (enum hf_operands)(bit % HF_OPERANDS_COUNT), bit);
            kernel[k]->pulse(state, 4, 1 + bit % 3, bit % 5);
            kernel[k]->plant(state, bit);
            kernel[k]->pulse(state, 5, 6, bit % 9);
            if (kernel[k]->digest(state) ==
                kernel[k]->expect((enum hf_operands)(bit % HF_OPERANDS_COUNT), bit, 9))
                fail_msg("%s %d: bit %llu was not seen", kernel[k]->isa, kernel[k]->width_bits,
                         (unsigned long long)bit);
        }
    }
}

/* The chain adds `zero` as often as it should: made visible by adding one. */
static void test_metronome_counts(void **unused)
{
    (void)unused;
    for (uint64_t turns = 0; turns < 1000; turns++)
        assert_true(hf_pulse_wait(5, 1, turns) == 5 + turns);
}

/* --- counted cycles --- */

static void test_on_stages(void **unused)
{
    (void)unused;
    assert_true(hf_counted_on_stages(0.1, 6) == 1 && hf_counted_on_stages(1.4, 6) == 1);
    assert_true(hf_counted_on_stages(1.6, 6) == 2 && hf_counted_on_stages(3.1, 6) == 3);
    assert_true(hf_counted_on_stages(4.6, 6) == 6 && hf_counted_on_stages(8.9, 6) == 6);
    assert_true(hf_counted_on_stages(9.1, 6) == 12 && hf_counted_on_stages(600, 6) == 600);
}

static int compare_doubles(const void *left, const void *right)
{
    double a = *(const double *)left;
    double b = *(const double *)right;

    return (a > b) - (a < b);
}

/* The middle of the mean periods of many batches, over the period asked for; the answer is right too. */
static double period_ratio(const char *name, enum hf_pattern pattern, double period_s, double *ret_work)
{
    static double ratios[200];
    static struct hf_counted counted;
    struct hf_slice slice = {.seed = 77,
                             .kernel = hf_kernel_index(name, 0),
                             .solo_kernel = -1,
                             .stream_kernel = -1,
                             .pattern = (int32_t)pattern,
                             .sync = HF_SYNC_ALL,
                             .period_s = period_s,
                             .duty = 0.5};
    struct hf_place place = {.worker_count = 1, .group_size = 1};
    const struct hf_kernel *kernel = hf_kernel_at(slice.kernel);
    struct hf_timeline timeline;
    double rate = hf_ticks_per_second();
    int count = 0;

    hf_timeline_init(&timeline, &slice, &place, rate);
    kernel->start(state, HF_OPERANDS_FULL, 4);
    hf_counted_init(&counted, &timeline, kernel, state);
    for (int batch = 0; batch < 200; batch++) {
        uint64_t now = hf_ticks_now();

        (void)hf_counted_run(&counted, now, now + (uint64_t)(100e-6 * rate));
        if (batch < 20 || counted.batch_cycles == 0)
            continue;
        ratios[count++] = counted.batch_ticks / (double)counted.batch_cycles / counted.period_ticks;
    }
    assert_true(kernel->digest(state) == kernel->expect(HF_OPERANDS_FULL, 4, counted.steps));
    assert_true(count > 0);
    *ret_work = counted.batch_work_ticks / (double)counted.batch_cycles / counted.period_ticks;
    qsort(ratios, (size_t)count, sizeof ratios[0], compare_doubles);
    return ratios[count / 2];
}

/* Within `tolerance`; the best of three tries, for the machine may be busy. */
static void check_period(const char *name, enum hf_pattern pattern, double period_s, double tolerance)
{
    double best = 10, work = 0;

    for (int attempt = 0; attempt < 3 && fabs(best - 1) > tolerance; attempt++) {
        double ratio = period_ratio(name, pattern, period_s, &work);

        best = fabs(ratio - 1) < fabs(best - 1) ? ratio : best;
    }
    if (fabs(best - 1) > tolerance)
        fail_msg("%s: a period of %.1f ns came out %.2f %% off", name, period_s * 1e9, 100 * (best - 1));
    if (work <= 0.15 || work >= 0.9)
        fail_msg("%s: of a period of %.1f ns %.0f %% are work", name, period_s * 1e9, 100 * work);
}

static void test_produced_periods(void **unused)
{
    static const double periods_s[] = {5e-9, 7e-9, 10e-9, 20e-9, 40e-9, 80e-9, 100e-9, 300e-9, 990e-9};

    (void)unused;
#if defined(HOLDFAST_SANITIZED)
    skip(); /* instrumented kernels are slower than the periods */
#endif
    if (!hf_kernel_is_native(hf_kernel_index("pulse", 0)))
        skip(); /* plain C cannot follow */
    for (size_t i = 0; i < sizeof periods_s / sizeof periods_s[0]; i++)
        check_period("pulse", HF_PATTERN_SQUARE, periods_s[i], 0.01);
    check_period("fma-residue", HF_PATTERN_SQUARE, 200e-9, 0.01);
    check_period("fma-residue", HF_PATTERN_SQUARE, 990e-9, 0.01);
    check_period("pulse", HF_PATTERN_TELEGRAPH, 200e-9, 0.02);
    check_period("pulse", HF_PATTERN_TELEGRAPH, 2e-6, 0.05); /* a batch holds some forty random cycles */
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(test_answer_is_of_steps_alone), cmocka_unit_test(test_every_live_bit),
        cmocka_unit_test(test_metronome_counts),         cmocka_unit_test(test_on_stages),
        cmocka_unit_test(test_produced_periods),
    };

    return cmocka_run_group_tests(tests, NULL, NULL);
}
