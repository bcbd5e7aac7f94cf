/*
 * The power fails at every write, sync and cut of a scripted run, in many ways each. Whatever the disk then
 * holds: the run reopens, has every acknowledged record, has none that was not written, its state is the
 * state after exactly those records, and it goes on. The last three tests prove that these checks can fail.
 *
 * A failure prints the call and the seed that replay it.
 */
#include "crash/scripted_run.h"

#ifdef HOLDFAST_SANITIZED
#define SEEDS 12
#else
#define SEEDS 60
#endif

static struct hf_profile *profile;

static int group_setup(void **state)
{
    (void)state;
    profile = small_profile_new();
    reference_make(profile);
    return 0;
}

static int group_teardown(void **state)
{
    (void)state;
    disk_power_on(0);
    hf_profile_free(profile);
    free(reference.bytes);
    return 0;
}

static long calls_of_whole_script(int classes)
{
    char directory[PATH_MAX];
    struct outcome outcome;

    scratch_make(directory);
    disk_power_on(1);
    disk.classes = classes;
    outcome = script_run(directory, profile, &disk_ops);
    assert_int_equal(outcome.code, HF_OK);
    scratch_remove(directory);
    return disk.calls;
}

/* One crash, then the check. NULL when all is well. */
static const char *crash_once(long call, uint64_t seed, int lies, struct outcome *ret_outcome,
                              struct hf_error *error)
{
    const char *violation;
    char directory[PATH_MAX];

    scratch_make(directory);
    disk_power_on(seed);
    disk.classes = DISK_CHANGES;
    disk.fault = DISK_POWER;
    disk.fault_at = call;
    disk.lies = lies;
    *ret_outcome = script_run(directory, profile, &disk_ops);
    disk_crash();
    violation = check_read_only(directory, ret_outcome->acknowledged, ret_outcome->attempted, error);
    if (violation == NULL)
        violation =
            check_goes_on(directory, profile, ret_outcome->acknowledged, ret_outcome->attempted, error);
    scratch_remove(directory);
    return violation;
}

static void test_power_cut_at_every_call(void **state)
{
    long calls = calls_of_whole_script(DISK_CHANGES);
    int torn = 0;

    (void)state;
    assert_in_range(calls, 2 * (SCRIPT_STEPS + SCRIPT_LONG_STEPS) + 3, 100);
    for (long call = 1; call <= calls; call++) {
        for (uint64_t seed = 1; seed <= SEEDS; seed++) {
            struct hf_error error = {0};
            struct outcome outcome;
            const char *violation = crash_once(call, seed, DISK_HONEST, &outcome, &error);

            if (violation != NULL)
                fail_msg("call %ld, seed %" PRIu64 ": %s (acknowledged %" PRIu64 "): %s", call, seed,
                         violation, outcome.acknowledged, error.message);
            assert_true(disk.dead);
            torn += outcome.attempted > outcome.acknowledged;
        }
    }
    assert_true(torn > 0);
    print_message("%ld calls x %d seeds\n", calls, SEEDS);
}

/* The power fails again while the torn tail of the first time is being moved aside. */
static void test_power_cut_while_recovering(void **state)
{
    long calls = calls_of_whole_script(DISK_CHANGES);
    int second_cuts = 0;

    (void)state;
    for (long call = 1; call <= calls; call++) {
        for (uint64_t seed = 1; seed <= SEEDS / 4; seed++) {
            for (long second = 1; second <= 6; second++) {
                TEST_CLOCK(clock);
                struct hf_run_options options = scripted_options(&clock, profile, &disk_ops);
                struct hf_error error = {0};
                struct outcome outcome;
                const char *violation;
                char directory[PATH_MAX];
                struct hf_run *run;

                scratch_make(directory);
                disk_power_on(seed);
                disk.classes = DISK_CHANGES;
                disk.fault_at = call;
                outcome = script_run(directory, profile, &disk_ops);
                disk_crash();
                disk_power_on(seed * 31 + (uint64_t)second);
                disk.classes = DISK_CHANGES;
                disk.fault_at = second;
                if (hf_run_open(directory, &options, &run, &error) == HF_OK)
                    hf_run_close(run);
                hf_error_clear(&error);
                second_cuts += disk.struck;
                disk_crash();
                violation = check_read_only(directory, outcome.acknowledged, outcome.attempted, &error);
                if (violation == NULL)
                    violation =
                        check_goes_on(directory, profile, outcome.acknowledged, outcome.attempted, &error);
                if (violation != NULL)
                    fail_msg("call %ld, seed %" PRIu64 ", then call %ld: %s: %s", call, seed, second,
                             violation, error.message);
                scratch_remove(directory);
            }
        }
    }
    assert_true(second_cuts > 100); /* the second cut did happen */
}

/* --- the checks can fail -----------------------------------------------------------------------------------
 */

static int violations_under(int lies)
{
    long calls = calls_of_whole_script(DISK_CHANGES);
    int violations = 0;

    for (long call = 1; call <= calls; call++) {
        for (uint64_t seed = 1; seed <= 5; seed++) {
            struct hf_error error = {0};
            struct outcome outcome;

            violations += crash_once(call, seed, lies, &outcome, &error) != NULL;
        }
    }
    return violations;
}

static void test_a_skipped_sync_is_found(void **state)
{
    (void)state;
    assert_true(violations_under(DISK_LIES_ABOUT_SYNC) > 20);
}

static void test_a_skipped_folder_sync_is_found(void **state)
{
    (void)state;
    assert_true(violations_under(DISK_LIES_ABOUT_FOLDERS) > 20);
}

/* A journal that acknowledges before it syncs: the same simulator, an implementation that is wrong. */
static int sync_too_late(int fd)
{
    (void)fd;
    return 0;
}

static void test_an_implementation_without_sync_is_found(void **state)
{
    struct hf_journal_file_ops ops = disk_ops;
    int violations = 0;

    (void)state;
    ops.sync = sync_too_late;
    for (long call = 3; call <= 11; call++) {
        struct hf_error error = {0};
        struct outcome outcome;
        char directory[PATH_MAX];

        scratch_make(directory);
        disk_power_on((uint64_t)call);
        disk.classes = DISK_WRITE;
        disk.fault_at = call;
        outcome = script_run(directory, profile, &ops);
        disk_crash();
        violations += check_read_only(directory, outcome.acknowledged, outcome.attempted, &error) != NULL;
        scratch_remove(directory);
    }
    assert_true(violations > 3);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(test_power_cut_at_every_call),
        cmocka_unit_test(test_power_cut_while_recovering),
        cmocka_unit_test(test_a_skipped_sync_is_found),
        cmocka_unit_test(test_a_skipped_folder_sync_is_found),
        cmocka_unit_test(test_an_implementation_without_sync_is_found),
    };

    return cmocka_run_group_tests(tests, group_setup, group_teardown);
}
