/* Base facts from samples of bytes, hand-made trees and recorded machines. The samples are our own: made up
 * in the form that proc(5) and the kernel's documentation of /sys/devices/system/cpu describe. */
#include "tree.h"

#include <fcntl.h>

#include "holdfast/random.h"
#include "holdfast/text.h"
#include "machine/facts.h"
#include "machine/files.h"

static const char cpuinfo_x86[] = "processor\t: 0\n"
                                  "vendor_id\t: InventedMaker\n"
                                  "cpu family\t: 23\n"
                                  "model\t\t: 49\n"
                                  "model name\t:   Heron Test   Processor 4C \n"
                                  "stepping\t: 0\n"
                                  "microcode\t: 0x8301055\n"
                                  "cpu MHz\t\t: 3400.000\n"
                                  "flags\t\t: fpu vme hypervisor_not avx2\n"
                                  "\n"
                                  "processor\t: 1\n"
                                  "model name\t: Another\n"
                                  "flags\t\t: fpu hypervisor\n";

static struct hf_machine_facts parse_cpuinfo(const char *text)
{
    struct hf_machine_facts facts;

    hf_facts_init(&facts);
    hf_facts_parse_cpuinfo(text, strlen(text), &facts);
    return facts;
}

static void test_cpuinfo_x86(void **state)
{
    struct hf_machine_facts facts = parse_cpuinfo(cpuinfo_x86);

    (void)state;
    assert_string_equal(facts.cpu_vendor, "InventedMaker");
    assert_string_equal(facts.cpu_model, "Heron Test Processor 4C");
    assert_int_equal(facts.cpu_family, 23);
    assert_int_equal(facts.cpu_model_number, 49);
    assert_int_equal(facts.cpu_stepping, 0);
    assert_string_equal(facts.microcode, "0x8301055");
    assert_int_equal(facts.virtual_machine, 0); /* "hypervisor_not" is another word */
    facts = parse_cpuinfo("processor\t: 0\nflags\t\t: fpu avx2 hypervisor");
    assert_int_equal(facts.virtual_machine, 1);
    facts = parse_cpuinfo("processor\t: 0\nflags\t\t: hypervisor fpu\n");
    assert_int_equal(facts.virtual_machine, 1);
}

static void test_cpuinfo_arm(void **state)
{
    struct hf_machine_facts facts = parse_cpuinfo("Processor\t: Seven rev 1 (v7l)\n"
                                                  "processor\t: 0\nBogoMIPS\t: 1595.80\n\n"
                                                  "processor\t: 1\nBogoMIPS\t: 1595.80\n\n"
                                                  "CPU implementer\t: 0x41\nCPU architecture: 7\n"
                                                  "CPU part\t: 0xc09\nCPU revision\t: 2\n");

    (void)state;
    assert_string_equal(facts.cpu_model, "Seven rev 1 (v7l)");
    assert_string_equal(facts.cpu_vendor, "implementer 0x41");
    assert_int_equal(facts.cpu_family, 7);
    assert_int_equal(facts.cpu_model_number, 0xc09);
    assert_int_equal(facts.cpu_stepping, 2);
    assert_int_equal(facts.virtual_machine, -1); /* not told */
}

static void test_cpuinfo_nonsense(void **state)
{
    struct hf_machine_facts facts =
        parse_cpuinfo("model : 99999999999999999999\ncpu family : 12x\nstepping : -3\n"
                      "model name\nvendor_id :\nmicrocode:\n: : :\n");

    (void)state;
    assert_int_equal(facts.cpu_model_number, -1);
    assert_int_equal(facts.cpu_family, -1);
    assert_int_equal(facts.cpu_stepping, -1);
    assert_string_equal(facts.cpu_model, "");
    assert_string_equal(facts.cpu_vendor, "");
}

static void test_texts_are_cut_and_clean(void **state)
{
    char text[8];

    (void)state;
    hf_text_line("  a \t b\x01\x7f"
                 "c  \nnext",
                 17, text, sizeof text);
    assert_string_equal(text, "a bc");
    hf_text_line("abcdefghijkl", 12, text, sizeof text);
    assert_string_equal(text, "abcdefg");
    hf_text_line("abcdef\xc3\xa9", 8, text, sizeof text); /* cut in the middle of a character */
    assert_true(hf_text_is_utf8(text, strlen(text)));
    hf_text_line("\xff\xfe", 2, text, sizeof text);
    assert_string_equal(text, "??");
    hf_text_line("", 0, text, sizeof text);
    assert_string_equal(text, "");
    hf_text_line("abc", 3, text, 1);
    assert_string_equal(text, "");
}

static void test_others(void **state)
{
    struct hf_machine_facts facts;

    (void)state;
    hf_facts_init(&facts);
    hf_facts_parse_version("Linux version 6.1.0-13-amd64 (builder@somewhere) (gcc)\n", 55, &facts);
    assert_string_equal(facts.kernel, "6.1.0-13-amd64");
    hf_facts_parse_version("Another version 1\n", 18, &facts);
    assert_string_equal(facts.kernel, "6.1.0-13-amd64"); /* left as it was */
    hf_facts_parse_meminfo("MemFree: 5 kB\nMemTotal:       16384 kB\n", 40, &facts);
    assert_int_equal(facts.memory_bytes, 16384 * 1024);
    hf_facts_init(&facts);
    hf_facts_parse_meminfo("MemTotal: 16384 MB\n", 19, &facts);
    assert_int_equal(facts.memory_bytes, 0);
    hf_facts_parse_meminfo("MemTotal: 99999999999999999999999 kB\n", 37, &facts);
    assert_int_equal(facts.memory_bytes, 0);
}

static void test_threads_and_governor(void **state)
{
    static const char *const words[][2] = {{"on\n", "on"},
                                           {"off\n", "off"},
                                           {"forceoff\n", "off"},
                                           {"notsupported\n", "not supported"},
                                           {"notimplemented", "not supported"},
                                           {"2\n", "on"},
                                           {"1\n", "off"},
                                           {"nonsense\n", ""},
                                           {"", ""}};
    struct hf_machine_facts facts;

    (void)state;
    for (size_t i = 0; i < sizeof words / sizeof words[0]; i++) {
        hf_facts_init(&facts);
        hf_facts_parse_smt_control(words[i][0], strlen(words[i][0]), &facts);
        assert_string_equal(facts.smt, words[i][1]);
    }
    hf_facts_parse_smt_active("1\n", 2, &facts);
    assert_string_equal(facts.smt, "on");
    hf_facts_parse_governor("performance\n", 12, &facts);
    hf_facts_parse_governor("performance\n", 12, &facts);
    assert_string_equal(facts.governor, "performance");
    hf_facts_parse_governor("powersave\n", 10, &facts);
    assert_string_equal(facts.governor, "mixed");
    hf_facts_parse_governor("mixed\n", 6, &facts);
    assert_string_equal(facts.governor, "mixed");
}

/* --- trees ------------------------------------------------------------------------------------------- */

static void fill_tree(const char *root)
{
    tree_file(root, "proc/cpuinfo", cpuinfo_x86);
    tree_file(root, "proc/sys/kernel/osrelease", "6.12.1-test\n");
    tree_file(root, "proc/meminfo", "MemTotal:        1048576 kB\n");
    tree_file(root, "sys/class/dmi/id/bios_vendor", "Invented Firmware Works\n");
    tree_file(root, "sys/class/dmi/id/bios_version", "1.07 \n");
    tree_file(root, "sys/class/dmi/id/bios_date", "03/14/2026\n");
    tree_file(root, "sys/class/dmi/id/product_serial", "SECRET-SERIAL\n");
    tree_file(root, "sys/class/dmi/id/board_serial", "SECRET-SERIAL\n");
    tree_file(root, "sys/class/dmi/id/product_uuid", "SECRET-UUID\n");
    tree_file(root, "sys/class/net/eth0/address", "02:00:00:00:00:01\n");
    tree_file(root, "proc/sys/kernel/hostname", "SECRET-HOST\n");
    tree_file(root, "sys/devices/system/cpu/smt/control", "notsupported\n");
    tree_file(root, "sys/devices/system/cpu/cpufreq/policy0/scaling_governor", "performance\n");
    tree_file(root, "sys/devices/system/cpu/cpufreq/policy4/scaling_governor", "performance\n");
}

static void test_whole_tree(void **state)
{
    char *root = tree_new();
    struct hf_machine_facts facts;

    (void)state;
    fill_tree(root);
    memset(&facts, 0xaa, sizeof facts);
    hf_machine_facts_read(root, &facts);
    assert_string_equal(facts.cpu_model, "Heron Test Processor 4C");
    assert_string_equal(facts.kernel, "6.12.1-test");
    assert_string_equal(facts.firmware_vendor, "Invented Firmware Works");
    assert_string_equal(facts.firmware_version, "1.07");
    assert_string_equal(facts.firmware_date, "03/14/2026");
    assert_string_equal(facts.smt, "not supported");
    assert_string_equal(facts.governor, "performance");
    assert_int_equal(facts.memory_bytes, UINT64_C(1) << 30);
    assert_int_equal(facts.virtual_machine, 0);
    for (size_t i = 0; i + 6 <= sizeof facts; i++) /* nothing that names this one machine is kept */
        assert_memory_not_equal((const char *)&facts + i, "SECRET", 6);
    tree_file(root, "sys/hypervisor/type", "xen\n");
    hf_machine_facts_read(root, &facts);
    assert_int_equal(facts.virtual_machine, 1);
    tree_free(root);
}

static void test_governor_of_each_cpu(void **state)
{
    char *root = tree_new();
    struct hf_machine_facts facts;

    (void)state;
    tree_file(root, "sys/devices/system/cpu/cpu0/cpufreq/scaling_governor", "ondemand\n");
    tree_folder(root, "sys/devices/system/cpu/cpu1"); /* offline */
    tree_file(root, "sys/devices/system/cpu/cpu2/cpufreq/scaling_governor", "ondemand\n");
    hf_machine_facts_read(root, &facts);
    assert_string_equal(facts.governor, "ondemand");
    tree_file(root, "sys/devices/system/cpu/cpu2/cpufreq/scaling_governor", "powersave\n");
    hf_machine_facts_read(root, &facts);
    assert_string_equal(facts.governor, "mixed");
    tree_free(root);
}

static void expect_unknown(const struct hf_machine_facts *facts)
{
    assert_string_equal(facts->cpu_model, "");
    assert_string_equal(facts->cpu_vendor, "");
    assert_int_equal(facts->cpu_family, -1);
    assert_int_equal(facts->cpu_model_number, -1);
    assert_int_equal(facts->cpu_stepping, -1);
    assert_string_equal(facts->microcode, "");
    assert_string_equal(facts->kernel, "");
    assert_string_equal(facts->firmware_vendor, "");
    assert_string_equal(facts->firmware_version, "");
    assert_string_equal(facts->firmware_date, "");
    assert_string_equal(facts->smt, "");
    assert_string_equal(facts->governor, "");
    assert_int_equal(facts->memory_bytes, 0);
    assert_int_equal(facts->virtual_machine, -1);
}

static const char *const read_files[] = {"proc/cpuinfo",
                                         "proc/sys/kernel/osrelease",
                                         "proc/version",
                                         "proc/meminfo",
                                         "sys/class/dmi/id/bios_vendor",
                                         "sys/class/dmi/id/bios_version",
                                         "sys/class/dmi/id/bios_date",
                                         "sys/devices/system/cpu/smt/control",
                                         "sys/devices/system/cpu/smt/active",
                                         "sys/devices/system/cpu/cpu0/microcode/version",
                                         "sys/devices/system/cpu/cpu0/cpufreq/scaling_governor",
                                         "sys/devices/system/cpu/cpufreq/policy0/scaling_governor",
                                         "sys/hypervisor/type"};

#define READ_FILES (sizeof read_files / sizeof read_files[0])

static void test_hostile_trees(void **state)
{
    char *root = tree_new();
    struct hf_machine_facts facts;

    (void)state;
    hf_machine_facts_read("/nonexistent/there", &facts);
    expect_unknown(&facts);
    hf_machine_facts_read(root, &facts);
    expect_unknown(&facts);
    for (size_t i = 0; i < READ_FILES; i++)
        tree_file(root, read_files[i], "");
    hf_machine_facts_read(root, &facts);
    expect_unknown(&facts);
    tree_free(root);

    root = tree_new();
    for (size_t i = 0; i < READ_FILES; i++)
        tree_folder(root, read_files[i]);
    hf_machine_facts_read(root, &facts);
    expect_unknown(&facts);
    tree_free(root);

    root = tree_new();
    for (size_t i = 0; i < READ_FILES; i++)
        tree_link(root, read_files[i],
                  i % 3 == 0   ? "/nonexistent/there"
                  : i % 3 == 1 ? "/dev/zero"
                               : "cpuinfo");
    hf_machine_facts_read(root, &facts); /* an endless device is not a regular file */
    expect_unknown(&facts);
    tree_free(root);
}

static void test_only_regular_files_are_read(void **state)
{
    char *root = tree_new();
    char bytes[8] = "before";

    (void)state;
    tree_link(root, "device", "/dev/zero");
    tree_folder(root, "folder");
    tree_file(root, "file", "123456789");
    tree_file(root, "empty", "");
    assert_int_equal(hf_file_start(root, "/device", bytes, sizeof bytes), -1);
    assert_string_equal(bytes, "");
    assert_int_equal(hf_file_start(root, "/folder", bytes, sizeof bytes), -1);
    assert_int_equal(hf_file_start(root, "/missing", bytes, sizeof bytes), -1);
    assert_int_equal(hf_file_start(root, "/empty", bytes, sizeof bytes), 0);
    assert_int_equal(hf_file_start(root, "/file", bytes, sizeof bytes), 7);
    assert_string_equal(bytes, "1234567");
    tree_free(root);
}

static void test_fifo_does_not_wait(void **state)
{
    char *root = tree_new();
    struct hf_machine_facts facts;
    char full[PATH_MAX];

    (void)state;
    tree_path(full, root, "proc/cpuinfo");
    assert_int_equal(mkfifo(full, 0600), 0);
    hf_machine_facts_read(root, &facts);
    expect_unknown(&facts);
    tree_free(root);
}

static void test_long_line_and_no_newline(void **state)
{
    size_t size = 1 << 20;
    char *line = malloc(size);
    char *root = tree_new();
    struct hf_machine_facts facts;

    (void)state;
    assert_non_null(line);
    memset(line, 'x', size);
    memcpy(line, "model name\t: ", 13);
    for (size_t i = 0; i < READ_FILES; i++)
        tree_bytes(root, read_files[i], line, size);
    hf_machine_facts_read(root, &facts);
    assert_int_equal(strlen(facts.cpu_model), sizeof facts.cpu_model - 1);
    assert_int_equal(strlen(facts.firmware_vendor), sizeof facts.firmware_vendor - 1);
    assert_string_equal(facts.smt, "");
    assert_int_equal(facts.memory_bytes, 0);
    free(line);
    tree_free(root);
}

/* Random bytes into every parser; whatever comes out is clean text. */
static void test_random_bytes(void **state)
{
    struct hf_random random;
    char bytes[300];

    (void)state;
    hf_random_init(&random, 20261125, 0);
    print_message("seed 20261125\n");
    for (int round = 0; round < 20000; round++) {
        static const char *const starts[] = {
            "model name:", "flags:", "MemTotal:", "Linux version ", "cpu family\t:", ""};
        const char *start = starts[hf_random_below(&random, 6)];
        size_t size = strlen(start) + hf_random_below(&random, 60);
        struct hf_machine_facts facts;
        char id[64];
        char *exact;

        memcpy(bytes, start, strlen(start));
        for (size_t i = strlen(start); i < size; i++)
            bytes[i] =
                (char)(hf_random_below(&random, 4) == 0 ? (int)hf_random_below(&random, 256)
                                                        : "0x9:\n\t kB-onf"[hf_random_below(&random, 13)]);
        exact = malloc(size + 1); /* its own block, so that a sanitizer sees one byte too many */
        assert_non_null(exact);
        exact = realloc(exact, size > 0 ? size : 1);
        memcpy(exact, bytes, size);
        hf_facts_init(&facts);
        hf_facts_parse_cpuinfo(exact, size, &facts);
        hf_facts_parse_version(exact, size, &facts);
        hf_facts_parse_meminfo(exact, size, &facts);
        hf_facts_parse_smt_control(exact, size, &facts);
        hf_facts_parse_smt_active(exact, size, &facts);
        hf_facts_parse_governor(exact, size, &facts);
        (void)hf_boot_id_parse(exact, size, id);
        assert_true(hf_text_is_utf8(facts.cpu_model, strlen(facts.cpu_model)));
        assert_true(hf_text_is_utf8(facts.kernel, strlen(facts.kernel)));
        assert_true(facts.cpu_family >= -1);
        free(exact);
    }
}

static void test_this_machine(void **state)
{
    struct hf_machine_facts facts;

    (void)state;
    hf_machine_facts_read(NULL, &facts);
    assert_true(facts.kernel[0] != '\0');
    assert_int_equal(facts.memory_bytes / 1024,
                     (uint64_t)sysconf(_SC_PHYS_PAGES) * (uint64_t)sysconf(_SC_PAGESIZE) / 1024);
    print_message("%s, kernel %s, smt \"%s\", virtual %d\n", facts.cpu_model, facts.kernel, facts.smt,
                  facts.virtual_machine);
}

static void test_recorded(void **state)
{
    char archive[PATH_MAX];
    char command[2 * PATH_MAX];
    char *root = tree_new();
    struct hf_machine_facts facts;

    (void)state;
    snprintf(archive, sizeof archive, "%s/../shared/data/topologies/20em64t-hybrid-1p6c2t+2ca4co1t.tar.bz2",
             HOLDFAST_SOURCE_DIR);
    snprintf(command, sizeof command, "tar -xjf '%s' -C '%s' --strip-components=1 2>/dev/null", archive,
             root);
    if (access(archive, R_OK) != 0 || system(command) != 0) {
        print_message("skipped: the recording %s is not here, or tar cannot unpack it\n", archive);
        tree_free(root);
        skip();
    }
    hf_machine_facts_read(root, &facts);
    assert_int_equal(facts.cpu_family, 6);
    assert_int_equal(facts.cpu_model_number, 186);
    assert_int_equal(facts.cpu_stepping, 2);
    assert_string_equal(facts.microcode, "0x4119");
    assert_string_equal(facts.kernel, "6.1.0-13-amd64"); /* of /proc/version */
    assert_int_equal(facts.virtual_machine, 0);
    assert_true(facts.firmware_version[0] != '\0');
    tree_free(root);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(test_cpuinfo_x86),
        cmocka_unit_test(test_cpuinfo_arm),
        cmocka_unit_test(test_cpuinfo_nonsense),
        cmocka_unit_test(test_texts_are_cut_and_clean),
        cmocka_unit_test(test_others),
        cmocka_unit_test(test_threads_and_governor),
        cmocka_unit_test(test_whole_tree),
        cmocka_unit_test(test_hostile_trees),
        cmocka_unit_test(test_only_regular_files_are_read),
        cmocka_unit_test(test_fifo_does_not_wait),
        cmocka_unit_test(test_governor_of_each_cpu),
        cmocka_unit_test(test_long_line_and_no_newline),
        cmocka_unit_test(test_random_bytes),
        cmocka_unit_test(test_this_machine),
        cmocka_unit_test(test_recorded),
    };

    return cmocka_run_group_tests(tests, NULL, NULL);
}
