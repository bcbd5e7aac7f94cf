/*
 * The programme: slice number n of a mix, as a pure function of (mix, seed, n).
 *
 * Which entry: the point u0 + n / golden ratio, modulo 1, falls into the entries' shares laid end to end.
 * Such points are spread more evenly than random ones (Weyl 1916; three gaps at most, Sos 1958): a short
 * trial sees every entry. Everything else of a slice is drawn from its own random stream; the operand sets
 * simply take turns.
 */
#include <assert.h>
#include <math.h>

#include "holdfast/mix.h"
#include "holdfast/random.h"

#define GOLDEN_STEP UINT64_C(0x9e3779b97f4a7c15) /* 2^64 / golden ratio, odd */

#define SWING_PERIODS   2  /* in a slice, at least */
#define SWING_QUANTILES 16 /* of its period, for the mean length of a slice */

static double between(double low, double high, double uniform)
{
    return low + (high - low) * uniform;
}

/* Log-uniform from period_s to period_high_s. */
static double period_at(const struct hf_mix_entry *entry, double uniform)
{
    if (!(entry->period_high_s > entry->period_s))
        return entry->period_s;
    return entry->period_s * exp(uniform * log(entry->period_high_s / entry->period_s));
}

/* The mean of the larger of `least` and a length that is uniform between the mix's limits. */
static double mean_length_s(const struct hf_mix *mix, double least)
{
    double low = mix->slice_low_s;
    double high = mix->slice_high_s;

    if (least <= low)
        return (low + high) / 2;
    if (least >= high)
        return least;
    return (least * (least - low) + (high * high - least * least) / 2) / (high - low);
}

double hf_mix_entry_length_s(const struct hf_mix *mix, const struct hf_mix_entry *entry)
{
    double sum = 0;

    if (entry->pattern != HF_PATTERN_SWING)
        return mean_length_s(mix, 0);
    for (int i = 0; i < SWING_QUANTILES; i++)
        sum += mean_length_s(mix, SWING_PERIODS * period_at(entry, (i + 0.5) / SWING_QUANTILES));
    return sum / SWING_QUANTILES;
}

/* Weights are shares of time: longer slices are rarer. */
static int entry_at(const struct hf_mix *mix, double point)
{
    double slices[HF_MIX_ENTRIES_MAX];
    double total = 0;
    double sum = 0;

    for (int i = 0; i < mix->entry_count; i++) {
        slices[i] = mix->entry[i].weight / hf_mix_entry_length_s(mix, &mix->entry[i]);
        total += slices[i];
    }
    for (int i = 0; i < mix->entry_count - 1; i++) {
        sum += slices[i];
        if (point * total < sum)
            return i;
    }
    return mix->entry_count - 1;
}

/* A width that does not run here in hardware gives way to the widest that does. */
static int32_t kernel_index(const char *name, int width_bits)
{
    int index = hf_kernel_index(name, width_bits);

    if (index < 0 || !hf_kernel_is_native(index))
        index = hf_kernel_index(name, 0);
    assert(index >= 0); /* the parser let known kernels in only */
    return index;
}

void hf_mix_slice(const struct hf_mix *mix, uint64_t seed, uint64_t number, struct hf_slice *ret_slice)
{
    uint64_t word = hf_mix64(seed) + number * GOLDEN_STEP;
    const struct hf_mix_entry *entry;
    struct hf_random random;
    struct hf_slice slice = {.number = number};

    assert(mix->entry_count >= 1 && mix->entry_count <= HF_MIX_ENTRIES_MAX);
    slice.entry = entry_at(mix, (double)(word >> 11) * 0x1p-53);
    entry = &mix->entry[slice.entry];
    hf_random_init(&random, seed, number);
    slice.seed = hf_random_u64(&random);
    slice.kernel = kernel_index(entry->kernel, entry->width_bits);
    slice.solo_kernel = entry->solo_kernel[0] != '\0' ? kernel_index(entry->solo_kernel, 0) : -1;
    slice.stream_kernel = entry->stream_kernel[0] != '\0' ? kernel_index(entry->stream_kernel, 0) : -1;
    slice.company = entry->company[0] != '\0' ? 1 + kernel_index(entry->company, 0) : 0;
    slice.company_turn = (int32_t)(number % HF_COMPANY_GROUPS);
    slice.operands = (int32_t)(number % HF_OPERANDS_COUNT);
    slice.pattern = (int32_t)entry->pattern;
    slice.sync = (int32_t)entry->sync;
    slice.length_s = between(mix->slice_low_s, mix->slice_high_s, hf_random_uniform(&random));
    slice.period_s = period_at(entry, hf_random_uniform(&random));
    if (slice.pattern == HF_PATTERN_SWING && slice.length_s < SWING_PERIODS * slice.period_s)
        slice.length_s = SWING_PERIODS * slice.period_s;
    slice.duty = entry->duty;
    *ret_slice = slice;
}

uint64_t hf_slice_block_seed(const struct hf_slice *slice, int worker, uint64_t block)
{
    return hf_mix64(hf_mix64(slice->seed ^ hf_mix64((uint64_t)worker + 1)) + block * GOLDEN_STEP);
}
