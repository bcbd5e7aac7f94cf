/*
 * The four entries of gather at one width. The including file defines ISA, NEEDS, the bursts of levels.h, and
 * for each width anew: WIDTH (256 or 512), ADVANCE, LIMIT(level, rounds, lanes, scatters) and
 * ENTRY_OF(label).
 *
 * live_state: strikes go to the arena. The vector registers hold indices too, and one that is struck within a
 * gather, after it was masked, ends the process: that is found as well, but not as a wrong result.
 */
#define GATHER_NAME2(name, width) gather_##name##_##width
#define GATHER_NAME1(name, width) GATHER_NAME2(name, width)
#define LEVELLED(name)            GATHER_NAME1(name, WIDTH)
#define PER_WIDTH2(name, width)   name##_##width
#define PER_WIDTH1(name, width)   PER_WIDTH2(name, width)
#define PER_WIDTH(name)           PER_WIDTH1(name, WIDTH)
#define LANES                     PER_WIDTH(HF_GATHER_LANES)
#define SCATTERS                  PER_WIDTH(HF_GATHER_SCATTERS)

static void LEVELLED(start)(void *state, int level, enum hf_operands operands, uint64_t seed)
{
    hf_gather_start(state, level, operands, seed, LANES);
}

static uint64_t LEVELLED(digest)(const void *state)
{
    return hf_gather_digest(state, LANES);
}

static uint64_t LEVELLED(expect)(int level, enum hf_operands operands, uint64_t seed, uint64_t steps)
{
    return hf_gather_expect(level, operands, seed, steps, LANES);
}

static void LEVELLED(locate)(const void *state, int level, enum hf_operands operands, uint64_t seed,
                             uint64_t steps, struct hf_lane_report *ret_report)
{
    hf_gather_locate(state, level, operands, seed, steps, LANES, ret_report);
}

static void LEVELLED(plant)(void *state, uint64_t bit)
{
    hf_gather_plant(state, bit, LANES);
}

static uint64_t LEVELLED(limit)(int level, uint64_t rounds)
{
    return LIMIT(level, rounds, LANES, SCATTERS);
}

#define LABEL2(width, label) w##width##_##label
#define LABEL1(width, label) LABEL2(width, label)
#define LABEL(label)         LABEL1(WIDTH, label)
#define NAME_OF(suffix)      "gather-" suffix
#define LIMIT_OF(words)      "gathers and scatters, " words
#define ENTRY_REST                                                                                           \
    .isa = ISA, .needs = NEEDS, .width_bits = WIDTH, .load_class = HF_LOAD_GATHER,                           \
    .state_bytes = sizeof(struct hf_gather_state), .arena = HF_ARENA_GATHER, .words_per_step = LANES,        \
    .live_state = HF_LIVE_MEMORY, .live_bits = 64 * HF_GATHER_WORDS(LANES),                                  \
    .operations_per_step = HF_GATHER_VECTORS * (1 + 3 * SCATTERS), .advance = ADVANCE,                       \
    .digest = LEVELLED(digest), .plant = LEVELLED(plant)
#include "workloads/kernels/levels.h"

#undef GATHER_NAME2
#undef GATHER_NAME1
#undef LEVELLED
#undef PER_WIDTH2
#undef PER_WIDTH1
#undef PER_WIDTH
#undef LANES
#undef SCATTERS
#undef LABEL2
#undef LABEL1
#undef LABEL
#undef NAME_OF
#undef LIMIT_OF
#undef ENTRY_REST
#undef ENTRY_OF
#undef WIDTH
#undef ADVANCE
#undef LIMIT
