/*
 * Inside the rig model: the pieces and how they lean on each other. Not for use outside src/rig.
 *
 *   rig.c       configuration, the draw of a chip, settings, boots
 *   night.c     the night mix as the rig sees it
 *   rail.c      currents, steady and transient droop of the shared supply
 *   heat.c      temperatures and sensors
 *   hazard.c    from clock, droop and heat to fault rates; the truth
 *   advance.c   time, and what happens in it
 *
 * docs/rig-model.md is the description in words, with the sources.
 */
#ifndef HOLDFAST_RIG_MODEL_H
#define HOLDFAST_RIG_MODEL_H

#include "holdfast/random.h"
#include "holdfast/rig.h"

#define HF_RIG_RESONANCES 3
#define HF_RIG_TERMS_MAX  (2 * HF_RIG_SLICES_MAX + 1) /* settled and edge of each slice, and a flat defect */

/* Streams of the seed. A label in the high half; group and core below. */
enum hf_rig_stream {
    HF_RIG_STREAM_CHIP = 1,
    HF_RIG_STREAM_GROUP,
    HF_RIG_STREAM_CORE,
    HF_RIG_STREAM_ODDITY,
    HF_RIG_STREAM_DRIFT,
    HF_RIG_STREAM_FRAILTY,
    HF_RIG_STREAM_FAULT,
    HF_RIG_STREAM_REFERENCE
};

/* One core, as drawn. */
struct hf_rig_core {
    double offset_mhz;               /* chip, group and core together */
    double class_mhz[HF_LOAD_COUNT]; /* its own offset under each kernel class */
    double nats_per_mhz;
    double hot_trigger_c;          /* 0: not a hot-triggered core */
    double flat_per_s;             /* 0: no flat defect; else its rate at the edge clock */
    enum hf_load_class flat_class; /* the only class under which the defect shows */
    int weak_unit;                 /* 1: one of class_mhz carries HF_RIG_WEAK_UNIT_MHZ */
};

/* A slice with what depends on its timing alone. */
struct hf_rig_slice {
    struct hf_load load;
    double weight;
    double response[HF_RIG_RESONANCES];  /* share of the resonance's full droop that this timing excites */
    double coherence[HF_RIG_RESONANCES]; /* share of the cores' swings that add up, 0 to 1 */
};

/* Who runs what: the present state, or the state the truth is asked for. */
struct hf_rig_scene {
    const struct hf_rig_slice *slices[HF_RIG_GROUPS_MAX];
    int count[HF_RIG_GROUPS_MAX];   /* 0: idle */
    double mhz[HF_RIG_GROUPS_MAX];  /* as set: currents grow with it */
    int working[HF_RIG_GROUPS_MAX]; /* cores that carry the load; the group's others idle */
};

/* The shared rail during each slice of the groups whose mix has `count` slices. */
struct hf_rig_rail {
    int count;
    double shared_mv[HF_RIG_SLICES_MAX];
    double transient_mv[HF_RIG_SLICES_MAX];
    double edge_share[HF_RIG_SLICES_MAX]; /* share of the time spent at the bottom of a droop */
    double package_w[HF_RIG_SLICES_MAX];
};

/* One group seen from its cores: all that its cores have in common during each slice. */
struct hf_rig_view {
    int count;
    double clock_mhz;                          /* the real one */
    double nominal_mhz;                        /* as set */
    double limit_shift_mhz[HF_RIG_SLICES_MAX]; /* settled droop: negative */
    double transient_shift_mhz[HF_RIG_SLICES_MAX];
    double settled_share[HF_RIG_SLICES_MAX]; /* of all time; weights included */
    double edge_share[HF_RIG_SLICES_MAX];
    double swing_c[HF_RIG_SLICES_MAX]; /* temperature of the slice above the mix's average */
    enum hf_load_class load_class[HF_RIG_SLICES_MAX];
};

/* rate = min(cap, exp(log_rate + nats_per_mhz x (what heat, frailty and drift take away))), per second. */
struct hf_rig_term {
    double log_rate;
    double log_share;
    double nats_per_mhz;
    int slice; /* -1: the flat defect */
    enum hf_load_class load_class;
};

struct hf_rig_heat {
    double sink_k, die_k; /* rise over each resistance */
    double core_k[HF_RIG_GROUPS_MAX];
    double sensor_c[HF_RIG_GROUPS_MAX];
    double package_sensor_c;
};

struct hf_rig_group {
    int step;
    uint32_t working; /* bit c: core c carries the load */
    int silent;       /* 1: no faults until the next run begins */
    int count;
    struct hf_rig_slice slices[HF_RIG_SLICES_MAX];
    double frailty_mhz;
    struct hf_random frailty_random;
    double core_w; /* average power of one core */
    double clock_mhz;
    double swing_c[HF_RIG_SLICES_MAX];
    double rate_per_s;
    int loses_setting; /* the next setting will not stay */
    double lost_at_s;  /* rig time at which it goes; INFINITY: never */
};

/*
 * Invariants:
 *  1. terms, rates and powers belong to the present settings and loads exactly when `prepared` is 1.
 *  2. group[].rate_per_s and total_per_s belong to the present time exactly when `rated` is 1 (implies 1).
 *  3. threshold > 0: what is left of the unit exponential until the next fault.
 *  4. drift_low and drift_high lie within the bound; drift_index is the number of the interval that now_s is
 * in.
 *  5. with config.simple, drift, frailty, heat and droop are 0 and stay 0.
 */
struct hf_rig {
    struct hf_rig_config config;
    double reference_mhz; /* the limit of an average core under the reference class without any droop */
    double slope_nats;    /* the chip's, per 25 MHz */
    int core_count;       /* of all groups */
    int has_hot_cores;
    struct hf_rig_core *core; /* core_count */
    struct hf_rig_term *term; /* core_count x HF_RIG_TERMS_MAX */
    int *term_count;          /* core_count */
    double *core_per_s;       /* core_count */
    struct hf_rig_group group[HF_RIG_GROUPS_MAX];

    double now_s;
    struct hf_rig_heat heat;
    double package_w;
    struct hf_random drift_random;
    double drift_low, drift_high;
    int64_t drift_index;
    struct hf_random fault_random;
    double threshold;
    double total_per_s;
    int prepared, rated;
};

/* --- rail.c --- */
double hf_rig_class_offset_mhz(enum hf_load_class load_class);
void hf_rig_slice_prepare(const struct hf_load_slice *from, struct hf_rig_slice *ret_slice);
void hf_rig_rail_compute(const struct hf_rig *rig, const struct hf_rig_scene *scene, int count,
                         struct hf_rig_rail *ret_rail);
/* Steady droop of the group's own part of the supply, and the average power of one of its cores. */
double hf_rig_own_droop_mv(const struct hf_rig *rig, const struct hf_rig_slice *slice, double mhz,
                           int working);
double hf_rig_slice_core_w(const struct hf_rig *rig, const struct hf_rig_slice *slice, double mhz);
double hf_rig_scene_core_w(const struct hf_rig *rig, const struct hf_rig_scene *scene, int group);
double hf_rig_scene_group_w(const struct hf_rig *rig, const struct hf_rig_scene *scene, int group);
double hf_rig_nominal_mhz(const struct hf_rig *rig, int step);

/* --- heat.c --- */
double hf_rig_heat_loss_mhz(double celsius);
double hf_rig_core_celsius(const struct hf_rig *rig, int group); /* hottest cores of the group, now */
double hf_rig_steady_celsius(const struct hf_rig *rig, double core_w, double package_w);
double hf_rig_slice_swing_c(double core_w, double core_average_w, double package_w, double package_average_w);
void hf_rig_heat_reset(struct hf_rig *rig);
void hf_rig_heat_move(struct hf_rig *rig, double seconds);
/* How long temperatures may be taken as moving evenly; INFINITY when they do not matter or do not move. */
double hf_rig_heat_step_s(const struct hf_rig *rig);

/* --- hazard.c --- */
double hf_rig_reference_find(const struct hf_rig *rig);
void hf_rig_prepare(struct hf_rig *rig); /* upholds invariant 1 */
void hf_rig_rate(struct hf_rig *rig);    /* upholds invariant 2 */
double hf_rig_drift_mhz(const struct hf_rig *rig);

/* What heat takes from the limit of a core, MHz: at a temperature, and in each slice as things are now. */
double hf_rig_core_loss_mhz(const struct hf_rig_core *core, double celsius);
void hf_rig_core_losses(const struct hf_rig *rig, int group, const struct hf_rig_core *core,
                        double *ret_loss_mhz);

/* A term's rate with losses per slice and the shift of the limit by frailty and drift: its logarithm without
 * the cap, and with the cap. */
double hf_rig_term_log_rate(const struct hf_rig_term *term, const double *loss_mhz, double shift_mhz);
double hf_rig_term_per_s(const struct hf_rig_term *term, const double *loss_mhz, double shift_mhz);

/* --- advance.c --- */
void hf_rig_drift_start(struct hf_rig *rig);

#endif
