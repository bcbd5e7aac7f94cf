/* Blocks: every pattern with every kernel has the answer it should, whatever the machine does to the worker
 * meanwhile. */
#include <math.h>
#include <pthread.h>
#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>
#include <stdint.h>
#include <stdio.h>
#include <string.h>
#include <time.h>

#include <cmocka.h>

#include "holdfast/kernel.h"
#include "holdfast/mix.h"

#define STATES_ROOM 1048576

static _Alignas(64) unsigned char states[STATES_ROOM];
static volatile int stop;

static struct hf_slice slice_of(int kernel, enum hf_pattern pattern, enum hf_sync sync, double period_s)
{
    return (struct hf_slice){
        .seed = 31,
        .kernel = kernel,
        .solo_kernel = pattern == HF_PATTERN_SOLO_THEN_ALL ? hf_kernel_index("branch", 0) : -1,
        .stream_kernel =
            pattern == HF_PATTERN_SOLO_THEN_ALL ? hf_kernel_index("wide-multiply", 0) : -1, /* any will do */
        .pattern = (int32_t)pattern,
        .sync = (int32_t)sync,
        .period_s = period_s,
        .duty = 0.5,
        .length_s = 1};
}

static struct hf_place place_of(int worker, uint64_t epoch_ticks)
{
    return (struct hf_place){.worker = worker,
                             .worker_count = 16,
                             .group = worker / 4,
                             .rank = worker % 4,
                             .group_size = 4,
                             .epoch_ticks = epoch_ticks};
}

static void check_blocks(const struct hf_slice *slice, int count, double block_s)
{
    struct hf_place place = place_of(slice->kernel % 16, hf_ticks_now());

    for (int block = 0; block < count; block++) {
        struct hf_lane_report report;
        struct hf_block result;

        hf_block_run(slice, &place, hf_slice_block_seed(slice, 1, (uint64_t)block), block_s, states, &stop,
                     &result);
        if (result.digest != hf_block_expect(slice, &result))
            fail_msg("kernel %d pattern %s sync %s period %g: wrong after %llu, %llu and %llu steps",
                     slice->kernel, hf_pattern_name((enum hf_pattern)slice->pattern),
                     hf_sync_name((enum hf_sync)slice->sync), slice->period_s,
                     (unsigned long long)result.steps, (unsigned long long)result.solo_steps,
                     (unsigned long long)result.stream_steps);
        hf_block_locate(slice, &result, states, &report);
        assert_int_equal(report.lane, -1);
    }
}

/* Every operand set and the patterns that treat a kernel differently. */
static void test_every_kernel(void **unused)
{
    (void)unused;
    assert_true(HF_BLOCK_STATES * hf_kernel_state_bytes_max() <= STATES_ROOM);
    for (int kernel = 0; kernel < hf_kernel_count(); kernel++) {
        struct hf_slice solo = slice_of(kernel, HF_PATTERN_SOLO_THEN_ALL, HF_SYNC_ALL, 0);
        struct hf_slice counted = slice_of(kernel, HF_PATTERN_SQUARE, HF_SYNC_ALL, 300e-9);
        struct hf_slice timed = slice_of(kernel, HF_PATTERN_SQUARE, HF_SYNC_DITHER, 50e-6);

        for (int operands = 0; operands < HF_OPERANDS_COUNT; operands++) {
            struct hf_slice steady = slice_of(kernel, HF_PATTERN_STEADY, HF_SYNC_FREE, 0);

            steady.operands = operands;
            check_blocks(&steady, 1, 1e-3);
        }
        check_blocks(&solo, 1, 2e-3);
        check_blocks(&counted, 1, 1e-3);
        check_blocks(&timed, 1, 1e-3);
    }
}

/* Every pattern, sync mode and operand set, with kernels of short and long steps. */
static void test_every_pattern(void **unused)
{
    static const double periods_s[] = {100e-9, 470e-9, 1e-6, 50e-6, 1e-3, 20e-3};
    static const char *const kernels[] = {"fma-residue", "wide-multiply", "branch", "pulse"};

    (void)unused;
    for (int k = 0; k < 4; k++) {
        int kernel = hf_kernel_index(kernels[k], 0);

        for (int operands = 0; operands < HF_OPERANDS_COUNT; operands++) {
            struct hf_slice steady = slice_of(kernel, HF_PATTERN_STEADY, HF_SYNC_FREE, 0);
            struct hf_slice solo = slice_of(kernel, HF_PATTERN_SOLO_THEN_ALL, HF_SYNC_ALL, 0);

            steady.operands = solo.operands = operands;
            check_blocks(&steady, 3, 1e-3);
            check_blocks(&solo, 4, 2e-3);
        }
        for (int sync = 0; sync < HF_SYNC_COUNT; sync++) {
            for (int p = 0; p < 6; p++) {
                struct hf_slice square =
                    slice_of(kernel, HF_PATTERN_SQUARE, (enum hf_sync)sync, periods_s[p]);

                check_blocks(&square, 2, 1e-3);
            }
        }
    }
}

/* The shortest periods, random ones, sleeps and swings. */
static void test_other_patterns(void **unused)
{
    static const char *const kernels[] = {"pulse", "fma-residue", "branch"};
    static const double periods_s[] = {5e-9, 33e-9, 60e-9,
                                       1e-6, 30e-6, 1e-3}; /* also where they cannot be kept */

    (void)unused;
    for (int k = 0; k < 3; k++) {
        int kernel = hf_kernel_index(kernels[k], 0);

        for (int sync = 0; sync < HF_SYNC_COUNT; sync++) {
            struct hf_slice wake = slice_of(kernel, HF_PATTERN_WAKE, (enum hf_sync)sync, 0);
            struct hf_slice swing = slice_of(kernel, HF_PATTERN_SWING, (enum hf_sync)sync, 0.2);

            check_blocks(&wake, 2, 5e-3);
            check_blocks(&swing, 2, 2e-3);
            for (int p = 0; p < 6; p++) {
                struct hf_slice random =
                    slice_of(kernel, HF_PATTERN_TELEGRAPH, (enum hf_sync)sync, periods_s[p]);

                check_blocks(&random, 2, 1e-3);
                random.pattern = HF_PATTERN_SQUARE;
                check_blocks(&random, 1, 1e-3);
            }
        }
    }
}

/* Sleeps are slept through and bursts follow them, although a block is shorter than a sleep. */
static void test_wake_bursts(void **unused)
{
    struct hf_slice slice = slice_of(hf_kernel_index("fma-residue", 0), HF_PATTERN_WAKE, HF_SYNC_ALL, 0);
    struct hf_place place = place_of(0, hf_ticks_now());
    uint64_t met = 0, worked = 0;
    double longest = 0;

    (void)unused;
    for (uint64_t b = 0; b < 60 && met < 12; b++) {
        uint64_t begin = hf_ticks_now();
        struct hf_block block;

        hf_block_run(&slice, &place, b, 5e-3, states, &stop, &block);
        assert_true(block.digest == hf_block_expect(&slice, &block));
        assert_true(block.edges_met == 0 || block.steps > 0);
        met += block.edges_met;
        worked += block.steps > 0;
        longest = fmax(longest, (double)(hf_ticks_now() - begin) / hf_ticks_per_second());
    }
    assert_true(met >= 3 && worked >= 3);
    assert_true(longest > 9e-3); /* a sleep of 10 ms, in one block of 5 ms */
}

/* A stop during a sleep: no burst follows. */
static void test_stop_in_sleep(void **unused)
{
    struct hf_slice slice = slice_of(hf_kernel_index("fma-residue", 0), HF_PATTERN_WAKE, HF_SYNC_ALL, 0);
    struct hf_place place = place_of(0, hf_ticks_now());
    struct hf_block block;

    (void)unused;
    stop = 1;
    hf_block_run(&slice, &place, 1, 5e-3, states, &stop, &block);
    stop = 0;
    assert_true(block.steps == 0 && block.edges_met == 0);
    assert_true(block.digest == hf_block_expect(&slice, &block));
}

/* A planted bit is planted once, written down, and seen. */
static void test_planting(void **unused)
{
    struct hf_slice slice = slice_of(hf_kernel_index("fma-residue", 0), HF_PATTERN_STEADY, HF_SYNC_FREE, 0);
    struct hf_place place = place_of(0, hf_ticks_now());
    struct hf_planting planting = {.bit = 12345};
    struct hf_block block;
    uint64_t planted;

    (void)unused;
    planting.after_ticks = (uint64_t)(0.5e-3 * hf_ticks_per_second());
    hf_planting_set(&planting);
    for (uint64_t b = 0; b < 50 && planting.planted_ticks == 0; b++) {
        uint64_t begin = hf_ticks_now();

        hf_block_run(&slice, &place, b, 2e-3, states, &stop, &block);
        assert_true(planting.planted_ticks == 0 || planting.planted_ticks >= begin + planting.after_ticks);
        assert_int_equal(block.digest != hf_block_expect(&slice, &block), planting.planted_ticks != 0);
    }
    planted = planting.planted_ticks;
    assert_true(planted != 0);
    hf_block_run(&slice, &place, 7, 2e-3, states, &stop, &block);
    assert_true(planting.planted_ticks == planted && block.digest == hf_block_expect(&slice, &block));
    hf_planting_set(NULL);
}

static void test_reference_entries(void **unused)
{
    (void)unused;
    hf_kernel_force_reference(1);
    for (int kernel = 0; kernel < hf_kernel_count(); kernel++) {
        struct hf_slice steady = slice_of(kernel, HF_PATTERN_STEADY, HF_SYNC_FREE, 0);
        struct hf_slice square = slice_of(kernel, HF_PATTERN_SQUARE, HF_SYNC_ALL, 100e-9);

        check_blocks(&steady, 1, 1e-3);
        check_blocks(&square, 1, 1e-3);
    }
    hf_kernel_force_reference(0);
}

/* A wrong bit in either state is seen in the digest and located. */
static void test_wrong_bit_is_located(void **unused)
{
    struct hf_slice slice =
        slice_of(hf_kernel_index("fma-residue", 0), HF_PATTERN_SOLO_THEN_ALL, HF_SYNC_ALL, 0);
    struct hf_place place = place_of(0, hf_ticks_now());
    const struct hf_kernel *kernel = hf_kernel_at(slice.kernel);
    const struct hf_kernel *solo = hf_kernel_at(slice.solo_kernel);
    struct hf_lane_report report;
    struct hf_block block;

    (void)unused;
    hf_block_run(&slice, &place, 12, 2e-3, states, &stop, &block);
    kernel->plant(states, 64 * 5 + 17);
    hf_block_locate(&slice, &block, states, &report);
    assert_int_equal(report.lane, 5);
    assert_true(report.expected != report.got);
    kernel->plant(states, 64 * 5 + 17);
    solo->plant(states + hf_kernel_state_bytes_max(), 64 * 1 + 3);
    hf_block_locate(&slice, &block, states, &report);
    assert_int_equal(report.lane, HF_LANE_SOLO + 1);
    solo->plant(states + hf_kernel_state_bytes_max(), 64 * 1 + 3);
    hf_kernel_at(slice.stream_kernel)->plant(states + 2 * hf_kernel_state_bytes_max(), 64 * 2 + 5);
    hf_block_locate(&slice, &block, states, &report);
    assert_int_equal(report.lane, HF_LANE_STREAM + 2);
}

/* The digest depends on both states and on the number of steps. */
static void test_expect_is_not_blind(void **unused)
{
    struct hf_slice slice =
        slice_of(hf_kernel_index("wide-multiply", 0), HF_PATTERN_SOLO_THEN_ALL, HF_SYNC_ALL, 0);
    struct hf_block block = {.seed = 3, .steps = 100, .solo_steps = 7, .stream_steps = 5};
    uint64_t right = hf_block_expect(&slice, &block);

    (void)unused;
    block.steps++;
    assert_true(hf_block_expect(&slice, &block) != right);
    block.steps--;
    block.solo_steps++;
    assert_true(hf_block_expect(&slice, &block) != right);
    block.solo_steps--;
    block.stream_steps++;
    assert_true(hf_block_expect(&slice, &block) != right);
    block.stream_steps--;
    block.seed++;
    assert_true(hf_block_expect(&slice, &block) != right);
    block.seed--;
    assert_true(hf_block_expect(&slice, &block) == right);
}

static void test_nothing_done_has_an_answer(void **unused)
{
    struct hf_slice slice = slice_of(0, HF_PATTERN_SQUARE, HF_SYNC_ALL, 1);
    uint64_t far = hf_ticks_now() + (uint64_t)(1000 * hf_ticks_per_second());
    struct hf_place place = place_of(0, far);
    struct hf_block block;

    (void)unused;
    hf_block_run(&slice, &place, 5, 2e-3, states, &stop, &block); /* the slice has not begun */
    assert_true(block.steps == 0 && block.edges_met == 0 && block.edges_missed == 0);
    assert_true(block.digest == hf_block_expect(&slice, &block));
    place.epoch_ticks = hf_ticks_now() - (uint64_t)(0.75 * hf_ticks_per_second()); /* in the off half */
    hf_block_run(&slice, &place, 5, 2e-3, states, &stop, &block);
    assert_true(block.steps == 0);
    assert_true(block.digest == hf_block_expect(&slice, &block));
    slice = slice_of(0, HF_PATTERN_STEADY, HF_SYNC_FREE, 0);
    stop = 1;
    hf_block_run(&slice, &place, 5, 20e-3, states, &stop, &block);
    stop = 0;
    assert_true(block.steps == 0);
    assert_true(block.digest == hf_block_expect(&slice, &block));
}

/* --- stopping --- */

static double seconds_now(void)
{
    struct timespec now;

    (void)clock_gettime(CLOCK_MONOTONIC, &now);
    return (double)now.tv_sec + 1e-9 * (double)now.tv_nsec;
}

static double stopped_at;

static void *stop_soon(void *unused)
{
    struct timespec wait = {.tv_nsec = 60000000};

    (void)unused;
    (void)clock_nanosleep(CLOCK_MONOTONIC, 0, &wait, NULL);
    stopped_at = seconds_now();
    __atomic_store_n(&stop, 1, __ATOMIC_RELEASE);
    return NULL;
}

/* Seconds from the stop to the return of the block it met. */
static double stop_delay(const struct hf_slice *slice, double since_epoch_s)
{
    struct hf_place place = place_of(0, hf_ticks_now() - (uint64_t)(since_epoch_s * hf_ticks_per_second()));
    struct hf_block block;
    pthread_t thread;
    double delay;

    stop = 0;
    assert_int_equal(pthread_create(&thread, NULL, stop_soon, NULL), 0);
    for (uint64_t b = 0; __atomic_load_n(&stop, __ATOMIC_ACQUIRE) == 0; b++) {
        hf_block_run(slice, &place, b, 0.1, states, &stop, &block);
        assert_true(block.digest == hf_block_expect(slice, &block));
    }
    delay = seconds_now();
    (void)pthread_join(thread, NULL);
    stop = 0;
    return delay - stopped_at;
}

/* The best of a few tries: on a crowded machine the thread that stops may itself be late. */
static void check_stop(const struct hf_slice *slice, double since_epoch_s)
{
    double best = 1e9;

    for (int attempt = 0; attempt < 5 && best >= 0.1; attempt++)
        best = fmin(best, stop_delay(slice, since_epoch_s));
    if (best >= 0.1)
        fail_msg("pattern %s: %.0f ms from stop to return", hf_pattern_name((enum hf_pattern)slice->pattern),
                 best * 1e3);
}

static void test_stop(void **unused)
{
    struct hf_slice slow = slice_of(0, HF_PATTERN_SQUARE, HF_SYNC_ALL, 1.0);
    struct hf_slice steady = slice_of(0, HF_PATTERN_STEADY, HF_SYNC_FREE, 0);
    struct hf_slice counted = slice_of(hf_kernel_index("branch", 0), HF_PATTERN_SQUARE, HF_SYNC_ALL, 100e-9);
    struct hf_slice solo = slice_of(0, HF_PATTERN_SOLO_THEN_ALL, HF_SYNC_ALL, 0);
    struct hf_slice pulses = slice_of(hf_kernel_index("pulse", 0), HF_PATTERN_SQUARE, HF_SYNC_ALL, 5e-9);
    struct hf_slice wake = slice_of(0, HF_PATTERN_WAKE, HF_SYNC_ALL, 0);

    (void)unused;
    check_stop(&pulses, 0);
    check_stop(&wake, 0);
    check_stop(&slow, 0.1);  /* on for half a second */
    check_stop(&slow, 0.55); /* off for half a second */
    check_stop(&steady, 0);
    check_stop(&counted, 0);
    check_stop(&solo, 0);
}

static void test_block_length(void **unused)
{
    struct hf_slice slice = slice_of(0, HF_PATTERN_STEADY, HF_SYNC_FREE, 0);
    struct hf_place place = place_of(0, hf_ticks_now());
    double shortest = 1;

    (void)unused;
    for (int i = 0; i < 300 && shortest >= 6e-3; i++) {
        struct hf_block block;
        double begin = seconds_now();
        double length;

        hf_block_run(&slice, &place, 1, 5e-3, states, &stop, &block);
        length = seconds_now() - begin;
        assert_true(length > 4.99e-3);
        shortest = length < shortest ? length : shortest;
    }
    assert_true(shortest < 6e-3); /* where nobody else takes the CPU */
}

/* --- duty and edges, measured: judged on blocks that nobody disturbed, skipped when there is none --- */

static double best_steady_rate(int kernel)
{
    struct hf_slice slice = slice_of(kernel, HF_PATTERN_STEADY, HF_SYNC_FREE, 0);
    struct hf_place place = place_of(0, hf_ticks_now());
    double best = 0;

    for (int i = 0; i < 15; i++) {
        struct hf_block block;

        hf_block_run(&slice, &place, 1, 2e-3, states, &stop, &block);
        best = fmax(best, (double)block.steps / 2e-3);
    }
    return best;
}

static void check_duty(double period_s, double duty, double tolerance)
{
    int kernel = hf_kernel_index("fma-residue", 0);
    struct hf_slice slice = slice_of(kernel, HF_PATTERN_SQUARE, HF_SYNC_ALL, period_s);
    double steady = best_steady_rate(kernel);
    double expected_edges = 2e-3 / period_s;

    slice.duty = duty;
    for (int i = 0; i < 300; i++) {
        struct hf_place place = place_of(0, hf_ticks_now() + (uint64_t)(20e-6 * hf_ticks_per_second()));
        struct hf_block block;

        hf_block_run(&slice, &place, 1, 2e-3, states, &stop, &block);
        if (block.edges_missed == 0 && (double)block.edges_met > 0.9 * expected_edges) {
            double share = (double)block.steps / 2e-3 / steady;

            if (fabs(share - duty) > tolerance)
                fail_msg("period %g duty %g: share of the steady rate %.3f", period_s, duty, share);
            return;
        }
    }
    print_message("no undisturbed block of period %g: the machine is busy\n", period_s);
    skip();
}

static void test_duty_of_slow_square(void **unused)
{
    (void)unused;
#if defined(HOLDFAST_SANITIZED)
    skip(); /* instrumented kernels have another step to call ratio */
#endif
    check_duty(200e-6, 0.5, 0.12);
}

static void test_duty_of_quick_square(void **unused)
{
    (void)unused;
#if defined(HOLDFAST_SANITIZED)
    skip();
#endif
    check_duty(10e-6, 0.25, 0.12);
}

/* Edges met plus edges missed are the edges there were. */
static void test_edges_add_up(void **unused)
{
    struct hf_slice slice = slice_of(0, HF_PATTERN_SQUARE, HF_SYNC_ALL, 100e-6);
    struct hf_place place = place_of(0, hf_ticks_now());
    double rate = hf_ticks_per_second();

    (void)unused;
    for (int i = 0; i < 30; i++) {
        uint64_t before = hf_ticks_now();
        struct hf_block block;
        double edges;

        hf_block_run(&slice, &place, 1, 3e-3, states, &stop, &block);
        edges = (double)(block.edges_met + block.edges_missed);
        assert_true(edges >= 29 - 1 && edges <= ((double)(hf_ticks_now() - before) / rate) / 100e-6 + 2);
    }
}

static void test_edge_log(void **unused)
{
    static uint64_t number[100], ticks[100];
    struct hf_edge_log log = {.number = number, .ticks = ticks, .max = 100};
    struct hf_slice slice = slice_of(0, HF_PATTERN_SQUARE, HF_SYNC_ALL, 200e-6);
    struct hf_place place = place_of(0, hf_ticks_now());
    double rate = hf_ticks_per_second();
    struct hf_block block;
    uint64_t met = 0;
    size_t late = 0;

    (void)unused;
    hf_edge_log_set(&log);
    for (int i = 0; i < 5; i++) {
        hf_block_run(&slice, &place, 1, 4e-3, states, &stop, &block);
        met += block.edges_met;
    }
    hf_edge_log_set(NULL);
    assert_int_equal(log.count, met < 100 ? met : 100);
    for (size_t i = 0; i < log.count; i++) {
        double edge = (double)(number[i]) * 200e-6 * rate;
        double late_s = ((double)(ticks[i] - place.epoch_ticks) - edge) / rate;

        assert_true(late_s > -2e-9);
        late += late_s > 1.01e-6; /* the tolerance is a microsecond */
        assert_true(i == 0 || number[i] > number[i - 1]);
    }
    assert_true(late <=
                2 + log.count / 10); /* taken off the CPU between looking at the clock and noting it */
    hf_block_run(&slice, &place, 1, 1e-3, states, &stop, &block);
    assert_true(log.count <= met);
}

/* --- ticks --- */

/* Ticks against the clock over 20 ms; being taken off the CPU between two readings spoils a try. */
static double ticks_to_clock(void)
{
    struct timespec wait = {.tv_nsec = 20000000};
    uint64_t begin = hf_ticks_now();
    double begin_s = seconds_now();

    (void)clock_nanosleep(CLOCK_MONOTONIC, 0, &wait, NULL);
    return (double)(hf_ticks_now() - begin) / hf_ticks_per_second() / (seconds_now() - begin_s);
}

static void test_ticks(void **unused)
{
    double rate = hf_ticks_per_second();
    double best = 1;

    (void)unused;
    for (int i = 0; i < 20 && best > 1e-3; i++)
        best = fmin(best, fabs(ticks_to_clock() - 1));
    assert_true(best <= 1e-3);
    assert_true(strcmp(hf_ticks_source(), "time-stamp counter") == 0 ||
                strcmp(hf_ticks_source(), "monotonic clock") == 0);
    hf_ticks_set_rate(rate * 2);
    assert_true(hf_ticks_per_second() == rate * 2);
    hf_ticks_set_rate(rate);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(test_every_kernel),
        cmocka_unit_test(test_every_pattern),
        cmocka_unit_test(test_reference_entries),
        cmocka_unit_test(test_other_patterns),
        cmocka_unit_test(test_wake_bursts),
        cmocka_unit_test(test_stop_in_sleep),
        cmocka_unit_test(test_planting),
        cmocka_unit_test(test_wrong_bit_is_located),
        cmocka_unit_test(test_expect_is_not_blind),
        cmocka_unit_test(test_nothing_done_has_an_answer),
        cmocka_unit_test(test_stop),
        cmocka_unit_test(test_block_length),
        cmocka_unit_test(test_duty_of_slow_square),
        cmocka_unit_test(test_duty_of_quick_square),
        cmocka_unit_test(test_edges_add_up),
        cmocka_unit_test(test_edge_log),
        cmocka_unit_test(test_ticks),
    };

    return cmocka_run_group_tests(tests, NULL, NULL);
}
