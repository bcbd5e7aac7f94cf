/*
 * chase: chains of dependent loads around a permutation that is one cycle over all words of the arena
 * (Sattolo 1986 draws such permutations; ours is made so that it can be counted). Plain C is its only form: a
 * load is a load.
 *
 * Position t of the cycle lies at place(t), a bijection of 0 .. N - 1 that xors, multiplies and xors again,
 * so that neither the next line nor a stride can be guessed. The word there holds the place of position t + 1
 * in its low k bits (N = 2^k) and in the upper 64 - k an affine function of t. Four chains run side by side,
 * a quarter of the cycle apart. Known: after n steps a chain's word is that of position t0 + n - 1, and the
 * sum of the upper parts is an arithmetic series, counted around the cycle. Chains 2 and 3 turn the upper
 * part by 32 bits before they add it; the sum of its upper half is counted by a sum of quotients (Graham,
 * Knuth & Patashnik 1994, section 3.5).
 *
 * Words of a state: the four words loaded last, the four sums, the number of steps, flaw.
 *
 * Why nothing is forgotten: a wrong low bit sends the chain to another position of the same cycle, where it
 * stays ahead or behind by a constant number of positions: the last word is another one. A wrong upper bit
 * stays in the sum. A wrong word in the arena is met when a chain comes by, and by the scrub.
 *
 * A word that stays wrong is met by each chain n or n + 1 times in a block, n the ways around. In a plain sum
 * its bit b is hidden when 2^(64 - b) divides that count: the topmost one every other time. In a turned sum
 * the same bit stands 32 places lower, where no count below 2^32 hides it (a block has at most 2^14 ways
 * around), and a bit that is topmost there is bit 31 in the plain sums. A plain sum can hide it from the
 * second visit on, and by then the turned ones have met it too: no wrong upper bit is hidden from a block
 * that met it.
 *
 * Masked errors, and what catches them:
 *   - the upper bits of a word after they were added and its lower ones were used: dead, not an error.
 *   - two wrong upper parts that cancel: not from one error.
 *   - a word whose place is wrong and stays so sends each chain by d positions ahead whenever it is met:
 * after n times with n d a multiple of N the chain is where it should be. The words that were left out are
 * missing in the sums, except in the sparse set, where all are alike: that one is left to the scrub, and to
 * the other operand sets.
 *   - a step count that is wrong by whole cycles where the sums come round too (steps times a power of two):
 * the number of steps is a word of its own.
 *   - base address, mask: a wrong one leads to other words, or ends the process; compared with the arena's
 * after the burst. Loaded words are masked before they become an index: none of them leads out of the arena.
 *
 * Operand sets: the upper part of the words. full: random odd steps; bounded: t itself, below 2^27; sparse:
 * one bit; carry: the complement of t, all upper bits set. The low bits are places in every set.
 */
#include "workloads/kernels/chase.h"
#include "workloads/arithmetic.h"

#define CHAINS        HF_CHASE_CHAINS
#define WORDS         HF_CHASE_WORDS
#define TURNS_A_ROUND 64
#define MULTIPLIER    UINT64_C(0xd1342543de82ef95) /* odd; 5 mod 8 (Steele and Vigna 2021, table 5) */

/* Half of the bits, rounded up: x ^ x >> half undoes itself. */
HF_INLINE int half_bits(uint64_t mask)
{
    return (64 - __builtin_clzll(mask) + 1) / 2;
}

/* The inverse of an odd number modulo 2^64: each turn doubles the number of right bits (Hensel 1904), from 3.
 */
HF_INLINE uint64_t odd_inverse(uint64_t odd)
{
    uint64_t inverse = odd;

    for (int turn = 0; turn < 5; turn++)
        inverse *= 2 - odd * inverse;
    return inverse;
}

HF_INLINE uint64_t mixed(uint64_t x, uint64_t factor, int half, uint64_t mask)
{
    x ^= x >> half;
    x = x * factor & mask;
    return x ^ x >> half;
}

uint64_t hf_chase_place(uint64_t position, uint64_t mask)
{
    return mixed(position & mask, MULTIPLIER, half_bits(mask), mask);
}

uint64_t hf_chase_position(uint64_t place, uint64_t mask)
{
    return mixed(place & mask, odd_inverse(MULTIPLIER), half_bits(mask), mask);
}

/* The upper part is first + step x position, modulo 2^(64 - k). */
struct series {
    uint64_t first;
    uint64_t step;
};

static struct series series_of(enum hf_operands operands)
{
    switch (operands) {
    case HF_OPERANDS_BOUNDED:
        return (struct series){0, 1};
    case HF_OPERANDS_SPARSE:
        return (struct series){UINT64_C(1) << 11, 0};
    case HF_OPERANDS_CARRY:
        return (struct series){UINT64_MAX, UINT64_MAX};
    default:
        return (struct series){UINT64_C(0x9e3779b97f4a7c15), UINT64_C(0xbf58476d1ce4e5b9)};
    }
}

HF_INLINE uint64_t word_of(uint64_t position, uint64_t mask, int half, struct series series)
{
    uint64_t upper = (series.first + series.step * (position & mask)) * (mask + 1);

    return upper | mixed((position + 1) & mask, MULTIPLIER, half, mask);
}

uint64_t hf_chase_word(uint64_t position, uint64_t mask, enum hf_operands operands)
{
    return word_of(position, mask, half_bits(mask), series_of(operands));
}

uint64_t hf_chase_formula(struct hf_arena *arena, int compare, struct hf_lane_report *ret_report)
{
    struct series series = series_of(arena->operands);
    uint64_t mask = arena->mask;
    uint64_t inverse = odd_inverse(MULTIPLIER);
    int half = half_bits(mask);
    uint64_t wrong = 0;

    for (uint64_t place = 0; place <= mask; place++) {
        uint64_t word = word_of(mixed(place, inverse, half, mask), mask, half, series);

        wrong += hf_arena_put(arena, place, word, compare, ret_report);
    }
    return wrong;
}

/* What a chain adds up of a word's upper part. */
HF_INLINE uint64_t summand(uint64_t upper, int chain)
{
    return chain < HF_CHASE_TURNED ? upper : upper << 32 | upper >> 32;
}

HF_KERNEL_CODE static void chase_advance(void *opaque_state, uint64_t steps)
{
    struct hf_chase_state *state = opaque_state;
    const struct hf_arena *arena = &hf_arenas[HF_ARENA_CHASE];
    const uint64_t *words = arena->words;
    uint64_t mask = arena->mask;
    uint64_t upper = ~arena->mask;
    uint64_t at[CHAINS];
    uint64_t sum[CHAINS];
    uint64_t up = 0;
    uint64_t down = steps;

    HF_OPAQUE(words);
    HF_OPAQUE(mask);
    HF_OPAQUE(upper);
    HF_UNROLL
    for (int i = 0; i < CHAINS; i++) {
        at[i] = state->at[i];
        sum[i] = state->sum[i];
    }
    while (up < steps && down != 0) {
        HF_UNROLL
        for (int i = 0; i < CHAINS; i++) {
            sum[i] += summand(at[i] & upper, i);
            at[i] = words[at[i] & mask];
        }
        up++;
        down--;
        HF_OPAQUE(down);
    }
    HF_UNROLL
    for (int i = 0; i < CHAINS; i++) {
        state->at[i] = at[i];
        state->sum[i] = sum[i];
    }
    state->steps += up;
    HF_REREAD_MEMORY();
    state->flaw |= (mask ^ arena->mask) | ~(upper ^ arena->mask) |
                   ((uint64_t)(uintptr_t)words ^ (uint64_t)(uintptr_t)arena->words) | (up ^ steps) | down;
}

/* As many chains of masked loads over the same cycle, and nothing else: the latency of the level. Each call
 * goes on where the last one ended: the same few words again would come from a nearer cache. */
static uint64_t chase_limit(int level, uint64_t rounds)
{
    static _Thread_local uint64_t start;
    const struct hf_arena *arena = hf_arena_get(HF_ARENA_CHASE, level, HF_OPERANDS_FULL);
    const uint64_t *words = arena->words;
    uint64_t mask = arena->mask;
    uint64_t at[CHAINS];

    for (uint64_t i = 0; i < CHAINS; i++)
        at[i] = hf_chase_word(start + i * (mask + 1) / CHAINS, mask, HF_OPERANDS_FULL);
    start += rounds * TURNS_A_ROUND;
    for (uint64_t turn = 0; turn < rounds * TURNS_A_ROUND; turn++) {
        HF_UNROLL
        for (int i = 0; i < CHAINS; i++)
            at[i] = words[at[i] & mask];
        HF_OPAQUE(at[0]);
    }
    for (int i = 0; i < CHAINS; i++)
        HF_OPAQUE(at[i]);
    return rounds * TURNS_A_ROUND * CHAINS;
}

/* --- start and closed form --- */

static uint64_t start_position(uint64_t seed, uint64_t chain, uint64_t mask)
{
    return (hf_seed_word(seed, 0) + chain * ((mask + 1) / CHAINS)) & mask;
}

static uint64_t start_sum(uint64_t seed, uint64_t chain, enum hf_operands operands)
{
    uint64_t word = hf_seed_word(seed, 1 + chain);

    switch (operands) {
    case HF_OPERANDS_BOUNDED:
        return word % 65536;
    case HF_OPERANDS_SPARSE:
        return UINT64_C(1) << word % 64;
    case HF_OPERANDS_CARRY:
        return UINT64_MAX >> word % 16;
    default:
        return word;
    }
}

static void chase_start(void *opaque_state, int level, enum hf_operands operands, uint64_t seed)
{
    struct hf_chase_state *state = opaque_state;
    const struct hf_arena *arena = hf_arena_get(HF_ARENA_CHASE, level, operands);

    *state = (struct hf_chase_state){0};
    for (uint64_t i = 0; i < CHAINS; i++) {
        /* the word before: it leads to the first position */
        state->at[i] = hf_chase_word(start_position(seed, i, arena->mask) - 1, arena->mask, operands);
        state->sum[i] = start_sum(seed, i, operands);
    }
}

/* 0 + 1 + ... + (n - 1), modulo 2^64. */
static uint64_t triangle(uint64_t n)
{
    return n % 2 == 0 ? n / 2 * (n - 1) : n * ((n - 1) / 2);
}

/* The sum of (first + step t) / divisor, rounded down, for t below count, modulo 2^64: the lattice points
 * under a line, with what is whole taken out and the axes exchanged until nothing is left (Graham, Knuth &
 * Patashnik 1994, section 3.5). */
static uint64_t quotient_sum(struct series series, uint64_t count, hf_u128 divisor)
{
    hf_u128 step = series.step;
    hf_u128 first = series.first;
    uint64_t sum = 0;

    for (;;) {
        hf_u128 last;

        sum += (uint64_t)(step / divisor) * triangle(count) + (uint64_t)(first / divisor) * count;
        step %= divisor;
        first %= divisor;
        last = step * count + first;
        if (last < divisor)
            return sum;
        count = (uint64_t)(last / divisor);
        first = last % divisor;
        last = divisor;
        divisor = step;
        step = last;
    }
}

/* The sum of a chain's summands from position `from` on, `count` of them, none beyond the end of the cycle.
 */
static uint64_t series_sum(struct series series, uint64_t from, uint64_t count, uint64_t size, uint64_t chain)
{
    struct series part = {(series.first + series.step * from) * size, series.step * size};
    uint64_t sum = count * part.first + part.step * triangle(count);
    uint64_t upper_halves; /* of the words modulo 2^64: what is above is taken off again */

    if (chain < HF_CHASE_TURNED || count == 0)
        return sum;
    upper_halves =
        quotient_sum(part, count, (hf_u128)1 << 32) - (quotient_sum(part, count, (hf_u128)1 << 64) << 32);
    return upper_halves + (sum << 32);
}

/* The sum of the summands of `steps` words, from position `from` on, around the cycle. */
static uint64_t upper_sum(struct series series, uint64_t from, uint64_t steps, uint64_t mask, uint64_t chain)
{
    uint64_t size = mask + 1;
    uint64_t rest = steps % size;
    uint64_t before_end = rest < size - from ? rest : size - from;
    uint64_t sum = 0;

    if (steps >= size)
        sum = steps / size * series_sum(series, 0, size, size, chain);
    return sum + series_sum(series, from, before_end, size, chain) +
           series_sum(series, 0, rest - before_end, size, chain);
}

static void expect_words(int level, enum hf_operands operands, uint64_t seed, uint64_t steps,
                         uint64_t ret_words[WORDS])
{
    uint64_t mask = hf_arena_words(level) - 1;

    for (uint64_t i = 0; i < CHAINS; i++) {
        uint64_t before = (start_position(seed, i, mask) - 1) & mask;

        ret_words[i] = hf_chase_word(before + steps, mask, operands);
        ret_words[CHAINS + i] =
            start_sum(seed, i, operands) + upper_sum(series_of(operands), before, steps, mask, i);
    }
    ret_words[2 * CHAINS] = steps;
    ret_words[2 * CHAINS + 1] = 0;
}

static uint64_t chase_digest(const void *state)
{
    return hf_words_fold(state, WORDS);
}

static uint64_t chase_expect(int level, enum hf_operands operands, uint64_t seed, uint64_t steps)
{
    uint64_t words[WORDS];

    expect_words(level, operands, seed, steps, words);
    return hf_words_fold(words, WORDS);
}

static void chase_locate(const void *state, int level, enum hf_operands operands, uint64_t seed,
                         uint64_t steps, struct hf_lane_report *ret_report)
{
    uint64_t expected[WORDS];

    expect_words(level, operands, seed, steps, expected);
    hf_words_compare(expected, state, WORDS, ret_report);
}

static void chase_plant(void *state, uint64_t bit)
{
    uint64_t *words = state;

    words[bit / 64 % WORDS] ^= UINT64_C(1) << bit % 64;
}

#define LEVELLED(function) chase_##function
#define ENTRY_OF(label)    hf_reference_chase_##label
#define LABEL(label)       label
#define NAME_OF(suffix)    "chase-" suffix
#define ENTRY_REST                                                                                           \
    .isa = "reference", .width_bits = 64, .load_class = HF_LOAD_MEMORY,                                      \
    .state_bytes = sizeof(struct hf_chase_state), .arena = HF_ARENA_CHASE, .words_per_step = CHAINS,         \
    .live_state = HF_LIVE_GENERAL | HF_LIVE_MEMORY, .live_bits = 64 * WORDS, .operations_per_step = CHAINS,  \
    .advance = chase_advance, .digest = chase_digest, .plant = chase_plant
#define LIMIT_OF(words) "latency of masked loads, " words ", four chains"
#define BURST_L1        8000
#define BURST_L2        3500
#define BURST_L3        1000
#define BURST_MEMORY    200
#include "workloads/kernels/levels.h"
