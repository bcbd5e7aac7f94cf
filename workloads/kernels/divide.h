/*
 * divide: what its entries share. Chains x -> (a x + b) mod m, each through another divider:
 *   - HF_DIVIDE_LONG chains modulo 2^62 - 57: 128-bit dividend, 64-bit divisor,
 *   - HF_DIVIDE_SHORT chains modulo 2^31 - 1: 64-bit dividend, 32-bit divisor,
 *   - HF_DIVIDE_DOUBLE chains modulo 2^26 - 5 in double precision: x = sqrt(x x), which is exact, x = (x u) /
 * u, exact as well, then a x + b, exact below 2^53, less m times the whole part of its quotient by m,
 *   - HF_DIVIDE_EXTENDED chains modulo 2^32 - 5 in extended precision (64 bits of mantissa): a x + b below
 * 2^64, the quotient's whole part, the difference: as above, all exact. One step is HF_DIVIDE_TURNS turns of
 * the first two and one turn of the others. The answer is the affine map's power, modulo m.
 *
 * Why the whole parts are exact: a x + b is at least 1 / m away from the next whole multiple, and the
 * quotient's rounding error is at most half of that: 2^-28 below 2^26 with 53 bits, 2^-33 below 2^32 with 64.
 *
 * Words of a state: the chains, each in [0, m); the constants; the flaw word.
 */
#ifndef HOLDFAST_WORKLOADS_DIVIDE_H
#define HOLDFAST_WORKLOADS_DIVIDE_H

#include "workloads/arithmetic.h"
#include "workloads/kernels/kernel_code.h"

#define HF_DIVIDE_LONG     2
#define HF_DIVIDE_SHORT    2
#define HF_DIVIDE_DOUBLE   8
#define HF_DIVIDE_EXTENDED 2
#define HF_DIVIDE_TURNS    4
#define HF_DIVIDE_CHAINS   (HF_DIVIDE_LONG + HF_DIVIDE_SHORT + HF_DIVIDE_DOUBLE + HF_DIVIDE_EXTENDED)
#define HF_DIVIDE_FAMILIES 4
#define HF_DIVIDE_WORDS    (HF_DIVIDE_CHAINS + 2 * HF_DIVIDE_FAMILIES + 2)

/* Divisions and square roots a step. */
#define HF_DIVIDE_OPERATIONS                                                                                 \
    (HF_DIVIDE_TURNS * (HF_DIVIDE_LONG + HF_DIVIDE_SHORT) + 3 * HF_DIVIDE_DOUBLE + HF_DIVIDE_EXTENDED)

#define HF_DIVIDE_LONG_PRIME     UINT64_C(4611686018427387847) /* 2^62 - 57 */
#define HF_DIVIDE_SHORT_PRIME    UINT64_C(2147483647)          /* 2^31 - 1 (Euler 1772) */
#define HF_DIVIDE_DOUBLE_PRIME   UINT64_C(67108859)            /* 2^26 - 5 */
#define HF_DIVIDE_EXTENDED_PRIME UINT64_C(4294967291)          /* 2^32 - 5 */

struct hf_divide_constants {
    uint64_t multiplier;
    uint64_t increment;
};

struct hf_divide_state {
    uint64_t wide[HF_DIVIDE_LONG];
    uint64_t narrow[HF_DIVIDE_SHORT];
    uint64_t real[HF_DIVIDE_DOUBLE]; /* whole numbers in the state, floating point in the registers */
    uint64_t extended[HF_DIVIDE_EXTENDED];
    struct hf_divide_constants wide_map, narrow_map, real_map, extended_map;
    uint64_t factor; /* u: from 1 to 2^26 - 6 */
    uint64_t flaw;
};

_Static_assert(sizeof(struct hf_divide_state) == 8 * HF_DIVIDE_WORDS, "words only");
_Static_assert(sizeof(struct hf_divide_state) % 64 == 0, "states are laid side by side");

void hf_divide_start(void *state, enum hf_operands operands, uint64_t seed);
uint64_t hf_divide_digest(const void *state);
uint64_t hf_divide_expect(enum hf_operands operands, uint64_t seed, uint64_t steps);
void hf_divide_locate(const void *state, enum hf_operands operands, uint64_t seed, uint64_t steps,
                      struct hf_lane_report *ret_report);
void hf_divide_plant(void *state, uint64_t bit);

/* Chains that are no residues: a division would forget by how much. All ones or 0. */
HF_INLINE uint64_t hf_divide_out_of_range(uint64_t x, uint64_t prime)
{
    return 0 - (uint64_t)(x >= prime);
}

HF_INLINE uint64_t hf_divide_range_flaw(const struct hf_divide_state *state)
{
    uint64_t flaw = 0;

    HF_UNROLL
    for (int i = 0; i < HF_DIVIDE_LONG; i++)
        flaw |= hf_divide_out_of_range(state->wide[i], HF_DIVIDE_LONG_PRIME);
    HF_UNROLL
    for (int i = 0; i < HF_DIVIDE_SHORT; i++)
        flaw |= hf_divide_out_of_range(state->narrow[i], HF_DIVIDE_SHORT_PRIME);
    HF_UNROLL
    for (int i = 0; i < HF_DIVIDE_DOUBLE; i++)
        flaw |= hf_divide_out_of_range(state->real[i], HF_DIVIDE_DOUBLE_PRIME);
    HF_UNROLL
    for (int i = 0; i < HF_DIVIDE_EXTENDED; i++)
        flaw |= hf_divide_out_of_range(state->extended[i], HF_DIVIDE_EXTENDED_PRIME);
    return flaw;
}

#endif
