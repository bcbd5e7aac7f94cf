/*
 * wide-multiply with mulx (BMI2): its results go to any two registers, so the chains of a group live in
 * registers while the multiplier stays in rdx. The order of the instructions is fixed here, because the rate
 * hangs on it. The power and affine chains are one group, interleaved, the double chains another: one after
 * the other within a step.
 */
#include "workloads/kernels/wide_multiply.h"
#include "workloads/features.h"

/* hf_wide_turn() in three instructions. */
#define POWER_TURN(x, multiplier_shifted)                                                                    \
    do {                                                                                                     \
        uint64_t low;                                                                                        \
        __asm__("mulx %0, %1, %0\n\tshr $3, %1\n\tadd %1, %0"                                                \
                : "+r"(x), "=&r"(low)                                                                        \
                : "d"(multiplier_shifted)                                                                    \
                : "cc");                                                                                     \
    } while (0)

#define AFFINE_TURN(y, multiplier, increment)                                                                \
    __asm__("imul %1, %0\n\tadd %2, %0" : "+r"(y) : "r"(multiplier), "m"(increment) : "cc")

/* hf_wide_double_turn() in three instructions. */
#define DOUBLE_TURN(low, high, multiplier)                                                                   \
    do {                                                                                                     \
        uint64_t carried;                                                                                    \
        __asm__("imul %3, %1\n\tmulx %0, %0, %2\n\tadd %2, %1"                                               \
                : "+&r"(low), "+&r"(high), "=&r"(carried)                                                    \
                : "d"(multiplier)                                                                            \
                : "cc");                                                                                     \
    } while (0)

_Static_assert(HF_WIDE_POWERS == 2 * HF_WIDE_AFFINES && HF_WIDE_POWER_TURNS == HF_WIDE_AFFINE_TURNS,
               "one affine turn after two power turns");

HF_INLINE void powers_and_affines(struct hf_wide_state *state, uint64_t multiplier,
                                  uint64_t affine_multiplier)
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
            POWER_TURN(x[i], multiplier);
            if (i % 2)
                AFFINE_TURN(y[i / 2], affine_multiplier, state->affine_increment);
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
            DOUBLE_TURN(low[i], high[i], multiplier);
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
    uint64_t double_multiplier = state->double_multiplier;
    uint64_t up = 0;
    uint64_t down = steps;

    HF_OPAQUE(multiplier);
    HF_OPAQUE(affine_multiplier);
    HF_OPAQUE(double_multiplier);
    while (up < steps && down != 0) {
        powers_and_affines(state, multiplier, affine_multiplier);
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
                   (double_multiplier ^ state->double_multiplier) | (up ^ steps) | down;
}

static uint64_t limit_loop(uint64_t rounds)
{
    return hf_wide_limit_body(rounds);
}

extern const struct hf_kernel hf_avx2_wide_multiply;
const struct hf_kernel hf_avx2_wide_multiply = {
    .name = "wide-multiply",
    .isa = "bmi2",
    .needs = HF_FEATURE_AVX2_FMA,
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
