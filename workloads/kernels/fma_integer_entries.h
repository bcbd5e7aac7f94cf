/*
 * The plain C entries of fma-residue and fma-single. The including file defines HF_RESIDUE_MULTIPLY(x, c),
 * the modular multiplication of plain blocks (x, c below its prime; a corrupted operand gives a wrong
 * residue, never an endless loop), and then one HF_RESIDUE_INTEGER_ENTRY a width.
 */
#include <string.h>

#include "workloads/kernels/fma_words.h"

HF_INLINE void integer_advance(struct hf_residue_integer_state *state, const struct hf_residue_field *field,
                               uint64_t steps, int lanes, int vector_lanes, int chain)
{
    uint64_t multiplier = state->multiplier;
    int folded = (state->mode & HF_RESIDUE_MODE_FOLDED) != 0;
    uint64_t prime = folded ? field->folded_prime : field->prime;
    struct hf_residue_ratio ratio = hf_residue_ratio(field, (int64_t)multiplier, prime);
    uint64_t magic = (uint64_t)(lanes / vector_lanes / chain) * field->magic_bits;
    uint64_t mask = field->fold_mask;
    uint64_t up = 0;
    uint64_t down = steps;

    while (up < steps && down != 0) {
        if (folded) {
            uint64_t sum[HF_RESIDUE_FOLDS_MAX], sums[HF_RESIDUE_FOLDS_MAX];

            for (int l = 0; l < vector_lanes; l++) {
                sum[l] = state->sum[l];
                sums[l] = state->sum_of_sums[l];
            }
            hf_residue_folded_step((int64_t *)state->lane, lanes, vector_lanes, chain, (int64_t)multiplier,
                                   prime, ratio, magic, sum, sums);
            for (int l = 0; l < vector_lanes; l++) { /* what is wrong above the mask stays */
                state->sum[l] = (state->sum[l] & ~mask) | (sum[l] & mask);
                state->sum_of_sums[l] = (state->sum_of_sums[l] & ~mask) | (sums[l] & mask);
            }
        } else {
            for (int i = 0; i < lanes; i++)
                state->lane[i] = HF_RESIDUE_MULTIPLY(state->lane[i], multiplier);
        }
        up++;
        down--;
        HF_OPAQUE(down);
    }
    state->flaw |= (up ^ steps) | down;
}

/* Plain C runs on scalar multipliers whatever width it stands in for. */
#define HF_RESIDUE_INTEGER_ENTRY(kernel_name, family, width, elements, elements_a_vector, chain_length,      \
                                 burst)                                                                      \
    static void start_##width(void *state, enum hf_operands operands, uint64_t seed)                         \
    {                                                                                                        \
        hf_residue_integer_start(state, &family##_shape_##width, HF_RESIDUE_BY_SEED, operands, seed);        \
    }                                                                                                        \
    HF_KERNEL_CODE static void advance_##width(void *state, uint64_t steps)                                  \
    {                                                                                                        \
        integer_advance(state, FIELD, steps, elements, elements_a_vector, chain_length);                     \
    }                                                                                                        \
    static uint64_t digest_##width(const void *state)                                                        \
    {                                                                                                        \
        return hf_residue_integer_digest(state, &family##_shape_##width);                                    \
    }                                                                                                        \
    uint64_t family##_expect_##width(enum hf_operands operands, uint64_t seed, uint64_t steps)               \
    {                                                                                                        \
        return hf_residue_expect(&family##_shape_##width, HF_RESIDUE_BY_SEED, operands, seed, steps);        \
    }                                                                                                        \
    static void locate_##width(const void *state, enum hf_operands operands, uint64_t seed, uint64_t steps,  \
                               struct hf_lane_report *ret_report)                                            \
    {                                                                                                        \
        hf_residue_integer_locate(state, &family##_shape_##width, HF_RESIDUE_BY_SEED, operands, seed, steps, \
                                  ret_report);                                                               \
    }                                                                                                        \
    static void plant_##width(void *state, uint64_t bit)                                                     \
    {                                                                                                        \
        hf_residue_integer_plant(state, &family##_shape_##width, bit);                                       \
    }                                                                                                        \
    const struct hf_kernel REFERENCE_ENTRY(width) = {                                                        \
        .name = kernel_name,                                                                                 \
        .variant = "plain",                                                                                  \
        .isa = "reference",                                                                                  \
        .width_bits = (width),                                                                               \
        .load_class = HF_LOAD_MULTIPLY,                                                                      \
        .state_bytes = HF_RESIDUE_INTEGER_STATE_BYTES(elements),                                             \
        .live_state = HF_LIVE_GENERAL | HF_LIVE_MEMORY,                                                      \
        .live_bits = 64 * (HF_RESIDUE_SINGLES + (elements) + 2 * (elements_a_vector)),                       \
        .burst_steps = (burst),                                                                              \
        .operations_per_step = (elements),                                                                   \
        .limit = "integer multiply issue",                                                                   \
        .start = start_##width,                                                                              \
        .advance = advance_##width,                                                                          \
        .digest = digest_##width,                                                                            \
        .expect = family##_expect_##width,                                                                   \
        .locate = locate_##width,                                                                            \
        .plant = plant_##width,                                                                              \
    };
