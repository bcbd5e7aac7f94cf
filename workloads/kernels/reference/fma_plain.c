/* Modular multiplication modulo 2^50 - 27: the closed form, and vector states without modes and folds. */
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
