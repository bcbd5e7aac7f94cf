/* What the survey found beside the core groups, and who shows it. */
#ifndef HOLDFAST_CLI_SURVEY_H
#define HOLDFAST_CLI_SURVEY_H

#include "holdfast/driver.h"
#include "holdfast/hardware_errors.h"
#include "holdfast/host.h"
#include "holdfast/json.h"
#include "holdfast/sensors.h"
#include "holdfast/topology.h"
#include "holdfast/true_clock.h"

#define HF_SURVEY_MISSING_MAX 16
#define HF_SURVEY_LATEST_MAX  4

struct hf_survey_clock {
    enum hf_clock_method method;
    double tsc_mhz; /* 0: none that can be trusted */
    char reasons[512];
    int measured_count;
    struct {
        int group, cpu;
        double mhz;
    } measured[HF_GROUPS_MAX];
    char frequency_driver[32]; /* "" none */
    char governors[128];
    int policies;
    double lowest_mhz, highest_mhz; /* 0: not told */
};

struct hf_survey_errors {
    int log_readable;
    char log_trouble[256];
    struct hf_log_totals log;
    uint64_t by_severity[HF_ERROR_SEVERITY_COUNT]; /* of this boot; storms counted */
    uint64_t previous_boot;                        /* events that the boot before left */
    int latest_count;                              /* of those that are no notices, the newest last */
    struct hf_hardware_error latest[HF_SURVEY_LATEST_MAX];
    struct hf_error_polling polling;
    int memory_count;
    struct hf_memory_count memory[HF_MEMORY_COUNTS_MAX];
    int trace_points; /* 1: can be used, 0: not there, -1: only by root */
    int dumps;        /* in the store; -1: only root may look */
};

struct hf_survey_missing {
    char what[200];
    char mend[200];
};

struct hf_survey_machine {
    struct hf_host host;
    struct hf_sensors *sensors;
    struct hf_reading *readings;
    struct hf_survey_clock clock;
    struct hf_survey_errors errors;
    int missing_count;
    struct hf_survey_missing missing[HF_SURVEY_MISSING_MAX];
};

/* Reads all of it, of the machine below root (NULL: this one). HF_E_MEMORY, or a root that is none. */
int hf_survey_machine_new(const char *root, const struct hf_topology *topology,
                          const struct hf_machine_facts *facts, struct hf_survey_machine **ret_machine,
                          struct hf_error *error);
void hf_survey_machine_free(struct hf_survey_machine *machine); /* NULL is allowed */

/* Can the driver work here? Words that say why, or why not. machine may be NULL. */
int hf_survey_driver_works(const struct hf_driver_ops *driver, const struct hf_topology *topology,
                           const struct hf_survey_machine *machine, char *ret_why, size_t size);

/* As printf, in lines of at most 80 columns: what is longer goes on below, two columns further in. Nothing is
 * printed before its line is complete. */
void hf_survey_say(const char *format, ...) __attribute__((format(printf, 1, 2)));

void hf_survey_machine_print(const struct hf_survey_machine *machine, const struct hf_topology *topology);
void hf_survey_missing_print(const struct hf_survey_machine *machine);
void hf_survey_machine_write(const struct hf_survey_machine *machine, const struct hf_topology *topology,
                             struct hf_json_writer *writer);

#endif
