/*
 * JSON: a writer without allocation per value, and a strict reader over cJSON.
 *
 * Conventions of every document we write: 64-bit counters, seeds and digests are strings (JSON numbers are
 * doubles); doubles are written with 17 significant digits when fewer do not read back the same; keys are
 * case-sensitive; no duplicate keys.
 */
#ifndef HOLDFAST_JSON_H
#define HOLDFAST_JSON_H

#include <stddef.h>
#include <stdint.h>

#include "holdfast/error.h"
#include "holdfast/text.h"

struct cJSON;

/* --- writing ---
 * Calling order: hf_json_begin(&writer, &text), then objects, arrays and values; commas and indentation are
 * the writer's business. `key` is NULL inside an array and for the outermost value. indent 0 writes one line.
 */
#define HF_JSON_DEPTH_MAX 24

struct hf_json_writer {
    struct hf_text *text;
    int depth;
    int indent;
    int has_items[HF_JSON_DEPTH_MAX];
};

void hf_json_begin(struct hf_json_writer *writer, struct hf_text *text, int indent);
void hf_json_object_open(struct hf_json_writer *writer, const char *key);
void hf_json_object_close(struct hf_json_writer *writer);
void hf_json_array_open(struct hf_json_writer *writer, const char *key);
void hf_json_array_close(struct hf_json_writer *writer);
/* Characters that could do harm where the document is shown (hf_text_is_harmful()) become \uNNNN. */
void hf_json_string(struct hf_json_writer *writer, const char *key, const char *value);
void hf_json_number(struct hf_json_writer *writer, const char *key, double value);   /* not finite: null */
void hf_json_integer(struct hf_json_writer *writer, const char *key, int64_t value); /* |value| <= 2^53 */
void hf_json_u64(struct hf_json_writer *writer, const char *key, uint64_t value);    /* "123" */
void hf_json_hex64(struct hf_json_writer *writer, const char *key, uint64_t value); /* "0x0123456789abcdef" */
void hf_json_bool(struct hf_json_writer *writer, const char *key, int value);
void hf_json_null(struct hf_json_writer *writer, const char *key);

/* --- reading ---
 * A reader is a place in a document: the value, and the path that leads to it for messages. Each
 * hf_json_get_* checks presence, type and range in that order and says file, path and allowed range when one
 * fails. Objects are checked once for unknown and duplicate keys with hf_json_only_keys(). */
#define HF_JSON_PATH_MAX 160

struct hf_json_reader {
    const char *source; /* file name, for messages */
    const struct cJSON *value;
    char path[HF_JSON_PATH_MAX]; /* "groups[2].cpus"; "" for the whole document */
};

/* Parses size bytes strictly: valid UTF-8, one value, nothing after it, nesting at most 64, an object
 * outermost. The caller frees *ret_document with hf_json_document_free(). */
int hf_json_parse(const char *bytes, size_t size, const char *source, struct cJSON **ret_document,
                  struct hf_error *error);
void hf_json_document_free(struct cJSON *document);

struct hf_json_reader hf_json_root(const struct cJSON *document, const char *source);

/* HF_E_INPUT when the object has a key that is not in the NULL-terminated list, or one twice. */
int hf_json_only_keys(const struct hf_json_reader *object, const char *const *keys, struct hf_error *error);

int hf_json_has(const struct hf_json_reader *object, const char *key);

int hf_json_get_object(const struct hf_json_reader *object, const char *key, struct hf_json_reader *ret_child,
                       struct hf_error *error);
int hf_json_get_array(const struct hf_json_reader *object, const char *key, int min_count, int max_count,
                      struct hf_json_reader *ret_child, int *ret_count, struct hf_error *error);
/* Item number `index` of an array; any type. */
struct hf_json_reader hf_json_item(const struct hf_json_reader *array, int index);

int hf_json_get_number(const struct hf_json_reader *object, const char *key, double low, double high,
                       double *ret_value, struct hf_error *error);
int hf_json_get_integer(const struct hf_json_reader *object, const char *key, int64_t low, int64_t high,
                        int64_t *ret_value, struct hf_error *error);
int hf_json_get_bool(const struct hf_json_reader *object, const char *key, int *ret_value,
                     struct hf_error *error);
/* A 64-bit number written as a string: decimal, or hexadecimal after 0x. */
int hf_json_get_u64(const struct hf_json_reader *object, const char *key, uint64_t *ret_value,
                    struct hf_error *error);
/* A string without control characters of at most size - 1 bytes. */
int hf_json_get_string(const struct hf_json_reader *object, const char *key, char *ret_text, size_t size,
                       struct hf_error *error);

/* A failure at this place: "FILE: PATH: words". */
int hf_json_fail(const struct hf_json_reader *place, const char *key, struct hf_error *error, int code,
                 const char *format, ...) __attribute__((format(printf, 5, 6)));

#endif
