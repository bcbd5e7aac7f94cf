/*
 * From a profile to the plan's configuration: the one place where both meet, so that search, certify, report and
 * rehearse replay a journal through exactly the same plan.
 */
#ifndef HOLDFAST_PLAN_CONFIG_H
#define HOLDFAST_PLAN_CONFIG_H

#include "holdfast/plan.h"
#include "holdfast/profile.h"

/* What the setting driver and the run's clock contribute. Zero: nothing known (views do not depend on it). */
struct hf_plan_costs {
    double apply_s;
    int needs_person;
    double check_period_s; /* in run time */
};

/* Fills config from the profile; the method of the profile (or method_name when not NULL) goes to *ret_method. */
int hf_plan_config_of_profile(const struct hf_profile *profile, const struct hf_plan_costs *costs,
                              const char *method_name, struct hf_plan_config *ret_config,
                              enum hf_plan_method *ret_method, struct hf_error *error);

#endif
