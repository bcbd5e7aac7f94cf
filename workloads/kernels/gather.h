/*
 * gather: what its entries share. Vectors of indices walk around the arena with one odd stride; the word at
 * an index encodes it, so what was gathered is compared with what must be there as soon as it arrives.
 *
 * The four vectors of a step are a quarter of the arena apart: the indices of a lane are i, i + N/4, i + N/2,
 * i + 3N/4 modulo N, in some order, whatever i. So the four words of a lane have a sum that follows from i
 * modulo N/4 alone, and one comparison does for all four: 2 operations for each vector instead of 5. Any one
 * wrong word moves the sum, by whatever bits, and leaves the difference in the lane's flaw for good: no
 * number of visits hides it.
 *
 * Words of a state: `lanes` counters (their low bits are the index), a flaw for each lane of a vector (bits
 * that were ever wrong there), the stride, the flaw of counts and constants.
 */
#ifndef HOLDFAST_WORKLOADS_GATHER_H
#define HOLDFAST_WORKLOADS_GATHER_H

#include "workloads/arena.h"
#include "workloads/kernels/kernel_code.h"

/* Lanes of a width: four vectors of eight, four of four. */
#define HF_GATHER_VECTORS      4
#define HF_GATHER_LANES_256    16
#define HF_GATHER_LANES_512    32
#define HF_GATHER_LANES_MAX    32
#define HF_GATHER_FLAWS_MAX    (HF_GATHER_LANES_MAX / HF_GATHER_VECTORS)
#define HF_GATHER_WORDS(lanes) ((lanes) + (lanes) / HF_GATHER_VECTORS + 2)
#define HF_GATHER_WORDS_MAX    HF_GATHER_WORDS(HF_GATHER_LANES_MAX)

/* Scatters are part of the 512-bit work only: nothing narrower has them. */
#define HF_GATHER_SCATTERS_256 0
#define HF_GATHER_SCATTERS_512 1

struct hf_gather_state {
    uint64_t stride;
    uint64_t flaw;
    uint64_t unused[6];
    uint64_t counter[HF_GATHER_LANES_MAX];
    uint64_t lane_flaw[HF_GATHER_FLAWS_MAX];
};

_Static_assert(sizeof(struct hf_gather_state) % 64 == 0, "states are laid side by side");

/* The word at an index is index x multiplier + addend, the constants of the arena; index and multiplier are
 * below 2^30, so a 32-bit multiply gives it, and its fourfold. */
#define HF_GATHER_MULTIPLIER 0
#define HF_GATHER_ADDEND     1

/* The sum of a lane's words is (index modulo N/4) x 4 multiplier + this. */
HF_INLINE uint64_t hf_gather_sum_addend(const struct hf_arena *arena)
{
    return 4 * arena->constant[HF_GATHER_ADDEND] +
           arena->constant[HF_GATHER_MULTIPLIER] * (6 * ((arena->mask + 1) / 4));
}

void hf_gather_start(struct hf_gather_state *state, int level, enum hf_operands operands, uint64_t seed,
                     int lanes);
uint64_t hf_gather_digest(const struct hf_gather_state *state, int lanes);
uint64_t hf_gather_expect(int level, enum hf_operands operands, uint64_t seed, uint64_t steps, int lanes);
void hf_gather_locate(const struct hf_gather_state *state, int level, enum hf_operands operands,
                      uint64_t seed, uint64_t steps, int lanes, struct hf_lane_report *ret_report);
void hf_gather_plant(struct hf_gather_state *state, uint64_t bit, int lanes);

#endif
