/*
 * hash at 128 bit: the SHA-256 instructions. The rounds of HF_HASH_STREAMS streams are interleaved, so that
 * each waits for its own latency only.
 *
 * The instructions want the hash words as a b c d and e f g h, the lowest first; the state holds f e b a and
 * h g d c (hash.h). An instruction makes four rounds of one half.
 */
#include <arm_neon.h>

#include "workloads/features.h"
#include "workloads/kernels/entries.h"
#include "workloads/kernels/hash.h"

#define STREAMS HF_HASH_STREAMS

#define EACH_STREAM(statement)                                                                               \
    HF_UNROLL                                                                                                \
    for (int s = 0; s < STREAMS; s++)                                                                        \
    statement

struct stream {
    uint32x4_t abcd, efgh;
};

HF_INLINE uint32x4_t load(const uint64_t *words)
{
    return vreinterpretq_u32_u64(vld1q_u64(words));
}

HF_INLINE struct stream stream_load(const uint64_t *words)
{
    uint32x4_t efab = vrev64q_u32(load(words));
    uint32x4_t ghcd = vrev64q_u32(load(words + 2));

    return (struct stream){vcombine_u32(vget_high_u32(efab), vget_high_u32(ghcd)),
                           vcombine_u32(vget_low_u32(efab), vget_low_u32(ghcd))};
}

HF_INLINE void stream_store(uint64_t *words, struct stream x)
{
    uint32x4_t efab = vcombine_u32(vget_low_u32(x.efgh), vget_low_u32(x.abcd));
    uint32x4_t ghcd = vcombine_u32(vget_high_u32(x.efgh), vget_high_u32(x.abcd));

    vst1q_u64(words, vreinterpretq_u64_u32(vrev64q_u32(efab)));
    vst1q_u64(words + 2, vreinterpretq_u64_u32(vrev64q_u32(ghcd)));
}

/* Four rounds; the vector of the message that they have used becomes the one of sixteen rounds later. */
HF_INLINE void four_rounds(struct stream *x, uint32x4_t m[4], int q, const uint64_t *k)
{
    uint32x4_t sum = vaddq_u32(m[q % 4], load(k + 2 * q));
    uint32x4_t abcd = x->abcd;

    x->abcd = vsha256hq_u32(abcd, x->efgh, sum);
    x->efgh = vsha256h2q_u32(x->efgh, abcd, sum);
    if (q < 12)
        m[q % 4] = vsha256su1q_u32(vsha256su0q_u32(m[q % 4], m[(q + 1) % 4]), m[(q + 2) % 4], m[(q + 3) % 4]);
}

HF_INLINE void compress(struct stream x[STREAMS], const uint64_t *constants, uint64_t position)
{
    const uint64_t *k = (const void *)hf_sha256_k;
    struct stream begin[STREAMS];
    uint32x4_t m[STREAMS][4];

    EACH_STREAM({
        begin[s] = x[s];
        HF_UNROLL
        for (int q = 0; q < 4; q++)
            m[s][q] = load(HF_HASH_BLOCK_AT(constants, position, (uint64_t)s) + 2 * q);
    })
    HF_UNROLL
    for (int q = 0; q < 16; q++)
        EACH_STREAM(four_rounds(&x[s], m[s], q, k));
    EACH_STREAM({
        x[s].abcd = vaddq_u32(x[s].abcd, begin[s].abcd);
        x[s].efgh = vaddq_u32(x[s].efgh, begin[s].efgh);
    })
}

HF_KERNEL_CODE static void advance(void *opaque_state, uint64_t steps)
{
    struct hf_steered_state *state = opaque_state;
    const uint64_t *constants = &state->word[HF_HASH_MOVING * (HF_STEERED_STATIONS + 1)];
    struct stream x[STREAMS];
    uint64_t position = state->position;
    uint64_t up = 0;
    uint64_t down = steps;

    HF_OPAQUE(position);
    EACH_STREAM(x[s] = stream_load(&state->word[4 * s]));
    while (up < steps && down != 0) {
        const uint64_t *steer = HF_STEERED_AT(state, HF_HASH_MOVING, position);

        compress(x, constants, position);
        EACH_STREAM({
            struct stream with = stream_load(&steer[4 * s]);

            x[s].abcd = veorq_u32(x[s].abcd, with.abcd);
            x[s].efgh = veorq_u32(x[s].efgh, with.efgh);
        })
        position++;
        up++;
        down--;
        HF_OPAQUE(down);
    }
    EACH_STREAM(stream_store(&state->word[4 * s], x[s]));
    HF_REREAD_MEMORY();
    state->flaw |= (up ^ steps) | down | ((state->position + steps) ^ position);
    state->position = position;
}

/* Independent rounds and schedule instructions, each as often as the other but for a quarter, as in a block.
 */
#define LIMIT_CHAINS 4

static uint64_t limit_loop(uint64_t rounds)
{
    uint32x4_t x[LIMIT_CHAINS], y[LIMIT_CHAINS];
    uint32x4_t other = load((const void *)hf_sha256_k);

    HF_UNROLL
    for (int i = 0; i < LIMIT_CHAINS; i++)
        x[i] = y[i] = vaddq_u32(other, vdupq_n_u32((uint32_t)i));
    for (uint64_t round = 0; round < rounds; round++) {
        HF_UNROLL
        for (int turn = 0; turn < 4; turn++) {
            HF_UNROLL
            for (int i = 0; i < LIMIT_CHAINS; i++) {
                __asm__ volatile("" : "+w"(other));
                x[i] = vsha256hq_u32(x[i], other, other);
                x[i] = vsha256h2q_u32(x[i], other, other);
                if (turn < 3)
                    y[i] = vsha256su1q_u32(vsha256su0q_u32(y[i], other), other, other);
            }
        }
    }
    HF_UNROLL
    for (int i = 0; i < LIMIT_CHAINS; i++) {
        __asm__ volatile("" : "+w"(x[i]));
        __asm__ volatile("" : "+w"(y[i]));
    }
    return rounds * (4 * 2 + 3 * 2) * LIMIT_CHAINS;
}

const struct hf_kernel hf_aarch64_hash_128 = {
    .name = "hash",
    .isa = "sha2",
    .needs = HF_FEATURE_ASIMD | HF_FEATURE_ARM_SHA2,
    .width_bits = 128,
    .load_class = HF_LOAD_CRYPTO,
    HF_STEERED_FIELDS(hash, HF_HASH_MOVING, HF_HASH_CONSTANTS),
    .live_state = HF_LIVE_VECTOR | HF_LIVE_MEMORY,
    .burst_steps = 240,
    .operations_per_step = STREAMS * (16 * 2 + 12 * 2),
    .bytes_per_step = STREAMS * HF_HASH_BLOCK * 8,
    .limit = "issue of SHA-256 rounds and schedule",
    .limit_loop = limit_loop,
    .advance = advance,
};
