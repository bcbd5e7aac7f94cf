/*
 * solo-then-all: what mixed machine-learning style load does to a rail. One worker runs light scalar work
 * while the others wait; then all are released at the same tick into the main kernel, and then all stream
 * memory. Quick single-threaded work in turn with heavy work on all cores is the hardest everyday load for a
 * tuned machine (common practice, no source).
 *
 * A round:
 *   solo     5 to 25 us, log-uniform; one round in LONG_ROUNDS: 10 to 500 ms, log-uniform; and one in as many
 *            is quiet instead: nobody works for 10 to 500 ms
 *   all      50 us to 5 ms, log-uniform
 *   stream   20 us to 1 ms, log-uniform; left out when the slice has no stream kernel
 * The means are 12 us, 1.07 ms and 0.25 ms, and 0.12 ms a round each for the long and the quiet ones: so
 * about two thirds of the time belong to vectors, a sixth to memory, a sixth to long and quiet stretches.
 * The shares and the length of streaming are engineering judgement.
 *
 * The solo worker rotates: round r belongs to worker (r + a start drawn from the seed) modulo their number.
 * All of it follows from the slice's seed, so nobody has to say anything to anybody.
 */
#include <math.h>

#include "workloads/patterns/schedule.h"

#define LONG_ROUNDS   1024.0
#define SOLO_LOW_S    5e-6
#define SOLO_HIGH_S   25e-6
#define LONG_LOW_S    10e-3
#define LONG_HIGH_S   500e-3
#define ALL_LOW_S     50e-6
#define ALL_HIGH_S    5e-3
#define STREAM_LOW_S  20e-6
#define STREAM_HIGH_S 1e-3

static double log_uniform(double low, double high, double uniform)
{
    return low * exp(uniform * log(high / low));
}

struct hf_round hf_round_make(const struct hf_slice *slice, int worker_count, double ticks_per_second,
                              uint64_t number, uint64_t begin)
{
    double kind = LONG_ROUNDS * hf_slice_uniform(slice, HF_STREAM_KIND, number);
    double uniform = hf_slice_uniform(slice, HF_STREAM_SOLO, number);
    double solo_s = kind < 2 ? log_uniform(LONG_LOW_S, LONG_HIGH_S, uniform)
                             : log_uniform(SOLO_LOW_S, SOLO_HIGH_S, uniform);
    double all_s = log_uniform(ALL_LOW_S, ALL_HIGH_S, hf_slice_uniform(slice, HF_STREAM_ALL, number));
    uint64_t first = (uint64_t)(hf_slice_uniform(slice, HF_STREAM_FIRST, 0) * worker_count);
    struct hf_round round = {.number = number, .begin = begin};

    round.release = begin + (uint64_t)(solo_s * ticks_per_second);
    round.stream = round.end = round.release + (uint64_t)(all_s * ticks_per_second);
    if (slice->stream_kernel >= 0) {
        uniform = hf_slice_uniform(slice, HF_STREAM_STREAMING, number);
        round.end += (uint64_t)(log_uniform(STREAM_LOW_S, STREAM_HIGH_S, uniform) * ticks_per_second);
    }
    round.solo_worker = kind < 1 ? -1 : (int)((number + first) % (uint64_t)worker_count);
    return round;
}

/* Finding the round of a time means walking from the first one; the last two are kept, for a block begins
 * where the one before it ended, and a worker looks one phase ahead. Invariant: `round` is what walking from
 * round 0 of this (seed, workers, rate, streaming) gives, `before` the one before it (the same when there is
 * none). */
static _Thread_local struct {
    uint64_t seed;
    int worker_count; /* 0: nothing kept yet */
    int streaming;
    double ticks_per_second;
    struct hf_round round, before;
} cursor;

static const struct hf_round *round_at(const struct hf_timeline *timeline, uint64_t t)
{
    const struct hf_slice *slice = timeline->slice;
    int worker_count = timeline->place->worker_count;
    int streaming = slice->stream_kernel >= 0;
    double rate = timeline->ticks_per_second;

    if (cursor.seed != slice->seed || cursor.worker_count != worker_count || cursor.streaming != streaming ||
        cursor.ticks_per_second != rate || t < cursor.before.begin) {
        cursor.seed = slice->seed;
        cursor.worker_count = worker_count;
        cursor.streaming = streaming;
        cursor.ticks_per_second = rate;
        cursor.round = cursor.before = hf_round_make(slice, worker_count, rate, 0, 0);
    }
    while (t >= cursor.round.end) {
        cursor.before = cursor.round;
        cursor.round = hf_round_make(slice, worker_count, rate, cursor.before.number + 1, cursor.before.end);
    }
    return t < cursor.round.begin ? &cursor.before : &cursor.round;
}

struct hf_phase hf_solo_then_all_at(const struct hf_timeline *timeline, uint64_t t)
{
    const struct hf_round *round = round_at(timeline, t);

    if (t >= round->stream)
        return (struct hf_phase){HF_WORK_STREAM, round->stream, round->end, round->number + 1, 0};
    if (t >= round->release)
        return (struct hf_phase){HF_WORK_MAIN, round->release, round->stream, round->number + 1, 0};
    if (timeline->place->worker == round->solo_worker)
        return (struct hf_phase){HF_WORK_SOLO, round->begin, round->release, round->number, 0};
    return (struct hf_phase){HF_WORK_REST, round->begin, round->release, round->number, 0};
}
