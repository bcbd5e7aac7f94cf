/*
 * Random numbers from a seed: the same everywhere, for ever.
 *
 * Generator: xoshiro256** (Blackman and Vigna 2018), seeded through splitmix64 (Steele, Lea and Flood 2014).
 * A stream is a seed plus a label, so that adding a draw in one place never shifts the draws of another.
 * Nothing here is for secrets.
 */
#ifndef HOLDFAST_RANDOM_H
#define HOLDFAST_RANDOM_H

#include <stdint.h>

struct hf_random {
    uint64_t state[4];
};

/* A bijection of 64-bit words that scatters every bit (splitmix64's output function). */
uint64_t hf_mix64(uint64_t word);

/* Stream number `stream` of `seed`. Any two values are allowed. */
void hf_random_init(struct hf_random *random, uint64_t seed, uint64_t stream);

uint64_t hf_random_u64(struct hf_random *random);

/* Uniform in [0, bound), without bias; bound >= 1. */
uint64_t hf_random_below(struct hf_random *random, uint64_t bound);

/* Uniform in the open interval (0, 1), 53 bits. */
double hf_random_uniform(struct hf_random *random);

/* Exponential with mean 1. */
double hf_random_exponential(struct hf_random *random);

/* Normal, mean 0, standard deviation 1 (Box and Muller 1958, one value a call). */
double hf_random_normal(struct hf_random *random);

#endif
