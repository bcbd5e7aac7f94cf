/*
 * Time. hf_rig_advance cuts it into sub-steps only where the hazard changes by itself: at the corners of the
 * drift's path, and while temperatures move. Within a sub-step the logarithm of the hazard is taken as a
 * straight line, which makes both its integral and the moment of the fault closed forms.
 */
#include "rig/model.h"

#include <assert.h>
#include <math.h>

#define DRIFT_GRID_S    300.0 /* the drift's path has a corner so often, and is straight between: 1.7 MHz */
#define DRIFT_BOUND_MHZ 15.0

/* --- drift: a random walk of the whole chip's limit, reflected at the bound --- */

static double reflect(double value)
{
    while (value > DRIFT_BOUND_MHZ || value < -DRIFT_BOUND_MHZ)
        value = (value > 0 ? 2 : -2) * DRIFT_BOUND_MHZ - value;
    return value;
}

static void drift_next(struct hf_rig *rig)
{
    double sd = rig->config.drift_mhz * sqrt(DRIFT_GRID_S / 3600.0);

    rig->drift_low = rig->drift_high;
    rig->drift_high = reflect(rig->drift_low + sd * hf_random_normal(&rig->drift_random));
}

void hf_rig_drift_start(struct hf_rig *rig)
{
    hf_random_init(&rig->drift_random, rig->config.seed, (uint64_t)HF_RIG_STREAM_DRIFT << 32);
    rig->drift_index = 0;
    rig->drift_high = 0.0;
    drift_next(rig);
}

double hf_rig_drift_mhz(const struct hf_rig *rig)
{
    double along = rig->now_s / DRIFT_GRID_S - (double)rig->drift_index;

    return rig->drift_low + fmin(1.0, fmax(0.0, along)) * (rig->drift_high - rig->drift_low);
}

static double drift_corner_s(const struct hf_rig *rig)
{
    return (double)(rig->drift_index + 1) * DRIFT_GRID_S;
}

/* --- one sub-step --- */

/* Everything that moves by itself, by `seconds`; must not pass the next corner of the drift. */
static void move(struct hf_rig *rig, double seconds)
{
    hf_rig_heat_move(rig, seconds);
    rig->now_s += seconds;
    if (rig->now_s >= drift_corner_s(rig) - 1e-6) {
        rig->drift_index++;
        drift_next(rig);
    }
    rig->rated = 0;
}

static double sub_step_s(const struct hf_rig *rig, double left_s)
{
    double seconds = fmin(left_s, drift_corner_s(rig) - rig->now_s);

    for (int g = 0; g < rig->config.group_count; g++)
        seconds = fmin(seconds, rig->group[g].lost_at_s - rig->now_s);
    return fmax(0.0, fmin(seconds, hf_rig_heat_step_s(rig)));
}

/* Integral of a rate that goes from `start` to `end` on a straight line of its logarithm. */
static double integral(double start, double end, double seconds)
{
    double bend = start > 0.0 && end > 0.0 ? log(end / start) : 0.0;

    if (fabs(bend) < 1e-6)
        return 0.5 * (start + end) * seconds;
    return (end - start) / bend * seconds;
}

/* The moment at which that integral reaches `wanted`. */
static double moment(double start, double end, double seconds, double wanted)
{
    double bend = start > 0.0 && end > 0.0 ? log(end / start) : 0.0;
    double at;

    if (fabs(bend) < 1e-6)
        at = wanted / (0.5 * (start + end));
    else
        at = seconds / bend * log1p(wanted * bend / (start * seconds));
    return fmin(seconds, fmax(0.0, at));
}

/* --- what kind of fault --- */

/* Shares of wrong-result, corrected, worker-died, hang, reset by distance above the edge, vector load. That
 * silent errors come first and crashes dominate further up: Papadimitriou et al. 2017, 2019; the numbers are
 * engineering judgement. */
static const double kind_shares[4][5] = {
    {0.55, 0.15, 0.12, 0.06, 0.12}, /* below the edge */
    {0.45, 0.10, 0.17, 0.08, 0.20}, /* 0 to 2 steps above */
    {0.25, 0.05, 0.20, 0.15, 0.35}, /* 2 to 4 */
    {0.08, 0.02, 0.10, 0.20, 0.60}, /* more */
};

static const enum hf_damage_kind kinds[5] = {HF_DAMAGE_WRONG_RESULT, HF_DAMAGE_CORRECTED,
                                             HF_DAMAGE_WORKER_DIED, HF_DAMAGE_HANG, HF_DAMAGE_RESET};

/* Scalar state holds addresses and loop counts: this share of the wrong results kills the process instead.
 * Engineering judgement. */
#define SCALAR_DIES_SHARE 0.2

static int is_vector(enum hf_load_class load_class)
{
    switch (load_class) {
    case HF_LOAD_CRYPTO:
    case HF_LOAD_VECTOR_INT:
    case HF_LOAD_FMA_128:
    case HF_LOAD_FMA_256:
    case HF_LOAD_FMA_512:
    case HF_LOAD_GATHER:
        return 1;
    default:
        return 0;
    }
}

static enum hf_damage_kind draw_kind(struct hf_random *random, double above_steps,
                                     enum hf_load_class load_class)
{
    int row = above_steps < 0.0 ? 0 : above_steps < 2.0 ? 1 : above_steps < 4.0 ? 2 : 3;
    double at = hf_random_uniform(random);
    double other = hf_random_uniform(random);
    int i = 0;

    while (i < 4 && at >= kind_shares[row][i])
        at -= kind_shares[row][i++];
    if (kinds[i] == HF_DAMAGE_WRONG_RESULT && !is_vector(load_class) && other < SCALAR_DIES_SHARE)
        return HF_DAMAGE_WORKER_DIED;
    return kinds[i];
}

/* An index drawn in proportion to weights that add up to sum. */
static int draw_index(struct hf_random *random, const double *weights, int count, double sum)
{
    double at = hf_random_uniform(random) * sum;
    int last = 0;

    for (int i = 0; i < count; i++) {
        if (weights[i] <= 0.0)
            continue;
        last = i;
        if (at < weights[i])
            break;
        at -= weights[i];
    }
    return last;
}

static void draw_fault(struct hf_rig *rig, struct hf_rig_fault *ret_fault)
{
    double loss[HF_RIG_SLICES_MAX], weights[HF_RIG_TERMS_MAX];
    const struct hf_rig_term *terms, *term;
    int core = draw_index(&rig->fault_random, rig->core_per_s, rig->core_count, rig->total_per_s);
    int group = core / rig->config.cores_per_group;
    double shift = rig->group[group].frailty_mhz + hf_rig_drift_mhz(rig);

    assert(rig->rated);
    terms = &rig->term[core * HF_RIG_TERMS_MAX];
    hf_rig_core_losses(rig, group, &rig->core[core], loss);
    for (int t = 0; t < rig->term_count[core]; t++)
        weights[t] = hf_rig_term_per_s(&terms[t], loss, shift);
    term = &terms[draw_index(&rig->fault_random, weights, rig->term_count[core], rig->core_per_s[core])];
    ret_fault->group = group;
    ret_fault->core = core % rig->config.cores_per_group;
    ret_fault->load_class = term->load_class;
    ret_fault->above_steps = term->slice < 0
                                 ? -1.0
                                 : (hf_rig_term_log_rate(term, loss, shift) - term->log_share + log(60.0)) /
                                       (term->nats_per_mhz * 25.0);
    ret_fault->kind = draw_kind(&rig->fault_random, ret_fault->above_steps, term->load_class);
}

/* --- the whole --- */

/* A setting that did not stay: the group falls to the lowest clock. 1 when one fell now. */
static int lose_settings(struct hf_rig *rig)
{
    int lost = 0;

    for (int g = 0; g < rig->config.group_count; g++) {
        struct hf_rig_group *group = &rig->group[g];

        if (rig->now_s < group->lost_at_s - 1e-9)
            continue;
        group->lost_at_s = INFINITY;
        group->step = 0;
        rig->prepared = rig->rated = 0;
        lost = 1;
    }
    return lost;
}

/* Takes the sub-step of `seconds`, or the part of it up to the first fault. 1 when there was one. */
static int take_sub_step(struct hf_rig *rig, double seconds, double *ret_moved_s)
{
    struct hf_rig_heat heat = rig->heat;
    struct hf_random drift_random = rig->drift_random;
    double drift[2] = {rig->drift_low, rig->drift_high};
    int64_t index = rig->drift_index;
    double began_s = rig->now_s, start = rig->total_per_s, hazard;

    assert(rig->rated && rig->threshold > 0.0);
    move(rig, seconds);
    hf_rig_rate(rig);
    hazard = integral(start, rig->total_per_s, seconds);
    *ret_moved_s = seconds;
    if (hazard < rig->threshold) {
        rig->threshold -= hazard;
        return 0;
    }
    *ret_moved_s = moment(start, rig->total_per_s, seconds, rig->threshold);
    rig->heat = heat; /* back, and forward again to the moment of the fault */
    rig->drift_random = drift_random;
    rig->drift_low = drift[0];
    rig->drift_high = drift[1];
    rig->drift_index = index;
    rig->now_s = began_s;
    move(rig, *ret_moved_s);
    hf_rig_rate(rig);
    return 1;
}

double hf_rig_advance(struct hf_rig *rig, double horizon_s, struct hf_rig_fault *ret_fault)
{
    double moved_s = 0.0, step_s;

    assert(horizon_s >= 0.0 && isfinite(horizon_s));
    *ret_fault = (struct hf_rig_fault){.kind = HF_DAMAGE_NONE, .group = -1, .core = -1};
    while (moved_s < horizon_s) {
        double left_s = horizon_s - moved_s, wanted_s;

        hf_rig_rate(rig);
        wanted_s = sub_step_s(rig, left_s);
        if (take_sub_step(rig, wanted_s, &step_s)) {
            rig->threshold = hf_random_exponential(&rig->fault_random);
            draw_fault(rig, ret_fault);
            ret_fault->after_s = moved_s + step_s;
            return ret_fault->after_s;
        }
        moved_s = step_s >= left_s ? horizon_s : moved_s + step_s;
        if (lose_settings(rig))
            break;
    }
    return moved_s;
}
