/* Evidence: what was read equals what was written; a long journal is read quickly. */
#include "output_fixture.h"

#include <time.h>

#include "output/output_private.h"

/* The lines of the raw journal of one type: counted apart from the library. */
static int lines_of(const char *directory, const char *type)
{
    char wanted[64];
    size_t size;
    char *journal = file_read(directory, "journal.jsonl", &size);
    int count = 0;

    assert_non_null(journal);
    (void)snprintf(wanted, sizeof wanted, "\"type\":\"%s\"", type);
    for (const char *at = journal; (at = strstr(at, wanted)) != NULL; at++)
        count++;
    free(journal);
    return count;
}

static void counts_agree_with_the_journal(void **state)
{
    struct night night = {.groups = 3, .seed = 31, .soak_hours = 1, .factor = 60};
    char directory[PATH_MAX];
    struct hf_error error = {0};
    struct hf_evidence *evidence = NULL;
    struct hf_evidence_soak soak;
    double exposure = 0;
    double loads = 0;
    int fails = 0;

    (void)state;
    scratch_make(directory);
    night_write(&night, directory);
    assert_ok(hf_evidence_open(directory, &evidence, &error));
    assert_int_equal(evidence->trial_count, lines_of(directory, "trial-begin"));
    assert_int_equal(evidence->failure_count, night.failures);
    assert_int_equal(evidence->reset_count, night.resets);
    assert_int_equal(evidence->mismatch_count, lines_of(directory, "mismatch"));
    assert_int_equal(evidence->session_count, 1);
    assert_int_equal(evidence->sessions[0].planted, 3 * 4 * 11);
    assert_string_equal(evidence->sessions[0].condition[HF_CONDITION_MICROCODE], "0xa601206");
    assert_string_equal(evidence->sessions[0].condition[HF_CONDITION_FAMILY], "25");
    assert_true(evidence->sessions[0].end_s >= evidence->finished.time_s);
    assert_int_equal(evidence->finished.sequence, night.finished_records);
    assert_non_null(evidence->plan);
    for (size_t i = 0; i < evidence->trial_count; i++) {
        const struct hf_evidence_trial *trial = &evidence->trials[i];

        assert_int_equal(trial->trial, i + 1);
        assert_int_not_equal(trial->verdict, HF_VERDICT_NONE);
        assert_true(trial->end_s >= trial->begin_s && trial->loaded_s >= trial->begin_s);
        exposure += trial->exposure_s;
        fails += trial->verdict == HF_VERDICT_FAIL;
        for (int k = 0; k < trial->load_count; k++)
            loads += evidence->loads[trial->load_first + (size_t)k].exposure_s;
        if (trial->cause == HF_CAUSE_WRONG_RESULT) {
            assert_int_not_equal(trial->mismatch, HF_EVIDENCE_NOTHING);
            assert_int_equal(evidence->mismatches[trial->mismatch].trial, trial->trial);
            assert_true(evidence->mismatches[trial->mismatch].xor_mask == 0x400000);
            assert_int_equal(evidence->mismatches[trial->mismatch].cpu, trial->cpu);
        }
    }
    assert_int_equal(fails, night.failures);
    assert_true(fabs(loads - exposure) < 1e-6 * exposure);
    hf_evidence_soak(evidence, &soak);
    assert_true(fabs(soak.plan.served_s - 3600) < 1e-6);
    assert_true(fabs(soak.observed_s - 3600) < 1e-6);
    assert_int_equal(soak.blocks, 180000);
    hf_evidence_free(evidence);
    scratch_remove(directory);
}

/* Group sums: named failures and unnamed resets come to the verdicts, kernels to the exposure. */
static void group_sums_agree(void **state)
{
    struct night night = {.groups = 3, .seed = 32, .soak_hours = 1, .factor = 60};
    char directory[PATH_MAX];
    struct hf_error error = {0};
    struct hf_evidence *evidence = NULL;
    struct hf_evidence_kernel kernels[HF_EVIDENCE_KERNELS_MAX];
    int named = 0;
    int unnamed = 0;
    int wrong = 0;
    int count;

    (void)state;
    scratch_make(directory);
    night_write(&night, directory);
    assert_ok(hf_evidence_open(directory, &evidence, &error));
    for (int g = 0; g < 3; g++) {
        struct hf_evidence_group own;
        double hours = 0;

        hf_evidence_group(evidence, g, &own);
        named += own.fails;
        assert_string_equal(own.state, night.finished ? "proved" : own.state);
        count = hf_evidence_kernels(evidence, g, kernels);
        assert_int_equal(count, 5);
        for (int k = 0; k < count; k++)
            hours += kernels[k].exposure_s;
        assert_true(fabs(hours - own.exposure_s) < 1e-6 * own.exposure_s);
        assert_true(fabs(own.celsius_mean - 68.25) < 1e-9);
    }
    for (size_t i = 0; i < evidence->failure_count; i++)
        unnamed += evidence->trials[evidence->failures[i]].indicted == HF_GROUP_NONE;
    assert_int_equal(named + unnamed, night.failures);
    count = hf_evidence_kernels(evidence, HF_GROUP_ALL, kernels);
    for (int k = 0; k < count; k++)
        wrong += kernels[k].failures;
    assert_int_equal(wrong, lines_of(directory, "mismatch"));
    hf_evidence_free(evidence);
    scratch_remove(directory);
}

/* Read up to a record: nothing of what follows, and the checksum of that very line. */
static void a_prefix_is_a_prefix(void **state)
{
    struct night night = {.groups = 2, .seed = 33, .soak_hours = 1, .factor = 60, .method = "bisect"};
    char directory[PATH_MAX];
    struct hf_error error = {0};
    struct hf_evidence *evidence = NULL;
    uint64_t records;

    (void)state;
    scratch_make(directory);
    night_write(&night, directory);
    assert_ok(hf_evidence_open(directory, &evidence, &error));
    records = evidence->records;
    hf_evidence_free(evidence);
    for (uint64_t n = 1; n <= records; n += 7) {
        char wanted[64];
        char crc[32];
        size_t size;
        char *journal = file_read(directory, "journal.jsonl", &size);
        char *line;

        assert_ok(hf_evidence_open_at(directory, n, &evidence, &error));
        assert_int_equal(evidence->records, n);
        assert_int_equal(evidence->journal_records, records);
        (void)snprintf(wanted, sizeof wanted, "{\"seq\":%" PRIu64 ",", n);
        line = strstr(journal, wanted);
        assert_non_null(line);
        (void)snprintf(crc, sizeof crc, "\"crc\":\"%08" PRIx32 "\"", evidence->last_crc);
        assert_int_equal(strncmp(strchr(line, '\n') - strlen(crc) - 1, crc, strlen(crc)), 0);
        for (size_t i = 0; i < evidence->trial_count; i++)
            assert_true(evidence->trials[i].begin_sequence <= n && evidence->trials[i].end_sequence <= n);
        free(journal);
        hf_evidence_free(evidence);
    }
    assert_error(hf_evidence_open_at(directory, records + 1, &evidence, &error), HF_E_RANGE, "records");
    scratch_remove(directory);
}

/* 100,000 records: read in about a second. The limit here is loose, for slow and instrumented machines. */
static void long_journals_are_read_quickly(void **state)
{
    struct night night = {.groups = 2,
                          .seed = 34,
                          .soak_hours = 6,
                          .factor = 60,
                          .method = "bisect",
                          .exposure_lines = 8000,
                          .stop_after = 28};
    char directory[PATH_MAX];
    struct hf_error error = {0};
    struct hf_evidence *evidence = NULL;
    struct timespec begin;
    struct timespec end;
    double took_s;

    (void)state;
    scratch_make(directory);
    night_write(&night, directory);
    (void)clock_gettime(CLOCK_MONOTONIC, &begin);
    assert_ok(hf_evidence_open(directory, &evidence, &error));
    (void)clock_gettime(CLOCK_MONOTONIC, &end);
    took_s = (double)(end.tv_sec - begin.tv_sec) + (double)(end.tv_nsec - begin.tv_nsec) / 1e9;
    print_message("%" PRIu64 " records in %.2f s\n", evidence->records, took_s);
    assert_true(evidence->records > 100000);
    assert_true(took_s < 30);
    hf_evidence_free(evidence);
    scratch_remove(directory);
}

static void no_run_is_named(void **state)
{
    char directory[PATH_MAX];
    struct hf_error error = {0};
    struct hf_evidence *evidence = NULL;

    (void)state;
    scratch_make(directory);
    assert_error(hf_evidence_open(directory, &evidence, &error), HF_E_NOT_FOUND, "profile.json");
    file_write(directory, "profile.json", "{}", 2);
    assert_error(hf_evidence_open(directory, &evidence, &error), HF_E_INPUT, "profile.json");
    small_run_directory(directory);
    assert_error(hf_evidence_open(directory, &evidence, &error), HF_E_NOT_FOUND, "journal");
    assert_null(evidence);
    scratch_remove(directory);
}

/* The record library's own scripted run, whose records lack much of what a harness writes. */
static void sparse_records_are_read(void **state)
{
    char directory[PATH_MAX];
    struct hf_error error = {0};
    struct hf_journal_file_ops ops = quick_ops();
    TEST_CLOCK(clock);
    struct hf_run_options options = {.journal = {.clock = &clock,
                                                 .file_ops = &ops,
                                                 .boot_id = BOOT_A,
                                                 .salt = FIXED_SALT,
                                                 .reserve_bytes = 1 << 20}};
    struct hf_profile *profile = small_profile_new();
    struct hf_run *run = NULL;
    struct hf_evidence *evidence = NULL;
    struct hf_text text;

    (void)state;
    scratch_make(directory);
    options.profile = profile;
    assert_ok(hf_run_open(directory, &options, &run, &error));
    for (int i = 0; i < SCRIPT_STEPS; i++)
        assert_ok(script[i](run, &error));
    assert_ok(hf_journal_commit(run->journal, &error));
    hf_run_close(run);
    assert_ok(hf_evidence_open(directory, &evidence, &error));
    assert_int_equal(evidence->records, SCRIPT_RECORDS);
    assert_int_equal(evidence->trial_count, 3);
    assert_int_equal(evidence->failure_count, 2);
    assert_int_equal(evidence->reset_count, 1);
    assert_int_equal(evidence->sessions[0].planted, 0);
    assert_int_equal(hf_evidence_speaks_against(evidence, &evidence->trials[1], 0), 1);
    assert_int_equal(hf_evidence_speaks_against(evidence, &evidence->trials[1], 1), 0);
    assert_int_equal(hf_evidence_speaks_against(evidence, &evidence->trials[2], 1), 2);
    assert_true(isnan(evidence->trials[0].celsius_highest));
    hf_text_init(&text, 1 << 20);
    hf_report_text(evidence, NULL, &text);
    assert_true(text.size > 100);
    hf_text_release(&text);
    hf_evidence_free(evidence);
    hf_profile_free(profile);
    scratch_remove(directory);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(counts_agree_with_the_journal),
        cmocka_unit_test(group_sums_agree),
        cmocka_unit_test(a_prefix_is_a_prefix),
        cmocka_unit_test(long_journals_are_read_quickly),
        cmocka_unit_test(no_run_is_named),
        cmocka_unit_test(sparse_records_are_read),
    };

    return cmocka_run_group_tests(tests, NULL, NULL);
}
