/* Pinning, allowed CPUs and the boot id. */
#include "tree.h"

#include <sched.h>

#include "holdfast/topology.h"

static cpu_set_t whole;

static int keep_affinity(void **state)
{
    (void)state;
    return sched_getaffinity(0, sizeof whole, &whole);
}

static int put_affinity_back(void **state)
{
    (void)state;
    return sched_setaffinity(0, sizeof whole, &whole);
}

static void test_pin_to_each_allowed_cpu(void **state)
{
    int16_t cpus[HF_CPUS_MAX];
    struct hf_error error = {0};
    int count = 0;

    (void)state;
    assert_int_equal(hf_allowed_cpus(cpus, HF_CPUS_MAX, &count, &error), HF_OK);
    assert_int_equal(count, CPU_COUNT(&whole));
    for (int i = 0; i < count; i++) {
        cpu_set_t now;

        assert_true(i == 0 || cpus[i] > cpus[i - 1]);
        assert_true(CPU_ISSET((size_t)cpus[i], &whole));
        assert_int_equal(hf_pin_to_cpu(cpus[i], &error), HF_OK);
        assert_int_equal(sched_getcpu(), cpus[i]);
        assert_int_equal(sched_getaffinity(0, sizeof now, &now), 0);
        assert_int_equal(CPU_COUNT(&now), 1);
        assert_true(CPU_ISSET((size_t)cpus[i], &now));
    }
}

static void test_pin_to_what_is_not_there(void **state)
{
    static const int wrong[] = {-1, HF_CPUS_MAX - 1, HF_CPUS_MAX, 1 << 30};
    cpu_set_t now;

    (void)state;
    for (size_t i = 0; i < sizeof wrong / sizeof wrong[0]; i++) {
        struct hf_error error = {0};

        assert_int_equal(hf_pin_to_cpu(wrong[i], &error), HF_E_MISSING);
        assert_non_null(strstr(error.message, "CPU"));
    }
    assert_int_equal(sched_getaffinity(0, sizeof now, &now), 0);
    assert_true(CPU_EQUAL(&whole, &now)); /* a refused pin changes nothing */
}

static void test_list_too_short(void **state)
{
    struct hf_error error = {0};
    int16_t cpus[1];
    int count = -7;

    (void)state;
    assert_int_equal(hf_allowed_cpus(cpus, 0, &count, &error), HF_E_RANGE);
    assert_int_equal(count, -7);
}

static void expect_boot_id(const char *content, const char *expected)
{
    struct hf_error error = {0};
    char *root = tree_new();
    char id[64] = "untouched";
    int code;

    tree_file(root, "proc/sys/kernel/random/boot_id", content);
    code = hf_boot_id_of(root, id, &error);
    assert_string_equal(id, expected != NULL ? expected : "untouched");
    assert_int_equal(code, expected != NULL ? HF_OK : HF_E_INPUT);
    tree_free(root);
}

static void test_boot_id_forms(void **state)
{
    (void)state;
    expect_boot_id("1b4e28ba-2fa1-11d2-883f-0016d3cca427\n", "1b4e28ba-2fa1-11d2-883f-0016d3cca427");
    expect_boot_id("1B4E28BA-2FA1-11D2-883F-0016D3CCA427", "1b4e28ba-2fa1-11d2-883f-0016d3cca427");
    expect_boot_id("", NULL);
    expect_boot_id("\n", NULL);
    expect_boot_id("1b4e28ba-2fa1-11d2-883f-0016d3cca42\n", NULL);
    expect_boot_id("1b4e28ba-2fa1-11d2-883f-0016d3cca4270\n", NULL);
    expect_boot_id("1b4e28ba-2fa1-11d2-883f-0016d3cca427\n\n", NULL);
    expect_boot_id("1b4e28ba02fa1011d20883f00016d3cca427\n", NULL);
    expect_boot_id("gb4e28ba-2fa1-11d2-883f-0016d3cca427\n", NULL);
}

static void test_boot_id_not_there(void **state)
{
    struct hf_error error = {0};
    char *root = tree_new();
    char id[64] = "untouched";

    (void)state;
    assert_int_equal(hf_boot_id_of(root, id, &error), HF_E_MISSING);
    assert_string_equal(id, "untouched");
    hf_error_clear(&error);
    tree_folder(root, "proc/sys/kernel/random/boot_id");
    assert_int_equal(hf_boot_id_of(root, id, &error), HF_E_MISSING);
    tree_free(root);
}

static void test_boot_id_here_and_elsewhere(void **state)
{
    struct hf_error error = {0};
    char *root = tree_new();
    char first[64];
    char second[64];
    char elsewhere[64];

    (void)state;
    if (access("/proc/sys/kernel/random/boot_id", R_OK) != 0) {
        print_message("skipped: this system shows no boot id\n");
        tree_free(root);
        skip();
    }
    assert_int_equal(hf_boot_id(first, &error), HF_OK);
    assert_int_equal(hf_boot_id(second, &error), HF_OK);
    assert_string_equal(first, second);
    assert_int_equal(strlen(first), 36);
    tree_file(root, "proc/sys/kernel/random/boot_id", "00000000-0000-4000-8000-000000000001\n");
    assert_int_equal(hf_boot_id_of(root, elsewhere, &error), HF_OK);
    assert_string_equal(elsewhere, "00000000-0000-4000-8000-000000000001");
    tree_free(root);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test_setup_teardown(test_pin_to_each_allowed_cpu, keep_affinity, put_affinity_back),
        cmocka_unit_test_setup_teardown(test_pin_to_what_is_not_there, keep_affinity, put_affinity_back),
        cmocka_unit_test(test_list_too_short),
        cmocka_unit_test(test_boot_id_forms),
        cmocka_unit_test(test_boot_id_not_there),
        cmocka_unit_test(test_boot_id_here_and_elsewhere),
    };

    return cmocka_run_group_tests(tests, NULL, NULL);
}
