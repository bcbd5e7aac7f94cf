/*
 * Sensors: temperatures, voltages, currents, power, energy and fans of the kernel's hwmon, thermal and
 * powercap classes.
 *
 * Numbers (hwmon3) change between boots, so a sensor is known by its chip's name, the device behind it and
 * its input: its `key`. A profile says by rules which sensor is which part's; without rules the well-known
 * ones get their role from the topology.
 *
 * Calling order, in one thread:
 *   hf_sensors_new(&host, &set, &error);
 *   hf_sensors_roles_by_topology(set, group_of_cpu, cpu_limit);       then, to overrule:
 *   hf_sensors_roles_by_rules(set, rules, count, ret_matched);
 *   hf_sensors_read(set, under_load, deadline_ns, readings);          as often as wanted
 *   hf_sensors_free(set);
 * or with a thread of its own, so that a slow bus never blocks the caller's loop:
 *   hf_sensor_reader_start(set, period_ms, &reader, &error);          the set is the thread's from now on
 *   hf_sensor_reader_load(reader, 1);                                 under load since now
 *   hf_sensor_reader_latest(reader, readings, &age_ns);               the newest complete round; never waits
 *   hf_sensor_reader_stop(reader);                                    before hf_sensors_free(set)
 *
 * A reading is believed (HF_SENSOR_GOOD) or says why not; `value` is NAN then. The rules for temperatures,
 * which are engineering judgement but for the sentinels of open sensors (common practice, no source): exactly
 * 0 degC; 125 degC or more and -40 degC or less (an open or shorted sensor); a jump of more than 30 degC
 * between rounds, until three rounds in a row agree on the new level; no change at all over `stuck_s` (600)
 * seconds spent under load; the kernel's own fault flag; label or chip changed; device gone. A sensor that is
 * gone is looked for again by its key at most every 10 s, and goes on when it is back.
 */
#ifndef HOLDFAST_SENSORS_H
#define HOLDFAST_SENSORS_H

#include <stdint.h>

#include "holdfast/error.h"
#include "holdfast/event.h"
#include "holdfast/host.h"

#define HF_SENSORS_MAX     2048 /* in one set; more are left out and counted */
#define HF_SENSOR_NAME_MAX 48
#define HF_SENSOR_KEY_MAX  160

enum hf_sensor_kind {
    HF_SENSOR_TEMPERATURE, /* degC */
    HF_SENSOR_VOLTAGE,     /* V */
    HF_SENSOR_CURRENT,     /* A */
    HF_SENSOR_POWER,       /* W */
    HF_SENSOR_ENERGY,      /* J since the first reading */
    HF_SENSOR_FAN          /* revolutions a minute */
};

#define HF_SENSOR_ROLE_LIST(X)                                                                               \
    X(HF_ROLE_NONE, "none")                                                                                  \
    X(HF_ROLE_GROUP, "core-group")                                                                           \
    X(HF_ROLE_PACKAGE, "package")                                                                            \
    X(HF_ROLE_SUPPLY, "supply")   /* the voltage supply stage */                                             \
    X(HF_ROLE_COOLANT, "coolant") /* air or liquid that carries the heat away */                             \
    X(HF_ROLE_IGNORED, "ignored") /* known to be wrong: not read */

enum hf_sensor_role {
#define HF_SENSOR_ROLE_ENUM(code, name) code,
    HF_SENSOR_ROLE_LIST(HF_SENSOR_ROLE_ENUM)
#undef HF_SENSOR_ROLE_ENUM
    HF_ROLE_COUNT
};

#define HF_SENSOR_TROUBLE_LIST(X)                                                                            \
    X(HF_SENSOR_GOOD, "good", "believed")                                                                    \
    X(HF_SENSOR_UNREAD, "unread", "not read yet")                                                            \
    X(HF_SENSOR_LATE, "late", "the round ran out of time before it")                                         \
    X(HF_SENSOR_GONE, "gone", "the device has disappeared")                                                  \
    X(HF_SENSOR_DENIED, "denied", "only root may read it")                                                   \
    X(HF_SENSOR_OFF, "off", "switched off")                                                                  \
    X(HF_SENSOR_ERROR, "error", "the read failed")                                                           \
    X(HF_SENSOR_GARBLED, "garbled", "holds no number")                                                       \
    X(HF_SENSOR_FAULT, "fault", "the kernel marks it as faulty")                                             \
    X(HF_SENSOR_ZERO, "zero", "exactly 0 degrees")                                                           \
    X(HF_SENSOR_OPEN, "open", "beyond what a sensor measures: open or shorted")                              \
    X(HF_SENSOR_JUMP, "jump", "jumped by more than 30 degrees at once")                                      \
    X(HF_SENSOR_STUCK, "stuck", "has not changed for ten minutes under load")                                \
    X(HF_SENSOR_RENAMED, "renamed", "label or chip is another than before")

enum hf_sensor_trouble {
#define HF_SENSOR_TROUBLE_ENUM(code, name, sentence) code,
    HF_SENSOR_TROUBLE_LIST(HF_SENSOR_TROUBLE_ENUM)
#undef HF_SENSOR_TROUBLE_ENUM
    HF_SENSOR_TROUBLE_COUNT
};

struct hf_sensor {
    enum hf_sensor_kind kind;
    enum hf_sensor_role role;
    int group;                       /* core-group: which; else -1 */
    double limit_c;                  /* from its rule; NAN: the profile's */
    char chip[HF_SENSOR_NAME_MAX];   /* "coretemp"; a thermal zone's type; "powercap" */
    char device[HF_SENSOR_NAME_MAX]; /* "0000:00:18.3", "coretemp.0", "thermal_zone", "intel-rapl:0"; "" */
    char input[HF_SENSOR_NAME_MAX];  /* "temp1", "zone", "energy" */
    char label[HF_SENSOR_NAME_MAX];  /* "Tctl", "Package id 0"; "" */
    char key[HF_SENSOR_KEY_MAX];     /* chip@device/input: the same after every boot */
    double high, critical;           /* the chip's own marks, degC; NAN: none */
};

struct hf_reading {
    enum hf_sensor_trouble trouble;
    int errno_value; /* of HF_SENSOR_ERROR, HF_SENSOR_GONE, HF_SENSOR_DENIED */
    double value;    /* NAN unless good */
    double watts;    /* energy: mean since the last good reading; NAN: not known yet */
    int64_t read_ns; /* when; 0: never */
};

struct hf_sensors;

/* Finds every sensor. A machine without one gives an empty set, not an error. HF_E_MEMORY only. The host must
 * outlive the set. */
int hf_sensors_new(const struct hf_host *host, struct hf_sensors **ret_set, struct hf_error *error);
void hf_sensors_free(struct hf_sensors *set); /* NULL is allowed */

int hf_sensors_count(const struct hf_sensors *set);
const struct hf_sensor *hf_sensors_at(const struct hf_sensors *set, int index);
int hf_sensors_left_out(const struct hf_sensors *set); /* beyond HF_SENSORS_MAX */

/* Roles of the sensors whose meaning is documented: core and package sensors of the processor's own drivers,
 * package zones, package energy. group_of_cpu[cpu] is -1 for CPUs of no group. */
void hf_sensors_roles_by_topology(struct hf_sensors *set, const int16_t *group_of_cpu, int cpu_limit);

/* A rule names a sensor by what it gives; "" fits everything, but chip. The first rule that fits a sensor
 * wins. */
struct hf_sensor_rule {
    char chip[HF_SENSOR_NAME_MAX];
    char device[HF_SENSOR_NAME_MAX];
    char input[HF_SENSOR_NAME_MAX];
    char label[HF_SENSOR_NAME_MAX];
    enum hf_sensor_role role;
    int group;      /* with role core-group; else -1 */
    double limit_c; /* NAN: the profile's */
};

/* ret_matched[rule] = how many sensors each rule won: 0 means that the profile names what is not there. */
void hf_sensors_roles_by_rules(struct hf_sensors *set, const struct hf_sensor_rule *rules, int count,
                               int *ret_matched);

/* Reads all, in the caller's thread; readings has room for hf_sensors_count(). Past deadline_ns (monotonic)
 * the rest becomes HF_SENSOR_LATE, and the next round begins with it. under_load: has there been load since
 * the last round? Returns how many readings are good. */
int hf_sensors_read(struct hf_sensors *set, int under_load, int64_t deadline_ns,
                    struct hf_reading *ret_readings);

/* Seconds under load without any change after which a temperature counts as stuck; default 600. */
void hf_sensors_set_stuck_s(struct hf_sensors *set, double stuck_s);

const char *hf_sensor_kind_name(enum hf_sensor_kind kind); /* "temperature" */
const char *hf_sensor_kind_unit(enum hf_sensor_kind kind); /* "degC", "V", "A", "W", "J", "rpm" */
const char *hf_sensor_role_name(enum hf_sensor_role role);
int hf_sensor_role_of_name(const char *name); /* -1: none of that name */
const char *hf_sensor_trouble_name(enum hf_sensor_trouble trouble);
const char *hf_sensor_trouble_sentence(enum hf_sensor_trouble trouble);

/* The hottest believed temperature of one role (and group, for core groups; -1: any); index of the sensor, or
 * -1: nothing readable. */
int hf_sensors_hottest(const struct hf_sensors *set, const struct hf_reading *readings,
                       enum hf_sensor_role role, int group, double *ret_celsius);

/* --- pure parts, for whoever brings own numbers ----------------------------------------------------- */

/* What is remembered of one sensor between rounds. Zeroed: nothing. */
struct hf_sensor_history {
    int has_value, has_pending;
    double value;   /* last believed */
    double pending; /* a level it jumped to, not believed yet */
    int pending_count;
    int64_t value_ns;   /* when value was read */
    double unchanged_s; /* under load, since the raw number last changed */
    int64_t last_raw;
    int has_raw;
    int64_t raw_ns;
};

/* Judges a temperature in millidegrees read at now_ns. */
enum hf_sensor_trouble hf_temperature_judge(struct hf_sensor_history *history, int64_t millidegree,
                                            int64_t now_ns, int under_load, double stuck_s);

/* An energy counter in microjoules that wraps at `range` (0: not known; a decrease then starts anew). */
struct hf_energy_counter {
    int has_last;
    uint64_t last_uj, range_uj;
    int64_t last_ns;
    double joules; /* since the first reading */
};

/* Takes a reading. The mean watts since the one before; NAN when that cannot be told: first reading, unknown
 * wrap, no time passed. Two wraps between readings cannot be seen: read at least every 30 s. */
double hf_energy_take(struct hf_energy_counter *counter, uint64_t microjoules, int64_t now_ns);

/* --- a thread that reads ---------------------------------------------------------------------------- */

struct hf_sensor_reader;

/* The set must not be touched by others, its sensors' descriptions apart, until hf_sensor_reader_stop(). */
int hf_sensor_reader_start(struct hf_sensors *set, int period_ms, struct hf_sensor_reader **ret_reader,
                           struct hf_error *error);
void hf_sensor_reader_load(struct hf_sensor_reader *reader, int under_load);
/* Copies the newest complete round; *ret_age_ns is how old it is. 0: none yet, readings are all "unread". A
 * reader that hangs shows as an age that grows. */
int hf_sensor_reader_latest(struct hf_sensor_reader *reader, struct hf_reading *ret_readings,
                            int64_t *ret_age_ns);
/* Ends the thread. HF_E_BUSY: it hangs in a read for more than 2 s; reader and set are then left to it and
 * must not be freed; it may be called again. */
int hf_sensor_reader_stop(struct hf_sensor_reader *reader, struct hf_error *error); /* NULL is allowed */

#endif
