/*
 * key-schedule, plain C: by table (cipher.c).
 *
 * Masked errors, and what catches them (see also steered.h): every word of a round key goes into the next
 * one, and the way back is unique; a wrong word of any round key is a wrong round key 10.
 * Operands: keys are of the set at each step; sparse and bounded keys stay recognisable for two or three
 * rounds of ten.
 */
#include "workloads/kernels/key_schedule.h"
#include "workloads/kernels/entries.h"

HF_INLINE uint32_t substituted(uint32_t word)
{
    return (uint32_t)hf_aes_sbox[word & 0xff] | (uint32_t)hf_aes_sbox[word >> 8 & 0xff] << 8 |
           (uint32_t)hf_aes_sbox[word >> 16 & 0xff] << 16 | (uint32_t)hf_aes_sbox[word >> 24] << 24;
}

HF_INLINE void last_round_key(uint64_t *key)
{
    static const uint32_t constant[HF_CIPHER_ROUNDS] = {0x01, 0x02, 0x04, 0x08, 0x10,
                                                        0x20, 0x40, 0x80, 0x1b, 0x36};
    uint32_t w[4] = {(uint32_t)key[0], (uint32_t)(key[0] >> 32), (uint32_t)key[1], (uint32_t)(key[1] >> 32)};

    for (int round = 0; round < HF_CIPHER_ROUNDS; round++) {
        w[0] ^= substituted(w[3] >> 8 | w[3] << 24) ^ constant[round];
        w[1] ^= w[0];
        w[2] ^= w[1];
        w[3] ^= w[2];
    }
    key[0] = (uint64_t)w[1] << 32 | w[0];
    key[1] = (uint64_t)w[3] << 32 | w[2];
}

HF_INLINE void step_of(uint64_t *words)
{
    for (int i = 0; i < HF_KEYS_MOVING; i += 2)
        last_round_key(words + i);
}

HF_KERNEL_CODE static void advance(void *opaque_state, uint64_t steps)
{
    struct hf_steered_state *state = opaque_state;
    uint64_t up = 0;
    uint64_t down = steps;

    while (up < steps && down != 0) {
        const uint64_t *steer = HF_STEERED_AT(state, HF_KEYS_MOVING, state->position);

        step_of(state->word);
        for (int i = 0; i < HF_KEYS_MOVING; i++)
            state->word[i] ^= steer[i];
        state->position++;
        up++;
        down--;
        HF_OPAQUE(down);
    }
    state->flaw |= (up ^ steps) | down;
}

static void step(const uint64_t *constants, uint64_t station, uint64_t *words)
{
    (void)constants;
    (void)station;
    step_of(words);
}

static const struct hf_steered_shape shape = {.moving = HF_KEYS_MOVING, .step = step};
HF_STEERED_DEFINE(key_schedule, shape)

const struct hf_kernel hf_reference_key_schedule = {
    .name = "key-schedule",
    .isa = "reference",
    .width_bits = 128,
    .load_class = HF_LOAD_SCALAR,
    HF_STEERED_FIELDS(key_schedule, HF_KEYS_MOVING, 0),
    .live_state = HF_LIVE_GENERAL | HF_LIVE_MEMORY,
    .burst_steps = 40,
    .operations_per_step = HF_KEYS * HF_CIPHER_ROUNDS * 4,
    .limit = "loads of the S-box",
    .advance = advance,
};
