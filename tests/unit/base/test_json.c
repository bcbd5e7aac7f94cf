/* JSON: what is written reads back the same; what comes from outside is refused with its place. */
#include "unit/base/base_test.h"

#include <cjson/cJSON.h>
#include <float.h>
#include <math.h>

#include "holdfast/json.h"
#include "holdfast/random.h"

static struct cJSON *parse(const char *text)
{
    struct hf_error error = {0};
    struct cJSON *document = NULL;

    assert_ok(hf_json_parse(text, strlen(text), "test.json", &document, &error));
    return document;
}

/* --- writing ----------------------------------------------------------------------------------------------
 */

static void test_writer(void **state)
{
    struct hf_json_writer writer;
    struct hf_text text;

    (void)state;
    for (int indent = 0; indent <= 2; indent += 2) {
        hf_text_init(&text, 4096);
        hf_json_begin(&writer, &text, indent);
        hf_json_object_open(&writer, NULL);
        hf_json_string(&writer, "s", "a\"b\\c\nd\x01\x7f\xc3\xa9");
        hf_json_array_open(&writer, "a");
        hf_json_integer(&writer, NULL, -3);
        hf_json_array_open(&writer, NULL);
        hf_json_array_close(&writer);
        hf_json_object_open(&writer, NULL);
        hf_json_object_close(&writer);
        hf_json_array_close(&writer);
        hf_json_u64(&writer, "u", UINT64_MAX);
        hf_json_hex64(&writer, "h", 0xabc);
        hf_json_bool(&writer, "b", 7);
        hf_json_null(&writer, "n");
        hf_json_number(&writer, "nan", (double)NAN);
        hf_json_number(&writer, "inf", (double)-INFINITY);
        hf_json_number(&writer, "tenth", 0.1);
        hf_json_object_close(&writer);
        assert_int_equal(writer.depth, 0);
        if (indent == 0)
            assert_string_equal(
                text.bytes,
                "{\"s\":\"a\\\"b\\\\c\\u000ad\\u0001\\u007f\xc3\xa9\",\"a\":[-3,[],{}],"
                "\"u\":\"18446744073709551615\",\"h\":\"0x0000000000000abc\",\"b\":true,\"n\":null,"
                "\"nan\":null,\"inf\":null,\"tenth\":0.1}");
        else
            assert_non_null(strstr(text.bytes, "\n  \"a\": [\n    -3,\n    [],\n    {}\n  ],\n"));
        cJSON_Delete(parse(text.bytes));
        hf_text_release(&text);
    }
}

/* Doubles of every size read back to the bit. */
static void test_numbers_round_trip(void **state)
{
    static const double edges[] = {0,
                                   1,
                                   -1,
                                   0.1,
                                   1.0 / 3,
                                   DBL_MAX,
                                   DBL_MIN,
                                   -DBL_MAX,
                                   DBL_EPSILON,
                                   4.9406564584124654e-324,
                                   9007199254740993.0,
                                   1e22,
                                   1e23,
                                   123456789.123456789};
    struct hf_error error = {0};
    struct hf_random random;

    (void)state;
    hf_random_init(&random, 2, 2);
    for (int i = 0; i < 20000; i++) {
        struct hf_json_writer writer;
        struct hf_json_reader root;
        struct cJSON *document;
        struct hf_text text;
        uint64_t bits = hf_random_u64(&random);
        double value;
        double back;

        memcpy(&value, &bits, sizeof value);
        if (i < (int)(sizeof edges / sizeof edges[0]))
            value = edges[i];
        if (!isfinite(value))
            continue;
        hf_text_init(&text, 4096);
        hf_json_begin(&writer, &text, 0);
        hf_json_object_open(&writer, NULL);
        hf_json_number(&writer, "x", value);
        hf_json_object_close(&writer);
        document = parse(text.bytes);
        root = hf_json_root(document, "test.json");
        assert_ok(hf_json_get_number(&root, "x", -DBL_MAX, DBL_MAX, &back, &error));
        assert_memory_equal(&back, &value, sizeof value);
        hf_json_document_free(document);
        hf_text_release(&text);
    }
}

static void test_strings_and_u64_round_trip(void **state)
{
    struct hf_error error = {0};
    struct hf_random random;

    (void)state;
    hf_random_init(&random, 4, 4);
    for (int i = 0; i < 5000; i++) {
        static const char alphabet[] = "az \"\\/{}[]:,'\xc3\xa9";
        uint64_t number = hf_random_u64(&random) >> hf_random_below(&random, 64);
        struct hf_json_writer writer;
        struct hf_json_reader root;
        struct cJSON *document;
        struct hf_text text;
        char string[32] = "";
        char back[32];
        uint64_t u64;
        uint64_t hex;

        for (size_t k = 0; k < hf_random_below(&random, 30); k++) {
            string[k] = alphabet[hf_random_below(&random, sizeof alphabet - 3)];
            string[k + 1] = '\0';
        }
        hf_text_init(&text, 4096);
        hf_json_begin(&writer, &text, 0);
        hf_json_object_open(&writer, NULL);
        hf_json_string(&writer, "s", string);
        hf_json_u64(&writer, "u", number);
        hf_json_hex64(&writer, "h", number);
        hf_json_object_close(&writer);
        document = parse(text.bytes);
        root = hf_json_root(document, "test.json");
        assert_ok(hf_json_get_string(&root, "s", back, sizeof back, &error));
        assert_string_equal(back, string);
        assert_ok(hf_json_get_u64(&root, "u", &u64, &error));
        assert_ok(hf_json_get_u64(&root, "h", &hex, &error));
        assert_true(u64 == number && hex == number);
        hf_json_document_free(document);
        hf_text_release(&text);
    }
}

/* --- reading ----------------------------------------------------------------------------------------------
 */

static void test_getters(void **state)
{
    struct cJSON *document = parse("{\"n\":5.5,\"i\":7,\"big\":9007199254740992,\"s\":\"word\",\"b\":true,"
                                   "\"u\":\"0x10\",\"o\":{\"deep\":"
                                   "[1,{\"x\":\"y\"}]},\"ctl\":\"a\\nb\",\"e\":\"\"}");
    struct hf_json_reader root = hf_json_root(document, "heron.json");
    struct hf_json_reader object;
    struct hf_json_reader array;
    struct hf_json_reader item;
    struct hf_error error = {0};
    double number = -1;
    int64_t integer = -1;
    uint64_t u64 = 1;
    char word[8] = "same";
    int flag = -1;
    int count = -1;

    (void)state;
    assert_ok(hf_json_get_number(&root, "n", 5.5, 5.5, &number, &error));
    assert_ok(hf_json_get_integer(&root, "i", 7, 7, &integer, &error));
    assert_int_equal(integer, 7);
    assert_ok(hf_json_get_bool(&root, "b", &flag, &error));
    assert_int_equal(flag, 1);
    assert_ok(hf_json_get_u64(&root, "u", &u64, &error));
    assert_int_equal(u64, 16);
    assert_error(hf_json_get_number(&root, "n", 0, 5, &number, &error), HF_E_RANGE,
                 "heron.json: n: is 5.5; allowed: 0 to 5");
    assert_error(hf_json_get_number(&root, "s", 0, 5, &number, &error), HF_E_INPUT,
                 "must be a number from 0 to 5");
    assert_error(hf_json_get_number(&root, "N", 0, 5, &number, &error), HF_E_INPUT, "heron.json: N: missing");
    assert_error(hf_json_get_integer(&root, "n", 0, 9, &integer, &error), HF_E_INPUT, "whole number");
    assert_error(hf_json_get_integer(&root, "i", 0, 6, &integer, &error), HF_E_RANGE, "allowed: 0 to 6");
    assert_error(hf_json_get_bool(&root, "i", &flag, &error), HF_E_INPUT, "true or false");
    assert_error(hf_json_get_u64(&root, "i", &u64, &error), HF_E_INPUT, "string of digits");
    assert_error(hf_json_get_u64(&root, "s", &u64, &error), HF_E_INPUT, "string of digits");
    assert_error(hf_json_get_u64(&root, "e", &u64, &error), HF_E_INPUT, "string of digits");
    assert_error(hf_json_get_string(&root, "s", word, 4, &error), HF_E_RANGE, "longer than 3");
    assert_error(hf_json_get_string(&root, "i", word, 8, &error), HF_E_INPUT, "must be a string");
    assert_error(hf_json_get_string(&root, "ctl", word, 8, &error), HF_E_INPUT, "control character");
    assert_string_equal(word, "same"); /* outputs are untouched on failure */
    assert_ok(hf_json_get_string(&root, "s", word, 5, &error));
    assert_string_equal(word, "word");
    assert_ok(hf_json_get_object(&root, "o", &object, &error));
    assert_ok(hf_json_get_array(&object, "deep", 1, 2, &array, &count, &error));
    assert_int_equal(count, 2);
    item = hf_json_item(&array, 1);
    assert_string_equal(item.path, "o.deep[1]");
    assert_error(hf_json_get_number(&item, "x", 0, 1, &number, &error), HF_E_INPUT,
                 "heron.json: o.deep[1].x: must be a number");
    assert_error(hf_json_get_array(&object, "deep", 3, 4, &array, &count, &error), HF_E_RANGE,
                 "has 2 items; allowed: 3 to 4");
    assert_error(hf_json_get_array(&root, "o", 0, 4, &array, &count, &error), HF_E_INPUT, "must be an array");
    assert_error(hf_json_get_object(&root, "s", &object, &error), HF_E_INPUT, "must be an object");
    assert_true(hf_json_has(&root, "e"));
    assert_false(hf_json_has(&root, "E"));
    hf_json_document_free(document);
    hf_json_document_free(NULL);
}

static void test_u64_limits(void **state)
{
    static const struct {
        const char *text;
        int code;
        uint64_t value;
    } cases[] = {{"{\"u\":\"18446744073709551615\"}", HF_OK, UINT64_MAX},
                 {"{\"u\":\"18446744073709551616\"}", HF_E_RANGE, 0},
                 {"{\"u\":\"0xffffffffffffffff\"}", HF_OK, UINT64_MAX},
                 {"{\"u\":\"0x10000000000000000\"}", HF_E_RANGE, 0},
                 {"{\"u\":\"0\"}", HF_OK, 0},
                 {"{\"u\":\"-1\"}", HF_E_INPUT, 0},
                 {"{\"u\":\"+1\"}", HF_E_INPUT, 0},
                 {"{\"u\":\" 1\"}", HF_E_INPUT, 0},
                 {"{\"u\":\"1 \"}", HF_E_INPUT, 0},
                 {"{\"u\":\"1e3\"}", HF_E_INPUT, 0},
                 {"{\"u\":\"12ab\"}", HF_E_INPUT, 0}};

    (void)state;
    for (size_t i = 0; i < sizeof cases / sizeof cases[0]; i++) {
        struct cJSON *document = parse(cases[i].text);
        struct hf_json_reader root = hf_json_root(document, "t");
        struct hf_error error = {0};
        uint64_t value = 0;

        if (hf_json_get_u64(&root, "u", &value, &error) != cases[i].code)
            fail_msg("%s: %s", cases[i].text, error.message);
        assert_true(value == cases[i].value);
        hf_json_document_free(document);
    }
}

static void test_only_keys(void **state)
{
    static const char *const keys[] = {"a", "b", NULL};
    static const struct {
        const char *text;
        const char *words; /* NULL: right */
    } cases[] = {{"{}", NULL},
                 {"{\"b\":1,\"a\":2}", NULL},
                 {"{\"a\":1,\"c\":2}", "unknown key \"c\""},
                 {"{\"A\":1}", "unknown key \"A\""},
                 {"{\"\":1}", "unknown key \"\""},
                 {"{\"a\":1,\"a\":1}", "\"a\" stands twice"},
                 {"{\"a\":1,\"\\u0061\":1}", "\"a\" stands twice"}};

    (void)state;
    for (size_t i = 0; i < sizeof cases / sizeof cases[0]; i++) {
        struct cJSON *document = parse(cases[i].text);
        struct hf_json_reader root = hf_json_root(document, "keys.json");
        struct hf_error error = {0};

        if (cases[i].words == NULL)
            assert_ok(hf_json_only_keys(&root, keys, &error));
        else
            assert_error(hf_json_only_keys(&root, keys, &error), HF_E_INPUT, cases[i].words);
        hf_json_document_free(document);
    }
}

static void refuse(const char *bytes, size_t size, const char *words)
{
    struct cJSON *document = NULL;
    struct hf_error error = {0};

    assert_error(hf_json_parse(bytes, size, "hostile.json", &document, &error), HF_E_INPUT, words);
    assert_null(document);
}

static void test_hostile(void **state)
{
    static const char *const texts[] = {"",
                                        " ",
                                        "x",
                                        "[]",
                                        "1",
                                        "\"s\"",
                                        "null",
                                        "true",
                                        "{",
                                        "}",
                                        "{\"a\"}",
                                        "{\"a\":}",
                                        "{\"a\":1",
                                        "{\"a\":1}}",
                                        "{\"a\":1} {}",
                                        "{a:1}",
                                        "{'a':1}",
                                        "{\"a\":1,}",
                                        "{\"a\":[1,]}",
                                        "{\"a\":tru}",
                                        "{\"a\":\"\\x\"}",
                                        "{\"a\":\"\\u12\"}",
                                        "{\"a\":\"\\ud800\"}",
                                        "{\"a\":\"open}",
                                        "{\"a\":--1}",
                                        "{\"a\":1}x",
                                        "{\"a\":1}//",
                                        "{\"a\":NaN}",
                                        "{\"a\":Infinity}",
                                        "\xff{}",
                                        "{\"\xc3\":1}"};
    size_t size = 10 * 1024 * 1024;
    char *bytes = malloc(size);
    char deep[400];

    (void)state;
    for (size_t i = 0; i < sizeof texts / sizeof texts[0]; i++)
        refuse(texts[i], strlen(texts[i]), "hostile.json");
    refuse("{\"a\":1}\0", 8, "UTF-8");
    refuse("{\"a\":\n\n\n!}", 10, "line 4");
    assert_non_null(bytes);
    memset(bytes, '[', size);
    refuse(bytes, size, "nested deeper than 64");
    memset(bytes, '{', size);
    refuse(bytes, size, "nested deeper than 64");
    memset(bytes, '"', size);
    refuse(bytes, size, "hostile.json");
    memset(bytes, '\\', size);
    refuse(bytes, size, "hostile.json");
    free(bytes);
    for (int levels = 63; levels <= 64; levels++) { /* the object is a level too */
        struct cJSON *document = NULL;
        struct hf_error error = {0};
        int code;

        (void)snprintf(deep, sizeof deep, "{\"a\":%.*s%.*s}", levels,
                       "[[[[[[[[[[[[[[[[[[[[[[[[[[[[[[[[[[[[[[[[[[[[[[[[[[[[[[[[[[[[[[[[", levels,
                       "]]]]]]]]]]]]]]]]]]]]]]]]]]]]]]]]]]]]]]]]]]]]]]]]]]]]]]]]]]]]]]]]");
        code = hf_json_parse(deep, strlen(deep), "deep.json", &document, &error);
        assert_int_equal(code, levels == 63 ? HF_OK : HF_E_INPUT);
        hf_json_document_free(document);
    }
    { /* brackets inside strings do not nest */
        struct cJSON *document =
            parse("{\"a\":\"[[[[[[[[[[[[[[[[[[[[[[[[[[[[[[[[[[[[[[[[[[[[[[[[[[[[[[[[[[[[[[[[[[[[[[\\\"[[\"}");

        hf_json_document_free(document);
    }
}

/* Any bytes: an answer, never a crash, never a read past the end. */
static void test_noise(void **state)
{
    static const char alphabet[] = "{}[]\":,\\0123456789.eE+-truefalsn u\n\xc3\xa9\xff";
    struct hf_random random;

    (void)state;
    hf_random_init(&random, 8, 8);
    for (int i = 0; i < 100000; i++) {
        size_t size = (size_t)hf_random_below(&random, 40);
        char *bytes = malloc(size > 0 ? size : 1);
        struct cJSON *document = NULL;
        struct hf_error error = {0};

        assert_non_null(bytes);
        for (size_t k = 0; k < size; k++)
            bytes[k] = alphabet[hf_random_below(&random, sizeof alphabet - 1)];
        if (size > 0)
            bytes[0] = '{';
        if (hf_json_parse(bytes, size, "noise", &document, &error) == HF_OK)
            assert_true(cJSON_IsObject(document));
        else
            assert_int_equal(error.code, HF_E_INPUT);
        hf_json_document_free(document);
        free(bytes);
    }
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(test_writer),
        cmocka_unit_test(test_numbers_round_trip),
        cmocka_unit_test(test_strings_and_u64_round_trip),
        cmocka_unit_test(test_getters),
        cmocka_unit_test(test_u64_limits),
        cmocka_unit_test(test_only_keys),
        cmocka_unit_test(test_hostile),
        cmocka_unit_test(test_noise),
    };

    return cmocka_run_group_tests(tests, NULL, NULL);
}
