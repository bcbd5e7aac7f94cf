/* Errors: the first failure is kept with its place, words are added in front, every code is complete. */
#include "unit/base/base_test.h"

#include <errno.h>

static int fail_twice(struct hf_error *error)
{
    int code = hf_fail(error, HF_E_RANGE, "the ratio %d is above %d", 49, 48);

    assert_int_equal(code, HF_E_RANGE);
    return hf_fail(error, HF_E_IO, "a later one");
}

static void test_first_is_kept(void **state)
{
    struct hf_error error = {0};

    (void)state;
    assert_int_equal(fail_twice(&error), HF_E_RANGE);
    assert_int_equal(error.code, HF_E_RANGE);
    assert_string_equal(error.message, "the ratio 49 is above 48");
    assert_non_null(strstr(error.file, "test_error.c"));
    assert_true(error.line > 0);
    hf_error_clear(&error);
    assert_int_equal(error.code, HF_OK);
    assert_string_equal(error.message, "");
}

static void test_context_goes_in_front(void **state)
{
    struct hf_error error = {0};
    int line;

    (void)state;
    hf_error_context(&error, "nothing yet");
    assert_string_equal(error.message, "");
    (void)hf_fail(&error, HF_E_INPUT, "not a number");
    line = error.line;
    hf_error_context(&error, "key \"%s\"", "seed");
    hf_error_context(&error, "heron.json");
    assert_string_equal(error.message, "heron.json: key \"seed\": not a number");
    assert_int_equal(error.line, line);
}

static void test_long_words_are_cut(void **state)
{
    struct hf_error error = {0};
    char many[2000];

    (void)state;
    memset(many, 'w', sizeof many - 1);
    many[sizeof many - 1] = '\0';
    (void)hf_fail(&error, HF_E_INPUT, "%s", many);
    assert_int_equal(strlen(error.message), sizeof error.message - 1);
    hf_error_context(&error, "%s", many);
    assert_int_equal(strlen(error.message), sizeof error.message - 1);
    hf_error_clear(&error);
    (void)hf_fail_errno(&error, EIO, "%s", many);
    assert_int_equal(strlen(error.message), sizeof error.message - 1);
}

static void test_errno(void **state)
{
    static const struct {
        int number;
        int code;
    } cases[] = {{ENOSPC, HF_E_FULL},      {EDQUOT, HF_E_FULL},
                 {EFBIG, HF_E_FULL},       {EACCES, HF_E_PERMISSION},
                 {EPERM, HF_E_PERMISSION}, {EROFS, HF_E_PERMISSION},
                 {ENOENT, HF_E_NOT_FOUND}, {ENOTDIR, HF_E_NOT_FOUND},
                 {ENOMEM, HF_E_MEMORY},    {EIO, HF_E_IO},
                 {EISDIR, HF_E_IO}};

    (void)state;
    for (size_t i = 0; i < sizeof cases / sizeof cases[0]; i++) {
        struct hf_error error = {0};
        char expected[200];

        assert_int_equal(hf_fail_errno(&error, cases[i].number, "cannot do it"), cases[i].code);
        (void)snprintf(expected, sizeof expected, "cannot do it: %s", strerror(cases[i].number));
        assert_string_equal(error.message, expected);
        assert_int_equal(hf_fail_errno(&error, EIO, "later"), cases[i].code);
        assert_string_equal(error.message, expected);
    }
}

static void test_every_code(void **state)
{
    static const int codes[] = {
#define CODE(code, value, name, sentence, exit_status) code,
        HF_ERROR_LIST(CODE)
#undef CODE
    };

    (void)state;
    for (size_t i = 0; i < sizeof codes / sizeof codes[0]; i++) {
        int status = hf_error_exit_status(codes[i]);

        assert_true(codes[i] < 0);
        assert_true(status >= 2 && status <= 4);
        assert_string_not_equal(hf_error_name(codes[i]), "unknown");
        assert_true(strlen(hf_error_sentence(codes[i])) > 5);
        for (size_t k = 0; k < i; k++) {
            assert_int_not_equal(codes[i], codes[k]);
            assert_string_not_equal(hf_error_name(codes[i]), hf_error_name(codes[k]));
        }
    }
    assert_int_equal(hf_error_exit_status(HF_OK), 0);
    assert_string_equal(hf_error_name(HF_OK), "ok");
    assert_string_equal(hf_error_name(-1000), "unknown");
    assert_int_equal(hf_error_exit_status(-1000), 4);
    assert_int_equal(hf_error_exit_status(HF_E_INPUT), 2);
    assert_int_equal(hf_error_exit_status(HF_E_PARKED), 3);
    assert_int_equal(hf_error_exit_status(HF_E_PERMISSION), 4);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(test_first_is_kept),      cmocka_unit_test(test_context_goes_in_front),
        cmocka_unit_test(test_long_words_are_cut), cmocka_unit_test(test_errno),
        cmocka_unit_test(test_every_code),
    };

    return cmocka_run_group_tests(tests, NULL, NULL);
}
