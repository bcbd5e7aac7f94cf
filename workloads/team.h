/*
 * Teams: the memory in which two workers hand things to each other, for the kernels handoff-group (partners
 * of one core group) and handoff-across (partners of two groups).
 *
 * A pair lies in memory that both workers map. Each side has a line that only it writes: a token, a numbered
 * message whose every word follows from its number, and the number it saw last from the other side. Two more
 * lines are for both: counters side by side that each owns one of (false sharing), and a lock with what it
 * guards.
 *
 * Nobody relies on the other: a partner may be late, stopped, killed, or not there at all. All waits are
 * bounded by ticks, and a lock whose holder died is freed when its worker begins anew (hf_team_join).
 *
 * A token line, as seen by the reader: the number is 0 while the line is being written; a reader takes the
 * number, the words, and the number again, and believes the words when both numbers are the same and not 0.
 *
 * Calling order: hf_team_plan() in the supervisor; in each worker hf_team_join() for both scopes. Without
 * that a kernel has no partner.
 */
#ifndef HOLDFAST_WORKLOADS_TEAM_H
#define HOLDFAST_WORKLOADS_TEAM_H

#include <stdalign.h>
#include <stdatomic.h>
#include <stdint.h>

#define HF_TOKEN_WORDS 6

enum hf_scope {
    HF_SCOPE_GROUP,  /* both partners in one core group */
    HF_SCOPE_ACROSS, /* in two */
    HF_SCOPES
};

struct hf_team_side {
    alignas(64) _Atomic uint64_t number;   /* of the token; 0: being written, or none yet */
    _Atomic uint64_t word[HF_TOKEN_WORDS]; /* each follows from the number: hf_token_word() */
    _Atomic uint64_t seen;                 /* the other side's number, taken last */
};

struct hf_team_pair {
    struct hf_team_side side[2];
    alignas(64) _Atomic uint64_t count[2]; /* side i alone adds to count[i] */
    alignas(64) _Atomic uint64_t lock;     /* 0: free; 1 + side of its holder */
    _Atomic uint64_t guarded[2];           /* under the lock: a value, and what follows from it */
    _Atomic uint64_t holder;               /* under the lock: 1 + side that wrote them last; 0: nobody yet */
};

/* Where a worker sits in a scope. */
struct hf_team_seat {
    int32_t pair;    /* -1: no partner */
    int32_t side;    /* 0 or 1 */
    int32_t partner; /* worker; -1: none */
};

static inline uint64_t hf_token_word(uint64_t number, int index)
{
    uint64_t word =
        (number ^ UINT64_C(0x9e3779b97f4a7c15)) * (UINT64_C(0xd1342543de82ef95) + 2 * (uint64_t)index);

    return word ^ word >> 32;
}

/* Seats of `count` workers, from the group of each and its rank within that; returns how many pairs are used,
 * at most count. Ranks 2 i and 2 i + 1 of a group are partners; so are equal ranks of the groups 2 i and 2 i
 * + 1. */
int hf_team_plan(const int *group, const int *rank, int count, struct hf_team_seat (*ret_seats)[HF_SCOPES]);

/* This process takes its place; pair NULL: alone. */
void hf_team_join(enum hf_scope scope, struct hf_team_pair *pair, int side);

/* What this process joined. */
struct hf_team_place {
    struct hf_team_pair *pair;
    int side;
    int alone;
};

extern _Thread_local struct hf_team_place hf_team_places[HF_SCOPES];

#endif
