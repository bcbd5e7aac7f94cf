/*
 * telegraph: random on and off times, exponential with given means (a random telegraph signal: Machlup 1954):
 * load steps at all distances, as no fixed period gives them.
 *
 * Time is cut into frames of HF_FRAME_CYCLES mean cycles. The on times of a frame are exponential draws
 * scaled so that they add up to duty times the frame, the off times so that they add up to the rest: the
 * spacings of a Poisson process given its number of events, near enough exponential (a time's distribution is
 * 1 - (1 - x)^127 of the whole). So any time can be asked for without walking there, edges can be counted,
 * and the duty of each frame is exact.
 *
 *   free, group   each worker, or each group, has a schedule of its own
 *   all           one schedule for everybody
 *   antiphase     odd groups work exactly while the even ones rest
 *   dither        one schedule, stretched or squeezed by up to half a percent for each worker
 */
#include <assert.h>
#include <math.h>

#include "workloads/patterns/schedule.h"

/* Exponential draws of mean 1, scaled to add up to `sum`. */
static void spacings(const struct hf_slice *slice, uint64_t stream, uint64_t first, double sum,
                     double ret_times[HF_FRAME_CYCLES])
{
    double total = 0;

    for (uint64_t i = 0; i < HF_FRAME_CYCLES; i++) {
        ret_times[i] = -log(hf_slice_uniform(slice, stream, first + i));
        total += ret_times[i];
    }
    for (int i = 0; i < HF_FRAME_CYCLES; i++)
        ret_times[i] *= sum / total;
}

void hf_frame_make(const struct hf_slice *slice, uint64_t who, double period_ticks, uint64_t number,
                   struct hf_frame *ret_frame)
{
    double on[HF_FRAME_CYCLES], off[HF_FRAME_CYCLES];
    double length = HF_FRAME_CYCLES * period_ticks;
    double t = 0;

    assert(slice->duty > 0 && slice->duty <= 1 && period_ticks > 0);
    spacings(slice, HF_STREAM_FRAME + who, 2 * number * HF_FRAME_CYCLES, slice->duty * length, on);
    spacings(slice, HF_STREAM_FRAME + who, (2 * number + 1) * HF_FRAME_CYCLES, (1 - slice->duty) * length,
             off);
    for (int i = 0; i < HF_FRAME_CYCLES; i++) {
        ret_frame->on[i] = t;
        ret_frame->off[i] = t + on[i];
        t += on[i] + off[i];
    }
    ret_frame->on[HF_FRAME_CYCLES] = length;
}

/* The frames seen last, one of which the next question is about: a worker looks ahead to the phase after the
 * present one. Invariant: `frame` is what hf_frame_make() gives for the key. */
struct key {
    uint64_t seed, who, number;
    double period_ticks, duty;
};

#define KEPT 2

static _Thread_local struct {
    struct key key[KEPT];
    struct hf_frame frame[KEPT];
    unsigned next;
} cache;

static const struct hf_frame *frame_of(const struct hf_slice *slice, const struct key *key)
{
    unsigned slot;

    for (slot = 0; slot < KEPT; slot++) {
        const struct key *kept = &cache.key[slot];

        if (kept->seed == key->seed && kept->who == key->who && kept->number == key->number &&
            kept->period_ticks == key->period_ticks && kept->duty == key->duty)
            return &cache.frame[slot];
    }
    slot = cache.next++ % KEPT;
    hf_frame_make(slice, key->who, key->period_ticks, key->number, &cache.frame[slot]);
    cache.key[slot] = *key;
    return &cache.frame[slot];
}

/* Boundaries are whole ticks: the parts of two frames below one tick are cut off in the same way wherever
 * they are asked for. */
static uint64_t tick_of(double frame_begin, double t)
{
    return (uint64_t)(frame_begin + t);
}

/* The frame that holds time t: the quotient, put right where rounding has moved it. */
static uint64_t frame_number(double length, uint64_t t)
{
    uint64_t number = (uint64_t)((double)t / length);

    number += t >= (uint64_t)((double)(number + 1) * length);
    number -= t < (uint64_t)((double)number * length);
    return number;
}

/* The cycle that holds time t. */
static int cycle_at(const struct hf_frame *frame, double frame_begin, uint64_t t)
{
    int low = 0;
    int high = HF_FRAME_CYCLES;

    while (high - low > 1) {
        int middle = (low + high) / 2;

        if (tick_of(frame_begin, frame->on[middle]) <= t)
            low = middle;
        else
            high = middle;
    }
    return low;
}

struct hf_phase hf_telegraph_at(const struct hf_timeline *timeline, uint64_t t)
{
    const struct hf_slice *slice = timeline->slice;
    double period_ticks = slice->period_s * timeline->ticks_per_second * hf_dither_factor(timeline);
    double length = HF_FRAME_CYCLES * period_ticks;
    int inverted = slice->sync == HF_SYNC_ANTIPHASE && timeline->place->group % 2;
    struct key key = {.seed = slice->seed,
                      .who = hf_schedule_who(timeline),
                      .number = frame_number(length, t),
                      .period_ticks = period_ticks,
                      .duty = slice->duty};
    const struct hf_frame *frame = frame_of(slice, &key);
    double begin = (double)key.number * length;
    int cycle = cycle_at(frame, begin, t);
    uint64_t off = tick_of(begin, frame->off[cycle]);
    uint64_t edges = key.number * HF_FRAME_CYCLES + (uint64_t)cycle;

    if (t < off) /* an inverted schedule has its edges where the other rests */
        return (struct hf_phase){inverted ? HF_WORK_REST : HF_WORK_MAIN, tick_of(begin, frame->on[cycle]),
                                 off, inverted ? edges : edges + 1, 0};
    return (struct hf_phase){inverted ? HF_WORK_MAIN : HF_WORK_REST, off,
                             tick_of(begin, frame->on[cycle + 1]), edges + 1, 0};
}
