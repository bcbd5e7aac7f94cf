/*
 * From a profile to the plan's configuration: the one place where both meet, so that search, certify, report
 * and rehearse replay a journal through exactly the same plan.
 */
#ifndef HOLDFAST_PLAN_CONFIG_H
#define HOLDFAST_PLAN_CONFIG_H

#include "holdfast/plan.h"
#include "holdfast/profile.h"

/* What the setting driver and the run's clock contribute. */
struct hf_plan_costs {
    double apply_s;        /* one change of ratio: the driver's own cost and what begins a trial */
    int needs_person;      /* 1: a change needs a reboot and a person */
    double check_period_s; /* run time after which a wrong result is seen at the latest */
};

/* The costs of a run with this profile: from its driver's name and its clock factor. */
void hf_plan_costs_of_profile(const struct hf_profile *profile, struct hf_plan_costs *ret_costs);

/* Fills config from the profile; the profile's method (or method_name when not NULL) goes to *ret_method.
 * costs NULL: those of a run with this profile. */
int hf_plan_config_of_profile(const struct hf_profile *profile, const struct hf_plan_costs *costs,
                              const char *method_name, struct hf_plan_config *ret_config,
                              enum hf_plan_method *ret_method, struct hf_error *error);

#endif
