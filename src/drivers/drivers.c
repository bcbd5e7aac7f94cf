#include "drivers/drivers.h"

#include <assert.h>
#include <math.h>
#include <stdio.h>
#include <string.h>

#define NAMES_BYTES_MAX 4096

static const struct hf_driver_ops *const drivers[] = {&hf_driver_rig, &hf_driver_cpufreq, &hf_driver_command,
                                                      &hf_driver_sheet};

int hf_driver_count(void)
{
    return (int)(sizeof drivers / sizeof drivers[0]);
}

const struct hf_driver_ops *hf_driver_at(int index)
{
    assert(index >= 0 && index < hf_driver_count());
    return drivers[index];
}

const struct hf_driver_ops *hf_driver_find(const char *name)
{
    for (int i = 0; i < hf_driver_count(); i++) {
        if (strcmp(drivers[i]->name, name) == 0)
            return drivers[i];
    }
    return NULL;
}

const struct hf_driver_ops *hf_driver_rig_set_by(const char *set_by)
{
    if (set_by[0] == '\0')
        return &hf_driver_rig;
    if (strcmp(set_by, "command") == 0)
        return &hf_driver_rig_by_command;
    return strcmp(set_by, "sheet") == 0 ? &hf_driver_rig_by_sheet : NULL;
}

/* --- steps and ratios ------------------------------------------------------------------------------- */

double hf_driver_ratio(const struct hf_driver_config *config, int step)
{
    return config->ratio_lowest + step * config->ratio_step;
}

void hf_driver_ratio_format(double ratio, char ret_text[HF_RATIO_TEXT])
{
    int exact = fabs(ratio * 100 - nearbyint(ratio * 100)) < 1e-6;

    (void)snprintf(ret_text, HF_RATIO_TEXT, "%.*f", exact ? 2 : 4, ratio);
}

void hf_driver_add_cpus(const struct hf_driver_group *group, struct hf_text *text)
{
    for (int i = 0; i < group->cpu_count;) {
        int last = i;

        while (last + 1 < group->cpu_count && group->cpus[last + 1] == group->cpus[last] + 1)
            last++;
        hf_text_addf(text, "%s%d", i > 0 ? "," : "", group->cpus[i]);
        if (last > i)
            hf_text_addf(text, "-%d", group->cpus[last]);
        i = last + 1;
    }
}

int hf_driver_check_config(const struct hf_driver_config *config, struct hf_error *error)
{
    if (config->group_count < 1 || config->group_count > HF_GROUPS_MAX)
        return hf_fail(error, HF_E_RANGE, "a driver needs 1 to %d groups, not %d", HF_GROUPS_MAX,
                       config->group_count);
    if (config->step_count < 1 || config->step_count > INT16_MAX)
        return hf_fail(error, HF_E_RANGE, "a driver needs 1 to %d steps, not %d", INT16_MAX,
                       config->step_count);
    for (int i = 0; i < config->group_count; i++) {
        const struct hf_driver_group *group = &config->groups[i];

        if (group->baseline_step < 0 || group->highest_step < group->baseline_step ||
            group->highest_step >= config->step_count)
            return hf_fail(error, HF_E_RANGE,
                           "group %s: baseline step %d and highest step %d must rise within 0 to %d",
                           group->name, group->baseline_step, group->highest_step, config->step_count - 1);
    }
    return HF_OK;
}

int hf_driver_check_wanted(const struct hf_driver_config *config, const int16_t *wanted,
                           struct hf_error *error)
{
    for (int i = 0; i < config->group_count; i++) {
        const struct hf_driver_group *group = &config->groups[i];
        char asked[HF_RATIO_TEXT];
        char highest[HF_RATIO_TEXT];

        if (wanted[i] >= -1 && wanted[i] <= group->highest_step)
            continue;
        hf_driver_ratio_format(hf_driver_ratio(config, wanted[i]), asked);
        hf_driver_ratio_format(hf_driver_ratio(config, group->highest_step), highest);
        if (wanted[i] < -1)
            return hf_fail(error, HF_E_RANGE, "group %s: there is no step %d", group->name, wanted[i]);
        return hf_fail(error, HF_E_REFUSED,
                       "group %s: ratio %s is above its highest, %s; nothing was changed", group->name, asked,
                       highest);
    }
    return HF_OK;
}

/* --- back to baseline ------------------------------------------------------------------------------- */

static void want_baselines(const struct hf_driver_config *config, int only, int16_t *wanted)
{
    for (int i = 0; i < HF_GROUPS_MAX; i++)
        wanted[i] =
            (int16_t)(i < config->group_count && !config->groups[i].left_out && (only < 0 || i == only)
                          ? config->groups[i].baseline_step
                          : -1);
}

/* One group that refuses must not keep the others up. */
static int apply_baselines(const struct hf_driver_ops *ops, void *state,
                           const struct hf_driver_config *config, int *ret_requested, struct hf_error *why)
{
    enum hf_apply_result result = HF_APPLY_DONE;
    int16_t wanted[HF_GROUPS_MAX];
    struct hf_text page;
    int code;

    hf_text_init(&page, 1 << 20);
    want_baselines(config, -1, wanted);
    code = ops->apply(state, wanted, &result, &page, why);
    *ret_requested = code == HF_OK && result == HF_APPLY_REQUESTED;
    for (int i = 0; code != HF_OK && i < config->group_count; i++) {
        struct hf_error ignored = {0};

        if (config->groups[i].left_out)
            continue;
        want_baselines(config, i, wanted);
        (void)ops->apply(state, wanted, &result, &page, &ignored);
    }
    hf_text_release(&page);
    return code;
}

static void name_unconfirmed(const struct hf_driver_ops *ops, void *state,
                             const struct hf_driver_config *config, struct hf_text *names)
{
    for (int i = 0; i < config->group_count; i++) {
        struct hf_error ignored = {0};
        char baseline[HF_RATIO_TEXT];
        int step = -1;

        if (config->groups[i].left_out || (ops->read_back(state, i, &step, &ignored) == HF_OK &&
                                           step == config->groups[i].baseline_step))
            continue;
        hf_driver_ratio_format(hf_driver_ratio(config, config->groups[i].baseline_step), baseline);
        hf_text_addf(names, "%s%s (ratio %s)", names->size > 0 ? ", " : "", config->groups[i].name, baseline);
    }
}

int hf_driver_to_baseline(const struct hf_driver_ops *ops, void *state, const struct hf_driver_config *config,
                          struct hf_error *error)
{
    struct hf_error why = {0};
    struct hf_text names;
    int requested = 0;
    int code = apply_baselines(ops, state, config, &requested, &why);

    hf_text_init(&names, NAMES_BYTES_MAX);
    name_unconfirmed(ops, state, config, &names);
    if (names.size == 0 && !names.overflowed) {
        code = HF_OK; /* what counts is what is in force */
    } else if (requested) {
        code =
            hf_fail(error, HF_E_UNPROVED,
                    "the return to baseline cannot be confirmed for %.500s: enter it in the firmware setup",
                    names.bytes);
    } else {
        code = hf_fail(error, HF_E_MISMATCH, "the return to baseline cannot be confirmed for %.400s%s%.200s",
                       names.bytes, code != HF_OK ? ": " : "", code != HF_OK ? why.message : "");
    }
    hf_text_release(&names);
    return code;
}
