/* wide-multiply in the 31 general registers of aarch64: the chains of a group stay in them. */

#include "workloads/kernels/wide_multiply.h"
#include "workloads/features.h"

HF_INLINE void powers_and_affines(struct hf_wide_state *state, uint64_t multiplier,
                                  uint64_t affine_multiplier, uint64_t affine_increment)
{
    uint64_t x[HF_WIDE_POWERS];
    uint64_t y[HF_WIDE_AFFINES];

    HF_UNROLL
    for (int i = 0; i < HF_WIDE_POWERS; i++)
        x[i] = state->power[i];
    HF_UNROLL
    for (int i = 0; i < HF_WIDE_AFFINES; i++)
        y[i] = state->affine[i];
    HF_UNROLL
    for (int turn = 0; turn < HF_WIDE_POWER_TURNS; turn++) {
        HF_UNROLL
        for (int i = 0; i < HF_WIDE_POWERS; i++) {
            x[i] = hf_wide_turn(x[i], multiplier);
            if (i % 2)
                y[i / 2] = y[i / 2] * affine_multiplier + affine_increment;
        }
    }
    HF_UNROLL
    for (int i = 0; i < HF_WIDE_POWERS; i++)
        state->power[i] = hf_wide_reduce(x[i]);
    HF_UNROLL
    for (int i = 0; i < HF_WIDE_AFFINES; i++)
        state->affine[i] = y[i];
}

HF_INLINE void doubles(struct hf_wide_state *state, uint64_t multiplier)
{
    uint64_t low[HF_WIDE_DOUBLES];
    uint64_t high[HF_WIDE_DOUBLES];

    HF_UNROLL
    for (int i = 0; i < HF_WIDE_DOUBLES; i++) {
        low[i] = state->low[i];
        high[i] = state->high[i];
    }
    HF_UNROLL
    for (int turn = 0; turn < HF_WIDE_DOUBLE_TURNS; turn++) {
        HF_UNROLL
        for (int i = 0; i < HF_WIDE_DOUBLES; i++)
            hf_wide_double_turn(&low[i], &high[i], multiplier);
    }
    HF_UNROLL
    for (int i = 0; i < HF_WIDE_DOUBLES; i++) {
        state->low[i] = low[i];
        state->high[i] = high[i];
    }
}

HF_KERNEL_CODE static void advance(void *opaque_state, uint64_t steps)
{
    struct hf_wide_state *state = opaque_state;
    uint64_t multiplier = state->power_multiplier << 3;
    uint64_t affine_multiplier = state->affine_multiplier;
    uint64_t affine_increment = state->affine_increment;
    uint64_t double_multiplier = state->double_multiplier;
    uint64_t up = 0;
    uint64_t down = steps;

    HF_OPAQUE(multiplier);
    HF_OPAQUE(affine_multiplier);
    HF_OPAQUE(affine_increment);
    HF_OPAQUE(double_multiplier);
    while (up < steps && down != 0) {
        powers_and_affines(state, multiplier, affine_multiplier, affine_increment);
        HF_REREAD_MEMORY(); /* groups take turns in the registers: nothing is spilled instead */
        doubles(state, double_multiplier);
        HF_REREAD_MEMORY();
        up++;
        down--;
        HF_OPAQUE(down);
    }
    HF_REREAD_MEMORY();
    state->flaw |= (multiplier ^ state->power_multiplier << 3) |
                   (affine_multiplier ^ state->affine_multiplier) |
                   (affine_increment ^ state->affine_increment) |
                   (double_multiplier ^ state->double_multiplier) | (up ^ steps) | down;
}

static uint64_t limit_loop(uint64_t rounds)
{
    return hf_wide_limit_body(rounds);
}

extern const struct hf_kernel hf_aarch64_wide_multiply;
const struct hf_kernel hf_aarch64_wide_multiply = {
    .name = "wide-multiply",
    .isa = "asimd",
    .needs = HF_FEATURE_ASIMD,
    .width_bits = 64,
    .load_class = HF_LOAD_MULTIPLY,
    .state_bytes = sizeof(struct hf_wide_state),
    .live_state = HF_LIVE_GENERAL | HF_LIVE_MEMORY,
    .live_bits = 64 * HF_WIDE_WORDS,
    .burst_steps = 300,
    .operations_per_step = HF_WIDE_MULTIPLIES,
    .limit = "multiplier issue",
    .limit_loop = limit_loop,
    .start = hf_wide_start,
    .advance = advance,
    .digest = hf_wide_digest,
    .expect = hf_wide_expect,
    .locate = hf_wide_locate,
    .plant = hf_wide_plant,
};
