/* Walking over bytes that need not end in a NUL: what the parsers of log lines are made of. */
#ifndef HOLDFAST_MACHINE_SCAN_H
#define HOLDFAST_MACHINE_SCAN_H

#include <stddef.h>
#include <stdint.h>
#include <string.h>

struct scan {
    const char *at, *end;
};

static inline size_t scan_left(const struct scan *scan)
{
    return (size_t)(scan->end - scan->at);
}

/* Steps over the word when it stands here. */
static inline int scan_skip(struct scan *scan, const char *word)
{
    size_t length = strlen(word);

    if (scan_left(scan) < length || memcmp(scan->at, word, length) != 0)
        return 0;
    scan->at += length;
    return 1;
}

static inline const char *scan_find(const struct scan *scan, const char *word)
{
    return scan_left(scan) > 0 ? memmem(scan->at, scan_left(scan), word, strlen(word)) : NULL;
}

/* Steps to behind the word's first occurrence; stays when there is none. */
static inline int scan_behind(struct scan *scan, const char *word)
{
    const char *found = scan_find(scan, word);

    if (found == NULL)
        return 0;
    scan->at = found + strlen(word);
    return 1;
}

static inline int scan_digit(char byte, int base)
{
    if (byte >= '0' && byte <= '9')
        return byte - '0';
    if (base == 16 && byte >= 'a' && byte <= 'f')
        return byte - 'a' + 10;
    if (base == 16 && byte >= 'A' && byte <= 'F')
        return byte - 'A' + 10;
    return -1;
}

/* Digits that stand here, with or without 0x when base is 16; 0 when there are none or too many. */
static inline int scan_number(struct scan *scan, int base, uint64_t *ret_value)
{
    struct scan here = *scan;
    uint64_t value = 0;
    int digits = 0;

    if (base == 16 && scan_left(&here) > 2)
        (void)scan_skip(&here, "0x");
    for (; here.at < here.end && scan_digit(*here.at, base) >= 0; here.at++, digits++) {
        uint64_t digit = (uint64_t)scan_digit(*here.at, base);

        if (value > (UINT64_MAX - digit) / (uint64_t)base)
            return 0;
        value = value * (uint64_t)base + digit;
    }
    if (digits == 0)
        return 0;
    *ret_value = value;
    *scan = here;
    return 1;
}

/* A decimal number of 0 to limit - 1. */
static inline int scan_int(struct scan *scan, int limit, int *ret_value)
{
    struct scan here = *scan;
    uint64_t value;

    if (!scan_number(&here, 10, &value) || value >= (uint64_t)limit)
        return 0;
    *ret_value = (int)value;
    *scan = here;
    return 1;
}

#endif
