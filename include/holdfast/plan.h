/*
 * The plan: from verdicts to the highest ratio that holds.
 *
 * The plan is a pure function of what it has observed. It makes no system call, reads no clock and draws no
 * random number that does not come from its seed: time is an argument. Its state is the fold of the run's
 * events and nothing else, so that a resumed run proposes, to the bit, what the uninterrupted one would have.
 *
 * Calling order:
 *   hf_plan_new(); then, for each event of the journal in order, hf_plan_observe();
 *   whenever a group has no open trial, hf_plan_propose() for it, carry the proposal out, observe what came
 * of it. hf_plan_free() at the end. All three methods (step-up, bisect, belief) stand behind this interface;
 * adding a method is one file.
 *
 * Phases: a joint baseline proof, the search (groups side by side, each with its own trials), the joint soak
 * of all chosen ratios. A fault in the soak lowers whom it indicts and the soak starts again.
 */
#ifndef HOLDFAST_PLAN_H
#define HOLDFAST_PLAN_H

#include <stdint.h>

#include "holdfast/error.h"
#include "holdfast/event.h"

#define HF_STEPS_MAX 512 /* steps on the ratio grid, at most */

enum hf_plan_method {
    HF_METHOD_STEP_UP,
    HF_METHOD_BISECT,
    HF_METHOD_BELIEF,
    HF_METHOD_COUNT
};

const char *hf_plan_method_name(enum hf_plan_method method); /* "step-up", "bisect", "belief" */
int hf_plan_method_of_name(const char *name);                /* -1 when there is none */

struct hf_plan_group {
    int baseline_step; /* where it is known to hold; every failure returns here */
    int highest_step;  /* its own ceiling, never passed */
    int left_out;      /* 1: no trial, stays at baseline */
    int pinned;        /* 1: not searched: soaked at pinned_step */
    int pinned_step;
};

/* Zero is the default where a default is named. All times in seconds of run time. */
struct hf_plan_config {
    int group_count; /* 1 to HF_GROUPS_MAX */
    int step_count;  /* 2 to HF_STEPS_MAX */
    double step_mhz; /* clock of one step, normally 25 */
    struct hf_plan_group group[HF_GROUPS_MAX];
    double claim_hours;      /* wanted: at most one fault per so many hours; default 168 */
    double confidence;       /* default 0.95 */
    double soak_s;           /* length of the joint soak; default 6 h */
    double baseline_s;       /* length of the baseline proof; default 600 */
    double trial_s;          /* fixed trial length of step-up and bisect; default 600 */
    double apply_cost_s;     /* what one change of ratio costs; default 1 */
    double reset_cost_s;     /* what one machine reset costs all groups; default 180 */
    double check_period_s;   /* results are checked this often; default 0.02 */
    double deadline_s;       /* be done by this run time; 0: no deadline */
    int change_needs_person; /* 1: a change costs a reboot and a person (sheet driver) */
    uint64_t seed;
};

enum hf_proposal_kind {
    HF_PROPOSAL_TRIAL,    /* begin this trial of the group (purpose bracket, edge or hold) */
    HF_PROPOSAL_JOINT,    /* begin this joint trial (baseline or soak); no trial may be open */
    HF_PROPOSAL_WAIT,     /* nothing for this group until another event has been observed */
    HF_PROPOSAL_FINISHED, /* the soak passed: the run is proved */
    HF_PROPOSAL_STOP      /* the search cannot go on: `reason` says why */
};

struct hf_proposal {
    enum hf_proposal_kind kind;
    enum hf_purpose purpose;
    int group;                         /* or HF_GROUP_ALL */
    int step;                          /* TRIAL */
    int16_t joint_step[HF_GROUPS_MAX]; /* JOINT; -1 left out */
    double limit_s;                    /* longest exposure */
    int undecided;                     /* STOP: nothing failed; time ran out, or trials could not be judged */
    char reason[160];                  /* one sentence for the log and the report: why this */
};

struct hf_plan;

/* Copies the config. HF_E_RANGE names the field that is out of range. */
int hf_plan_new(const struct hf_plan_config *config, enum hf_plan_method method, struct hf_plan **ret_plan,
                struct hf_error *error);
void hf_plan_free(struct hf_plan *plan); /* NULL is allowed */

/* Takes the next event of the journal. Events must be in order and describe one legal history:
 * HF_E_MISMATCH otherwise (a verdict for a trial that is not open, ...), state unchanged. */
int hf_plan_observe(struct hf_plan *plan, const struct hf_event *event, struct hf_error *error);

/* What the group should do next. Pure: asking twice gives the same answer. The group must have no open trial.
 * now_s is the run time of the last observed event or later. Never allocates. */
void hf_plan_propose(const struct hf_plan *plan, int group, double now_s, struct hf_proposal *ret_proposal);

/*
 * The same for all groups at once: one proposal for each group without an open trial, group_count entries at
 * most; returns how many. For drivers with which a change is a reboot for all: a round is one boot, and its
 * trials last equally long. A joint trial, FINISHED or STOP comes alone. Each proposal is what
 * hf_plan_propose() says, but for the limit. Never allocates.
 */
int hf_plan_propose_round(const struct hf_plan *plan, double now_s, struct hf_proposal *ret_proposals);

/*
 * What was learned so far counts for `keep` of what it did, 0 to 1: conditions have changed, or time has
 * passed. Not part of a run's fold: for a plan that is made from an old run's events to start a new question
 * from.
 */
void hf_plan_discount(struct hf_plan *plan, double keep);

/* What the deadline did. */
struct hf_plan_deadline {
    int set;           /* 1: there is one */
    double deadline_s; /* run time; 0: none */
    int ended_search;  /* 1: the search would have gone on without it */
    double
        steps_lost; /* a group, on average: what going on would still have won; NAN: the method cannot say */
};

void hf_plan_deadline(const struct hf_plan *plan, struct hf_plan_deadline *ret_deadline);

/* What the plan believes of one group: for the report and the certificate. */
struct hf_plan_view {
    int chosen_step;       /* the ratio that would be certified now; baseline until something is known */
    int highest_pass_step; /* -1: none yet */
    int lowest_fail_step;  /* -1: none yet */
    int failures;
    int resets;        /* this group was indicted for, or that hit it unnamed */
    double exposure_s; /* total */
    double
        edge_step_median; /* step with one fault a minute: median and 95 % interval; NAN: method has none */
    double edge_step_low;
    double edge_step_high;
    double slope_median;                   /* nats per step; NAN: method has none */
    double rate_at_choice_median_per_hour; /* expected, extrapolated; NAN: method has none */
    double rate_at_choice_upper_per_hour;  /* its 95 % upper bound */
    int model_check_passed; /* 0: faults do not follow the model here; the report must say so */
    int model_check_count;  /* residuals it was judged by */
    /* A core that fails at any ratio: lowering the group would not help. */
    double defect_probability;   /* NAN: the method cannot tell */
    double defect_rate_per_hour; /* of load, expected if there is one; NAN likewise */
    int defect_cpu;              /* the one that failed last; -1: never told */
    /* 1: it stands at its baseline, below which it may not go, and is expected to fault more often there than
     * is to be claimed: no certificate, whatever the soak says. */
    int unsafe_at_baseline;
    int left_alone; /* 1: five void trials in a row; the group stays at its last good choice */
    enum hf_cause left_alone_cause;
};

void hf_plan_view(const struct hf_plan *plan, int group, struct hf_plan_view *ret_view);

/* The belief's rate at any step, faults per hour: 5 %, 50 % and 95 % quantiles. 0 when the method has none.
 */
int hf_plan_rate_band(const struct hf_plan *plan, int group, int step, double ret_rate_per_hour[3]);

/* Soak bookkeeping for the certificate. */
struct hf_plan_soak {
    int attempts;            /* soaks begun, the running one included */
    int repeats_of_same_set; /* how often the present set was soaked before and failed */
    int passed;
    double served_s;         /* clean joint exposure of the last attempt; interruptions do not end one */
    double required_s;       /* exposure that attempt needs: longer when the same set is tried again */
    double confidence_spent; /* bound on the chance that repeated attempts certify a bad set, if each set
                              * lowered cut the machine's rate by a third at least (docs/method-notes.md) */
    int16_t step[HF_GROUPS_MAX];
};

void hf_plan_soak(const struct hf_plan *plan, struct hf_plan_soak *ret_soak);

/* Time left until the soak has passed, seconds: median and 90 % guess from the plan's own state. */
void hf_plan_time_left(const struct hf_plan *plan, double now_s, double *ret_median_s, double *ret_p90_s);

#endif
