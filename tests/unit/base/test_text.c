/* Bounded text, files, CPU lists, UTF-8. */
#include "unit/base/base_test.h"

#include <fcntl.h>
#include <sys/stat.h>
#include <unistd.h>

#include "holdfast/random.h"
#include "holdfast/text.h"

static void test_growing(void **state)
{
    struct hf_text text;

    (void)state;
    hf_text_init(&text, 100000);
    assert_string_equal(text.bytes, "");
    hf_text_clear(&text);
    for (int i = 0; i < 5000; i++)
        hf_text_addf(&text, "%d,", i % 10);
    assert_int_equal(text.size, 10000);
    assert_false(text.overflowed);
    assert_int_equal(text.bytes[10000], '\0');
    assert_memory_equal(text.bytes + 9996, "8,9,", 4);
    hf_text_add(&text, "\0x", 2);
    assert_int_equal(text.size, 10002);
    hf_text_clear(&text);
    assert_int_equal(text.size, 0);
    assert_string_equal(text.bytes, "");
    hf_text_release(&text);
    hf_text_release(&text); /* twice is allowed */
}

static void test_maximum(void **state)
{
    struct hf_text text;

    (void)state;
    hf_text_init(&text, 10);
    hf_text_add_string(&text, "12345");
    hf_text_add_string(&text, "67890"); /* exactly full */
    assert_false(text.overflowed);
    hf_text_add_string(&text, "");
    assert_false(text.overflowed);
    hf_text_addf(&text, "%d", 1);
    assert_true(text.overflowed);
    assert_string_equal(text.bytes, "1234567890");
    hf_text_clear(&text);
    assert_false(text.overflowed);
    hf_text_add_string(&text, "much too long for it");
    assert_true(text.overflowed);
    assert_string_equal(text.bytes, ""); /* nothing by halves */
    hf_text_add_string(&text, "x");      /* and nothing after it: no hole in the middle */
    assert_string_equal(text.bytes, "");
    hf_text_release(&text);
}

static void path_in(char *path, size_t size, const char *directory, const char *name)
{
    if (snprintf(path, size, "%s/%s", directory, name) >= (int)size)
        fail_msg("path too long");
}

static void test_files(void **state)
{
    char directory[] = "/tmp/holdfast-base-XXXXXX";
    struct hf_error error = {0};
    struct hf_text text;
    struct hf_text back;
    char path[256];
    char beside[256];
    struct stat status;

    (void)state;
    assert_non_null(mkdtemp(directory));
    path_in(path, sizeof path, directory, "a.txt");
    path_in(beside, sizeof beside, directory, "a.txt.new");
    hf_text_init(&text, 1000);
    hf_text_add(&text, "one\0two\n", 8);
    assert_ok(hf_text_write_file(&text, path, &error));
    assert_int_equal(stat(beside, &status), -1); /* nothing is left beside it */
    assert_ok(hf_text_read_file(&back, path, 8, &error));
    assert_int_equal(back.size, 8);
    assert_memory_equal(back.bytes, "one\0two\n", 8);
    hf_text_release(&back);
    assert_error(hf_text_read_file(&back, path, 7, &error), HF_E_INPUT, "larger than 7");
    hf_text_clear(&text);
    hf_text_add_string(&text, "replaced");
    assert_ok(hf_text_write_file(&text, path, &error));
    assert_ok(hf_text_read_file(&back, path, 1000, &error));
    assert_string_equal(back.bytes, "replaced");
    hf_text_release(&back);
    text.overflowed = 1; /* half a text is never written */
    assert_error(hf_text_write_file(&text, path, &error), HF_E_FULL, "a.txt");
    hf_text_release(&text);

    assert_error(hf_text_read_file(&back, directory, 1000, &error), HF_E_INPUT, "a directory");
    assert_int_equal(unlink(path), 0);
    assert_error(hf_text_read_file(&back, path, 1000, &error), HF_E_NOT_FOUND, "a.txt");
    assert_int_equal(mkfifo(path, 0600), 0);
    assert_error(hf_text_read_file(&back, path, 1000, &error), HF_E_INPUT, "fifo");
    assert_int_equal(unlink(path), 0);
    assert_error(hf_text_read_file(&back, "/dev/zero", 1000, &error), HF_E_INPUT, "not a regular file");
    hf_text_init(&text, 10);
    path_in(path, sizeof path, directory, "no/such/folder");
    assert_error(hf_text_write_file(&text, path, &error), HF_E_NOT_FOUND, "folder");
    hf_text_release(&text);
    assert_int_equal(rmdir(directory), 0);
}

static void check_list(const char *list, const int *expected, int expected_count)
{
    struct hf_error error = {0};
    int cpus[64];
    int count;

    assert_ok(hf_text_parse_cpu_list(list, 8192, cpus, 64, &count, &error));
    assert_int_equal(count, expected_count);
    for (int i = 0; i < count; i++)
        assert_int_equal(cpus[i], expected[i]);
}

static void test_cpu_lists(void **state)
{
    static const char *const wrong[] = {"a",    "0-",   "-3",     "0--3", "3-1",
                                        "0,,1", ",0",   "0;1",    "0 1",  "0-3-5",
                                        "0x1",  "8192", "0-8192", "1.5",  "99999999999999999999",
                                        "+1"};
    struct hf_error error = {0};
    int cpus[64];
    int count = 77;

    (void)state;
    check_list("0-2,4,6-7", (const int[]){0, 1, 2, 4, 6, 7}, 6);
    check_list("0", (const int[]){0}, 1);
    check_list("8191\n", (const int[]){8191}, 1); /* as sysfs ends it */
    check_list("5-5", (const int[]){5}, 1);
    check_list("", NULL, 0);
    check_list("\n", NULL, 0);
    for (size_t i = 0; i < sizeof wrong / sizeof wrong[0]; i++) {
        if (hf_text_parse_cpu_list(wrong[i], 8192, cpus, 64, &count, &error) != HF_E_INPUT)
            fail_msg("accepted: %s", wrong[i]);
        hf_error_clear(&error);
        assert_int_equal(count, 77);
    }
    assert_error(hf_text_parse_cpu_list("0-64", 8192, cpus, 64, &count, &error), HF_E_RANGE, "more than 64");
    assert_ok(hf_text_parse_cpu_list("0-63", 8192, cpus, 64, &count, &error));
}

static void test_cpu_list_round_trip(void **state)
{
    struct hf_error error = {0};
    struct hf_random random;

    (void)state;
    hf_random_init(&random, 3, 3);
    for (int i = 0; i < 2000; i++) {
        struct hf_text text;
        int list[128];
        int back[128];
        int count = 0;
        int back_count;

        for (int cpu = 0; cpu < 128; cpu++) {
            if (hf_random_below(&random, 3) != 0)
                list[count++] = cpu;
        }
        hf_text_init(&text, 4096);
        hf_text_add_cpu_list(&text, list, count);
        assert_ok(hf_text_parse_cpu_list(text.bytes, 128, back, 128, &back_count, &error));
        assert_int_equal(back_count, count);
        assert_memory_equal(back, list, (size_t)count * sizeof list[0]);
        hf_text_release(&text);
    }
}

/* RFC 3629: sections 3 (ranges), 4 (syntax) and 10 (overlong forms, surrogates). */
static void test_utf8(void **state)
{
    static const char *const good[] = {"",
                                       "tide",
                                       "\x7f",
                                       "\xc2\x80",
                                       "\xdf\xbf",
                                       "\xe0\xa0\x80",
                                       "\xed\x9f\xbf",
                                       "\xee\x80\x80",
                                       "\xef\xbf\xbf",
                                       "\xf0\x90\x80\x80",
                                       "\xf4\x8f\xbf\xbf",
                                       "a\xc3\xa9z\xe2\x82\xac"};
    static const char *const bad[] = {"\x80",
                                      "\xbf",
                                      "\xc0\x80",
                                      "\xc1\xbf",
                                      "\xc2",
                                      "\xc2\x41",
                                      "\xe0\x80\x80",
                                      "\xe0\x9f\xbf",
                                      "\xed\xa0\x80",
                                      "\xed\xbf\xbf",
                                      "\xe2\x82",
                                      "\xf0\x80\x80\x80",
                                      "\xf0\x8f\xbf\xbf",
                                      "\xf4\x90\x80\x80",
                                      "\xf5\x80\x80\x80",
                                      "\xff",
                                      "\xfe",
                                      "\xf8\x88\x80\x80\x80",
                                      "ok\xe2\x28\xa1"};

    (void)state;
    for (size_t i = 0; i < sizeof good / sizeof good[0]; i++) {
        if (!hf_text_is_utf8(good[i], strlen(good[i])))
            fail_msg("refused good text %zu", i);
    }
    for (size_t i = 0; i < sizeof bad / sizeof bad[0]; i++) {
        if (hf_text_is_utf8(bad[i], strlen(bad[i])))
            fail_msg("accepted bad text %zu", i);
    }
    assert_true(hf_text_is_utf8("\0\0", 2)); /* NUL is a character: who minds must look for it */
}

/* Every code point, encoded by the RFC's table, is accepted; every surrogate is not. */
static void test_utf8_all_code_points(void **state)
{
    (void)state;
    for (uint32_t point = 0; point <= 0x10ffff; point++) {
        unsigned char bytes[4];
        size_t size = point < 0x80 ? 1 : point < 0x800 ? 2 : point < 0x10000 ? 3 : 4;
        static const unsigned char lead[] = {0, 0, 0xc0, 0xe0, 0xf0};
        uint32_t rest = point;
        int surrogate = point >= 0xd800 && point <= 0xdfff;

        for (size_t i = size - 1; i > 0; i--) {
            bytes[i] = (unsigned char)(0x80 | (rest & 0x3f));
            rest >>= 6;
        }
        bytes[0] = (unsigned char)(lead[size] | rest);
        if (hf_text_is_utf8((const char *)bytes, size) == surrogate)
            fail_msg("U+%04X", point);
        if (size > 1 && hf_text_is_utf8((const char *)bytes, size - 1))
            fail_msg("U+%04X cut short", point);
    }
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(test_growing),
        cmocka_unit_test(test_maximum),
        cmocka_unit_test(test_files),
        cmocka_unit_test(test_cpu_lists),
        cmocka_unit_test(test_cpu_list_round_trip),
        cmocka_unit_test(test_utf8),
        cmocka_unit_test(test_utf8_all_code_points),
    };

    return cmocka_run_group_tests(tests, NULL, NULL);
}
