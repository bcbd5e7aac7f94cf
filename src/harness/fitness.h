/*
 * Is this machine fit to be driven? Asked before a run is begun, so that nothing is written when it is not.
 *
 * Each refusal says what was found and what to do; the program's exit status is 4.
 */
#ifndef HOLDFAST_HARNESS_FITNESS_H
#define HOLDFAST_HARNESS_FITNESS_H

#include "holdfast/driver.h"
#include "holdfast/host.h"
#include "holdfast/profile.h"

/* A real driver only: the topology is this system's, a temperature of every group can be read, and the driver
 * can work here (rights, limits). A simulated driver is always fit. */
int hf_fitness_check(const struct hf_profile *profile, const struct hf_driver_ops *driver,
                     const struct hf_host *host, struct hf_error *error);

/* What a driver sees of a profile; `groups` has room for HF_GROUPS_MAX and must live as long as the driver.
 */
void hf_fitness_driver_config(const struct hf_profile *profile, const struct hf_host *host,
                              struct hf_driver_group *groups, struct hf_driver_config *ret_config);

#endif
