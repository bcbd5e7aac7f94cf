/* Polling settings, memory controllers' counters, trace points and the store, on a scripted machine and
 * hand-made trees; and this machine's own log when it may be read. */
#include "scripted_host.h"

#include "holdfast/hardware_errors.h"

#define SECOND INT64_C(1000000000)
#define CHECK  "/sys/devices/system/machinecheck/machinecheck0/"
#define MEMORY "/sys/devices/system/edac/mc/"

static struct {
    int count;
    struct hf_hardware_error event[64];
} taken;

static void take(void *argument, const struct hf_hardware_error *event)
{
    (void)argument;
    assert_true(taken.count < 64);
    taken.event[taken.count++] = *event;
}

static struct hf_error_joiner *joiner_new(void)
{
    struct hf_error_joiner_config config = {.take = take};
    struct hf_error_joiner *joiner = NULL;
    struct hf_error error = {0};

    taken.count = 0;
    assert_int_equal(hf_error_joiner_new(&config, &joiner, &error), HF_OK);
    return joiner;
}

/* --- polling ---------------------------------------------------------------------------------------- */

static void make_checks(struct script *script)
{
    for (int bank = 0; bank < 10; bank++) {
        char path[96];

        snprintf(path, sizeof path, CHECK "bank%d", bank);
        script_set(script, path, "ffffffffffffffff\n");
    }
    script_number(script, CHECK "check_interval", 300);
    script_number(script, CHECK "ignore_ce", 0);
    script_number(script, CHECK "dont_log_ce", 0);
    script_number(script, CHECK "print_all", 0);
}

static void test_shorten_and_restore(void **state)
{
    struct hf_host host;
    struct script *script = script_new(&host);
    struct hf_error_polling old, now;
    struct hf_error error = {0};

    (void)state;
    make_checks(script);
    assert_int_equal(hf_polling_shorten(&host, 2, &old, &error), HF_OK);
    assert_true(old.check_interval_s == 300 && old.banks == 10 && old.prints_all == 0);
    hf_polling_read(&host, &now);
    assert_true(now.check_interval_s == 2 && now.prints_all == 1);
    assert_int_equal(hf_polling_restore(&host, &old, &error), HF_OK);
    hf_polling_read(&host, &now);
    assert_true(now.check_interval_s == 300 && now.prints_all == 0);
    script_number(script, CHECK "check_interval", 1); /* shorter already: left alone */
    assert_int_equal(hf_polling_shorten(&host, 2, &old, &error), HF_OK);
    hf_polling_read(&host, &now);
    assert_true(now.check_interval_s == 1 && old.check_interval_s == 1);
    script_number(script, CHECK "check_interval", 0); /* never polled: now it is */
    assert_int_equal(hf_polling_shorten(&host, 2, &old, &error), HF_OK);
    hf_polling_read(&host, &now);
    assert_int_equal(now.check_interval_s, 2);
    free(script);
}

static void test_shorten_refused(void **state)
{
    struct hf_host host;
    struct script *script = script_new(&host);
    struct hf_error_polling old = {.banks = 77};
    struct hf_error error = {0};

    (void)state;
    assert_int_equal(hf_polling_shorten(&host, 2, &old, &error), HF_E_MISSING);
    make_checks(script);
    script->write_wrong = EACCES;
    error = (struct hf_error){0};
    assert_int_equal(hf_polling_shorten(&host, 2, &old, &error), HF_E_PERMISSION);
    assert_non_null(strstr(error.message, "root"));
    assert_int_equal(old.banks, 77);
    script->write_wrong = 0;
    script->write_ignored = 1;
    error = (struct hf_error){0};
    assert_int_equal(hf_polling_shorten(&host, 2, &old, &error), HF_E_MISMATCH);
    assert_int_equal(old.banks, 77);
    free(script);
}

static void assert_blind(const struct hf_host *host, const char *why, const char *mend)
{
    struct hf_error_polling polling;
    const char *got_mend;
    const char *got;

    hf_polling_read(host, &polling);
    got = hf_polling_blindness(&polling);
    got_mend = hf_polling_mend(&polling);
    assert_non_null(got);
    assert_non_null(strstr(got, why));
    if (mend == NULL)
        assert_null(got_mend);
    else
        assert_non_null(strstr(got_mend, mend));
}

static void test_blindness(void **state)
{
    struct hf_host host;
    struct script *script = script_new(&host);
    struct hf_error_polling polling;

    (void)state;
    assert_blind(&host, "no machine checks", NULL);
    make_checks(script);
    hf_polling_read(&host, &polling);
    assert_null(hf_polling_blindness(&polling));
    script_number(script, CHECK "ignore_ce", 1);
    assert_blind(&host, "ignored", CHECK "ignore_ce");
    script_number(script, CHECK "ignore_ce", 0);
    script_number(script, CHECK "dont_log_ce", 1);
    assert_blind(&host, "not logged", CHECK "dont_log_ce");
    script_number(script, CHECK "dont_log_ce", 0);
    script_number(script, CHECK "check_interval", 0);
    assert_blind(&host, "not polled", CHECK "check_interval");
    free(script);
}

/* --- memory controllers' counters ------------------------------------------------------------------- */

static void set_counts(struct script *script, int whole, int dimm0, int dimm1, int whole_bad)
{
    script_number(script, MEMORY "mc0/ce_count", whole);
    script_number(script, MEMORY "mc0/ue_count", whole_bad);
    script_number(script, MEMORY "mc0/dimm0/dimm_ce_count", dimm0);
    script_number(script, MEMORY "mc0/dimm0/dimm_ue_count", 0);
    script_set(script, MEMORY "mc0/dimm0/dimm_label", "heron_A1\n");
    script_number(script, MEMORY "mc0/dimm3/dimm_ce_count", dimm1);
    script_number(script, MEMORY "mc0/dimm3/dimm_ue_count", 0);
    script_number(script, MEMORY "mc1/ce_count", 5);
    script_number(script, MEMORY "mc1/ue_count", 0);
    script_number(script, MEMORY "mc1/csrow0/ce_count", 5);
    script_number(script, MEMORY "mc1/csrow0/ue_count", 0);
}

static void test_counts(void **state)
{
    struct hf_host host;
    struct script *script = script_new(&host);
    struct hf_error_joiner *joiner = joiner_new();
    struct hf_memory_count before[16], now[16];
    int before_count, now_count;

    (void)state;
    assert_int_equal(hf_memory_counts_read(&host, before, 16), 0);
    set_counts(script, 10, 4, 3, 0);
    before_count = hf_memory_counts_read(&host, before, 16);
    assert_int_equal(before_count, 5);
    assert_string_equal(before[1].name, "mc0/dimm0");
    assert_string_equal(before[1].label, "heron_A1");
    assert_string_equal(before[2].name, "mc0/dimm3");
    assert_string_equal(before[4].name, "mc1/csrow0");
    hf_memory_counts_compare(NULL, 0, before, before_count, joiner, SECOND);
    assert_int_equal(taken.count, 0); /* the first look tells nothing new */
    set_counts(script, 16, 6, 3, 1);
    now_count = hf_memory_counts_read(&host, now, 16);
    hf_memory_counts_compare(before, before_count, now, now_count, joiner, SECOND);
    assert_int_equal(taken.count, 3);
    assert_true(taken.event[0].count == 2 && taken.event[0].severity == HF_SEVERITY_CORRECTED);
    assert_non_null(strstr(taken.event[0].text, "heron_A1"));
    assert_true(taken.event[1].count == 4); /* what the modules do not explain */
    assert_true(taken.event[2].count == 1 && taken.event[2].severity == HF_SEVERITY_UNCORRECTED);
    taken.count = 0;
    set_counts(script, 3, 3, 0, 0); /* set to zero meanwhile, three since */
    before_count = hf_memory_counts_read(&host, before, 16);
    hf_memory_counts_compare(now, now_count, before, before_count, joiner, 10 * SECOND);
    assert_int_equal(taken.count, 1);
    assert_true(taken.event[0].count == 3 && taken.event[0].source == HF_FROM_COUNTER);
    hf_error_joiner_free(joiner);
    free(script);
}

static void test_hostile_counts(void **state)
{
    char *root = tree_new();
    struct hf_host host;
    struct hf_error error = {0};
    struct hf_memory_count counts[4];

    (void)state;
    tree_folder(root, "sys/devices/system/edac/mc/mc0/ce_count/");
    tree_file(root, "sys/devices/system/edac/mc/mc1/ce_count", "x");
    tree_file(root, "sys/devices/system/edac/mc/mc2", "no folder");
    tree_link(root, "sys/devices/system/edac/mc/mc3", "mc3");
    tree_file(root, "sys/devices/system/edac/mc/mc4/ue_count", "7");
    tree_file(root, "sys/devices/system/edac/mc/mc4/dimm0/dimm_ce_count", "-7\n");
    assert_int_equal(hf_host_open(root, &host, &error), HF_OK);
    assert_int_equal(hf_memory_counts_read(&host, counts, 4), 1);
    assert_string_equal(counts[0].name, "mc4");
    assert_true(counts[0].uncorrected == 7 && counts[0].corrected == 0);
    hf_host_close(&host);
    tree_free(root);
}

/* --- trace points ----------------------------------------------------------------------------------- */

static void test_trace_instance(void **state)
{
    struct hf_host host;
    struct script *script = script_new(&host);
    struct hf_error error = {0};
    char path[HF_HOST_PATH_MAX] = "";

    (void)state;
    assert_int_equal(hf_trace_begin(&host, path, &error), HF_E_MISSING); /* no such events */
    assert_string_equal(path, "");
    script_set(script, "/sys/kernel/tracing/instances/holdfast/events/mce/mce_record/enable", "0\n");
    error = (struct hf_error){0};
    assert_int_equal(hf_trace_begin(&host, path, &error), HF_OK);
    assert_string_equal(path, "/sys/kernel/tracing/instances/holdfast/trace_pipe");
    assert_string_equal(
        script_find(script, "/sys/kernel/tracing/instances/holdfast/events/mce/mce_record/enable")->text,
        "1\n");
    assert_int_equal(hf_trace_begin(&host, path, &error), HF_OK); /* what a dead session left is taken over */
    hf_trace_end(&host);
    script->write_wrong = EACCES;
    assert_int_equal(hf_trace_begin(&host, path, &error), HF_E_PERMISSION);
    free(script);
}

/* --- the store -------------------------------------------------------------------------------------- */

static int wants_new(void *argument, const char *name, uint32_t crc)
{
    assert_true(crc != 0); /* of the content */
    return strcmp(name, argument) != 0;
}

static void test_store(void **state)
{
    static const char dump[] =
        "Panic#1 Part1\n"
        "<6>[  100.000000] something else\n"
        "<0>[  101.000000] mce: [Hardware Error]: CPU 3: Machine Check Exception: 5 Bank 1: "
        "be00000000800400\n"
        "<0>[  101.000001] mce: [Hardware Error]: PROCESSOR 0:50654 TIME 1 SOCKET 0 APIC 3\n"
        "<0>[  101.000002] Kernel panic - not syncing: Fatal machine check";
    char *root = tree_new();
    struct hf_error_joiner *joiner = joiner_new();
    struct hf_host host;
    struct hf_error error = {0};
    char known[] = "dmesg-erst-1";

    (void)state;
    tree_file(root, "sys/fs/pstore/dmesg-erst-1", dump);
    tree_file(root, "sys/fs/pstore/console-ramoops-0", dump);
    tree_file(root, "var/lib/systemd/pstore/178/dmesg-erst-2",
              "Oops#1 Part1\n<1>[ 9.0] watchdog: BUG: soft lockup - "
              "CPU#2 stuck for 23s!\n");
    tree_folder(root, "var/lib/systemd/pstore/dmesg-folder/");
    assert_int_equal(hf_host_open(root, &host, &error), HF_OK);
    assert_int_equal(hf_store_read(&host, NULL, NULL, NULL, SECOND), 3);
    assert_int_equal(taken.count, 0);
    assert_int_equal(hf_store_read(&host, NULL, NULL, joiner, SECOND), 3);
    assert_int_equal(taken.count, 3);
    assert_true(taken.event[0].previous_boot && taken.event[0].cpu == 3 && taken.event[0].exception);
    assert_true(taken.event[0].severity == HF_SEVERITY_FATAL);
    assert_false(hf_hardware_error_is_evidence(&taken.event[0]));
    assert_true(taken.event[1].kind == HF_KIND_PANIC && taken.event[1].previous_boot);
    assert_true(taken.event[2].kind == HF_KIND_SOFT_LOCKUP && taken.event[2].cpu == 2);
    taken.count = 0;
    (void)hf_store_read(&host, wants_new, known, joiner, 5 * SECOND);
    assert_int_equal(taken.count, 1);
    hf_host_close(&host);
    hf_error_joiner_free(joiner);
    tree_free(root);
}

static void test_store_mutations(void **state)
{
    static const char dump[] =
        "Panic#1 Part1\n<0>[  101.0] mce: [Hardware Error]: CPU 3: Machine Check Exception: 5 Bank "
        "1: be00000000800400\n<0>[ 1] BERT: Error records from previous boot:\n\n<4>{1}[Hardware "
        "Error]: event severity: fatal\n";
    struct hf_error_joiner *joiner = joiner_new();
    uint64_t random = 5;

    (void)state;
    for (int round = 0; round < 20000; round++) {
        size_t size = sizeof dump - 1;
        char *bytes;

        random = random * UINT64_C(6364136223846793005) + 1442695040888963407u;
        size = (random >> 20) % 4 == 0 ? (random >> 33) % (size + 1) : size;
        bytes = malloc(size > 0 ? size : 1);
        assert_non_null(bytes);
        memcpy(bytes, dump, size);
        for (int change = 0; change < 5 && size > 0; change++) {
            random = random * UINT64_C(6364136223846793005) + 1442695040888963407u;
            bytes[(random >> 33) % size] = (char)(random >> 20);
        }
        hf_error_joiner_store(joiner, bytes, size, round * SECOND);
        for (int i = 0; i < taken.count; i++)
            assert_true(taken.event[i].previous_boot || taken.event[i].source == HF_FROM_READER);
        taken.count = 0;
        free(bytes);
    }
    hf_error_joiner_free(joiner);
}

/* --- this machine ----------------------------------------------------------------------------------- */

/* Reads the whole log that is there; only looks. */
static void test_this_machines_log(void **state)
{
    struct hf_error_joiner *joiner = joiner_new();
    struct hf_log_reader *reader = NULL;
    struct hf_log_totals totals;
    struct hf_error error = {0};
    int got;

    (void)state;
    if (hf_log_reader_open(&hf_log_real, HF_LOG_KERNEL, NULL, joiner, &reader, &error) != HF_OK) {
        print_message("skipped: %s\n", error.message);
        hf_error_joiner_free(joiner);
        skip();
    }
    do {
        got = hf_log_reader_drain(reader, SECOND, 8, &error);
        assert_true(got >= 0);
        hf_error_joiner_flush(joiner, SECOND);
        taken.count = 0;
    } while (got == 8);
    hf_log_reader_totals(reader, &totals);
    assert_true(totals.foreign <= totals.records);
    hf_log_reader_close(reader);
    hf_error_joiner_free(joiner);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(test_shorten_and_restore),
        cmocka_unit_test(test_shorten_refused),
        cmocka_unit_test(test_blindness),
        cmocka_unit_test(test_counts),
        cmocka_unit_test(test_hostile_counts),
        cmocka_unit_test(test_trace_instance),
        cmocka_unit_test(test_store),
        cmocka_unit_test(test_store_mutations),
        cmocka_unit_test(test_this_machines_log),
    };

    return cmocka_run_group_tests(tests, NULL, NULL);
}
