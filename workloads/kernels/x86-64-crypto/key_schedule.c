/*
 * key-schedule at 128 bit: the instruction that assists the key expansion (AES-NI), and shifts that make each
 * word the sum of those below it. Twelve keys side by side hide their latency.
 */
#include "workloads/kernels/key_schedule.h"
#include "workloads/features.h"
#include "workloads/kernels/entries.h"
#include "workloads/kernels/intrinsics.h"

#define EACH_KEY(statement)                                                                                  \
    HF_UNROLL                                                                                                \
    for (int i = 0; i < HF_KEYS; i++)                                                                        \
    statement

HF_INLINE __m128i load(const uint64_t *words)
{
    return _mm_load_si128((const __m128i *)(const void *)words);
}

HF_INLINE void store(uint64_t *words, __m128i vector)
{
    _mm_store_si128((__m128i *)(void *)words, vector);
}

/* The next round key from one and what the instruction made of it. */
HF_INLINE __m128i next_key(__m128i key, __m128i assist)
{
    key = _mm_xor_si128(key, _mm_slli_si128(key, 4));
    key = _mm_xor_si128(key, _mm_slli_si128(key, 8));
    return _mm_xor_si128(key, _mm_shuffle_epi32(assist, 0xff));
}

#define ROUND(constant) EACH_KEY(key[i] = next_key(key[i], _mm_aeskeygenassist_si128(key[i], (constant))))

HF_INLINE void step_of(uint64_t *words, const uint64_t *steer)
{
    __m128i key[HF_KEYS];

    EACH_KEY(key[i] = load(&words[2 * i]));
    ROUND(0x01);
    ROUND(0x02);
    ROUND(0x04);
    ROUND(0x08);
    ROUND(0x10);
    ROUND(0x20);
    ROUND(0x40);
    ROUND(0x80);
    ROUND(0x1b);
    ROUND(0x36);
    EACH_KEY(store(&words[2 * i], _mm_xor_si128(key[i], load(&steer[2 * i]))));
}

HF_KERNEL_CODE static void advance(void *opaque_state, uint64_t steps)
{
    struct hf_steered_state *state = opaque_state;
    uint64_t position = state->position;
    uint64_t up = 0;
    uint64_t down = steps;

    HF_OPAQUE(position);
    while (up < steps && down != 0) {
        const uint64_t *steer = HF_STEERED_AT(state, HF_KEYS_MOVING, position);

        step_of(state->word, steer);
        position++;
        up++;
        down--;
        HF_OPAQUE(down);
    }
    state->flaw |= (up ^ steps) | down | ((state->position + steps) ^ position);
    state->position = position;
}

/* The instructions of a round, none waiting for another. */
static uint64_t limit_loop(uint64_t rounds)
{
    __m128i key = load((const void *)hf_aes_sbox);

    for (uint64_t round = 0; round < rounds; round++) {
        HF_UNROLL
        for (int i = 0; i < 8; i++) {
            __m128i a, b, c;

            __asm__ volatile("" : "+x"(key));
            a = _mm_aeskeygenassist_si128(key, 0x1b);
            __asm__ volatile("" : "+x"(a));
            b = _mm_slli_si128(key, 4);
            __asm__ volatile("" : "+x"(b));
            c = _mm_slli_si128(key, 8);
            __asm__ volatile("" : "+x"(c));
            b = _mm_xor_si128(b, key);
            c = _mm_xor_si128(c, key);
            a = _mm_xor_si128(_mm_shuffle_epi32(a, 0xff), key);
            __asm__ volatile("" : "+x"(a), "+x"(b), "+x"(c));
        }
    }
    return rounds * 8;
}

const struct hf_kernel hf_crypto_key_schedule = {
    .name = "key-schedule",
    .isa = "aes",
    .needs = HF_FEATURE_AES,
    .width_bits = 128,
    .load_class = HF_LOAD_CRYPTO,
    HF_STEERED_FIELDS(key_schedule, HF_KEYS_MOVING, 0),
    .live_state = HF_LIVE_VECTOR | HF_LIVE_MEMORY,
    .burst_steps = 200,
    .operations_per_step = HF_KEYS * HF_CIPHER_ROUNDS,
    .limit = "issue of key assist, shift, shuffle and exclusive or",
    .limit_loop = limit_loop,
    .advance = advance,
};
