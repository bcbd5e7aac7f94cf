/* The timeline of a worker: which pattern, whose schedule, and its randomness. */
#include <assert.h>

#include "holdfast/random.h"
#include "workloads/patterns/schedule.h"

#define DITHER_SHARE 0.01 /* of the period, from the shortest to the longest */

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
    case HF_PATTERN_SWING:
        return hf_square_at(timeline, t);
    case HF_PATTERN_SOLO_THEN_ALL:
        return hf_solo_then_all_at(timeline, t);
    case HF_PATTERN_TELEGRAPH:
        /* too short for a clock: batches, as for square */
        return hf_slice_is_counted(timeline->slice) ? hf_square_at(timeline, t)
                                                    : hf_telegraph_at(timeline, t);
    case HF_PATTERN_WAKE:
        return hf_wake_at(timeline, t);
    default:
        return hf_steady_at(timeline, t);
    }
}

int hf_slice_is_counted(const struct hf_slice *slice)
{
    if (slice->pattern == HF_PATTERN_TELEGRAPH)
        return slice->period_s < HF_TELEGRAPH_COUNTED_BELOW_S;
    return slice->pattern == HF_PATTERN_SQUARE && slice->period_s < HF_COUNTED_BELOW_S;
}

uint64_t hf_schedule_who(const struct hf_timeline *timeline)
{
    switch (timeline->slice->sync) {
    case HF_SYNC_FREE:
        return 1 + (uint64_t)timeline->place->worker;
    case HF_SYNC_GROUP:
        return 1 + (uint64_t)timeline->place->group;
    default:
        return 0;
    }
}

double hf_dither_factor(const struct hf_timeline *timeline)
{
    uint64_t worker = (uint64_t)timeline->place->worker;

    if (timeline->slice->sync != HF_SYNC_DITHER)
        return 1;
    return 1 + DITHER_SHARE * (hf_slice_uniform(timeline->slice, HF_STREAM_DITHER, worker) - 0.5);
}

double hf_slice_uniform(const struct hf_slice *slice, uint64_t stream, uint64_t index)
{
    uint64_t word = hf_mix64(hf_mix64(slice->seed ^ hf_mix64(stream)) + index * UINT64_C(0x9e3779b97f4a7c15));

    return ((double)(word >> 11) + 0.5) * 0x1p-53;
}
