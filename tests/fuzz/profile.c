/* A profile: parsed, and what was accepted makes a plan's configuration, survives freezing, and keeps its
 * ratios on its grid. */
#include <math.h>

#include "fuzz.h"
#include "holdfast/plan_config.h"
#include "holdfast/profile.h"

static void check_accepted(const struct hf_profile *profile)
{
    struct hf_error error = {0};
    struct hf_profile *again = NULL;
    struct hf_plan_config *config = calloc(1, sizeof *config);
    enum hf_plan_method method;

    MUST(config != NULL);
    MUST(profile->step_count >= 2 && profile->group_count >= 1 && profile->cpu_count >= profile->group_count);
    for (int step = 0; step < profile->step_count; step++) {
        int found = -1;

        MUST(isfinite(hf_profile_mhz(profile, step)));
        MUST(hf_profile_step(profile, hf_profile_ratio(profile, step), &found, &error) == HF_OK);
        MUST(found == step);
    }
    for (int group = 0; group < profile->group_count; group++) {
        const struct hf_profile_group *one = &profile->group[group];
        int found = -1;

        MUST(one->baseline_step >= 0 && one->baseline_step <= one->highest_step);
        MUST(one->highest_step < profile->step_count && one->cpu_count >= 1);
        MUST(one->cpu_first >= 0 && one->cpu_first + one->cpu_count <= profile->cpu_count);
        MUST(hf_profile_group_of(profile, one->name, &found, &error) == HF_OK && found == group);
    }
    if (hf_plan_config_of_profile(profile, NULL, NULL, config, &method, &error) != HF_OK)
        must_explain(error.code, &error, NULL);
    free(config);
    hf_error_clear(&error);
    MUST(hf_profile_parse(profile->document.bytes, profile->document.size, "again", &again, &error) == HF_OK);
    MUST(strcmp(again->digest, profile->digest) == 0 && again->seed == profile->seed);
    hf_profile_free(again);
}

int LLVMFuzzerTestOneInput(const uint8_t *bytes, size_t size)
{
    struct hf_error error = {0};
    struct hf_profile *profile = NULL;
    char *copy = exact_copy(bytes, size, 0);
    int code = hf_profile_parse(copy, size, "fuzzed.json", &profile, &error);

    free(copy);
    if (code == HF_OK) {
        check_accepted(profile);
        hf_profile_free(profile);
    } else {
        MUST(profile == NULL);
        must_explain(code, &error, "fuzzed.json");
    }
    return 0;
}
