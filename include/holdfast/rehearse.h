/*
 * Rehearsal: whole nights of the plan against the rig model, in virtual time, with no worker at all.
 *
 * Each night draws a rig from its own seed (options.seed + number of the night), lets the plan propose,
 * carries the proposals out on the rig and observes what came of them, until the plan says that the run is
 * proved. The same seed gives the same events, to the byte.
 *
 * Calling order: fill hf_rehearse_options (zero is the default everywhere), hf_rehearse(), read the result.
 * The callbacks are called in between, from the same thread.
 *
 * How a fault of the rig becomes an event:
 *   wrong result     fail, wrong-result, at the next check of the results (plan config's check_period_s)
 *   corrected        fail, hardware-error, at the next check
 *   worker died      fail, worker-died, at once
 *   hang             fail, stall, after stall_s; its exposure ends where the core stopped
 *   reset            RESET after the plan config's reset_cost_s, naming the core's group with probability
 *                    named_reset_share; then a verdict for each open trial, its exposure as it was last
 *                    journalled (every 5 s)
 * A setting that was lost, or a clock that stretched by more than half a step, makes a trial void.
 */
#ifndef HOLDFAST_REHEARSE_H
#define HOLDFAST_REHEARSE_H

#include <stdint.h>

#include "holdfast/clock.h"
#include "holdfast/error.h"
#include "holdfast/event.h"
#include "holdfast/plan.h"
#include "holdfast/profile.h"
#include "holdfast/rig.h"

enum hf_night_outcome {
    HF_NIGHT_FINISHED, /* the soak passed: every group has a certificate */
    HF_NIGHT_STOPPED,  /* the plan gave up: `reason` is the plan's own */
    HF_NIGHT_UNDECIDED /* it did not end within hours_max and events_max, or everybody waited for nothing */
};

/* The score of one night. Groups that are left out or pinned are not scored. */
struct hf_rehearse_night {
    int number;
    uint64_t seed;
    enum hf_night_outcome outcome;
    char reason[160];    /* why, when not finished */
    double hours;        /* run time to the end */
    double search_hours; /* to the beginning of the soak that passed; hours when none did */
    int trials, faults, resets, soaks;
    uint64_t events;
    int groups;                               /* scored */
    int16_t chosen_step[HF_GROUPS_MAX];       /* of the soak that passed; -1: no certificate */
    int16_t true_limit[HF_GROUPS_MAX];        /* highest step whose rate is at most the claim's, see below */
    double true_rate_per_hour[HF_GROUPS_MAX]; /* at the chosen steps; NAN: no certificate */
    double steps_left_mean; /* true limit minus chosen step, over the scored groups; negative: above */
    int worst_group;        /* the one furthest above its limit, or nearest below; -1: no certificate */
    int worst_steps_left;
    int groups_above;   /* above the true limit */
    int certificates;   /* of scored groups, and the machine's own */
    int false_claims;   /* certificates whose demonstrated bound is below the true rate */
    int expected_known; /* groups for which the plan extrapolates a rate */
    int false_expected; /* of them, those whose true rate is above the extrapolation's 95 % bound */
};

/* Zero is the default where a default is named. */
struct hf_rehearse_options {
    int rigs;      /* nights; default 20 */
    uint64_t seed; /* of the first night's rig and plan; the next have seed + 1, + 2, ... */
    enum hf_plan_method method;
    int groups, cores;                 /* override the templates; default: as the templates say */
    const struct hf_rig_config *rig;   /* template, its seed is not used; NULL: hf_rig_config_default */
    const struct hf_plan_config *plan; /* template, its seed is not used; NULL: hf_rehearse_plan_default.
                                          Groups beyond the template's are like its last */
    const struct hf_load_slice *mix;   /* what every group under trial runs; NULL: hf_rig_night_mix */
    int mix_count;
    double named_reset_share;     /* of resets, those whose record names a CPU; default 0.3, below 0: none */
    double stall_s;               /* until a hang is noticed; default 2 */
    double hours_max;             /* safety net; default 400 */
    uint64_t events_max;          /* safety net; default 100,000 */
    const struct hf_clock *clock; /* to time the plan's decisions; NULL: not timed */
    int jobs; /* processes that share the nights; default 1. The results are the same, to the byte, but for
                 the times of decisions */
    void *context; /* for the callbacks */
    /* After each night, in the order in which they end; NULL. */
    void (*progress)(void *context, const struct hf_rehearse_night *night);
    void (*trace)(void *context, int night,
                  const struct hf_event *event); /* each event; NULL; not with jobs */
};

struct hf_rehearse_result {
    int rigs;
    enum hf_plan_method method;
    double soak_hours;
    int undecided; /* nights that gave no certificate: they count as hours_max in all hours here */
    double hours_median, hours_p90;
    double search_hours_median;
    double resets_mean;         /* a night */
    double steps_left_mean;     /* a certified group; negative: above the limit on average */
    double above_limit_rate;    /* share of certified groups above their true limit */
    double false_claim_rate;    /* share of certificates whose demonstrated claim is false */
    double false_expected_rate; /* share of extrapolated 95 % bounds that are too low; NAN: method has none */
    double resets_p90;          /* a night */
    int nights_above;           /* nights with a certified group above its true limit */
    int nights_false;           /* nights with a false certificate */
    /* The worst night: the one with a group furthest above its true limit; if none is, one without
     * certificates; else the longest. Replayed by a rehearsal of one rig with its seed. */
    struct {
        int number;
        uint64_t seed;
        enum hf_night_outcome outcome;
        double hours;
        int resets;
        int steps_left; /* of its worst group; 0 when undecided */
    } worst;
    double decision_ms_p99; /* one answer of the plan, with the learning that led to it; NAN: not timed */
};

/* What a rehearsal uses for a rig when no plan template is given: every step of the rig's grid is allowed,
 * baseline at step 2, all else as plan.h says. */
void hf_rehearse_plan_default(const struct hf_rig_config *rig, struct hf_plan_config *ret_plan);

/* HF_E_RANGE: an option is out of range. HF_E_MISMATCH: the plan refused an event (a defect of the program).
 */
int hf_rehearse(const struct hf_rehearse_options *options, struct hf_rehearse_result *ret_result,
                struct hf_error *error);

/*
 * The true limits: for each group the highest step whose true rate is at most rate_per_hour with all other
 * groups at their own limits, under the mix on all groups, at steady temperature, without frailty and drift.
 * Leaves the rig's groups at their limits (at step 0 where the limit is -1).
 */
void hf_rehearse_true_limits(struct hf_rig *rig, int group_count, double rate_per_hour,
                             const struct hf_load_slice *slices, int count, int16_t *ret_limits);

/* The rig as a profile's "rig" section describes it (src/harness/load.c). */
void hf_rig_config_of_profile(const struct hf_profile *profile, struct hf_rig_config *ret_config);

#endif
