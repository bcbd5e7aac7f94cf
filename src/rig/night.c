#include "holdfast/rig.h"

#include <stddef.h>

/*
 * The night mix as the rig sees it: 45 % vector multiply-add and its transients, 20 % integer and
 * cryptography, 20 % memory and hand-over between cores, 15 % scalar, divide and branch. Plain data. Periods
 * are chosen at the supply's resonances (rail.c) and, for `solo, then all`, at a millisecond.
 */
static const struct hf_load_slice night_mix[] = {
    {{HF_LOAD_FMA_512, 1.0, 0.0, 0}, 0.10},     /* steady */
    {{HF_LOAD_FMA_512, 0.5, 12.5e-9, 1}, 0.03}, /* square, 80 MHz */
    {{HF_LOAD_FMA_512, 0.5, 400e-9, 1}, 0.06},  /* square, 2.5 MHz */
    {{HF_LOAD_FMA_512, 0.5, 8.3e-6, 1}, 0.05},  /* square, 120 kHz */
    {{HF_LOAD_FMA_512, 0.7, 1e-3, 1}, 0.08},    /* solo, then all */
    {{HF_LOAD_FMA_256, 1.0, 0.0, 0}, 0.08},     {{HF_LOAD_FMA_128, 1.0, 0.0, 0}, 0.05},
    {{HF_LOAD_MULTIPLY, 1.0, 0.0, 0}, 0.07},    {{HF_LOAD_CRYPTO, 1.0, 0.0, 0}, 0.07},
    {{HF_LOAD_VECTOR_INT, 1.0, 0.0, 0}, 0.06},  {{HF_LOAD_GATHER, 1.0, 0.0, 0}, 0.05},
    {{HF_LOAD_MEMORY, 1.0, 0.0, 0}, 0.10},      {{HF_LOAD_ATOMIC, 1.0, 0.0, 0}, 0.05},
    {{HF_LOAD_MULTIPLY, 0.5, 2e-3, 0}, 0.05}, /* divide and branch in bursts */
    {{HF_LOAD_SCALAR, 1.0, 0.0, 0}, 0.10},
};

const struct hf_load_slice *hf_rig_night_mix(int *ret_count)
{
    *ret_count = (int)(sizeof night_mix / sizeof night_mix[0]);
    return night_mix;
}
