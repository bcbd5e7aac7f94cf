/*
 * vector-integer, plain C: one block after the other, word by word.
 *
 * Masked errors, and what catches them (see also steered.h):
 *   - additions, exclusive ors, rotations and shuffles are bijections of the state for given other
 *     operands: a wrong result of any of them is a wrong state. There is no quotient, flag or carry word
 *     that is thrown away.
 *   - a carry that is wrong inside an addition changes the sum's bits: the sum is the state.
 *   - shuffles move whole words: one that takes a wrong word, of this block or another, is a wrong state,
 *     for no two words of a right state are alike by more than chance.
 * Operands: each step of ten rounds begins with a station of the set: its first round works on the set
 * itself; sparse and bounded words are dense after the second.
 */
#include "workloads/kernels/vector_integer.h"

HF_INLINE uint32_t rotated(uint32_t word, int bits)
{
    return word << bits | word >> (32 - bits);
}

/* RFC 8439, section 2.1. */
HF_INLINE void quarter_round(uint32_t x[16], int a, int b, int c, int d)
{
    x[a] += x[b];
    x[d] = rotated(x[d] ^ x[a], 16);
    x[c] += x[d];
    x[b] = rotated(x[b] ^ x[c], 12);
    x[a] += x[b];
    x[d] = rotated(x[d] ^ x[a], 8);
    x[c] += x[d];
    x[b] = rotated(x[b] ^ x[c], 7);
}

void hf_chacha_quarter_round(uint32_t x[4])
{
    uint32_t block[16] = {x[0], x[1], x[2], x[3]};

    quarter_round(block, 0, 1, 2, 3);
    for (int i = 0; i < 4; i++)
        x[i] = block[i];
}

HF_INLINE void double_round(uint32_t x[16])
{
    quarter_round(x, 0, 4, 8, 12);
    quarter_round(x, 1, 5, 9, 13);
    quarter_round(x, 2, 6, 10, 14);
    quarter_round(x, 3, 7, 11, 15);
    quarter_round(x, 0, 5, 10, 15);
    quarter_round(x, 1, 6, 11, 12);
    quarter_round(x, 2, 7, 8, 13);
    quarter_round(x, 3, 4, 9, 14);
}

/* Half `column` of the words of a row: memory is seen as 64-bit words only, whatever the byte order. */
HF_INLINE uint32_t half_of(const uint64_t *words, int index)
{
    return (uint32_t)(words[index / 2] >> 32 * (index % 2));
}

/* One block of a group whose rows hold `blocks` blocks. */
HF_INLINE void block_step(uint64_t *group, int block, int blocks)
{
    uint32_t x[16];

    for (int i = 0; i < 16; i++)
        x[i] = half_of(group, (i / 4 * blocks + block) * 4 + i % 4);
    for (int i = 0; i < HF_CHACHA_DOUBLES; i++)
        double_round(x);
    for (int i = 0; i < 16; i += 2)
        group[((i / 4 * blocks + block) * 4 + i % 4) / 2] = (uint64_t)x[i + 1] << 32 | x[i];
}

HF_INLINE void rounds(uint64_t *words, int groups, int blocks)
{
    for (int group = 0; group < groups; group++) {
        for (int block = 0; block < blocks; block++)
            block_step(words + group * blocks * 8, block, blocks);
    }
}

HF_INLINE void plain_advance(struct hf_steered_state *state, uint64_t steps, int groups, int blocks)
{
    int moving = groups * blocks * 8;
    uint64_t up = 0;
    uint64_t down = steps;

    while (up < steps && down != 0) {
        const uint64_t *steer = HF_STEERED_AT(state, (uint64_t)moving, state->position);

        rounds(state->word, groups, blocks);
        for (int i = 0; i < moving; i++)
            state->word[i] ^= steer[i];
        state->position++;
        up++;
        down--;
        HF_OPAQUE(down);
    }
    state->flaw |= (up ^ steps) | down;
}

#define PLAIN_ENTRY(width, burst)                                                                            \
    static void step_##width(const uint64_t *constants, uint64_t station, uint64_t *words)                   \
    {                                                                                                        \
        (void)constants;                                                                                     \
        (void)station;                                                                                       \
        rounds(words, HF_CHACHA_GROUPS, (width) / 128);                                                      \
    }                                                                                                        \
    static const struct hf_steered_shape shape_##width = {.moving = HF_CHACHA_MOVING_##width,                \
                                                          .step = step_##width};                             \
    HF_STEERED_DEFINE(vector_integer_##width, shape_##width)                                                 \
    HF_KERNEL_CODE static void advance_##width(void *state, uint64_t steps)                                  \
    {                                                                                                        \
        plain_advance(state, steps, HF_CHACHA_GROUPS, (width) / 128);                                        \
    }                                                                                                        \
    extern const struct hf_kernel hf_reference_vector_integer_##width;                                       \
    const struct hf_kernel hf_reference_vector_integer_##width = {                                           \
        .name = "vector-integer",                                                                            \
        .isa = "reference",                                                                                  \
        .width_bits = (width),                                                                               \
        .load_class = HF_LOAD_SCALAR,                                                                        \
        HF_STEERED_FIELDS(vector_integer_##width, HF_CHACHA_MOVING_##width, 0),                              \
        .live_state = HF_LIVE_GENERAL | HF_LIVE_MEMORY,                                                      \
        .burst_steps = (burst),                                                                              \
        .operations_per_step = HF_CHACHA_GROUPS * ((width) / 128) * HF_CHACHA_DOUBLES * 96,                  \
        .limit = "integer issue",                                                                            \
        .advance = advance_##width,                                                                          \
    };

PLAIN_ENTRY(128, 60)
PLAIN_ENTRY(256, 30)
PLAIN_ENTRY(512, 8)
