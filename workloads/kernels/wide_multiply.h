/*
 * wide-multiply: what its entries share.
 *
 * One step multiplies each of HF_WIDE_POWERS chains HF_WIDE_POWER_TURNS times by a modulo 2^61 - 1
 * (64x64->128 bit products), and moves each of HF_WIDE_AFFINES chains HF_WIDE_AFFINE_TURNS times through x ->
 * m x + k modulo 2^64. All chains are independent: enough of them to hide the multiplier's latency.
 *
 * Words of a state: the power chains in [0, 2^61 - 1), the affine chains, a, m, k, the flaw word.
 */
#ifndef HOLDFAST_WORKLOADS_WIDE_MULTIPLY_H
#define HOLDFAST_WORKLOADS_WIDE_MULTIPLY_H

#include "workloads/arithmetic.h"
#include "workloads/kernels/kernel_code.h"

#define HF_WIDE_POWERS       8
#define HF_WIDE_POWER_TURNS  6
#define HF_WIDE_AFFINES      4
#define HF_WIDE_AFFINE_TURNS 6
#define HF_WIDE_MULTIPLIES   (HF_WIDE_POWERS * HF_WIDE_POWER_TURNS + HF_WIDE_AFFINES * HF_WIDE_AFFINE_TURNS)
#define HF_WIDE_WORDS        (HF_WIDE_POWERS + HF_WIDE_AFFINES + 4)

struct hf_wide_state {
    uint64_t power[HF_WIDE_POWERS];
    uint64_t affine[HF_WIDE_AFFINES];
    uint64_t power_multiplier;
    uint64_t affine_multiplier;
    uint64_t affine_increment;
    uint64_t flaw;
};

_Static_assert(sizeof(struct hf_wide_state) == 8 * HF_WIDE_WORDS && HF_WIDE_WORDS * 8 % 64 == 0,
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

HF_INLINE uint64_t hf_wide_reduce(uint64_t x)
{
    return (x & HF_PRIME_61) + (x >> 61);
}

/*
 * The same multiplications with their shifts and additions, but no chain from one to the next: what the ports
 * allow at most. Where there is one multiplier this is its rate; where there are three, the additions compete
 * for their ports.
 */
HF_INLINE uint64_t hf_wide_limit_body(uint64_t rounds)
{
    uint64_t multiplier = UINT64_C(37) << 3;
    uint64_t factor = HF_MMIX_MULTIPLIER;

    HF_OPAQUE(multiplier);
    for (uint64_t round = 0; round < rounds; round++) {
        HF_UNROLL
        for (int i = 0; i < HF_WIDE_POWERS * HF_WIDE_POWER_TURNS; i++) {
            uint64_t result;

            HF_OPAQUE(factor); /* another factor, for all the compiler knows */
            result = hf_wide_turn(factor, multiplier);
            HF_OPAQUE(result);
            if (i % (HF_WIDE_POWERS * HF_WIDE_POWER_TURNS / (HF_WIDE_AFFINES * HF_WIDE_AFFINE_TURNS)) != 0)
                continue;
            HF_OPAQUE(factor);
            result = factor * multiplier + factor;
            HF_OPAQUE(result);
        }
    }
    return rounds * HF_WIDE_MULTIPLIES;
}

#endif
