/*
 * copy: what its entries share.
 *
 * The arena is two halves of `count` chunks each, and a spare chunk behind them. A step takes chunk c of both
 * halves, exchanges them and exchanges them back, by six moves of 4096 bytes:
 *
 *     1 first -> spare    unaligned stores        4 first -> spare     string move, words
 *     2 second -> first   aligned stores, past    5 second -> first    aligned stores, summed
 *                         the caches in memory    6 spare -> second    aligned stores, summed
 *     3 spare -> second   string move, bytes
 *
 * Summed: every word that the move loads goes into the sums of its lane, a chunk's words laid out as rows of
 * LANES and tiers of four rows: one += word; after each tier two += one. The second sum weighs each word by
 * its place, as a checksum of Fletcher's kind does (Fletcher 1982), so tiers that change places are seen.
 * Each word is summed once a step: twice would hide its topmost bit.
 *
 * After each summed move `one` is compared with `due`, which goes on by what the chunk's words must add up to
 * (the same for every chunk but for an arithmetic series); what differs stays in `flaw`. So a word that stays
 * wrong and is met an even number of times in a block, whose topmost bit the sums alone would forget, is
 * reported from the first time on. Costs one comparison for a chunk of 4096 bytes.
 *
 * Words of a state: the sums one and two, due, and the sum of a chunk's pattern, of each lane; the counter of
 * steps (its low bits are the chunk), flaw.
 */
#ifndef HOLDFAST_WORKLOADS_COPY_H
#define HOLDFAST_WORKLOADS_COPY_H

#include "workloads/arena.h"
#include "workloads/kernels/kernel_code.h"

#define HF_COPY_CHUNK_BYTES 4096
#define HF_COPY_CHUNK_WORDS (HF_COPY_CHUNK_BYTES / 8)
#define HF_COPY_LANES       16
#define HF_COPY_ROWS        (HF_COPY_CHUNK_WORDS / HF_COPY_LANES)
#define HF_COPY_TIER        4 /* rows */
#define HF_COPY_TIERS       (HF_COPY_ROWS / HF_COPY_TIER)
#define HF_COPY_MOVES       6
#define HF_COPY_WORDS       (4 * HF_COPY_LANES + 2)

struct hf_copy_state {
    uint64_t one[HF_COPY_LANES];
    uint64_t two[HF_COPY_LANES];
    uint64_t due[HF_COPY_LANES];   /* what one must be */
    uint64_t plain[HF_COPY_LANES]; /* what due grows by with each chunk, beside hf_copy_rise() */
    uint64_t counter;
    uint64_t flaw;
    uint64_t unused[6];
};

_Static_assert(sizeof(struct hf_copy_state) % 64 == 0, "states are laid side by side");
_Static_assert(HF_COPY_CHUNK_BYTES + 64 <= HF_ARENA_SPARE_BYTES, "the spare chunk, at any offset in a line");

/* Of the arena's constants: by how much each word of a chunk is above the same of the chunk before. */
#define HF_COPY_APART 0

/* What a lane's sum over a summed chunk has beside the pattern's: rows x chunk number x apart. */
HF_INLINE uint64_t hf_copy_rise(const struct hf_arena *arena, uint64_t counter, uint64_t odd)
{
    uint64_t chunks = (arena->mask + 1) / HF_COPY_CHUNK_WORDS / 2;

    return HF_COPY_ROWS * (2 * (counter & (chunks - 1)) + odd) * arena->constant[HF_COPY_APART];
}

/* Where a step works. */
struct hf_copy_place {
    char *first, *second, *spare;
};

/* The spare chunk begins at another byte of its line in each step. */
HF_INLINE struct hf_copy_place hf_copy_place(const struct hf_arena *arena, uint64_t counter)
{
    char *bytes = (char *)arena->words;
    uint64_t half = (arena->mask + 1) * 4; /* bytes */
    uint64_t chunk = counter * HF_COPY_CHUNK_BYTES & (half - 1);

    return (struct hf_copy_place){.first = bytes + chunk,
                                  .second = bytes + half + chunk,
                                  .spare = bytes + 2 * half + (counter * 7 & 63)};
}

void hf_copy_start(void *state, int level, enum hf_operands operands, uint64_t seed);
uint64_t hf_copy_digest(const void *state);
uint64_t hf_copy_expect(int level, enum hf_operands operands, uint64_t seed, uint64_t steps);
void hf_copy_locate(const void *state, int level, enum hf_operands operands, uint64_t seed, uint64_t steps,
                    struct hf_lane_report *ret_report);
void hf_copy_plant(void *state, uint64_t bit);

#endif
