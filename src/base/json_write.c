#include "holdfast/json.h"

#include <assert.h>
#include <inttypes.h>
#include <math.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

/* RFC 8259, section 7: above U+FFFF two UTF-16 halves. */
static void add_escape(struct hf_text *text, uint32_t character)
{
    if (character > 0xffff) {
        add_escape(text, 0xd800 + ((character - 0x10000) >> 10));
        add_escape(text, 0xdc00 + ((character - 0x10000) & 0x3ff));
        return;
    }
    hf_text_addf(text, "\\u%04x", (unsigned)character);
}

/* What could do harm where the document is shown is escaped: the value stays the same. */
static void add_quoted(struct hf_text *text, const char *string)
{
    const char *start = string;
    size_t length;

    hf_text_add(text, "\"", 1);
    for (; *string != '\0'; string += length) {
        uint32_t character = hf_text_character(string, &length);
        int quoted = character == '"' || character == '\\';

        if (!quoted && !hf_text_is_harmful(character))
            continue;
        hf_text_add(text, start, (size_t)(string - start));
        if (quoted)
            hf_text_add(text, (char[]){'\\', (char)character}, 2);
        else
            add_escape(text, character);
        start = string + length;
    }
    hf_text_add(text, start, (size_t)(string - start));
    hf_text_add(text, "\"", 1);
}

static void new_line(struct hf_json_writer *writer)
{
    if (writer->indent == 0)
        return;
    hf_text_add(writer->text, "\n", 1);
    for (int i = 0; i < writer->depth * writer->indent; i++)
        hf_text_add(writer->text, " ", 1);
}

/* Comma, line break and key: everything that stands before a value. */
static void before_value(struct hf_json_writer *writer, const char *key)
{
    assert(writer->depth >= 0 && writer->depth < HF_JSON_DEPTH_MAX);
    if (writer->depth > 0) {
        if (writer->has_items[writer->depth])
            hf_text_add(writer->text, ",", 1);
        writer->has_items[writer->depth] = 1;
        new_line(writer);
    }
    if (key != NULL) {
        add_quoted(writer->text, key);
        hf_text_add(writer->text, ": ", writer->indent > 0 ? 2 : 1);
    }
}

static void open_level(struct hf_json_writer *writer, const char *key, const char *bracket)
{
    before_value(writer, key);
    hf_text_add(writer->text, bracket, 1);
    writer->depth++;
    assert(writer->depth < HF_JSON_DEPTH_MAX);
    writer->has_items[writer->depth] = 0;
}

static void close_level(struct hf_json_writer *writer, const char *bracket)
{
    int had_items = writer->has_items[writer->depth];

    assert(writer->depth > 0);
    writer->depth--;
    if (had_items)
        new_line(writer);
    hf_text_add(writer->text, bracket, 1);
}

void hf_json_begin(struct hf_json_writer *writer, struct hf_text *text, int indent)
{
    *writer = (struct hf_json_writer){.text = text, .indent = indent};
}

void hf_json_object_open(struct hf_json_writer *writer, const char *key)
{
    open_level(writer, key, "{");
}

void hf_json_object_close(struct hf_json_writer *writer)
{
    close_level(writer, "}");
}

void hf_json_array_open(struct hf_json_writer *writer, const char *key)
{
    open_level(writer, key, "[");
}

void hf_json_array_close(struct hf_json_writer *writer)
{
    close_level(writer, "]");
}

void hf_json_string(struct hf_json_writer *writer, const char *key, const char *value)
{
    before_value(writer, key);
    add_quoted(writer->text, value);
}

void hf_json_number(struct hf_json_writer *writer, const char *key, double value)
{
    char digits[40];

    if (!isfinite(value)) {
        hf_json_null(writer, key);
        return;
    }
    (void)snprintf(digits, sizeof digits, "%.15g", value);
    if (strtod(digits, NULL) != value)
        (void)snprintf(digits, sizeof digits, "%.17g", value);
    before_value(writer, key);
    hf_text_add_string(writer->text, digits);
}

void hf_json_integer(struct hf_json_writer *writer, const char *key, int64_t value)
{
    char digits[24];

    assert(value <= INT64_C(9007199254740992) && value >= -INT64_C(9007199254740992));
    (void)snprintf(digits, sizeof digits, "%" PRId64, value);
    before_value(writer, key);
    hf_text_add_string(writer->text, digits);
}

void hf_json_u64(struct hf_json_writer *writer, const char *key, uint64_t value)
{
    char digits[24];

    (void)snprintf(digits, sizeof digits, "%" PRIu64, value);
    hf_json_string(writer, key, digits);
}

void hf_json_hex64(struct hf_json_writer *writer, const char *key, uint64_t value)
{
    char digits[24];

    (void)snprintf(digits, sizeof digits, "0x%016" PRIx64, value);
    hf_json_string(writer, key, digits);
}

void hf_json_bool(struct hf_json_writer *writer, const char *key, int value)
{
    before_value(writer, key);
    hf_text_add_string(writer->text, value ? "true" : "false");
}

void hf_json_null(struct hf_json_writer *writer, const char *key)
{
    before_value(writer, key);
    hf_text_add_string(writer->text, "null");
}
