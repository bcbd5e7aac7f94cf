/*
 * hash at 128 bit: the SHA instructions. The rounds of HF_HASH_STREAMS streams are interleaved, so that each
 * waits for its own latency only; their hash words are in registers, their message words partly in memory.
 *
 * A round instruction makes two rounds; it takes the message words with their round constants from register
 * 0.
 */
#include "workloads/kernels/hash.h"
#include "workloads/features.h"
#include "workloads/kernels/entries.h"
#include "workloads/kernels/intrinsics.h"

#define STREAMS HF_HASH_STREAMS

#define EACH_STREAM(statement)                                                                               \
    HF_UNROLL                                                                                                \
    for (int s = 0; s < STREAMS; s++)                                                                        \
    statement

HF_INLINE __m128i load(const uint64_t *words)
{
    return _mm_load_si128((const __m128i *)(const void *)words);
}

HF_INLINE void store(uint64_t *words, __m128i vector)
{
    _mm_store_si128((__m128i *)(void *)words, vector);
}

/* The vectors of the message at quarter q of the rounds: the next one is made, the one before prepared. */
HF_INLINE void schedule(__m128i m[4], int q)
{
    __m128i *now = &m[q % 4];
    __m128i *before = &m[(q + 3) % 4];
    __m128i *next = &m[(q + 1) % 4];

    if (q >= 3 && q <= 14)
        *next = _mm_sha256msg2_epu32(_mm_add_epi32(*next, _mm_alignr_epi8(*now, *before, 4)), *now);
    if (q >= 1 && q <= 12)
        *before = _mm_sha256msg1_epu32(*before, *now);
}

/* Vectors are named after the words in them, the lowest first. */
HF_INLINE void compress(__m128i feba[STREAMS], __m128i hgdc[STREAMS], const uint64_t *constants,
                        uint64_t position)
{
    const uint64_t *k = (const void *)hf_sha256_k;
    __m128i begin_feba[STREAMS], begin_hgdc[STREAMS];
    __m128i m[STREAMS][4];

    EACH_STREAM({
        begin_feba[s] = feba[s];
        begin_hgdc[s] = hgdc[s];
    })
    HF_UNROLL
    for (int q = 0; q < 16; q++) {
        EACH_STREAM({
            __m128i sum;

            if (q < 4)
                m[s][q] = load(HF_HASH_BLOCK_AT(constants, position, (uint64_t)s) + 2 * q);
            sum = _mm_add_epi32(m[s][q % 4], load(k + 2 * q));
            hgdc[s] = _mm_sha256rnds2_epu32(hgdc[s], feba[s], sum);
            feba[s] = _mm_sha256rnds2_epu32(feba[s], hgdc[s], _mm_shuffle_epi32(sum, 0x0e));
        })
        EACH_STREAM(schedule(m[s], q));
    }
    EACH_STREAM({
        feba[s] = _mm_add_epi32(feba[s], begin_feba[s]);
        hgdc[s] = _mm_add_epi32(hgdc[s], begin_hgdc[s]);
    })
}

HF_KERNEL_CODE static void advance(void *opaque_state, uint64_t steps)
{
    struct hf_steered_state *state = opaque_state;
    const uint64_t *constants = &state->word[HF_HASH_MOVING * (HF_STEERED_STATIONS + 1)];
    __m128i feba[STREAMS], hgdc[STREAMS];
    uint64_t position = state->position;
    uint64_t up = 0;
    uint64_t down = steps;

    HF_OPAQUE(position);
    EACH_STREAM({
        feba[s] = load(&state->word[4 * s]);
        hgdc[s] = load(&state->word[4 * s + 2]);
    })
    while (up < steps && down != 0) {
        const uint64_t *steer = HF_STEERED_AT(state, HF_HASH_MOVING, position);

        compress(feba, hgdc, constants, position);
        EACH_STREAM({
            feba[s] = _mm_xor_si128(feba[s], load(&steer[4 * s]));
            hgdc[s] = _mm_xor_si128(hgdc[s], load(&steer[4 * s + 2]));
        })
        position++;
        up++;
        down--;
        HF_OPAQUE(down);
    }
    EACH_STREAM({
        store(&state->word[4 * s], feba[s]);
        store(&state->word[4 * s + 2], hgdc[s]);
    })
    HF_REREAD_MEMORY();
    state->flaw |= (up ^ steps) | down | ((state->position + steps) ^ position);
    state->position = position;
}

/* Independent rounds and schedule instructions in the proportions of a block, and nothing else. */
#define LIMIT_CHAINS 4

static uint64_t limit_loop(uint64_t rounds)
{
    __m128i x[LIMIT_CHAINS], y[LIMIT_CHAINS], z[LIMIT_CHAINS];
    __m128i other = load((const void *)hf_sha256_k);
    __m128i message = other;

    __asm__ volatile("" : "+x"(message));
    for (int i = 0; i < LIMIT_CHAINS; i++)
        x[i] = y[i] = z[i] = _mm_add_epi32(other, _mm_set1_epi32(i));
    for (uint64_t round = 0; round < rounds; round++) {
        HF_UNROLL
        for (int turn = 0; turn < 8; turn++) {
            HF_UNROLL
            for (int i = 0; i < LIMIT_CHAINS; i++)
                x[i] = _mm_sha256rnds2_epu32(x[i], other, message);
            if (turn % 8 < 3) {
                HF_UNROLL
                for (int i = 0; i < LIMIT_CHAINS; i++) {
                    y[i] = _mm_sha256msg1_epu32(y[i], other);
                    z[i] = _mm_sha256msg2_epu32(z[i], other);
                }
            }
        }
    }
    for (int i = 0; i < LIMIT_CHAINS; i++) {
        __asm__ volatile("" : "+x"(x[i]));
        __asm__ volatile("" : "+x"(y[i]));
        __asm__ volatile("" : "+x"(z[i]));
    }
    return rounds * (8 + 3 * 2) * LIMIT_CHAINS;
}

const struct hf_kernel hf_crypto_hash_128 = {
    .name = "hash",
    .isa = "sha",
    .needs = HF_FEATURE_SHA,
    .width_bits = 128,
    .load_class = HF_LOAD_CRYPTO,
    HF_STEERED_FIELDS(hash, HF_HASH_MOVING, HF_HASH_CONSTANTS),
    .live_state = HF_LIVE_VECTOR | HF_LIVE_MEMORY,
    .burst_steps = 240,
    .operations_per_step = STREAMS * (32 + 12 + 12),
    .bytes_per_step = STREAMS * HF_HASH_BLOCK * 8,
    .limit = "issue of SHA-256 rounds and schedule",
    .limit_loop = limit_loop,
    .advance = advance,
};
