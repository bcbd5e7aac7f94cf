/*
 * square: on and off with a period and a duty, over the cores in a sync mode.
 *
 *   free       every worker has its own phase, drawn from the slice's seed
 *   group      the workers of a core group switch together, each group at its own phase
 *   all        everybody switches at the same tick
 *   antiphase  odd groups switch half a period later than even ones
 *   dither     everybody starts together and drifts: each worker's period is longer or shorter by up to half a percent,
 *              so that in time every alignment of edges occurs (Kim et al. 2012)
 *
 * Periods below a microsecond are counted, not timed: such a phase is a whole batch of cycles, and what the sync mode
 * aligns is its beginning. Inside a batch the workers drift apart, as their clocks and calls will have it: exact
 * alignment of so short loops cannot be commanded.
 */
#include <assert.h>
#include <math.h>

#include "workloads/patterns/schedule.h"

#define DITHER_SHARE   0.01 /* of the period, from the shortest to the longest */
#define STREAM_PHASE   1
#define STREAM_DITHER  2

/* One cycle; for counted periods a whole number of cycles. */
double hf_square_period_ticks(const struct hf_timeline *timeline)
{
    const struct hf_slice *slice = timeline->slice;
    double period_s = slice->period_s;
    double share = 1;

    if (period_s < HF_COUNTED_BELOW_S)
        period_s *= ceil(HF_COUNTED_BATCH_S / period_s);
    if (slice->sync == HF_SYNC_DITHER)
        share += DITHER_SHARE * (hf_slice_uniform(slice, STREAM_DITHER, (uint64_t)timeline->place->worker) - 0.5);
    return period_s * share * timeline->ticks_per_second;
}

double hf_square_offset_ticks(const struct hf_timeline *timeline)
{
    const struct hf_place *place = timeline->place;
    double period_ticks = hf_square_period_ticks(timeline);

    switch (timeline->slice->sync) {
    case HF_SYNC_FREE:
        return period_ticks * hf_slice_uniform(timeline->slice, STREAM_PHASE, (uint64_t)place->worker);
    case HF_SYNC_GROUP:
        return period_ticks * hf_slice_uniform(timeline->slice, STREAM_PHASE, (uint64_t)place->group);
    case HF_SYNC_ANTIPHASE:
        return place->group % 2 ? period_ticks / 2 : 0;
    default:
        return 0;
    }
}

struct hf_phase hf_square_at(const struct hf_timeline *timeline, uint64_t t)
{
    const struct hf_slice *slice = timeline->slice;
    double period = hf_square_period_ticks(timeline);
    double offset = hf_square_offset_ticks(timeline);
    double cycle = floor(((double)t - offset) / period);
    uint64_t begin, on_end, next;

    assert(period >= 1 && slice->duty > 0 && slice->duty <= 1);
    if (cycle < 0)
        return (struct hf_phase){.work = HF_WORK_REST, .begin = 0, .end = (uint64_t)offset + 1};
    /* rounding: the cycle whose whole-tick edges hold t */
    cycle += (double)t >= floor(offset + (cycle + 1) * period);
    cycle -= cycle > 0 && (double)t < floor(offset + cycle * period);
    begin = (uint64_t)(offset + cycle * period);
    next = (uint64_t)(offset + (cycle + 1) * period);
    if (slice->period_s < HF_COUNTED_BELOW_S)
        return (struct hf_phase){HF_WORK_COUNTED, begin, next, (uint64_t)cycle + 1};
    on_end = slice->duty == 1 ? next : begin + (uint64_t)(slice->duty * period);
    if (t < on_end)
        return (struct hf_phase){HF_WORK_MAIN, begin, on_end, (uint64_t)cycle + 1};
    return (struct hf_phase){HF_WORK_REST, on_end, next, (uint64_t)cycle + 1};
}
