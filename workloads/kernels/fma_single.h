/* fma-single: x -> c x mod p in single precision, p below 2^21, on many lanes at once. See fma_words.h. */
#ifndef HOLDFAST_WORKLOADS_FMA_SINGLE_H
#define HOLDFAST_WORKLOADS_FMA_SINGLE_H

#include "workloads/kernels/fma_words.h"

#define HF_FMA_SINGLE_LANES_128 40
#define HF_FMA_SINGLE_LANES_256 80
#define HF_FMA_SINGLE_LANES_512 256

extern const struct hf_residue_shape hf_fma_single_shape_128, hf_fma_single_shape_256,
    hf_fma_single_shape_512;

uint64_t hf_fma_single_expect_128(enum hf_operands operands, uint64_t seed, uint64_t steps);
uint64_t hf_fma_single_expect_256(enum hf_operands operands, uint64_t seed, uint64_t steps);
uint64_t hf_fma_single_expect_512(enum hf_operands operands, uint64_t seed, uint64_t steps);

#endif
