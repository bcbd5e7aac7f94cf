#include "cli/true_limits.h"

#include <string.h>

#include "harness/supervisor_private.h"
#include "holdfast/rehearse.h"

static int read_mix(const struct hf_profile *profile, struct hf_mix *ret_mix)
{
    struct hf_error error = {0};

    if (profile->mix[0] != '\0')
        return hf_mix_builtin(profile->mix, ret_mix, &error) == HF_OK;
    return hf_mix_parse(profile->mix_document.bytes, profile->mix_document.size, "the profile's mix", ret_mix,
                        &error) == HF_OK;
}

int hf_true_limits_of_profile(const struct hf_profile *profile, int ret_limits[HF_GROUPS_MAX])
{
    struct hf_load_slice slices[HF_MIX_ENTRIES_MAX];
    int16_t limits[HF_GROUPS_MAX];
    struct hf_rig_config config;
    struct hf_rig *rig = NULL;
    struct hf_error error = {0};
    struct hf_mix mix;
    int count;

    if (!profile->has_rig || strcmp(profile->driver, "rig") != 0 || !read_mix(profile, &mix))
        return 0;
    hf_load_of_mix(&mix, slices, &count);
    hf_rig_config_of_profile(profile, &config);
    if (hf_rig_new(&config, &rig, &error) != HF_OK)
        return 0;
    for (int group = 0; group < profile->group_count; group++) {
        if (hf_rig_set_load(rig, group, slices, count, &error) != HF_OK) {
            hf_rig_free(rig);
            return 0;
        }
    }
    hf_rehearse_true_limits(rig, profile->group_count, 1.0 / profile->claim_hours, slices, count, limits);
    for (int group = 0; group < profile->group_count; group++)
        ret_limits[group] = limits[group];
    hf_rig_free(rig);
    return 1;
}
