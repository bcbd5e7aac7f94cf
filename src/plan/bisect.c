/*
 * Bisect: every group halves the span between the highest step it passed and the lowest it failed, trial_s at
 * each, groups side by side. Here so that the rehearsal can say what it costs.
 *
 * A reset that names nobody is laid to the group that stood highest above what it had passed; the others try
 * again. Wrong now and then, as the method's user would be.
 */
#include <assert.h>
#include <math.h>

#include "base/memory.h"
#include "plan/plan_internal.h"

struct bisect {
    int low[HF_GROUPS_MAX];  /* passed, or the baseline */
    int high[HF_GROUPS_MAX]; /* failed, or one above the ceiling */
};

static int bisect_init(struct hf_plan *plan, struct hf_error *error)
{
    struct bisect *state = hf_allocate(1, sizeof *state);

    if (!state)
        return hf_fail(error, HF_E_MEMORY, "plan: no memory for bisect");
    for (int g = 0; g < plan->config.group_count; g++) {
        state->low[g] = plan->config.group[g].baseline_step;
        state->high[g] = plan->config.group[g].highest_step + 1;
    }
    plan->state = state;
    return 0;
}

static void bisect_release(struct hf_plan *plan)
{
    hf_free(plan->state);
}

static int bisect_searching(const struct hf_plan *plan, int group)
{
    const struct bisect *state = plan->state;

    return state->high[group] - state->low[group] > 1;
}

static void fail_at(struct hf_plan *plan, int group, int step)
{
    struct bisect *state = plan->state;

    if (step < state->high[group])
        state->high[group] = step;
    if (state->low[group] >= state->high[group])
        state->low[group] = state->high[group] - 1;
    plan_choose(plan, group, state->low[group]);
}

static int height(const struct bisect *state, const struct plan_outcome *outcome)
{
    return outcome->step - state->low[outcome->group];
}

static void bisect_learn(struct hf_plan *plan, const struct plan_outcome *outcomes, int count,
                         int unnamed_reset)
{
    struct bisect *state = plan->state;
    int blamed = -1;

    if (hf_purpose_is_joint(outcomes[0].purpose))
        return;
    for (int i = 0; i < count && unnamed_reset; i++) {
        if (blamed < 0 || height(state, &outcomes[i]) > height(state, &outcomes[blamed]))
            blamed = i;
    }
    for (int i = 0; i < count; i++) {
        const struct plan_outcome *outcome = &outcomes[i];
        int g = outcome->group;

        if (outcome->ended_by_fault || outcome->faults_within > 0 || i == blamed)
            fail_at(plan, g, outcome->step);
        else if (outcome->verdict == HF_VERDICT_PASS && outcome->step > state->low[g])
            state->low[g] = outcome->step;
        plan_choose(plan, g, state->low[g]);
    }
}

static void bisect_soak_failed(struct hf_plan *plan, int indicted)
{
    for (int g = 0; g < plan->config.group_count; g++) {
        if (indicted == HF_GROUP_NONE || g == indicted)
            plan_choose(plan, g, plan->group[g].chosen - 1);
    }
}

static void bisect_propose(const struct hf_plan *plan, int group, struct hf_proposal *ret_proposal)
{
    const struct bisect *state = plan->state;
    int step = (state->low[group] + state->high[group]) / 2;

    plan_propose_trial(ret_proposal, group, HF_PURPOSE_BRACKET, step, plan->config.trial_s,
                       "halfway between step %d, which held, and step %d", state->low[group],
                       state->high[group]);
}

static void bisect_time_left(const struct hf_plan *plan, double *ret_median_s, double *ret_p90_s)
{
    const struct bisect *state = plan->state;
    double longest = 0.0;

    for (int g = 0; g < plan->config.group_count; g++) {
        if (plan_is_searching(plan, g))
            longest = fmax(longest, ceil(log2(state->high[g] - state->low[g])));
    }
    *ret_median_s = 0.8 * longest * plan->config.trial_s;
    *ret_p90_s = longest * plan->config.trial_s;
}

const struct plan_method plan_method_bisect = {
    .name = "bisect",
    .init = bisect_init,
    .release = bisect_release,
    .learn = bisect_learn,
    .soak_failed = bisect_soak_failed,
    .searching = bisect_searching,
    .propose = bisect_propose,
    .time_left = bisect_time_left,
};
