/*
 * From outcomes to evidence.
 *
 * Left-censored: a fault before the first check has clean exposure 0 and came within the check period.
 * Interval-censored: a fault found at a check came within the period before it; a stall within the time it
 * takes to notice one; a reset after the last progress record. Hardware errors that a trial outlived multiply
 * the likelihood by the rate. Void trials count with their clean exposure; history.c keeps away those whose
 * clock or heat was wrong.
 *
 * A reset that names nobody was one group's, or nobody's (a crash that has nothing to do with ratios). Its
 * likelihood is the product of all survivals times the sum of the reset rates; what is kept is each group's
 * marginal, its own rate plus what was expected of the others. That expectation ages: when later faults have
 * taught more of the others, the same reset is weighed again (after 4, 12, 36 more faults), so that "it was A
 * or B" still counts against B once A is known to be sound.
 */
#include <assert.h>
#include <math.h>
#include <string.h>

#include "base/memory.h"
#include "plan/belief_internal.h"

#define ZONE_PRIOR_WEIGHT 10.0             /* faults the prior share of resets is worth */
#define STALL_WINDOW_S    2.0              /* a stall is noticed this late */
#define RECORD_WINDOW_S   5.0              /* a reset's exposure is known up to the last progress record */
#define BACKGROUND_S      (500.0 * 3600.0) /* a crash unrelated to ratios so often: engineering judgement */
#define KEPT_RESETS       16
#define FIRST_WEIGHING    4 /* later faults after which a reset is weighed again; then three times as many */
#define WEIGHINGS         3
#define WEIGHED_SUSPECTS  24   /* more of them are not weighed again: no decision has the time */
#define NO_SUSPECT        1e-3 /* share of the reset below which a group is none */
/* Steps of its edge that a group loses when all others rise by one: the rail's droop under load, some 60 mV
 * of which most grows with the clock, over the voltage that a clock needs; engineering judgement. */
#define COUPLING 0.06

/* Share of resets by zone before any is seen; engineering judgement. */
static const double zone_prior[BELIEF_ZONES] = {0.12, 0.18, 0.28, 0.45, 0.60};

/* One group's part in a reset that named nobody. */
struct suspect {
    int group;
    double step;                        /* of the trial */
    double window_s;                    /* the reset came within it after the last record */
    struct posterior_evidence evidence; /* as it stands in the posterior */
};

struct belief_reset {
    int count; /* of suspects; 0: unused */
    int weighings;
    int next_weighing; /* belief->faults_learned at which it is due */
    double background; /* its share that was laid to nobody */
    struct suspect *suspect;
};

static int zone_of(const struct belief *belief, int group, double step)
{
    double above = (step - belief->group[group].moments.theta_mean) * belief->units;

    return above < -2.0 ? 0 : above < 0.0 ? 1 : above < 2.0 ? 2 : above < 4.0 ? 3 : 4;
}

double belief_reset_share(const struct belief *belief, int group, double step)
{
    int zone = zone_of(belief, group, step);

    return (zone_prior[zone] * ZONE_PRIOR_WEIGHT + belief->zone_resets[zone]) /
           (ZONE_PRIOR_WEIGHT + belief->zone_faults[zone]);
}

static void count_fault(struct belief *belief, int group, int step, double weight, int reset)
{
    int zone = zone_of(belief, group, step);

    belief->zone_faults[zone] += weight;
    belief->zone_resets[zone] += reset ? weight : 0.0;
}

/* --- learning --- */

static double window_of(const struct hf_plan *plan, enum hf_cause cause)
{
    if (cause == HF_CAUSE_STALL)
        return fmax(plan->config.check_period_s, STALL_WINDOW_S);
    return plan->config.check_period_s;
}

/* Records come as often as results are checked when that is rarer than every 5 s (a rig whose clock runs
 * fast), or later still where the machine is busy. */
static double record_window_s(const struct hf_plan *plan, const struct plan_outcome *outcome)
{
    return fmax(fmax(RECORD_WINDOW_S, 1.5 * plan->config.check_period_s), outcome->unseen_s);
}

/*
 * Current grows with the clock, so the others' ratios pull at the shared rail: a trial beside groups that
 * stood above where they will be soaked was as hard as one a little higher, beside them at their limits.
 */
static double company_steps(const struct hf_plan *plan, const struct plan_outcome *outcome)
{
    const struct belief *belief = plan->state;
    double sum = 0.0;
    int count = 0;

    if (isnan(outcome->others_step) || hf_purpose_is_joint(outcome->purpose))
        return 0.0;
    for (int g = 0; g < plan->config.group_count; g++) {
        if (g == outcome->group || plan->config.group[g].left_out)
            continue;
        sum += belief->group[g].moments.limit_mean;
        count++;
    }
    return count > 0 ? COUPLING * (outcome->others_step - sum / count) : 0.0;
}

static struct posterior_evidence evidence_of(const struct hf_plan *plan, const struct plan_outcome *outcome)
{
    struct posterior_evidence evidence = {
        .step = outcome->step + company_steps(plan, outcome),
        .clean_s = outcome->exposure_s,
        .faults_within = outcome->faults_within,
    };

    if (!outcome->ended_by_fault)
        return evidence;
    if (outcome->cause == HF_CAUSE_MACHINE_RESET) { /* exposure is the last record's: it came after that */
        evidence.window_s = record_window_s(plan, outcome);
        return evidence;
    }
    evidence.window_s = window_of(plan, outcome->cause);
    evidence.clean_s = fmax(outcome->exposure_s - evidence.window_s, 0.0);
    return evidence;
}

void belief_learn_named(struct hf_plan *plan, const struct plan_outcome *outcome)
{
    struct belief *belief = plan->state;
    struct posterior_evidence evidence = evidence_of(plan, outcome);
    int g = outcome->group;
    int found;

    if (outcome->exposure_s <= 0.0 && !outcome->ended_by_fault)
        return;
    if (outcome->ended_by_fault)
        evidence.others_per_s = belief_defect_expected_per_s(&belief->group[g].defect);
    found = belief_defect_learn(plan, outcome, &evidence);
    belief_check_model(plan, outcome, evidence.window_s);
    if (!belief_model_holds(&belief->group[g]))
        posterior_set_loose(belief->posterior, g, 1);
    posterior_add(belief->posterior, g, &evidence);
    if (found)
        belief_defect_found(plan, g);
    if (!outcome->ended_by_fault)
        return;
    count_fault(belief, g, outcome->step, 1.0, outcome->cause == HF_CAUSE_MACHINE_RESET);
    belief->faults_learned++;
}

/* --- resets that name nobody --- */

int belief_resets_new(struct belief *belief, int group_count, struct hf_error *error)
{
    belief->reset = hf_allocate(KEPT_RESETS, sizeof *belief->reset);
    for (int i = 0; i < KEPT_RESETS && belief->reset; i++) {
        belief->reset[i].suspect = hf_allocate((size_t)group_count, sizeof(struct suspect));
        if (!belief->reset[i].suspect)
            return hf_fail(error, HF_E_MEMORY, "plan: no memory for resets of %d groups", group_count);
    }
    return belief->reset ? 0 : hf_fail(error, HF_E_MEMORY, "plan: no memory for resets");
}

void belief_resets_free(struct belief *belief)
{
    for (int i = 0; i < KEPT_RESETS && belief->reset; i++)
        hf_free(belief->reset[i].suspect);
    hf_free(belief->reset);
}

static double background_per_s(const struct hf_plan *plan)
{
    const struct belief *belief = plan->state;

    return (1.0 + belief->background_resets) / (BACKGROUND_S + plan->time_s);
}

static struct posterior_evidence survival_of(const struct suspect *suspect)
{
    struct posterior_evidence survived = suspect->evidence;

    survived.window_s = survived.others_per_s = 0.0;
    return survived;
}

/* The posterior holds everybody's survival: who is how likely, and everybody's marginal in place of it. */
static void weigh(struct hf_plan *plan, struct belief_reset *reset, int first)
{
    struct belief *belief = plan->state;
    double rate[HF_GROUPS_MAX];
    double nobody = background_per_s(plan), total = nobody;

    posterior_refresh(belief->posterior);
    for (int i = 0; i < reset->count; i++) {
        const struct suspect *suspect = &reset->suspect[i];

        rate[i] = posterior_expected_rate(belief->posterior, suspect->group, suspect->evidence.step) / 60.0 *
                  belief_reset_share(belief, suspect->group, suspect->step);
        total += rate[i];
    }
    for (int i = 0; i < reset->count; i++) {
        struct suspect *suspect = &reset->suspect[i];
        struct posterior_evidence survived = survival_of(suspect);

        if (first)
            count_fault(belief, suspect->group, (int)suspect->step, rate[i] / total, 1);
        if (rate[i] < NO_SUSPECT * total)
            continue; /* its survival is all that it tells */
        suspect->evidence.window_s = suspect->window_s;
        suspect->evidence.others_per_s =
            (total - rate[i]) / belief_reset_share(belief, suspect->group, suspect->step);
        posterior_replace(belief->posterior, suspect->group, &survived, &suspect->evidence);
    }
    belief->background_resets += nobody / total - reset->background;
    reset->background = nobody / total;
}

void belief_learn_unnamed(struct hf_plan *plan, const struct plan_outcome *outcomes, int count)
{
    struct belief *belief = plan->state;
    struct belief_reset *reset = &belief->reset[belief->resets_seen++ % KEPT_RESETS];

    reset->count = 0;
    reset->weighings = 0;
    reset->next_weighing = belief->faults_learned + FIRST_WEIGHING;
    reset->background = 0.0;
    for (int i = 0; i < count; i++) {
        struct suspect *suspect = &reset->suspect[reset->count++];

        suspect->group = outcomes[i].group;
        suspect->step = outcomes[i].step;
        suspect->window_s = record_window_s(plan, &outcomes[i]);
        suspect->evidence = evidence_of(plan, &outcomes[i]);
        posterior_add(belief->posterior, suspect->group, &suspect->evidence);
        belief->group[suspect->group].unnamed_resets++;
    }
    weigh(plan, reset, 1);
}

void belief_forget_resets(struct belief *belief)
{
    for (int r = 0; r < KEPT_RESETS; r++)
        belief->reset[r].count = 0;
}

void belief_weigh_again(struct hf_plan *plan)
{
    struct belief *belief = plan->state;

    for (int r = 0; r < KEPT_RESETS; r++) {
        struct belief_reset *reset = &belief->reset[r];

        if (reset->count < 2 || reset->count > WEIGHED_SUSPECTS || reset->weighings >= WEIGHINGS ||
            belief->faults_learned < reset->next_weighing)
            continue;
        for (int i = 0; i < reset->count; i++) {
            struct suspect *suspect = &reset->suspect[i];
            struct posterior_evidence survived = survival_of(suspect);

            if (suspect->evidence.window_s > 0.0)
                posterior_replace(belief->posterior, suspect->group, &suspect->evidence, &survived);
            suspect->evidence = survived;
        }
        weigh(plan, reset, 0);
        reset->next_weighing += FIRST_WEIGHING * (reset->weighings == 0 ? 2 : 6);
        reset->weighings++;
        return; /* one at a time: a decision must not last */
    }
}
