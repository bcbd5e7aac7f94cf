/*
 * Sensing a real machine during a run: temperatures read by a thread, true clocks measured core by core.
 *
 * Invariants
 *  1. Nothing here waits: the thread reads, the loop takes its newest round. A round older than
 *     HF_SENSE_BLIND_S counts as none.
 *  2. A core's samples are those of its present trial only. There are at most SAMPLES_MAX: when they are full
 * every second one is dropped and the pause between two is doubled, so the median is always over the whole
 * trial.
 *  3. A simulated driver has sensors of its own (driver.h): s->sensing is NULL then.
 *
 * Calling order: hf_sensing_check() before the run is begun; hf_sensing_begin() once the pool is there; then,
 * from the loop, hf_sensing_tick() before anything is asked; hf_sensing_end().
 */
#ifndef HOLDFAST_HARNESS_SENSING_H
#define HOLDFAST_HARNESS_SENSING_H

#include <stdint.h>

#include "holdfast/host.h"
#include "holdfast/profile.h"
#include "holdfast/sensors.h"
#include "holdfast/true_clock.h"

struct hf_supervisor;
struct hf_trial;
struct hf_sensing;

#define HF_SENSE_BLIND_S 5.0 /* without any believed temperature for so long a group's load stops */

/* HF_E_REFUSED when some group of the profile has no readable temperature and the profile does not say that
 * it is to be run unwatched. Reads the sensors once. */
int hf_sensing_check(const struct hf_profile *profile, const struct hf_host *host, struct hf_error *error);

int hf_sensing_begin(struct hf_supervisor *s); /* the failure is in s->error */
/* 0: a thread hangs in a read, and the host must stay. */
int hf_sensing_end(struct hf_supervisor *s);
void hf_sensing_tick(struct hf_supervisor *s, int64_t now_ns);

/* How hot a group is: its hottest believed sensor, the package's when it has none of its own. */
struct hf_heat {
    double celsius;  /* NAN: nothing believed */
    double excess_c; /* of the sensor nearest to its limit, or furthest above: celsius - limit; NAN: none */
    double limit_c;  /* ... its limit */
    const char *sensor; /* ... its key; "" when none */
    double blind_s;     /* since a temperature was believed last; 0: watched, or not to be watched */
    const char *reason; /* when blind: what is wrong with the first sensor it had */
};

void hf_sensing_heat(const struct hf_supervisor *s, int group, struct hf_heat *ret_heat);
/* The hottest sensor of a role so far. */
struct hf_hottest {
    const char *sensor; /* its key; NULL: none was believed */
    double celsius;
};

/* Takes the newest round into `hottest`, an entry a role: of the sensors that are watched for the group. The
 * names live as long as the sensing. */
void hf_sensing_take_hottest(const struct hf_supervisor *s, int group, struct hf_hottest *hottest);

/* What the package's energy counters have counted, and when they were read; NAN: there are none. */
double hf_sensing_joules(const struct hf_supervisor *s, int64_t *ret_ns);
double hf_sensing_watts(const struct hf_supervisor *s); /* the package's; NAN: not told */

void hf_sensing_run_started(struct hf_supervisor *s, int group);

/* The worst core of a trial's groups. */
struct hf_clock_verdict {
    struct hf_clock_judgement judgement;
    int group;
    int cpu;         /* the profile's; -1: no core has a believed sample */
    int unknown_cpu; /* one whose clock the hypervisor's taking hides; -1: none */
    double asked_mhz;
    enum hf_clock_method method;
};

/* 1 when some core's clock fell short; *ret_verdict tells the worst either way. */
int hf_sensing_clock(const struct hf_supervisor *s, const struct hf_trial *trial,
                     struct hf_clock_verdict *ret_verdict);

/* Mean over a trial's cores of their medians; NAN: not known. */
double hf_sensing_mean_mhz(const struct hf_supervisor *s, const struct hf_trial *trial);

#endif
