/*
 * fma-residue, plain C: the same lanes in integers.
 *
 * The vector entries work in double precision: h = x c; q = round(x c / p); r = fma(-q, p, h) + fma(x, c,
 * -h), which is exact for p below 2^50 (van der Hoeven, Lecerf and Quintin 2014, section 3.3). This file does
 * the same modular multiplication with 64x64->128 bit products and folding by 2^50 = 27 mod p, and the closed
 * form in hf_fma_expect_words() takes powers with 128-bit division: three routes to one residue.
 *
 * Masked errors, and what catches them:
 *   - in the vector entries, a quotient wrong by a small whole number leaves the residue right: only the
 *     range check of the digest sees it, and only at the last step. Blocks that also fold the quotients are
 *     for that.
 *   - a multiplier wrong by a multiple of p cannot happen by one bit.
 *   - wrong constants (p, c, c/p, the rounding constant) that leave the residues right: compared with memory
 *     at the end of each burst; the flaw word carries the difference.
 *   - a register copy that is dead at that moment: harmless, and not an error.
 */
#include <assert.h>
#include <string.h>

#include "workloads/kernels/fma_residue.h"

#define PRIME HF_PRIME_50

/* --- starting values and closed form --- */

static uint64_t full_word(uint64_t word)
{
    return 1 + word % (PRIME - 1);
}

/* Two bits set, or one. */
static uint64_t sparse_word(uint64_t word)
{
    return (UINT64_C(1) << (word & 31) % 25) | (UINT64_C(1) << (25 + (word >> 8) % 24));
}

/* A run of ones, as long as the range has room for: products of such numbers carry far. */
static uint64_t carry_word(uint64_t word)
{
    return (UINT64_C(1) << (40 + word % 10)) - 1 - ((word >> 8) & 1);
}

static uint64_t start_word(enum hf_operands operands, uint64_t word)
{
    switch (operands) {
    case HF_OPERANDS_BOUNDED:
        return 3 + word % 1021;
    case HF_OPERANDS_SPARSE:
        return sparse_word(word);
    case HF_OPERANDS_CARRY:
        return carry_word(word);
    default:
        return full_word(word);
    }
}

void hf_fma_start_words(enum hf_operands operands, uint64_t seed, int lanes, uint64_t *ret_words)
{
    assert(lanes <= HF_FMA_LANES_MAX);
    for (int i = 0; i < lanes + 1; i++)
        ret_words[i] = start_word(operands, hf_seed_word(seed, (uint64_t)i));
    ret_words[lanes + 1] = 0;
}

void hf_fma_expect_words(enum hf_operands operands, uint64_t seed, uint64_t steps, int lanes,
                         uint64_t *ret_words)
{
    uint64_t power;

    hf_fma_start_words(operands, seed, lanes, ret_words);
    power = hf_power_mod(ret_words[lanes], steps, PRIME);
    for (int i = 0; i < lanes; i++)
        ret_words[i] = hf_multiply_mod(ret_words[i], power, PRIME);
}

uint64_t hf_fma_expect(enum hf_operands operands, uint64_t seed, uint64_t steps, int lanes)
{
    uint64_t words[HF_FMA_WORDS_MAX];

    hf_fma_expect_words(operands, seed, steps, lanes, words);
    return hf_words_fold(words, lanes + 2);
}

uint64_t hf_fma_expect_128(enum hf_operands operands, uint64_t seed, uint64_t steps)
{
    return hf_fma_expect(operands, seed, steps, HF_FMA_LANES_128);
}

uint64_t hf_fma_expect_256(enum hf_operands operands, uint64_t seed, uint64_t steps)
{
    return hf_fma_expect(operands, seed, steps, HF_FMA_LANES_256);
}

uint64_t hf_fma_expect_512(enum hf_operands operands, uint64_t seed, uint64_t steps)
{
    return hf_fma_expect(operands, seed, steps, HF_FMA_LANES_512);
}

/* --- states of the vector entries --- */

#define RANGE (0.625 * (double)PRIME)

static double balanced(uint64_t residue)
{
    return residue > PRIME / 2 ? -(double)(PRIME - residue) : (double)residue;
}

static uint64_t word_of(double x)
{
    int64_t whole;

    if (x >= -RANGE && x <= RANGE && x == (double)(int64_t)x) {
        whole = (int64_t)x;
        return whole < 0 ? (uint64_t)whole + PRIME : (uint64_t)whole;
    }
    return hf_bits_of_double(x) | HF_WORD_IMPOSSIBLE;
}

static void vector_words(const struct hf_fma_state *state, int lanes, uint64_t *ret_words)
{
    for (int i = 0; i < lanes; i++)
        ret_words[i] = word_of(state->lane[i]);
    ret_words[lanes] = word_of(state->multiplier);
    ret_words[lanes + 1] = state->flaw;
}

void hf_fma_vector_start(struct hf_fma_state *state, enum hf_operands operands, uint64_t seed, int lanes)
{
    uint64_t words[HF_FMA_WORDS_MAX];

    hf_fma_start_words(operands, seed, lanes, words);
    for (int i = 0; i < lanes; i++)
        state->lane[i] = balanced(words[i]);
    state->multiplier = balanced(words[lanes]);
    state->flaw = 0;
}

uint64_t hf_fma_vector_digest(const struct hf_fma_state *state, int lanes)
{
    uint64_t words[HF_FMA_WORDS_MAX];

    vector_words(state, lanes, words);
    return hf_words_fold(words, lanes + 2);
}

void hf_fma_vector_locate(const struct hf_fma_state *state, enum hf_operands operands, uint64_t seed,
                          uint64_t steps, int lanes, struct hf_lane_report *ret_report)
{
    uint64_t expected[HF_FMA_WORDS_MAX];
    uint64_t got[HF_FMA_WORDS_MAX];

    hf_fma_expect_words(operands, seed, steps, lanes, expected);
    vector_words(state, lanes, got);
    hf_words_compare(expected, got, lanes + 2, ret_report);
}

void hf_fma_vector_plant(struct hf_fma_state *state, uint64_t bit, int lanes)
{
    uint64_t index = bit / 64 % (uint64_t)(lanes + 2);
    uint64_t mask = UINT64_C(1) << bit % 64;
    double *place = index < (uint64_t)lanes ? &state->lane[index] : &state->multiplier;

    if (index == (uint64_t)lanes + 1)
        state->flaw ^= mask;
    else
        *place = hf_double_of_bits(hf_bits_of_double(*place) ^ mask);
}

/* --- the plain C entries --- */

struct integer_state {
    uint64_t multiplier;
    uint64_t flaw;
    uint64_t unused[6];
    uint64_t lane[];
};

/* 2^50 = 27 mod p: fold the product's upper part twice, then one subtraction. x, c < 2^51 or so; a corrupted
 * operand gives a wrong residue, never an endless loop. */
HF_INLINE uint64_t multiply_folded(uint64_t x, uint64_t c)
{
    const uint64_t low_bits = (UINT64_C(1) << 50) - 1;
    hf_u128 product = (hf_u128)x * c;
    uint64_t sum = ((uint64_t)product & low_bits) + 27 * (uint64_t)(product >> 50);

    sum = (sum & low_bits) + 27 * (sum >> 50);
    return sum >= PRIME ? sum - PRIME : sum;
}

HF_INLINE void integer_advance(struct integer_state *state, uint64_t steps, int lanes)
{
    uint64_t multiplier = state->multiplier;
    uint64_t up = 0;
    uint64_t down = steps;

    while (up < steps && down != 0) {
        for (int i = 0; i < lanes; i++)
            state->lane[i] = multiply_folded(state->lane[i], multiplier);
        up++;
        down--;
        HF_OPAQUE(down);
    }
    state->flaw |= (up ^ steps) | down;
}

static uint64_t integer_word(uint64_t value)
{
    return value < PRIME ? value : value | HF_WORD_IMPOSSIBLE;
}

static void integer_words(const struct integer_state *state, int lanes, uint64_t *ret_words)
{
    for (int i = 0; i < lanes; i++)
        ret_words[i] = integer_word(state->lane[i]);
    ret_words[lanes] = integer_word(state->multiplier);
    ret_words[lanes + 1] = state->flaw;
}

static void integer_start(struct integer_state *state, enum hf_operands operands, uint64_t seed, int lanes)
{
    uint64_t words[HF_FMA_WORDS_MAX];

    hf_fma_start_words(operands, seed, lanes, words);
    memcpy(state->lane, words, (size_t)lanes * sizeof words[0]);
    state->multiplier = words[lanes];
    state->flaw = 0;
}

static uint64_t integer_digest(const struct integer_state *state, int lanes)
{
    uint64_t words[HF_FMA_WORDS_MAX];

    integer_words(state, lanes, words);
    return hf_words_fold(words, lanes + 2);
}

static void integer_locate(const struct integer_state *state, enum hf_operands operands, uint64_t seed,
                           uint64_t steps, int lanes, struct hf_lane_report *ret_report)
{
    uint64_t expected[HF_FMA_WORDS_MAX];
    uint64_t got[HF_FMA_WORDS_MAX];

    hf_fma_expect_words(operands, seed, steps, lanes, expected);
    integer_words(state, lanes, got);
    hf_words_compare(expected, got, lanes + 2, ret_report);
}

static void integer_plant(struct integer_state *state, uint64_t bit, int lanes)
{
    uint64_t index = bit / 64 % (uint64_t)(lanes + 2);
    uint64_t mask = UINT64_C(1) << bit % 64;

    if (index < (uint64_t)lanes)
        state->lane[index] ^= mask;
    else if (index == (uint64_t)lanes)
        state->multiplier ^= mask;
    else
        state->flaw ^= mask;
}

#define PLAIN_ENTRY(width, class, burst)                                                                     \
    static void start_##width(void *state, enum hf_operands operands, uint64_t seed)                         \
    {                                                                                                        \
        integer_start(state, operands, seed, HF_FMA_LANES_##width);                                          \
    }                                                                                                        \
    HF_KERNEL_CODE static void advance_##width(void *state, uint64_t steps)                                  \
    {                                                                                                        \
        integer_advance(state, steps, HF_FMA_LANES_##width);                                                 \
    }                                                                                                        \
    static uint64_t digest_##width(const void *state)                                                        \
    {                                                                                                        \
        return integer_digest(state, HF_FMA_LANES_##width);                                                  \
    }                                                                                                        \
    static void locate_##width(const void *state, enum hf_operands operands, uint64_t seed, uint64_t steps,  \
                               struct hf_lane_report *ret_report)                                            \
    {                                                                                                        \
        integer_locate(state, operands, seed, steps, HF_FMA_LANES_##width, ret_report);                      \
    }                                                                                                        \
    static void plant_##width(void *state, uint64_t bit)                                                     \
    {                                                                                                        \
        integer_plant(state, bit, HF_FMA_LANES_##width);                                                     \
    }                                                                                                        \
    extern const struct hf_kernel hf_reference_fma_residue_##width;                                          \
    const struct hf_kernel hf_reference_fma_residue_##width = {                                              \
        .name = "fma-residue",                                                                               \
        .isa = "reference",                                                                                  \
        .width_bits = (width),                                                                               \
        .load_class = (class),                                                                               \
        .state_bytes = HF_FMA_STATE_BYTES(HF_FMA_LANES_##width),                                             \
        .live_state = HF_LIVE_GENERAL | HF_LIVE_MEMORY,                                                      \
        .live_bits = 64 * (HF_FMA_LANES_##width + 2),                                                        \
        .burst_steps = (burst),                                                                              \
        .operations_per_step = HF_FMA_LANES_##width,                                                         \
        .flops_per_step = 0,                                                                                 \
        .limit = "integer multiply issue",                                                                   \
        .start = start_##width,                                                                              \
        .advance = advance_##width,                                                                          \
        .digest = digest_##width,                                                                            \
        .expect = hf_fma_expect_##width,                                                                     \
        .locate = locate_##width,                                                                            \
        .plant = plant_##width,                                                                              \
    };

/* Plain C runs on scalar multipliers whatever width it stands in for. */
PLAIN_ENTRY(128, HF_LOAD_MULTIPLY, 500)
PLAIN_ENTRY(256, HF_LOAD_MULTIPLY, 250)
PLAIN_ENTRY(512, HF_LOAD_MULTIPLY, 75)
