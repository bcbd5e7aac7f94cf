#include "holdfast/plan_config.h"

#include <math.h>
#include <string.h>

#define CHECK_PERIOD_WALL_S 0.05 /* a block and a tick of the judge */
/* What any change costs: journal, settling, the load's start; engineering judgement. */
#define BEGIN_S 1.0

/*
 * What each setting driver says of its changes (its `cost`). It stands here once more because certify and
 * report replay a journal on machines where the driver cannot work, and must meet the same plan: a test
 * compares the two.
 */
static const struct driver_cost {
    const char *driver;
    double apply_s;
    int needs_person;
} driver_costs[] = {{"rig", 0.0, 0}, {"cpufreq", 0.01, 0}, {"command", 0.1, 0}, {"sheet", 300.0, 1}};

void hf_plan_costs_of_profile(const struct hf_profile *profile, struct hf_plan_costs *ret_costs)
{
    int simulated = strcmp(profile->driver, "rig") == 0;
    const char *sets = simulated && profile->rig.set_by[0] != '\0' ? profile->rig.set_by : profile->driver;

    *ret_costs = (struct hf_plan_costs){
        .apply_s = BEGIN_S,
        .check_period_s = CHECK_PERIOD_WALL_S * (simulated ? profile->rig.clock_factor : 1),
    };
    for (size_t i = 0; i < sizeof driver_costs / sizeof driver_costs[0]; i++) {
        if (strcmp(sets, driver_costs[i].driver) != 0)
            continue;
        ret_costs->apply_s += driver_costs[i].apply_s;
        ret_costs->needs_person = driver_costs[i].needs_person;
    }
}

static void groups_of_profile(const struct hf_profile *profile, struct hf_plan_config *config)
{
    config->group_count = profile->group_count;
    for (int i = 0; i < profile->group_count; i++) {
        const struct hf_profile_group *from = &profile->group[i];

        config->group[i] = (struct hf_plan_group){
            .baseline_step = from->baseline_step,
            .highest_step = from->highest_step,
            .left_out = from->left_out,
            .pinned = from->pinned_step >= 0,
            .pinned_step = from->pinned_step >= 0 ? from->pinned_step : 0,
        };
    }
}

int hf_plan_config_of_profile(const struct hf_profile *profile, const struct hf_plan_costs *costs,
                              const char *method_name, struct hf_plan_config *ret_config,
                              enum hf_plan_method *ret_method, struct hf_error *error)
{
    const char *name = method_name != NULL ? method_name : profile->method;
    int method = hf_plan_method_of_name(name);
    struct hf_plan_costs own_costs;

    if (costs == NULL) {
        hf_plan_costs_of_profile(profile, &own_costs);
        costs = &own_costs;
    }
    if (method < 0)
        return hf_fail(error, HF_E_RANGE,
                       "there is no method \"%.40s\"; choose one of step-up, bisect, belief", name);
    *ret_config = (struct hf_plan_config){
        .step_count = profile->step_count,
        .step_mhz = profile->base_clock_mhz * profile->ratio_step,
        .claim_hours = profile->claim_hours,
        .confidence = profile->confidence,
        .soak_s = profile->soak_s,
        .baseline_s = profile->baseline_s,
        .reset_cost_s = profile->reset_cost_s,
        .deadline_s = isnan(profile->deadline_s) ? 0.0 : profile->deadline_s,
        .apply_cost_s = costs->apply_s,
        .change_needs_person = costs->needs_person,
        .check_period_s = costs->check_period_s,
        .seed = profile->seed,
    };
    groups_of_profile(profile, ret_config);
    *ret_method = (enum hf_plan_method)method;
    return HF_OK;
}
