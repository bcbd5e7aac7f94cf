#include "harness/fitness.h"

#include "base/memory.h"
#include "harness/sensing.h"
#include "holdfast/topology.h"

void hf_fitness_driver_config(const struct hf_profile *profile, const struct hf_host *host,
                              struct hf_driver_group *groups, struct hf_driver_config *ret_config)
{
    for (int g = 0; g < profile->group_count; g++) {
        const struct hf_profile_group *group = &profile->group[g];

        groups[g] = (struct hf_driver_group){.name = group->name,
                                             .cpus = &profile->cpu[group->cpu_first],
                                             .cpu_count = group->cpu_count,
                                             .baseline_step = group->baseline_step,
                                             .highest_step = group->highest_step,
                                             .left_out = group->left_out};
    }
    *ret_config =
        (struct hf_driver_config){.group_count = profile->group_count,
                                  .groups = groups,
                                  .base_clock_mhz = profile->base_clock_mhz,
                                  .ratio_lowest = profile->ratio_lowest,
                                  .ratio_step = profile->ratio_step,
                                  .step_count = profile->step_count,
                                  .host = host,
                                  .board = profile->rig.board[0] != '\0' ? profile->rig.board : NULL,
                                  .command = profile->command,
                                  .command_count = profile->command_count,
                                  .command_limit_s = profile->command_limit_s};
}

/* hwloc says that pinning worked on a machine that is only described to it. */
static int check_topology(struct hf_error *error)
{
    struct hf_topology *topology = NULL;
    int is_this;

    if (hf_topology_new(NULL, &topology, error) != HF_OK)
        return error->code;
    is_this = topology->is_this_system;
    hf_topology_free(topology);
    if (is_this)
        return HF_OK;
    return hf_fail(
        error, HF_E_REFUSED,
        "the topology is another machine's (a recording or a description): a real driver works on this "
        "machine "
        "only. Unset the HWLOC_ variables of the environment, and leave --root away, or use the driver rig");
}

static int check_driver(const struct hf_profile *profile, const struct hf_driver_ops *driver,
                        const struct hf_host *host, struct hf_error *error)
{
    struct hf_driver_group *groups = hf_allocate(HF_GROUPS_MAX, sizeof *groups);
    struct hf_driver_config config;
    void *state = NULL;

    if (groups == NULL)
        return hf_fail(error, HF_E_MEMORY, "no memory to look at the driver");
    hf_fitness_driver_config(profile, host, groups, &config);
    if (driver->open(&config, &state, error) == HF_OK)
        driver->close(state);
    hf_free(groups);
    return error->code;
}

int hf_fitness_check(const struct hf_profile *profile, const struct hf_driver_ops *driver,
                     const struct hf_host *host, struct hf_error *error)
{
    if (driver->is_simulated)
        return HF_OK;
    if (check_topology(error) != HF_OK || hf_sensing_check(profile, host, error) != HF_OK)
        return error->code;
    return check_driver(profile, driver, host, error);
}
