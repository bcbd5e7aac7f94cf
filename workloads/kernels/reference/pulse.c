/*
 * pulse, plain C: the same lanes in integers, and the closed form. See pulse.h.
 *
 * Its pulses are whole steps: plain C has no stages to let go one by one, so its shortest period is some tens
 * of nanoseconds. What was really produced is measured by the pattern.
 */
#include <string.h>

#include "workloads/kernels/entries.h"
#include "workloads/kernels/pulse.h"

#define PRIME HF_PRIME_50

struct pulse_state {
    uint64_t multiplier;
    uint64_t flaw;
    uint64_t unused[6];
    uint64_t lane[];
};

/* 2^50 = 27 mod p: folds the product's upper part twice. */
HF_INLINE uint64_t multiply_folded(uint64_t x, uint64_t c)
{
    const uint64_t low_bits = (UINT64_C(1) << 50) - 1;
    hf_u128 product = (hf_u128)x * c;
    uint64_t sum = ((uint64_t)product & low_bits) + 27 * (uint64_t)(product >> 50);

    sum = (sum & low_bits) + 27 * (sum >> 50);
    return sum >= PRIME ? sum - PRIME : sum;
}

/* Pulses of `chunk` steps, `turns` of the metronome apart; steady work is pulses without a wait. */
HF_INLINE void run(struct pulse_state *state, uint64_t steps, uint64_t chunk, uint64_t turns, int lanes)
{
    uint64_t multiplier = state->multiplier;
    uint64_t beat = 0;
    uint64_t zero = 0;
    uint64_t left = 0;
    uint64_t up = 0;
    uint64_t down = steps;

    HF_OPAQUE(beat);
    HF_OPAQUE(zero);
    while (up < steps && down != 0) {
        if (left == 0) {
            beat = hf_pulse_wait(beat, zero, turns);
            left = chunk;
        }
        for (int i = 0; i < lanes; i++)
            state->lane[i] = multiply_folded(state->lane[i], multiplier ^ beat);
        left--;
        up++;
        down--;
        HF_OPAQUE(down);
    }
    state->flaw |= (up ^ steps) | down | beat | zero;
}

static uint64_t word_of(uint64_t value)
{
    return value < PRIME ? value : value | HF_WORD_IMPOSSIBLE;
}

static void words_of(const struct pulse_state *state, int lanes, uint64_t *ret_words)
{
    for (int i = 0; i < lanes; i++)
        ret_words[i] = word_of(state->lane[i]);
    ret_words[lanes] = word_of(state->multiplier);
    ret_words[lanes + 1] = state->flaw;
}

static void start(struct pulse_state *state, enum hf_operands operands, uint64_t seed, int lanes)
{
    uint64_t words[HF_FMA_WORDS_MAX];

    hf_fma_start_words(operands, seed, lanes, words);
    memcpy(state->lane, words, (size_t)lanes * sizeof words[0]);
    state->multiplier = words[lanes];
    state->flaw = 0;
}

static uint64_t digest(const struct pulse_state *state, int lanes)
{
    uint64_t words[HF_FMA_WORDS_MAX];

    words_of(state, lanes, words);
    return hf_words_fold(words, lanes + 2);
}

static void locate(const struct pulse_state *state, enum hf_operands operands, uint64_t seed, uint64_t steps,
                   int lanes, struct hf_lane_report *ret_report)
{
    uint64_t expected[HF_FMA_WORDS_MAX];
    uint64_t got[HF_FMA_WORDS_MAX];

    hf_fma_expect_words(operands, seed, steps, lanes, expected);
    words_of(state, lanes, got);
    hf_words_compare(expected, got, lanes + 2, ret_report);
}

static void plant(struct pulse_state *state, uint64_t bit, int lanes)
{
    uint64_t index = bit / 64 % (uint64_t)(lanes + 2);
    uint64_t mask = UINT64_C(1) << bit % 64;

    if (index < (uint64_t)lanes)
        state->lane[index] ^= mask;
    else if (index == (uint64_t)lanes)
        state->multiplier ^= mask;
    else
        state->flaw ^= mask;
}

#define PLAIN_ENTRY(width, burst)                                                                            \
    static void start_##width(void *state, enum hf_operands operands, uint64_t seed)                         \
    {                                                                                                        \
        start(state, operands, seed, HF_PULSE_LANES_##width);                                                \
    }                                                                                                        \
    HF_KERNEL_CODE static void advance_##width(void *state, uint64_t steps)                                  \
    {                                                                                                        \
        run(state, steps, UINT64_MAX, 0, HF_PULSE_LANES_##width);                                            \
    }                                                                                                        \
    HF_KERNEL_CODE static void pulse_##width(void *state, uint64_t steps, uint64_t on_stages,                \
                                             uint64_t turns)                                                 \
    {                                                                                                        \
        uint64_t chunk = on_stages / HF_PULSE_STAGES;                                                        \
                                                                                                             \
        run(state, steps, chunk != 0 ? chunk : 1, turns, HF_PULSE_LANES_##width);                            \
    }                                                                                                        \
    static uint64_t digest_##width(const void *state)                                                        \
    {                                                                                                        \
        return digest(state, HF_PULSE_LANES_##width);                                                        \
    }                                                                                                        \
    static uint64_t expect_##width(enum hf_operands operands, uint64_t seed, uint64_t steps)                 \
    {                                                                                                        \
        return hf_fma_expect(operands, seed, steps, HF_PULSE_LANES_##width);                                 \
    }                                                                                                        \
    static void locate_##width(const void *state, enum hf_operands operands, uint64_t seed, uint64_t steps,  \
                               struct hf_lane_report *ret_report)                                            \
    {                                                                                                        \
        locate(state, operands, seed, steps, HF_PULSE_LANES_##width, ret_report);                            \
    }                                                                                                        \
    static void plant_##width(void *state, uint64_t bit)                                                     \
    {                                                                                                        \
        plant(state, bit, HF_PULSE_LANES_##width);                                                           \
    }                                                                                                        \
    const struct hf_kernel hf_reference_pulse_##width = {                                                    \
        .name = "pulse",                                                                                     \
        .isa = "reference",                                                                                  \
        .width_bits = (width),                                                                               \
        .load_class = HF_LOAD_MULTIPLY,                                                                      \
        .state_bytes = HF_FMA_STATE_BYTES(HF_PULSE_LANES_##width),                                           \
        .live_state = HF_LIVE_GENERAL | HF_LIVE_MEMORY,                                                      \
        .live_bits = 64 * (HF_PULSE_LANES_##width + 2),                                                      \
        .burst_steps = (burst),                                                                              \
        .operations_per_step = HF_PULSE_LANES_##width,                                                       \
        .limit = "integer multiply issue",                                                                   \
        .start = start_##width,                                                                              \
        .advance = advance_##width,                                                                          \
        .digest = digest_##width,                                                                            \
        .expect = expect_##width,                                                                            \
        .locate = locate_##width,                                                                            \
        .plant = plant_##width,                                                                              \
        .stages_per_step = HF_PULSE_STAGES,                                                                  \
        .pulse = pulse_##width,                                                                              \
    };

/* Plain C runs on scalar multipliers whatever width it stands in for. */
PLAIN_ENTRY(256, 600)
PLAIN_ENTRY(512, 150)
