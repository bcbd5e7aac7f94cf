/*
 * fma-single, plain C: the same lanes in integers, modulo 2^21 - 9.
 *
 * The vector entries are those of fma-residue in single precision (24 bits of mantissa, so p below 2^21): see
 * fma_residue.c, whose list of masked errors holds here as well. Here the plain C takes 2^21 = 9 mod p, the
 * closed form powers with 128-bit division.
 *
 * Operand sets: as in fma-residue; the set is gone after at most 21 steps.
 */
#include "workloads/kernels/fma_single.h"

#define FIELD                  (&hf_residue_single_field)
#define REFERENCE_ENTRY(width) hf_reference_fma_single_##width

/* x, c < 2^21, so the product is below 2^42: 2^21 = 9 twice, then one subtraction. A lane that is wrong above
 * its 21 bits stays so: the product's upper half is not there to carry it on. */
HF_INLINE uint64_t multiply_folded(uint64_t x, uint64_t c)
{
    const uint64_t low_bits = (UINT64_C(1) << 21) - 1;
    uint64_t product = x * c;
    uint64_t sum = (product & low_bits) + 9 * (product >> 21);

    sum = (sum & low_bits) + 9 * (sum >> 21);
    sum = sum >= HF_PRIME_21 ? sum - HF_PRIME_21 : sum;
    return sum | (x & ~low_bits);
}

#define HF_RESIDUE_MULTIPLY(x, c) multiply_folded((x), (c))
#include "workloads/kernels/fma_integer_entries.h"

extern const struct hf_kernel hf_reference_fma_single_128, hf_reference_fma_single_256,
    hf_reference_fma_single_512;
HF_RESIDUE_INTEGER_ENTRY("fma-single", hf_fma_single, 128, HF_FMA_SINGLE_LANES_128, 4, 5, 200)
HF_RESIDUE_INTEGER_ENTRY("fma-single", hf_fma_single, 256, HF_FMA_SINGLE_LANES_256, 8, 5, 100)
HF_RESIDUE_INTEGER_ENTRY("fma-single", hf_fma_single, 512, HF_FMA_SINGLE_LANES_512, 16, 4, 32)
