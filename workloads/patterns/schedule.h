/*
 * Patterns: what a worker does at a time. Pure functions of (slice, place, time), so that all workers agree
 * without talking to each other, and a night can be replayed. Times are ticks since the slice's epoch.
 */
#ifndef HOLDFAST_WORKLOADS_SCHEDULE_H
#define HOLDFAST_WORKLOADS_SCHEDULE_H

#include <stdint.h>

#include "holdfast/mix.h"

enum hf_work {
    HF_WORK_REST,
    HF_WORK_MAIN,    /* the slice's kernel */
    HF_WORK_SOLO,    /* the light scalar kernel, on this worker alone */
    HF_WORK_COUNTED, /* many on-off cycles, by counted steps: periods too short for a clock */
};

/* What a worker does from `begin` up to `end`. */
struct hf_phase {
    enum hf_work work;
    uint64_t begin;
    uint64_t end;
    uint64_t edges; /* edges of the slice at or before begin: beginnings of MAIN or COUNTED work */
};

#define HF_PHASE_END_NEVER (UINT64_MAX / 4)

/* One round of solo-then-all: one worker alone from begin to release, all of them from release to end. */
struct hf_round {
    uint64_t number;
    uint64_t begin;
    uint64_t release;
    uint64_t end;
    int solo_worker;
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

/* The patterns, one file each. */
struct hf_phase hf_steady_at(const struct hf_timeline *timeline, uint64_t t);
struct hf_phase hf_square_at(const struct hf_timeline *timeline, uint64_t t);
struct hf_phase hf_solo_then_all_at(const struct hf_timeline *timeline, uint64_t t);

/* Round number `number` of a slice, given its begin. */
struct hf_round hf_round_make(const struct hf_slice *slice, int worker_count, double ticks_per_second,
                              uint64_t number, uint64_t begin);

/* square: the period and the first edge of this worker, in ticks. */
double hf_square_period_ticks(const struct hf_timeline *timeline);
double hf_square_offset_ticks(const struct hf_timeline *timeline);

/* Periods below this are counted, in batches of about HF_COUNTED_BATCH_S. */
#define HF_COUNTED_BELOW_S 1e-6
#define HF_COUNTED_BATCH_S 100e-6

/* Uniform in (0, 1): number `index` of stream `stream` of a slice. */
double hf_slice_uniform(const struct hf_slice *slice, uint64_t stream, uint64_t index);

#endif
