/* Is a number of a sensor to be believed? Pure functions, and the words for what they answer. */
#include <assert.h>
#include <math.h>
#include <string.h>

#include "holdfast/sensors.h"

#define OPEN_HIGH_MILLIDEGREE 125000
#define OPEN_LOW_MILLIDEGREE  (-40000)
#define JUMP_CELSIUS          30.0
#define JUMP_ROUNDS           3
#define JUMP_FORGOTTEN_NS     INT64_C(60000000000) /* after a minute without readings any level is possible */

/* --- temperatures ----------------------------------------------------------------------------------- */

static void count_unchanged(struct hf_sensor_history *history, int64_t raw, int64_t now_ns, int under_load)
{
    if (!history->has_raw || raw != history->last_raw)
        history->unchanged_s = 0;
    else if (under_load && now_ns > history->raw_ns)
        history->unchanged_s += (double)(now_ns - history->raw_ns) * 1e-9;
    history->has_raw = 1;
    history->last_raw = raw;
    history->raw_ns = now_ns;
}

/* 1: the level is believed. A far level must be seen in JUMP_ROUNDS rounds that agree among each other. */
static int level_is_believed(struct hf_sensor_history *history, double celsius, int64_t now_ns)
{
    int recent = history->has_value && now_ns - history->value_ns < JUMP_FORGOTTEN_NS;

    if (!recent || fabs(celsius - history->value) <= JUMP_CELSIUS)
        return 1;
    if (history->has_pending && fabs(celsius - history->pending) <= JUMP_CELSIUS)
        history->pending_count++;
    else
        history->pending_count = 1;
    history->has_pending = 1;
    history->pending = celsius;
    return history->pending_count >= JUMP_ROUNDS;
}

enum hf_sensor_trouble hf_temperature_judge(struct hf_sensor_history *history, int64_t millidegree,
                                            int64_t now_ns, int under_load, double stuck_s)
{
    double celsius = (double)millidegree / 1000.0;

    count_unchanged(history, millidegree, now_ns, under_load);
    if (millidegree == 0)
        return HF_SENSOR_ZERO;
    if (millidegree >= OPEN_HIGH_MILLIDEGREE || millidegree <= OPEN_LOW_MILLIDEGREE)
        return HF_SENSOR_OPEN;
    if (!level_is_believed(history, celsius, now_ns))
        return HF_SENSOR_JUMP;
    history->has_value = 1;
    history->value = celsius;
    history->value_ns = now_ns;
    history->has_pending = history->pending_count = 0;
    return history->unchanged_s > stuck_s ? HF_SENSOR_STUCK : HF_SENSOR_GOOD;
}

/* --- energy ----------------------------------------------------------------------------------------- */

/* The kernel's powercap documentation: the counter goes from 0 to max_energy_range_uj and begins anew. */
double hf_energy_take(struct hf_energy_counter *counter, uint64_t microjoules, int64_t now_ns)
{
    int64_t passed_ns = now_ns - counter->last_ns;
    double watts = (double)NAN;

    if (counter->has_last) {
        uint64_t delta = 0;
        int known = 1;

        if (microjoules >= counter->last_uj)
            delta = microjoules - counter->last_uj;
        else if (counter->range_uj >= counter->last_uj)
            delta = counter->range_uj - counter->last_uj + microjoules;
        else
            known = 0;
        counter->joules += (double)delta * 1e-6;
        if (known && passed_ns > 0)
            watts = (double)delta * 1e3 / (double)passed_ns; /* microjoules a nanosecond are kilowatts */
    }
    counter->has_last = 1;
    counter->last_uj = microjoules;
    counter->last_ns = now_ns;
    return watts;
}

/* --- words ------------------------------------------------------------------------------------------ */

const char *hf_sensor_kind_name(enum hf_sensor_kind kind)
{
    static const char *const names[] = {"temperature", "voltage", "current", "power", "energy", "fan"};

    assert((unsigned)kind < sizeof names / sizeof names[0]);
    return names[kind];
}

const char *hf_sensor_kind_unit(enum hf_sensor_kind kind)
{
    static const char *const units[] = {"degC", "V", "A", "W", "J", "rpm"};

    assert((unsigned)kind < sizeof units / sizeof units[0]);
    return units[kind];
}

static const char *const role_names[] = {
#define HF_SENSOR_ROLE_NAME(code, name) [code] = name,
    HF_SENSOR_ROLE_LIST(HF_SENSOR_ROLE_NAME)};

const char *hf_sensor_role_name(enum hf_sensor_role role)
{
    assert((unsigned)role < HF_ROLE_COUNT);
    return role_names[role];
}

int hf_sensor_role_of_name(const char *name)
{
    for (int role = 0; role < HF_ROLE_COUNT; role++) {
        if (strcmp(role_names[role], name) == 0)
            return role;
    }
    return -1;
}

const char *hf_sensor_trouble_name(enum hf_sensor_trouble trouble)
{
    static const char *const names[] = {
#define HF_SENSOR_TROUBLE_NAME(code, name, sentence) [code] = name,
        HF_SENSOR_TROUBLE_LIST(HF_SENSOR_TROUBLE_NAME)};

    assert((unsigned)trouble < HF_SENSOR_TROUBLE_COUNT);
    return names[trouble];
}

const char *hf_sensor_trouble_sentence(enum hf_sensor_trouble trouble)
{
    static const char *const sentences[] = {
#define HF_SENSOR_TROUBLE_SENTENCE(code, name, sentence) [code] = sentence,
        HF_SENSOR_TROUBLE_LIST(HF_SENSOR_TROUBLE_SENTENCE)};

    assert((unsigned)trouble < HF_SENSOR_TROUBLE_COUNT);
    return sentences[trouble];
}
