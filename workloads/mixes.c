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

#define STEADY(kernel_, width_, weight_) STEADY_BESIDE(kernel_, width_, "", weight_)
#define STEADY_BESIDE(kernel_, width_, company_, weight_)                                                    \
    {                                                                                                        \
        .kernel = (kernel_), .width_bits = (width_), .pattern = HF_PATTERN_STEADY, .sync = HF_SYNC_FREE,     \
        .company = company_, .weight = (weight_)                                                             \
    }
#define PERIODIC(pattern_, kernel_, width_, sync_, low_, high_, duty_, company_, weight_)                    \
    {                                                                                                        \
        .kernel = (kernel_), .width_bits = (width_), .pattern = HF_PATTERN_##pattern_,                       \
        .sync = HF_SYNC_##sync_, .period_s = (low_), .period_high_s = (high_), .duty = (duty_),              \
        .company = company_, .weight = (weight_)                                                             \
    }
#define SQUARE(kernel_, width_, sync_, low_, high_, duty_, weight_)                                          \
    PERIODIC(SQUARE, kernel_, width_, sync_, low_, high_, duty_, "", weight_)
#define SQUARE_BESIDE(...) PERIODIC(SQUARE, __VA_ARGS__)
#define TELEGRAPH(kernel_, width_, sync_, low_, high_, duty_, weight_)                                       \
    PERIODIC(TELEGRAPH, kernel_, width_, sync_, low_, high_, duty_, "", weight_)
#define SWING(kernel_, width_, sync_, low_, high_, duty_, weight_)                                           \
    PERIODIC(SWING, kernel_, width_, sync_, low_, high_, duty_, "", weight_)
#define WAKE(kernel_, width_, sync_, weight_)                                                                \
    {                                                                                                        \
        .kernel = (kernel_), .width_bits = (width_), .pattern = HF_PATTERN_WAKE, .sync = HF_SYNC_##sync_,    \
        .weight = (weight_)                                                                                  \
    }
#define SOLO_THEN_ALL(kernel_, width_, stream_, weight_)                                                     \
    {                                                                                                        \
        .kernel = (kernel_), .width_bits = (width_), .solo_kernel = "branch", .stream_kernel = stream_,      \
        .pattern = HF_PATTERN_SOLO_THEN_ALL, .sync = HF_SYNC_ALL, .weight = (weight_)                        \
    }

/* Shares of the time in parts of a hundred. Memory traffic runs as company beside some of the compute slices,
 * on a third of the groups: cache, memory and coherence traffic beside a load costs 40 to 89 % more power. */
static const struct hf_mix night =
    {
        .name = "night",
        .slice_low_s = 0.5,
        .slice_high_s = 2,
        .entry_count = 64,
        .entry =
            {
                /* vector multiply-add and its transients: 45 */
                STEADY_BESIDE("fma-residue", 0, "copy-memory", 3.1),
                STEADY("fma-residue", 0, 3.05),
                STEADY("fma-residue", 256, 1.55),
                STEADY("fma-residue", 128, 1),
                STEADY("fma-single", 0, 2.05),
                STEADY("matrix", 0, 1.55),
                STEADY("matrix-single", 0, 0.5),
                STEADY("matrix-byte", 0, 0.5),
                SOLO_THEN_ALL("fma-residue", 0, "copy-memory", 7.15),
                SOLO_THEN_ALL("fma-residue", 0, "copy-l3", 2.05),
                SQUARE("pulse", 0, ALL, 5 * NS, 80 * NS, 0.5, 2.05),
                SQUARE("pulse", 0, DITHER, 5 * NS, 700 * NS, 0.5, 2.05),
                SQUARE_BESIDE("pulse", 0, ALL, 0.1 * US, 0.99 * US, 0.5, "chase-memory", 1.55),
                TELEGRAPH("pulse", 0, ALL, 60 * NS, 4 * US, 0.5, 1),
                SQUARE("fma-residue", 0, ALL, 1.5 * US, 100 * US, 0.5, 2.05),
                SQUARE("fma-residue", 0, ALL, 1.5 * US, 100 * US, 0.1, 1),
                SQUARE("fma-residue", 0, ALL, 1.5 * US, 100 * US, 0.25, 1),
                SQUARE("fma-residue", 0, ANTIPHASE, 1.5 * US, 100 * US, 0.5, 1.55),
                SQUARE("fma-residue", 0, DITHER, 1.5 * US, 100 * US, 0.8, 1.55),
                TELEGRAPH("fma-residue", 0, ALL, 4 * US, 2 * MS, 0.5, 2.05),
                SQUARE("fma-residue", 0, ALL, 0.2 * MS, 0.7 * MS, 0.5, 1.55),
                SQUARE_BESIDE("fma-residue", 0, ALL, 2 * MS, 10 * MS, 0.5, "gather-l3", 1),
                SQUARE("fma-residue", 0, GROUP, 0.2 * MS, 10 * MS, 0.9, 1),
                WAKE("fma-residue", 0, ALL, 1.55),
                SWING("fma-residue", 0, ALL, 0.2, 1, 0.5, 1.55),
                /* integer and crypto: 20 */
                STEADY("vector-integer", 0, 2.8),
                STEADY("vector-integer", 256, 0.9),
                STEADY("packed-multiply", 0, 2.25),
                STEADY("cipher", 0, 2.75),
                STEADY("cipher", 128, 0.9),
                STEADY("hash", 0, 2.25),
                STEADY("crc", 0, 0.7),
                STEADY("carry-less", 0, 0.9),
                STEADY("key-schedule", 0, 0.7),
                SQUARE("vector-integer", 0, ALL, 1.5 * US, 100 * US, 0.5, 1.35),
                SQUARE("cipher", 0, ALL, 1.5 * US, 100 * US, 0.5, 1.35),
                TELEGRAPH("vector-integer", 0, ALL, 4 * US, 200 * US, 0.5, 0.9),
                SQUARE("hash", 0, DITHER, 20 * US, 10 * MS, 0.5, 0.9),
                SOLO_THEN_ALL("vector-integer", 0, "copy-memory", 1.35),
                /* memory and between cores: 20 */
                STEADY("chase-l1", 0, 0.5),
                STEADY("chase-l2", 0, 1),
                STEADY("chase-l3", 0, 1),
                STEADY("chase-memory", 0, 1.5),
                STEADY("gather-l1", 0, 0.5),
                STEADY("gather-l2", 0, 1),
                STEADY("gather-l3", 0, 1),
                STEADY("gather-memory", 0, 1.5),
                STEADY("copy-l1", 0, 1),
                STEADY("copy-l2", 0, 1),
                STEADY("copy-l3", 0, 1.5),
                STEADY("copy-memory", 0, 2.5),
                STEADY("handoff-group", 0, 2),
                STEADY("handoff-across", 0, 2),
                SQUARE("copy-memory", 0, ALL, 0.2 * MS, 10 * MS, 0.5, 1),
                SQUARE("copy-l2", 0, ALL, 5 * US, 100 * US, 0.5, 1),
                /* scalar, divide, branch: 15 */
                STEADY_BESIDE("wide-multiply", 0, "copy-memory", 1.05),
                STEADY("wide-multiply", 0, 2.1),
                SQUARE("wide-multiply", 0, ALL, 1.5 * US, 100 * US, 0.5, 1.05),
                SOLO_THEN_ALL("wide-multiply", 0, "copy-memory", 1.6),
                STEADY("divide", 0, 3.15),
                SQUARE("divide", 0, ALL, 1.5 * US, 100 * US, 0.5, 1.05),
                STEADY("branch", 0, 3.15),
                SQUARE("branch", 0, DITHER, 20 * US, 10 * MS, 0.5, 0.8),
                WAKE("branch", 0, FREE, 1.05),
            },
};

/* Variety in minutes: every kernel, every pattern, short slices. */
static const struct hf_mix screen = {
    .name = "screen",
    .slice_low_s = 0.3,
    .slice_high_s = 0.7,
    .entry_count = 39,
    .entry =
        {
            STEADY("fma-residue", 0, 2),
            STEADY("fma-residue", 256, 1),
            STEADY("fma-residue", 128, 1),
            SOLO_THEN_ALL("fma-residue", 0, "copy-memory", 2),
            SQUARE("pulse", 0, DITHER, 5 * NS, 700 * NS, 0.5, 1),
            SQUARE("fma-residue", 0, ALL, 1.5 * US, 100 * US, 0.5, 2),
            SQUARE("fma-residue", 0, ALL, 0.2 * MS, 10 * MS, 0.5, 1),
            TELEGRAPH("fma-residue", 0, ALL, 1 * US, 1 * MS, 0.5, 1),
            WAKE("fma-residue", 0, ALL, 0.5),
            SWING("fma-residue", 0, ALL, 0.2, 0.4, 0.5, 0.5),
            STEADY("wide-multiply", 0, 2),
            SQUARE("wide-multiply", 0, ALL, 1.5 * US, 100 * US, 0.5, 1),
            STEADY("branch", 0, 2),
            STEADY("fma-single", 0, 0.5),
            STEADY("matrix", 0, 1),
            STEADY("vector-integer", 0, 1),
            STEADY("packed-multiply", 0, 0.5),
            STEADY("cipher", 0, 1),
            STEADY("hash", 0, 1),
            STEADY("divide", 0, 1),
            STEADY("chase-l1", 0, 0.25),
            STEADY("chase-l2", 0, 0.25),
            STEADY("chase-l3", 0, 0.25),
            STEADY("chase-memory", 0, 0.5),
            STEADY("gather-l1", 0, 0.25),
            STEADY("gather-l2", 0, 0.25),
            STEADY("gather-l3", 0, 0.25),
            STEADY("gather-memory", 0, 0.5),
            STEADY("copy-l1", 0, 0.25),
            STEADY("copy-l2", 0, 0.25),
            STEADY("copy-l3", 0, 0.25),
            STEADY("copy-memory", 0, 1),
            STEADY("handoff-group", 0, 0.5),
            STEADY("handoff-across", 0, 0.5),
            STEADY("carry-less", 0, 0.5),
            STEADY("crc", 0, 0.5),
            STEADY("key-schedule", 0, 0.5),
            STEADY("matrix-byte", 0, 0.5),
            STEADY("matrix-single", 0, 0.5),
        },
};

/* Memory and what lies between cores, alone and beside vectors: for memory settings, and for a baseline. */
static const struct hf_mix memory = {
    .name = "memory",
    .slice_low_s = 0.5,
    .slice_high_s = 2,
    .entry_count = 23,
    .entry =
        {
            STEADY("chase-l1", 0, 1),
            STEADY("chase-l2", 0, 2),
            STEADY("chase-l3", 0, 2),
            STEADY("chase-memory", 0, 6),
            STEADY("gather-l1", 0, 1),
            STEADY("gather-l2", 0, 2),
            STEADY("gather-l3", 0, 3),
            STEADY("gather-memory", 0, 6),
            STEADY("copy-l1", 0, 1),
            STEADY("copy-l2", 0, 2),
            STEADY("copy-l3", 0, 4),
            STEADY("copy-memory", 0, 10),
            STEADY("handoff-group", 0, 4),
            STEADY("handoff-across", 0, 6),
            SQUARE("copy-memory", 0, ALL, 0.2 * MS, 10 * MS, 0.5, 3),
            SQUARE("copy-l3", 0, ALL, 10 * US, 100 * US, 0.5, 2),
            SQUARE("copy-l2", 0, DITHER, 10 * US, 100 * US, 0.5, 1),
            TELEGRAPH("copy-memory", 0, ALL, 0.2 * MS, 2 * MS, 0.5, 2),
            WAKE("copy-memory", 0, ALL, 1),
            SWING("copy-memory", 0, ALL, 0.2, 1, 0.5, 1),
            STEADY_BESIDE("fma-residue", 0, "copy-memory", 4),
            STEADY_BESIDE("fma-residue", 0, "chase-memory", 2),
            SOLO_THEN_ALL("fma-residue", 0, "copy-memory", 4),
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
            SOLO_THEN_ALL("fma-residue", 0, "", 2),
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
            SOLO_THEN_ALL("fma-residue", 0, "copy-memory", 4),
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
            SOLO_THEN_ALL("fma-residue", 0, "copy-memory", 4),
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

static const struct hf_mix *const builtin[] = {&quick,        &screen,      &night,     &memory, &sweep_first,
                                               &sweep_second, &sweep_third, &regulator, &swing};

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
