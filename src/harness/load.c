/* The mix as the rig model sees it, and the rig's parameters as the profile gives them. */
#include <math.h>

#include "harness/supervisor_private.h"
#include "holdfast/rehearse.h"

static struct hf_load load_of_entry(const struct hf_mix_entry *entry)
{
    const struct hf_kernel *kernel = hf_kernel_find(entry->kernel, entry->width_bits);
    struct hf_load load = {
        .load_class = kernel != NULL ? (enum hf_load_class)kernel->load_class : HF_LOAD_SCALAR,
        .duty = 1,
        .in_step = entry->sync == HF_SYNC_ALL,
    };

    switch (entry->pattern) {
    case HF_PATTERN_SQUARE:
    case HF_PATTERN_SWING:
    case HF_PATTERN_TELEGRAPH: /* the model knows fixed periods only: the mean one stands for the random ones
                                */
        load.duty = entry->duty;
        load.period_s =
            sqrt(entry->period_s * fmax(entry->period_s, entry->period_high_s)); /* geometric middle */
        break;
    case HF_PATTERN_SOLO_THEN_ALL:
        load.duty = 0.7;       /* mean burst over mean round: see workloads/patterns/solo_then_all.c */
        load.period_s = 0.001; /* the bursts follow each other at about this distance */
        load.in_step = 1;
        break;
    case HF_PATTERN_WAKE:
        load.duty = 0.041; /* mean burst 0.39 ms, mean sleep 9.2 ms: see workloads/patterns/wake.c */
        load.period_s = 9.6e-3;
        break;
    default:
        break;
    }
    return load;
}

void hf_load_of_mix(const struct hf_mix *mix, struct hf_load_slice *ret_slices, int *ret_count)
{
    double total = 0;

    for (int i = 0; i < mix->entry_count; i++)
        total += mix->entry[i].weight;
    for (int i = 0; i < mix->entry_count; i++) {
        ret_slices[i].load = load_of_entry(&mix->entry[i]);
        ret_slices[i].weight = mix->entry[i].weight / total;
    }
    *ret_count = mix->entry_count;
}

static void take_count(int from, int *to)
{
    if (from >= 0)
        *to = from;
}

static void take(double from, double *to)
{
    if (!isnan(from))
        *to = from;
}

void hf_rig_config_of_profile(const struct hf_profile *profile, struct hf_rig_config *ret_config)
{
    const struct hf_profile_rig *rig = &profile->rig;

    *ret_config = (struct hf_rig_config){.group_count = profile->group_count,
                                         .cores_per_group = profile->group[0].cpu_count};
    hf_rig_config_default(ret_config);
    ret_config->lowest_mhz = hf_profile_mhz(profile, 0);
    ret_config->step_mhz = profile->base_clock_mhz * profile->ratio_step;
    ret_config->step_count = profile->step_count;
    ret_config->seed = rig->seed;
    take(rig->edge_mhz, &ret_config->edge_mhz);
    take(rig->chip_sd_mhz, &ret_config->chip_sd_mhz);
    take(rig->group_sd_mhz, &ret_config->group_sd_mhz);
    take(rig->core_sd_mhz, &ret_config->core_sd_mhz);
    take(rig->class_sd_mhz, &ret_config->class_sd_mhz);
    take(rig->slope_nats, &ret_config->slope_nats);
    take(rig->slope_chip_sd, &ret_config->slope_chip_sd);
    take(rig->slope_core_sd, &ret_config->slope_core_sd);
    take(rig->frailty_mhz, &ret_config->frailty_mhz);
    take(rig->drift_mhz, &ret_config->drift_mhz);
    take(rig->ambient_c, &ret_config->ambient_c);
    take(rig->droop_scale, &ret_config->droop_scale);
    take(rig->heat_scale, &ret_config->heat_scale);
    take_count(rig->hot_cores, &ret_config->hot_cores);
    take_count(rig->flat_cores, &ret_config->flat_cores);
    take_count(rig->weak_units, &ret_config->weak_units);
    take_count(rig->stretching, &ret_config->stretching);
    take_count(rig->simple, &ret_config->simple);
    if (rig->settings_lost > 0)
        ret_config->setting_lost_share = 0.02;
}
