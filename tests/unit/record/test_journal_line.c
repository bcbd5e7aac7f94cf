/* One line of the journal: what is made is accepted, and nothing else is. */
#include "unit/record/record_fixture.h"

#include <time.h>

#include "holdfast/checksum.h"
#include "holdfast/random.h"
#include "record/record_private.h"

static struct hf_line sample_line(void)
{
    struct hf_line line = {.sequence = 12,
                           .commit = 11,
                           .wall_ns = FIRST_WALL_NS,
                           .monotonic_ms = 12345678,
                           .boot = BOOT_A "+2",
                           .type = HF_RECORD_NOTE};

    return line;
}

static void make_line(struct hf_text *text, const struct hf_line *line, const char *data, uint32_t prev)
{
    size_t start = text->size;

    hf_line_open(text, line);
    hf_text_add_string(text, data);
    (void)hf_line_close(text, start, prev);
    assert_false(text->overflowed);
}

/* The same envelope with a right checksum around any bytes: to get past the checksum to the shape. */
static void seal(struct hf_text *text, const char *head)
{
    size_t start = text->size;

    hf_text_add_string(text, head);
    (void)hf_line_close(text, start, 0xdeadbeef);
}

static void test_round_trip(void **state)
{
    struct hf_line line = sample_line();
    struct hf_line back;
    struct hf_text text;

    (void)state;
    hf_text_init(&text, 4096);
    make_line(&text, &line, "{\"text\":\"a \\\"quoted\\\" word\"}", 0x00c0ffee);
    assert_int_equal(hf_line_scan(text.bytes, text.size, &back), HF_LINE_GOOD);
    assert_int_equal(back.sequence, 12);
    assert_int_equal(back.commit, 11);
    assert_int_equal(back.wall_ns, FIRST_WALL_NS);
    assert_int_equal(back.monotonic_ms, 12345678);
    assert_string_equal(back.boot, BOOT_A "+2");
    assert_int_equal(back.type, HF_RECORD_NOTE);
    assert_int_equal(back.prev, 0x00c0ffee);
    assert_int_equal(back.data_size, strlen("{\"text\":\"a \\\"quoted\\\" word\"}"));
    hf_text_release(&text);
}

/* The whole line written out by hand, its checksum from the bitwise definition (RFC 3720, B.4): the
 * format is what the header says it is. */
static void test_exact_bytes(void **state)
{
    static const char expected[] =
        "{\"seq\":12,\"commit\":11,\"wall\":\"2026-11-25T09:27:31.123Z\",\"mono_ms\":\"12345678\",\"boot\":"
        "\"" BOOT_A "+2\",\"type\":\"note\",\"data\":{},\"prev\":\"00c0ffee\"";
    struct hf_line line = sample_line();
    char whole[512];
    struct hf_text text;
    uint32_t crc = 0xffffffffu;

    (void)state;
    for (const char *at = expected; *at != '\0'; at++) {
        crc ^= (unsigned char)*at;
        for (int bit = 0; bit < 8; bit++)
            crc = (crc >> 1) ^ (crc & 1 ? 0x82f63b78u : 0);
    }
    (void)snprintf(whole, sizeof whole, "%s,\"crc\":\"%08x\"}\n", expected, ~crc);
    hf_text_init(&text, 4096);
    make_line(&text, &line, "{}", 0x00c0ffee);
    assert_string_equal(text.bytes, whole);
    hf_text_release(&text);
}

static void test_every_changed_byte_is_noticed(void **state)
{
    struct hf_line line = sample_line();
    struct hf_line back;
    struct hf_text text;

    (void)state;
    hf_text_init(&text, 4096);
    make_line(&text, &line, "{\"exposure_s\":4.75,\"blocks\":\"251\"}", 7);
    for (size_t at = 0; at < text.size; at++) {
        for (int bit = 0; bit < 8; bit++) {
            text.bytes[at] = (char)(text.bytes[at] ^ (1 << bit));
            if (hf_line_scan(text.bytes, text.size, &back) == HF_LINE_GOOD)
                fail_msg("byte %zu, bit %d: not noticed", at, bit);
            text.bytes[at] = (char)(text.bytes[at] ^ (1 << bit));
        }
    }
    for (size_t size = 0; size < text.size; size++)
        assert_int_not_equal(hf_line_scan(text.bytes, size, &back), HF_LINE_GOOD);
    assert_int_equal(hf_line_scan(text.bytes, text.size, &back), HF_LINE_GOOD);
    hf_text_release(&text);
}

#define W  "\"wall\":\"2026-11-25T09:27:31.123Z\","
#define MB "\"mono_ms\":\"1\",\"boot\":\"b\","

static void test_right_checksum_wrong_shape(void **state)
{
    static const char *const heads[] = {
        "{\"seq\": 2,\"commit\":2," W MB "\"type\":\"note\",\"data\":{}", /* a blank */
        "{\"seq\":02,\"commit\":2," W MB "\"type\":\"note\",\"data\":{}", /* leading zero */
        "{\"seq\":0,\"commit\":0," W MB "\"type\":\"note\",\"data\":{}",  /* from 1 on */
        "{\"seq\":-2,\"commit\":2," W MB "\"type\":\"note\",\"data\":{}",
        "{\"seq\":2,\"commit\":3," W MB "\"type\":\"note\",\"data\":{}", /* a later commit */
        "{\"seq\":2,\"commit\":0," W MB "\"type\":\"note\",\"data\":{}",
        "{\"seq\":99999999999999999999,\"commit\":2," W MB "\"type\":\"note\",\"data\":{}",
        "{\"seq\":2,\"commit\":2,\"wall\":\"2026-11-31T09:27:31.123Z\"," MB "\"type\":\"note\",\"data\":{}",
        "{\"seq\":2,\"commit\":2,\"wall\":\"2025-02-29T09:27:31.123Z\"," MB "\"type\":\"note\",\"data\":{}",
        "{\"seq\":2,\"commit\":2,\"wall\":\"2026-13-01T09:27:31.123Z\"," MB "\"type\":\"note\",\"data\":{}",
        "{\"seq\":2,\"commit\":2,\"wall\":\"2026-00-01T09:27:31.123Z\"," MB "\"type\":\"note\",\"data\":{}",
        "{\"seq\":2,\"commit\":2,\"wall\":\"2026-11-25T24:27:31.123Z\"," MB "\"type\":\"note\",\"data\":{}",
        "{\"seq\":2,\"commit\":2,\"wall\":\"2026-11-25T09:60:31.123Z\"," MB "\"type\":\"note\",\"data\":{}",
        "{\"seq\":2,\"commit\":2,\"wall\":\"2026-11-25T09:27:60.123Z\"," MB "\"type\":\"note\",\"data\":{}",
        "{\"seq\":2,\"commit\":2,\"wall\":\"2026-11-25T09:27:31.123\"," MB "\"type\":\"note\",\"data\":{}",
        "{\"seq\":2,\"commit\":2,\"wall\":\"1969-11-25T09:27:31.123Z\"," MB "\"type\":\"note\",\"data\":{}",
        "{\"seq\":2,\"commit\":2,\"wall\":\"9999-11-25T09:27:31.123Z\"," MB "\"type\":\"note\",\"data\":{}",
        "{\"seq\":2,\"commit\":2," W "\"mono_ms\":1,\"boot\":\"b\",\"type\":\"note\",\"data\":{}",
        "{\"seq\":2,\"commit\":2," W "\"mono_ms\":\"1\",\"boot\":\"\",\"type\":\"note\",\"data\":{}",
        "{\"seq\":2,\"commit\":2," W "\"mono_ms\":\"1\",\"boot\":\"b b\",\"type\":\"note\",\"data\":{}",
        "{\"seq\":2,\"commit\":2," W "\"mono_ms\":\"1\",\"boot\":\""
        "0123456789012345678901234567890123456789012345678901234567890123\",\"type\":\"note\",\"data\":{}",
        "{\"seq\":2,\"commit\":2," W MB "\"type\":\"\",\"data\":{}",
        "{\"seq\":2,\"commit\":2," W MB "\"type\":\"note\",\"data\":[]",
        "{\"seq\":2,\"commit\":2," W MB "\"type\":\"note\",\"data\":",
        "{\"seq\":2,\"commit\":2," W MB "\"type\":\"note\",\"data\":{",
        "{\"seq\":2," W MB "\"type\":\"note\",\"data\":{}",
    };
    struct hf_line back;
    struct hf_text text;

    (void)state;
    hf_text_init(&text, 4096);
    for (size_t i = 0; i < sizeof heads / sizeof heads[0]; i++) {
        hf_text_clear(&text);
        seal(&text, heads[i]);
        if (hf_line_scan(text.bytes, text.size, &back) != HF_LINE_SHAPE)
            fail_msg("accepted: %s", text.bytes);
    }
    hf_text_clear(&text); /* and the twin that is right: the heads above fail for their own reason */
    seal(&text, "{\"seq\":2,\"commit\":2," W MB "\"type\":\"note\",\"data\":{}");
    assert_int_equal(hf_line_scan(text.bytes, text.size, &back), HF_LINE_GOOD);
    hf_text_clear(&text);
    seal(&text, "{\"seq\":2,\"commit\":2," W MB "\"type\":\"novelty\",\"data\":{}");
    assert_int_equal(hf_line_scan(text.bytes, text.size, &back), HF_LINE_GOOD);
    assert_int_equal(back.type, HF_LINE_TYPE_UNKNOWN);
    hf_text_release(&text);
}

/* The scanner's own calendar against the C library's, over two centuries. */
static void test_calendar(void **state)
{
    struct hf_random random;
    struct hf_text text;

    (void)state;
    hf_random_init(&random, 20261125, 1);
    hf_text_init(&text, 4096);
    for (int i = 0; i < 20000; i++) {
        struct hf_line line = sample_line();
        struct hf_line back;
        struct tm parts = {0};

        line.wall_ns = (int64_t)hf_random_below(&random, UINT64_C(7000000000000)) * 1000000;
        hf_text_clear(&text);
        make_line(&text, &line, "{}", 0);
        assert_int_equal(hf_line_scan(text.bytes, text.size, &back), HF_LINE_GOOD);
        assert_int_equal(back.wall_ns, line.wall_ns);
        assert_int_equal(sscanf(strstr(text.bytes, "wall") + 7, "%d-%d-%dT%d:%d:%d", &parts.tm_year,
                                &parts.tm_mon, &parts.tm_mday, &parts.tm_hour, &parts.tm_min, &parts.tm_sec),
                         6);
        parts.tm_year -= 1900;
        parts.tm_mon -= 1;
        assert_int_equal(timegm(&parts), line.wall_ns / 1000000000);
    }
    hf_text_release(&text);
}

static void test_long_lines(void **state)
{
    struct hf_line line = sample_line();
    struct hf_line back;
    struct hf_text text;

    (void)state;
    for (int longer = 0; longer <= 1; longer++) {
        hf_text_init(&text, 65536);
        hf_line_open(&text, &line);
        hf_text_add_string(&text, "{\"x\":\"");
        while (text.size < HF_JOURNAL_LINE_MAX - 37 - 2 + (size_t)longer)
            hf_text_add(&text, "x", 1);
        hf_text_add_string(&text, "\"}");
        (void)hf_line_close(&text, 0, 1);
        assert_int_equal(text.size, HF_JOURNAL_LINE_MAX + longer);
        assert_int_equal(hf_line_scan(text.bytes, text.size, &back),
                         longer ? HF_LINE_TOO_LONG : HF_LINE_GOOD);
        hf_text_release(&text);
    }
}

static void test_boot_ids(void **state)
{
    (void)state;
    assert_true(hf_boot_id_is_valid(BOOT_A));
    assert_true(hf_boot_id_is_valid("rig+12"));
    assert_false(hf_boot_id_is_valid(""));
    assert_false(hf_boot_id_is_valid("a\"b"));
    assert_false(hf_boot_id_is_valid("a b"));
    assert_false(hf_boot_id_is_valid("0123456789012345678901234567890123456789012345678901234567890123"));
    assert_true(hf_boot_id_is_valid("012345678901234567890123456789012345678901234567890123456789012"));
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(test_round_trip),
        cmocka_unit_test(test_exact_bytes),
        cmocka_unit_test(test_every_changed_byte_is_noticed),
        cmocka_unit_test(test_right_checksum_wrong_shape),
        cmocka_unit_test(test_calendar),
        cmocka_unit_test(test_long_lines),
        cmocka_unit_test(test_boot_ids),
    };

    return cmocka_run_group_tests(tests, NULL, NULL);
}
