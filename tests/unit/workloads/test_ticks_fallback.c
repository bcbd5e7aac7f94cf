/* A machine without an invariant time-stamp counter: deadlines by the monotonic clock. Forced here, so this
 * is a program of its own: the source of ticks is decided once. */
#include <math.h>
#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>
#include <stdint.h>
#include <stdlib.h>
#include <time.h>

#include <cmocka.h>

#include "holdfast/mix.h"

static _Alignas(64) unsigned char states[1048576];
static volatile int stop;

static void test_source(void **unused)
{
    struct timespec now;
    uint64_t before, ns;

    (void)unused;
    assert_string_equal(hf_ticks_source(), "monotonic clock");
    before = hf_ticks_now();
    (void)clock_gettime(CLOCK_MONOTONIC, &now);
    ns = (uint64_t)now.tv_sec * 1000000000u + (uint64_t)now.tv_nsec;
    assert_true(ns >= before && hf_ticks_now() >= ns); /* ticks are its nanoseconds */
    assert_true(fabs(hf_ticks_per_second() / 1e9 - 1) < 1e-3);
}

/* Every pattern keeps its answers. */
static void test_answers(void **unused)
{
    static const double periods_s[HF_PATTERN_COUNT] = {
        [HF_PATTERN_SQUARE] = 20e-6, [HF_PATTERN_TELEGRAPH] = 20e-6, [HF_PATTERN_SWING] = 0.2};

    (void)unused;
    assert_true(HF_BLOCK_STATES * hf_kernel_state_bytes_max() <= sizeof states);
    for (int pattern = 0; pattern < HF_PATTERN_COUNT; pattern++) {
        struct hf_slice slice = {.seed = 3,
                                 .kernel = hf_kernel_index("fma-residue", 0),
                                 .solo_kernel = -1,
                                 .stream_kernel = -1,
                                 .pattern = pattern,
                                 .sync = HF_SYNC_ALL,
                                 .period_s = periods_s[pattern],
                                 .duty = 0.5};
        struct hf_place place = {.worker_count = 1, .group_size = 1, .epoch_ticks = hf_ticks_now()};

        if (pattern == HF_PATTERN_SOLO_THEN_ALL)
            slice.solo_kernel = hf_kernel_index("branch", 0);
        for (uint64_t b = 0; b < 4; b++) {
            struct hf_block block;

            hf_block_run(&slice, &place, b, 2e-3, states, &stop, &block);
            assert_true(block.digest == hf_block_expect(&slice, &block));
        }
    }
}

/* Edges lie where the clock says. */
static void test_edges(void **unused)
{
    static uint64_t number[1000], ticks[1000];
    struct hf_edge_log log = {.number = number, .ticks = ticks, .max = 1000};
    struct hf_slice slice = {.kernel = hf_kernel_index("fma-residue", 0),
                             .solo_kernel = -1,
                             .stream_kernel = -1,
                             .pattern = HF_PATTERN_SQUARE,
                             .sync = HF_SYNC_ALL,
                             .period_s = 100e-6,
                             .duty = 0.5};
    struct hf_place place = {.worker_count = 1, .group_size = 1, .epoch_ticks = hf_ticks_now()};
    uint64_t block_edges = 0;
    size_t late = 0;

    (void)unused;
    hf_edge_log_set(&log);
    for (uint64_t b = 0; b < 20; b++) {
        struct hf_block block;

        hf_block_run(&slice, &place, b, 2e-3, states, &stop, &block);
        assert_true(block.digest == hf_block_expect(&slice, &block));
        block_edges += block.edges_met;
    }
    hf_edge_log_set(NULL);
    assert_true(log.count > 0 && (size_t)block_edges == log.count);
    for (size_t i = 0; i < log.count; i++) {
        double late_s =
            (double)(ticks[i] - place.epoch_ticks) / hf_ticks_per_second() - (double)number[i] * 100e-6;

        assert_true(late_s > -5e-9);
        late += late_s > 1.2e-6;
    }
    assert_true(late <=
                2 + log.count / 10); /* taken off the CPU between looking at the clock and noting it */
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(test_source),
        cmocka_unit_test(test_answers),
        cmocka_unit_test(test_edges),
    };

    if (setenv("HOLDFAST_TICKS", "clock", 1) != 0)
        return 2;
    return cmocka_run_group_tests(tests, NULL, NULL);
}
