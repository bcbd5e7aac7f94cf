/*
 * A round of reading.
 *
 * Invariants:
 *  1. The order of the slots never changes after hf_sensors_new(): readings belong to sensors by index.
 *  2. Files stay open between rounds as far as HANDLES_KEPT goes; a handle that failed is closed, so that a
 * device that comes back is opened anew.
 *  3. The raw number of every temperature passes hf_temperature_judge() exactly once a round.
 */
#include "holdfast/sensors.h"

#include <assert.h>
#include <errno.h>
#include <math.h>
#include <stdio.h>
#include <string.h>

#include "base/memory.h"
#include "machine/sensors_private.h"

#define HANDLES_KEPT    256 /* of the 1024 that a process may have by default: workers need theirs */
#define SEARCH_PAUSE_NS INT64_C(10000000000)
#define STUCK_S         600.0

/* --- making and ending ------------------------------------------------------------------------------ */

int hf_sensors_new(const struct hf_host *host, struct hf_sensors **ret_set, struct hf_error *error)
{
    struct hf_sensors *set = hf_allocate(1, sizeof *set);

    if (set != NULL) {
        set->host = host;
        set->stuck_s = STUCK_S;
        hf_sensors_find(set);
    }
    if (set == NULL || set->out_of_memory) {
        hf_sensors_free(set);
        return hf_fail(error, HF_E_MEMORY, "no memory for the list of sensors");
    }
    *ret_set = set;
    return HF_OK;
}

static void close_handle(struct hf_sensors *set, int *handle)
{
    if (*handle < 0)
        return;
    set->host->close(set->host->context, *handle);
    *handle = -1;
    set->handles--;
}

void hf_sensors_free(struct hf_sensors *set)
{
    if (set == NULL)
        return;
    for (int i = 0; i < set->count; i++) {
        close_handle(set, &set->slot[i].handle);
        close_handle(set, &set->slot[i].fault_handle);
    }
    assert(set->handles == 0);
    hf_free(set->slot);
    hf_free(set);
}

int hf_sensors_count(const struct hf_sensors *set)
{
    return set->count;
}

const struct hf_sensor *hf_sensors_at(const struct hf_sensors *set, int index)
{
    assert(index >= 0 && index < set->count);
    return &set->slot[index].about;
}

int hf_sensors_left_out(const struct hf_sensors *set)
{
    return set->left_out;
}

void hf_sensors_set_stuck_s(struct hf_sensors *set, double stuck_s)
{
    set->stuck_s = stuck_s;
}

/* --- one number ------------------------------------------------------------------------------------- */

static int read_number(struct hf_sensors *set, int *handle, const char *path, int64_t *ret_value)
{
    const struct hf_host *host = set->host;
    char bytes[64];
    int fresh = *handle < 0 ? host->open(host->context, path) : *handle;
    int count;

    if (fresh < 0)
        return fresh;
    count = host->read(host->context, fresh, bytes, sizeof bytes);
    if (*handle < 0 && count >= 0 && set->handles < HANDLES_KEPT) {
        *handle = fresh;
        set->handles++;
    } else if (*handle < 0) {
        host->close(host->context, fresh);
    } else if (count < 0) {
        close_handle(set, handle);
    }
    return count < 0 ? count : hf_host_parse_integer(bytes, (size_t)count, ret_value);
}

static enum hf_sensor_trouble trouble_of_errno(int wrong)
{
    switch (-wrong) {
    case ENOENT:
    case ENODEV:
    case ENXIO:
    case ENOTDIR:
        return HF_SENSOR_GONE;
    case EACCES:
    case EPERM:
        return HF_SENSOR_DENIED;
    case ENODATA:
        return HF_SENSOR_OFF;
    case EBADMSG:
        return HF_SENSOR_GARBLED;
    default:
        return HF_SENSOR_ERROR;
    }
}

/* The scales of the kernel's documentation of hwmon. */
static double in_unit(enum hf_sensor_kind kind, int64_t raw)
{
    switch (kind) {
    case HF_SENSOR_TEMPERATURE:
    case HF_SENSOR_VOLTAGE:
    case HF_SENSOR_CURRENT:
        return (double)raw * 1e-3;
    case HF_SENSOR_POWER:
        return (double)raw * 1e-6;
    case HF_SENSOR_ENERGY:
    case HF_SENSOR_FAN:
        break;
    }
    return (double)raw;
}

static void take_number(struct hf_sensors *set, struct hf_sensor_slot *slot, int64_t raw, int under_load,
                        struct hf_reading *reading)
{
    reading->trouble = HF_SENSOR_GOOD;
    if (slot->about.kind == HF_SENSOR_TEMPERATURE)
        reading->trouble =
            hf_temperature_judge(&slot->history, raw, reading->read_ns, under_load, set->stuck_s);
    if (slot->about.kind == HF_SENSOR_ENERGY && raw < 0)
        reading->trouble = HF_SENSOR_GARBLED;
    if (slot->renamed)
        reading->trouble = HF_SENSOR_RENAMED;
    if (reading->trouble != HF_SENSOR_GOOD)
        return;
    reading->value = in_unit(slot->about.kind, raw);
    if (slot->about.kind == HF_SENSOR_ENERGY) {
        reading->watts = hf_energy_take(&slot->energy, (uint64_t)raw, reading->read_ns);
        reading->value = slot->energy.joules;
    }
}

static void read_slot(struct hf_sensors *set, struct hf_sensor_slot *slot, int under_load,
                      struct hf_reading *reading)
{
    int64_t raw = 0;
    int64_t fault = 0;
    int wrong = read_number(set, &slot->handle, slot->path, &raw);

    reading->read_ns = hf_host_monotonic_ns(set->host);
    if (wrong == 0 && slot->fault_path[0] != '\0' &&
        read_number(set, &slot->fault_handle, slot->fault_path, &fault) == 0 && fault != 0) {
        reading->trouble = HF_SENSOR_FAULT;
        return;
    }
    if (wrong != 0) {
        reading->trouble = trouble_of_errno(wrong);
        reading->errno_value = -wrong;
        slot->gone = reading->trouble == HF_SENSOR_GONE;
        return;
    }
    slot->gone = 0;
    take_number(set, slot, raw, under_load, reading);
}

/* --- a sensor that changed its name, or went -------------------------------------------------------- */

/* One sensor a round: a chip that was taken out and another put in its place keeps the same path. */
static void check_one_name(struct hf_sensors *set)
{
    struct hf_sensor_slot *slot = &set->slot[set->next_name_check];
    char text[HF_SENSOR_NAME_MAX];

    set->next_name_check = (set->next_name_check + 1) % set->count;
    slot->renamed = 0;
    if (slot->label_path[0] != '\0' && hf_host_line(set->host, slot->label_path, text, sizeof text) >= 0)
        slot->renamed |= strcmp(text, slot->about.label) != 0;
    if (slot->name_path[0] != '\0' && hf_host_line(set->host, slot->name_path, text, sizeof text) >= 0)
        slot->renamed |= strcmp(text, slot->about.chip) != 0;
}

static void take_place(struct hf_sensors *set, struct hf_sensor_slot *slot,
                       const struct hf_sensor_slot *found)
{
    close_handle(set, &slot->handle);
    close_handle(set, &slot->fault_handle);
    (void)memcpy(slot->path, found->path, sizeof slot->path);
    (void)memcpy(slot->fault_path, found->fault_path, sizeof slot->fault_path);
    (void)memcpy(slot->label_path, found->label_path, sizeof slot->label_path);
    (void)memcpy(slot->name_path, found->name_path, sizeof slot->name_path);
    slot->renamed = strcmp(slot->about.label, found->about.label) != 0;
    slot->gone = 0;
}

static void search_again(struct hf_sensors *set)
{
    struct hf_sensors fresh = {.host = set->host};

    hf_sensors_find(&fresh);
    for (int i = 0; i < set->count; i++) {
        for (int at = 0; set->slot[i].gone && at < fresh.count; at++) {
            if (strcmp(set->slot[i].about.key, fresh.slot[at].about.key) == 0)
                take_place(set, &set->slot[i], &fresh.slot[at]);
        }
    }
    hf_free(fresh.slot);
}

static void look_for_the_gone(struct hf_sensors *set)
{
    int64_t now = hf_host_monotonic_ns(set->host);
    int gone = 0;

    for (int i = 0; i < set->count; i++)
        gone |= set->slot[i].gone;
    if (!gone || now < set->next_search_ns)
        return;
    set->next_search_ns = now + SEARCH_PAUSE_NS;
    search_again(set);
}

/* --- the round -------------------------------------------------------------------------------------- */

int hf_sensors_read(struct hf_sensors *set, int under_load, int64_t deadline_ns,
                    struct hf_reading *ret_readings)
{
    int good = 0;
    int late = -1;

    if (set->count == 0)
        return 0;
    check_one_name(set);
    look_for_the_gone(set);
    for (int n = 0; n < set->count; n++) {
        int i = (set->first + n) % set->count;
        struct hf_reading reading = {HF_SENSOR_UNREAD, 0, (double)NAN, (double)NAN, 0};

        if (late < 0 && hf_host_monotonic_ns(set->host) >= deadline_ns)
            late = i;
        if (late >= 0)
            reading.trouble = HF_SENSOR_LATE;
        else if (set->slot[i].about.role != HF_ROLE_IGNORED)
            read_slot(set, &set->slot[i], under_load, &reading);
        ret_readings[i] = reading;
        good += reading.trouble == HF_SENSOR_GOOD;
    }
    set->first = late >= 0 ? late : 0;
    return good;
}

int hf_sensors_hottest(const struct hf_sensors *set, const struct hf_reading *readings,
                       enum hf_sensor_role role, int group, double *ret_celsius)
{
    int hottest = -1;

    for (int i = 0; i < set->count; i++) {
        const struct hf_sensor *about = &set->slot[i].about;

        if (about->kind != HF_SENSOR_TEMPERATURE || about->role != role ||
            (group >= 0 && about->group != group) || readings[i].trouble != HF_SENSOR_GOOD)
            continue;
        if (hottest < 0 || readings[i].value > readings[hottest].value)
            hottest = i;
    }
    if (hottest >= 0)
        *ret_celsius = readings[hottest].value;
    return hottest;
}
