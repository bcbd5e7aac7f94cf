/*
 * Bounded text: a growing string that is made with its maximum.
 *
 * Calling order: hf_text_init(&text, max_size); add; read text.bytes; hf_text_release(). The bytes are
 * always NUL-terminated. When the maximum would be passed, or memory runs out, the text keeps what it has
 * and `overflowed` becomes 1: check it once at the end instead of after every addition.
 */
#ifndef HOLDFAST_TEXT_H
#define HOLDFAST_TEXT_H

#include <stdarg.h>
#include <stddef.h>
#include <stdint.h>

#include "holdfast/error.h"

struct hf_text {
    char *bytes; /* never NULL */
    size_t size; /* without the NUL */
    size_t capacity;
    size_t max_size;
    int overflowed;
};

void hf_text_init(struct hf_text *text, size_t max_size);
void hf_text_release(struct hf_text *text);
void hf_text_clear(struct hf_text *text); /* empty again, memory kept */

void hf_text_add(struct hf_text *text, const char *bytes, size_t size);
void hf_text_add_string(struct hf_text *text, const char *string);
void hf_text_addf(struct hf_text *text, const char *format, ...) __attribute__((format(printf, 2, 3)));

/* Reads a whole regular file of at most max_size bytes into text (which it initialises on success).
 * A directory, a fifo, a file too large: an error that names the path. */
int hf_text_read_file(struct hf_text *text, const char *path, size_t max_size, struct hf_error *error);

/* Replaces a file so that a crash leaves the old or the new content: write beside it, fsync, rename,
 * fsync the folder. */
int hf_text_write_file(const struct hf_text *text, const char *path, struct hf_error *error);
/* The same, for nobody else to read: what lies in a run directory. */
int hf_text_write_private(const struct hf_text *text, const char *path, struct hf_error *error);

/* "0-2,4,6-7" to a list of numbers below limit; HF_E_INPUT names the bad part. ret_list has room for max. */
int hf_text_parse_cpu_list(const char *list, int limit, int *ret_list, int max, int *ret_count,
                           struct hf_error *error);

/* The inverse, with ranges; the list must be in increasing order. */
void hf_text_add_cpu_list(struct hf_text *text, const int *list, int count);

/* 1 when the bytes are well-formed UTF-8 (RFC 3629: no overlong forms, surrogates, or above U+10FFFF). */
int hf_text_is_utf8(const char *bytes, size_t size);

/* The next character of a string that is not at its end, and its bytes; a byte that is not well-formed UTF-8
 * is U+FFFD, one byte long. */
uint32_t hf_text_character(const char *at, size_t *ret_length);

/* Control characters (C0, DEL, C1), and those that reorder or hide text around them: Unicode's bidirectional
 * controls, zero widths, separators, interlinear marks, tags. */
int hf_text_is_harmful(uint32_t character);

/* Adds what a stranger wrote: harmful characters, and bytes that are not UTF-8, as \xNN; newlines stay when
 * keep_lines is not 0. For HTML: hf_words_html(). */
void hf_text_add_harmless(struct hf_text *text, const char *string, int keep_lines);

/* The same without newlines and without allocating, cut to fit. */
void hf_text_harmless(const char *string, char *ret_text, size_t size);

#endif
