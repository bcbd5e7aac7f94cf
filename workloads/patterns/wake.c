/*
 * wake: sleeps of 2, 10 or 50 ms, and out of each a burst of 0.1 to 1 ms (log-uniform). The sleep is a real
 * one, in one piece and right up to the burst: what is looked for happens when a core leaves its idle state.
 *
 * Six sleeps in ten are of 2 ms, three of 10 ms, one of 50 ms, so that each length takes part of the time and
 * a slice sees many bursts (engineering judgement).
 *
 *   free, group   each worker, or each group, has a schedule of its own
 *   all           one schedule for everybody
 *   antiphase     odd groups do the same 1 ms later: when the even ones' burst is over
 *   dither        one schedule, stretched or squeezed by up to half a percent for each worker
 */
#include <math.h>

#include "workloads/patterns/schedule.h"

#define BURST_LOW_S  0.1e-3
#define BURST_HIGH_S 1e-3

struct hf_wake hf_wake_make(const struct hf_slice *slice, uint64_t who, uint64_t number)
{
    double kind = hf_slice_uniform(slice, HF_STREAM_SLEEP + who, number);
    double uniform = hf_slice_uniform(slice, HF_STREAM_BURST + who, number);

    return (struct hf_wake){.sleep_s = kind < 0.6 ? 2e-3 : (kind < 0.9 ? 10e-3 : 50e-3),
                            .burst_s = BURST_LOW_S * exp(uniform * log(BURST_HIGH_S / BURST_LOW_S))};
}

struct cycle {
    uint64_t number;
    uint64_t begin, wake, end; /* ticks */
};

/* Finding the cycle of a time means walking from the first one; the last two are kept. Invariant: `cycle` is
 * what walking from cycle 0 of this key gives, `before` the one before it (the same when there is none). */
static _Thread_local struct {
    uint64_t seed, who;
    double ticks_per_second; /* of this worker's time; 0: nothing kept yet */
    struct cycle cycle, before;
} cursor;

static struct cycle cycle_make(const struct hf_slice *slice, uint64_t number, uint64_t begin)
{
    struct hf_wake wake = hf_wake_make(slice, cursor.who, number);
    uint64_t up = begin + (uint64_t)(wake.sleep_s * cursor.ticks_per_second);

    return (struct cycle){number, begin, up, up + (uint64_t)(wake.burst_s * cursor.ticks_per_second)};
}

static const struct cycle *cycle_at(const struct hf_timeline *timeline, uint64_t t)
{
    double rate = timeline->ticks_per_second * hf_dither_factor(timeline);
    uint64_t who = hf_schedule_who(timeline);

    if (cursor.seed != timeline->slice->seed || cursor.who != who || cursor.ticks_per_second != rate ||
        t < cursor.before.begin) {
        cursor.seed = timeline->slice->seed;
        cursor.who = who;
        cursor.ticks_per_second = rate;
        cursor.cycle = cursor.before = cycle_make(timeline->slice, 0, 0);
    }
    while (t >= cursor.cycle.end) {
        cursor.before = cursor.cycle;
        cursor.cycle = cycle_make(timeline->slice, cursor.before.number + 1, cursor.before.end);
    }
    return t < cursor.cycle.begin ? &cursor.before : &cursor.cycle;
}

struct hf_phase hf_wake_at(const struct hf_timeline *timeline, uint64_t t)
{
    int shifted = timeline->slice->sync == HF_SYNC_ANTIPHASE && timeline->place->group % 2;
    uint64_t shift = shifted ? (uint64_t)(BURST_HIGH_S * timeline->ticks_per_second) : 0;
    const struct cycle *cycle;

    if (t < shift)
        return (struct hf_phase){.work = HF_WORK_REST, .begin = 0, .end = shift};
    cycle = cycle_at(timeline, t - shift);
    if (t - shift < cycle->wake)
        return (struct hf_phase){HF_WORK_REST, shift + cycle->begin, shift + cycle->wake, cycle->number, 1};
    return (struct hf_phase){HF_WORK_MAIN, shift + cycle->wake, shift + cycle->end, cycle->number + 1, 1};
}
