/*
 * The pool: one pinned worker process per logical CPU under test, spawned and reaped by the libuv loop.
 *
 * Calling order: hf_pool_new() (spawns nothing), hf_pool_spawn_all(), then poll states from a timer;
 * hf_pool_command() per group; hf_pool_stop() and run the loop until hf_pool_live() is 0; hf_pool_free().
 *
 * A worker's death is told by on_death and never ends anything by itself: the supervisor judges it and calls
 * hf_pool_respawn().
 */
#ifndef HOLDFAST_HARNESS_POOL_H
#define HOLDFAST_HARNESS_POOL_H

#include <stdint.h>
#include <uv.h>

#include "harness/shared.h"
#include "harness/strike.h"
#include "holdfast/error.h"

/* Where one worker belongs: group and the profile's CPU number on one side, the real CPU on the other. */
struct hf_pool_place {
    int group;
    int rank; /* within the group */
    int profile_cpu;
    int real_cpu;
};

struct hf_pool;

struct hf_worker {
    struct hf_pool *pool;
    int index;
    struct hf_pool_place place;
    uv_process_t process;
    int pid;     /* 0: not running */
    int closing; /* its handle is being closed */
    int respawn_wanted;
    int killed;         /* by hf_pool_kill: its death says nothing about its core */
    int wanted_command; /* enum hf_worker_command it should obey once it is up */
    int64_t spawned_ns;
    int64_t ready_ns; /* when it was first seen ready; 0: not yet */
};

typedef void hf_pool_on_death(void *context, struct hf_worker *worker, int64_t exit_status,
                              int signal_number);

struct hf_pool {
    uv_loop_t *loop;
    struct hf_shared *shared;
    int shared_fd;
    int worker_count;
    int group_count;
    int stopping;
    struct hf_worker *worker;
    char program[4096]; /* path of this very program */
    hf_pool_on_death *on_death;
    void *context;
};

/* Makes the loop. libuv ends the process when it cannot have the few file descriptors of its own; so they are
 * looked for first, and HF_E_MISSING says that there are too few. */
int hf_pool_loop_init(uv_loop_t *ret_loop, struct hf_error *error);

int hf_pool_new(uv_loop_t *loop, const struct hf_pool_place *places, int count, hf_pool_on_death *on_death,
                void *context, struct hf_pool **ret_pool, struct hf_error *error);
/* No worker may be alive. NULL is allowed. */
void hf_pool_free(struct hf_pool *pool);

int hf_pool_spawn_all(struct hf_pool *pool, struct hf_error *error);
int hf_pool_respawn(struct hf_pool *pool, struct hf_worker *worker, struct hf_error *error);

/* The command of every worker of a group (HF_GROUP_ALL: of all). */
void hf_pool_command(struct hf_pool *pool, int group, enum hf_worker_command command);

void hf_pool_command_one(struct hf_worker *worker, enum hf_worker_command command);

/* 1 when every live worker of the group has the state. */
int hf_pool_all_in_state(const struct hf_pool *pool, int group, enum hf_worker_state state);

/* 1 when a strike on the group has not had its effect yet. */
int hf_pool_strike_pending(const struct hf_pool *pool, int group);

/* Ends one worker at once, or all of them; no respawn after stop. */
void hf_pool_kill(struct hf_worker *worker);
void hf_pool_stop(struct hf_pool *pool);
int hf_pool_live(const struct hf_pool *pool);

/* Why the first worker that is not confined (confine.h) is not; NULL: all are, or nobody needs to know. */
const char *hf_pool_unconfined(const struct hf_pool *pool);

static inline struct hf_worker_slot *hf_worker_slot_of(const struct hf_worker *worker)
{
    return &worker->pool->shared->slot[worker->index];
}

static inline int hf_worker_in_group(const struct hf_worker *worker, int group)
{
    return group == HF_GROUP_ALL || worker->place.group == group;
}

#endif
