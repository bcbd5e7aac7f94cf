/*
 * Reading a profile: strict, and driven by tables, so that the schema in docs/ can be checked against them.
 * Order: the bytes (size, encoding), the document (JSON, format), then every object: its keys, then its
 * values one by one: presence, type, range; last what must fit together.
 */
#include <assert.h>
#include <cjson/cJSON.h>
#include <inttypes.h>
#include <math.h>
#include <stdio.h>
#include <string.h>

#include "base/memory.h"
#include "holdfast/json.h"
#include "holdfast/profile.h"
#include "record/profile_keys.h"

#define FORMAT         1
#define STEPS_MIN      2
#define STEPS_MAX      512
#define GRID_TOLERANCE 1e-6 /* of a step: ratios are written in decimal */
#define WORDS_MAX      200

static const char *const top_keys[] = {"format",
                                       "name",
                                       "description",
                                       "base_clock_mhz",
                                       "ratio",
                                       "groups",
                                       "driver",
                                       "accept_the_risk",
                                       "temperature",
                                       "mix",
                                       "search",
                                       "conditions",
                                       "rig",
                                       "sensors",
                                       "clock_tolerance_percent",
                                       "command",
                                       "driver_failure",
                                       "upload",
                                       NULL};
static const char *const ratio_keys[] = {"lowest", "highest", "step", "baseline", NULL};
static const char *const group_keys[] = {"name",     "cpus",         "highest", "baseline",
                                         "left_out", "pinned_ratio", NULL};
static const char *const temperature_keys[] = {"limit_c", NULL};
static const char *const search_keys[] = {"method",     "claim_hours",      "confidence",
                                          "soak_hours", "baseline_minutes", "reset_minutes",
                                          "seed",       "deadline_hours",   NULL};
static const char *const conditions_keys[] = {"voltage_mv", "ambient_c", "memory_mts", "note", NULL};
static const char *const rig_keys[] = {
    "seed",         "clock_factor", "edge_mhz",      "chip_sd_mhz",   "group_sd_mhz", "core_sd_mhz",
    "class_sd_mhz", "slope_nats",   "slope_chip_sd", "slope_core_sd", "frailty_mhz",  "drift_mhz",
    "ambient_c",    "droop_scale",  "heat_scale",    "simple",        "oddities",     "set_by",
    "board",        NULL};
static const char *const sensor_keys[] = {"chip", "device", "input",   "label",
                                          "role", "group",  "limit_c", NULL};
static const char *const command_keys[] = {"program", "limit_s", NULL};
static const char *const upload_keys[] = {"url", "token_file", "ca_file", "every_minutes", "silence_s", NULL};
static const char *const oddities_keys[] = {"hot_cores",  "flat_cores",    "weak_units",
                                            "stretching", "settings_lost", NULL};

const char *const *const hf_profile_keys[HF_PROFILE_OBJECT_COUNT] = {
    [HF_PROFILE_TOP] = top_keys,       [HF_PROFILE_RATIO] = ratio_keys,
    [HF_PROFILE_GROUP] = group_keys,   [HF_PROFILE_TEMPERATURE] = temperature_keys,
    [HF_PROFILE_SEARCH] = search_keys, [HF_PROFILE_CONDITIONS] = conditions_keys,
    [HF_PROFILE_RIG] = rig_keys,       [HF_PROFILE_ODDITIES] = oddities_keys,
    [HF_PROFILE_SENSOR] = sensor_keys, [HF_PROFILE_COMMAND] = command_keys,
    [HF_PROFILE_UPLOAD] = upload_keys,
};

#define AT(member) offsetof(struct hf_profile, member)
#define UNKNOWN    ((double)NAN)

const struct hf_profile_number hf_profile_numbers[] = {
    {HF_PROFILE_TOP, "base_clock_mhz", 20, 1000, 0, 100, 1, AT(base_clock_mhz)},
    {HF_PROFILE_TOP, "clock_tolerance_percent", 0.1, 20, 0, 0.7, 0.01, AT(clock_tolerance)},
    {HF_PROFILE_COMMAND, "limit_s", 0.1, 600, 0, 10, 1, AT(command_limit_s)},
    {HF_PROFILE_UPLOAD, "every_minutes", 0.01, 10000, 0, 30, 60, AT(upload.every_s)},
    {HF_PROFILE_UPLOAD, "silence_s", 1, 3600, 0, 60, 1, AT(upload.silence_s)},
    {HF_PROFILE_RATIO, "lowest", 1, 1000, 1, UNKNOWN, 1, AT(ratio_lowest)},
    {HF_PROFILE_RATIO, "highest", 1, 1000, 1, UNKNOWN, 1, AT(ratio_highest)},
    {HF_PROFILE_RATIO, "step", 0.01, 10, 1, UNKNOWN, 1, AT(ratio_step)},
    {HF_PROFILE_RATIO, "baseline", 1, 1000, 1, UNKNOWN, 1, AT(ratio_baseline)},
    {HF_PROFILE_TEMPERATURE, "limit_c", 30, 105, 1, 95, 1, AT(temperature_limit_c)},
    {HF_PROFILE_SEARCH, "claim_hours", 0.001, 100000, 0, 168, 1, AT(claim_hours)},
    {HF_PROFILE_SEARCH, "confidence", 0.5, 0.9999, 0, 0.95, 1, AT(confidence)},
    {HF_PROFILE_SEARCH, "soak_hours", 0.001, 10000, 0, 6, 3600, AT(soak_s)},
    {HF_PROFILE_SEARCH, "baseline_minutes", 0.02, 10000, 0, 10, 60, AT(baseline_s)},
    {HF_PROFILE_SEARCH, "reset_minutes", 0, 1000, 0, 3, 60, AT(reset_cost_s)},
    {HF_PROFILE_SEARCH, "deadline_hours", 0.01, 100000, 0, UNKNOWN, 3600, AT(deadline_s)},
    {HF_PROFILE_CONDITIONS, "voltage_mv", 1, 10000, 0, UNKNOWN, 1, AT(voltage_mv)},
    {HF_PROFILE_CONDITIONS, "ambient_c", -60, 100, 0, UNKNOWN, 1, AT(conditions_ambient_c)},
    {HF_PROFILE_CONDITIONS, "memory_mts", 1, 100000, 0, UNKNOWN, 1, AT(memory_mts)},
    {HF_PROFILE_RIG, "clock_factor", 1, 100000, 0, 1, 1, AT(rig.clock_factor)},
    {HF_PROFILE_RIG, "edge_mhz", 1, 1000000, 0, UNKNOWN, 1, AT(rig.edge_mhz)},
    {HF_PROFILE_RIG, "chip_sd_mhz", 0, 10000, 0, UNKNOWN, 1, AT(rig.chip_sd_mhz)},
    {HF_PROFILE_RIG, "group_sd_mhz", 0, 10000, 0, UNKNOWN, 1, AT(rig.group_sd_mhz)},
    {HF_PROFILE_RIG, "core_sd_mhz", 0, 10000, 0, UNKNOWN, 1, AT(rig.core_sd_mhz)},
    {HF_PROFILE_RIG, "class_sd_mhz", 0, 10000, 0, UNKNOWN, 1, AT(rig.class_sd_mhz)},
    {HF_PROFILE_RIG, "slope_nats", 0.001, 100, 0, UNKNOWN, 1, AT(rig.slope_nats)},
    {HF_PROFILE_RIG, "slope_chip_sd", 0, 10, 0, UNKNOWN, 1, AT(rig.slope_chip_sd)},
    {HF_PROFILE_RIG, "slope_core_sd", 0, 10, 0, UNKNOWN, 1, AT(rig.slope_core_sd)},
    {HF_PROFILE_RIG, "frailty_mhz", 0, 10000, 0, UNKNOWN, 1, AT(rig.frailty_mhz)},
    {HF_PROFILE_RIG, "drift_mhz", 0, 10000, 0, UNKNOWN, 1, AT(rig.drift_mhz)},
    {HF_PROFILE_RIG, "ambient_c", -60, 100, 0, UNKNOWN, 1, AT(rig.ambient_c)},
    {HF_PROFILE_RIG, "droop_scale", 0, 10, 0, UNKNOWN, 1, AT(rig.droop_scale)},
    {HF_PROFILE_RIG, "heat_scale", 0, 10, 0, UNKNOWN, 1, AT(rig.heat_scale)},
};

const int hf_profile_number_count = (int)(sizeof hf_profile_numbers / sizeof hf_profile_numbers[0]);

static double *number_at(struct hf_profile *profile, const struct hf_profile_number *number)
{
    return (double *)(void *)((char *)profile + number->offset);
}

/* --- small things --------------------------------------------------------------------------------------- */

int hf_profile_read_numbers(const struct hf_json_reader *object, enum hf_profile_object which,
                            struct hf_profile *profile, struct hf_error *error)
{
    for (int i = 0; i < hf_profile_number_count; i++) {
        const struct hf_profile_number *number = &hf_profile_numbers[i];
        double value;

        if (number->object != which || (!number->required && !hf_json_has(object, number->key)))
            continue;
        if (hf_json_get_number(object, number->key, number->low, number->high, &value, error) != HF_OK)
            return error->code;
        *number_at(profile, number) = value * number->scale;
    }
    return HF_OK;
}

static int name_is_sound(const char *name)
{
    return name[0] != '\0' && name[0] != '-' &&
           strspn(name, "abcdefghijklmnopqrstuvwxyz0123456789-") == strlen(name);
}

static int read_name(const struct hf_json_reader *object, const char *key, char *ret_name, size_t size,
                     struct hf_error *error)
{
    if (hf_json_get_string(object, key, ret_name, size, error) != HF_OK)
        return error->code;
    if (!name_is_sound(ret_name))
        return hf_json_fail(object, key, error, HF_E_INPUT,
                            "\"%s\" is no name: it must be 1 to %zu of a-z 0-9 - and not begin with -",
                            ret_name, size - 1);
    return HF_OK;
}

static int read_optional_bool(const struct hf_json_reader *object, const char *key, int *value,
                              struct hf_error *error)
{
    return hf_json_has(object, key) ? hf_json_get_bool(object, key, value, error) : HF_OK;
}

static int read_optional_count(const struct hf_json_reader *object, const char *key, int *value,
                               struct hf_error *error)
{
    int64_t number;

    if (!hf_json_has(object, key))
        return HF_OK;
    if (hf_json_get_integer(object, key, 0, HF_CPUS_MAX, &number, error) != HF_OK)
        return error->code;
    *value = (int)number;
    return HF_OK;
}

/* An optional object: *ret_there says whether the document has it; its keys are checked. */
static int open_object(const struct hf_json_reader *parent, const char *key, enum hf_profile_object which,
                       struct hf_json_reader *ret_object, int *ret_there, struct hf_error *error)
{
    *ret_there = hf_json_has(parent, key);
    if (!*ret_there)
        return HF_OK;
    if (hf_json_get_object(parent, key, ret_object, error) != HF_OK)
        return error->code;
    return hf_json_only_keys(ret_object, hf_profile_keys[which], error);
}

/* --- the ratio grid ------------------------------------------------------------------------------------- */

double hf_profile_ratio(const struct hf_profile *profile, int step)
{
    assert(step >= 0 && step < profile->step_count);
    return profile->ratio_lowest + step * profile->ratio_step;
}

double hf_profile_mhz(const struct hf_profile *profile, int step)
{
    return profile->base_clock_mhz * hf_profile_ratio(profile, step);
}

/* The step, or -1 and the words that say what is allowed. */
static int step_of(const struct hf_profile *profile, double ratio, char words[WORDS_MAX])
{
    double steps = (ratio - profile->ratio_lowest) / profile->ratio_step;
    int last = profile->step_count - 1;

    words[0] = '\0';
    if (!(steps > -GRID_TOLERANCE && steps < last + GRID_TOLERANCE)) {
        (void)snprintf(words, WORDS_MAX, "ratio %.10g; allowed: %.10g to %.10g in steps of %.10g", ratio,
                       profile->ratio_lowest, hf_profile_ratio(profile, last), profile->ratio_step);
        return -1;
    }
    if (fabs(steps - round(steps)) > GRID_TOLERANCE) {
        int below = (int)floor(steps);

        (void)snprintf(words, WORDS_MAX,
                       "ratio %.10g is not on the grid of %.10g steps; the nearest are %.10g and %.10g",
                       ratio, profile->ratio_step, hf_profile_ratio(profile, below),
                       hf_profile_ratio(profile, below + 1));
        return -1;
    }
    return (int)lround(steps);
}

int hf_profile_step(const struct hf_profile *profile, double ratio, int *ret_step, struct hf_error *error)
{
    char words[WORDS_MAX];
    int step = step_of(profile, ratio, words);

    if (step < 0)
        return hf_fail(error, HF_E_RANGE, "profile %s: %s", profile->name, words);
    *ret_step = step;
    return HF_OK;
}

/* A ratio of the document, as a step. */
static int read_step(const struct hf_json_reader *object, const char *key, const struct hf_profile *profile,
                     int *ret_step, struct hf_error *error)
{
    char words[WORDS_MAX];
    double ratio;
    int step;

    if (hf_json_get_number(object, key, -1e9, 1e9, &ratio, error) != HF_OK)
        return error->code;
    step = step_of(profile, ratio, words);
    if (step < 0)
        return hf_json_fail(object, key, error, HF_E_RANGE, "%s", words);
    *ret_step = step;
    return HF_OK;
}

static int read_ratio(const struct hf_json_reader *top, struct hf_profile *profile, struct hf_error *error)
{
    struct hf_json_reader ratio;
    double steps;
    int ignored;

    if (hf_json_get_object(top, "ratio", &ratio, error) != HF_OK ||
        hf_json_only_keys(&ratio, ratio_keys, error) != HF_OK ||
        hf_profile_read_numbers(&ratio, HF_PROFILE_RATIO, profile, error) != HF_OK)
        return error->code;
    if (profile->ratio_highest <= profile->ratio_lowest)
        return hf_json_fail(&ratio, "highest", error, HF_E_RANGE, "is %.10g; it must be above lowest (%.10g)",
                            profile->ratio_highest, profile->ratio_lowest);
    steps = (profile->ratio_highest - profile->ratio_lowest) / profile->ratio_step;
    if (fabs(steps - round(steps)) > GRID_TOLERANCE)
        return hf_json_fail(&ratio, "highest", error, HF_E_RANGE,
                            "is %.10g; from lowest (%.10g) it must be a whole number of steps of %.10g",
                            profile->ratio_highest, profile->ratio_lowest, profile->ratio_step);
    if (steps + 1 > STEPS_MAX + GRID_TOLERANCE)
        return hf_json_fail(&ratio, "step", error, HF_E_RANGE,
                            "makes a grid of %.0f ratios; allowed: %d to %d", steps + 1, STEPS_MIN,
                            STEPS_MAX);
    profile->step_count = (int)lround(steps) + 1;
    return read_step(&ratio, "baseline", profile, &ignored, error);
}

/* --- groups --------------------------------------------------------------------------------------------- */

/* Every CPU belongs to at most one group. cpu_owner: group number + 1, 0 nobody. */
static int read_cpus(const struct hf_json_reader *item, struct hf_profile *profile,
                     struct hf_profile_group *group, int16_t *cpu_owner, struct hf_error *error)
{
    struct hf_error list_error = {0};
    char text[4096];
    int list[HF_CPUS_MAX];
    int count;

    if (hf_json_get_string(item, "cpus", text, sizeof text, error) != HF_OK)
        return error->code;
    if (text[0] == '\0' || text[strlen(text) - 1] == ',')
        return hf_json_fail(item, "cpus", error, HF_E_INPUT, "\"%.40s\" is not a CPU list like 0-3,8", text);
    if (hf_text_parse_cpu_list(text, HF_CPUS_MAX, list, HF_CPUS_MAX, &count, &list_error) != HF_OK)
        return hf_json_fail(item, "cpus", error, list_error.code, "%s", list_error.message);
    group->cpu_first = profile->cpu_count;
    group->cpu_count = count;
    for (int i = 0; i < count; i++) {
        if (i > 0 && list[i] <= list[i - 1])
            return hf_json_fail(item, "cpus", error, HF_E_INPUT, "CPU %d is out of order or named twice",
                                list[i]);
        if (cpu_owner[list[i]] != 0)
            return hf_json_fail(item, "cpus", error, HF_E_INPUT, "CPU %d belongs to group %s already",
                                list[i], profile->group[cpu_owner[list[i]] - 1].name);
        cpu_owner[list[i]] = (int16_t)(group - profile->group + 1);
        profile->cpu[profile->cpu_count++] = (int16_t)list[i];
    }
    return HF_OK;
}

static int read_group_steps(const struct hf_json_reader *item, const struct hf_profile *profile,
                            struct hf_profile_group *group, struct hf_error *error)
{
    char words[WORDS_MAX];

    group->highest_step = profile->step_count - 1;
    group->baseline_step = step_of(profile, profile->ratio_baseline, words);
    group->pinned_step = -1;
    if (hf_json_has(item, "highest") &&
        read_step(item, "highest", profile, &group->highest_step, error) != HF_OK)
        return error->code;
    if (hf_json_has(item, "baseline") &&
        read_step(item, "baseline", profile, &group->baseline_step, error) != HF_OK)
        return error->code;
    if (hf_json_has(item, "pinned_ratio") &&
        read_step(item, "pinned_ratio", profile, &group->pinned_step, error) != HF_OK)
        return error->code;
    if (group->baseline_step > group->highest_step)
        return hf_json_fail(
            item, NULL, error, HF_E_RANGE, "the baseline (%.10g) is above the highest ratio (%.10g)",
            hf_profile_ratio(profile, group->baseline_step), hf_profile_ratio(profile, group->highest_step));
    if (group->pinned_step > group->highest_step)
        return hf_json_fail(
            item, "pinned_ratio", error, HF_E_RANGE, "is %.10g; the group's highest ratio is %.10g",
            hf_profile_ratio(profile, group->pinned_step), hf_profile_ratio(profile, group->highest_step));
    if (group->pinned_step >= 0 && group->left_out)
        return hf_json_fail(item, "pinned_ratio", error, HF_E_INPUT,
                            "a group that is left out cannot be pinned as well");
    return HF_OK;
}

static int read_group(const struct hf_json_reader *item, struct hf_profile *profile, int16_t *cpu_owner,
                      struct hf_error *error)
{
    struct hf_profile_group *group = &profile->group[profile->group_count];

    if (!cJSON_IsObject(item->value))
        return hf_json_fail(item, NULL, error, HF_E_INPUT, "must be an object");
    if (hf_json_only_keys(item, group_keys, error) != HF_OK ||
        read_name(item, "name", group->name, sizeof group->name, error) != HF_OK ||
        read_cpus(item, profile, group, cpu_owner, error) != HF_OK ||
        read_optional_bool(item, "left_out", &group->left_out, error) != HF_OK)
        return error->code;
    for (int other = 0; other < profile->group_count; other++) {
        if (strcmp(profile->group[other].name, group->name) == 0)
            return hf_json_fail(item, "name", error, HF_E_INPUT, "another group is called \"%s\" already",
                                group->name);
    }
    profile->group_count++;
    return read_group_steps(item, profile, group, error);
}

static int read_groups(const struct hf_json_reader *top, struct hf_profile *profile, struct hf_error *error)
{
    int16_t cpu_owner[HF_CPUS_MAX] = {0};
    struct hf_json_reader list;
    int on_trial = 0;
    int count;

    if (hf_json_get_array(top, "groups", 1, HF_GROUPS_MAX, &list, &count, error) != HF_OK)
        return error->code;
    for (int i = 0; i < count; i++) {
        struct hf_json_reader item = hf_json_item(&list, i);

        if (read_group(&item, profile, cpu_owner, error) != HF_OK)
            return error->code;
        on_trial += !profile->group[i].left_out;
    }
    if (on_trial == 0)
        return hf_json_fail(top, "groups", error, HF_E_INPUT,
                            "every group is left out: there is nothing to try");
    return HF_OK;
}

/* --- the other sections --------------------------------------------------------------------------------- */

static int read_temperature(const struct hf_json_reader *top, struct hf_profile *profile,
                            struct hf_error *error)
{
    struct hf_json_reader object;
    char word[16];
    int there;

    if (cJSON_IsString(cJSON_GetObjectItemCaseSensitive(top->value, "temperature"))) {
        if (hf_json_get_string(top, "temperature", word, sizeof word, error) != HF_OK)
            return error->code;
        if (strcmp(word, "unwatched") != 0)
            return hf_json_fail(top, "temperature", error, HF_E_INPUT,
                                "must be {\"limit_c\": 30 to 105} or \"unwatched\"");
        profile->temperature_unwatched = 1;
        return HF_OK;
    }
    if (open_object(top, "temperature", HF_PROFILE_TEMPERATURE, &object, &there, error) != HF_OK)
        return error->code;
    return there ? hf_profile_read_numbers(&object, HF_PROFILE_TEMPERATURE, profile, error) : HF_OK;
}

/* A name, or an inline mix: kept as text, since what a mix may hold is the workloads' business. */
static int read_mix(const struct hf_json_reader *top, struct hf_profile *profile, struct hf_error *error)
{
    const cJSON *item = cJSON_GetObjectItemCaseSensitive(top->value, "mix");
    char *printed;

    if (item == NULL) {
        (void)snprintf(profile->mix, sizeof profile->mix, "night");
        return HF_OK;
    }
    if (cJSON_IsString(item))
        return read_name(top, "mix", profile->mix, sizeof profile->mix, error);
    if (!cJSON_IsObject(item))
        return hf_json_fail(top, "mix", error, HF_E_INPUT, "must be the name of a mix or an object");
    printed = cJSON_PrintUnformatted(item);
    if (printed != NULL)
        hf_text_add_string(&profile->mix_document, printed);
    cJSON_free(printed);
    if (printed == NULL || profile->mix_document.overflowed)
        return hf_fail(error, HF_E_MEMORY, "%s: mix: no memory for it", top->source);
    return HF_OK;
}

static int read_search(const struct hf_json_reader *top, struct hf_profile *profile, struct hf_error *error)
{
    static const char *const methods[] = {"belief", "bisect", "step-up"};
    struct hf_json_reader object;
    int known = 0;
    int there;

    if (open_object(top, "search", HF_PROFILE_SEARCH, &object, &there, error) != HF_OK || !there)
        return error->code;
    if (hf_profile_read_numbers(&object, HF_PROFILE_SEARCH, profile, error) != HF_OK)
        return error->code;
    if (hf_json_has(&object, "seed") && hf_json_get_u64(&object, "seed", &profile->seed, error) != HF_OK)
        return error->code;
    if (!hf_json_has(&object, "method"))
        return HF_OK;
    if (hf_json_get_string(&object, "method", profile->method, sizeof profile->method, error) != HF_OK)
        return error->code;
    for (size_t i = 0; i < sizeof methods / sizeof methods[0]; i++)
        known |= strcmp(methods[i], profile->method) == 0;
    return known ? HF_OK
                 : hf_json_fail(&object, "method", error, HF_E_INPUT,
                                "\"%s\" is no method: belief, bisect or step-up", profile->method);
}

static int read_conditions(const struct hf_json_reader *top, struct hf_profile *profile,
                           struct hf_error *error)
{
    struct hf_json_reader object;
    int there;

    if (open_object(top, "conditions", HF_PROFILE_CONDITIONS, &object, &there, error) != HF_OK || !there)
        return error->code;
    if (hf_profile_read_numbers(&object, HF_PROFILE_CONDITIONS, profile, error) != HF_OK)
        return error->code;
    if (!hf_json_has(&object, "note"))
        return HF_OK;
    return hf_json_get_string(&object, "note", profile->conditions_note, sizeof profile->conditions_note,
                              error);
}

static int read_oddities(const struct hf_json_reader *rig, struct hf_profile_rig *into,
                         struct hf_error *error)
{
    struct hf_json_reader object;
    int there;

    if (open_object(rig, "oddities", HF_PROFILE_ODDITIES, &object, &there, error) != HF_OK || !there)
        return error->code;
    if (read_optional_count(&object, "hot_cores", &into->hot_cores, error) != HF_OK ||
        read_optional_count(&object, "flat_cores", &into->flat_cores, error) != HF_OK ||
        read_optional_count(&object, "weak_units", &into->weak_units, error) != HF_OK ||
        read_optional_bool(&object, "stretching", &into->stretching, error) != HF_OK ||
        read_optional_bool(&object, "settings_lost", &into->settings_lost, error) != HF_OK)
        return error->code;
    return HF_OK;
}

static int read_rig(const struct hf_json_reader *top, struct hf_profile *profile, struct hf_error *error)
{
    struct hf_json_reader object;

    if (open_object(top, "rig", HF_PROFILE_RIG, &object, &profile->has_rig, error) != HF_OK ||
        !profile->has_rig)
        return error->code;
    if (hf_profile_read_numbers(&object, HF_PROFILE_RIG, profile, error) != HF_OK)
        return error->code;
    if (hf_json_has(&object, "seed") && hf_json_get_u64(&object, "seed", &profile->rig.seed, error) != HF_OK)
        return error->code;
    if (read_optional_bool(&object, "simple", &profile->rig.simple, error) != HF_OK ||
        hf_profile_read_rig_front(&object, profile, error) != HF_OK)
        return error->code;
    return read_oddities(&object, &profile->rig, error);
}

/* --- the document --------------------------------------------------------------------------------------- */

static int check_format(const struct hf_json_reader *top, struct hf_error *error)
{
    int64_t format;

    if (hf_json_get_integer(top, "format", 1, INT32_MAX, &format, error) != HF_OK)
        return error->code;
    if (format > FORMAT)
        return hf_json_fail(top, "format", error, HF_E_VERSION,
                            "is %" PRId64
                            "; this program reads %d: the profile was written for a newer version",
                            format, FORMAT);
    return HF_OK;
}

static int read_document(const struct hf_json_reader *top, struct hf_profile *profile, struct hf_error *error)
{
    if (check_format(top, error) != HF_OK || hf_json_only_keys(top, top_keys, error) != HF_OK)
        return error->code;
    if (read_name(top, "name", profile->name, sizeof profile->name, error) != HF_OK ||
        read_name(top, "driver", profile->driver, sizeof profile->driver, error) != HF_OK)
        return error->code;
    if (hf_json_has(top, "description") && hf_json_get_string(top, "description", profile->description,
                                                              sizeof profile->description, error) != HF_OK)
        return error->code;
    if (read_optional_bool(top, "accept_the_risk", &profile->accept_the_risk, error) != HF_OK ||
        hf_profile_read_numbers(top, HF_PROFILE_TOP, profile, error) != HF_OK ||
        hf_profile_read_driver(top, profile, error) != HF_OK || read_ratio(top, profile, error) != HF_OK ||
        read_groups(top, profile, error) != HF_OK || read_temperature(top, profile, error) != HF_OK ||
        hf_profile_read_sensors(top, profile, error) != HF_OK || read_mix(top, profile, error) != HF_OK ||
        read_search(top, profile, error) != HF_OK || read_conditions(top, profile, error) != HF_OK ||
        read_rig(top, profile, error) != HF_OK || hf_profile_read_upload(top, profile, error) != HF_OK)
        return error->code;
    return HF_OK;
}

static struct hf_profile *profile_new(void)
{
    struct hf_profile *profile = hf_allocate(1, sizeof *profile);

    if (profile == NULL)
        return NULL;
    hf_text_init(&profile->document, HF_PROFILE_BYTES_MAX);
    hf_text_init(&profile->mix_document, HF_PROFILE_BYTES_MAX);
    for (int i = 0; i < hf_profile_number_count; i++)
        *number_at(profile, &hf_profile_numbers[i]) =
            hf_profile_numbers[i].standard * hf_profile_numbers[i].scale;
    (void)snprintf(profile->method, sizeof profile->method, "belief");
    profile->seed = profile->rig.seed = 1;
    profile->rig.hot_cores = profile->rig.flat_cores = profile->rig.weak_units = -1;
    profile->rig.stretching = profile->rig.settings_lost = profile->rig.simple = -1;
    return profile;
}

static int keep_bytes(struct hf_profile *profile, const char *bytes, size_t size, const char *source,
                      struct hf_error *error)
{
    struct hf_sha256 sha;

    hf_text_add(&profile->document, bytes, size);
    if (profile->document.overflowed)
        return hf_fail(error, HF_E_MEMORY, "%s: no memory for the profile", source);
    hf_sha256_init(&sha);
    hf_sha256_update(&sha, bytes, size);
    hf_sha256_finish(&sha, profile->digest);
    return HF_OK;
}

int hf_profile_parse(const char *bytes, size_t size, const char *source, struct hf_profile **ret_profile,
                     struct hf_error *error)
{
    struct hf_profile *profile;
    struct hf_json_reader top;
    struct cJSON *document = NULL;
    int code;

    if (size > HF_PROFILE_BYTES_MAX)
        return hf_fail(error, HF_E_INPUT, "%s has %zu bytes; a profile has at most %d", source, size,
                       HF_PROFILE_BYTES_MAX);
    if (size >= 3 && memcmp(bytes, "\xef\xbb\xbf", 3) == 0)
        return hf_fail(error, HF_E_INPUT, "%s begins with a byte order mark: save it as plain UTF-8", source);
    if (hf_json_parse(bytes, size, source, &document, error) != HF_OK)
        return error->code;
    profile = profile_new();
    if (profile == NULL) {
        hf_json_document_free(document);
        return hf_fail(error, HF_E_MEMORY, "%s: no memory for the profile", source);
    }
    top = hf_json_root(document, source);
    code = read_document(&top, profile, error);
    hf_json_document_free(document);
    if (code == HF_OK)
        code = keep_bytes(profile, bytes, size, source, error);
    if (code != HF_OK) {
        hf_profile_free(profile);
        return code;
    }
    *ret_profile = profile;
    return HF_OK;
}

int hf_profile_read(const char *path, struct hf_profile **ret_profile, struct hf_error *error)
{
    struct hf_text text;
    int code = hf_text_read_file(&text, path, HF_PROFILE_BYTES_MAX, error);

    if (code != HF_OK)
        return code;
    code = hf_profile_parse(text.bytes, text.size, path, ret_profile, error);
    hf_text_release(&text);
    return code;
}

void hf_profile_free(struct hf_profile *profile)
{
    if (profile == NULL)
        return;
    hf_text_release(&profile->document);
    hf_text_release(&profile->mix_document);
    hf_free(profile);
}

int hf_profile_group_of(const struct hf_profile *profile, const char *name, int *ret_group,
                        struct hf_error *error)
{
    char names[400] = "";
    size_t used = 0;

    for (int group = 0; group < profile->group_count; group++) {
        if (strcmp(profile->group[group].name, name) == 0) {
            *ret_group = group;
            return HF_OK;
        }
        if (used < sizeof names)
            used += (size_t)snprintf(names + used, sizeof names - used, "%s%s", group > 0 ? ", " : "",
                                     profile->group[group].name);
    }
    return hf_fail(error, HF_E_NOT_FOUND, "profile %s has no group \"%.40s\"; its groups: %s", profile->name,
                   name, names);
}
