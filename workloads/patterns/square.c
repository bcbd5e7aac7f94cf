/*
 * square: on and off with a period and a duty, over the cores in a sync mode. swing is the same, seconds
 * long.
 *
 *   free       every worker has its own phase, drawn from the slice's seed
 *   group      the workers of a core group switch together, each group at its own phase
 *   all        everybody switches at the same tick
 *   antiphase  odd groups switch half a period later than even ones
 *   dither     everybody starts together and drifts: each worker's period is longer or shorter by up to half
 *              a percent, so that in time every alignment of edges occurs (Kim et al. 2012)
 *
 * Periods below a microsecond are counted, not timed: such a phase is a whole batch of cycles, and what the
 * sync mode aligns is its beginning. Inside a batch the workers drift apart, as their clocks and calls will
 * have it: exact alignment of so short loops cannot be commanded.
 */
#include <assert.h>
#include <math.h>

#include "workloads/patterns/schedule.h"

/* One cycle; for counted periods a whole number of cycles. */
double hf_square_period_ticks(const struct hf_timeline *timeline)
{
    const struct hf_slice *slice = timeline->slice;
    double period_s = slice->period_s;

    if (hf_slice_is_counted(slice))
        period_s *= ceil(HF_COUNTED_BATCH_S / period_s);
    return period_s * hf_dither_factor(timeline) * timeline->ticks_per_second;
}

double hf_square_offset_ticks(const struct hf_timeline *timeline)
{
    const struct hf_place *place = timeline->place;
    double period_ticks = hf_square_period_ticks(timeline);

    switch (timeline->slice->sync) {
    case HF_SYNC_FREE:
        return period_ticks * hf_slice_uniform(timeline->slice, HF_STREAM_PHASE, (uint64_t)place->worker);
    case HF_SYNC_GROUP:
        return period_ticks * hf_slice_uniform(timeline->slice, HF_STREAM_PHASE, (uint64_t)place->group);
    case HF_SYNC_ANTIPHASE:
        return place->group % 2 ? period_ticks / 2 : 0;
    default:
        return 0;
    }
}

/* Edge number k, in whole ticks. */
static uint64_t edge_at(double offset, double period, uint64_t k)
{
    return (uint64_t)(offset + (double)k * period);
}

struct hf_phase hf_square_at(const struct hf_timeline *timeline, uint64_t t)
{
    const struct hf_slice *slice = timeline->slice;
    double period = hf_square_period_ticks(timeline);
    double offset = hf_square_offset_ticks(timeline);
    uint64_t first = edge_at(offset, period, 0);
    uint64_t cycle, begin, on_end, next;

    assert(period >= 2 && slice->duty > 0 && slice->duty <= 1);
    if (t < first)
        return (struct hf_phase){.work = HF_WORK_REST, .begin = 0, .end = first};
    cycle = (uint64_t)((double)(t - first) / period);
    cycle += t >= edge_at(offset, period, cycle + 1); /* the quotient's rounding, either way */
    cycle -= t < edge_at(offset, period, cycle);
    begin = edge_at(offset, period, cycle);
    next = edge_at(offset, period, cycle + 1);
    if (hf_slice_is_counted(slice))
        return (struct hf_phase){HF_WORK_COUNTED, begin, next, cycle + 1, 0};
    on_end = slice->duty == 1 ? next : begin + (uint64_t)(slice->duty * period);
    if (t < on_end)
        return (struct hf_phase){HF_WORK_MAIN, begin, on_end, cycle + 1, 0};
    return (struct hf_phase){HF_WORK_REST, on_end, next, cycle + 1, 0};
}
