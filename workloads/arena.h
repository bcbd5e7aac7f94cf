/*
 * Arenas: the memory that the memory kernels work on, beside their small states.
 *
 * An arena outlives blocks: it is filled once for an operand set, from a formula that gives every word by its
 * index, and each kernel leaves it as it found it at the end of every burst. So a block's answer depends on
 * its seed and steps alone, nothing of it has to be filled or read back for each block, and any word that is
 * not as the formula says is an error, whenever it is looked at:
 *   - by the kernel itself, which reads every word sooner or later (struct hf_kernel.words_per_step);
 *   - by hf_arena_scrub(), which a worker calls when a slice or a trial ends: what was written last, and what
 * the blocks did not come back to, is not forgotten either.
 *
 * Invariants:
 *   1. words is NULL or page-aligned memory of mapped_bytes, of which the first (mask + 1) words are filled
 * and HF_ARENA_SPARE_BYTES more are for the kernel to use within a burst.
 *   2. Between two bursts each filled word is the formula's, unless something went wrong.
 *   3. Each thread has its own arenas, one of a kind: two slices' kernels may use different kinds side by
 * side.
 *
 * Memory is mapped when a kernel of its level starts, or before that by hf_arena_reserve(), which can say no.
 *
 * Mapping, filling and scrubbing a large arena takes its time, seconds where many workers share a busy CPU.
 * Whoever must be seen to be alive sets hf_arena_progress: it is added to after every HF_ARENA_TICK_WORDS
 * words and HF_ARENA_PART_BYTES of memory, so it stands still when the core does, and there is an end to it.
 */
#ifndef HOLDFAST_WORKLOADS_ARENA_H
#define HOLDFAST_WORKLOADS_ARENA_H

#include <stdatomic.h>
#include <stddef.h>
#include <stdint.h>

#include "holdfast/kernel.h"
#include "workloads/sizes.h"

#define HF_ARENA_SPARE_BYTES 8192

enum hf_arena_kind {
    HF_ARENA_NONE,
    HF_ARENA_CHASE,
    HF_ARENA_GATHER,
    HF_ARENA_COPY,
    HF_ARENA_KINDS
};

struct hf_arena {
    uint64_t *words;
    uint64_t mask; /* words - 1; 0: not filled */
    size_t mapped_bytes;
    int level;
    enum hf_operands operands;
    uint64_t constant[2]; /* of the formula: what the kernel needs to know of it */
};

extern _Thread_local struct hf_arena hf_arenas[HF_ARENA_KINDS];

#define HF_ARENA_TICK_WORDS 32768u
#define HF_ARENA_PART_BYTES (UINT64_C(16) << 20)

/* This thread's sign of life; NULL: nobody looks. */
extern _Thread_local _Atomic uint64_t *hf_arena_progress;

static inline void hf_arena_tick(void)
{
    if (hf_arena_progress != NULL)
        (void)atomic_fetch_add_explicit(hf_arena_progress, 1, memory_order_release);
}

/* Words of an arena of that level, with the present sizes. */
uint64_t hf_arena_words(int level);

/* Maps what the kernel needs; HF_OK for kernels without an arena. HF_E_MEMORY with the reason. */
int hf_arena_reserve(const struct hf_kernel *kernel, struct hf_error *error);

/* The filled arena; an assertion fails when there is no memory. */
const struct hf_arena *hf_arena_get(enum hf_arena_kind kind, int level, enum hf_operands operands);

/* Compares every filled arena of this thread with its formula, and puts right what is wrong. Returns how many
 * words were wrong; the first one in ret_report, its lane HF_LANE_ARENA plus its index. */
#define HF_LANE_ARENA 10000000

uint64_t hf_arena_scrub(struct hf_lane_report *ret_report);

/* Gives the memory of this thread's arenas back: of all, or of those that none of the kernels uses (NULL in
 * the list is allowed). */
void hf_arena_drop(void);
void hf_arena_keep(const struct hf_kernel *const *kernels, int count);

/* 1 when some arena of this thread is filled. */
int hf_arena_any(void);

/* Flips bit number `bit` (modulo what there is) of the kernel's arena, which must be filled; once more puts
 * it back. 0: the kernel has none. */
int hf_arena_plant(const struct hf_kernel *kernel, uint64_t bit);

/* --- the formulas, one of a kind --- */

/* Fills the arena's words, or (compare) returns how many differ and puts them right. */
typedef uint64_t hf_arena_formula(struct hf_arena *arena, int compare, struct hf_lane_report *ret_report);

hf_arena_formula hf_chase_formula, hf_gather_formula, hf_copy_formula;

/* What a formula does with each word. */
static inline uint64_t hf_arena_put(struct hf_arena *arena, uint64_t index, uint64_t word, int compare,
                                    struct hf_lane_report *ret_report)
{
    uint64_t wrong = compare && arena->words[index] != word;

    if (index % HF_ARENA_TICK_WORDS == HF_ARENA_TICK_WORDS - 1)
        hf_arena_tick();
    if (wrong && ret_report->lane < 0)
        *ret_report = (struct hf_lane_report){
            .lane = HF_LANE_ARENA + (int)index, .expected = word, .got = arena->words[index]};
    if (wrong || !compare)
        arena->words[index] = word;
    return wrong;
}

#endif
