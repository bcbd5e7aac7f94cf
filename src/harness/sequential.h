/*
 * Sequential trials: so many trials of the same load as it takes to decide. Used by verify (accept or reject
 * a claim) and by the narrowing of a failure (does this smaller load still fail?).
 *
 * A fault ends a trial and not the test: the next trial of the same group goes on where it ended. Exposure
 * and faults add up in a tally, which is a fold over the journal's events, so that a test goes on after a
 * reset.
 *
 * Calling order: fill the director (zero is the default), hf_sequential_director_start(); feed every event
 * that belongs to the test to hf_sequential_director_observe(); read result[] and tally[] at the end.
 */
#ifndef HOLDFAST_HARNESS_SEQUENTIAL_H
#define HOLDFAST_HARNESS_SEQUENTIAL_H

#include "harness/supervisor.h"
#include "holdfast/random.h"
#include "holdfast/statistics.h"

#define HF_SEQUENTIAL_VOIDS_MAX 3 /* void trials in a row, after which a group stays undecided */

/* What one group has served so far. */
struct hf_sequential_tally {
    uint64_t open_trial; /* 0: none */
    double open_s;       /* exposure of the open trial, as last journalled */
    double served_s;     /* of the trials that ended, void ones excepted */
    int faults;
    int resets;       /* of them, resets of the machine */
    int voids_in_row; /* since the last pass or failure */
    enum hf_cause last_cause;
    enum hf_cause judged_cause; /* of the last pass or failure */
    int cpu_known;              /* 1: a fault has named its CPU, the profile's number: */
    int cpu;                    /* the first one named */
    int cpu_faults;             /* faults that named it */
};

/* Folds one event of the given purpose into the tallies of all groups. */
void hf_sequential_tally_observe(struct hf_sequential_tally *tally, int group_count, enum hf_purpose purpose,
                                 const struct hf_event *event);

/* --- the rule ---------------------------------------------------------------------------------------- */

/* When a group's test is over. */
struct hf_sequential_rule {
    int has_test; /* 1: `test` decides; 0: only the limits below end it */
    struct hf_sequential_test test;
    double credit_s;   /* old evidence, as exposure without a fault: counts towards acceptance only */
    int faults_max;    /* stop at so many faults; 0: no limit */
    double served_max; /* stop after so much exposure, seconds; 0: no limit */
};

enum hf_sequential_state {
    HF_TEST_GOING_ON,
    HF_TEST_ACCEPTED,
    HF_TEST_REJECTED,
    HF_TEST_STOPPED,  /* a limit was reached first */
    HF_TEST_UNDECIDED /* too many void trials in a row */
};

enum hf_sequential_state hf_sequential_state(const struct hf_sequential_rule *rule,
                                             const struct hf_sequential_tally *tally);

/* What decided a test that is over: not the void end of a trial that its group ran as company afterwards.
 * What ended the last trial, while it goes on or stays undecided. */
enum hf_cause hf_sequential_cause(const struct hf_sequential_rule *rule,
                                  const struct hf_sequential_tally *tally);

/* Exposure that is still to be served if no fault comes, seconds; above 0 while the test goes on. */
double hf_sequential_left_s(const struct hf_sequential_rule *rule, const struct hf_sequential_tally *tally);

/*
 * The test behind verify. theta1: the claim's mean time between faults, to be excluded; theta0 > theta1: what
 * the group is believed to have. The chance to accept a group at theta1 or worse is at most beta, to reject
 * one at theta0 or better at most alpha, both exactly bounded (Ville 1939), not only approximately as with
 * Wald's usual limits: ln(1/beta) and ln(1/alpha) are used for ln((1 - alpha)/beta) and ln((1 - beta)/alpha).
 */
void hf_sequential_claim(double theta0_s, double theta1_s, double alpha, double beta,
                         struct hf_sequential_test *ret_test);

/* Exposure without a fault after which hf_sequential_claim accepts, and the claim that so much exposure
 * proves. */
double hf_sequential_accept_s(double theta1_s, double discrimination, double beta);
double hf_sequential_theta1_s(double accept_s, double discrimination, double beta);

/* Exposure until the rule ends a test of a group whose mean time between faults is theta_s: median and 90 %
 * point of `draws` tests drawn with the seed. How often each state came is added up in ret_states (may be
 * NULL). */
struct hf_sequential_forecast {
    double median_s, p90_s;
    int states[HF_TEST_UNDECIDED + 1];
};

#define HF_FORECAST_DRAWS_MAX 4096

void hf_sequential_forecast(const struct hf_sequential_rule *rule, double theta_s, int draws, uint64_t seed,
                            struct hf_sequential_forecast *ret_forecast);

/* --- the director ------------------------------------------------------------------------------------ */

struct hf_sequential_director {
    const struct hf_mix *mix; /* the load */
    uint64_t seed;
    const struct hf_mix *replay_mix; /* not NULL: every slice is slice number replay_slice of this mix */
    uint64_t replay_slice;
    enum hf_purpose purpose;
    int group_count;
    int target[HF_GROUPS_MAX];     /* 1: judged; 0: company, or not loaded when its step is -1 */
    int16_t step[HF_GROUPS_MAX];   /* -1: not loaded */
    uint32_t cores[HF_GROUPS_MAX]; /* bit c: core c of the group works; 0: all do */
    struct hf_sequential_rule rule[HF_GROUPS_MAX]; /* of the targets */
    int stop_at_reject;                            /* 1: one rejected target ends it for all */
    struct hf_sequential_tally tally[HF_GROUPS_MAX];
};

/* An hf_event_visitor with a struct hf_sequential_director as context. */
int hf_sequential_director_observe(void *context, const struct hf_event *event, struct hf_error *error);

void hf_sequential_director_start(struct hf_sequential_director *sequential,
                                  struct hf_director *ret_director);

/* 1 when nothing is left to decide. */
int hf_sequential_director_decided(const struct hf_sequential_director *sequential);

#endif
