/*
 * gather, plain C, and the closed form.
 *
 * A lane's counter moves by an odd stride modulo 2^64 each step; its low bits are the index. The lanes start
 * evenly spaced on the walk, so no two of them ever meet, and all words are visited in (words / lanes) steps.
 * At 512 bit each step gathers, scatters the complement, gathers that, and scatters back what was there: two
 * gathers, two scatters, and the arena is left as it was found. Known: counters by counter + steps x stride;
 * every flaw 0.
 *
 * Why nothing is forgotten: a counter's step is a bijection modulo 2^64; a gathered word that is not the
 * index's leaves its wrong bits in the lane's flaw, which is only ever added to; a store that was lost or
 * went astray leaves a word that is not as the formula says, and is met by the gather after it, on the next
 * way around, or by the scrub.
 *
 * Masked errors, and what catches them:
 *   - a wrong index: what to expect comes from an index of its own, masked from the counter once more.
 *   - two words of one step and one lane of the vector that are wrong so that their sum is right (the vector
 * entries compare the sum of four: gather.h), as the same topmost bit of two of them: not from one error, and
 * plain C compares each. The next steps put other words together only when N or the lanes change, so a pair
 * of topmost bits that both stay wrong, a quarter of the arena apart, is left to the scrub.
 *   - multiplier and addend in registers, wrong: every word is then wrong, and said to be.
 *   - base, mask, stride: compared with the arena and the state after the burst.
 *   - a flaw bit that falls back to 0 hides one that was found: two errors.
 *
 * Operand sets: the words. full: random multiples, all bits move; bounded: the index itself; sparse: the
 * index in the middle of the word alone; carry: all upper bits set.
 */
#include "workloads/kernels/gather.h"

#define STRIDE UINT64_C(0x9e3779b97f4a7c15) /* 2^64 / golden ratio, odd: far from the last index, always */

static void set_constants(struct hf_arena *arena)
{
    static const uint64_t constants[HF_OPERANDS_COUNT][2] = {
        [HF_OPERANDS_FULL] = {UINT64_C(0x35142543), UINT64_C(0x9e3779b97f4a7c15)},
        [HF_OPERANDS_BOUNDED] = {1, 0},
        [HF_OPERANDS_SPARSE] = {UINT64_C(1) << 29, 0},
        [HF_OPERANDS_CARRY] = {1, UINT64_C(0xfffffffff0000000)},
    };

    arena->constant[HF_GATHER_MULTIPLIER] = constants[arena->operands][HF_GATHER_MULTIPLIER];
    arena->constant[HF_GATHER_ADDEND] = constants[arena->operands][HF_GATHER_ADDEND];
}

uint64_t hf_gather_formula(struct hf_arena *arena, int compare, struct hf_lane_report *ret_report)
{
    uint64_t wrong = 0;

    set_constants(arena);
    for (uint64_t i = 0; i <= arena->mask; i++)
        wrong += hf_arena_put(arena, i,
                              i * arena->constant[HF_GATHER_MULTIPLIER] + arena->constant[HF_GATHER_ADDEND],
                              compare, ret_report);
    return wrong;
}

/* --- words and closed form --- */

static uint64_t start_counter(enum hf_operands operands, uint64_t seed, int lane, int lanes, uint64_t mask)
{
    uint64_t apart = (mask + 1) / (uint64_t)lanes;

    return hf_seed_word(seed, (uint64_t)operands) + (uint64_t)lane * apart * STRIDE;
}

static void words_of(const struct hf_gather_state *state, int lanes, uint64_t ret_words[HF_GATHER_WORDS_MAX])
{
    int flaws = lanes / HF_GATHER_VECTORS;

    for (int i = 0; i < lanes; i++)
        ret_words[i] = state->counter[i];
    for (int i = 0; i < flaws; i++)
        ret_words[lanes + i] = state->lane_flaw[i];
    ret_words[lanes + flaws] = state->stride;
    ret_words[lanes + flaws + 1] = state->flaw;
}

static void expect_words(int level, enum hf_operands operands, uint64_t seed, uint64_t steps, int lanes,
                         uint64_t ret_words[HF_GATHER_WORDS_MAX])
{
    uint64_t mask = hf_arena_words(level) - 1;
    int flaws = lanes / HF_GATHER_VECTORS;

    for (int i = 0; i < lanes; i++)
        ret_words[i] = start_counter(operands, seed, i, lanes, mask) + steps * STRIDE;
    for (int i = 0; i < flaws; i++)
        ret_words[lanes + i] = 0;
    ret_words[lanes + flaws] = STRIDE;
    ret_words[lanes + flaws + 1] = 0;
}

void hf_gather_start(struct hf_gather_state *state, int level, enum hf_operands operands, uint64_t seed,
                     int lanes)
{
    const struct hf_arena *arena = hf_arena_get(HF_ARENA_GATHER, level, operands);

    *state = (struct hf_gather_state){.stride = STRIDE};
    for (int i = 0; i < lanes; i++)
        state->counter[i] = start_counter(operands, seed, i, lanes, arena->mask);
}

uint64_t hf_gather_digest(const struct hf_gather_state *state, int lanes)
{
    uint64_t words[HF_GATHER_WORDS_MAX];

    words_of(state, lanes, words);
    return hf_words_fold(words, HF_GATHER_WORDS(lanes));
}

uint64_t hf_gather_expect(int level, enum hf_operands operands, uint64_t seed, uint64_t steps, int lanes)
{
    uint64_t words[HF_GATHER_WORDS_MAX];

    expect_words(level, operands, seed, steps, lanes, words);
    return hf_words_fold(words, HF_GATHER_WORDS(lanes));
}

void hf_gather_locate(const struct hf_gather_state *state, int level, enum hf_operands operands,
                      uint64_t seed, uint64_t steps, int lanes, struct hf_lane_report *ret_report)
{
    uint64_t expected[HF_GATHER_WORDS_MAX];
    uint64_t got[HF_GATHER_WORDS_MAX];

    words_of(state, lanes, got);
    expect_words(level, operands, seed, steps, lanes, expected);
    hf_words_compare(expected, got, HF_GATHER_WORDS(lanes), ret_report);
}

void hf_gather_plant(struct hf_gather_state *state, uint64_t bit, int lanes)
{
    uint64_t flip = UINT64_C(1) << bit % 64;
    int flaws = lanes / HF_GATHER_VECTORS;
    int word = (int)(bit / 64 % (uint64_t)HF_GATHER_WORDS(lanes));

    if (word < lanes)
        state->counter[word] ^= flip;
    else if (word < lanes + flaws)
        state->lane_flaw[word - lanes] ^= flip;
    else if (word == lanes + flaws)
        state->stride ^= flip;
    else
        state->flaw ^= flip;
}

/* --- plain C --- */

#define LANES_MAX HF_GATHER_LANES_MAX

/* Gathers and compares; the words may be there as their complement. */
HF_INLINE void gather_all(struct hf_gather_state *state, const struct hf_arena *arena, const uint64_t *index,
                          int lanes, uint64_t inverted, uint64_t ret_values[LANES_MAX])
{
    for (int i = 0; i < lanes; i++) {
        uint64_t own_index = state->counter[i] & arena->mask;
        uint64_t word = own_index * arena->constant[HF_GATHER_MULTIPLIER] + arena->constant[HF_GATHER_ADDEND];

        ret_values[i] = arena->words[index[i]];
        state->lane_flaw[i % (lanes / HF_GATHER_VECTORS)] |= ret_values[i] ^ word ^ inverted;
    }
}

HF_INLINE void scatter_all(const struct hf_arena *arena, const uint64_t *index, int lanes,
                           const uint64_t values[LANES_MAX])
{
    for (int i = 0; i < lanes; i++)
        arena->words[index[i]] = ~values[i];
}

HF_INLINE void reference_advance(struct hf_gather_state *state, uint64_t steps, int lanes, int scatters)
{
    const struct hf_arena *arena = &hf_arenas[HF_ARENA_GATHER];
    uint64_t index[LANES_MAX];
    uint64_t values[LANES_MAX];
    uint64_t up = 0;
    uint64_t down = steps;

    while (up < steps && down != 0) {
        for (int i = 0; i < lanes; i++) {
            index[i] = state->counter[i] & arena->mask;
            HF_OPAQUE(index[i]);
        }
        gather_all(state, arena, index, lanes, 0, values);
        if (scatters) {
            scatter_all(arena, index, lanes, values);
            gather_all(state, arena, index, lanes, UINT64_MAX, values);
            scatter_all(arena, index, lanes, values);
        }
        for (int i = 0; i < lanes; i++)
            state->counter[i] += state->stride;
        up++;
        down--;
        HF_OPAQUE(down);
    }
    state->flaw |= (up ^ steps) | down;
}

/* The same loads and stores, nothing compared. */
HF_INLINE uint64_t reference_limit(int level, uint64_t rounds, int lanes, int scatters)
{
    static _Thread_local uint64_t start; /* on through the arena, not the same few words again */
    const struct hf_arena *arena = hf_arena_get(HF_ARENA_GATHER, level, HF_OPERANDS_FULL);
    uint64_t *words = arena->words;
    uint64_t mask = arena->mask;
    uint64_t counter = start;

    for (uint64_t round = 0; round < rounds * 16; round++) {
        HF_UNROLL
        for (int i = 0; i < lanes; i++) {
            uint64_t *word = &words[counter & mask];

            HF_UNROLL
            for (int pass = 0; pass < 1 + scatters; pass++) {
                uint64_t value = *word;

                HF_OPAQUE(value);
                if (scatters)
                    *word = ~value;
                HF_REREAD_MEMORY();
            }
            counter += STRIDE;
        }
    }
    start = counter;
    return rounds * 16 * HF_GATHER_VECTORS * (1 + 3 * (uint64_t)scatters);
}

#define GATHER_ADVANCE(lanes_, scatters_)                                                                    \
    HF_KERNEL_CODE static void advance_##lanes_(void *state, uint64_t steps)                                 \
    {                                                                                                        \
        reference_advance(state, steps, (lanes_), (scatters_));                                              \
    }

GATHER_ADVANCE(16, HF_GATHER_SCATTERS_256)
GATHER_ADVANCE(32, HF_GATHER_SCATTERS_512)

#define ISA          "reference"
#define NEEDS        0
#define BURST_L1     500
#define BURST_L2     500
#define BURST_L3     200
#define BURST_MEMORY 50

#define WIDTH           256
#define ADVANCE         advance_16
#define LIMIT           reference_limit
#define ENTRY_OF(label) hf_reference_gather_256_##label
#include "workloads/kernels/gather_entries.h"

#define WIDTH           512
#define ADVANCE         advance_32
#define LIMIT           reference_limit
#define ENTRY_OF(label) hf_reference_gather_512_##label
#include "workloads/kernels/gather_entries.h"
