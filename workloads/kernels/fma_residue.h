/*
 * fma-residue: x -> c x mod p in double precision, p below 2^50, on many lanes at once. See fma_words.h.
 *
 * Below, for kernels whose blocks are all plain (pulse): states without modes and folds, p = 2^50 - 27. Their
 * words: `lanes` residues in [0, p), the multiplier in [0, p), the flaw word (0 when all is well).
 */
#ifndef HOLDFAST_WORKLOADS_FMA_RESIDUE_H
#define HOLDFAST_WORKLOADS_FMA_RESIDUE_H

#include "workloads/arithmetic.h"
#include "workloads/kernels/fma_words.h"

/* Lanes of a width: a property of (name, width), so that every entry of it gives the same digests. Ten
 * vectors are what the 16 registers of AVX2 hold beside the constants; AVX-512 has 32 registers. */
#define HF_FMA_LANES_128 20
#define HF_FMA_LANES_256 40
#define HF_FMA_LANES_512 128
#define HF_FMA_LANES_MAX 128
#define HF_FMA_WORDS_MAX (HF_FMA_LANES_MAX + 2)

#define HF_FMA_STATE_BYTES(lanes) (64 + (((size_t)(lanes)*8 + 63) & ~(size_t)63))

/* Multiply and multiply-add instructions, and floating-point operations, of one modular multiplication. */
#define HF_FMA_OPERATIONS 4
#define HF_FMA_FLOPS      9

extern const struct hf_residue_shape hf_fma_residue_shape_128, hf_fma_residue_shape_256,
    hf_fma_residue_shape_512;

uint64_t hf_fma_residue_expect_128(enum hf_operands operands, uint64_t seed, uint64_t steps);
uint64_t hf_fma_residue_expect_256(enum hf_operands operands, uint64_t seed, uint64_t steps);
uint64_t hf_fma_residue_expect_512(enum hf_operands operands, uint64_t seed, uint64_t steps);

/* --- plain only --- */

/* Starting residues and the multiplier; all in [1, p). ret_words has room for lanes + 2. */
void hf_fma_start_words(enum hf_operands operands, uint64_t seed, int lanes, uint64_t *ret_words);

/* The closed form: x c^steps mod p. */
uint64_t hf_fma_expect(enum hf_operands operands, uint64_t seed, uint64_t steps, int lanes);
void hf_fma_expect_words(enum hf_operands operands, uint64_t seed, uint64_t steps, int lanes,
                         uint64_t *ret_words);

/* --- states of the vector entries: lanes are doubles in the balanced range, |x| <= 0.625 p --- */
struct hf_fma_state {
    double multiplier;
    uint64_t flaw;    /* what the check of constants and counts at the end of each burst found */
    double unused[6]; /* the lanes begin on a cache line */
    double lane[];
};

void hf_fma_vector_start(struct hf_fma_state *state, enum hf_operands operands, uint64_t seed, int lanes);
uint64_t hf_fma_vector_digest(const struct hf_fma_state *state, int lanes);
void hf_fma_vector_locate(const struct hf_fma_state *state, enum hf_operands operands, uint64_t seed,
                          uint64_t steps, int lanes, struct hf_lane_report *ret_report);
void hf_fma_vector_plant(struct hf_fma_state *state, uint64_t bit, int lanes);

#endif
