/*
 * Belief: trials where they tell most about the step that holds, per second of the night they cost
 * (belief_value.c), learned on a grid (belief_learn.c, posterior.c), until on average over the groups they no
 * longer pay; then the highest ratios that the belief lets stand together (belief_choice.c).
 *
 * Until a group has failed, or its fellows have told where its edge must be, there is nothing to linearise:
 * short trials upward, at most 3 steps above the highest pass.
 */
#include <assert.h>
#include <math.h>
#include <stdio.h>
#include <string.h>

#include "base/memory.h"
#include "plan/belief_internal.h"

#define BRACKET_S      30.0 /* for a soak of 6 h */
#define BRACKET_UNITS  3.0  /* of 25 MHz upward at a time */
#define BRACKET_SD_MAX 3.0  /* units: above it a group's edge is not bracketed yet */
#define FELLOWS_SD     2.2  /* units between the groups of a chip, their weakest cores counted */
#define FELLOW_SD_MAX  1.3  /* units: a group that knows its own edge that well may speak for others */
#define DEFECT_CERTAIN 0.95 /* chance of a defect from which on a group's soaks are given up */
#define DEFECT_COUNTS  0.01 /* chance of a defect below which rates are the edge's alone */
#define COMPANY_RATIO  1.0  /* a trial made only because others still search must pay that often */

int belief_groups_under_test(const struct hf_plan *plan)
{
    int count = 0;

    for (int g = 0; g < plan->config.group_count; g++)
        count += !plan->config.group[g].left_out;
    return count;
}

/* --- the next trial --- */

static int is_bracketed(const struct hf_plan *plan, int group)
{
    const struct belief *belief = plan->state;
    const struct plan_group *own = &plan->group[group];

    if (own->failures > 0 || own->highest_pass >= plan->config.group[group].highest_step ||
        own->highest_pass >= own->short_cap)
        return 1;
    return sqrt(belief->group[group].moments.theta_variance) * belief->units < BRACKET_SD_MAX;
}

static int bracket_step(const struct hf_plan *plan, int group)
{
    const struct belief *belief = plan->state;
    int top = belief_reachable_step(plan, group);
    int pass = plan->group[group].highest_pass;
    int step = pass + (int)ceil(BRACKET_UNITS / belief->units);

    if (pass < plan->config.group[group].baseline_step)
        step += plan->config.group[group].baseline_step - pass;
    return step < top ? step : top;
}

/* A trial of this group could still tell something. */
static int can_learn(const struct hf_plan *plan, int group)
{
    const struct belief *belief = plan->state;

    return plan_is_searched(plan, group) && belief->group[group].trials < BELIEF_TRIALS_MAX &&
           plan->group[group].chosen < plan->config.group[group].highest_step;
}

/* How far the search has still to go: mean of what the best trials would win over what they cost, 1 where it
 * ends. */
static double mean_ratio(const struct hf_plan *plan)
{
    const struct belief *belief = plan->state;
    double sum = 0.0;
    int count = 0;

    for (int g = 0; g < plan->config.group_count; g++) {
        if (!plan_is_searched(plan, g))
            continue;
        sum += can_learn(plan, g) && is_bracketed(plan, g) ? belief->group[g].best.ratio : 0.0;
        count++;
    }
    return count > 0 ? sum / count : 0.0;
}

/* Time is everybody's: the search goes on while the trials pay on average over all groups. */
static int belief_searching(const struct hf_plan *plan, int group)
{
    const struct belief *belief = plan->state;

    if (!is_bracketed(plan, group))
        return belief->group[group].trials < BELIEF_TRIALS_MAX;
    return can_learn(plan, group) && mean_ratio(plan) > 1.0;
}

static double expected_minutes(const struct hf_plan *plan, int group, int step)
{
    const struct belief *belief = plan->state;
    const struct posterior_moments *moments = &belief->group[group].moments;

    return exp(moments->slope_mean * (moments->theta_mean - step));
}

static void propose_edge(const struct hf_plan *plan, int group, const struct trial_choice *choice,
                         struct hf_proposal *ret_proposal)
{
    int top = belief_reachable_step(plan, group);
    int step = choice->step < top ? choice->step : top; /* the clock may have fallen short since */

    if (choice->limit_s <= 0.0) {
        plan_propose_hold(plan, group, ret_proposal);
        return;
    }
    plan_propose_trial(ret_proposal, group, HF_PURPOSE_EDGE, step, choice->limit_s,
                       "one fault in %.3g min is expected here, which tells most for its cost (%.1f to 1)",
                       expected_minutes(plan, group, step), choice->ratio);
}

static void belief_propose(const struct hf_plan *plan, int group, struct hf_proposal *ret_proposal)
{
    const struct belief *belief = plan->state;
    const struct group_belief *own = &belief->group[group];

    if (!is_bracketed(plan, group)) {
        plan_propose_trial(ret_proposal, group, HF_PURPOSE_BRACKET, bracket_step(plan, group),
                           BRACKET_S * belief->scale, "upward: it has not failed yet");
        return;
    }
    propose_edge(plan, group, &own->best, ret_proposal);
}

static int belief_company(const struct hf_plan *plan, int group, struct hf_proposal *ret_proposal)
{
    const struct belief *belief = plan->state;
    const struct group_belief *own = &belief->group[group];

    if (own->trials >= BELIEF_TRIALS_MAX || !is_bracketed(plan, group) || own->company.ratio < COMPANY_RATIO)
        return 0;
    propose_edge(plan, group, &own->company, ret_proposal);
    return 1;
}

/* --- the method --- */

/*
 * The groups of one chip have their edges near each other: best and worst differ by 100 to 200 MHz (common
 * practice, no source), so a sd of some 55. A group that knows its own edge tells the others where to look.
 * Once a group knows its own better, that is not said again.
 */
static void hear_fellows(struct hf_plan *plan)
{
    struct belief *belief = plan->state;
    double spread = FELLOWS_SD / belief->units;
    double known = FELLOW_SD_MAX / belief->units;
    double sum = 0.0, weights = 0.0;

    for (int g = 0; g < plan->config.group_count; g++) {
        const struct posterior_moments *m = &belief->group[g].moments;

        if (!plan_is_searched(plan, g) || plan->group[g].failures == 0 || m->theta_variance > known * known)
            continue;
        sum += m->theta_mean / (spread * spread + m->theta_variance);
        weights += 1.0 / (spread * spread + m->theta_variance);
    }
    for (int g = 0; g < plan->config.group_count && weights > 0.0; g++) {
        const struct posterior_moments *m = &belief->group[g].moments;

        if (!plan->config.group[g].left_out && m->theta_variance > known * known)
            posterior_set_fellows(belief->posterior, g, sum / weights, sqrt(spread * spread + 1.0 / weights));
    }
}

static void summarise(struct hf_plan *plan)
{
    struct belief *belief = plan->state;
    int still = 0; /* somebody searches */

    hear_fellows(plan);
    posterior_refresh(belief->posterior);
    for (int g = 0; g < plan->config.group_count; g++) {
        if (!plan->config.group[g].left_out)
            posterior_moments(belief->posterior, g, &belief->group[g].moments);
    }
    for (int g = 0; g < plan->config.group_count; g++) {
        if (plan->trial[g].number == 0 && !plan->soak_begun && plan_is_searched(plan, g) &&
            is_bracketed(plan, g))
            belief_find_trial(plan, g); /* groups on trial are asked again when theirs has ended */
    }
    for (int g = 0; g < plan->config.group_count && !plan->soak_begun && plan->config.deadline_s <= 0.0; g++)
        still |= plan_is_searched(plan, g) && belief_searching(plan, g);
    belief_choose(plan, !still);
}

static void belief_learn(struct hf_plan *plan, const struct plan_outcome *outcomes, int count,
                         int unnamed_reset)
{
    struct belief *belief = plan->state;

    for (int i = 0; i < count; i++)
        belief->group[outcomes[i].group].trials +=
            !hf_purpose_is_joint(outcomes[i].purpose) && outcomes[i].purpose != HF_PURPOSE_HOLD;
    if (unnamed_reset) {
        belief_learn_unnamed(plan, outcomes, count);
    } else {
        for (int i = 0; i < count; i++)
            belief_learn_named(plan, &outcomes[i]);
    }
    belief_weigh_again(plan);
    summarise(plan);
}

/* A defect that no ratio mends, and that the next soak would meet as well. */
static void stop_if_hopeless(struct hf_plan *plan, int group)
{
    const struct belief *belief = plan->state;
    const struct belief_defect *defect = &belief->group[group].defect;
    double per_s = belief_defect_expected_per_s(defect);
    char cpu[32] = "";

    if (belief_defect_probability(defect) < DEFECT_CERTAIN || per_s * plan->config.soak_s < 1.0)
        return;
    if (defect->cpu >= 0)
        (void)snprintf(cpu, sizeof cpu, " (CPU %d)", defect->cpu);
    plan_stop(plan, "a core of group %d%s fails at any ratio, about once in %.2g h of load: leave it out",
              group, cpu, 1.0 / (3600.0 * per_s));
}

/* The soak is learned already and every choice made anew, none above the set that failed. */
static void belief_soak_failed(struct hf_plan *plan, int indicted)
{
    const struct belief *belief = plan->state;
    double largest = 0.0;
    int suspect = -1;

    if (indicted >= 0)
        stop_if_hopeless(plan, indicted);
    if (indicted != HF_GROUP_NONE)
        return; /* history.c sees to it that it is lower than before */
    for (int g = 0; g < plan->config.group_count; g++) {
        double rate;

        if (plan->config.group[g].left_out || plan->config.group[g].pinned)
            continue;
        if (plan->group[g].chosen < plan->soak.step[g])
            return;
        rate = posterior_expected_rate(belief->posterior, g, plan->group[g].chosen);
        if (plan->group[g].chosen > plan->config.group[g].baseline_step && rate > largest) {
            largest = rate;
            suspect = g;
        }
    }
    if (suspect >= 0)
        plan_choose(plan, suspect, plan->group[suspect].chosen - 1);
}

static int belief_init(struct hf_plan *plan, struct hf_error *error)
{
    const struct hf_plan_config *config = &plan->config;
    struct belief *belief = hf_allocate(1, sizeof *belief);
    int low = HF_STEPS_MAX;
    int high = 0;
    int code;

    if (!belief)
        return hf_fail(error, HF_E_MEMORY, "plan: no memory for the belief");
    plan->state = belief;
    belief->units = config->step_mhz / 25.0;
    belief->scale = plan_time_scale(plan);
    if ((code = belief_tables_new(belief, plan->config.check_period_s, error)) < 0)
        return code;
    if ((code = belief_resets_new(belief, config->group_count, error)) < 0)
        return code;
    for (int g = 0; g < config->group_count; g++) {
        low = config->group[g].baseline_step < low ? config->group[g].baseline_step : low;
        high = config->group[g].highest_step > high ? config->group[g].highest_step : high;
        belief->group[g].earliest = belief->group[g].latest = 1.0;
        belief_defect_init(&belief->group[g].defect);
    }
    code = posterior_new(config->group_count, low - 2.0 / belief->units, high + 16.0 / belief->units,
                         config->step_mhz, 1.0 / (60.0 * config->claim_hours), &belief->posterior, error);
    if (code < 0)
        return code;
    summarise(plan);
    return 0;
}

static void belief_discount(struct hf_plan *plan, double keep)
{
    struct belief *belief = plan->state;

    belief_forget_resets(belief);
    for (int g = 0; g < plan->config.group_count; g++)
        belief_defect_discount(&belief->group[g].defect, keep);
    posterior_discount(belief->posterior, keep);
    summarise(plan);
}

/*
 * Steps a group that the search would still win, on average. The spread falls with the root of the time t
 * searched, so what a second wins falls as t^(-3/2): from the ratio r now to 1 at the end the spread falls by
 * r^(-1/3).
 */
static double belief_steps_to_win(const struct hf_plan *plan)
{
    const struct belief *belief = plan->state;
    double ratio = mean_ratio(plan);
    double sum = 0.0;
    int count = 0;

    for (int g = 0; g < plan->config.group_count; g++) {
        if (!plan_is_searched(plan, g))
            continue;
        if (!is_bracketed(plan, g))
            return NAN; /* its edge has not been seen: nobody knows what is lost */
        sum += sqrt(belief->group[g].moments.limit_variance);
        count++;
    }
    if (ratio <= 1.0 || count == 0)
        return 0.0;
    return belief_quantile_z() * sum / count * (1.0 - pow(ratio, -1.0 / 3.0));
}

static void belief_release(struct hf_plan *plan)
{
    struct belief *belief = plan->state;

    if (!belief)
        return;
    posterior_free(belief->posterior);
    belief_tables_free(belief->tables);
    belief_resets_free(belief);
    hf_free(belief);
}

/* A searching group's remaining trials, guessed from how far the best of them is from not paying. */
static void belief_time_left(const struct hf_plan *plan, double *ret_median_s, double *ret_p90_s)
{
    const struct belief *belief = plan->state;
    double longest = 0.0;

    for (int g = 0; g < plan->config.group_count; g++) {
        const struct group_belief *own = &belief->group[g];
        double left = 0.09 * plan->config.soak_s;

        if (!plan_is_searching(plan, g))
            continue;
        if (is_bracketed(plan, g))
            left *= fmin(1.0, 0.1 + 0.35 * log(fmax(own->best.ratio, 1.0)));
        longest = fmax(longest, left);
    }
    *ret_median_s = longest;
    *ret_p90_s = 2.0 * longest;
}

/* P(ln of the edge's and the defect's rate together > log_rate). */
static double total_above(const struct belief *belief, int group, int step, double log_rate)
{
    double shares[BELIEF_DEFECT_RATES];
    double defect = belief_defect_shares(&belief->group[group].defect, shares);
    double sum = (1.0 - defect) * posterior_rate_above(belief->posterior, group, step, log_rate);

    for (int r = 0; r < BELIEF_DEFECT_RATES; r++) {
        double left = exp(log_rate) - 60.0 * belief_defect_rate(r);

        sum +=
            shares[r] * (left > 0.0 ? posterior_rate_above(belief->posterior, group, step, log(left)) : 1.0);
    }
    return sum;
}

/* Of ln(faults per minute), a defect included. */
static double log_rate_quantile(const struct belief *belief, int group, int step, double probability)
{
    double low = posterior_log_rate_quantile(belief->posterior, group, step, probability);
    double high = fmax(low, 0.0) + 8.0;

    if (belief_defect_probability(&belief->group[group].defect) < DEFECT_COUNTS)
        return low;
    for (int n = 0; n < 40; n++) {
        double middle = 0.5 * (low + high);

        if (total_above(belief, group, step, middle) > 1.0 - probability)
            low = middle;
        else
            high = middle;
    }
    return 0.5 * (low + high);
}

static void view_defect(const struct belief *belief, int group, struct hf_plan_view *ret_view)
{
    const struct belief_defect *defect = &belief->group[group].defect;

    ret_view->defect_probability = belief_defect_probability(defect);
    ret_view->defect_rate_per_hour =
        3600.0 * belief_defect_expected_per_s(defect) / ret_view->defect_probability;
    ret_view->defect_cpu = defect->cpu;
}

static void belief_view(const struct hf_plan *plan, int group, struct hf_plan_view *ret_view)
{
    const struct belief *belief = plan->state;
    const struct posterior *posterior = belief->posterior;
    int step = plan->group[group].chosen;

    ret_view->edge_step_low = posterior_theta_quantile(posterior, group, 0.025);
    ret_view->edge_step_median = posterior_theta_quantile(posterior, group, 0.5);
    ret_view->edge_step_high = posterior_theta_quantile(posterior, group, 0.975);
    ret_view->slope_median = posterior_slope_quantile(posterior, group, 0.5);
    ret_view->rate_at_choice_median_per_hour = 60.0 * exp(log_rate_quantile(belief, group, step, 0.5));
    ret_view->rate_at_choice_upper_per_hour = 60.0 * exp(log_rate_quantile(belief, group, step, 0.95));
    ret_view->model_check_passed = belief_model_holds(&belief->group[group]);
    ret_view->model_check_count = belief->group[group].checks;
    view_defect(belief, group, ret_view);
}

static int belief_rate_band(const struct hf_plan *plan, int group, int step, double ret_rate_per_hour[3])
{
    static const double quantile[3] = {0.05, 0.5, 0.95};
    const struct belief *belief = plan->state;

    for (int i = 0; i < 3; i++)
        ret_rate_per_hour[i] = 60.0 * exp(log_rate_quantile(belief, group, step, quantile[i]));
    return 1;
}

const struct plan_method plan_method_belief = {
    .name = "belief",
    .init = belief_init,
    .release = belief_release,
    .learn = belief_learn,
    .soak_failed = belief_soak_failed,
    .searching = belief_searching,
    .propose = belief_propose,
    .company = belief_company,
    .time_left = belief_time_left,
    .discount = belief_discount,
    .steps_to_win = belief_steps_to_win,
    .view = belief_view,
    .rate_band = belief_rate_band,
};
