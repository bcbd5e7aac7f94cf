/*
 * The mixes that come with the program. Shares follow what is known of silent errors: vector multiply-add is
 * behind most of them, then integer multiply, packed integers, ciphers and copies; but a third of the tests
 * were at some time the only one to see a fault (Hochschild et al. 2021; Dixit et al. 2022; Wang et al.
 * 2023), so nothing is left out, and slices are short.
 *
 * Periods, and what they excite: 5 to 80 ns and 0.1 to 0.7 us the first droop of the supply, 0.1 to 1 us the
 * second, 1.5 to 100 us the third, 0.2 to 10 ms the regulator and the firmware (on both sides of 0.7 to 2 ms,
 * where wide units power down), sleeps the way back from idle, seconds heat and the supply. Half of the time
 * the load is on; 10, 25, 80 and 90 % follow with less weight. Edges aligned over all cores, and phases that
 * drift through every alignment (Kim et al. 2012), both.
 *
 * profiles/mixes holds the same mixes as data: tests/unit/workloads/test_mix_files.c compares them.
 */
#include <assert.h>
#include <string.h>

#include "holdfast/mix.h"
#include "holdfast/text.h"

#define NS 1e-9
#define US 1e-6
#define MS 1e-3

#define STEADY(kernel_, width_, weight_)                                                                     \
    {                                                                                                        \
        .kernel = (kernel_), .width_bits = (width_), .pattern = HF_PATTERN_STEADY, .sync = HF_SYNC_FREE,     \
        .weight = (weight_)                                                                                  \
    }
#define PERIODIC(pattern_, kernel_, width_, sync_, low_, high_, duty_, weight_)                              \
    {                                                                                                        \
        .kernel = (kernel_), .width_bits = (width_), .pattern = HF_PATTERN_##pattern_,                       \
        .sync = HF_SYNC_##sync_, .period_s = (low_), .period_high_s = (high_), .duty = (duty_),              \
        .weight = (weight_)                                                                                  \
    }
#define SQUARE(...)    PERIODIC(SQUARE, __VA_ARGS__)
#define TELEGRAPH(...) PERIODIC(TELEGRAPH, __VA_ARGS__)
#define SWING(...)     PERIODIC(SWING, __VA_ARGS__)
#define WAKE(kernel_, width_, sync_, weight_)                                                                \
    {                                                                                                        \
        .kernel = (kernel_), .width_bits = (width_), .pattern = HF_PATTERN_WAKE, .sync = HF_SYNC_##sync_,    \
        .weight = (weight_)                                                                                  \
    }
#define SOLO_THEN_ALL(kernel_, width_, weight_)                                                              \
    {                                                                                                        \
        .kernel = (kernel_), .width_bits = (width_), .solo_kernel = "branch",                                \
        .pattern = HF_PATTERN_SOLO_THEN_ALL, .sync = HF_SYNC_ALL, .weight = (weight_)                        \
    }

/* 45 vector multiply-add and its transients, 20 integer, 15 scalar and branches. */
static const struct hf_mix night = {
    .name = "night",
    .slice_low_s = 0.5,
    .slice_high_s = 2,
    .entry_count = 29,
    .entry =
        {
            STEADY("fma-residue", 0, 6),
            STEADY("fma-residue", 256, 2.5),
            STEADY("fma-residue", 128, 1.5),
            SOLO_THEN_ALL("fma-residue", 0, 9),
            SQUARE("pulse", 0, ALL, 5 * NS, 80 * NS, 0.5, 2),
            SQUARE("pulse", 0, DITHER, 5 * NS, 700 * NS, 0.5, 2),
            SQUARE("pulse", 0, ALL, 0.1 * US, 0.99 * US, 0.5, 2),
            TELEGRAPH("pulse", 0, ALL, 60 * NS, 4 * US, 0.5, 1),
            SQUARE("fma-residue", 0, ALL, 1.5 * US, 100 * US, 0.5, 3),
            SQUARE("fma-residue", 0, ALL, 1.5 * US, 100 * US, 0.1, 1),
            SQUARE("fma-residue", 0, ALL, 1.5 * US, 100 * US, 0.25, 1),
            SQUARE("fma-residue", 0, ANTIPHASE, 1.5 * US, 100 * US, 0.5, 1.5),
            SQUARE("fma-residue", 0, DITHER, 1.5 * US, 100 * US, 0.8, 1.5),
            TELEGRAPH("fma-residue", 0, ALL, 4 * US, 2 * MS, 0.5, 2),
            SQUARE("fma-residue", 0, ALL, 0.2 * MS, 0.7 * MS, 0.5, 2),
            SQUARE("fma-residue", 0, ALL, 2 * MS, 10 * MS, 0.5, 1.5),
            SQUARE("fma-residue", 0, GROUP, 0.2 * MS, 10 * MS, 0.9, 1.5),
            WAKE("fma-residue", 0, ALL, 2),
            SWING("fma-residue", 0, ALL, 0.2, 1, 0.5, 2),
            STEADY("wide-multiply", 0, 9),
            SOLO_THEN_ALL("wide-multiply", 0, 4),
            SQUARE("wide-multiply", 0, ALL, 1.5 * US, 100 * US, 0.5, 3),
            SQUARE("wide-multiply", 0, FREE, 0.5 * US, 1 * US, 0.5, 2),
            SQUARE("wide-multiply", 0, ALL, 0.2 * MS, 10 * MS, 0.5, 2),
            STEADY("branch", 0, 9),
            SQUARE("branch", 0, ALL, 20 * US, 200 * US, 0.5, 2),
            SQUARE("branch", 0, DITHER, 20 * US, 200 * US, 0.5, 2),
            SQUARE("branch", 0, ALL, 0.2 * MS, 10 * MS, 0.5, 1),
            WAKE("branch", 0, FREE, 1),
        },
};

/* Variety in minutes: every kernel, every pattern, short slices. */
static const struct hf_mix screen = {
    .name = "screen",
    .slice_low_s = 0.3,
    .slice_high_s = 0.7,
    .entry_count = 13,
    .entry =
        {
            STEADY("fma-residue", 0, 2),
            STEADY("fma-residue", 256, 1),
            STEADY("fma-residue", 128, 1),
            SOLO_THEN_ALL("fma-residue", 0, 2),
            SQUARE("pulse", 0, DITHER, 5 * NS, 700 * NS, 0.5, 1),
            SQUARE("fma-residue", 0, ALL, 1.5 * US, 100 * US, 0.5, 2),
            SQUARE("fma-residue", 0, ALL, 0.2 * MS, 10 * MS, 0.5, 1),
            TELEGRAPH("fma-residue", 0, ALL, 1 * US, 1 * MS, 0.5, 1),
            WAKE("fma-residue", 0, ALL, 0.5),
            SWING("fma-residue", 0, ALL, 0.2, 0.4, 0.5, 0.5),
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

/* --- sweeps: one resonance each --- */

/* One fixed period of the first droop, aligned and drifting. */
#define FIRST_DROOP(period_)                                                                                 \
    SQUARE("pulse", 0, ALL, (period_), (period_), 0.5, 2),                                                   \
        SQUARE("pulse", 0, DITHER, (period_), (period_), 0.5, 1)

/* The duties that follow. */
#define OTHER_DUTIES(kernel_, sync_, low_, high_, weight_)                                                   \
    SQUARE(kernel_, 0, sync_, low_, high_, 0.1, weight_),                                                    \
        SQUARE(kernel_, 0, sync_, low_, high_, 0.25, weight_),                                               \
        SQUARE(kernel_, 0, sync_, low_, high_, 0.8, weight_),                                                \
        SQUARE(kernel_, 0, sync_, low_, high_, 0.9, weight_)

/* 5 to 80 ns in steps of 2^(1/4) = 1.19, for a resonance with a Q of 5 is a fifth of its frequency wide; then
 * up to 0.7 us. */
static const struct hf_mix sweep_first = {
    .name = "sweep-first",
    .slice_low_s = 0.5,
    .slice_high_s = 1,
    .entry_count = 48,
    .entry =
        {
            FIRST_DROOP(5 * NS),
            FIRST_DROOP(5.95 * NS),
            FIRST_DROOP(7.07 * NS),
            FIRST_DROOP(8.41 * NS),
            FIRST_DROOP(10 * NS),
            FIRST_DROOP(11.9 * NS),
            FIRST_DROOP(14.1 * NS),
            FIRST_DROOP(16.8 * NS),
            FIRST_DROOP(20 * NS),
            FIRST_DROOP(23.8 * NS),
            FIRST_DROOP(28.3 * NS),
            FIRST_DROOP(33.6 * NS),
            FIRST_DROOP(40 * NS),
            FIRST_DROOP(47.6 * NS),
            FIRST_DROOP(56.6 * NS),
            FIRST_DROOP(67.3 * NS),
            FIRST_DROOP(80 * NS),
            OTHER_DUTIES("pulse", ALL, 20 * NS, 80 * NS, 2),
            SQUARE("pulse", 0, ALL, 100 * NS, 700 * NS, 0.5, 6),
            SQUARE("pulse", 0, DITHER, 100 * NS, 700 * NS, 0.5, 3),
            OTHER_DUTIES("pulse", ALL, 100 * NS, 700 * NS, 1),
            TELEGRAPH("pulse", 0, ALL, 60 * NS, 700 * NS, 0.5, 2),
            TELEGRAPH("pulse", 0, FREE, 60 * NS, 700 * NS, 0.5, 2),
            STEADY("pulse", 0, 2),
            STEADY("fma-residue", 0, 2),
        },
};

static const struct hf_mix sweep_second = {
    .name = "sweep-second",
    .slice_low_s = 0.5,
    .slice_high_s = 1,
    .entry_count = 16,
    .entry =
        {
            SQUARE("pulse", 0, ALL, 100 * NS, 320 * NS, 0.5, 4),
            SQUARE("pulse", 0, ALL, 320 * NS, 990 * NS, 0.5, 4),
            SQUARE("pulse", 0, DITHER, 100 * NS, 990 * NS, 0.5, 4),
            SQUARE("pulse", 0, ANTIPHASE, 100 * NS, 990 * NS, 0.5, 2),
            SQUARE("fma-residue", 0, ALL, 200 * NS, 990 * NS, 0.5, 3),
            SQUARE("fma-residue", 0, DITHER, 200 * NS, 990 * NS, 0.5, 2),
            SQUARE("wide-multiply", 0, ALL, 500 * NS, 990 * NS, 0.5, 1),
            OTHER_DUTIES("pulse", ALL, 100 * NS, 990 * NS, 1),
            TELEGRAPH("pulse", 0, ALL, 100 * NS, 2 * US, 0.5, 2),
            TELEGRAPH("pulse", 0, FREE, 100 * NS, 2 * US, 0.5, 1),
            TELEGRAPH("fma-residue", 0, ALL, 200 * NS, 2 * US, 0.5, 1),
            STEADY("pulse", 0, 1),
            STEADY("fma-residue", 0, 1),
        },
};

static const struct hf_mix sweep_third = {
    .name = "sweep-third",
    .slice_low_s = 0.5,
    .slice_high_s = 1,
    .entry_count = 18,
    .entry =
        {
            SQUARE("fma-residue", 0, ALL, 1.5 * US, 6 * US, 0.5, 4),
            SQUARE("fma-residue", 0, ALL, 6 * US, 25 * US, 0.5, 4),
            SQUARE("fma-residue", 0, ALL, 25 * US, 100 * US, 0.5, 4),
            SQUARE("fma-residue", 0, DITHER, 1.5 * US, 100 * US, 0.5, 4),
            SQUARE("fma-residue", 0, ANTIPHASE, 1.5 * US, 100 * US, 0.5, 2),
            SQUARE("fma-residue", 0, GROUP, 1.5 * US, 100 * US, 0.5, 2),
            SQUARE("fma-residue", 256, ALL, 1.5 * US, 100 * US, 0.5, 2),
            SQUARE("wide-multiply", 0, ALL, 1.5 * US, 100 * US, 0.5, 1),
            SQUARE("branch", 0, ALL, 20 * US, 100 * US, 0.5, 1),
            OTHER_DUTIES("fma-residue", ALL, 1.5 * US, 100 * US, 1),
            TELEGRAPH("fma-residue", 0, ALL, 4 * US, 200 * US, 0.5, 2),
            TELEGRAPH("fma-residue", 0, ANTIPHASE, 4 * US, 200 * US, 0.5, 1),
            TELEGRAPH("fma-residue", 0, DITHER, 4 * US, 200 * US, 0.5, 1),
            SOLO_THEN_ALL("fma-residue", 0, 4),
            STEADY("fma-residue", 0, 2),
        },
};

/* The regulator's loop and the firmware's; the narrower widths beside the widest, for the step between them.
 */
static const struct hf_mix regulator = {
    .name = "regulator",
    .slice_low_s = 1,
    .slice_high_s = 2,
    .entry_count = 21,
    .entry =
        {
            SQUARE("fma-residue", 0, ALL, 0.2 * MS, 0.7 * MS, 0.5, 4),
            SQUARE("fma-residue", 0, ALL, 0.7 * MS, 2 * MS, 0.5, 4),
            SQUARE("fma-residue", 0, ALL, 2 * MS, 10 * MS, 0.5, 4),
            SQUARE("fma-residue", 0, GROUP, 0.2 * MS, 10 * MS, 0.5, 2),
            SQUARE("fma-residue", 0, DITHER, 0.2 * MS, 10 * MS, 0.5, 2),
            SQUARE("fma-residue", 0, ANTIPHASE, 0.2 * MS, 10 * MS, 0.5, 2),
            SQUARE("fma-residue", 256, ALL, 0.2 * MS, 0.7 * MS, 0.5, 1),
            SQUARE("fma-residue", 256, ALL, 2 * MS, 10 * MS, 0.5, 1),
            SQUARE("fma-residue", 128, ALL, 0.2 * MS, 10 * MS, 0.5, 1),
            SQUARE("wide-multiply", 0, ALL, 0.2 * MS, 10 * MS, 0.5, 1),
            OTHER_DUTIES("fma-residue", ALL, 0.2 * MS, 10 * MS, 1),
            TELEGRAPH("fma-residue", 0, ALL, 0.2 * MS, 2 * MS, 0.5, 2),
            TELEGRAPH("fma-residue", 0, GROUP, 0.2 * MS, 2 * MS, 0.5, 1),
            WAKE("fma-residue", 0, ALL, 3),
            WAKE("fma-residue", 0, GROUP, 1),
            WAKE("fma-residue", 0, FREE, 1),
            WAKE("wide-multiply", 0, ALL, 1),
            SOLO_THEN_ALL("fma-residue", 0, 4),
        },
};

/* Heat and the supply: a slice lasts two periods, up to two minutes. */
static const struct hf_mix swing = {
    .name = "swing",
    .slice_low_s = 1,
    .slice_high_s = 2,
    .entry_count = 8,
    .entry =
        {
            SWING("fma-residue", 0, ALL, 0.2, 2, 0.5, 4),
            SWING("fma-residue", 0, ALL, 2, 20, 0.5, 4),
            SWING("fma-residue", 0, ALL, 20, 60, 0.5, 2),
            SWING("fma-residue", 0, GROUP, 0.2, 20, 0.5, 2),
            SWING("fma-residue", 0, ANTIPHASE, 0.2, 20, 0.5, 2),
            SWING("fma-residue", 0, ALL, 0.2, 20, 0.25, 1),
            SWING("fma-residue", 0, ALL, 0.2, 20, 0.8, 1),
            SWING("wide-multiply", 0, ALL, 0.2, 20, 0.5, 1),
        },
};

/* Every level of the caches, memory, and what cores hand to each other. The baseline is proved with it beside the run's own
 * mix: a memory fault must not be blamed on a ratio. */
static const struct hf_mix memory = {
    .name = "memory",
    .slice_low_s = 0.5,
    .slice_high_s = 2,
    .entry_count = 18,
    .entry =
        {
            STEADY("copy-memory", 0, 14),
            STEADY("copy-memory", 256, 4),
            SQUARE("copy-memory", 0, ALL, 0.2 * MS, 10 * MS, 0.5, 6),
            STEADY("gather-memory", 0, 10),
            STEADY("gather-memory", 256, 3),
            STEADY("chase-memory", 0, 8),
            STEADY("copy-l3", 0, 8),
            SQUARE("copy-l3", 0, DITHER, 1.5 * US, 100 * US, 0.5, 3),
            STEADY("gather-l3", 0, 6),
            STEADY("chase-l3", 0, 4),
            STEADY("copy-l2", 0, 5),
            STEADY("gather-l2", 0, 5),
            STEADY("chase-l2", 0, 2),
            STEADY("copy-l1", 0, 4),
            STEADY("gather-l1", 0, 4),
            STEADY("chase-l1", 0, 2),
            STEADY("handoff-group", 0, 6),
            STEADY("handoff-across", 0, 6),
        },
};

static const struct hf_mix *const builtin[] = {&quick,       &screen,    &night, &sweep_first, &sweep_second,
                                               &sweep_third, &regulator, &swing, &memory};

#define BUILTIN_COUNT ((int)(sizeof builtin / sizeof builtin[0]))

int hf_mix_builtin_count(void)
{
    return BUILTIN_COUNT;
}

const struct hf_mix *hf_mix_builtin_at(int index)
{
    const struct hf_mix *mix = builtin[index];

    assert(index >= 0 && index < BUILTIN_COUNT);
    assert(mix->entry[mix->entry_count - 1].weight > 0);
    assert(mix->entry_count == HF_MIX_ENTRIES_MAX || mix->entry[mix->entry_count].weight == 0);
    return mix;
}

int hf_mix_builtin(const char *name, struct hf_mix *ret_mix, struct hf_error *error)
{
    struct hf_text names;

    for (int i = 0; i < BUILTIN_COUNT; i++) {
        if (strcmp(builtin[i]->name, name) == 0) {
            *ret_mix = *hf_mix_builtin_at(i);
            return HF_OK;
        }
    }
    hf_text_init(&names, 512);
    for (int i = 0; i < BUILTIN_COUNT; i++)
        hf_text_addf(&names, "%s%s", i > 0 ? ", " : "", builtin[i]->name);
    (void)hf_fail(error, HF_E_NOT_FOUND, "there is no mix \"%.60s\"; there are: %s", name, names.bytes);
    hf_text_release(&names);
    return error->code;
}
