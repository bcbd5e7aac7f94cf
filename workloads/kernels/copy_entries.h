/*
 * The four entries of copy at one width. The including file defines ISA, NEEDS, ADVANCE, LIMIT(level,
 * rounds), LIVE, the bursts of levels.h, and for each width anew WIDTH (256 or 512) and ENTRY_OF(label).
 */
#define COPY_LABEL2(width, label) w##width##_##label
#define COPY_LABEL1(width, label) COPY_LABEL2(width, label)
#define LABEL(label)              COPY_LABEL1(WIDTH, label)
#define COPY_limit                LIMIT
#define COPY_start                hf_copy_start
#define COPY_expect               hf_copy_expect
#define COPY_locate               hf_copy_locate
#define LEVELLED(function)        COPY_##function
#define NAME_OF(suffix)           "copy-" suffix
#define LIMIT_OF(words)           "the same moves without sums, " words
#define ENTRY_REST                                                                                           \
    .isa = ISA, .needs = NEEDS, .width_bits = WIDTH, .load_class = HF_LOAD_MEMORY,                           \
    .state_bytes = sizeof(struct hf_copy_state), .arena = HF_ARENA_COPY,                                     \
    .words_per_step = 2 * HF_COPY_CHUNK_WORDS, .live_state = LIVE, .live_bits = 64 * HF_COPY_WORDS,          \
    .operations_per_step = HF_COPY_MOVES * (HF_COPY_CHUNK_BYTES / 64.0), .advance = ADVANCE,                 \
    .digest = hf_copy_digest, .plant = hf_copy_plant
#include "workloads/kernels/levels.h"

#undef COPY_LABEL2
#undef COPY_LABEL1
#undef LABEL
#undef COPY_limit
#undef COPY_start
#undef COPY_expect
#undef COPY_locate
#undef LEVELLED
#undef NAME_OF
#undef LIMIT_OF
#undef ENTRY_REST
#undef ENTRY_OF
#undef WIDTH
