/* The host: a recorded root with hostile entries, links that try to leave it, numbers, and this machine. */
#include "tree.h"

#include <errno.h>
#include <fcntl.h>

#include "holdfast/host.h"

static struct hf_host open_host(const char *root)
{
    struct hf_host host;
    struct hf_error error = {0};

    if (hf_host_open(root, &host, &error) != HF_OK)
        fail_msg("%s", error.message);
    return host;
}

static void test_reads_below_root(void **state)
{
    char *root = tree_new();
    struct hf_host host;
    char text[64];
    int64_t value = 7;

    (void)state;
    tree_file(root, "sys/a/temp1_input", "43125\n");
    tree_file(root, "sys/a/name", "  heron   chip \nsecond line\n");
    tree_file(root, "sys/a/empty", "");
    tree_file(root, "sys/a/bare", "-500");
    host = open_host(root);
    assert_int_equal(host.is_live, 0);
    assert_int_equal(hf_host_integer(&host, "/sys/a/temp1_input", &value), 0);
    assert_int_equal(value, 43125);
    assert_int_equal(hf_host_integer(&host, "/sys/a/bare", &value), 0);
    assert_int_equal(value, -500);
    assert_int_equal(hf_host_line(&host, "/sys/a/name", text, sizeof text), 10);
    assert_string_equal(text, "heron chip");
    assert_int_equal(hf_host_integer(&host, "/sys/a/empty", &value), -EBADMSG);
    assert_int_equal(hf_host_integer(&host, "/sys/a/name", &value), -EBADMSG);
    assert_int_equal(value, -500);
    assert_int_equal(hf_host_line(&host, "/sys/a/empty", text, sizeof text), 0);
    assert_int_equal(hf_host_line(&host, "/sys/a/missing", text, sizeof text), -ENOENT);
    assert_string_equal(text, "");
    hf_host_close(&host);
    hf_host_close(&host);
    tree_free(root);
}

/* A handle reads the file anew each time, as the kernel's files are read. */
static void test_handle_reads_again(void **state)
{
    char *root = tree_new();
    struct hf_host host;
    char bytes[16] = "";
    int handle;

    (void)state;
    tree_file(root, "sys/v", "1\n");
    host = open_host(root);
    handle = host.open(host.context, "/sys/v");
    assert_true(handle >= 0);
    assert_int_equal(host.read(host.context, handle, bytes, sizeof bytes), 2);
    assert_int_equal(bytes[0], '1');
    tree_file(root, "sys/v", "22\n");
    assert_int_equal(host.read(host.context, handle, bytes, sizeof bytes), 3);
    assert_int_equal(bytes[1], '2');
    host.close(host.context, handle);
    hf_host_close(&host);
    tree_free(root);
}

static void test_hostile_entries(void **state)
{
    char *root = tree_new();
    char path[PATH_MAX];
    char *million = malloc(1000000);
    struct hf_host host;
    char bytes[4096];
    char text[32];
    int64_t value;

    (void)state;
    assert_non_null(million);
    memset(million, '7', 1000000);
    tree_folder(root, "sys/folder/");
    tree_bytes(root, "sys/million", million, 1000000);
    tree_bytes(root, "sys/latin1", "K\xfchler\n", 7);
    tree_bytes(root, "sys/nul", "1\0002\n", 4);
    tree_link(root, "sys/dangling", "nowhere");
    tree_link(root, "sys/loop", "loop");
    tree_link(root, "sys/full", "/dev/full");
    tree_path(path, root, "sys/fifo");
    assert_int_equal(mkfifo(path, 0600), 0);
    host = open_host(root);
    assert_int_equal(hf_host_integer(&host, "/sys/folder", &value), -EISDIR);
    assert_int_equal(hf_host_integer(&host, "/sys/million", &value), -EBADMSG);
    assert_int_equal(hf_host_bytes(&host, "/sys/million", bytes, sizeof bytes), (int)sizeof bytes - 1);
    assert_int_equal(hf_host_line(&host, "/sys/million", text, sizeof text), (int)sizeof text - 1);
    assert_true(hf_host_line(&host, "/sys/latin1", text, sizeof text) > 0);
    assert_string_equal(text, "K?hler");
    assert_int_equal(hf_host_integer(&host, "/sys/nul", &value), -EBADMSG);
    assert_int_equal(hf_host_integer(&host, "/sys/dangling", &value), -ENOENT);
    assert_int_equal(hf_host_integer(&host, "/sys/loop", &value), -ELOOP);
    assert_int_equal(hf_host_integer(&host, "/sys/full", &value),
                     -ENOENT); /* confined: there is no dev here */
    assert_int_equal(hf_host_integer(&host, "/sys/fifo", &value), -EINVAL);
    assert_int_equal(hf_host_integer(&host, "/sys/latin1/below", &value), -ENOTDIR);
    assert_int_equal(host.list(host.context, "/sys/million", NULL, NULL), -ENOTDIR);
    assert_int_equal(host.link(host.context, "/sys/million", text, sizeof text), -EINVAL);
    hf_host_close(&host);
    free(million);
    tree_free(root);
}

/* An absolute link in a recording means the recording's own root. */
static void test_links_stay_inside(void **state)
{
    char *root = tree_new();
    struct hf_host host;
    char text[64];

    (void)state;
    tree_file(root, "proc/version", "recorded\n");
    tree_link(root, "sys/absolute", "/proc/version");
    tree_link(root, "sys/upward", "../../../../../../../../proc/version");
    host = open_host(root);
    assert_true(hf_host_line(&host, "/sys/absolute", text, sizeof text) > 0);
    assert_string_equal(text, "recorded");
    assert_true(hf_host_line(&host, "/sys/upward", text, sizeof text) > 0);
    assert_string_equal(text, "recorded");
    assert_int_equal(host.link(host.context, "/sys/absolute", text, sizeof text), 13);
    assert_string_equal(text, "/proc/version");
    hf_host_close(&host);
    tree_free(root);
}

static void test_numbers_are_sorted(void **state)
{
    char *root = tree_new();
    struct hf_host host;
    int numbers[8];

    (void)state;
    tree_file(root, "sys/c/hwmon10/name", "x");
    tree_file(root, "sys/c/hwmon2/name", "x");
    tree_file(root, "sys/c/hwmon0/name", "x");
    tree_file(root, "sys/c/hwmon", "x");
    tree_file(root, "sys/c/hwmon-1", "x");
    tree_file(root, "sys/c/hwmon3x", "x");
    tree_file(root, "sys/c/hwmon99999999999", "x");
    host = open_host(root);
    assert_int_equal(hf_host_numbers(&host, "/sys/c", "hwmon", numbers, 8), 3);
    assert_int_equal(numbers[0], 0);
    assert_int_equal(numbers[1], 2);
    assert_int_equal(numbers[2], 10);
    assert_int_equal(hf_host_numbers(&host, "/sys/c", "hwmon", numbers, 2), 2);
    assert_int_equal(hf_host_numbers(&host, "/sys/d", "hwmon", numbers, 8), -ENOENT);
    hf_host_close(&host);
    tree_free(root);
}

static void test_integers(void **state)
{
    static const struct {
        const char *text;
        int result;
        int64_t value;
    } cases[] = {{"0", 0, 0},
                 {"-128000\n", 0, -128000},
                 {"9223372036854775807 \n", 0, INT64_MAX},
                 {"9223372036854775808", -EBADMSG, 0},
                 {"", -EBADMSG, 0},
                 {"-", -EBADMSG, 0},
                 {"+5", -EBADMSG, 0},
                 {" 5", -EBADMSG, 0},
                 {"5 6", -EBADMSG, 0},
                 {"0x10", -EBADMSG, 0}};

    (void)state;
    for (size_t i = 0; i < sizeof cases / sizeof cases[0]; i++) {
        int64_t value = 0;

        assert_int_equal(hf_host_parse_integer(cases[i].text, strlen(cases[i].text), &value),
                         cases[i].result);
        assert_true(value == cases[i].value);
    }
}

static void test_recorded_is_read_only(void **state)
{
    char *root = tree_new();
    struct hf_host host;

    (void)state;
    tree_file(root, "sys/v", "1\n");
    host = open_host(root);
    assert_int_equal(host.write(host.context, "/sys/v", "2"), -EROFS);
    assert_int_equal(host.folder(host.context, "/sys/new", 1), -EROFS);
    hf_host_close(&host);
    tree_free(root);
}

static void test_root_that_is_none(void **state)
{
    struct hf_host host;
    struct hf_error error = {0};

    (void)state;
    assert_int_equal(hf_host_open("/nonexistent/heron", &host, &error), HF_E_NOT_FOUND);
    assert_non_null(strstr(error.message, "/nonexistent/heron"));
}

static void test_this_machine(void **state)
{
    struct hf_host host = open_host("/");
    char text[64];

    (void)state;
    assert_int_equal(host.is_live, 1);
    assert_true(hf_host_line(&host, "/proc/version", text, sizeof text) > 0);
    assert_memory_equal(text, "Linux", 5);
    hf_host_close(&host);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(test_reads_below_root),      cmocka_unit_test(test_handle_reads_again),
        cmocka_unit_test(test_hostile_entries),       cmocka_unit_test(test_links_stay_inside),
        cmocka_unit_test(test_numbers_are_sorted),    cmocka_unit_test(test_integers),
        cmocka_unit_test(test_recorded_is_read_only), cmocka_unit_test(test_root_that_is_none),
        cmocka_unit_test(test_this_machine),
    };

    return cmocka_run_group_tests(tests, NULL, NULL);
}
