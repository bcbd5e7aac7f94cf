/*
 * The baseline is proved with memory traffic, whatever the run's own mix: every other slice of a baseline
 * trial comes from the mix `memory`. A memory fault that is there at baseline must not be blamed on a ratio
 * later.
 *
 * Which slices those are follows from the trial that is open when a slice begins, not from its number; so it
 * is remembered for as long as blocks of a slice may still be judged, and journalled with the slice ("mix").
 */
#include <assert.h>

#include "harness/supervisor_private.h"

int hf_baseline_init(struct hf_supervisor *s)
{
    return hf_mix_builtin("memory", &s->memory_mix, &s->error);
}

/* The slice source of judge and supervisor. */
void hf_baseline_slice(void *context, uint64_t number, struct hf_slice *ret_slice)
{
    const struct hf_supervisor *s = context;

    if (s->from_memory[number % HF_SLICES_KEPT] != number + 1) {
        s->director->slice(s->director->slice_context, number, ret_slice);
        return;
    }
    hf_mix_slice(&s->memory_mix, s->profile->seed, number, ret_slice);
    ret_slice->is_baseline = 1;
}

void hf_baseline_next_slice(struct hf_supervisor *s)
{
    uint64_t number = s->run->state.next_slice++;
    int proving = s->joint.open && s->joint.purpose == HF_PURPOSE_BASELINE;

    s->from_memory[number % HF_SLICES_KEPT] = proving && number % 2 == 1 ? number + 1 : 0;
    hf_baseline_slice(s, number, &s->slice);
    assert(s->slice.number == number);
}

struct hf_load_share *hf_baseline_share(struct hf_trial *trial, const struct hf_slice *slice)
{
    assert(slice->entry >= 0 && slice->entry < HF_MIX_ENTRIES_MAX);
    if (slice->is_baseline)
        return &trial->memory[slice->entry];
    return slice->is_company ? &trial->company[slice->entry] : &trial->share[slice->entry];
}

void hf_baseline_failed(struct hf_supervisor *s, const struct hf_trial *trial)
{
    const struct hf_kernel *kernel = hf_kernel_at(s->slice.kernel);

    if (trial->purpose != HF_PURPOSE_BASELINE || !s->has_slice ||
        (!s->slice.is_baseline && kernel->level == 0))
        return;
    hf_supervisor_say(
        s,
        "the baseline failed under memory traffic (%s): no ratio has been raised yet, so none is to "
        "blame. Look at the memory first: its own settings, its modules one by one",
        kernel->name);
}
