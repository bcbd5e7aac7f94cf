/*
 * The profile: what one machine is, how far its ratios may go, and what is to be proved.
 *
 * A JSON document (docs/profile.schema.json), read strictly: unknown or duplicate keys, wrong types, values
 * out of range, text that is not UTF-8 are refused with file, path in the document and the allowed range. A
 * run keeps a frozen copy; its SHA-256 digest ties journal and certificates to it.
 *
 * Ratios lie on a grid: ratio = ratio_lowest + step x ratio_step, step 0 .. step_count - 1.
 */
#ifndef HOLDFAST_PROFILE_H
#define HOLDFAST_PROFILE_H

#include <stdint.h>

#include "holdfast/checksum.h"
#include "holdfast/error.h"
#include "holdfast/event.h"
#include "holdfast/text.h"

#define HF_PROFILE_BYTES_MAX (1024 * 1024) /* a larger profile is refused */
#define HF_DRIVER_NAME_MAX   32

struct hf_profile_group {
    char name[HF_NAME_MAX];
    int cpu_first; /* index of its first CPU in hf_profile.cpu[] */
    int cpu_count;
    int baseline_step;
    int highest_step;
    int left_out;    /* "left_out": true */
    int pinned_step; /* "pinned_ratio", -1: not pinned */
};

/* One of "sensors": the first that fits a sensor wins. "" fits everything, but chip. The names are those that
 * survey shows; roles: core-group, package, supply, coolant, ignored. */
#define HF_PROFILE_SENSORS_MAX       256
#define HF_PROFILE_SENSOR_LIMIT_LOW  30.0
#define HF_PROFILE_SENSOR_LIMIT_HIGH 105.0

struct hf_profile_sensor {
    char chip[48], device[48], input[48], label[48];
    char role[16];
    int group;      /* of role core-group; else -1 */
    double limit_c; /* NAN: the profile's temperature limit */
};

/* "command" of the driver command: a program and its arguments, as they are given to it: no shell. */
#define HF_PROFILE_COMMAND_MAX 32 /* words */

/* The "rig" section: parameters of the simulated processor. NAN or -1 where the document is silent: the rig's
 * defaults then hold (rig.h). */
struct hf_profile_rig {
    uint64_t seed;
    double clock_factor; /* how many seconds of run time pass in one of the wall's; 1 to 100000 */
    double edge_mhz, chip_sd_mhz, group_sd_mhz, core_sd_mhz, class_sd_mhz;
    double slope_nats, slope_chip_sd, slope_core_sd, frailty_mhz, drift_mhz, ambient_c;
    double droop_scale, heat_scale;
    int hot_cores, flat_cores, weak_units, stretching, settings_lost, simple;
    char set_by[16]; /* "command" or "sheet": that driver sets its ratios, from outside; "": none does */
    char board[256]; /* the folder between them, one file a group */
};

/* "upload": the server that evidence is sent to (upload.h). url "": none. */
struct hf_profile_upload {
    char url[512];        /* https, or plain http to this machine; files go below it */
    char token_file[256]; /* "": no token is sent */
    char ca_file[256];    /* PEM; "": the system's authorities */
    double every_s;       /* "every_minutes", default 30: the report and the journal of a run that goes on */
    double silence_s;     /* default 60: a server that is silent for so long is given up, for now */
};

struct hf_profile {
    char name[HF_NAME_MAX]; /* of the machine: names the run directory */
    char description[256];
    double base_clock_mhz; /* 20 to 1000, default 100 */
    double ratio_lowest, ratio_highest, ratio_step, ratio_baseline;
    int step_count; /* from the ratios; 2 to 512 */
    int group_count;
    struct hf_profile_group group[HF_GROUPS_MAX];
    int cpu_count;            /* of all groups together */
    int16_t cpu[HF_CPUS_MAX]; /* logical CPU numbers, group after group */

    char driver[HF_DRIVER_NAME_MAX]; /* "rig", "sheet", "cpufreq", "command" */
    int goes_on_without; /* "driver_failure": "leave-out": the run goes on without a group that cannot be
                            set; default "stop": the run ends */
    int command_count;   /* 0: there is no "command" */
    const char *command[HF_PROFILE_COMMAND_MAX + 1]; /* NULL-terminated, into command_words */
    char command_words[4096];
    double command_limit_s; /* "limit_s", default 10: one call of the program */
    int accept_the_risk;
    double temperature_limit_c; /* default 95, at most 105 */
    int temperature_unwatched;  /* "temperature": "unwatched" */
    double clock_tolerance;     /* "clock_tolerance_percent", default 0.7 % is 0.007: a lower median is a
                                   shortfall */
    int sensor_count;
    struct hf_profile_sensor sensor[HF_PROFILE_SENSORS_MAX];

    char mix[HF_NAME_MAX];       /* name of an embedded mix, or "" when mix_document is given */
    struct hf_text mix_document; /* an inline mix object, as JSON text; empty when named */

    char method[HF_NAME_MAX]; /* "belief" (default), "bisect", "step-up" */
    double claim_hours;       /* default 168 */
    double confidence;        /* default 0.95; 0.5 to 0.9999 */
    double soak_s;            /* "soak_hours", default 6 */
    double baseline_s;        /* "baseline_minutes", default 10 */
    double reset_cost_s;      /* "reset_minutes", default 3 */
    double deadline_s;        /* "deadline_hours": be done by this run time; NAN: no deadline */
    uint64_t seed;            /* of the search, default 1 */

    double voltage_mv; /* "conditions": as entered; NAN: not given */
    double conditions_ambient_c;
    double memory_mts; /* the memory's speed as entered, million transfers a second; NAN: not given */
    char conditions_note[256];

    struct hf_profile_upload upload;

    int has_rig;
    struct hf_profile_rig rig;

    char digest[HF_SHA256_HEX]; /* of the document's bytes */
    struct hf_text document;    /* the bytes as read: what is frozen */
};

/* Reads, checks and fills. On failure nothing is kept. Release with hf_profile_release(). */
int hf_profile_parse(const char *bytes, size_t size, const char *source, struct hf_profile **ret_profile,
                     struct hf_error *error);
int hf_profile_read(const char *path, struct hf_profile **ret_profile, struct hf_error *error);
void hf_profile_free(struct hf_profile *profile); /* NULL is allowed */

/* Why evidence must not be sent to the address, as words that go on after its name; NULL: it may. */
const char *hf_profile_url_problem(const char *url);

double hf_profile_ratio(const struct hf_profile *profile, int step);
double hf_profile_mhz(const struct hf_profile *profile, int step);

/* The step of a ratio; HF_E_RANGE when it is off the grid or outside it, with the nearest allowed ratios. */
int hf_profile_step(const struct hf_profile *profile, double ratio, int *ret_step, struct hf_error *error);

/* The group of that name; HF_E_NOT_FOUND lists the names. */
int hf_profile_group_of(const struct hf_profile *profile, const char *name, int *ret_group,
                        struct hf_error *error);

/* A starting profile for survey --write-profile: groups as found, conservative values, and the keys a person
 * has to fill in. Written as JSON text. */
struct hf_profile_start {
    const char *name;
    const char *driver;
    int group_count;
    const char *const *group_names;
    const int *const *group_cpus;
    const int *group_cpu_counts;
};

void hf_profile_write_start(const struct hf_profile_start *start, struct hf_text *text);

#endif
