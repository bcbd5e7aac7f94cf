/*
 * Fuzz targets: bytes in, and nothing may happen but an answer. Each file beside this one is one target; the
 * folder of its name holds its cases. In a normal build replay.c feeds it every case; in the build of the
 * preset `fuzz` libFuzzer does, and looks for more (tests/fuzz/run.sh).
 *
 * A target also checks what must hold of whatever was accepted. MUST stays on in every build.
 */
#ifndef HOLDFAST_TESTS_FUZZ_H
#define HOLDFAST_TESTS_FUZZ_H

#include <stddef.h>
#include <stdint.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#include "holdfast/error.h"

int LLVMFuzzerTestOneInput(const uint8_t *bytes, size_t size);

#define MUST(condition)                                                                                      \
    do {                                                                                                     \
        if (!(condition)) {                                                                                  \
            (void)fprintf(stderr, "%s:%d: does not hold: %s\n", __FILE__, __LINE__, #condition);             \
            abort();                                                                                         \
        }                                                                                                    \
    } while (0)

/* What every failure has: a code, and a sentence that names the file. */
static inline void must_explain(int code, const struct hf_error *error, const char *source)
{
    MUST(code < 0 && code == error->code && error->message[0] != '\0');
    MUST(source == NULL || strstr(error->message, source) != NULL);
}

/* The bytes in a block of exactly their size, so that a step beyond them is seen; and with a NUL behind. */
static inline char *exact_copy(const uint8_t *bytes, size_t size, int with_nul)
{
    char *copy = calloc(1, size + (with_nul || size == 0));

    MUST(copy != NULL);
    if (size > 0)
        memcpy(copy, bytes, size);
    if (with_nul)
        copy[size] = '\0';
    return copy;
}

#endif
