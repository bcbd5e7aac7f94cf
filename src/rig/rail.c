/*
 * The shared supply: currents, steady droop, and the transient droop of loads that switch.
 *
 * Steady droop is resistance times current: one part common to all groups, one of the group's own. Transient
 * droop is the answer of three damped resonances (package and die; package and board; board and regulator) to
 * the swing of current: Reddi et al. 2010 (MICRO), Kim et al. 2012 (MICRO), Bertran et al. 2014 (MICRO)
 * describe and measure them. The particular values of resistances, amplitudes and Q are engineering judgement
 * unless said.
 */
#include "rig/model.h"

#include <assert.h>
#include <math.h>

#define SHARED_MOHM  0.20        /* engineering judgement: load line of a many-core supply */
#define OWN_MOHM     0.60        /* engineering judgement: the group's part of the grid */
#define RAIL_V       1.20        /* engineering judgement: only powers depend on it */
#define FULL_SWING_A (4.2 - 0.2) /* of one core: idle to the widest multiply-add */
#define EDGE_SKEW_S                                                                                          \
    20e-9                /* how well cores can be made to switch together; engineering judgement after       \
                            Kim et al. 2012: below a microsecond alignment cannot be commanded */
#define OTHERS_SHARE 0.3 /* of the two smaller resonances; engineering judgement */
#define HARMONICS    16

static const double pi = 3.14159265358979323846;

struct resonance {
    double hz;
    double q;
    double droop_mv; /* every core swinging fully, at the resonance */
};

/* First, second and third droop. Frequencies: after Reddi et al. 2010 and Kim et al. 2012 (from memory: some
 * 100 MHz, some MHz, some 100 kHz). Q and amplitude: engineering judgement. */
static const struct resonance resonances[HF_RIG_RESONANCES] = {
    {80e6, 3.5, 45.0},
    {2.5e6, 2.2, 38.0},
    {120e3, 1.3, 30.0},
};

struct load_properties {
    double offset_mhz; /* of the edge against the reference load */
    double current_a;  /* of one core at the edge clock */
};

/* Offsets: the order (multiply-add worst, then wide integer, crypto, multiply; light scalar best) is that of
 * the errors in Hochschild et al. 2021, Wang et al. 2023 and of the margins in Papadimitriou et al. 2017,
 * 2019 and Koutsovasilis et al.; the sizes are engineering judgement, as are the currents. */
static const struct load_properties properties[HF_LOAD_COUNT] = {
    [HF_LOAD_IDLE] = {0, 0.2},      [HF_LOAD_SCALAR] = {25, 1.6},      [HF_LOAD_MULTIPLY] = {-10, 1.8},
    [HF_LOAD_CRYPTO] = {-20, 2.0},  [HF_LOAD_VECTOR_INT] = {-30, 2.8}, [HF_LOAD_FMA_128] = {-15, 2.2},
    [HF_LOAD_FMA_256] = {-40, 3.4}, [HF_LOAD_FMA_512] = {-65, 4.2},    [HF_LOAD_GATHER] = {-10, 1.8},
    [HF_LOAD_MEMORY] = {0, 1.4},    [HF_LOAD_ATOMIC] = {10, 1.2},
};

double hf_rig_class_offset_mhz(enum hf_load_class load_class)
{
    assert((unsigned)load_class < HF_LOAD_COUNT);
    return properties[load_class].offset_mhz;
}

double hf_rig_nominal_mhz(const struct hf_rig *rig, int step)
{
    return rig->config.lowest_mhz + step * rig->config.step_mhz;
}

/* Amplitude of a series resonance off its peak, relative to the peak. */
static double off_peak(double q, double ratio)
{
    double detune = q * (ratio - 1.0 / ratio);

    return 1.0 / sqrt(1.0 + detune * detune);
}

/*
 * How much of the resonance's full droop an on/off pattern excites. Two ways in: a harmonic of the pattern
 * lies near the resonance (amplitude |sin(n pi duty)| / n of a rectangular wave against a square wave at its
 * base), or the pattern is slow and every switch-on rings by itself: the first minimum of a step against the
 * resonance driven to its full swing, pi/(2Q) exp(-pi/(4Q)).
 */
static double pattern_response(const struct resonance *resonance, double period_s, double duty)
{
    double best = 0.0;

    for (int n = 1; n <= HARMONICS; n++) {
        double share = fabs(sin(n * pi * duty)) / n;
        double answer = share * off_peak(resonance->q, n / (period_s * resonance->hz));

        best = fmax(best, answer);
    }
    if (period_s * resonance->hz > 1.0) {
        double step = pi / (2.0 * resonance->q) * exp(-pi / (4.0 * resonance->q));

        best = fmax(best, step * (1.0 - exp(1.0 - period_s * resonance->hz)));
    }
    return best;
}

void hf_rig_slice_prepare(const struct hf_load_slice *from, struct hf_rig_slice *ret_slice)
{
    *ret_slice = (struct hf_rig_slice){.load = from->load, .weight = from->weight};
    if (!(from->load.period_s > 0.0) || from->load.duty >= 1.0)
        return;
    for (int r = 0; r < HF_RIG_RESONANCES; r++) {
        double phase = 2.0 * pi * resonances[r].hz * EDGE_SKEW_S;

        ret_slice->response[r] = pattern_response(&resonances[r], from->load.period_s, from->load.duty);
        ret_slice->coherence[r] = from->load.in_step ? exp(-0.5 * phase * phase) : 0.0;
    }
}

/* Currents of one core in a slice. Dynamic current grows with the clock. */
struct currents {
    double on_a;
    double average_a;
    double settled_a; /* while on, once the transient is over */
    double swing_a;   /* 0 when the load does not switch */
};

static struct currents slice_currents(const struct hf_rig *rig, const struct hf_rig_slice *slice, double mhz)
{
    const double idle_a = properties[HF_LOAD_IDLE].current_a;
    double scale = mhz / rig->config.edge_mhz;
    struct currents now;
    double slow;

    now.on_a = slice->load.load_class == HF_LOAD_IDLE ? idle_a
                                                      : properties[slice->load.load_class].current_a * scale;
    now.average_a = slice->load.duty * now.on_a + (1.0 - slice->load.duty) * idle_a;
    now.settled_a = now.average_a;
    now.swing_a = 0.0;
    if (slice->load.period_s > 0.0 && slice->load.duty < 1.0) {
        now.swing_a = now.on_a - idle_a;
        /* what is faster than the slowest resonance the supply only sees as an average */
        slow = slice->load.period_s * resonances[HF_RIG_RESONANCES - 1].hz;
        if (slice->load.in_step)
            now.settled_a += slow * slow / (1.0 + slow * slow) * (now.on_a - now.average_a);
    }
    return now;
}

/* Of all cores of a group: those that work, and those that idle beside them. */
static double group_sum(const struct hf_rig *rig, int working, double work, double idle)
{
    return working * work + (rig->config.cores_per_group - working) * idle;
}

double hf_rig_own_droop_mv(const struct hf_rig *rig, const struct hf_rig_slice *slice, double mhz,
                           int working)
{
    return OWN_MOHM * group_sum(rig, working, slice_currents(rig, slice, mhz).settled_a,
                                properties[HF_LOAD_IDLE].current_a);
}

double hf_rig_slice_core_w(const struct hf_rig *rig, const struct hf_rig_slice *slice, double mhz)
{
    return RAIL_V * slice_currents(rig, slice, mhz).average_a;
}

double hf_rig_scene_core_w(const struct hf_rig *rig, const struct hf_rig_scene *scene, int group)
{
    double watts = 0.0;

    if (scene->count[group] == 0)
        return RAIL_V * properties[HF_LOAD_IDLE].current_a;
    for (int i = 0; i < scene->count[group]; i++) {
        const struct hf_rig_slice *slice = &scene->slices[group][i];

        watts += slice->weight * hf_rig_slice_core_w(rig, slice, scene->mhz[group]);
    }
    return watts;
}

double hf_rig_scene_group_w(const struct hf_rig *rig, const struct hf_rig_scene *scene, int group)
{
    return group_sum(rig, scene->working[group], hf_rig_scene_core_w(rig, scene, group),
                     RAIL_V * properties[HF_LOAD_IDLE].current_a);
}

/* Sums over the groups during one slice. */
struct rail_sums {
    double shared_a;
    double watts;
    double coherent[HF_RIG_RESONANCES]; /* amperes that swing together, weighted by the pattern's response */
    double incoherent[HF_RIG_RESONANCES]; /* sum of squares of those that do not */
    double shortest_period_s;             /* of what excites most: unused until something swings */
};

static void sums_add_group(struct rail_sums *sums, const struct hf_rig *rig, const struct hf_rig_slice *slice,
                           double mhz, int working)
{
    const double idle_a = properties[HF_LOAD_IDLE].current_a;
    struct currents now = slice_currents(rig, slice, mhz);

    sums->shared_a += group_sum(rig, working, now.settled_a, idle_a);
    sums->watts += RAIL_V * group_sum(rig, working, now.average_a, idle_a);
    if (now.swing_a <= 0.0)
        return;
    for (int r = 0; r < HF_RIG_RESONANCES; r++) {
        double amperes = now.swing_a * slice->response[r];
        double together = slice->coherence[r];

        sums->coherent[r] += working * amperes * together;
        sums->incoherent[r] += working * amperes * amperes * (1.0 - together * together);
    }
    sums->shortest_period_s = fmin(sums->shortest_period_s, slice->load.period_s);
}

/* The largest of the three resonances and a share of the others. */
static void sums_transient(const struct rail_sums *sums, const struct hf_rig *rig, double *ret_mv,
                           double *ret_share)
{
    double full_a = rig->core_count * FULL_SWING_A;
    double droop[HF_RIG_RESONANCES], sum = 0.0;
    int top = 0;

    for (int r = 0; r < HF_RIG_RESONANCES; r++) {
        double swing = hypot(sums->coherent[r], sqrt(sums->incoherent[r]));

        droop[r] = resonances[r].droop_mv * swing / full_a;
        sum += droop[r];
        if (droop[r] > droop[top])
            top = r;
    }
    *ret_mv = droop[top] + OTHERS_SHARE * (sum - droop[top]);
    *ret_share = 0.0;
    if (sum > 0.0) /* the lower half wave, once a period */
        *ret_share = fmin(0.5, 0.5 / (resonances[top].hz * sums->shortest_period_s));
}

void hf_rig_rail_compute(const struct hf_rig *rig, const struct hf_rig_scene *scene, int count,
                         struct hf_rig_rail *ret_rail)
{
    double apart_a = 0.0; /* groups that do not run the same slices: their average */
    int groups = rig->config.group_count;

    assert(count >= 0 && count <= HF_RIG_SLICES_MAX);
    for (int g = 0; g < groups; g++) {
        if (scene->count[g] != count)
            apart_a += hf_rig_scene_group_w(rig, scene, g) / RAIL_V;
    }
    ret_rail->count = count;
    for (int i = 0; i < count; i++) {
        struct rail_sums sums = {
            .shared_a = apart_a, .watts = apart_a * RAIL_V, .shortest_period_s = INFINITY};

        for (int g = 0; g < groups; g++) {
            if (scene->count[g] == count)
                sums_add_group(&sums, rig, &scene->slices[g][i], scene->mhz[g], scene->working[g]);
        }
        ret_rail->shared_mv[i] = SHARED_MOHM * sums.shared_a;
        ret_rail->package_w[i] = sums.watts;
        sums_transient(&sums, rig, &ret_rail->transient_mv[i], &ret_rail->edge_share[i]);
    }
}
