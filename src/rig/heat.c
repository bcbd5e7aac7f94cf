/*
 * Temperatures: three thermal resistances in series, each with its own time constant (a Foster network),
 * ambient below. Core: its own power; die and sink: the package's. All values: engineering judgement (a large
 * package under strong cooling); that the edge falls with temperature, and by how much: Zu et al. 2015,
 * Bowman et al.
 */
#include "rig/model.h"

#include <assert.h>
#include <math.h>

#define CORE_K_PER_W 0.9
#define CORE_S       8e-3
#define DIE_K_PER_W  0.06
#define DIE_S        1.2
#define SINK_K_PER_W 0.10
#define SINK_S       90.0
#define SENSOR_S     30e-3

#define HOT_ABOVE_C    60.0
#define LOSS_MHZ_PER_K 1.3

/* Slices last 0.5 to 2 s: on average the die goes 0.4 of the way from the mix's mean to the slice's own
 * level, 1 - x (1 - exp(-1/x)) with x = die time constant / mean slice. */
#define DIE_SWING_SHARE 0.4

#define STILL_K 1.0 /* less than this to go: taken as steady; 1.3 MHz, a twentieth of a step */

double hf_rig_heat_loss_mhz(double celsius)
{
    return LOSS_MHZ_PER_K * fmax(0.0, celsius - HOT_ABOVE_C);
}

double hf_rig_steady_celsius(const struct hf_rig *rig, double core_w, double package_w)
{
    return rig->config.ambient_c +
           rig->config.heat_scale * ((SINK_K_PER_W + DIE_K_PER_W) * package_w + CORE_K_PER_W * core_w);
}

double hf_rig_core_celsius(const struct hf_rig *rig, int group)
{
    const struct hf_rig_heat *heat = &rig->heat;

    /* the core's own 8 ms are far below anything that counts faults: its level is taken as reached */
    return rig->config.ambient_c + heat->sink_k + heat->die_k +
           rig->config.heat_scale * CORE_K_PER_W * rig->group[group].core_w;
}

double hf_rig_slice_swing_c(double core_w, double core_average_w, double package_w, double package_average_w)
{
    return CORE_K_PER_W * (core_w - core_average_w) +
           DIE_SWING_SHARE * DIE_K_PER_W * (package_w - package_average_w);
}

void hf_rig_heat_reset(struct hf_rig *rig)
{
    rig->heat = (struct hf_rig_heat){.package_sensor_c = rig->config.ambient_c};
    for (int g = 0; g < rig->config.group_count; g++)
        rig->heat.sensor_c[g] = rig->config.ambient_c;
}

/* One stage: where it goes, and what its exponential adds to a lagging sensor that watches it. */
struct stage {
    double level_k; /* where it is going */
    double gap_k;   /* how far it still is, at the start */
    double time_s;
};

static double stage_move(const struct stage *stage, double seconds)
{
    return stage->level_k - stage->gap_k * exp(-seconds / stage->time_s);
}

/* Exact answer of a first-order sensor to a sum of exponentials: independent of how time is cut into pieces.
 */
static double sensor_move(double sensor_c, double ambient_c, const struct stage *stages, int count,
                          double seconds)
{
    double level = ambient_c, start = 0.0, tail = 0.0;

    for (int i = 0; i < count; i++) {
        double gain = stages[i].gap_k * stages[i].time_s / (stages[i].time_s - SENSOR_S);

        level += stages[i].level_k;
        start += gain;
        tail += gain * exp(-seconds / stages[i].time_s);
    }
    return level + (sensor_c - level + start) * exp(-seconds / SENSOR_S) - tail;
}

void hf_rig_heat_move(struct hf_rig *rig, double seconds)
{
    struct hf_rig_heat *heat = &rig->heat;
    double ambient = rig->config.ambient_c, scale = rig->config.heat_scale;
    struct stage stages[3];

    assert(rig->prepared && seconds >= 0.0);
    if (rig->config.simple)
        return;
    stages[0] = (struct stage){scale * SINK_K_PER_W * rig->package_w, 0, SINK_S};
    stages[1] = (struct stage){scale * DIE_K_PER_W * rig->package_w, 0, DIE_S};
    stages[0].gap_k = stages[0].level_k - heat->sink_k;
    stages[1].gap_k = stages[1].level_k - heat->die_k;
    heat->package_sensor_c = sensor_move(heat->package_sensor_c, ambient, stages, 2, seconds);
    for (int g = 0; g < rig->config.group_count; g++) {
        stages[2] = (struct stage){scale * CORE_K_PER_W * rig->group[g].core_w, 0, CORE_S};
        stages[2].gap_k = stages[2].level_k - heat->core_k[g];
        heat->sensor_c[g] = sensor_move(heat->sensor_c[g], ambient, stages, 3, seconds);
        heat->core_k[g] = stage_move(&stages[2], seconds);
    }
    heat->sink_k = stage_move(&stages[0], seconds);
    heat->die_k = stage_move(&stages[1], seconds);
}

static int heat_matters(const struct hf_rig *rig)
{
    double scale = rig->config.heat_scale;
    double now = rig->heat.sink_k + rig->heat.die_k;
    double later = scale * (SINK_K_PER_W + DIE_K_PER_W) * rig->package_w;
    double package = rig->config.ambient_c + fmax(now, later);

    if (rig->has_hot_cores)
        return 1;
    for (int g = 0; g < rig->config.group_count; g++) {
        const struct hf_rig_group *group = &rig->group[g];

        for (int i = 0; i < group->count; i++) {
            if (package + scale * CORE_K_PER_W * group->core_w + group->swing_c[i] > HOT_ABOVE_C)
                return 1;
        }
    }
    return 0;
}

double hf_rig_heat_step_s(const struct hf_rig *rig)
{
    double scale = rig->config.heat_scale;

    if (rig->config.simple || !heat_matters(rig))
        return INFINITY;
    if (fabs(scale * DIE_K_PER_W * rig->package_w - rig->heat.die_k) > STILL_K)
        return 0.5 * DIE_S;
    if (fabs(scale * SINK_K_PER_W * rig->package_w - rig->heat.sink_k) > STILL_K)
        return 0.5 * SINK_S;
    return INFINITY;
}

/* Whole degrees, as the usual on-die sensors show them. */
double hf_rig_group_celsius(const struct hf_rig *rig, int group)
{
    assert(group >= 0 && group < rig->config.group_count);
    return floor(rig->heat.sensor_c[group] + 0.5);
}

double hf_rig_package_celsius(const struct hf_rig *rig)
{
    return floor(rig->heat.package_sensor_c + 0.5);
}
