/* wide-multiply in the 31 general registers of aarch64: all chains stay in them. */

#include "workloads/kernels/wide_multiply.h"
#include "workloads/features.h"

HF_KERNEL_CODE static void advance(void *opaque_state, uint64_t steps)
{
    struct hf_wide_state *state = opaque_state;
    uint64_t x[HF_WIDE_POWERS];
    uint64_t y[HF_WIDE_AFFINES];
    uint64_t multiplier = state->power_multiplier << 3;
    uint64_t affine_multiplier = state->affine_multiplier;
    uint64_t affine_increment = state->affine_increment;
    uint64_t up = 0;
    uint64_t down = steps;

    HF_OPAQUE(multiplier);
    HF_OPAQUE(affine_multiplier);
    HF_OPAQUE(affine_increment);
    HF_UNROLL
    for (int i = 0; i < HF_WIDE_POWERS; i++)
        x[i] = state->power[i];
    HF_UNROLL
    for (int i = 0; i < HF_WIDE_AFFINES; i++)
        y[i] = state->affine[i];
    while (up < steps && down != 0) {
        HF_UNROLL
        for (int turn = 0; turn < HF_WIDE_POWER_TURNS; turn++) {
            HF_UNROLL
            for (int i = 0; i < HF_WIDE_POWERS; i++)
                x[i] = hf_wide_turn(x[i], multiplier);
            HF_UNROLL
            for (int i = 0; i < HF_WIDE_AFFINES; i++)
                y[i] = y[i] * affine_multiplier + affine_increment;
        }
        HF_UNROLL
        for (int i = 0; i < HF_WIDE_POWERS; i++)
            x[i] = hf_wide_reduce(x[i]);
        up++;
        down--;
        HF_OPAQUE(down);
    }
    HF_UNROLL
    for (int i = 0; i < HF_WIDE_POWERS; i++)
        state->power[i] = x[i];
    HF_UNROLL
    for (int i = 0; i < HF_WIDE_AFFINES; i++)
        state->affine[i] = y[i];
    HF_REREAD_MEMORY();
    state->flaw |= (multiplier ^ state->power_multiplier << 3) |
                   (affine_multiplier ^ state->affine_multiplier) |
                   (affine_increment ^ state->affine_increment) | (up ^ steps) | down;
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
    .burst_steps = 1300,
    .operations_per_step = HF_WIDE_MULTIPLIES,
    .limit = "issue of multiply, shift and add",
    .limit_loop = limit_loop,
    .start = hf_wide_start,
    .advance = advance,
    .digest = hf_wide_digest,
    .expect = hf_wide_expect,
    .locate = hf_wide_locate,
    .plant = hf_wide_plant,
};
