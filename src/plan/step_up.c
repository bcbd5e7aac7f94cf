/*
 * Step up: one group after another, from its baseline, trial_s at each step, up until it fails, then one
 * back. What many people do by hand; here so that the rehearsal can say what it costs.
 *
 * A group that is not the one searched stays under load at its choice. Should it fail there, it goes one
 * back. A reset that names nobody is laid to the group that searches.
 */
#include <assert.h>

#include "base/memory.h"
#include "plan/plan_internal.h"

struct step_up {
    int done[HF_GROUPS_MAX]; /* found its first failing step, or the ceiling */
};

static int step_up_init(struct hf_plan *plan, struct hf_error *error)
{
    plan->state = hf_allocate(1, sizeof(struct step_up));
    return plan->state ? 0 : hf_fail(error, HF_E_MEMORY, "plan: no memory for step-up");
}

static void step_up_release(struct hf_plan *plan)
{
    hf_free(plan->state);
}

static int step_up_searching(const struct hf_plan *plan, int group)
{
    const struct step_up *state = plan->state;

    return !state->done[group];
}

/* The group whose turn it is, -1 when all are done. */
static int active_group(const struct hf_plan *plan)
{
    for (int g = 0; g < plan->config.group_count; g++) {
        if (plan_is_searching(plan, g))
            return g;
    }
    return -1;
}

static void go_back(struct hf_plan *plan, int group, int failed_step)
{
    struct step_up *state = plan->state;

    if (failed_step > plan->config.group[group].baseline_step)
        state->done[group] = 1;
    if (failed_step <= plan->group[group].chosen)
        plan_choose(plan, group, failed_step - 1);
}

static void step_up_learn(struct hf_plan *plan, const struct plan_outcome *outcomes, int count,
                          int unnamed_reset)
{
    struct step_up *state = plan->state;
    int active = active_group(plan);

    for (int i = 0; i < count; i++) {
        const struct plan_outcome *outcome = &outcomes[i];
        int g = outcome->group;

        if (hf_purpose_is_joint(outcome->purpose))
            continue;
        if (outcome->ended_by_fault || outcome->faults_within > 0 || (unnamed_reset && g == active))
            go_back(plan, g, outcome->step);
        else if (outcome->verdict == HF_VERDICT_PASS && outcome->step > plan->group[g].chosen)
            plan_choose(plan, g, outcome->step);
        if (plan->group[g].chosen >= plan->config.group[g].highest_step)
            state->done[g] = 1;
    }
}

static void step_up_soak_failed(struct hf_plan *plan, int indicted)
{
    for (int g = 0; g < plan->config.group_count; g++) {
        if (indicted == HF_GROUP_NONE || g == indicted)
            plan_choose(plan, g, plan->group[g].chosen - 1);
    }
}

static void step_up_propose(const struct hf_plan *plan, int group, struct hf_proposal *ret_proposal)
{
    int step = plan->group[group].chosen + 1;

    if (group != active_group(plan) || step > plan->config.group[group].highest_step) {
        plan_propose_hold(plan, group, ret_proposal);
        ret_proposal->limit_s = plan->config.trial_s; /* in step with the group whose turn it is */
        return;
    }
    plan_propose_trial(ret_proposal, group, HF_PURPOSE_BRACKET, step, plan->config.trial_s,
                       "one step up: %d held for %.0f s", step - 1, plan->config.trial_s);
}

static void step_up_time_left(const struct hf_plan *plan, double *ret_median_s, double *ret_p90_s)
{
    double median = 0.0;
    double p90 = 0.0;

    for (int g = 0; g < plan->config.group_count; g++) {
        int room = plan->config.group[g].highest_step - plan->group[g].chosen;

        if (!plan_is_searching(plan, g))
            continue;
        median += 0.5 * room * plan->config.trial_s;
        p90 += 0.9 * room * plan->config.trial_s;
    }
    *ret_median_s = median;
    *ret_p90_s = p90;
}

const struct plan_method plan_method_step_up = {
    .name = "step-up",
    .init = step_up_init,
    .release = step_up_release,
    .learn = step_up_learn,
    .soak_failed = step_up_soak_failed,
    .searching = step_up_searching,
    .propose = step_up_propose,
    .time_left = step_up_time_left,
};
