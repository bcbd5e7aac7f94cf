/* Settings that are put back: by the session that changed them, or by the next one of the same boot. */
#include "unit/machine/scripted_host.h"
#include "unit/record/record_fixture.h"

#include "harness/undo.h"

#define ONE "/sys/one"
#define TWO "/sys/two"

struct bench {
    char directory[PATH_MAX];
    struct hf_profile *profile;
    struct hf_host host;
    struct script *script;
    struct hf_run *run;
    struct hf_undo *undo;
};

static void begin(struct bench *bench, const char *boot)
{
    struct hf_run_options options = {.profile = bench->profile};
    struct hf_error error = {0};

    options.journal.boot_id = boot;
    options.journal.reserve_bytes = 65536;
    assert_int_equal(hf_run_open(bench->directory, &options, &bench->run, &error), HF_OK);
    assert_int_equal(hf_undo_new(bench->run, &bench->host, boot, &bench->undo, &error), HF_OK);
}

/* A session that is killed leaves no trace but its journal. */
static void kill_session(struct bench *bench)
{
    hf_undo_free(bench->undo);
    hf_run_close(bench->run);
    bench->undo = NULL;
    bench->run = NULL;
}

static void make(struct bench *bench)
{
    struct hf_error error = {0};

    memset(bench, 0, sizeof *bench);
    scratch_make(bench->directory);
    assert_int_equal(hf_profile_read(HOLDFAST_SOURCE_DIR "/profiles/heron.json", &bench->profile, &error),
                     HF_OK);
    bench->script = script_new(&bench->host);
    script_set(bench->script, ONE, "old-1\n");
    script_set(bench->script, TWO, "old-2\n");
    begin(bench, BOOT_A);
}

static void end(struct bench *bench)
{
    kill_session(bench);
    hf_profile_free(bench->profile);
    free(bench->script);
    scratch_remove(bench->directory);
}

static void expect(struct bench *bench, const char *file, const char *value)
{
    char now[64];

    assert_true(hf_host_line(&bench->host, file, now, sizeof now) >= 0);
    assert_string_equal(now, value);
}

static void write_to(struct bench *bench, const char *file, const char *value)
{
    struct hf_error error = {0};

    assert_int_equal(hf_undo_write(bench->undo, file, value, &error), HF_OK);
    expect(bench, file, value);
}

static void test_same_session(void **unused)
{
    struct bench bench;
    struct hf_error error = {0};

    (void)unused;
    make(&bench);
    write_to(&bench, ONE, "new");
    write_to(&bench, ONE, "newer"); /* the first old value is kept */
    write_to(&bench, TWO, "old-2"); /* nothing to do: nothing to put back */
    assert_int_equal(hf_undo_count(bench.undo), 1);
    assert_int_equal(hf_undo_all(bench.undo, &error), HF_OK);
    expect(&bench, ONE, "old-1");
    assert_int_equal(hf_undo_count(bench.undo), 0);
    end(&bench);
}

static void test_killed_session(void **unused)
{
    struct bench bench;
    struct hf_error error = {0};

    (void)unused;
    make(&bench);
    write_to(&bench, ONE, "new");
    write_to(&bench, TWO, "new");
    kill_session(&bench);
    begin(&bench, BOOT_A);
    assert_int_equal(hf_undo_count(bench.undo), 2);
    write_to(&bench, TWO, "newest"); /* still the first session's old value */
    assert_int_equal(hf_undo_all(bench.undo, &error), HF_OK);
    expect(&bench, ONE, "old-1");
    expect(&bench, TWO, "old-2");
    kill_session(&bench);
    begin(&bench, BOOT_A); /* put back is put back */
    assert_int_equal(hf_undo_count(bench.undo), 0);
    end(&bench);
}

/* Nothing that is written outlives a boot, so nothing of another boot is put back. */
static void test_another_boot(void **unused)
{
    struct bench bench;
    struct hf_error error = {0};

    (void)unused;
    make(&bench);
    write_to(&bench, ONE, "new");
    kill_session(&bench);
    script_set(bench.script, ONE, "default of the boot\n");
    begin(&bench, BOOT_B);
    assert_int_equal(hf_undo_count(bench.undo), 0);
    assert_int_equal(hf_undo_all(bench.undo, &error), HF_OK);
    expect(&bench, ONE, "default of the boot");
    end(&bench);
}

static void test_ignored_write(void **unused)
{
    struct bench bench;
    struct hf_error error = {0};

    (void)unused;
    make(&bench);
    bench.script->write_ignored = 1;
    assert_int_equal(hf_undo_write(bench.undo, ONE, "new", &error), HF_E_MISMATCH);
    assert_non_null(strstr(error.message, ONE));
    end(&bench);
}

/* A file that cannot be put back is named; the others are put back all the same, and it stays in the list. */
static void test_one_stays(void **unused)
{
    struct bench bench;
    struct hf_error error = {0};

    (void)unused;
    make(&bench);
    write_to(&bench, ONE, "new");
    write_to(&bench, TWO, "new");
    script_wrong(bench.script, TWO, EIO);
    assert_int_not_equal(hf_undo_all(bench.undo, &error), HF_OK);
    assert_non_null(strstr(error.message, TWO));
    expect(&bench, ONE, "old-1");
    assert_int_equal(hf_undo_count(bench.undo), 1);
    end(&bench);
}

/* The old value is on disk before the file is touched. */
static void test_journal_first(void **unused)
{
    struct bench bench;
    struct hf_error error = {0};

    (void)unused;
    make(&bench);
    bench.script->write_wrong = EACCES;
    assert_int_not_equal(hf_undo_write(bench.undo, ONE, "new", &error), HF_OK);
    kill_session(&bench);
    begin(&bench, BOOT_A);
    assert_int_equal(hf_undo_count(bench.undo), 1); /* it might have been written */
    bench.script->write_wrong = 0;
    hf_error_clear(&error);
    assert_int_equal(hf_undo_all(bench.undo, &error), HF_OK);
    expect(&bench, ONE, "old-1");
    end(&bench);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(test_same_session), cmocka_unit_test(test_killed_session),
        cmocka_unit_test(test_another_boot), cmocka_unit_test(test_ignored_write),
        cmocka_unit_test(test_one_stays),    cmocka_unit_test(test_journal_first),
    };

    return cmocka_run_group_tests(tests, NULL, NULL);
}
