/*
 * solo-then-all: one worker runs light scalar work while the others wait; then all are released at the same
 * tick into the main kernel. Quick single-threaded work in turn with heavy work on all cores is the hardest
 * everyday load for a tuned machine (common practice, no source).
 *
 * A round: solo 5 to 25 us, log-uniform (one in 512: 10 to 500 ms), then all for 50 us to 5 ms, log-uniform.
 * The solo worker rotates: round r belongs to worker (r + a start drawn from the seed) modulo their number.
 * All of it follows from the slice's seed, so nobody has to say anything to anybody.
 */
#include <math.h>

#include "workloads/patterns/schedule.h"

#define STREAM_SOLO      3
#define STREAM_ALL       4
#define STREAM_LONG      5
#define STREAM_FIRST     6
#define LONG_SOLO_SHARE  (1.0 / 512)
#define SOLO_LOW_S       5e-6
#define SOLO_HIGH_S      25e-6
#define LONG_SOLO_LOW_S  10e-3
#define LONG_SOLO_HIGH_S 500e-3
#define ALL_LOW_S        50e-6
#define ALL_HIGH_S       5e-3

static double log_uniform(double low, double high, double uniform)
{
    return low * exp(uniform * log(high / low));
}

static double solo_s(const struct hf_slice *slice, uint64_t number)
{
    double uniform = hf_slice_uniform(slice, STREAM_SOLO, number);

    if (hf_slice_uniform(slice, STREAM_LONG, number) < LONG_SOLO_SHARE)
        return log_uniform(LONG_SOLO_LOW_S, LONG_SOLO_HIGH_S, uniform);
    return log_uniform(SOLO_LOW_S, SOLO_HIGH_S, uniform);
}

struct hf_round hf_round_make(const struct hf_slice *slice, int worker_count, double ticks_per_second,
                              uint64_t number, uint64_t begin)
{
    double all_s = log_uniform(ALL_LOW_S, ALL_HIGH_S, hf_slice_uniform(slice, STREAM_ALL, number));
    uint64_t first = (uint64_t)(hf_slice_uniform(slice, STREAM_FIRST, 0) * worker_count);
    struct hf_round round = {.number = number, .begin = begin};

    round.release = begin + (uint64_t)(solo_s(slice, number) * ticks_per_second);
    round.end = round.release + (uint64_t)(all_s * ticks_per_second);
    round.solo_worker = (int)((number + first) % (uint64_t)worker_count);
    return round;
}

/* Finding the round of a time means walking from the first one; the last one found is kept, for a block
 * begins where the one before it ended. Invariant: `round` is what walking from round 0 of this (seed,
 * workers, rate) gives. */
static _Thread_local struct {
    uint64_t seed;
    int worker_count;
    double ticks_per_second;
    struct hf_round round;
} cursor;

static void cursor_move(const struct hf_timeline *timeline, uint64_t t)
{
    const struct hf_slice *slice = timeline->slice;
    int worker_count = timeline->place->worker_count;
    double rate = timeline->ticks_per_second;

    if (cursor.seed != slice->seed || cursor.worker_count != worker_count ||
        cursor.ticks_per_second != rate || t < cursor.round.begin || cursor.round.end == 0) {
        cursor.seed = slice->seed;
        cursor.worker_count = worker_count;
        cursor.ticks_per_second = rate;
        cursor.round = hf_round_make(slice, worker_count, rate, 0, 0);
    }
    while (t >= cursor.round.end)
        cursor.round = hf_round_make(slice, worker_count, rate, cursor.round.number + 1, cursor.round.end);
}

struct hf_phase hf_solo_then_all_at(const struct hf_timeline *timeline, uint64_t t)
{
    const struct hf_round *round = &cursor.round;

    cursor_move(timeline, t);
    if (t >= round->release)
        return (struct hf_phase){HF_WORK_MAIN, round->release, round->end, round->number + 1};
    if (timeline->place->worker == round->solo_worker)
        return (struct hf_phase){HF_WORK_SOLO, round->begin, round->release, round->number};
    return (struct hf_phase){HF_WORK_REST, round->begin, round->release, round->number};
}
