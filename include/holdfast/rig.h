/*
 * The rig model: a simulated processor, for the demo, the rehearsal and the tests.
 *
 * Everything is drawn from one seed. It makes no system call and reads no clock. Time is an argument, in
 * seconds of run time. The plan never sees what is in here: it only sees the faults.
 *
 * Two uses:
 *   rehearsal  hf_rig_next_fault() jumps from fault to fault in virtual time;
 *   rig driver hf_rig_advance() moves the model along with the wall clock while real workers run on real
 * cores, and says which damage to do to them. Model and sources: docs/rig-model.md.
 */
#ifndef HOLDFAST_RIG_H
#define HOLDFAST_RIG_H

#include <stdint.h>

#include "holdfast/error.h"
#include "holdfast/event.h"

#define HF_RIG_GROUPS_MAX 64
#define HF_RIG_CORES_MAX  32 /* cores of one group */
#define HF_RIG_SLICES_MAX 64 /* slices of one load */

/* How a core's load moves in time: which droop resonance it excites, and in step with whom. */
struct hf_load {
    enum hf_load_class load_class;
    double duty;     /* share of time loaded, 0 to 1 */
    double period_s; /* of the on/off pattern; 0: steady */
    int in_step;     /* 1: all cores switch together; 0: free */
};

/* A weighted slice of a mix, as the rig sees it. */
struct hf_load_slice {
    struct hf_load load;
    double weight; /* share of the time; the weights of a mix add up to 1 */
};

struct hf_rig_config {
    int group_count;     /* default 8 */
    int cores_per_group; /* default 8 */
    double lowest_mhz;   /* clock at step 0 */
    double step_mhz;     /* default 25 */
    int step_count;
    double edge_mhz; /* clock at which a group has, on average over chips and groups, one fault a minute
                        while every group runs the night mix at steady temperature. Under a lighter load,
                        or with the other groups idle, a group's edge lies higher. Default 4000 */
    double chip_sd_mhz, group_sd_mhz, core_sd_mhz, class_sd_mhz; /* defaults 60, 45, 28, 18 */
    double slope_nats;                                           /* per 25 MHz; default 1.5 */
    double slope_chip_sd;                                        /* lognormal; default 0.25 */
    double slope_core_sd;                                        /* default 0.10 */
    double frailty_mhz;                                          /* run to run; default 12 */
    double drift_mhz;          /* of the whole chip, per sqrt(hour); default 6, held within 15 */
    double ambient_c;          /* default 25 */
    double droop_scale;        /* of all droops of the supply; default 1 */
    double heat_scale;         /* of all rises of temperature; default 1 */
    double setting_lost_share; /* oddity: share of resets after which settings do not stay; default 0,
                                HF_RIG_SETTING_LOST_SHARE when switched on */
    int hot_cores;             /* oddity: number of cores that fail early, but only when hot */
    int flat_cores;            /* oddity: number of cores with a defect whose rate hardly depends on ratio */
    int weak_units;            /* oddity: number of cores of which one unit, so one kernel class, fails
                                * HF_RIG_WEAK_UNIT_MHZ early */
    int stretching;            /* oddity: 1: the clock stretches instead of failing, just below the edge */
    int simple; /* 1: each group is exactly exp(b (clock - edge)) faults a minute under any load, with
                   no frailty, drift, heat or droop, and no difference between its cores (tests) */
    uint64_t seed;
};

#define HF_RIG_SETTING_LOST_SHARE 0.02
#define HF_RIG_WEAK_UNIT_MHZ      200.0

/* Fills in the defaults: steps 0 to 31 from 3450 MHz, seed 1, no oddities. Keeps group_count and
 * cores_per_group, which the caller sets first; 0 becomes 8. */
void hf_rig_config_default(struct hf_rig_config *config);

struct hf_rig;

/* Copies the config. HF_E_RANGE names the field that is out of range. All groups start at step 0, idle, at
 * ambient temperature. Nothing is allocated after this. */
int hf_rig_new(const struct hf_rig_config *config, struct hf_rig **ret_rig, struct hf_error *error);
void hf_rig_free(struct hf_rig *rig); /* NULL is allowed */

/* What the model does to a core. */
enum hf_damage_kind {
    HF_DAMAGE_NONE,
    HF_DAMAGE_WRONG_RESULT, /* a bit flips in live state */
    HF_DAMAGE_CORRECTED,    /* the hardware corrects and reports */
    HF_DAMAGE_WORKER_DIED,  /* the process dies of a signal */
    HF_DAMAGE_HANG,         /* the core stops making progress */
    HF_DAMAGE_RESET         /* the machine resets */
};

struct hf_rig_fault {
    enum hf_damage_kind kind;
    int group;                     /* -1 when there was none */
    int core;                      /* within the group */
    double after_s;                /* from the call's start, at most the horizon */
    enum hf_load_class load_class; /* what the core was doing */
    double above_steps;            /* how far the core was above its edge then, in steps of 25 MHz */
};

/* The present setting of a group. Settings persist until changed; a reset puts all groups at `lowest safe`
 * (the driver's business: it calls this). begin_run draws a new run-to-run frailty for the group: call it at
 * the start of each trial (of each group, for a joint trial). */
void hf_rig_set_step(struct hf_rig *rig, int group, int step);
void hf_rig_begin_run(struct hf_rig *rig, int group);

/* Reads the setting back: what the group really runs at. Differs from what was set when a setting was lost.
 */
int hf_rig_step(const struct hf_rig *rig, int group);

/* The load on every core of a group: a mix (rehearsal: the long-run average over its slices) or a single
 * slice (rig driver: what runs now). count 0: idle. The slices are copied.
 * Groups whose mixes have the same number of slices run them side by side: slice number n of one meets slice
 * number n of the others on the shared rail (with one slice each: what runs now meets what runs now). A group
 * whose number of slices differs contributes its average current. HF_E_RANGE: class, duty, period or weights
 * (they add up to 1 within 1e-6) out of range; the load is unchanged. */
int hf_rig_set_load(struct hf_rig *rig, int group, const struct hf_load_slice *slices, int count,
                    struct hf_error *error);

/* Which cores of the group carry the load: bit c for core c; the others idle. All do until this is called. */
void hf_rig_set_working(struct hf_rig *rig, int group, uint32_t cores);

/* A silent group draws its current and makes its heat, but has no faults: one of its faults was told already
 * and is not noticed yet. Ends with begin_run, or with silent 0. */
void hf_rig_set_silent(struct hf_rig *rig, int group, int silent);

/* The night mix as the rig sees it: the load behind edge_mhz. Weights add up to 1. */
const struct hf_load_slice *hf_rig_night_mix(int *ret_count);

/* Moves the model by up to horizon_s, stopping at the first fault; *ret_fault has kind NONE when there was
 * none. Returns the time moved: less than the horizon at a fault, or when a setting was lost (kind NONE, and
 * hf_rig_step() differs from what was set). Faults come from the cumulative hazard against a unit
 * exponential, so settings may change at any moment. Same seed, same calls: same faults. */
double hf_rig_advance(struct hf_rig *rig, double horizon_s, struct hf_rig_fault *ret_fault);

/* Temperatures, whole degrees as a sensor shows them: the group's and the package's. */
double hf_rig_group_celsius(const struct hf_rig *rig, int group);
double hf_rig_package_celsius(const struct hf_rig *rig);

/* The clock the group really has (below what was asked when stretching). */
double hf_rig_group_mhz(const struct hf_rig *rig, int group);

/* The rig's own randomness for a fresh boot: draws after boot number n differ from those before it, and
 * depend on nothing but (seed, boot number). The drift walks on: a process that takes over a run at run time
 * t makes a new rig, calls hf_rig_advance(t) with every group idle, then this. */
void hf_rig_boot(struct hf_rig *rig, uint64_t boot_number);

/* --- the truth: for scoring and reports of rig runs only; src/plan may not include this header --- */

/* One core's rate, faults a minute, at a clock: the law that everything else is built from. `edge_mhz` is
 * where it has one fault a minute; the cap of 20 a second holds. */
double hf_rig_law_per_minute(double mhz, double edge_mhz, double nats_per_25_mhz);

/* The group's present hazard, faults per hour: frailty, drift and temperature as they are now. */
double hf_rig_present_rate_per_hour(struct hf_rig *rig, int group);

/* Faults per hour of the group at a step, under the mix on all groups, others at their present steps, at
 * steady temperature, without frailty and drift. */
double hf_rig_true_rate_per_hour(const struct hf_rig *rig, int group, int step,
                                 const struct hf_load_slice *slices, int count);

/* The highest step whose true rate is at most rate_per_hour; -1 when even step 0 is not. Clocks draw current,
 * so the others' steps count a little: set them first. */
int hf_rig_true_limit(const struct hf_rig *rig, int group, double rate_per_hour,
                      const struct hf_load_slice *slices, int count);

#endif
