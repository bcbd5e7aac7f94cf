/*
 * Sizes: how much memory the memory kernels of each level work on.
 *
 * A memory kernel has a level: 1 to 3 for the cache of that level, HF_LEVEL_MEMORY for main memory. What it
 * works on, its arena, is a power of two that fits the level's cache and not the one before it; in memory,
 * one that the last-level cache cannot hold. The answers of these kernels depend on the sizes, so the
 * supervisor finds them once, gives them to its workers and journals them; a replay sets the journalled ones.
 *
 * Calling order: hf_sizes_find() once, hf_sizes_set() in every process before its first kernel. Without that
 * the sizes are small ones that any machine has (hf_sizes_small): good for tests and proofs, no load on a
 * cache.
 */
#ifndef HOLDFAST_WORKLOADS_SIZES_H
#define HOLDFAST_WORKLOADS_SIZES_H

#include <stdint.h>

#include "holdfast/error.h"

#define HF_LEVEL_MEMORY 4
#define HF_LEVELS       5 /* index 0 is not used */

/* Bounds of an arena: two chunks of `copy` in each half; indices of `gather` have 32 bits, with room. */
#define HF_ARENA_BYTES_MIN (UINT64_C(16) << 10)
#define HF_ARENA_BYTES_MAX (UINT64_C(1) << 30)

enum hf_sizes_source {
    HF_SIZES_FOUND,   /* the kernel lists the caches */
    HF_SIZES_PARTLY,  /* some; the others are assumed */
    HF_SIZES_ASSUMED, /* it lists none */
    HF_SIZES_SMALL,   /* nobody has looked */
    HF_SIZES_GIVEN    /* by a journal */
};

struct hf_sizes {
    uint64_t cache_bytes[HF_LEVEL_MEMORY];   /* [1] to [3]; 0: there is no such cache */
    uint32_t cache_sharers[HF_LEVEL_MEMORY]; /* CPUs that share it */
    uint64_t arena_bytes[HF_LEVELS];         /* [1] to [4], powers of two: of each worker */
    int32_t source;                          /* enum hf_sizes_source */
    int32_t memory_short; /* 1: the arena in memory had to be cut below four times the cache's share */
};

/* Finds the caches of `cpu` and the memory that `workers` processes can have. root: NULL, or the folder that
 * holds a recorded machine's sys and proc. HF_E_MEMORY when there is too little for arenas of the first two
 * levels. */
int hf_sizes_find(const char *root, int cpu, int workers, struct hf_sizes *ret_sizes, struct hf_error *error);

/* The rule alone: arenas from cache sizes, sharers and the bytes each worker may have. */
void hf_sizes_choose(struct hf_sizes *sizes, int workers, uint64_t budget_bytes);

/* Where so many workers take turns on a CPU (a simulated machine), each works on as much less of the
 * last-level cache and of memory. */
void hf_sizes_divide(struct hf_sizes *sizes, int sharing);

void hf_sizes_small(struct hf_sizes *ret_sizes);

/* 1 when every arena is a power of two within the bounds. */
int hf_sizes_are_valid(const struct hf_sizes *sizes);

/* The sizes of this process. Setting others empties nothing by itself: arenas of another size are filled anew
 * when a kernel starts. */
void hf_sizes_set(const struct hf_sizes *sizes);
const struct hf_sizes *hf_sizes_get(void);

const char *hf_level_name(int level);         /* "l1", "l2", "l3", "memory" */
const char *hf_sizes_source_name(int source); /* "found", "partly assumed", ... */

#endif
