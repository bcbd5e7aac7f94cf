/*
 * The integer arithmetic behind the closed forms: powers modulo the kernels' primes, and affine jump-ahead
 * modulo 2^64. None of it is used by the vector kernels: it is the other route to their answers.
 */
#ifndef HOLDFAST_WORKLOADS_ARITHMETIC_H
#define HOLDFAST_WORKLOADS_ARITHMETIC_H

#include <stdint.h>

#define HF_PRIME_21 UINT64_C(2097143)             /* 2^21 - 9, prime */
#define HF_PRIME_50 UINT64_C(1125899906842597)    /* 2^50 - 27, prime */
#define HF_PRIME_61 UINT64_C(2305843009213693951) /* 2^61 - 1, prime (Pervushin 1883) */

/* Knuth's MMIX linear congruential generator (The Art of Computer Programming, volume 2, section 3.3.4). */
#define HF_MMIX_MULTIPLIER UINT64_C(6364136223846793005)
#define HF_MMIX_INCREMENT  UINT64_C(1442695040888963407)

__extension__ typedef unsigned __int128 hf_u128;
__extension__ typedef __int128 hf_i128;

/* a b mod prime, by 128-bit division. a, b < prime. */
static inline uint64_t hf_multiply_mod(uint64_t a, uint64_t b, uint64_t prime)
{
    return (uint64_t)((hf_u128)a * b % prime);
}

/* base^exponent mod prime; base < prime. */
uint64_t hf_power_mod(uint64_t base, uint64_t exponent, uint64_t prime);

/* x -> multiplier x + increment modulo 2^64. */
struct hf_affine {
    uint64_t multiplier;
    uint64_t increment;
};

static inline uint64_t hf_affine_apply(struct hf_affine map, uint64_t x)
{
    return map.multiplier * x + map.increment;
}

/* The map that applies `first`, then `second`. */
static inline struct hf_affine hf_affine_then(struct hf_affine first, struct hf_affine second)
{
    return (struct hf_affine){second.multiplier * first.multiplier,
                              second.multiplier * first.increment + second.increment};
}

/* The map applied `times` times over (jump-ahead: Brown 1994). */
struct hf_affine hf_affine_power(struct hf_affine map, uint64_t times);

/* The same modulo a prime, which multiplier and increment are below. */
struct hf_affine hf_affine_power_mod(struct hf_affine map, uint64_t times, uint64_t prime);

#endif
