/* What is true of a rig model: for the reports of rig runs only, never for the search. */
#ifndef HOLDFAST_CLI_TRUE_LIMITS_H
#define HOLDFAST_CLI_TRUE_LIMITS_H

#include "holdfast/profile.h"

/* Fills, for each group, the highest step whose true rate keeps the profile's claim under its mix with every
 * other group at its own limit; -1 when no step does. 1: done; 0: the machine is no rig model, or it cannot
 * be told. */
int hf_true_limits_of_profile(const struct hf_profile *profile, int ret_limits[HF_GROUPS_MAX]);

#endif
