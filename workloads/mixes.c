/*
 * The mixes that come with the program. Shares follow what is known of silent errors: vector multiply-add is
 * behind most of them, then integer multiply; but a third of the tests were at some time the only one to see
 * a fault (Hochschild et al. 2021; Dixit et al. 2022; Wang et al. 2023), so nothing is left out, and slices
 * are short.
 *
 * Periods: 0.1 to 1 us excites the first and second droop resonance, 1.5 to 100 us the third, 0.2 to 10 ms
 * the regulator and the firmware, 0.1 s and more heat and the supply. Kinds of load without a kernel yet have
 * no entry.
 */
#include <assert.h>
#include <string.h>

#include "holdfast/mix.h"

#define US 1e-6
#define MS 1e-3

#define STEADY(kernel_, width_, weight_)                                                                     \
    {                                                                                                        \
        .kernel = (kernel_), .width_bits = (width_), .pattern = HF_PATTERN_STEADY, .sync = HF_SYNC_FREE,     \
        .weight = (weight_)                                                                                  \
    }
#define SQUARE(kernel_, width_, sync_, low_, high_, duty_, weight_)                                          \
    {                                                                                                        \
        .kernel = (kernel_), .width_bits = (width_), .pattern = HF_PATTERN_SQUARE, .sync = HF_SYNC_##sync_,  \
        .period_s = (low_), .period_high_s = (high_), .duty = (duty_), .weight = (weight_)                   \
    }
#define SOLO_THEN_ALL(kernel_, width_, weight_)                                                              \
    {                                                                                                        \
        .kernel = (kernel_), .width_bits = (width_), .solo_kernel = "branch",                                \
        .pattern = HF_PATTERN_SOLO_THEN_ALL, .sync = HF_SYNC_ALL, .weight = (weight_)                        \
    }

/* 45 vector multiply-add and its transients, 20 integer, 15 branches; the memory share comes with its
 * kernels. */
static const struct hf_mix night = {
    .name = "night",
    .slice_low_s = 0.5,
    .slice_high_s = 2,
    .entry_count = 23,
    .entry =
        {
            STEADY("fma-residue", 0, 7),
            STEADY("fma-residue", 256, 3),
            STEADY("fma-residue", 128, 2),
            SOLO_THEN_ALL("fma-residue", 0, 10),
            SQUARE("fma-residue", 0, ALL, 0.1 * US, 1 * US, 0.5, 3),
            SQUARE("fma-residue", 0, DITHER, 0.1 * US, 1 * US, 0.5, 3),
            SQUARE("fma-residue", 0, ALL, 1.5 * US, 100 * US, 0.5, 3),
            SQUARE("fma-residue", 0, ALL, 1.5 * US, 100 * US, 0.1, 1.5),
            SQUARE("fma-residue", 0, ALL, 1.5 * US, 100 * US, 0.25, 1.5),
            SQUARE("fma-residue", 0, ANTIPHASE, 1.5 * US, 100 * US, 0.5, 2),
            SQUARE("fma-residue", 0, DITHER, 1.5 * US, 100 * US, 0.8, 2),
            SQUARE("fma-residue", 0, ALL, 0.2 * MS, 10 * MS, 0.5, 3),
            SQUARE("fma-residue", 0, GROUP, 0.2 * MS, 10 * MS, 0.9, 2),
            SQUARE("fma-residue", 0, ALL, 100 * MS, 500 * MS, 0.5, 2),
            STEADY("wide-multiply", 0, 9),
            SOLO_THEN_ALL("wide-multiply", 0, 4),
            SQUARE("wide-multiply", 0, ALL, 1.5 * US, 100 * US, 0.5, 3),
            SQUARE("wide-multiply", 0, FREE, 0.1 * US, 1 * US, 0.5, 2),
            SQUARE("wide-multiply", 0, ALL, 0.2 * MS, 10 * MS, 0.5, 2),
            STEADY("branch", 0, 9),
            SQUARE("branch", 0, ALL, 20 * US, 200 * US, 0.5, 2),
            SQUARE("branch", 0, DITHER, 20 * US, 200 * US, 0.5, 2),
            SQUARE("branch", 0, ALL, 0.2 * MS, 10 * MS, 0.5, 2),
        },
};

/* Variety in minutes: every kernel, every pattern, short slices. */
static const struct hf_mix screen = {
    .name = "screen",
    .slice_low_s = 0.3,
    .slice_high_s = 0.7,
    .entry_count = 10,
    .entry =
        {
            STEADY("fma-residue", 0, 2),
            STEADY("fma-residue", 256, 1),
            STEADY("fma-residue", 128, 1),
            SOLO_THEN_ALL("fma-residue", 0, 2),
            SQUARE("fma-residue", 0, DITHER, 0.1 * US, 1 * US, 0.5, 1),
            SQUARE("fma-residue", 0, ALL, 1.5 * US, 100 * US, 0.5, 2),
            SQUARE("fma-residue", 0, ALL, 0.2 * MS, 10 * MS, 0.5, 1),
            STEADY("wide-multiply", 0, 2),
            SQUARE("wide-multiply", 0, ALL, 1.5 * US, 100 * US, 0.5, 1),
            STEADY("branch", 0, 2),
        },
};

/* For demonstrations and first tries: a slice of each kind within seconds. */
static const struct hf_mix quick = {
    .name = "quick",
    .slice_low_s = 0.2,
    .slice_high_s = 0.4,
    .entry_count = 5,
    .entry =
        {
            STEADY("fma-residue", 0, 2),
            SOLO_THEN_ALL("fma-residue", 0, 2),
            SQUARE("fma-residue", 0, ALL, 5 * US, 5 * MS, 0.5, 2),
            STEADY("wide-multiply", 0, 1.5),
            STEADY("branch", 0, 1.5),
        },
};

static const struct hf_mix *const builtin[] = {&quick, &screen, &night};

int hf_mix_builtin(const char *name, struct hf_mix *ret_mix, struct hf_error *error)
{
    for (size_t i = 0; i < sizeof builtin / sizeof builtin[0]; i++) {
        assert(builtin[i]->entry[builtin[i]->entry_count - 1].weight > 0);
        if (strcmp(builtin[i]->name, name) == 0) {
            *ret_mix = *builtin[i];
            return HF_OK;
        }
    }
    return hf_fail(error, HF_E_NOT_FOUND, "there is no mix \"%.60s\"; there are: quick, screen, night", name);
}
