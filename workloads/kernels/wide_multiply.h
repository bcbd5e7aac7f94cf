/*
 * wide-multiply: what its entries share.
 *
 * One step takes
 *   - each of HF_WIDE_POWERS chains HF_WIDE_POWER_TURNS times through x -> a x modulo 2^61 - 1 (64x64->128
 * bit products),
 *   - each of HF_WIDE_AFFINES chains HF_WIDE_AFFINE_TURNS times through y -> m y + k modulo 2^64,
 *   - each of HF_WIDE_DOUBLES chains HF_WIDE_DOUBLE_TURNS times through z -> d z modulo 2^128, two words a
 * number: one 64x64->128 bit product, one 64 bit product, one addition. All chains are independent. Most of
 * the work is in the last ones: they need one addition for three uses of the multiplier, so that the
 * multiplier is what bounds them; the reduction modulo 2^61 - 1 and the increments take as many additions and
 * shifts as multiplications, and on cores with three multipliers among six units they compete for the same
 * ports.
 *
 * Words of a state: the power chains in [0, 2^61 - 1), the affine chains, the double chains' lower and upper
 * words, a, m, k, d, the flaw word. a, m and d are invertible (m and d odd): each turn is a bijection.
 */
#ifndef HOLDFAST_WORKLOADS_WIDE_MULTIPLY_H
#define HOLDFAST_WORKLOADS_WIDE_MULTIPLY_H

#include "workloads/arithmetic.h"
#include "workloads/kernels/kernel_code.h"

#define HF_WIDE_POWERS       8
#define HF_WIDE_POWER_TURNS  2
#define HF_WIDE_AFFINES      4
#define HF_WIDE_AFFINE_TURNS 2
#define HF_WIDE_DOUBLES      6
#define HF_WIDE_DOUBLE_TURNS 32
#define HF_WIDE_MULTIPLIES                                                                                   \
    (HF_WIDE_POWERS * HF_WIDE_POWER_TURNS + HF_WIDE_AFFINES * HF_WIDE_AFFINE_TURNS +                         \
     2 * HF_WIDE_DOUBLES * HF_WIDE_DOUBLE_TURNS)
#define HF_WIDE_WORDS (HF_WIDE_POWERS + HF_WIDE_AFFINES + 2 * HF_WIDE_DOUBLES + 5)

struct hf_wide_state {
    uint64_t power[HF_WIDE_POWERS];
    uint64_t affine[HF_WIDE_AFFINES];
    uint64_t low[HF_WIDE_DOUBLES];
    uint64_t high[HF_WIDE_DOUBLES];
    uint64_t power_multiplier;
    uint64_t affine_multiplier;
    uint64_t affine_increment;
    uint64_t double_multiplier;
    uint64_t flaw;
    uint64_t unused[3];
};

_Static_assert(sizeof(struct hf_wide_state) == 8 * (HF_WIDE_WORDS + 3) &&
                   sizeof(struct hf_wide_state) % 64 == 0,
               "words only");

void hf_wide_start(void *state, enum hf_operands operands, uint64_t seed);
uint64_t hf_wide_digest(const void *state);
uint64_t hf_wide_expect(enum hf_operands operands, uint64_t seed, uint64_t steps);
void hf_wide_locate(const void *state, enum hf_operands operands, uint64_t seed, uint64_t steps,
                    struct hf_lane_report *ret_report);
void hf_wide_plant(void *state, uint64_t bit);

/*
 * One multiplication modulo 2^61 - 1 without the last reduction: with the multiplier shifted left by three,
 * the product's upper word is the quotient by 2^61 and its lower word, shifted back, the remainder; 2^61 = 1.
 * For a < 2^61 the result is below x + 2^61, so from x < 2^61 + 8 six turns fit 64 bits.
 */
HF_INLINE uint64_t hf_wide_turn(uint64_t x, uint64_t multiplier_shifted)
{
    hf_u128 product = (hf_u128)x * multiplier_shifted;

    return (uint64_t)(product >> 64) + ((uint64_t)product >> 3);
}

/* One multiplication modulo 2^128. */
HF_INLINE void hf_wide_double_turn(uint64_t *low, uint64_t *high, uint64_t multiplier)
{
    hf_u128 product = (hf_u128)*low * multiplier;

    *high = *high * multiplier + (uint64_t)(product >> 64);
    *low = (uint64_t)product;
}

HF_INLINE uint64_t hf_wide_reduce(uint64_t x)
{
    return (x & HF_PRIME_61) + (x >> 61);
}

/*
 * The same multiplications with their shifts and additions, but no chain from one to the next: what the ports
 * allow at most.
 */
HF_INLINE uint64_t hf_wide_limit_body(uint64_t rounds)
{
    uint64_t multiplier = UINT64_C(37) << 3;
    uint64_t factor = HF_MMIX_MULTIPLIER;

    HF_OPAQUE(multiplier);
    for (uint64_t round = 0; round < rounds; round++) {
        uint64_t result, upper;

        HF_UNROLL
        for (int i = 0; i < HF_WIDE_POWERS * HF_WIDE_POWER_TURNS; i++) {
            HF_OPAQUE(factor); /* another factor, for all the compiler knows */
            result = hf_wide_turn(factor, multiplier);
            HF_OPAQUE(result);
        }
        HF_UNROLL
        for (int i = 0; i < HF_WIDE_AFFINES * HF_WIDE_AFFINE_TURNS; i++) {
            HF_OPAQUE(factor);
            result = factor * multiplier + factor;
            HF_OPAQUE(result);
        }
        for (int turn = 0; turn < HF_WIDE_DOUBLE_TURNS / 8; turn++) {
            HF_UNROLL
            for (int i = 0; i < HF_WIDE_DOUBLES * 8; i++) {
                HF_OPAQUE(factor);
                result = factor;
                upper = factor;
                hf_wide_double_turn(&result, &upper, multiplier);
                HF_OPAQUE(result);
                HF_OPAQUE(upper);
            }
        }
    }
    return rounds * HF_WIDE_MULTIPLIES;
}

#endif
