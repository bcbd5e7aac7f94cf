/* Nights shared among processes: the same results whatever their number, and failures that are told. */
#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>
#include <stdint.h>

#include <cmocka.h>

#include <math.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#include "harness/rehearse_jobs.h"
#include "holdfast/rehearse.h"

static struct hf_rehearse_result rehearse(int rigs, uint64_t seed, int jobs)
{
    struct hf_rehearse_options options = {
        .rigs = rigs, .seed = seed, .groups = 3, .cores = 2, .jobs = jobs, .method = HF_METHOD_BISECT};
    struct hf_rehearse_result result;
    struct hf_error error = {0};

    memset(&result, 0, sizeof result);
    if (hf_rehearse(&options, &result, &error) != HF_OK)
        fail_msg("hf_rehearse: %s", error.message);
    result.decision_ms_p99 = 0;
    return result;
}

static void test_jobs_do_not_matter(void **state)
{
    struct hf_rehearse_result one = rehearse(13, 5, 1);
    const int jobs[] = {2, 3, 13, 40};

    (void)state;
    for (int i = 0; i < 4; i++) {
        struct hf_rehearse_result many = rehearse(13, 5, jobs[i]);

        assert_true(one.hours_median == many.hours_median && one.hours_p90 == many.hours_p90);
        assert_true(one.search_hours_median == many.search_hours_median);
        assert_true(one.resets_mean == many.resets_mean && one.resets_p90 == many.resets_p90);
        assert_true(one.steps_left_mean == many.steps_left_mean);
        assert_true(one.above_limit_rate == many.above_limit_rate);
        assert_true(one.false_claim_rate == many.false_claim_rate);
        assert_int_equal(one.undecided, many.undecided);
        assert_int_equal(one.nights_above, many.nights_above);
        assert_memory_equal(&one.worst, &many.worst, sizeof one.worst);
    }
}

/* The seed that is kept replays the night: a rehearsal of one rig with it is that night. */
static void test_worst_is_replayed(void **state)
{
    struct hf_rehearse_result all = rehearse(20, 100, 2);
    struct hf_rehearse_result again = rehearse(1, all.worst.seed, 1);

    (void)state;
    assert_true(all.worst.seed == 100 + (uint64_t)all.worst.number);
    assert_true(again.worst.hours == all.worst.hours);
    assert_int_equal(again.worst.resets, all.worst.resets);
    assert_int_equal(again.worst.steps_left, all.worst.steps_left);
}

/* No night of all is worse than the one that was kept. */
static void test_worst_is_worst(void **state)
{
    struct hf_rehearse_result all = rehearse(20, 100, 1);

    (void)state;
    for (int n = 0; n < 20; n++) {
        struct hf_rehearse_result one = rehearse(1, 100 + (uint64_t)n, 1);

        assert_true(one.worst.outcome != HF_NIGHT_FINISHED || one.worst.steps_left >= 0 ||
                    one.worst.steps_left >= all.worst.steps_left);
    }
}

/* --- failures ---------------------------------------------------------------------------------------- */

struct script {
    int fails_at, dies_at; /* night; -1: none */
    int taken;
};

static int scripted_job(void *context, int number, struct hf_decision_times *times,
                        struct hf_rehearse_night *ret_night, struct hf_error *error)
{
    const struct script *script = context;

    if (number == script->fails_at)
        return hf_fail(error, HF_E_RANGE, "night %d is out of range", number);
    if (number == script->dies_at)
        _Exit(3);
    times->total++;
    *ret_night = (struct hf_rehearse_night){.number = number};
    return HF_OK;
}

static void scripted_take(void *context, const struct hf_rehearse_night *night)
{
    struct script *script = context;

    assert_in_range(night->number, 0, 99);
    script->taken++;
}

static int share(struct script *script, int jobs, struct hf_decision_times *times, struct hf_error *error)
{
    memset(times, 0, sizeof *times);
    script->taken = 0;
    return hf_nights_share(100, jobs, scripted_job, scripted_take, script, times, error);
}

static void test_every_night_once(void **state)
{
    struct hf_decision_times *times = calloc(1, sizeof *times);
    struct script script = {.fails_at = -1, .dies_at = -1};

    (void)state;
    for (int jobs = 1; jobs <= 9; jobs += 4) {
        struct hf_error error = {0};

        assert_int_equal(share(&script, jobs, times, &error), HF_OK);
        assert_int_equal(script.taken, 100);
        assert_int_equal(times->total, 100);
    }
    free(times);
}

/* A night that fails in a child fails the rehearsal with its words; a child that dies is told, too. */
static void test_failures_are_told(void **state)
{
    struct hf_decision_times *times = calloc(1, sizeof *times);
    struct script fails = {.fails_at = 41, .dies_at = -1}, dies = {.fails_at = -1, .dies_at = 42};

    (void)state;
    for (int jobs = 1; jobs <= 4; jobs += 3) {
        struct hf_error error = {0};

        assert_int_equal(share(&fails, jobs, times, &error), HF_E_RANGE);
        assert_string_equal(error.message, "night 41 is out of range");
    }
    {
        struct hf_error error = {0};

        assert_int_equal(share(&dies, 4, times, &error), HF_E_IO);
        assert_non_null(strstr(error.message, "died"));
        assert_true(dies.taken < 100);
    }
    free(times);
}

static void test_bad_jobs_are_refused(void **state)
{
    struct hf_rehearse_options options = {.rigs = 1, .jobs = -1};
    struct hf_rehearse_result result;
    struct hf_error error = {0};

    (void)state;
    assert_int_equal(hf_rehearse(&options, &result, &error), HF_E_RANGE);
    assert_non_null(strstr(error.message, "jobs"));
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(test_jobs_do_not_matter), cmocka_unit_test(test_worst_is_replayed),
        cmocka_unit_test(test_worst_is_worst),     cmocka_unit_test(test_every_night_once),
        cmocka_unit_test(test_failures_are_told),  cmocka_unit_test(test_bad_jobs_are_refused),
    };

    return cmocka_run_group_tests(tests, NULL, NULL);
}
