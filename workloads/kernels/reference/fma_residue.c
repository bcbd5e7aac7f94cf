/*
 * fma-residue, plain C: the same lanes in integers.
 *
 * The vector entries work in double precision: h = x c; q = round(x c / p); r = fma(-q, p, h) + fma(x, c,
 * -h), which is exact for p below 2^50 (van der Hoeven, Lecerf and Quintin 2014, section 3.3). This file does
 * the same modular multiplication with 64x64->128 bit products and folding by 2^50 = 27 mod p, and the closed
 * form of fma_words.c takes powers with 128-bit division: three routes to one residue. In folded blocks it
 * works out every quotient, too, with the roundings that IEEE 754 asks for, in 128-bit integers.
 *
 * Masked errors, and what catches them:
 *   - in the vector entries, a quotient wrong by a small whole number leaves the residue right: in plain
 * blocks only the range check of the digest sees it, and only at the last step. Every fourth block is folded,
 * and there each wrong quotient is seen (fma_words.h).
 *   - a multiplier wrong by a multiple of p cannot happen by one bit.
 *   - wrong constants (p, c, c/p, the rounding constant) that leave the residues right: compared with memory
 *     at the end of each burst; the flaw word carries the difference.
 *   - a register copy that is dead at that moment: harmless, and not an error.
 *
 * Operand sets: lanes and multiplier start as the set says (in folded blocks the lanes only: the multiplier
 * is one of 30). After about log2(p) / log2(c) steps the residues are as good as random.
 */
#include "workloads/kernels/fma_residue.h"

#define FIELD                  (&hf_residue_double_field)
#define REFERENCE_ENTRY(width) hf_reference_fma_residue_##width

/* 2^50 = 27 mod p: fold the product's upper part twice, then one subtraction. x, c < 2^51 or so. */
HF_INLINE uint64_t multiply_folded(uint64_t x, uint64_t c)
{
    const uint64_t low_bits = (UINT64_C(1) << 50) - 1;
    hf_u128 product = (hf_u128)x * c;
    uint64_t sum = ((uint64_t)product & low_bits) + 27 * (uint64_t)(product >> 50);

    sum = (sum & low_bits) + 27 * (sum >> 50);
    return sum >= HF_PRIME_50 ? sum - HF_PRIME_50 : sum;
}

#define HF_RESIDUE_MULTIPLY(x, c) multiply_folded((x), (c))
#include "workloads/kernels/fma_integer_entries.h"

extern const struct hf_kernel hf_reference_fma_residue_128, hf_reference_fma_residue_256,
    hf_reference_fma_residue_512;
HF_RESIDUE_INTEGER_ENTRY("fma-residue", hf_fma_residue, 128, HF_FMA_LANES_128, 2, 5, 300)
HF_RESIDUE_INTEGER_ENTRY("fma-residue", hf_fma_residue, 256, HF_FMA_LANES_256, 4, 5, 150)
HF_RESIDUE_INTEGER_ENTRY("fma-residue", hf_fma_residue, 512, HF_FMA_LANES_512, 8, 4, 45)
