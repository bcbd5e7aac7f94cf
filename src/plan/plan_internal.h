/*
 * What the plan's files share: the fold of the history, and the table behind which a method stands.
 *
 * plan.c       makes and frees a plan, dispatches, answers for the certificate
 * history.c    takes events: what is legal, bookkeeping common to all methods, the soak's account
 * propose.c    the phases: baseline, search, soak
 * step_up.c, bisect.c, belief.c   one method each
 *
 * A method never sees events. It learns outcomes: one group, one step, one exposure, and what ended it.
 */
#ifndef HOLDFAST_PLAN_INTERNAL_H
#define HOLDFAST_PLAN_INTERNAL_H

#include "holdfast/plan.h"

#define PLAN_VOIDS_MAX 5 /* voids in a row after which a group is left where it is */
#define PLAN_SETS_MAX                                                                                        \
    32 /* soaked sets remembered; older ones weigh less than 1e-9 (see confidence_spent)                     \
        */
#define PLAN_WALK_RATIO                                                                                      \
    1.5 /* growth of the machine's rate from one set to the one before, taken cautiously */
#define PLAN_COOLING_S  60.0 /* how long a group that was too hot rests while others work */
#define PLAN_HOLD_MIN_S 60.0 /* for a soak of 6 h, see plan_time_scale() */
#define PLAN_HOLD_MAX_S 600.0

/* One open trial. The joint trial's steps are in the plan. */
struct plan_trial {
    uint64_t number; /* 0: none open */
    enum hf_purpose purpose;
    int step;
    int loaded;
    int hardware_errors;
    double begin_s;
    double limit_s;
    double exposure_s;
    double record_s; /* run time of its last progress record */
    double loaded_s; /* run time; the sums below as they stood then */
    double step_sum_s;
    double load_sum_s;
};

/* What became of one group at one step. */
struct plan_outcome {
    int group;
    int step;
    enum hf_purpose purpose;
    enum hf_verdict verdict; /* fail: a fault of this group, or a reset that names nobody */
    enum hf_cause cause;
    double exposure_s;
    double limit_s;
    int faults_within;  /* hardware errors the trial outlived */
    int cpu;            /* that failed; -1: not told */
    int ended_by_fault; /* 1: a fault of this group ended it */
    int loaded;         /* 0: its load had not begun */
    double unseen_s;    /* a reset: exposure after exposure_s that no record tells of, at most; 0: as usual */
    double others_step; /* mean step of the other groups that were under load meanwhile; NAN: nobody was */
};

struct plan_group {
    int chosen;       /* step that would be soaked now */
    int highest_pass; /* -1: none yet */
    int lowest_fail;  /* -1: none yet */
    int failures;
    int resets;
    int voids_in_row;
    double hot_until_s; /* run time; it waits while others work */
    int reset_cap;      /* after a reset its next trial goes no higher; HF_STEPS_MAX: no cap */
    int short_cap;      /* its clock fell short one step above; HF_STEPS_MAX: it never did */
    int left_alone;     /* 1: too many voids; stays at `chosen` */
    enum hf_cause left_alone_cause;
    int joint_errors; /* hardware errors of this group in the open joint trial */
    double exposure_s;
};

struct plan_soaks {
    int begun;
    int attempts_failed;
    int same_set_failed; /* failed attempts of the present set */
    int passed;
    double served_s; /* clean exposure of the present attempt, interruptions bridged */
    double required_s;
    int16_t step[HF_GROUPS_MAX];     /* the last set soaked */
    int tries_of_set[PLAN_SETS_MAX]; /* newest first: how often each set was begun afresh */
    int sets;
};

struct hf_plan {
    struct hf_plan_config config;
    const struct plan_method *method;
    void *state; /* the method's own */
    struct plan_group group[HF_GROUPS_MAX];
    struct plan_trial trial[HF_GROUPS_MAX];
    struct plan_trial joint;
    int16_t joint_step[HF_GROUPS_MAX];
    int open_count;
    int reset_pending; /* 1: a reset was seen, verdicts of its open trials are missing */
    int reset_group;
    int fruitless_resets; /* since the last trial that was judged */
    uint64_t last_trial;
    double time_s;
    double step_sum_s;   /* over all run time and all groups under load: step x seconds */
    double load_sum_s;   /* seconds */
    double record_gap_s; /* exposure from one progress record to the next, of late; 0: rehearsed */
    int baseline_passed;
    int soak_begun;
    int joint_voids_in_row;
    double steps_lost; /* to the deadline, as it stood when the first soak began */
    int deadline_cut;  /* 1: the deadline ended the search */
    int stopped;
    char stop_reason[160];
    struct plan_soaks soak;
    struct plan_outcome outcome[HF_GROUPS_MAX]; /* collected until they can be learned together */
    int outcome_count;
};

struct plan_method {
    const char *name;
    /* Makes plan->state; every group's `chosen` is its baseline (or pinned) step already. */
    int (*init)(struct hf_plan *plan, struct hf_error *error);
    void (*release)(struct hf_plan *plan);
    /* Outcomes that belong together. unnamed_reset: one fault among them, nobody knows whose.
     * Calls plan_choose() for each group whose choice moves. */
    void (*learn)(struct hf_plan *plan, const struct plan_outcome *outcomes, int count, int unnamed_reset);
    /* The soak failed (it has been learned): lower whom it indicts, HF_GROUP_NONE when nobody is named. */
    void (*soak_failed)(struct hf_plan *plan, int indicted);
    /* 1 while the group has something to learn. */
    int (*searching)(const struct hf_plan *plan, int group);
    /* Its next trial: kind TRIAL or WAIT. Asked only while searching. */
    void (*propose)(const struct hf_plan *plan, int group, struct hf_proposal *ret_proposal);
    /* NULL, or: a trial worth making at no cost of time, while others search and this group need not; 0:
     * none. */
    int (*company)(const struct hf_plan *plan, int group, struct hf_proposal *ret_proposal);
    /* Search seconds left, median and 90 % guess. */
    void (*time_left)(const struct hf_plan *plan, double *ret_median_s, double *ret_p90_s);
    /* NULL, or: what was learned so far counts for `keep` of what it did. */
    void (*discount)(struct hf_plan *plan, double keep);
    /* NULL, or: steps a group, on average, that going on searching would still win; 0: it is over; NAN: the
     * edges are not known yet. */
    double (*steps_to_win)(const struct hf_plan *plan);
    /* The fields a belief can fill; NULL: the method has none. */
    void (*view)(const struct hf_plan *plan, int group, struct hf_plan_view *ret_view);
    int (*rate_band)(const struct hf_plan *plan, int group, int step, double ret_rate_per_hour[3]);
};

extern const struct plan_method plan_method_step_up;
extern const struct plan_method plan_method_bisect;
extern const struct plan_method plan_method_belief;

/* 1 when the group takes part in the search: neither left out, pinned nor left alone. */
int plan_is_searched(const struct hf_plan *plan, int group);

/* 1 while the search may go on for this group: the method wants to and the deadline allows it. */
int plan_is_searching(const struct hf_plan *plan, int group);

/* 1 while the deadline, and nothing else, keeps the search from going on. */
int plan_is_cut_short(const struct hf_plan *plan);

/* See hf_plan_view.unsafe_at_baseline. */
int plan_is_unsafe_at_baseline(const struct hf_plan *plan, int group);

/* Sets the group's choice, within baseline and ceiling and never above the last soaked set. */
void plan_choose(struct hf_plan *plan, int group, int step);

/* Fills in a trial proposal; `format` makes the reason. */
void plan_propose_trial(struct hf_proposal *ret_proposal, int group, enum hf_purpose purpose, int step,
                        double limit_s, const char *format, ...) __attribute__((format(printf, 6, 7)));
void plan_propose_wait(struct hf_proposal *ret_proposal, int group, const char *reason);

/* Under load at its choice while others search. */
void plan_propose_hold(const struct hf_plan *plan, int group, struct hf_proposal *ret_proposal);

/* Exposure the next soak of this set still needs. */
double plan_soak_remaining_s(const struct hf_plan *plan, const int16_t *set);

/* The set that would be soaked now. */
void plan_soak_set(const struct hf_plan *plan, int16_t *ret_set);

/* Durations are written for a soak of 6 h; a run with another soak scales them by this, 0.05 to 4. */
double plan_time_scale(const struct hf_plan *plan);

void plan_stop(struct hf_plan *plan, const char *format, ...) __attribute__((format(printf, 2, 3)));

#endif
