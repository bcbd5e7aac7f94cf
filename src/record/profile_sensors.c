/* The profile's "sensors": which sensor measures which part, and at what temperature its load has to stop. */
#include <cjson/cJSON.h>
#include <math.h>
#include <string.h>

#include "base/memory.h"
#include "holdfast/profile.h"
#include "record/profile_keys.h"

static const char *const roles[] = {"core-group", "package", "supply", "coolant", "ignored"};

#define ROLES (sizeof roles / sizeof roles[0])

static int read_optional_string(const struct hf_json_reader *item, const char *key, char *ret_text,
                                size_t size, struct hf_error *error)
{
    return hf_json_has(item, key) ? hf_json_get_string(item, key, ret_text, size, error) : HF_OK;
}

static int read_role(const struct hf_json_reader *item, struct hf_profile_sensor *sensor,
                     struct hf_error *error)
{
    if (hf_json_get_string(item, "role", sensor->role, sizeof sensor->role, error) != HF_OK)
        return error->code;
    for (size_t i = 0; i < ROLES; i++) {
        if (strcmp(roles[i], sensor->role) == 0)
            return HF_OK;
    }
    return hf_json_fail(item, "role", error, HF_E_INPUT,
                        "\"%s\" is no role: core-group, package, supply, coolant or ignored", sensor->role);
}

/* A core group's sensor names its group; no other may. */
static int read_group(const struct hf_json_reader *item, const struct hf_profile *profile,
                      struct hf_profile_sensor *sensor, struct hf_error *error)
{
    int wants_group = strcmp(sensor->role, "core-group") == 0;
    struct hf_error unknown = {0};
    char name[HF_NAME_MAX];

    if (wants_group != hf_json_has(item, "group"))
        return hf_json_fail(item, "group", error, HF_E_INPUT,
                            wants_group ? "is missing: the role core-group needs it"
                                        : "goes with the role core-group only");
    if (!wants_group)
        return HF_OK;
    if (hf_json_get_string(item, "group", name, sizeof name, error) != HF_OK)
        return error->code;
    if (hf_profile_group_of(profile, name, &sensor->group, &unknown) != HF_OK)
        return hf_json_fail(item, "group", error, HF_E_INPUT, "%s", unknown.message);
    return HF_OK;
}

static int read_sensor(const struct hf_json_reader *item, const struct hf_profile *profile,
                       struct hf_profile_sensor *sensor, struct hf_error *error)
{
    *sensor = (struct hf_profile_sensor){.group = -1, .limit_c = (double)NAN};
    if (!cJSON_IsObject(item->value))
        return hf_json_fail(item, NULL, error, HF_E_INPUT, "must be an object");
    if (hf_json_only_keys(item, hf_profile_keys[HF_PROFILE_SENSOR], error) != HF_OK ||
        hf_json_get_string(item, "chip", sensor->chip, sizeof sensor->chip, error) != HF_OK ||
        read_optional_string(item, "device", sensor->device, sizeof sensor->device, error) != HF_OK ||
        read_optional_string(item, "input", sensor->input, sizeof sensor->input, error) != HF_OK ||
        read_optional_string(item, "label", sensor->label, sizeof sensor->label, error) != HF_OK ||
        read_role(item, sensor, error) != HF_OK || read_group(item, profile, sensor, error) != HF_OK)
        return error->code;
    if (sensor->chip[0] == '\0')
        return hf_json_fail(item, "chip", error, HF_E_INPUT,
                            "is empty; holdfast survey shows the chips' names");
    if (!hf_json_has(item, "limit_c"))
        return HF_OK;
    return hf_json_get_number(item, "limit_c", HF_PROFILE_SENSOR_LIMIT_LOW, HF_PROFILE_SENSOR_LIMIT_HIGH,
                              &sensor->limit_c, error);
}

int hf_profile_read_sensors(const struct hf_json_reader *top, struct hf_profile *profile,
                            struct hf_error *error)
{
    struct hf_json_reader list;
    int count;

    if (!hf_json_has(top, "sensors"))
        return HF_OK;
    if (hf_json_get_array(top, "sensors", 0, HF_PROFILE_SENSORS_MAX, &list, &count, error) != HF_OK)
        return error->code;
    for (int i = 0; i < count; i++) {
        struct hf_json_reader item = hf_json_item(&list, i);

        if (read_sensor(&item, profile, &profile->sensor[i], error) != HF_OK)
            return error->code;
        profile->sensor_count++;
    }
    return HF_OK;
}
