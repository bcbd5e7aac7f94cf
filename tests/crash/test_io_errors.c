/*
 * Every write, sync and read of a scripted run fails once, and for good: with an error, short, or with a
 * wrong bit. The journal must notice, stay failed, and leave a run that reopens with every acknowledged
 * record.
 */
#include "crash/scripted_run.h"

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

/* A commit of one line is one write and one sync, one of several lines is two. */
#define COMMITS (SCRIPT_STEPS + 1)
#define WRITES  (COMMITS + SCRIPT_LONG_STEPS)

/* Fails call 1, 2, 3, ... of the kind until a run sees no fault. Returns how many calls there were. */
static long fail_each(enum disk_call kind, enum disk_fault fault, int error_number, int expected_code)
{
    for (long call = 1;; call++) {
        struct hf_error error = {0};
        struct outcome outcome;
        const char *violation;
        char directory[PATH_MAX];
        int struck;

        scratch_make(directory);
        disk_power_on((uint64_t)call);
        disk.classes = (int)kind;
        disk.fault = fault;
        disk.fault_at = call;
        disk.error_number = error_number;
        outcome = script_run(directory, profile, &disk_ops); /* checks that the failure is sticky */
        struck = disk.struck;
        if (struck && outcome.code != expected_code)
            fail_msg("call %ld: %s, expected %s", call, hf_error_name(outcome.code),
                     hf_error_name(expected_code));
        if (!struck)
            assert_int_equal(outcome.code, HF_OK);
        violation = check_read_only(directory, outcome.acknowledged, outcome.attempted, &error);
        if (violation == NULL)
            violation = check_goes_on(directory, profile, outcome.acknowledged, outcome.attempted, &error);
        if (violation != NULL)
            fail_msg("call %ld: %s: %s", call, violation, error.message);
        scratch_remove(directory);
        if (!struck)
            return call - 1;
    }
}

static void test_every_sync_fails(void **state)
{
    (void)state;
    assert_int_equal(fail_each(DISK_SYNC, DISK_ERROR_ONCE, EIO, HF_E_IO), WRITES);
    assert_int_equal(fail_each(DISK_SYNC, DISK_ERROR_FROM, EIO, HF_E_IO), WRITES);
    assert_int_equal(fail_each(DISK_SYNC, DISK_ERROR_ONCE, ENOSPC, HF_E_FULL), WRITES);
    assert_int_equal(fail_each(DISK_SYNC_FOLDER, DISK_ERROR_ONCE, EIO, HF_E_IO), 1);
}

static void test_disk_full_at_every_write(void **state)
{
    (void)state;
    assert_int_equal(fail_each(DISK_WRITE, DISK_ERROR_ONCE, ENOSPC, HF_E_FULL), WRITES);
    assert_int_equal(fail_each(DISK_WRITE, DISK_ERROR_FROM, ENOSPC, HF_E_FULL), WRITES);
    assert_int_equal(fail_each(DISK_WRITE, DISK_ERROR_ONCE, EDQUOT, HF_E_FULL), WRITES);
    assert_int_equal(fail_each(DISK_WRITE, DISK_ERROR_ONCE, EIO, HF_E_IO), WRITES);
}

static void test_every_write_is_short(void **state)
{
    (void)state;
    assert_int_equal(fail_each(DISK_WRITE, DISK_SHORT, 0, HF_E_FULL), WRITES);
}

/* One reading back a commit. */
static void test_every_read_back_differs(void **state)
{
    (void)state;
    assert_int_equal(fail_each(DISK_READ, DISK_FLIP, 0, HF_E_IO), COMMITS);
    assert_int_equal(fail_each(DISK_READ, DISK_ERROR_ONCE, EIO, HF_E_IO), COMMITS);
}

/* Short reads and interrupted calls are not failures. */
static void test_what_is_no_failure(void **state)
{
    (void)state;
    assert_int_equal(fail_each(DISK_READ, DISK_SHORT, 0, HF_OK), COMMITS);
    assert_int_equal(fail_each(DISK_READ, DISK_ERROR_ONCE, EINTR, HF_OK), COMMITS);
    assert_int_equal(fail_each(DISK_WRITE, DISK_ERROR_ONCE, EINTR, HF_OK), WRITES);
}

/* Moving a torn tail aside fails at every call: nothing is lost, and the next opening does it. */
static void test_recovery_fails_at_every_call(void **state)
{
    static const char tail[] = "{\"seq\":22,\"commit\":22,\"wall\":\"2026";
    int failures = 0;

    (void)state;
    for (long call = 1; call <= 5; call++) {
        TEST_CLOCK(clock);
        struct hf_run_options options = scripted_options(&clock, profile, &disk_ops);
        struct hf_error error = {0};
        struct hf_run *run;
        char directory[PATH_MAX];
        char *bytes = malloc(reference.size + sizeof tail);
        size_t torn_size;

        assert_non_null(bytes);
        memcpy(bytes, reference.bytes, reference.size);
        memcpy(bytes + reference.size, tail, sizeof tail - 1);
        scratch_make(directory);
        small_run_directory(directory);
        file_write(directory, "journal.jsonl", bytes, reference.size + sizeof tail - 1);
        disk_power_on((uint64_t)call);
        disk.classes = DISK_CHANGES;
        disk.fault = DISK_ERROR_ONCE;
        disk.fault_at = call;
        disk.error_number = EIO;
        if (hf_run_open(directory, &options, &run, &error) == HF_OK)
            hf_run_close(run);
        else
            failures++;
        hf_error_clear(&error);
        assert_null(check_read_only(directory, SCRIPT_RECORDS, SCRIPT_RECORDS, &error));
        assert_null(check_goes_on(directory, profile, SCRIPT_RECORDS, SCRIPT_RECORDS, &error));
        free(file_read(directory, "journal.torn", &torn_size));
        assert_in_range(torn_size, sizeof tail - 1, 2 * (sizeof tail - 1));
        free(bytes);
        scratch_remove(directory);
    }
    assert_int_equal(failures,
                     5); /* write and sync of journal.torn, its folder, the cut, the journal's sync */
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(test_every_sync_fails),     cmocka_unit_test(test_disk_full_at_every_write),
        cmocka_unit_test(test_every_write_is_short), cmocka_unit_test(test_every_read_back_differs),
        cmocka_unit_test(test_what_is_no_failure),   cmocka_unit_test(test_recovery_fails_at_every_call),
    };

    return cmocka_run_group_tests(tests, group_setup, group_teardown);
}
