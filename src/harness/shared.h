/*
 * Memory shared by the supervisor and its workers: one anonymous file (memfd), inherited as file
 * descriptor 3.
 *
 * Layout: struct hf_shared, then worker_count slots, then worker_count pairs of teams (workloads/team.h; not
 * all are used). All fields are host-endian; both sides are the same program.
 *
 * Invariants
 *  1. Every word has one writer: the supervisor or one worker, as the comments say. Words that both touch are
 * atomic.
 *  2. The present slice stands in slice[generation % 2]; the supervisor fills the other place first and then
 * adds one to generation. A reader copies and looks again: unchanged generation means a whole copy.
 *  3. The ring holds the blocks ring_tail .. ring_head - 1. The worker writes a record before it moves
 * ring_head, the supervisor reads it before it moves ring_tail. A full ring makes the worker wait: no block
 * goes unjudged.
 *  4. run counts the trials a worker was told to work for: a worker that finds another number looks its
 * memory through first, so that no trial is blamed for what an earlier one left behind.
 *  5. progress counts finished blocks, and arenas looked through, and never goes back within the life of one
 * worker process.
 */
#ifndef HOLDFAST_HARNESS_SHARED_H
#define HOLDFAST_HARNESS_SHARED_H

#include <stdalign.h>
#include <stdatomic.h>
#include <stddef.h>
#include <stdint.h>

#include "holdfast/error.h"
#include "holdfast/mix.h"
#include "workloads/sizes.h"
#include "workloads/team.h"

#define HF_SHARED_MAGIC UINT64_C(0x686f6c6466617374) /* "holdfast" */
#define HF_SHARED_FD    3
#define HF_RING_BLOCKS  128u
#define HF_WORKERS_MAX  2048
#define HF_BLOCK_S      0.005 /* wall time of one block: short enough to stop in time when CPUs are shared */

enum hf_worker_command {
    HF_WORKER_IDLE,
    HF_WORKER_RUN,
    HF_WORKER_PROVE,
    HF_WORKER_QUIT
};

enum hf_worker_state {
    HF_STATE_STARTING,
    HF_STATE_READY,   /* pinned, waiting */
    HF_STATE_RUNNING, /* in or between blocks */
    HF_STATE_PROVED,  /* the proof is done: planted and reported are final */
    HF_STATE_REFUSED  /* cannot work here: trouble says why */
};

/* One finished block. */
struct hf_block_record {
    uint64_t slice_number;
    uint64_t block_index;
    struct hf_block block;
    uint64_t worker_expected;   /* the worker's own closed form; equal to block.digest when all is well */
    struct hf_lane_report lane; /* filled when they differ */
    uint64_t began_ticks;
    uint64_t epoch_ticks; /* of its slice */
    int32_t alone;        /* 1: its kernel needs a partner and met none: it proves nothing */
    int32_t from;         /* worker whose handed-over data was wrong in memory; -1: none */
    uint64_t foreign;     /* the bits that were */
};

struct hf_worker_slot {
    /* written by the supervisor */
    alignas(64) _Atomic uint32_t command;
    volatile int stop; /* non-zero: end the present block early */
    _Atomic uint64_t ring_tail;
    _Atomic uint32_t strike;       /* enum hf_strike_kind wanted; the worker clears it when it is done */
    _Atomic uint32_t run;          /* grows by one with each change to HF_WORKER_RUN */
    _Atomic uint32_t chain_wanted; /* measure the core's clock between two blocks; the worker clears it */
    /* written by the worker: the counter has its cache line for itself */
    alignas(64) _Atomic uint64_t progress;
    alignas(64) _Atomic uint64_t ring_head;
    _Atomic uint32_t state;
    _Atomic uint32_t planted, reported;
    _Atomic uint32_t strikes_landed, strikes_masked;
    _Atomic uint32_t scrubs; /* times the arenas were looked through */
    _Atomic uint64_t edges_met, edges_missed;
    _Atomic uint32_t chain_count; /* measurements of the core's clock; moved after chain_mhz */
    _Atomic double chain_mhz;
    int32_t locked_memory;
    uint32_t confined; /* enum hf_confined; when it is not: why */
    char unconfined_reason[128];
    char trouble[192];
    struct hf_block_record ring[HF_RING_BLOCKS];
};

struct hf_shared {
    uint64_t magic;
    uint32_t worker_count;
    uint32_t slot_bytes;
    int32_t supervisor_pid;
    double ticks_per_second;
    alignas(64) _Atomic uint32_t generation; /* 0: no slice yet */
    struct hf_slice slice[2];
    uint64_t epoch_ticks[2];
    struct hf_place place[HF_WORKERS_MAX]; /* epoch_ticks of a place is not used here */
    struct hf_sizes sizes;                 /* of the memory kernels' arenas, the same in all workers */
    struct hf_team_seat seat[HF_WORKERS_MAX][HF_SCOPES];
    alignas(64) struct hf_worker_slot slot[];
};

size_t hf_shared_bytes(uint32_t worker_count);

/* Supervisor side: makes the file and maps it. */
int hf_shared_new(uint32_t worker_count, int *ret_fd, struct hf_shared **ret_shared, struct hf_error *error);
/* Worker side: maps file descriptor 3 and checks it. */
int hf_shared_attach(int fd, struct hf_shared **ret_shared, struct hf_error *error);
void hf_shared_unmap(struct hf_shared *shared);

/* Pair number `pair` of the teams. */
struct hf_team_pair *hf_shared_pair(struct hf_shared *shared, int pair);

void hf_shared_publish(struct hf_shared *shared, const struct hf_slice *slice, uint64_t epoch_ticks);
/* Copies the present slice and its epoch; 0 when there is none yet. */
int hf_shared_present(const struct hf_shared *shared, struct hf_slice *ret_slice, uint64_t *ret_epoch_ticks);

/* Sets the command and wakes the worker if it waits. */
void hf_shared_command(struct hf_worker_slot *slot, enum hf_worker_command command);
/* Waits until the command is no longer `seen`, at most about a second. */
void hf_shared_wait(struct hf_worker_slot *slot, enum hf_worker_command seen);

#endif
