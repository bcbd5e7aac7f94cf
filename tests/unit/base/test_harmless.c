/* What strangers wrote, made fit to be shown; against the code charts: The Unicode Standard, sections 23.1
 * (control codes), 23.2 (layout controls: bidirectional, joiners, separators), 23.9 (tag characters). Code
 * points from memory, as named beside each. */
#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>
#include <stdint.h>
#include <string.h>

#include <cmocka.h>

#include "holdfast/json.h"
#include "holdfast/text.h"

static void expect(const char *string, const char *shown)
{
    char fixed[200];
    struct hf_text text;

    hf_text_harmless(string, fixed, sizeof fixed);
    assert_string_equal(fixed, shown);
    hf_text_init(&text, 200);
    hf_text_add_harmless(&text, string, 0);
    assert_string_equal(text.bytes, shown);
    hf_text_release(&text);
}

static void test_harmful(void **unused)
{
    (void)unused;
    expect("plain, gr\xc3\xbcn \xe2\x82\xac \xf0\x9f\x8c\x8a",
           "plain, gr\xc3\xbcn \xe2\x82\xac \xf0\x9f\x8c\x8a");
    expect("\x1b[2J", "\\x1b[2J");
    expect("a\nb\rc\td\x7f", "a\\x0ab\\x0dc\\x09d\\x7f");
    expect("\xc2\x9b", "\\xc2\\x9b");                   /* U+009B control sequence introducer */
    expect("\xe2\x80\xae", "\\xe2\\x80\\xae");          /* U+202E right-to-left override */
    expect("\xe2\x81\xa6", "\\xe2\\x81\\xa6");          /* U+2066 left-to-right isolate */
    expect("\xe2\x80\x8b", "\\xe2\\x80\\x8b");          /* U+200B zero width space */
    expect("\xd8\x9c", "\\xd8\\x9c");                   /* U+061C arabic letter mark */
    expect("\xef\xbb\xbf", "\\xef\\xbb\\xbf");          /* U+FEFF zero width no-break space */
    expect("\xf3\xa0\x80\xa1", "\\xf3\\xa0\\x80\\xa1"); /* U+E0021 tag exclamation mark */
    expect("\xff\xc3", "\\xff\\xc3");                   /* no UTF-8, and cut short */
    expect("\xe2\x80", "\\xe2\\x80");
}

static void test_lines(void **unused)
{
    struct hf_text text;

    (void)unused;
    hf_text_init(&text, 100);
    hf_text_add_harmless(&text, "one\ntwo\r", 1);
    assert_string_equal(text.bytes, "one\ntwo\\x0d");
    hf_text_release(&text);
}

/* Cut between characters, never within one or within an escape. */
static void test_cut(void **unused)
{
    char four[4];
    char five[5];

    (void)unused;
    hf_text_harmless("ab\xe2\x82\xac", four, sizeof four);
    assert_string_equal(four, "ab");
    hf_text_harmless("a\x1b", five, sizeof five);
    assert_string_equal(five, "a");
    hf_text_harmless("\x1b", five, sizeof five);
    assert_string_equal(five, "\\x1b");
}

/* A JSON document says the same, in characters that do no harm. */
static void test_json(void **unused)
{
    static const char evil[] = "\xc2\x9b\xe2\x80\xae\xf3\xa0\x80\xa1\"\\gr\xc3\xbcn";
    struct hf_json_writer writer;
    struct hf_json_reader reader;
    struct cJSON *document;
    struct hf_error error = {0};
    struct hf_text text;
    char back[64];

    (void)unused;
    hf_text_init(&text, 1000);
    hf_json_begin(&writer, &text, 0);
    hf_json_object_open(&writer, NULL);
    hf_json_string(&writer, "evil", evil);
    hf_json_object_close(&writer);
    assert_string_equal(text.bytes, "{\"evil\":\"\\u009b\\u202e\\udb40\\udc21\\\"\\\\gr\xc3\xbcn\"}");
    assert_int_equal(hf_json_parse(text.bytes, text.size, "text", &document, &error), HF_OK);
    reader = hf_json_root(document, "text");
    assert_int_equal(hf_json_get_string(&reader, "evil", back, sizeof back, &error), HF_OK);
    assert_string_equal(back, evil);
    hf_json_document_free(document);
    hf_text_release(&text);
}

int main(void)
{
    const struct CMUnitTest tests[] = {cmocka_unit_test(test_harmful), cmocka_unit_test(test_lines),
                                       cmocka_unit_test(test_cut), cmocka_unit_test(test_json)};

    return cmocka_run_group_tests(tests, NULL, NULL);
}
