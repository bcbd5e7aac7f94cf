/*
 * Patterns: what a worker does at a time. Pure functions of (slice, place, time), so that all workers agree
 * without talking to each other, and a night can be replayed. Times are ticks since the slice's epoch.
 *
 * A release of all cores at once (sync `all`) is nothing but an edge at the same tick for everybody: each
 * core spins on its own counter towards it.
 */
#ifndef HOLDFAST_WORKLOADS_SCHEDULE_H
#define HOLDFAST_WORKLOADS_SCHEDULE_H

#include <stdint.h>

#include "holdfast/mix.h"

enum hf_work {
    HF_WORK_REST,
    HF_WORK_MAIN,    /* the slice's kernel */
    HF_WORK_SOLO,    /* the light scalar kernel, on this worker alone */
    HF_WORK_STREAM,  /* memory streaming, on all workers */
    HF_WORK_COUNTED, /* many on-off cycles, by counted steps: periods too short for a clock */
};

/* What a worker does from `begin` up to `end`. */
struct hf_phase {
    enum hf_work work;
    uint64_t begin;
    uint64_t end;
    uint64_t edges; /* edges of the slice at or before begin: beginnings of MAIN or COUNTED work */
    int waking;     /* REST: sleep, in one piece, right up to the end; MAIN: the burst out of such a sleep */
};

#define HF_PHASE_END_NEVER (UINT64_MAX / 4)

/* One round of solo-then-all: one worker alone from begin to release (nobody in a quiet round), all of them
 * from release to stream, streaming from there to end. */
struct hf_round {
    uint64_t number;
    uint64_t begin;
    uint64_t release;
    uint64_t stream;
    uint64_t end;
    int solo_worker; /* -1: quiet */
};

/* A worker's timeline. */
struct hf_timeline {
    const struct hf_slice *slice;
    const struct hf_place *place;
    double ticks_per_second;
};

void hf_timeline_init(struct hf_timeline *timeline, const struct hf_slice *slice,
                      const struct hf_place *place, double ticks_per_second);

/* The phase that holds time t. */
struct hf_phase hf_timeline_at(const struct hf_timeline *timeline, uint64_t t);

/* The patterns, one file each. swing is a square. */
struct hf_phase hf_steady_at(const struct hf_timeline *timeline, uint64_t t);
struct hf_phase hf_square_at(const struct hf_timeline *timeline, uint64_t t);
struct hf_phase hf_solo_then_all_at(const struct hf_timeline *timeline, uint64_t t);
struct hf_phase hf_telegraph_at(const struct hf_timeline *timeline, uint64_t t);
struct hf_phase hf_wake_at(const struct hf_timeline *timeline, uint64_t t);

/* Round number `number` of a slice, given its begin. */
struct hf_round hf_round_make(const struct hf_slice *slice, int worker_count, double ticks_per_second,
                              uint64_t number, uint64_t begin);

/* square: the period and the first edge of this worker, in ticks. */
double hf_square_period_ticks(const struct hf_timeline *timeline);
double hf_square_offset_ticks(const struct hf_timeline *timeline);

/* telegraph: HF_FRAME_CYCLES cycles of random lengths, in ticks since the frame's begin; work in cycle i from
 * on[i] to off[i], rest up to on[i + 1]. on[0] is 0, on[HF_FRAME_CYCLES] the length of the frame. */
#define HF_FRAME_CYCLES 128

struct hf_frame {
    double on[HF_FRAME_CYCLES + 1];
    double off[HF_FRAME_CYCLES];
};

void hf_frame_make(const struct hf_slice *slice, uint64_t who, double period_ticks, uint64_t number,
                   struct hf_frame *ret_frame);

/* wake: cycle number `number` of the schedule of `who`, in seconds. */
struct hf_wake {
    double sleep_s;
    double burst_s;
};

struct hf_wake hf_wake_make(const struct hf_slice *slice, uint64_t who, uint64_t number);

/* Whose random schedule a worker follows: everybody's own (free), their group's, or one for all. */
uint64_t hf_schedule_who(const struct hf_timeline *timeline);

/* dither: this worker's time runs by this factor slower or faster; 1 in the other sync modes. */
double hf_dither_factor(const struct hf_timeline *timeline);

/* Periods below this are counted, in batches of about HF_COUNTED_BATCH_S. */
#define HF_COUNTED_BELOW_S 1e-6
#define HF_COUNTED_BATCH_S 100e-6

/* Mean cycles of telegraph below this are counted: on times of a cycle vary, and a clock cannot follow the
 * shortest of them. */
#define HF_TELEGRAPH_COUNTED_BELOW_S 4e-6

int hf_slice_is_counted(const struct hf_slice *slice);

/* Uniform in (0, 1): number `index` of stream `stream` of a slice. */
double hf_slice_uniform(const struct hf_slice *slice, uint64_t stream, uint64_t index);

/* The streams, so that no two patterns draw the same numbers. */
enum hf_stream {
    HF_STREAM_PHASE = 1,
    HF_STREAM_DITHER,
    HF_STREAM_SOLO,
    HF_STREAM_ALL,
    HF_STREAM_KIND,
    HF_STREAM_FIRST,
    HF_STREAM_STREAMING,
    HF_STREAM_COUNTED,
    HF_STREAM_SLEEP = 100, /* and one more for each `who` */
    HF_STREAM_BURST = 10000,
    HF_STREAM_FRAME = 20000
};

#endif
