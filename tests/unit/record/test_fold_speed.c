/*
 * How long a run takes to be opened, verified and folded: 100,000 records, nearly all of them exposures of
 * four groups. The aim is half a second; the bound here is looser, in processor time, because the machine is
 * shared.
 */
#define SCRATCH_PREFERRED "/dev/shm"
#include "unit/record/record_fixture.h"

#include <time.h>

#ifdef HOLDFAST_SANITIZED
#define RECORDS 5000
#define BOUND_S 10.0
#else
#define RECORDS 100000
#define BOUND_S 1.0
#endif

static double seconds(clockid_t clock)
{
    struct timespec now;

    assert_int_equal(clock_gettime(clock, &now), 0);
    return (double)now.tv_sec + 1e-9 * (double)now.tv_nsec;
}

static void add(struct hf_run *run, struct hf_event event)
{
    struct hf_error error = {0};

    assert_ok(hf_run_add_event(run, &event, NULL, &error));
}

static void fill(struct hf_run *run)
{
    struct hf_event events[4];
    struct hf_error error = {0};

    for (int group = 0; group < 4; group++) {
        add(run, begin_of((uint64_t)group + 1, HF_PURPOSE_EDGE, group, 17));
        add(run, event_of(HF_EVENT_TRIAL_LOADED, (uint64_t)group + 1, HF_GROUP_NONE));
        events[group] = progress_of((uint64_t)group + 1, 0, 0);
    }
    while (run->state.records < RECORDS) {
        for (int group = 0; group < 4; group++) {
            events[group].exposure_s += 4.987654321 + group * 0.01;
            events[group].blocks += 251 + (uint64_t)group;
        }
        assert_ok(hf_run_add_exposure(run, events, 4, &error));
        if (run->state.records % 1000 == 0)
            assert_ok(hf_journal_commit(run->journal, &error));
    }
    assert_ok(hf_journal_commit(run->journal, &error));
}

static void test_speed(void **state)
{
    TEST_CLOCK(clock);
    struct hf_journal_file_ops ops = quick_ops();
    struct hf_profile *profile = small_profile_new();
    struct hf_run_options options = {
        .profile = profile,
        .journal = {.clock = &clock, .file_ops = &ops, .boot_id = BOOT_A, .reserve_bytes = 65536}};
    struct hf_error error = {0};
    char directory[PATH_MAX];
    double processor_s = 1e9;
    double wall_s = 1e9;
    struct hf_run *run;

    (void)state;
    scratch_make(directory);
    assert_ok(hf_run_open(directory, &options, &run, &error));
    fill(run);
    hf_run_close(run);
    for (int i = 0; i < 3; i++) {
        double processor_start = seconds(CLOCK_PROCESS_CPUTIME_ID);
        double wall_start = seconds(CLOCK_MONOTONIC);
        double taken;

        assert_ok(hf_run_open(directory, &options, &run, &error));
        assert_int_equal(run->state.records, RECORDS);
        taken = seconds(CLOCK_PROCESS_CPUTIME_ID) - processor_start;
        processor_s = taken < processor_s ? taken : processor_s;
        taken = seconds(CLOCK_MONOTONIC) - wall_start;
        wall_s = taken < wall_s ? taken : wall_s;
        hf_run_close(run);
    }
    print_message("%d records: %.3f s of processor time, %.3f s on the wall, best of 3\n", RECORDS,
                  processor_s, wall_s);
    assert_true(processor_s < BOUND_S);
    hf_profile_free(profile);
    scratch_remove(directory);
}

int main(void)
{
    const struct CMUnitTest tests[] = {cmocka_unit_test(test_speed)};

    return cmocka_run_group_tests(tests, NULL, NULL);
}
