/* What strangers wrote, made fit to be shown: on a terminal, in a log, in a document. */
#include "holdfast/text.h"

#include <assert.h>
#include <stdio.h>
#include <string.h>

#define REPLACEMENT 0xfffdu
#define PIECE_MAX   20 /* four bytes as \xNN, and the NUL */

uint32_t hf_text_character(const char *at, size_t *ret_length)
{
    const unsigned char *bytes = (const unsigned char *)at;
    size_t length = bytes[0] < 0x80 ? 1 : bytes[0] >= 0xf0 ? 4 : bytes[0] >= 0xe0 ? 3 : 2;
    uint32_t character;

    for (size_t i = 1; i < length; i++) {
        if (bytes[i] == '\0')
            length = 1; /* cut short: the check below fails */
    }
    if (!hf_text_is_utf8(at, length)) {
        *ret_length = 1;
        return REPLACEMENT;
    }
    *ret_length = length;
    if (length == 1)
        return bytes[0];
    character = bytes[0] & (0xffu >> (length + 1));
    for (size_t i = 1; i < length; i++)
        character = (character << 6) | (bytes[i] & 0x3fu);
    return character;
}

int hf_text_is_harmful(uint32_t character)
{
    return character < 0x20 || (character >= 0x7f && character <= 0x9f) || character == 0x00ad ||
           character == 0x061c || character == 0x180e || (character >= 0x200b && character <= 0x200f) ||
           (character >= 0x2028 && character <= 0x202e) || (character >= 0x2060 && character <= 0x206f) ||
           character == 0xfeff || (character >= 0xfff9 && character <= 0xfffb) ||
           (character >= 0xe0000 && character <= 0xe007f);
}

/* The next character as it is shown; the number of bytes it has in the string. */
static size_t next_piece(const char *at, int keep_lines, char ret_piece[PIECE_MAX])
{
    size_t length;
    uint32_t character = hf_text_character(at, &length);

    ret_piece[0] = '\0';
    if ((character != REPLACEMENT && !hf_text_is_harmful(character)) || (keep_lines && character == '\n')) {
        memcpy(ret_piece, at, length);
        ret_piece[length] = '\0';
        return length;
    }
    for (size_t i = 0; i < length; i++)
        (void)snprintf(ret_piece + 4 * i, PIECE_MAX - 4 * i, "\\x%02x", (unsigned)(unsigned char)at[i]);
    return length;
}

void hf_text_add_harmless(struct hf_text *text, const char *string, int keep_lines)
{
    char piece[PIECE_MAX];

    for (const char *at = string; *at != '\0';) {
        at += next_piece(at, keep_lines, piece);
        hf_text_add_string(text, piece);
    }
}

void hf_text_harmless(const char *string, char *ret_text, size_t size)
{
    char piece[PIECE_MAX];
    size_t used = 0;

    assert(size > 0);
    for (const char *at = string; *at != '\0';) {
        size_t length;

        at += next_piece(at, 0, piece);
        length = strlen(piece);
        if (used + length >= size)
            break;
        memcpy(ret_text + used, piece, length);
        used += length;
    }
    ret_text[used] = '\0';
}
