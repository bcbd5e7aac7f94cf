/*
 * SHA-256 in scalar C, for the entries of hash that run on the scalar ports: plain C, and the same with the
 * rotations of BMI2, which leave their operand as it is.
 */
#ifndef HOLDFAST_WORKLOADS_HASH_SCALAR_H
#define HOLDFAST_WORKLOADS_HASH_SCALAR_H

#include "workloads/kernels/hash.h"

HF_INLINE uint32_t hf_hash_turned(uint32_t word, int bits)
{
    return word >> bits | word << (32 - bits);
}

HF_INLINE uint32_t hf_hash_half(const uint64_t *words, int index)
{
    return (uint32_t)(words[index / 2] >> 32 * (index % 2));
}

/* FIPS 180-4, 4.1.2. */
HF_INLINE uint32_t hf_hash_sigma(uint32_t x, int first, int second, int third)
{
    return hf_hash_turned(x, first) ^ hf_hash_turned(x, second) ^ hf_hash_turned(x, third);
}

HF_INLINE uint32_t hf_hash_small_sigma(uint32_t x, int first, int second, int shift)
{
    return hf_hash_turned(x, first) ^ hf_hash_turned(x, second) ^ x >> shift;
}

/* FIPS 180-4, 6.2.2: the message word of round t, of a schedule that is kept as its last sixteen words. */
HF_INLINE uint32_t hf_hash_scheduled(uint32_t w[16], int t)
{
    if (t >= 16)
        w[t % 16] += hf_hash_small_sigma(w[(t + 1) % 16], 7, 18, 3) + w[(t + 9) % 16] +
                     hf_hash_small_sigma(w[(t + 14) % 16], 17, 19, 10);
    return w[t % 16];
}

/*
 * Round t; x: a to h of round 0, which change places from round to round. Ch(e, f, g) = g ^ (e & (f ^ g));
 * Maj(a, b, c) = b ^ ((a ^ b) & (b ^ c)), and a ^ b is b ^ c of the next round.
 */
HF_INLINE void hf_hash_round(uint32_t x[8], uint32_t *b_xor_c, int t, uint32_t added)
{
    uint32_t a = x[-t & 7], b = x[(1 - t) & 7], e = x[(4 - t) & 7], f = x[(5 - t) & 7], g = x[(6 - t) & 7];
    uint32_t a_xor_b = a ^ b;
    uint32_t one = x[(7 - t) & 7] + added + (g ^ (e & (f ^ g))) + hf_hash_sigma(e, 6, 11, 25);

    x[(3 - t) & 7] += one;
    x[(7 - t) & 7] = one + (b ^ (a_xor_b & *b_xor_c)) + hf_hash_sigma(a, 2, 13, 22);
    *b_xor_c = a_xor_b;
}

/* Sixteen rounds from round 0, 16, 32 or 48 on, whose constants begin at k. */
HF_INLINE void hf_hash_sixteen(uint32_t x[8], uint32_t w[16], const uint32_t *k, int first)
{
    uint32_t b_xor_c = x[1] ^ x[2];

    HF_UNROLL
    for (int t = 0; t < 16; t++)
        hf_hash_round(x, &b_xor_c, t, k[t] + hf_hash_scheduled(w, first + t));
}

/*
 * Takes a block into a stream. The rounds that have a schedule are a loop of sixteen: all 64 in a row are too
 * many instructions for what a core keeps decoded, and a sixth slower.
 */
HF_INLINE void hf_hash_compress(const uint64_t *block, uint64_t *stream)
{
    /* where a to h stand among the halves of a stream */
    static const int half_of_name[8] = {3, 2, 7, 6, 1, 0, 5, 4};
    const uint32_t *k = hf_sha256_k;
    uint32_t x[8], w[16];

    HF_UNROLL
    for (int i = 0; i < 8; i++)
        x[i] = hf_hash_half(stream, half_of_name[i]);
    HF_UNROLL
    for (int t = 0; t < 16; t++)
        w[t] = hf_hash_half(block, t);
    hf_hash_sixteen(x, w, k, 0);
    for (int i = 1; i < 4; i++) {
        k += 16;
        HF_OPAQUE(i);
        hf_hash_sixteen(x, w, k, 16);
    }
#define HF_HASH_SUM(half, name) ((uint32_t)(hf_hash_half(stream, half) + x[name]))
    stream[0] = (uint64_t)HF_HASH_SUM(1, 4) << 32 | HF_HASH_SUM(0, 5);
    stream[1] = (uint64_t)HF_HASH_SUM(3, 0) << 32 | HF_HASH_SUM(2, 1);
    stream[2] = (uint64_t)HF_HASH_SUM(5, 6) << 32 | HF_HASH_SUM(4, 7);
    stream[3] = (uint64_t)HF_HASH_SUM(7, 2) << 32 | HF_HASH_SUM(6, 3);
#undef HF_HASH_SUM
}

HF_INLINE void hf_hash_compress_all(const uint64_t *constants, uint64_t position, uint64_t *words)
{
    for (uint64_t stream = 0; stream < HF_HASH_STREAMS; stream++)
        hf_hash_compress(HF_HASH_BLOCK_AT(constants, position, stream), words + stream * 4);
}

HF_INLINE void hf_hash_scalar_advance(struct hf_steered_state *state, uint64_t steps)
{
    uint64_t up = 0;
    uint64_t down = steps;

    while (up < steps && down != 0) {
        const uint64_t *steer = HF_STEERED_AT(state, HF_HASH_MOVING, state->position);

        hf_hash_compress_all(&state->word[HF_HASH_MOVING * (HF_STEERED_STATIONS + 1)], state->position,
                             state->word);
        for (int i = 0; i < HF_HASH_MOVING; i++)
            state->word[i] ^= steer[i];
        state->position++;
        up++;
        down--;
        HF_OPAQUE(down);
    }
    state->flaw |= (up ^ steps) | down;
}

/*
 * Rounds and schedule words, three for four rounds as in a block of 64, that do not wait for one another:
 * what the scalar ports allow. Each begins from other words, for all the compiler knows.
 */
#define HF_HASH_LIMIT_ROUNDS 8

HF_INLINE void hf_hash_limit_schedule(uint32_t x, uint32_t y, uint32_t z)
{
    uint32_t word = x + hf_hash_small_sigma(y, 7, 18, 3) + z + hf_hash_small_sigma(x, 17, 19, 10);

    HF_OPAQUE(word);
}

/* The operations of hf_hash_round(). */
HF_INLINE void hf_hash_limit_round(uint32_t x, uint32_t y, uint32_t z, uint32_t added)
{
    uint32_t x_xor_y = x ^ y;
    uint32_t one, two, three;

    HF_OPAQUE(x_xor_y);
    one = x + added + (y ^ (z & (x ^ y))) + hf_hash_sigma(z, 6, 11, 25);
    HF_OPAQUE(one);
    two = one + y;
    HF_OPAQUE(two);
    three = one + (z ^ (x_xor_y & y)) + hf_hash_sigma(x, 2, 13, 22);
    HF_OPAQUE(three);
}

HF_INLINE uint64_t hf_hash_limit_body(uint64_t rounds)
{
    const uint32_t *k = hf_sha256_k;
    uint32_t x = 0x3c6ef372, y = 0x6a09e667, z = 0xbb67ae85, w = 0xa54ff53a;

    HF_OPAQUE(k);
    for (uint64_t round = 0; round < rounds; round++) {
        HF_UNROLL
        for (int t = 0; t < HF_HASH_LIMIT_ROUNDS; t++) {
            HF_OPAQUE(x);
            HF_OPAQUE(y);
            HF_OPAQUE(z);
            HF_OPAQUE(w);
            if (t % 4 != 3)
                hf_hash_limit_schedule(x, y, z);
            hf_hash_limit_round(x, y, z, w + k[t]);
        }
    }
    return rounds * HF_HASH_LIMIT_ROUNDS;
}

/* The fields of a scalar entry, `advance` and `limit_loop` apart. */
#define HF_HASH_SCALAR_FIELDS                                                                                \
    .name = "hash", .load_class = HF_LOAD_SCALAR,                                                            \
    HF_STEERED_FIELDS(hash, HF_HASH_MOVING, HF_HASH_CONSTANTS),                                              \
    .live_state = HF_LIVE_GENERAL | HF_LIVE_MEMORY, .burst_steps = 40,                                       \
    .operations_per_step = HF_HASH_STREAMS * 64, .bytes_per_step = HF_HASH_STREAMS * HF_HASH_BLOCK * 8,      \
    .limit = "issue of rotate, add and logic"

#endif
