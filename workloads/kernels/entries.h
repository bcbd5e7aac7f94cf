/* The entries of every kernel: one line for each, by the folder that holds it. */
#ifndef HOLDFAST_WORKLOADS_ENTRIES_H
#define HOLDFAST_WORKLOADS_ENTRIES_H

#include "holdfast/kernel.h"

extern const struct hf_kernel hf_reference_fma_residue_128, hf_reference_fma_residue_256,
    hf_reference_fma_residue_512;
extern const struct hf_kernel hf_avx2_fma_residue_128, hf_avx2_fma_residue_256, hf_avx512_fma_residue_512;
extern const struct hf_kernel hf_reference_wide_multiply, hf_avx2_wide_multiply;
extern const struct hf_kernel hf_reference_branch;

#endif
