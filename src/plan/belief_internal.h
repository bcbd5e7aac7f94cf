/*
 * What the files of the belief method share.
 *
 * belief.c          the method: phases, views
 * belief_learn.c    from outcomes to evidence
 * belief_value.c    the next trial: what it would tell, what it would cost
 * belief_choice.c   the ratios to soak
 * belief_check.c    does the model hold?
 * belief_defect.c   a core that fails at any ratio
 * posterior.c       the grid; posterior_questions.c what is asked of it
 */
#ifndef HOLDFAST_PLAN_BELIEF_INTERNAL_H
#define HOLDFAST_PLAN_BELIEF_INTERNAL_H

#include "plan/plan_internal.h"
#include "plan/posterior.h"

#define BELIEF_ZONES         5 /* of distance above the edge: -2, 0, 2, 4 units of 25 MHz between them */
#define BELIEF_RESIDUALS_MAX 64
#define BELIEF_TRIALS_MAX    60
#define BELIEF_SHIFT_SD      0.48 /* run to run, units of 25 MHz: as in posterior.c */

struct trial_choice {
    double ratio; /* value / cost of the best next trial; above 1 it pays */
    int step;
    double limit_s;
};

#define BELIEF_DEFECT_RATES  8
#define BELIEF_DEFECT_FAULTS 8

/* Has the group a core that fails at any ratio? */
struct belief_defect {
    double log_odds[BELIEF_DEFECT_RATES]; /* of a defect with each rate, against a sound group */
    int cpu;                              /* that failed last; -1: never told */
    int fault_count;
    struct posterior_evidence fault[BELIEF_DEFECT_FAULTS]; /* newest first, as they stand in the posterior */
};

struct group_belief {
    struct posterior_moments moments;
    struct trial_choice best;    /* as if only this group's time counted */
    struct trial_choice company; /* while others search: its time is nearly free */
    int trials;                  /* single trials that told something */
    int unnamed_resets;
    int checks;
    int early;       /* 1: a fault came far too early */
    int late;        /* 1: a trial was survived far too long */
    int spread;      /* 1: fault times are not spread as they should be */
    double earliest; /* smallest chance seen of so early a fault */
    double latest;   /* smallest chance seen of so late a one */
    struct belief_defect defect;
    int residual_count;
    double residual[BELIEF_RESIDUALS_MAX]; /* uniform on (0, 1) when the model holds */
};

struct belief {
    struct posterior *posterior;
    double units; /* of 25 MHz in a step */
    double scale; /* of all durations */
    struct group_belief group[HF_GROUPS_MAX];
    double zone_resets[BELIEF_ZONES];
    double zone_faults[BELIEF_ZONES];
    struct belief_tables *tables;
    struct belief_reset *reset; /* the last ones that named nobody */
    int resets_seen;
    int faults_learned;       /* own faults learned, all groups */
    double background_resets; /* expected number of resets that were nobody's */
};

/* --- belief.c --- */
int belief_groups_under_test(const struct hf_plan *plan);

/* --- belief_learn.c --- */
/* Share of a group's faults at step that are machine resets, as learned so far. */
double belief_reset_share(const struct belief *belief, int group, double step);
int belief_resets_new(struct belief *belief, int group_count, struct hf_error *error);
void belief_resets_free(struct belief *belief);
void belief_learn_named(struct hf_plan *plan, const struct plan_outcome *outcome);
void belief_learn_unnamed(struct hf_plan *plan, const struct plan_outcome *outcomes, int count);
/* After this the resets so far are not weighed again. */
void belief_forget_resets(struct belief *belief);
/* Looks at past resets that named nobody again, those whose time has come. */
void belief_weigh_again(struct hf_plan *plan);

/* --- belief_check.c --- */
void belief_check_model(struct hf_plan *plan, const struct plan_outcome *outcome, double window_s);
int belief_model_holds(const struct group_belief *own);

/* --- belief_defect.c --- */
void belief_defect_init(struct belief_defect *defect);
double belief_defect_rate(int r); /* per second */
/* Chances of each rate; returns that of any. */
double belief_defect_shares(const struct belief_defect *defect, double ret_shares[BELIEF_DEFECT_RATES]);
double belief_defect_probability(const struct belief_defect *defect);
double belief_defect_expected_per_s(const struct belief_defect *defect);
void belief_defect_discount(struct belief_defect *defect, double keep);
/* Follows one outcome, before the posterior learns it: `evidence` as it will stand there. 1: a defect has
 * become likely by it; then belief_defect_found() is called when the posterior has learned it. */
int belief_defect_learn(struct hf_plan *plan, const struct plan_outcome *outcome,
                        const struct posterior_evidence *evidence);
void belief_defect_found(struct hf_plan *plan, int group);

/* --- belief_value.c --- */
int belief_tables_new(struct belief *belief, double check_period_s, struct hf_error *error);
void belief_tables_free(struct belief_tables *tables);
/* Steps that one more step of the limit's sd costs. */
double belief_quantile_z(void);
/* Highest step that may be tried now. */
int belief_reachable_step(const struct hf_plan *plan, int group);
void belief_find_trial(struct hf_plan *plan, int group);

/* --- belief_choice.c --- */
/* together: 1 when the set may be soaked next; 0: each group for itself, to be held meanwhile. */
void belief_choose(struct hf_plan *plan, int together);

#endif
