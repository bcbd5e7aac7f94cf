/*
 * The scripted run of the crash tests: what it should leave, what a crash did leave, and whether that is
 * allowed.
 */
#ifndef HOLDFAST_TESTS_SCRIPTED_RUN_H
#define HOLDFAST_TESTS_SCRIPTED_RUN_H

#include "crash/simulated_disk.h"

/* The undisturbed run: its bytes, where each line ends, and the folded state after each line. */
static struct {
    char *bytes;
    size_t size;
    size_t line_end[SCRIPT_RECORDS + 1];
    struct hf_run_state state[SCRIPT_RECORDS + 1];
    int ends_commit[SCRIPT_RECORDS + 1];
} reference;

struct outcome {
    uint64_t acknowledged; /* records whose commit returned 0 */
    uint64_t attempted;    /* and those of the commit that did not */
    int code;              /* of the first failure; 0: the script went through */
};

static void keep_state(const struct hf_run *run)
{
    if (run->state.records <= SCRIPT_RECORDS)
        memcpy(&reference.state[run->state.records], &run->state, sizeof run->state);
}

static struct hf_run_options scripted_options(struct hf_clock *clock, const struct hf_profile *profile,
                                              const struct hf_journal_file_ops *ops)
{
    struct hf_run_options options = {
        .profile = profile,
        .journal = {
            .clock = clock, .file_ops = ops, .boot_id = BOOT_A, .salt = FIXED_SALT, .reserve_bytes = 65536}};

    return options;
}

/* Runs the script in a fresh directory. After a failure: every later call must fail as well. */
static struct outcome script_run(const char *directory, const struct hf_profile *profile,
                                 const struct hf_journal_file_ops *ops)
{
    TEST_CLOCK(clock);
    struct hf_run_options options = scripted_options(&clock, profile, ops);
    struct outcome outcome = {.attempted = 1};
    struct hf_error error = {0};
    struct hf_run *run;

    small_run_directory(directory);
    outcome.code = hf_run_open(directory, &options, &run, &error);
    if (outcome.code != HF_OK)
        return outcome;
    script_added(run);
    outcome.acknowledged = 1;
    for (int i = 0; i < SCRIPT_STEPS && outcome.code == HF_OK; i++) {
        outcome.code = script[i](run, &error);
        outcome.attempted = run->state.records;
        if (outcome.code == HF_OK)
            outcome.code = hf_journal_commit(run->journal, &error);
        if (outcome.code == HF_OK)
            outcome.acknowledged = hf_journal_records(run->journal);
        if (outcome.code == HF_OK && script_hook != NULL)
            reference.ends_commit[outcome.acknowledged] = 1;
    }
    if (outcome.code != HF_OK) {
        struct hf_error later = {0};

        assert_true(hf_journal_failed(run->journal));
        assert_int_equal(hf_journal_records(run->journal), outcome.acknowledged);
        assert_int_equal(script[SCRIPT_STEPS - 1](run, &later), HF_E_STICKY);
        hf_error_clear(&later);
        assert_int_equal(hf_journal_commit(run->journal, &later), HF_E_STICKY);
    }
    hf_run_close(run);
    return outcome;
}

static void reference_make(const struct hf_profile *profile)
{
    struct hf_journal_file_ops ops = quick_ops();
    struct outcome outcome;
    char directory[PATH_MAX];
    size_t line = 0;

    scratch_make(directory);
    script_hook = keep_state;
    outcome = script_run(directory, profile, &ops);
    script_hook = NULL;
    assert_int_equal(outcome.code, HF_OK);
    assert_int_equal(outcome.acknowledged, SCRIPT_RECORDS);
    reference.bytes = file_read(directory, "journal.jsonl", &reference.size);
    assert_non_null(reference.bytes);
    for (size_t i = 0; i < reference.size; i++) {
        if (reference.bytes[i] == '\n')
            reference.line_end[++line] = i + 1;
    }
    assert_int_equal(line, SCRIPT_RECORDS);
    scratch_remove(directory);
}

/* NULL, or what the recovered run violates. `low` and `high`: the records it must and may have. */
static const char *recovered_violation(const char *directory, const struct hf_run *run, uint64_t low,
                                       uint64_t high)
{
    uint64_t records = run->opening.records;
    size_t size;
    char *bytes = file_read(directory, "journal.jsonl", &size);
    int same;

    if (bytes == NULL)
        return "the journal is gone";
    same = records <= SCRIPT_RECORDS && size >= reference.line_end[records] &&
           memcmp(bytes, reference.bytes, reference.line_end[records]) == 0;
    free(bytes);
    if (records < low)
        return "acknowledged records are lost";
    if (records > high)
        return "records were invented";
    if (!same)
        return "the records are not those that were written";
    if (records > 0 && memcmp(&run->state, &reference.state[records], sizeof run->state) != 0)
        return "the folded state is not the state after those records";
    return NULL;
}

__attribute__((unused)) static const char *check_read_only(const char *directory, uint64_t low, uint64_t high,
                                                           struct hf_error *error)
{
    struct hf_run_options options = scripted_options(NULL, NULL, NULL);
    const char *violation;
    struct hf_run *run;

    options.read_only = 1;
    if (hf_run_open(directory, &options, &run, error) != HF_OK) {
        if (error->code == HF_E_NOT_FOUND && low == 0) {
            hf_error_clear(error); /* nothing had been acknowledged, nothing is there */
            return NULL;
        }
        return "it cannot be read";
    }
    violation = recovered_violation(directory, run, low, high);
    hf_run_close(run);
    return violation;
}

/* Reopens for writing, checks, goes on by one record, and reads that again. */
__attribute__((unused)) static const char *check_goes_on(const char *directory,
                                                         const struct hf_profile *profile, uint64_t low,
                                                         uint64_t high, struct hf_error *error)
{
    struct hf_journal_file_ops ops = quick_ops();
    const char *violation = NULL;
    struct hf_run *run;
    uint64_t records;
    TEST_CLOCK(clock);
    struct hf_run_options options = scripted_options(&clock, profile, &ops);

    clock_state.wall_ns += INT64_C(3600000000000);
    if (hf_run_open(directory, &options, &run, error) != HF_OK)
        return "it cannot be resumed";
    if (run->opening.records > 0)
        violation = recovered_violation(directory, run, low, high);
    else if (low > 0)
        violation = "acknowledged records are lost";
    (void)hf_run_begin_record(run, HF_RECORD_NOTE);
    if (hf_run_end_record(run, error) != HF_OK || hf_journal_commit(run->journal, error) != HF_OK)
        violation = "the resumed run cannot go on";
    records = run->state.records;
    hf_run_close(run);
    if (violation != NULL)
        return violation;
    if (hf_run_open(directory, &options, &run, error) != HF_OK)
        return "the resumed run cannot be read";
    if (run->opening.records != records || run->opening.torn)
        violation = "the resumed run is not whole";
    hf_run_close(run);
    return violation;
}

#endif
