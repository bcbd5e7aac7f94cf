/*
 * Mixes, slices and patterns: what load runs when.
 *
 * A mix is a weighted list of kernel x pattern entries. A programme is the endless sequence of slices drawn
 * from a mix by a seed: slice number n is a pure function of (mix, seed, n), so every slice can be reproduced
 * from what the journal records. All workers of a run work through the same programme at the same time.
 */
#ifndef HOLDFAST_MIX_H
#define HOLDFAST_MIX_H

#include <stdint.h>

#include "holdfast/error.h"
#include "holdfast/event.h"
#include "holdfast/kernel.h"
#include "holdfast/text.h"

#define HF_MIX_ENTRIES_MAX 64
#define HF_COMPANY_GROUPS  3 /* company runs on one group in so many */

/* On/off in time. */
enum hf_pattern {
    HF_PATTERN_STEADY,
    HF_PATTERN_SQUARE,
    HF_PATTERN_SOLO_THEN_ALL,
    HF_PATTERN_TELEGRAPH, /* random on and off times */
    HF_PATTERN_WAKE,      /* sleeps, and bursts out of them */
    HF_PATTERN_SWING,     /* square, seconds long: heat and the supply */
    HF_PATTERN_COUNT
};

/* Over the cores. */
enum hf_sync {
    HF_SYNC_FREE,
    HF_SYNC_GROUP,
    HF_SYNC_ALL,
    HF_SYNC_ANTIPHASE,
    HF_SYNC_DITHER,
    HF_SYNC_COUNT
};

const char *hf_pattern_name(enum hf_pattern pattern); /* "steady", "square", ... */
int hf_pattern_of_name(const char *name);
const char *hf_sync_name(enum hf_sync sync);
int hf_sync_of_name(const char *name);

struct hf_mix_entry {
    char kernel[HF_NAME_MAX];
    int width_bits;                /* 0: the widest that runs here */
    char solo_kernel[HF_NAME_MAX]; /* solo-then-all: the light scalar work; "" otherwise */
    enum hf_pattern pattern;
    enum hf_sync sync;
    double period_s;                 /* square, swing: of one on-off cycle; telegraph: the mean of one */
    double period_high_s;            /* each slice draws its period from period_s to this, log-uniformly */
    double duty;                     /* square, swing, telegraph: share on */
    double weight;                   /* share of time, any positive scale */
    char stream_kernel[HF_NAME_MAX]; /* solo-then-all: the memory streaming after the burst; "" none */
    char company[HF_NAME_MAX];       /* what a third of the groups runs instead, steadily; "" none */
};

struct hf_mix {
    char name[HF_NAME_MAX];
    int entry_count;
    double slice_low_s, slice_high_s; /* length of a slice, uniform; default 0.5 to 2 */
    struct hf_mix_entry entry[HF_MIX_ENTRIES_MAX];
};

/* A slice of the programme: plain data, shared with the workers. */
struct hf_slice {
    uint64_t number;
    uint64_t seed;       /* of the slice: blocks derive theirs from it */
    int32_t entry;       /* index in the mix, for exposure per kernel */
    int32_t kernel;      /* registry index */
    int32_t solo_kernel; /* registry index or -1 */
    int32_t operands;    /* enum hf_operands */
    int32_t pattern;     /* enum hf_pattern */
    int32_t sync;        /* enum hf_sync */
    double period_s;
    double duty;
    double length_s;
    int32_t stream_kernel; /* registry index or -1 */
    int32_t company;       /* 1 + registry index of what a third of the groups runs instead; 0: nothing */
    int32_t company_turn;  /* which third */
    int32_t is_company;    /* 1: as hf_slice_for_group() made it for a group of that third */
    int32_t is_baseline;   /* 1: of the mix `memory`, in the proof of the baseline */
};

/* Limits of a mix: what the parser allows. */
#define HF_MIX_BYTES_MAX           (256 * 1024)
#define HF_PULSE_PERIOD_LOW_S      5e-9   /* square, of a kernel that works in pulses */
#define HF_SQUARE_PERIOD_LOW_S     100e-9 /* square, of the others */
#define HF_SQUARE_PERIOD_HIGH_S    60.0
#define HF_TELEGRAPH_PERIOD_LOW_S  60e-9 /* mean on and off times of 30 ns each */
#define HF_TELEGRAPH_PERIOD_HIGH_S 2e-3
#define HF_SWING_PERIOD_LOW_S      0.2 /* 0.1 s on, 0.1 s off */
#define HF_SWING_PERIOD_HIGH_S     60.0

/* The embedded mixes, in the order of their table: quick, screen, night, ... */
int hf_mix_builtin_count(void);
const struct hf_mix *hf_mix_builtin_at(int index);

/* One of them by name; HF_E_NOT_FOUND lists the names. */
int hf_mix_builtin(const char *name, struct hf_mix *ret_mix, struct hf_error *error);

/* A mix file (JSON; docs/mix.schema.json), read strictly: unknown or duplicate keys, wrong types, values
 * out of range, unknown kernels, patterns and sync modes are refused with file, path and the allowed
 * values. */
int hf_mix_parse(const char *bytes, size_t size, const char *source, struct hf_mix *ret_mix,
                 struct hf_error *error);

/* The mix as a mix file, added to the text. */
void hf_mix_write(const struct hf_mix *mix, struct hf_text *text);

/* The mean length of an entry's slices: a slice of the pattern swing lasts two periods at least. */
double hf_mix_entry_length_s(const struct hf_mix *mix, const struct hf_mix_entry *entry);

/* Slice number n of the programme. Pure: depends on its arguments and on which kernels this CPU runs.
 * Weights, which are shares of time, are kept by a golden-ratio walk, so that each entry whose share of the
 * slices is w turns up within 3/w slices; operand sets rotate. */
void hf_mix_slice(const struct hf_mix *mix, uint64_t seed, uint64_t number, struct hf_slice *ret_slice);

/* The slice as the workers of a group run it: the slice itself, or the company it gives the others. A
 * mismatch names what was really run. With one group there is nobody to keep company. Pure. */
void hf_slice_for_group(const struct hf_slice *slice, int group, int group_count, struct hf_slice *ret_slice);

/* Seed of block number `block` of a worker within a slice. Pure. */
uint64_t hf_slice_block_seed(const struct hf_slice *slice, int worker, uint64_t block);

/* --- running one block (worker side) --- */

/* What a worker knows of its place. */
struct hf_place {
    int worker; /* among all workers */
    int worker_count;
    int group; /* the worker's group, and its rank in it */
    int rank;
    int group_size;
    int group_count;
    uint64_t epoch_ticks; /* hf_ticks_now() value at which the slice began: the same for all workers */
};

/* The result of one block: enough for anybody to recompute the answer. */
struct hf_block {
    uint64_t seed;
    uint64_t steps;      /* of the slice's kernel */
    uint64_t solo_steps; /* of the solo kernel; 0 when there is none */
    uint64_t digest;     /* of both states */
    uint64_t edges_met;  /* pattern edges met in time, and missed (skipped, never caught up) */
    uint64_t edges_missed;
    uint64_t stream_steps; /* of the stream kernel; 0 when there is none */
};

/* Runs one block of about block_s (at most 20 ms): start, bursts under the slice's pattern, digest.
 * `states` holds HF_BLOCK_STATES states of hf_kernel_state_bytes_max(), 64-byte aligned. Returns early, with
 * fewer steps, when *stop becomes non-zero: looked at between bursts of about 40 us and rests of at most 10
 * ms. Under the pattern wake a sleep that begins within the block is slept to its end, and the burst that
 * follows belongs to the block too: such a block may last 55 ms, of which 1 ms at most is work.
 * A block may well be all rest and advance nothing (a long period, a worker come late): it still has its
 * answer. */
#define HF_BLOCK_STATES 3 /* main, solo, stream */

void hf_block_run(const struct hf_slice *slice, const struct hf_place *place, uint64_t block_seed,
                  double block_s, void *states, const volatile int *stop, struct hf_block *ret_block);

/* The digest the block must have. Uses closed forms only. */
uint64_t hf_block_expect(const struct hf_slice *slice, const struct hf_block *block);

/* After a mismatch: the first wrong lane of the states left by hf_block_run; HF_LANE_SOLO is added to a
 * lane of the solo kernel's state, HF_LANE_STREAM to one of the stream kernel's. Lane -1: the states are
 * right, so the digest was wrong when it was made or carried. */
#define HF_LANE_SOLO   1000000
#define HF_LANE_STREAM 2000000

void hf_block_locate(const struct hf_slice *slice, const struct hf_block *block, const void *states,
                     struct hf_lane_report *ret_report);

/* --- edges, for bench --- */

/* While a log is set, each edge that a block of this thread meets in time is added to it: the edge's
 * number (the same edge has the same number in all workers of one slice) and the ticks at which work
 * began. */
struct hf_edge_log {
    uint64_t *number;
    uint64_t *ticks;
    size_t count;
    size_t max;
    /* of batches of counted cycles (periods below a microsecond), whose edges are not logged one by one: the
     * mean period of each, and how long its work would have taken without the rests, over that period */
    double *batch_period_ticks; /* NULL: not wanted */
    double *batch_work_share;
    size_t batch_count;
    size_t batch_max;
};

void hf_edge_log_set(struct hf_edge_log *log); /* NULL: stop logging */

/* --- a planted error, for bench: how soon it is reported --- */

/* While one is set, a block of this thread flips bit number `bit` of the state that it works on, once,
 * between the first two bursts that lie at least after_ticks behind the block's begin, and writes down when
 * (0: not yet). Patterns that run counted cycles only are not planted. */
struct hf_planting {
    uint64_t after_ticks;
    uint64_t bit;
    uint64_t planted_ticks;
};

void hf_planting_set(struct hf_planting *planting); /* NULL: none */

/* --- counted time: the time-stamp counter where it is invariant, else the monotonic clock (also where
 * HOLDFAST_TICKS=clock is in the environment) --- */
uint64_t hf_ticks_now(void);
double hf_ticks_per_second(void);  /* calibrated once per process against CLOCK_MONOTONIC_RAW, cached */
const char *hf_ticks_source(void); /* "time-stamp counter" or "monotonic clock" */
/* The calibration can be given by the supervisor so that all workers share one. */
void hf_ticks_set_rate(double ticks_per_second);

#endif
