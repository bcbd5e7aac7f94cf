/*
 * divide, plain C, and the closed form. Here the remainders come from folding 2^62 = 57 and from the
 * compiler's 64-bit division: no square root, no floating point.
 *
 * Masked errors, and what catches them:
 *   - a quotient wrong by a whole number leaves the residue right. The integer dividers deliver quotient and
 *     remainder: each time q m + r is compared with the dividend. In floating point the quotient's whole part
 * has no choice, so a wrong one leaves [0, m): each new x is compared with both ends. The flaw word carries
 * what was found; it is never cleared.
 *   - a wrong square root or quotient by u is another x, and stays wrong: x -> a x + b is a bijection modulo
 * m.
 *   - wrong bits below a whole number in floating point are cut off with the quotient's fraction, or make x
 * no whole number, which the digest sees.
 *   - a constant that changes in its register: compared with memory at the end of each burst.
 * No corrupted value can make a divider trap: dividends are masked and divisors have their upper bit set
 * before use, which changes no right value; what a mask cut off goes into the flaw word.
 *
 * Operand sets: chains and constants start as the set says; the chains are as good as random after a few
 * steps, the constants and u stay as they are.
 */
#include <assert.h>
#include <string.h>

#include "workloads/kernels/divide.h"

/* --- starting values --- */

/* In [low, prime). */
static uint64_t chain_word(enum hf_operands operands, uint64_t word, uint64_t low, uint64_t prime,
                           unsigned bits)
{
    switch (operands) {
    case HF_OPERANDS_BOUNDED:
        return low + word % 251;
    case HF_OPERANDS_SPARSE:
        return UINT64_C(1) << (1 + word % (bits / 2 - 1)) | UINT64_C(1)
                                                                << (bits / 2 + (word >> 8) % (bits / 2 - 1));
    case HF_OPERANDS_CARRY:
        return (UINT64_C(1) << (bits - 1 - word % 8)) - 1;
    default:
        return low + word % (prime - low);
    }
}

static struct hf_divide_constants constants_of(enum hf_operands operands, uint64_t seed, uint64_t index,
                                               uint64_t prime, unsigned bits)
{
    return (struct hf_divide_constants){chain_word(operands, hf_seed_word(seed, index), 2, prime, bits),
                                        chain_word(operands, hf_seed_word(seed, index + 1), 1, prime, bits)};
}

void hf_divide_start(void *opaque_state, enum hf_operands operands, uint64_t seed)
{
    struct hf_divide_state *state = opaque_state;

    memset(state, 0, sizeof *state);
    for (uint64_t i = 0; i < HF_DIVIDE_LONG; i++)
        state->wide[i] = chain_word(operands, hf_seed_word(seed, i), 1, HF_DIVIDE_LONG_PRIME, 62);
    for (uint64_t i = 0; i < HF_DIVIDE_SHORT; i++)
        state->narrow[i] = chain_word(operands, hf_seed_word(seed, 16 + i), 1, HF_DIVIDE_SHORT_PRIME, 31);
    for (uint64_t i = 0; i < HF_DIVIDE_DOUBLE; i++)
        state->real[i] = chain_word(operands, hf_seed_word(seed, 32 + i), 1, HF_DIVIDE_DOUBLE_PRIME, 26);
    for (uint64_t i = 0; i < HF_DIVIDE_EXTENDED; i++)
        state->extended[i] =
            chain_word(operands, hf_seed_word(seed, 48 + i), 1, HF_DIVIDE_EXTENDED_PRIME, 32);
    state->wide_map = constants_of(operands, seed, 64, HF_DIVIDE_LONG_PRIME, 61); /* multiplier below 2^61 */
    state->wide_map.multiplier &= (UINT64_C(1) << 61) - 1;
    state->wide_map.multiplier |= 2;
    state->narrow_map = constants_of(operands, seed, 66, HF_DIVIDE_SHORT_PRIME, 31);
    if (operands == HF_OPERANDS_BOUNDED) /* "minstd" of the C++ standard: 48271 x mod 2^31 - 1 */
        state->narrow_map = (struct hf_divide_constants){48271, 0};
    state->real_map = constants_of(operands, seed, 68, HF_DIVIDE_DOUBLE_PRIME, 26);
    state->extended_map = constants_of(operands, seed, 70, HF_DIVIDE_EXTENDED_PRIME, 32);
    state->factor = chain_word(operands, hf_seed_word(seed, 72), 1, HF_DIVIDE_DOUBLE_PRIME, 26);
}

/* --- closed form --- */

static void chains_jump(uint64_t *chain, int count, struct hf_divide_constants map, uint64_t times,
                        uint64_t prime)
{
    struct hf_affine power =
        hf_affine_power_mod((struct hf_affine){map.multiplier, map.increment}, times, prime);

    for (int i = 0; i < count; i++)
        chain[i] = (uint64_t)(((hf_u128)power.multiplier * chain[i] + power.increment) % prime);
}

static void expect_words(enum hf_operands operands, uint64_t seed, uint64_t steps,
                         struct hf_divide_state *ret_state)
{
    uint64_t turns = steps * HF_DIVIDE_TURNS;

    assert(steps < UINT64_MAX / HF_DIVIDE_TURNS);
    hf_divide_start(ret_state, operands, seed);
    chains_jump(ret_state->wide, HF_DIVIDE_LONG, ret_state->wide_map, turns, HF_DIVIDE_LONG_PRIME);
    chains_jump(ret_state->narrow, HF_DIVIDE_SHORT, ret_state->narrow_map, turns, HF_DIVIDE_SHORT_PRIME);
    chains_jump(ret_state->real, HF_DIVIDE_DOUBLE, ret_state->real_map, steps, HF_DIVIDE_DOUBLE_PRIME);
    chains_jump(ret_state->extended, HF_DIVIDE_EXTENDED, ret_state->extended_map, steps,
                HF_DIVIDE_EXTENDED_PRIME);
}

uint64_t hf_divide_digest(const void *state)
{
    return hf_words_fold(state, HF_DIVIDE_WORDS);
}

uint64_t hf_divide_expect(enum hf_operands operands, uint64_t seed, uint64_t steps)
{
    struct hf_divide_state state;

    expect_words(operands, seed, steps, &state);
    return hf_words_fold((const uint64_t *)&state, HF_DIVIDE_WORDS);
}

void hf_divide_locate(const void *state, enum hf_operands operands, uint64_t seed, uint64_t steps,
                      struct hf_lane_report *ret_report)
{
    struct hf_divide_state expected;

    expect_words(operands, seed, steps, &expected);
    hf_words_compare((const uint64_t *)&expected, state, HF_DIVIDE_WORDS, ret_report);
}

void hf_divide_plant(void *state, uint64_t bit)
{
    uint64_t *words = state;

    words[bit / 64 % HF_DIVIDE_WORDS] ^= UINT64_C(1) << bit % 64;
}

/* --- the plain C entry --- */

/* 2^62 = 57: the product's upper part folded twice, then one subtraction. */
HF_INLINE uint64_t wide_turn(uint64_t x, struct hf_divide_constants map)
{
    const uint64_t low_bits = (UINT64_C(1) << 62) - 1;
    hf_u128 product = (hf_u128)x * map.multiplier + map.increment;
    hf_u128 folded = (product & low_bits) + 57 * (product >> 62);
    uint64_t sum = (uint64_t)(folded & low_bits) + 57 * (uint64_t)(folded >> 62);

    return sum >= HF_DIVIDE_LONG_PRIME ? sum - HF_DIVIDE_LONG_PRIME : sum;
}

/* The prime is hidden from the compiler, which would multiply by its inverse; its upper bit keeps it from 0.
 */
HF_INLINE uint64_t divided_turn(uint64_t x, struct hf_divide_constants map, uint64_t prime,
                                uint64_t upper_bit)
{
    return (x * map.multiplier + map.increment) % (prime | upper_bit);
}

HF_KERNEL_CODE static void advance(void *opaque_state, uint64_t steps)
{
    struct hf_divide_state *state = opaque_state;
    uint64_t narrow_prime = HF_DIVIDE_SHORT_PRIME;
    uint64_t real_prime = HF_DIVIDE_DOUBLE_PRIME;
    uint64_t extended_prime = HF_DIVIDE_EXTENDED_PRIME;
    uint64_t up = 0;
    uint64_t down = steps;

    HF_OPAQUE(narrow_prime);
    HF_OPAQUE(real_prime);
    HF_OPAQUE(extended_prime);
    state->flaw |= hf_divide_range_flaw(state);
    while (up < steps && down != 0) {
        for (int turn = 0; turn < HF_DIVIDE_TURNS; turn++) {
            for (int i = 0; i < HF_DIVIDE_LONG; i++)
                state->wide[i] = wide_turn(state->wide[i], state->wide_map);
            for (int i = 0; i < HF_DIVIDE_SHORT; i++)
                state->narrow[i] =
                    divided_turn(state->narrow[i], state->narrow_map, narrow_prime, UINT64_C(1) << 30);
        }
        for (int i = 0; i < HF_DIVIDE_DOUBLE; i++)
            state->real[i] = divided_turn(state->real[i], state->real_map, real_prime, UINT64_C(1) << 25);
        for (int i = 0; i < HF_DIVIDE_EXTENDED; i++)
            state->extended[i] =
                divided_turn(state->extended[i], state->extended_map, extended_prime, UINT64_C(1) << 31);
        up++;
        down--;
        HF_OPAQUE(down);
    }
    state->flaw |= (narrow_prime ^ HF_DIVIDE_SHORT_PRIME) | (real_prime ^ HF_DIVIDE_DOUBLE_PRIME) |
                   (extended_prime ^ HF_DIVIDE_EXTENDED_PRIME) | (up ^ steps) | down;
}

extern const struct hf_kernel hf_reference_divide;
const struct hf_kernel hf_reference_divide = {
    .name = "divide",
    .isa = "reference",
    .width_bits = 64,
    .load_class = HF_LOAD_MULTIPLY,
    .state_bytes = sizeof(struct hf_divide_state),
    .live_state = HF_LIVE_GENERAL | HF_LIVE_MEMORY,
    .live_bits = 64 * HF_DIVIDE_WORDS,
    .burst_steps = 300,
    .operations_per_step = HF_DIVIDE_OPERATIONS,
    .limit = "divider issue",
    .start = hf_divide_start,
    .advance = advance,
    .digest = hf_divide_digest,
    .expect = hf_divide_expect,
    .locate = hf_divide_locate,
    .plant = hf_divide_plant,
};
