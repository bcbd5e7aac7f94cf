/* The entries of every kernel: one line for each, by the folder that holds it. */
#ifndef HOLDFAST_WORKLOADS_ENTRIES_H
#define HOLDFAST_WORKLOADS_ENTRIES_H

#include "holdfast/kernel.h"

extern const struct hf_kernel hf_reference_fma_residue_128, hf_reference_fma_residue_256,
    hf_reference_fma_residue_512;
extern const struct hf_kernel hf_avx2_fma_residue_128, hf_avx2_fma_residue_256, hf_avx512_fma_residue_512;
extern const struct hf_kernel hf_reference_wide_multiply, hf_avx2_wide_multiply;
extern const struct hf_kernel hf_reference_branch;
extern const struct hf_kernel hf_reference_pulse_256, hf_reference_pulse_512;
extern const struct hf_kernel hf_avx2_pulse_256, hf_avx512_pulse_512;
extern const struct hf_kernel hf_reference_chase_l1, hf_reference_chase_l2, hf_reference_chase_l3,
    hf_reference_chase_memory;
extern const struct hf_kernel hf_reference_gather_256_l1, hf_reference_gather_256_l2,
    hf_reference_gather_256_l3, hf_reference_gather_256_memory;
extern const struct hf_kernel hf_reference_gather_512_l1, hf_reference_gather_512_l2,
    hf_reference_gather_512_l3, hf_reference_gather_512_memory;
extern const struct hf_kernel hf_avx2_gather_256_l1, hf_avx2_gather_256_l2, hf_avx2_gather_256_l3,
    hf_avx2_gather_256_memory;
extern const struct hf_kernel hf_avx512_gather_512_l1, hf_avx512_gather_512_l2, hf_avx512_gather_512_l3,
    hf_avx512_gather_512_memory;
extern const struct hf_kernel hf_reference_copy_256_l1, hf_reference_copy_256_l2, hf_reference_copy_256_l3,
    hf_reference_copy_256_memory;
extern const struct hf_kernel hf_reference_copy_512_l1, hf_reference_copy_512_l2, hf_reference_copy_512_l3,
    hf_reference_copy_512_memory;
extern const struct hf_kernel hf_avx2_copy_256_l1, hf_avx2_copy_256_l2, hf_avx2_copy_256_l3,
    hf_avx2_copy_256_memory;
extern const struct hf_kernel hf_avx512_copy_512_l1, hf_avx512_copy_512_l2, hf_avx512_copy_512_l3,
    hf_avx512_copy_512_memory;
extern const struct hf_kernel hf_reference_handoff_group, hf_reference_handoff_across;
extern const struct hf_kernel hf_reference_vector_integer_128, hf_reference_vector_integer_256,
    hf_reference_vector_integer_512;
extern const struct hf_kernel hf_crypto_vector_integer_128, hf_avx2_vector_integer_128,
    hf_avx2_vector_integer_256;
extern const struct hf_kernel hf_avx512_vector_integer_128, hf_avx512_vector_integer_256,
    hf_avx512_vector_integer_512;
extern const struct hf_kernel hf_aarch64_fma_residue_128, hf_aarch64_wide_multiply;
extern const struct hf_kernel hf_aarch64_vector_integer_128;
extern const struct hf_kernel hf_reference_cipher_128, hf_reference_cipher_256, hf_reference_cipher_512;
extern const struct hf_kernel hf_crypto_cipher_128, hf_avx2_cipher_256, hf_avx512_cipher_512;
extern const struct hf_kernel hf_aarch64_cipher_128, hf_aarch64_hash_128, hf_aarch64_crc,
    hf_aarch64_carryless_128, hf_aarch64_fma_single_128;
extern const struct hf_kernel hf_reference_hash_64, hf_reference_hash_128, hf_avx2_hash_64,
    hf_crypto_hash_128;

extern const struct hf_kernel hf_reference_fma_single_128, hf_reference_fma_single_256,
    hf_reference_fma_single_512;
extern const struct hf_kernel hf_avx2_fma_single_128, hf_avx2_fma_single_256, hf_avx512_fma_single_512;
extern const struct hf_kernel hf_reference_crc, hf_crypto_crc;
extern const struct hf_kernel hf_reference_carryless_128, hf_reference_carryless_256,
    hf_reference_carryless_512;
extern const struct hf_kernel hf_crypto_carryless_128, hf_avx2_carryless_256, hf_avx512_carryless_512;
extern const struct hf_kernel hf_reference_packed_256, hf_reference_packed_512;
extern const struct hf_kernel hf_avx2_packed_256, hf_avx512_packed_256, hf_avx512_packed_512,
    hf_avx512_packed_vnni_512;
extern const struct hf_kernel hf_reference_key_schedule, hf_crypto_key_schedule;
extern const struct hf_kernel hf_reference_divide, hf_avx2_divide;
extern const struct hf_kernel hf_matrix_256_reference, hf_matrix_512_reference,
    hf_matrix_single_256_reference, hf_matrix_single_512_reference, hf_matrix_byte_512_reference;
extern const struct hf_kernel hf_avx2_matrix_256, hf_avx512_matrix_512, hf_avx2_matrix_single_256,
    hf_avx512_matrix_single_512, hf_avx512_matrix_byte_512;

#endif
