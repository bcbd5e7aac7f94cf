/*
 * wide-multiply, plain C, and the closed form: powers modulo 2^61 - 1 and 2^128, affine jump-ahead modulo
 * 2^64.
 *
 * Masked errors, and what catches them:
 *   - a power chain wrong by a multiple of 2^61 - 1 is the same residue: no single bit does that.
 *   - the upper half of a product that is not used (affine chains take the lower 64 bits only): not an error.
 *   - a constant that changes in its register after its last use: compared with memory at the end of each
 *     burst.
 *   - a low-order error in an affine or double chain never reaches lower bits, but it stays where it is:
 * multiplication by an odd number is a bijection modulo 2^64 and 2^128, and an error in an upper bit never
 * leaves the number.
 *
 * Operand sets: the powers modulo 2^61 - 1 are as good as random after a few turns, whatever the set. A
 * number modulo 2^64 or 2^128 keeps its lowest bits' cycle (bit b has period 2^b at most), and bounded and
 * sparse ones keep the trailing zeros of their start.
 */
#include <assert.h>
#include <string.h>

#include "workloads/kernels/wide_multiply.h"

#define PRIME HF_PRIME_61

/* A chain's start and the multiplier: in [1, 2^61 - 1), a multiplier of at least 2. */
static uint64_t power_word(enum hf_operands operands, uint64_t word)
{
    switch (operands) {
    case HF_OPERANDS_BOUNDED:
        return 2 + word % 255;
    case HF_OPERANDS_SPARSE:
        return (UINT64_C(1) << (1 + word % 29)) | (UINT64_C(1) << (30 + (word >> 8) % 31));
    case HF_OPERANDS_CARRY:
        return PRIME - 2 - word % 16;
    default:
        return 2 + word % (PRIME - 2);
    }
}

static struct hf_affine affine_map(enum hf_operands operands)
{
    switch (operands) {
    case HF_OPERANDS_BOUNDED:
        return (struct hf_affine){37, 11};
    case HF_OPERANDS_SPARSE:
        return (struct hf_affine){(UINT64_C(1) << 33) + 5, (UINT64_C(1) << 17) + 1};
    case HF_OPERANDS_CARRY:
        return (struct hf_affine){UINT64_C(0xfffffffffffffffd), UINT64_C(0x7fffffffffffffff)};
    default:
        return (struct hf_affine){HF_MMIX_MULTIPLIER, HF_MMIX_INCREMENT};
    }
}

/* Odd. */
static uint64_t double_multiplier(enum hf_operands operands, uint64_t word)
{
    switch (operands) {
    case HF_OPERANDS_BOUNDED:
        return 3 + 2 * (word % 127);
    case HF_OPERANDS_SPARSE:
        return UINT64_C(1) << (1 + word % 63) | 1;
    case HF_OPERANDS_CARRY:
        return UINT64_MAX - 2 * (1 + word % 16);
    default:
        return word | 1;
    }
}

static uint64_t affine_word(enum hf_operands operands, uint64_t word)
{
    switch (operands) {
    case HF_OPERANDS_BOUNDED:
        return word % 65536;
    case HF_OPERANDS_SPARSE:
        return UINT64_C(1) << word % 64;
    case HF_OPERANDS_CARRY:
        return UINT64_MAX >> word % 32;
    default:
        return word;
    }
}

void hf_wide_start(void *opaque_state, enum hf_operands operands, uint64_t seed)
{
    struct hf_wide_state *state = opaque_state;
    struct hf_affine map = affine_map(operands);

    for (int i = 0; i < HF_WIDE_POWERS; i++)
        state->power[i] = power_word(operands, hf_seed_word(seed, (uint64_t)i));
    for (int i = 0; i < HF_WIDE_AFFINES; i++)
        state->affine[i] = affine_word(operands, hf_seed_word(seed, 64 + (uint64_t)i));
    for (int i = 0; i < HF_WIDE_DOUBLES; i++) {
        state->low[i] = affine_word(operands, hf_seed_word(seed, 192 + (uint64_t)i));
        state->high[i] = affine_word(operands, hf_seed_word(seed, 256 + (uint64_t)i));
    }
    state->power_multiplier = power_word(operands, hf_seed_word(seed, 128));
    state->affine_multiplier = map.multiplier;
    state->affine_increment = map.increment;
    state->double_multiplier = double_multiplier(operands, hf_seed_word(seed, 129));
    state->flaw = 0;
    memset(state->unused, 0, sizeof state->unused);
}

static void words_of(const struct hf_wide_state *state, uint64_t ret_words[HF_WIDE_WORDS])
{
    memcpy(ret_words, state, HF_WIDE_WORDS * sizeof ret_words[0]);
    for (int i = 0; i < HF_WIDE_POWERS; i++)
        ret_words[i] = state->power[i] % PRIME;
}

static hf_u128 power_128(uint64_t base, uint64_t exponent)
{
    hf_u128 result = 1;

    for (hf_u128 square = base; exponent != 0; exponent >>= 1, square *= square) {
        if (exponent & 1)
            result *= square;
    }
    return result;
}

static void expect_words(enum hf_operands operands, uint64_t seed, uint64_t steps,
                         uint64_t ret_words[HF_WIDE_WORDS])
{
    struct hf_wide_state state;
    struct hf_affine jump;
    hf_u128 double_power;
    uint64_t power;

    assert(steps < UINT64_MAX / HF_WIDE_DOUBLE_TURNS);
    hf_wide_start(&state, operands, seed);
    power = hf_power_mod(state.power_multiplier, steps * HF_WIDE_POWER_TURNS, PRIME);
    jump = hf_affine_power(affine_map(operands), steps * HF_WIDE_AFFINE_TURNS);
    for (int i = 0; i < HF_WIDE_POWERS; i++)
        state.power[i] = hf_multiply_mod(state.power[i], power, PRIME);
    for (int i = 0; i < HF_WIDE_AFFINES; i++)
        state.affine[i] = hf_affine_apply(jump, state.affine[i]);
    double_power = power_128(state.double_multiplier, steps * HF_WIDE_DOUBLE_TURNS);
    for (int i = 0; i < HF_WIDE_DOUBLES; i++) {
        hf_u128 number = ((hf_u128)state.high[i] << 64 | state.low[i]) * double_power;

        state.low[i] = (uint64_t)number;
        state.high[i] = (uint64_t)(number >> 64);
    }
    words_of(&state, ret_words);
}

uint64_t hf_wide_digest(const void *state)
{
    uint64_t words[HF_WIDE_WORDS];

    words_of(state, words);
    return hf_words_fold(words, HF_WIDE_WORDS);
}

uint64_t hf_wide_expect(enum hf_operands operands, uint64_t seed, uint64_t steps)
{
    uint64_t words[HF_WIDE_WORDS];

    expect_words(operands, seed, steps, words);
    return hf_words_fold(words, HF_WIDE_WORDS);
}

void hf_wide_locate(const void *state, enum hf_operands operands, uint64_t seed, uint64_t steps,
                    struct hf_lane_report *ret_report)
{
    uint64_t expected[HF_WIDE_WORDS];
    uint64_t got[HF_WIDE_WORDS];

    expect_words(operands, seed, steps, expected);
    words_of(state, got);
    hf_words_compare(expected, got, HF_WIDE_WORDS, ret_report);
}

void hf_wide_plant(void *state, uint64_t bit)
{
    uint64_t *words = state;

    words[bit / 64 % HF_WIDE_WORDS] ^= UINT64_C(1) << bit % 64;
}

/* Step by step and reduced at once: nothing is shared with the fast entry but the definition. */
HF_KERNEL_CODE static void advance(void *opaque_state, uint64_t steps)
{
    struct hf_wide_state *state = opaque_state;
    uint64_t up = 0;
    uint64_t down = steps;

    while (up < steps && down != 0) {
        for (int turn = 0; turn < HF_WIDE_POWER_TURNS; turn++) {
            for (int i = 0; i < HF_WIDE_POWERS; i++) {
                hf_u128 product = (hf_u128)state->power[i] * state->power_multiplier;
                uint64_t folded = hf_wide_reduce((uint64_t)(product & PRIME) + (uint64_t)(product >> 61));

                state->power[i] = folded >= PRIME ? folded - PRIME : folded;
            }
        }
        for (int turn = 0; turn < HF_WIDE_AFFINE_TURNS; turn++) {
            for (int i = 0; i < HF_WIDE_AFFINES; i++)
                state->affine[i] = state->affine[i] * state->affine_multiplier + state->affine_increment;
        }
        for (int turn = 0; turn < HF_WIDE_DOUBLE_TURNS; turn++) {
            for (int i = 0; i < HF_WIDE_DOUBLES; i++)
                hf_wide_double_turn(&state->low[i], &state->high[i], state->double_multiplier);
        }
        up++;
        down--;
        HF_OPAQUE(down);
    }
    state->flaw |= (up ^ steps) | down;
}

static uint64_t limit_loop(uint64_t rounds)
{
    return hf_wide_limit_body(rounds);
}

extern const struct hf_kernel hf_reference_wide_multiply;
const struct hf_kernel hf_reference_wide_multiply = {
    .name = "wide-multiply",
    .isa = "reference",
    .width_bits = 64,
    .load_class = HF_LOAD_MULTIPLY,
    .state_bytes = sizeof(struct hf_wide_state),
    .live_state = HF_LIVE_GENERAL | HF_LIVE_MEMORY,
    .live_bits = 64 * HF_WIDE_WORDS,
    .burst_steps = 100,
    .operations_per_step = HF_WIDE_MULTIPLIES,
    .limit = "multiplier issue",
    .limit_loop = limit_loop,
    .start = hf_wide_start,
    .advance = advance,
    .digest = hf_wide_digest,
    .expect = hf_wide_expect,
    .locate = hf_wide_locate,
    .plant = hf_wide_plant,
};
