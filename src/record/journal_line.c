/*
 * One line of the journal: scanning and making. Pure functions of bytes; the format is specified in
 * holdfast/journal.h. The scanner accepts exactly what hf_line_open() and hf_line_close() write and nothing
 * else: the checksum guards against accidents, the shape against everything that only looks like a line.
 */
#include <assert.h>
#include <cjson/cJSON.h>
#include <inttypes.h>
#include <stdio.h>
#include <string.h>

#include "holdfast/checksum.h"
#include "record/record_private.h"

/* ,"prev":"xxxxxxxx","crc":"xxxxxxxx"}\n */
#define PREV_PART ",\"prev\":\""
#define CRC_PART  "\",\"crc\":\""
#define END_PART  "\"}\n"
#define TAIL_SIZE (sizeof PREV_PART - 1 + 8 + sizeof CRC_PART - 1 + 8 + sizeof END_PART - 1)
#define CRC_TAIL  (sizeof CRC_PART - 2 + 8 + sizeof END_PART - 1) /* bytes not covered: from ,"crc": on */
#define WORD_MAX  31

static const char *const type_names[] = {
#define HF_RECORD_NAME(code, name) name,
    HF_RECORD_LIST(HF_RECORD_NAME)
#undef HF_RECORD_NAME
};

const char *hf_record_type_name(enum hf_record_type type)
{
    return (unsigned)type < HF_RECORD_COUNT ? type_names[type] : "unknown";
}

const char *hf_line_fault_words(enum hf_line_fault fault)
{
    static const char *const words[] = {"nothing wrong with it", "no newline at its end",
                                        "longer than a line may be", "not the shape of a journal line",
                                        "a wrong checksum"};

    return words[fault];
}

/* --- scanning: a cursor that fails once and stays failed -------------------------------------------- */

struct cursor {
    const char *at;
    const char *end;
    int failed;
};

static void expect(struct cursor *cursor, const char *literal, size_t size)
{
    if (cursor->failed || (size_t)(cursor->end - cursor->at) < size ||
        memcmp(cursor->at, literal, size) != 0) {
        cursor->failed = 1;
        return;
    }
    cursor->at += size;
}

#define EXPECT(cursor, literal) expect((cursor), (literal), sizeof(literal) - 1)

/* Decimal without sign or leading zeros, below 2^63. */
static uint64_t scan_number(struct cursor *cursor)
{
    const char *start = cursor->at;
    uint64_t value = 0;

    while (cursor->at < cursor->end && *cursor->at >= '0' && *cursor->at <= '9') {
        if (value > (uint64_t)INT64_MAX / 10 - 1) {
            cursor->failed = 1;
            return 0;
        }
        value = value * 10 + (uint64_t)(*cursor->at++ - '0');
    }
    if (cursor->at == start || (*start == '0' && cursor->at - start > 1))
        cursor->failed = 1;
    return value;
}

static int scan_digits(struct cursor *cursor, int count, int low, int high)
{
    int value = 0;

    for (int i = 0; i < count; i++) {
        if (cursor->failed || cursor->at == cursor->end || *cursor->at < '0' || *cursor->at > '9') {
            cursor->failed = 1;
            return low;
        }
        value = value * 10 + (*cursor->at++ - '0');
    }
    if (value < low || value > high)
        cursor->failed = 1;
    return value;
}

static int days_in_month(int year, int month)
{
    static const int days[] = {31, 28, 31, 30, 31, 30, 31, 31, 30, 31, 30, 31};

    return days[month - 1] + (month == 2 && (year % 4 == 0 && (year % 100 != 0 || year % 400 == 0)));
}

/* Days from 1970-01-01 in the Gregorian calendar, the year counted from March. */
static int64_t days_since_1970(int year, int month, int day)
{
    int64_t y = month <= 2 ? year - 1 : year;
    int64_t day_of_year = (153 * (month > 2 ? month - 3 : month + 9) + 2) / 5 + day - 1;

    return 365 * y + y / 4 - y / 100 + y / 400 + day_of_year - 719468;
}

/* 2026-11-25T09:27:31.123Z; hf_time_parse() is laxer and five times slower. */
static int64_t scan_wall_ns(struct cursor *cursor)
{
    int year = scan_digits(cursor, 4, 1970, 9999);
    int month;
    int day;
    int64_t seconds;

    EXPECT(cursor, "-");
    month = scan_digits(cursor, 2, 1, 12);
    EXPECT(cursor, "-");
    day = scan_digits(cursor, 2, 1, cursor->failed ? 31 : days_in_month(year, month));
    EXPECT(cursor, "T");
    seconds = (int64_t)scan_digits(cursor, 2, 0, 23) * 3600;
    EXPECT(cursor, ":");
    seconds += (int64_t)scan_digits(cursor, 2, 0, 59) * 60;
    EXPECT(cursor, ":");
    seconds += scan_digits(cursor, 2, 0, 59);
    EXPECT(cursor, ".");
    if (cursor->failed)
        return 0;
    seconds += days_since_1970(year, month, day) * 86400;
    if (seconds > INT64_MAX / 1000000000 - 1)
        cursor->failed = 1;
    return cursor->failed ? 0 : seconds * 1000000000 + (int64_t)scan_digits(cursor, 3, 0, 999) * 1000000;
}

static int is_boot_byte(char byte)
{
    return (byte >= '0' && byte <= '9') || (byte >= 'a' && byte <= 'z') || (byte >= 'A' && byte <= 'Z') ||
           byte == '+' || byte == '-' || byte == '.' || byte == '_';
}

int hf_boot_id_is_valid(const char *boot)
{
    size_t size = 0;

    while (is_boot_byte(boot[size]))
        size++;
    return boot[size] == '\0' && size > 0 && size < HF_BOOT_ID_MAX;
}

static void scan_word(struct cursor *cursor, char *ret_word, size_t room)
{
    size_t size = 0;

    memset(ret_word, 0, room); /* to the last byte: states are compared byte for byte */
    while (cursor->at < cursor->end && size + 1 < room && is_boot_byte(*cursor->at))
        ret_word[size++] = *cursor->at++;
    if (size == 0)
        cursor->failed = 1;
}

static int type_of_word(const char *word)
{
    for (int i = 0; i < HF_RECORD_COUNT; i++) {
        if (strcmp(type_names[i], word) == 0)
            return i;
    }
    return HF_LINE_TYPE_UNKNOWN;
}

static uint32_t scan_hex(struct cursor *cursor)
{
    uint32_t value = 0;

    for (int i = 0; i < 8; i++) {
        char byte = cursor->failed || cursor->at == cursor->end ? '?' : *cursor->at++;
        int digit = byte >= '0' && byte <= '9'   ? byte - '0'
                    : byte >= 'a' && byte <= 'f' ? byte - 'a' + 10
                                                 : -1;

        if (digit < 0) {
            cursor->failed = 1;
            return 0;
        }
        value = value << 4 | (uint32_t)digit;
    }
    return value;
}

/* prev, crc, end: they stand at a fixed distance from the line's end. */
static int scan_tail(const char *bytes, size_t size, struct hf_line *line)
{
    struct cursor cursor = {bytes + size - TAIL_SIZE, bytes + size, 0};

    EXPECT(&cursor, PREV_PART);
    line->prev = scan_hex(&cursor);
    EXPECT(&cursor, CRC_PART);
    line->crc = scan_hex(&cursor);
    EXPECT(&cursor, END_PART);
    return cursor.failed ? -1 : 0;
}

static int scan_head(const char *bytes, size_t size, struct hf_line *line)
{
    struct cursor cursor = {bytes, bytes + size - TAIL_SIZE, 0};
    char word[WORD_MAX + 1];

    EXPECT(&cursor, "{\"seq\":");
    line->sequence = scan_number(&cursor);
    EXPECT(&cursor, ",\"commit\":");
    line->commit = scan_number(&cursor);
    EXPECT(&cursor, ",\"wall\":\"");
    line->wall_ns = scan_wall_ns(&cursor);
    EXPECT(&cursor, "Z\",\"mono_ms\":\"");
    line->monotonic_ms = (int64_t)scan_number(&cursor);
    EXPECT(&cursor, "\",\"boot\":\"");
    scan_word(&cursor, line->boot, sizeof line->boot);
    EXPECT(&cursor, "\",\"type\":\"");
    scan_word(&cursor, word, sizeof word);
    EXPECT(&cursor, "\",\"data\":");
    if (cursor.failed || cursor.end - cursor.at < 2 || cursor.at[0] != '{' || cursor.end[-1] != '}')
        return -1;
    if (line->sequence < 1 || line->commit < 1 || line->commit > line->sequence)
        return -1;
    line->type = type_of_word(word);
    line->data = cursor.at;
    line->data_size = (size_t)(cursor.end - cursor.at);
    return 0;
}

enum hf_line_fault hf_line_scan(const char *bytes, size_t size, struct hf_line *ret_line)
{
    struct hf_line line;

    if (size == 0 || bytes[size - 1] != '\n')
        return HF_LINE_NO_NEWLINE;
    if (size > HF_JOURNAL_LINE_MAX)
        return HF_LINE_TOO_LONG;
    if (size < TAIL_SIZE + 2 || scan_tail(bytes, size, &line) != 0)
        return HF_LINE_SHAPE;
    if (hf_crc32c(0, bytes, size - CRC_TAIL) != line.crc)
        return HF_LINE_CHECKSUM;
    if (scan_head(bytes, size, &line) != 0)
        return HF_LINE_SHAPE;
    *ret_line = line;
    return HF_LINE_GOOD;
}

/* --- making ------------------------------------------------------------------------------------------ */

void hf_line_open(struct hf_text *text, const struct hf_line *line)
{
    char wall[HF_TIME_TEXT];

    assert(line->sequence >= 1 && line->commit >= 1 && line->commit <= line->sequence);
    assert(line->type >= 0 && line->type < HF_RECORD_COUNT);
    assert(hf_boot_id_is_valid(line->boot));
    hf_time_format(line->wall_ns, wall);
    hf_text_addf(text,
                 "{\"seq\":%" PRIu64 ",\"commit\":%" PRIu64 ",\"wall\":\"%s\",\"mono_ms\":\"%" PRId64
                 "\",\"boot\":\"%s\",\"type\":\"%s\",\"data\":",
                 line->sequence, line->commit, wall, line->monotonic_ms, line->boot, type_names[line->type]);
}

uint32_t hf_line_close(struct hf_text *text, size_t start, uint32_t prev)
{
    uint32_t crc;

    assert(start < text->size || text->overflowed);
    hf_text_addf(text, PREV_PART "%08" PRIx32 "\"", prev);
    crc = hf_crc32c(0, text->bytes + start, text->size - start);
    hf_text_addf(text, ",\"crc\":\"%08" PRIx32 END_PART, crc);
    return crc;
}

void hf_salt_format(uint64_t salt, char ret_text[HF_SALT_TEXT])
{
    (void)snprintf(ret_text, HF_SALT_TEXT, "0x%016" PRIx64, salt);
}

int hf_line_to_record(const struct hf_line *line, const char *source, struct cJSON **ret_document,
                      struct hf_record *ret_record, struct hf_error *error)
{
    struct cJSON *document = NULL;

    assert(line->type != HF_LINE_TYPE_UNKNOWN);
    if (hf_json_parse(line->data, line->data_size, source, &document, error) != HF_OK)
        return hf_as_damaged(error);
    ret_record->sequence = line->sequence;
    ret_record->wall_ns = line->wall_ns;
    ret_record->monotonic_ms = line->monotonic_ms;
    memcpy(ret_record->boot, line->boot, sizeof ret_record->boot);
    ret_record->type = (enum hf_record_type)line->type;
    ret_record->crc = line->crc;
    ret_record->data = hf_json_root(document, source);
    *ret_document = document;
    return HF_OK;
}
