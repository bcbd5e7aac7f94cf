/*
 * Narrowing a failure: from a load that failed to the smallest load that still fails as often.
 *
 * A load is a set of elements: entries of the mix, groups that keep the failing group company, cores of that
 * group, and the patterns of the entries (without its pattern an entry runs steadily). The search removes
 * elements by halves, then by smaller parts (delta debugging: Zeller and Hildebrandt 2002), but faults come
 * at random, so each question is a sequential test (Wald 1947): fails   only on evidence: the mean time to a
 * fault is not 10 times as long as what is being narrowed holds   only on exposure to match: it is Undecided
 * counts as holding: the element stays. With a chance of at most 5 % each way, an answer is wrong.
 *
 *   REPLAY --at least 2 faults--> TRY ... TRY --nothing more can be removed--> CONFIRM --> FOUND
 *     |                            ^                                              |
 *     +--> MEASURE (whole mix) ----+                                              +--> NOT_CONFIRMED
 *             +--> NOT_REPRODUCED
 *
 * Pure: no clock, no random number, no system call. hf_narrow_next() is a function of what was learned, so a
 * search that was cut off by a reset is taken up by learning the recorded answers again.
 *
 * Calling order: hf_narrow_init(); while hf_narrow_next() gives a trial, carry it out and hf_narrow_learn()
 * what came of it; read the result.
 */
#ifndef HOLDFAST_HARNESS_NARROW_H
#define HOLDFAST_HARNESS_NARROW_H

#include <stdint.h>

#include "harness/sequential.h"
#include "holdfast/mix.h"

#define HF_NARROW_CORES_MAX 32
#define HF_NARROW_TRIES_MAX 512 /* trials of one search, at most */

enum hf_narrow_part {
    HF_NARROW_ENTRIES,
    HF_NARROW_COMPANY,
    HF_NARROW_CORES,
    HF_NARROW_PATTERNS,
    HF_NARROW_PART_COUNT
};

#define HF_NARROW_ELEMENTS_MAX (2 * HF_MIX_ENTRIES_MAX + HF_GROUPS_MAX + HF_NARROW_CORES_MAX)

/* Plain data; two loads are the same exactly when their bytes are. */
struct hf_narrow_load {
    uint8_t entry[HF_MIX_ENTRIES_MAX];   /* 1: in the mix */
    uint8_t company[HF_GROUPS_MAX];      /* 1: runs beside */
    uint8_t core[HF_NARROW_CORES_MAX];   /* 1: works */
    uint8_t pattern[HF_MIX_ENTRIES_MAX]; /* 1: the entry keeps its pattern; 0: steady, or not in the mix */
};

/* What failed. Zero is the default where a default is named. */
struct hf_narrow_config {
    struct hf_narrow_load whole; /* everything that ran */
    int slice_entry;             /* entry of the recorded slice; -1: unknown, no replay */
    double recorded_s;           /* exposure at which it failed */
    double replay_s;             /* how long the replay may take; default 3 x recorded + 60 */
    double floor_s;              /* mean times below this cannot be told apart; default 1 */
};

enum hf_narrow_kind {
    HF_NARROW_REPLAY,  /* the recorded slice exactly */
    HF_NARROW_MEASURE, /* the whole mix */
    HF_NARROW_TRY,     /* a smaller load */
    HF_NARROW_CONFIRM  /* the smallest, anew: its mean time to fault */
};

struct hf_narrow_trial {
    enum hf_narrow_kind kind;
    struct hf_narrow_load load;
    struct hf_sequential_rule rule; /* ACCEPTED: holds, REJECTED: fails */
};

enum hf_narrow_outcome {
    HF_NARROW_SEARCHING,
    HF_NARROW_FOUND,
    HF_NARROW_NOT_REPRODUCED, /* neither the slice nor the whole mix failed twice */
    HF_NARROW_NOT_CONFIRMED   /* the smallest load did not fail twice when it was run anew */
};

struct hf_narrow_tried {
    struct hf_narrow_load load;
    enum hf_sequential_state state;
};

/*
 * Invariants:
 *  1. `load` is the smallest load that has been judged failing (the replayed or measured one at first).
 *  2. While kind is TRY, `trial` differs from `load` by elements of `part` that were taken away, and has not
 * been tried.
 *  3. base_s > 0 from the first judged failing load on: what `load` is taken to need for a fault, on average.
 */
struct hf_narrow {
    struct hf_narrow_config config;
    enum hf_narrow_outcome outcome;
    struct hf_narrow_load load;
    double base_s;
    struct hf_narrow_trial trial; /* the one to carry out */
    enum hf_narrow_part part;
    int pieces; /* the part's elements are cut into so many */
    int piece;  /* -1: all of the part away; then each piece alone; then each piece away */
    int shrunk; /* in this round over the parts */
    int tried_count;
    struct hf_narrow_tried tried[HF_NARROW_TRIES_MAX];
    struct hf_sequential_tally last; /* NOT_REPRODUCED: of the whole mix; else of the confirmation */
};

const char *hf_narrow_kind_name(enum hf_narrow_kind kind); /* "replay", "measure", "try", "confirm" */

void hf_narrow_init(struct hf_narrow *narrow, const struct hf_narrow_config *config);

/* The trial to carry out; 0: the search is over, narrow->outcome says how. Asking twice gives the same
 * answer. */
int hf_narrow_next(const struct hf_narrow *narrow, struct hf_narrow_trial *ret_trial);

/* What came of it, by the trial's own rule. */
void hf_narrow_learn(struct hf_narrow *narrow, const struct hf_sequential_tally *tally);

/* How many elements of a part are in a load. */
int hf_narrow_size(const struct hf_narrow_load *load, enum hf_narrow_part part);

/* After FOUND: mean time to a fault under the smallest load, seconds, with a two-sided 90 % interval: the
 * confirmation is a test of its own, so that its figures are not those that led to the choice. Ended by its
 * last fault: 2T/chi2(0.95; 2r) to 2T/chi2(0.05; 2r); ended by its time: 2r + 2 on the left (NIST/SEMATECH
 * e-Handbook 8.4.5.1). */
void hf_narrow_mean(const struct hf_narrow *narrow, double *ret_mean_s, double *ret_low_s,
                    double *ret_high_s);

#endif
