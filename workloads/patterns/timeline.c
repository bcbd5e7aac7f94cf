/* The timeline of a worker: which pattern, and its randomness. */
#include <assert.h>

#include "holdfast/random.h"
#include "workloads/patterns/schedule.h"

void hf_timeline_init(struct hf_timeline *timeline, const struct hf_slice *slice,
                      const struct hf_place *place, double ticks_per_second)
{
    assert(slice->pattern >= 0 && slice->pattern < HF_PATTERN_COUNT);
    assert(place->worker >= 0 && place->worker < place->worker_count);
    *timeline = (struct hf_timeline){.slice = slice, .place = place, .ticks_per_second = ticks_per_second};
}

struct hf_phase hf_timeline_at(const struct hf_timeline *timeline, uint64_t t)
{
    switch (timeline->slice->pattern) {
    case HF_PATTERN_SQUARE:
        return hf_square_at(timeline, t);
    case HF_PATTERN_SOLO_THEN_ALL:
        return hf_solo_then_all_at(timeline, t);
    default:
        return hf_steady_at(timeline, t);
    }
}

double hf_slice_uniform(const struct hf_slice *slice, uint64_t stream, uint64_t index)
{
    uint64_t word = hf_mix64(hf_mix64(slice->seed ^ hf_mix64(stream)) + index * UINT64_C(0x9e3779b97f4a7c15));

    return ((double)(word >> 11) + 0.5) * 0x1p-53;
}
