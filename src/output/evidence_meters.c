/* Power, the hottest sensors and the clock's source, as verdicts tell them. */
#include <cjson/cJSON.h>
#include <math.h>
#include <string.h>

#include "output/output_private.h"

static const char *const roles[HF_EVIDENCE_ROLES] = {"core-group", "package", "supply", "coolant"};

const char *hf_evidence_role_name(int role)
{
    return roles[role];
}

void hf_evidence_meters_init(struct hf_evidence_meters *meters)
{
    *meters = (struct hf_evidence_meters){NAN, NAN, {{NAN, 0}}, HF_EVIDENCE_NOTHING};
    for (int role = 0; role < HF_EVIDENCE_ROLES; role++)
        meters->hottest[role] = (struct hf_evidence_hottest){NAN, HF_EVIDENCE_NOTHING};
}

static const char *string_of(const cJSON *item, const char *key)
{
    const char *string = cJSON_GetStringValue(cJSON_GetObjectItemCaseSensitive(item, key));

    return string != NULL ? string : "";
}

static double number_of(const cJSON *item, const char *key)
{
    const cJSON *number = cJSON_GetObjectItemCaseSensitive(item, key);

    return cJSON_IsNumber(number) && isfinite(number->valuedouble) ? number->valuedouble : (double)NAN;
}

void hf_evidence_meters_take(struct hf_evidence *evidence, const cJSON *data,
                             struct hf_evidence_meters *ret_meters)
{
    const char *source = string_of(cJSON_GetObjectItemCaseSensitive(data, "clock"), "method");
    const cJSON *item;

    hf_evidence_meters_init(ret_meters);
    ret_meters->watts_mean = number_of(data, "watts_mean");
    ret_meters->watts_highest = number_of(data, "watts_highest");
    if (source[0] != '\0')
        ret_meters->clock_source = hf_evidence_keep_words(evidence, source);
    cJSON_ArrayForEach(item, cJSON_GetObjectItemCaseSensitive(data, "hottest"))
    {
        for (int role = 0; role < HF_EVIDENCE_ROLES; role++) {
            struct hf_evidence_hottest *hottest = &ret_meters->hottest[role];

            if (strcmp(string_of(item, "role"), roles[role]) != 0)
                continue;
            hottest->celsius = number_of(item, "celsius");
            hottest->sensor = hf_evidence_keep_words(evidence, string_of(item, "sensor"));
        }
    }
}

void hf_evidence_meters_add(struct hf_evidence_meters *sum, double sum_s,
                            const struct hf_evidence_meters *one, double one_s)
{
    if (!isnan(one->watts_mean) && one_s > 0) {
        double before_s = isnan(sum->watts_mean) ? 0 : sum_s;

        sum->watts_mean =
            ((before_s > 0 ? sum->watts_mean * before_s : 0) + one->watts_mean * one_s) / (before_s + one_s);
    }
    sum->watts_highest = fmax(sum->watts_highest, one->watts_highest); /* fmax passes over a NAN */
    if (sum->clock_source == HF_EVIDENCE_NOTHING)
        sum->clock_source = one->clock_source;
    for (int role = 0; role < HF_EVIDENCE_ROLES; role++) {
        if (!isnan(one->hottest[role].celsius) && !(one->hottest[role].celsius <= sum->hottest[role].celsius))
            sum->hottest[role] = one->hottest[role];
    }
}

void hf_evidence_meters_write(const struct hf_evidence *evidence, const struct hf_evidence_meters *meters,
                              struct hf_json_writer *writer, const char *key, const char *celsius_key)
{
    hf_json_array_open(writer, key);
    for (int role = 0; role < HF_EVIDENCE_ROLES; role++) {
        if (isnan(meters->hottest[role].celsius))
            continue;
        hf_json_object_open(writer, NULL);
        hf_json_string(writer, "role", roles[role]);
        hf_json_string(writer, "sensor", hf_evidence_words(evidence, meters->hottest[role].sensor));
        hf_json_number(writer, celsius_key, meters->hottest[role].celsius);
        hf_json_object_close(writer);
    }
    hf_json_array_close(writer);
}
