#include "plan/plan_internal.h"

#include <assert.h>
#include <math.h>
#include <string.h>

#include "base/memory.h"
#include "holdfast/statistics.h"

static const struct plan_method *const methods[HF_METHOD_COUNT] = {
    [HF_METHOD_STEP_UP] = &plan_method_step_up,
    [HF_METHOD_BISECT] = &plan_method_bisect,
    [HF_METHOD_BELIEF] = &plan_method_belief,
};

const char *hf_plan_method_name(enum hf_plan_method method)
{
    return (unsigned)method < HF_METHOD_COUNT ? methods[method]->name : "unknown";
}

int hf_plan_method_of_name(const char *name)
{
    for (int i = 0; i < HF_METHOD_COUNT; i++) {
        if (strcmp(methods[i]->name, name) == 0)
            return i;
    }
    return -1;
}

/* --- the config --- */

static void default_to(double *value, double standard)
{
    if (*value == 0.0)
        *value = standard;
}

static void fill_defaults(struct hf_plan_config *config)
{
    default_to(&config->step_mhz, 25.0);
    default_to(&config->claim_hours, 168.0);
    default_to(&config->confidence, 0.95);
    default_to(&config->soak_s, 6.0 * 3600.0);
    default_to(&config->baseline_s, 600.0);
    default_to(&config->trial_s, 600.0);
    default_to(&config->apply_cost_s, 1.0);
    default_to(&config->reset_cost_s, 180.0);
    default_to(&config->check_period_s, 0.02);
}

struct field_range {
    const char *name;
    double value;
    double low;
    double high;
};

static int check_fields(const struct hf_plan_config *config, struct hf_error *error)
{
    const struct field_range fields[] = {
        {"group_count", config->group_count, 1, HF_GROUPS_MAX},
        {"step_count", config->step_count, 2, HF_STEPS_MAX},
        {"step_mhz", config->step_mhz, 1.0, 200.0},
        {"claim_hours", config->claim_hours, 1e-3, 1e6},
        {"confidence", config->confidence, 0.5, 0.9999},
        {"soak_s", config->soak_s, 1.0, 1e8},
        {"baseline_s", config->baseline_s, 1.0, 1e7},
        {"trial_s", config->trial_s, 1.0, 1e7},
        {"apply_cost_s", config->apply_cost_s, 0.0, 1e6},
        {"reset_cost_s", config->reset_cost_s, 0.0, 1e6},
        {"check_period_s", config->check_period_s, 1e-6, 3600.0},
        {"deadline_s", config->deadline_s, 0.0, 1e9},
    };

    for (size_t i = 0; i < sizeof fields / sizeof fields[0]; i++) {
        if (!(fields[i].value >= fields[i].low && fields[i].value <= fields[i].high))
            return hf_fail(error, HF_E_RANGE, "plan: %s is %g, allowed is %g to %g", fields[i].name,
                           fields[i].value, fields[i].low, fields[i].high);
    }
    return 0;
}

static int check_groups(const struct hf_plan_config *config, struct hf_error *error)
{
    int under_test = 0;

    for (int g = 0; g < config->group_count; g++) {
        const struct hf_plan_group *group = &config->group[g];

        if (group->baseline_step < 0 || group->baseline_step >= config->step_count)
            return hf_fail(error, HF_E_RANGE, "plan: baseline_step of group %d is %d, allowed is 0 to %d", g,
                           group->baseline_step, config->step_count - 1);
        if (group->highest_step < group->baseline_step || group->highest_step >= config->step_count)
            return hf_fail(error, HF_E_RANGE, "plan: highest_step of group %d is %d, allowed is %d to %d", g,
                           group->highest_step, group->baseline_step, config->step_count - 1);
        if (group->pinned && (group->pinned_step < 0 || group->pinned_step > group->highest_step))
            return hf_fail(error, HF_E_RANGE, "plan: pinned_step of group %d is %d, allowed is 0 to %d", g,
                           group->pinned_step, group->highest_step);
        under_test += !group->left_out;
    }
    if (under_test == 0)
        return hf_fail(error, HF_E_RANGE, "plan: left_out is set for every group: nothing is left to test");
    return 0;
}

int hf_plan_new(const struct hf_plan_config *config, enum hf_plan_method method, struct hf_plan **ret_plan,
                struct hf_error *error)
{
    struct hf_plan_config filled = *config;
    struct hf_plan *plan;
    int code;

    if ((unsigned)method >= HF_METHOD_COUNT)
        return hf_fail(error, HF_E_RANGE, "plan: there is no method number %d", (int)method);
    fill_defaults(&filled);
    if ((code = check_fields(&filled, error)) < 0 || (code = check_groups(&filled, error)) < 0)
        return code;
    plan = hf_allocate(1, sizeof *plan);
    if (!plan)
        return hf_fail(error, HF_E_MEMORY, "plan: no memory for %d groups", filled.group_count);
    plan->config = filled;
    plan->method = methods[method];
    plan->reset_group = HF_GROUP_NONE;
    for (int g = 0; g < filled.group_count; g++) {
        const struct hf_plan_group *group = &filled.group[g];

        plan->group[g].highest_pass = -1;
        plan->group[g].reset_cap = HF_STEPS_MAX;
        plan->group[g].short_cap = HF_STEPS_MAX;
        plan->group[g].lowest_fail = -1;
        plan->group[g].chosen = group->pinned ? group->pinned_step : group->baseline_step;
    }
    code = plan->method->init(plan, error);
    if (code < 0) {
        hf_plan_free(plan);
        return code;
    }
    *ret_plan = plan;
    return 0;
}

void hf_plan_free(struct hf_plan *plan)
{
    if (!plan)
        return;
    plan->method->release(plan);
    hf_free(plan);
}

/* --- what all methods share --- */

int plan_is_searched(const struct hf_plan *plan, int group)
{
    const struct hf_plan_group *config = &plan->config.group[group];

    return !config->left_out && !config->pinned && !plan->group[group].left_alone;
}

void plan_choose(struct hf_plan *plan, int group, int step)
{
    const struct hf_plan_group *config = &plan->config.group[group];
    int highest = config->highest_step;

    if (config->pinned || config->left_out)
        return;
    if (plan->soak_begun && plan->soak.step[group] >= 0 && plan->soak.step[group] < highest)
        highest = plan->soak.step[group];
    if (plan->group[group].short_cap < highest)
        highest = plan->group[group].short_cap;
    if (step > highest)
        step = highest;
    plan->group[group].chosen = step < config->baseline_step ? config->baseline_step : step;
}

/* --- views --- */

void hf_plan_view(const struct hf_plan *plan, int group, struct hf_plan_view *ret_view)
{
    const struct plan_group *own = &plan->group[group];

    assert(group >= 0 && group < plan->config.group_count);
    memset(ret_view, 0, sizeof *ret_view); /* padding too: views are compared to the byte */
    ret_view->chosen_step = own->chosen;
    ret_view->highest_pass_step = own->highest_pass;
    ret_view->lowest_fail_step = own->lowest_fail;
    ret_view->failures = own->failures;
    ret_view->resets = own->resets;
    ret_view->exposure_s = own->exposure_s;
    ret_view->edge_step_median = NAN;
    ret_view->edge_step_low = NAN;
    ret_view->edge_step_high = NAN;
    ret_view->slope_median = NAN;
    ret_view->rate_at_choice_median_per_hour = NAN;
    ret_view->rate_at_choice_upper_per_hour = NAN;
    ret_view->model_check_passed = 1;
    ret_view->defect_probability = NAN;
    ret_view->defect_rate_per_hour = NAN;
    ret_view->defect_cpu = -1;
    ret_view->left_alone = own->left_alone;
    ret_view->left_alone_cause = own->left_alone_cause;
    if (plan->method->view)
        plan->method->view(plan, group, ret_view);
    ret_view->unsafe_at_baseline =
        plan_is_searched(plan, group) && own->chosen <= plan->config.group[group].baseline_step &&
        ret_view->rate_at_choice_median_per_hour > 1.0 / plan->config.claim_hours; /* NAN: cannot be said */
}

int plan_is_unsafe_at_baseline(const struct hf_plan *plan, int group)
{
    struct hf_plan_view view;

    if (!plan_is_searched(plan, group) || plan->group[group].chosen > plan->config.group[group].baseline_step)
        return 0;
    hf_plan_view(plan, group, &view);
    return view.unsafe_at_baseline;
}

int hf_plan_rate_band(const struct hf_plan *plan, int group, int step, double ret_rate_per_hour[3])
{
    assert(group >= 0 && group < plan->config.group_count);
    return plan->method->rate_band ? plan->method->rate_band(plan, group, step, ret_rate_per_hour) : 0;
}

/*
 * A bound on the chance that this walk certifies a set whose rate is above what the soak excludes. Sets were
 * tried from high to low. The present one passes wrongly with at most (1 - C) / m at its m-th try; one that
 * stood i sets above it was worse by PLAN_WALK_RATIO^i at least, so (1 - C) is raised to that power.
 */
static double confidence_spent(const struct hf_plan *plan)
{
    double risk = 1.0 - plan->config.confidence;
    double growth = 1.0;
    double sum = 0.0;

    for (int i = 0; i < plan->soak.sets; i++) {
        for (int m = 1; m <= plan->soak.tries_of_set[i]; m++)
            sum += pow(risk / m, growth);
        growth *= PLAN_WALK_RATIO;
    }
    return fmin(sum, 1.0);
}

void hf_plan_soak(const struct hf_plan *plan, struct hf_plan_soak *ret_soak)
{
    const struct plan_soaks *soak = &plan->soak;

    *ret_soak = (struct hf_plan_soak){
        .attempts = soak->begun,
        .repeats_of_same_set = soak->same_set_failed,
        .passed = soak->passed,
        .served_s = soak->served_s,
        .required_s = soak->required_s,
        .confidence_spent = confidence_spent(plan),
    };
    if (plan->soak_begun)
        memcpy(ret_soak->step, soak->step, sizeof ret_soak->step);
    else
        plan_soak_set(plan, ret_soak->step);
    if (!plan->soak_begun)
        ret_soak->required_s = plan->config.soak_s;
    if (plan->joint.number != 0 && plan->joint.purpose == HF_PURPOSE_SOAK)
        ret_soak->served_s += plan->joint.exposure_s;
}

void hf_plan_deadline(const struct hf_plan *plan, struct hf_plan_deadline *ret_deadline)
{
    int cut = plan->soak_begun ? plan->deadline_cut : plan_is_cut_short(plan);

    *ret_deadline = (struct hf_plan_deadline){
        .set = plan->config.deadline_s > 0.0, .deadline_s = plan->config.deadline_s, .ended_search = cut};
    if (!cut)
        return;
    if (plan->soak_begun)
        ret_deadline->steps_lost = plan->steps_lost;
    else
        ret_deadline->steps_lost = plan->method->steps_to_win ? plan->method->steps_to_win(plan) : NAN;
}

void hf_plan_discount(struct hf_plan *plan, double keep)
{
    assert(keep >= 0.0 && keep <= 1.0);
    if (plan->method->discount)
        plan->method->discount(plan, keep);
}

static double joint_left_s(const struct hf_plan *plan, enum hf_purpose purpose, double needed_s)
{
    if (plan->joint.number != 0 && plan->joint.purpose == purpose)
        needed_s -= plan->joint.exposure_s;
    return fmax(needed_s, 0.0);
}

void hf_plan_time_left(const struct hf_plan *plan, double now_s, double *ret_median_s, double *ret_p90_s)
{
    double median = 0.0;
    double p90 = 0.0;
    double fixed = 0.0;
    int16_t set[HF_GROUPS_MAX];

    (void)now_s; /* everything that counts down is exposure, and exposure is an event */
    if (plan->soak.passed || plan->stopped) {
        *ret_median_s = *ret_p90_s = 0.0;
        return;
    }
    if (!plan->baseline_passed)
        fixed += joint_left_s(plan, HF_PURPOSE_BASELINE, plan->config.baseline_s);
    if (!plan->soak_begun)
        plan->method->time_left(plan, &median, &p90);
    plan_soak_set(plan, set);
    fixed += joint_left_s(plan, HF_PURPOSE_SOAK, plan_soak_remaining_s(plan, set));
    *ret_median_s = fixed + median;
    *ret_p90_s =
        fixed + fmax(p90, median) + 0.25 * plan->config.soak_s; /* one soak in ten begins again, halfway */
}
