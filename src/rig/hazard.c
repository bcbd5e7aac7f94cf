/*
 * From clock, droop and heat to fault rates.
 *
 * A core under one kind of load, in one state of the rail, has a limit: the clock with one fault a minute.
 * Its rate grows by a constant factor a step: exp(slope x (clock - limit) / 25 MHz) a minute, capped. A mix
 * is the average of its slices' rates over time; each slice has up to two states, the settled rail and the
 * bottom of a transient droop. A `term` is one such state of one core.
 */
#include "rig/model.h"

#include <assert.h>
#include <math.h>

#define MHZ_PER_MV 4.0 /* engineering judgement: what a millivolt is worth on such a rail */
#define CAP_PER_S  20.0
#define FLAT_NATS_PER_MHZ                                                                                    \
    (0.1 / 25.0)           /* a defect, not a timing margin: Hochschild et al. 2021; engineering             \
                              judgement in size */
#define HOT_DROP_MHZ 150.0 /* engineering judgement: what a hot-triggered core loses, over some 4 K */
#define HOT_WIDTH_K  1.0
#define STRETCH_ROOM_MHZ                                                                                     \
    60.0 /* stretching begins this far below the weakest core's limit: engineering judgement */
#define STRETCH_SHARE    0.8
#define STRETCH_MOST_MHZ 80.0
#define REFERENCE_DRAWS  100

static const double seconds_per_minute = 60.0;

double hf_rig_law_per_minute(double mhz, double edge_mhz, double nats_per_25_mhz)
{
    return fmin(CAP_PER_S * seconds_per_minute, exp(nats_per_25_mhz * (mhz - edge_mhz) / 25.0));
}

/* --- what the cores of a group have in common --- */

static void view_slice(struct hf_rig_view *view, const struct hf_rig *rig, const struct hf_rig_slice *slice,
                       const struct hf_rig_rail *rail, int working, int i)
{
    const double per_mv = MHZ_PER_MV * rig->config.droop_scale;
    double edge = rig->config.simple ? 0.0 : fmin(rail->edge_share[i], slice->load.duty);
    double settled = (rig->config.simple ? 1.0 : slice->load.duty) - edge;

    view->load_class[i] = slice->load.load_class;
    view->settled_share[i] = slice->weight * settled;
    view->edge_share[i] = slice->weight * edge;
    view->limit_shift_mhz[i] = 0.0;
    view->transient_shift_mhz[i] = 0.0;
    if (rig->config.simple)
        return;
    view->limit_shift_mhz[i] =
        -per_mv * (rail->shared_mv[i] + hf_rig_own_droop_mv(rig, slice, view->nominal_mhz, working));
    view->transient_shift_mhz[i] = -per_mv * rail->transient_mv[i];
}

static void view_make(const struct hf_rig *rig, const struct hf_rig_scene *scene,
                      const struct hf_rig_rail *rail, int group, double package_average_w,
                      struct hf_rig_view *ret_view)
{
    double average_w = hf_rig_scene_core_w(rig, scene, group);

    assert(rail->count == scene->count[group]);
    ret_view->count = scene->count[group];
    ret_view->nominal_mhz = scene->mhz[group];
    ret_view->clock_mhz = scene->mhz[group];
    for (int i = 0; i < ret_view->count; i++) {
        const struct hf_rig_slice *slice = &scene->slices[group][i];

        view_slice(ret_view, rig, slice, rail, scene->working[group], i);
        ret_view->swing_c[i] =
            rig->config.heat_scale * hf_rig_slice_swing_c(hf_rig_slice_core_w(rig, slice, scene->mhz[group]),
                                                          average_w, rail->package_w[i], package_average_w);
    }
}

static double package_average(const struct hf_rig *rig, const struct hf_rig_scene *scene)
{
    double watts = 0.0;

    for (int g = 0; g < rig->config.group_count; g++)
        watts += hf_rig_scene_group_w(rig, scene, g);
    return watts;
}

/* --- one core --- */

/* The core's limit in a slice on the settled rail, cool. */
static double core_limit_mhz(const struct hf_rig *rig, const struct hf_rig_core *core,
                             const struct hf_rig_view *view, int i)
{
    double limit = rig->reference_mhz + core->offset_mhz;

    if (rig->config.simple)
        return limit;
    return limit + hf_rig_class_offset_mhz(view->load_class[i]) + core->class_mhz[view->load_class[i]] +
           view->limit_shift_mhz[i];
}

/* A clock generator that notices the droop slows all cores of its group: by a share of what the clock is
 * above a point just below the weakest core's limit, and no further than it can. */
static void view_stretch(const struct hf_rig *rig, int group, struct hf_rig_view *view)
{
    const struct hf_rig_core *core = &rig->core[group * rig->config.cores_per_group];
    double weakest = INFINITY;

    if (!rig->config.stretching)
        return;
    for (int c = 0; c < rig->config.cores_per_group; c++) {
        for (int i = 0; i < view->count; i++)
            weakest = fmin(weakest, core_limit_mhz(rig, &core[c], view, i));
    }
    if (view->nominal_mhz > weakest - STRETCH_ROOM_MHZ) {
        double wanted = STRETCH_SHARE * (view->nominal_mhz - weakest + STRETCH_ROOM_MHZ);

        view->clock_mhz = view->nominal_mhz - fmin(STRETCH_MOST_MHZ, wanted);
    }
}

static void term_add(struct hf_rig_term *terms, int *count, struct hf_rig_term term, double share,
                     double over_mhz)
{
    if (share <= 0.0)
        return;
    assert(*count < HF_RIG_TERMS_MAX);
    term.log_share = log(share);
    term.log_rate += term.nats_per_mhz * over_mhz + term.log_share;
    terms[(*count)++] = term;
}

static int core_terms(const struct hf_rig *rig, const struct hf_rig_core *core,
                      const struct hf_rig_view *view, struct hf_rig_term *terms)
{
    double split = rig->config.simple ? 1.0 / rig->config.cores_per_group : 1.0;
    double flat_share = 0.0;
    int count = 0;

    for (int i = 0; i < view->count; i++) {
        double over = view->clock_mhz - core_limit_mhz(rig, core, view, i);
        struct hf_rig_term term = {.log_rate = -log(seconds_per_minute),
                                   .nats_per_mhz = core->nats_per_mhz,
                                   .slice = i,
                                   .load_class = view->load_class[i]};

        if (view->load_class[i] == HF_LOAD_IDLE)
            continue; /* a sleeping core computes nothing that could go wrong */
        term_add(terms, &count, term, view->settled_share[i] * split, over);
        term_add(terms, &count, term, view->edge_share[i] * split, over - view->transient_shift_mhz[i]);
        if (view->load_class[i] == core->flat_class)
            flat_share += view->settled_share[i] + view->edge_share[i];
    }
    if (core->flat_per_s > 0.0) {
        struct hf_rig_term flat = {.log_rate = log(core->flat_per_s),
                                   .nats_per_mhz = FLAT_NATS_PER_MHZ,
                                   .slice = -1,
                                   .load_class = core->flat_class};

        term_add(terms, &count, flat, flat_share, view->clock_mhz - rig->config.edge_mhz);
    }
    return count;
}

double hf_rig_core_loss_mhz(const struct hf_rig_core *core, double celsius)
{
    double loss = hf_rig_heat_loss_mhz(celsius);

    if (core->hot_trigger_c > 0.0)
        loss += HOT_DROP_MHZ / (1.0 + exp((core->hot_trigger_c - celsius) / HOT_WIDTH_K));
    return loss;
}

double hf_rig_term_log_rate(const struct hf_rig_term *term, const double *loss_mhz, double shift_mhz)
{
    if (term->slice < 0)
        return term->log_rate;
    return term->log_rate + term->nats_per_mhz * (loss_mhz[term->slice] - shift_mhz);
}

double hf_rig_term_per_s(const struct hf_rig_term *term, const double *loss_mhz, double shift_mhz)
{
    const double log_cap = 2.995732273553991; /* ln CAP_PER_S */

    return exp(fmin(hf_rig_term_log_rate(term, loss_mhz, shift_mhz), log_cap + term->log_share));
}

static double terms_per_s(const struct hf_rig_term *terms, int count, const double *loss_mhz,
                          double shift_mhz)
{
    double rate = 0.0;

    for (int t = 0; t < count; t++)
        rate += hf_rig_term_per_s(&terms[t], loss_mhz, shift_mhz);
    return rate;
}

/* --- the present --- */

static void scene_now(const struct hf_rig *rig, struct hf_rig_scene *ret_scene)
{
    for (int g = 0; g < rig->config.group_count; g++) {
        ret_scene->slices[g] = rig->group[g].slices;
        ret_scene->count[g] = rig->group[g].count;
        ret_scene->mhz[g] = hf_rig_nominal_mhz(rig, rig->group[g].step);
        ret_scene->working[g] = __builtin_popcount(rig->group[g].working);
    }
}

static void prepare_group(struct hf_rig *rig, int g, struct hf_rig_view *view)
{
    struct hf_rig_group *group = &rig->group[g];

    view_stretch(rig, g, view);
    group->clock_mhz = view->clock_mhz;
    for (int i = 0; i < view->count; i++)
        group->swing_c[i] = view->swing_c[i];
    for (int c = 0; c < rig->config.cores_per_group; c++) {
        int core = g * rig->config.cores_per_group + c;

        rig->term_count[core] = 0; /* a core that idles computes nothing that could go wrong */
        if (group->working >> c & 1)
            rig->term_count[core] =
                core_terms(rig, &rig->core[core], view, &rig->term[core * HF_RIG_TERMS_MAX]);
    }
}

void hf_rig_prepare(struct hf_rig *rig)
{
    struct hf_rig_scene scene;
    struct hf_rig_rail rail = {.count = -1};
    struct hf_rig_view view;

    if (rig->prepared)
        return;
    scene_now(rig, &scene);
    rig->package_w = package_average(rig, &scene);
    for (int g = 0; g < rig->config.group_count; g++) {
        rig->group[g].core_w = hf_rig_scene_core_w(rig, &scene, g);
        if (rail.count != scene.count[g])
            hf_rig_rail_compute(rig, &scene, scene.count[g], &rail);
        view_make(rig, &scene, &rail, g, rig->package_w, &view);
        prepare_group(rig, g, &view);
    }
    rig->prepared = 1;
    rig->rated = 0;
}

void hf_rig_core_losses(const struct hf_rig *rig, int g, const struct hf_rig_core *core, double *ret_loss_mhz)
{
    double celsius = hf_rig_core_celsius(rig, g);

    for (int i = 0; i < rig->group[g].count; i++) {
        ret_loss_mhz[i] =
            rig->config.simple ? 0.0 : hf_rig_core_loss_mhz(core, celsius + rig->group[g].swing_c[i]);
    }
}

static double rate_group(struct hf_rig *rig, int g)
{
    static const struct hf_rig_core plain;
    double shift = rig->group[g].frailty_mhz + hf_rig_drift_mhz(rig);
    double loss[HF_RIG_SLICES_MAX], own_loss[HF_RIG_SLICES_MAX];
    double sum = 0.0;

    hf_rig_core_losses(rig, g, &plain, loss);
    for (int c = 0; c < rig->config.cores_per_group; c++) { /* an idle group has no terms: its cores get 0 */
        int core = g * rig->config.cores_per_group + c;
        const double *used = loss;

        if (rig->core[core].hot_trigger_c > 0.0) {
            hf_rig_core_losses(rig, g, &rig->core[core], own_loss);
            used = own_loss;
        }
        rig->core_per_s[core] =
            rig->group[g].silent
                ? 0.0
                : terms_per_s(&rig->term[core * HF_RIG_TERMS_MAX], rig->term_count[core], used, shift);
        sum += rig->core_per_s[core];
    }
    return sum;
}

void hf_rig_rate(struct hf_rig *rig)
{
    hf_rig_prepare(rig);
    if (rig->rated)
        return;
    rig->total_per_s = 0.0;
    for (int g = 0; g < rig->config.group_count; g++) {
        rig->group[g].rate_per_s = rate_group(rig, g);
        rig->total_per_s += rig->group[g].rate_per_s;
    }
    rig->rated = 1;
}

double hf_rig_present_rate_per_hour(struct hf_rig *rig, int group)
{
    assert(group >= 0 && group < rig->config.group_count);
    hf_rig_rate(rig);
    return 3600.0 * rig->group[group].rate_per_s;
}

double hf_rig_group_mhz(const struct hf_rig *rig, int group)
{
    struct hf_rig_scene scene;
    struct hf_rig_rail rail;
    struct hf_rig_view view;

    assert(group >= 0 && group < rig->config.group_count);
    if (rig->prepared)
        return rig->group[group].clock_mhz;
    scene_now(rig, &scene);
    hf_rig_rail_compute(rig, &scene, scene.count[group], &rail);
    view_make(rig, &scene, &rail, group, package_average(rig, &scene), &view);
    view_stretch(rig, group, &view);
    return view.clock_mhz;
}

/* --- the truth --- */

/* The losses of a core in each slice at steady temperature. */
static void steady_losses(const struct hf_rig *rig, const struct hf_rig_core *core,
                          const struct hf_rig_view *view, double celsius, double *ret_loss_mhz)
{
    for (int i = 0; i < view->count; i++)
        ret_loss_mhz[i] = rig->config.simple ? 0.0 : hf_rig_core_loss_mhz(core, celsius + view->swing_c[i]);
}

static double steady_group_per_s(const struct hf_rig *rig, const struct hf_rig_scene *scene, int group)
{
    struct hf_rig_rail rail;
    struct hf_rig_view view;
    struct hf_rig_term terms[HF_RIG_TERMS_MAX];
    double loss[HF_RIG_SLICES_MAX];
    double package_w = package_average(rig, scene);
    double celsius = hf_rig_steady_celsius(rig, hf_rig_scene_core_w(rig, scene, group), package_w);
    double rate = 0.0;

    hf_rig_rail_compute(rig, scene, scene->count[group], &rail);
    view_make(rig, scene, &rail, group, package_w, &view);
    view_stretch(rig, group, &view);
    for (int c = 0; c < rig->config.cores_per_group; c++) {
        const struct hf_rig_core *core = &rig->core[group * rig->config.cores_per_group + c];
        int count = core_terms(rig, core, &view, terms);

        steady_losses(rig, core, &view, celsius, loss);
        rate += terms_per_s(terms, count, loss, 0.0);
    }
    return rate;
}

/* Every group runs these slices, at its present step. */
static void scene_of_mix(const struct hf_rig *rig, const struct hf_rig_slice *slices, int count,
                         struct hf_rig_scene *ret_scene)
{
    for (int g = 0; g < rig->config.group_count; g++) {
        ret_scene->slices[g] = slices;
        ret_scene->count[g] = count;
        ret_scene->mhz[g] = hf_rig_nominal_mhz(rig, rig->group[g].step);
        ret_scene->working[g] = rig->config.cores_per_group;
    }
}

static void mix_prepare(const struct hf_load_slice *from, int count, struct hf_rig_slice *ret_slices)
{
    assert(count >= 0 && count <= HF_RIG_SLICES_MAX);
    for (int i = 0; i < count; i++)
        hf_rig_slice_prepare(&from[i], &ret_slices[i]);
}

double hf_rig_true_rate_per_hour(const struct hf_rig *rig, int group, int step,
                                 const struct hf_load_slice *slices, int count)
{
    struct hf_rig_slice prepared[HF_RIG_SLICES_MAX];
    struct hf_rig_scene scene;

    assert(group >= 0 && group < rig->config.group_count);
    mix_prepare(slices, count, prepared);
    scene_of_mix(rig, prepared, count, &scene);
    scene.mhz[group] = hf_rig_nominal_mhz(rig, step);
    return 3600.0 * steady_group_per_s(rig, &scene, group);
}

int hf_rig_true_limit(const struct hf_rig *rig, int group, double rate_per_hour,
                      const struct hf_load_slice *slices, int count)
{
    struct hf_rig_slice prepared[HF_RIG_SLICES_MAX];
    struct hf_rig_scene scene;
    int good = -1, bad = rig->config.step_count;

    assert(group >= 0 && group < rig->config.group_count);
    mix_prepare(slices, count, prepared);
    scene_of_mix(rig, prepared, count, &scene);
    while (bad - good > 1) { /* the rate never falls with the step */
        int middle = good + (bad - good) / 2;

        scene.mhz[group] = hf_rig_nominal_mhz(rig, middle);
        if (3600.0 * steady_group_per_s(rig, &scene, group) <= rate_per_hour)
            good = middle;
        else
            bad = middle;
    }
    return good;
}

/* --- the reference --- */

/* ln of the faults a minute of a group of average chip, all else drawn, averaged over draws that belong to
 * the configuration and not to the seed. */
static double mean_log_rate(const struct hf_rig *rig, const struct hf_rig_view *view, double celsius)
{
    const struct hf_rig_config *config = &rig->config;
    struct hf_rig_core core = {.nats_per_mhz = config->slope_nats / 25.0};
    struct hf_rig_term terms[HF_RIG_TERMS_MAX];
    struct hf_random random;
    double loss[HF_RIG_SLICES_MAX], sum = 0.0;

    hf_random_init(&random, 0, (uint64_t)HF_RIG_STREAM_REFERENCE << 32);
    steady_losses(rig, &core, view, celsius, loss);
    for (int draw = 0; draw < REFERENCE_DRAWS; draw++) {
        double rate = 0.0;

        for (int c = 0; c < config->cores_per_group; c++) {
            int count;

            core.offset_mhz = config->core_sd_mhz * hf_random_normal(&random);
            for (int k = 0; k < HF_LOAD_COUNT; k++)
                core.class_mhz[k] = config->class_sd_mhz * hf_random_normal(&random);
            count = core_terms(rig, &core, view, terms);
            for (int t = 0; t < count;
                 t++) /* without the cap: the clock asked about lies far above the edge */
                rate += exp(hf_rig_term_log_rate(&terms[t], loss, 0.0));
        }
        sum += log(rate * seconds_per_minute);
    }
    return sum / REFERENCE_DRAWS;
}

/* The reference for which the edge under the night mix, all groups together, lies at edge_mhz on average.
 * rig->reference_mhz must be edge_mhz on entry. */
double hf_rig_reference_find(const struct hf_rig *rig)
{
    struct hf_rig_slice prepared[HF_RIG_SLICES_MAX];
    struct hf_rig_scene scene;
    struct hf_rig_rail rail;
    struct hf_rig_view view;
    double package_w, celsius;
    int count;
    const struct hf_load_slice *night = hf_rig_night_mix(&count);

    assert(rig->reference_mhz == rig->config.edge_mhz);
    mix_prepare(night, count, prepared);
    scene_of_mix(rig, prepared, count, &scene);
    for (int g = 0; g < rig->config.group_count; g++)
        scene.mhz[g] = rig->config.edge_mhz;
    package_w = package_average(rig, &scene);
    celsius = hf_rig_steady_celsius(rig, hf_rig_scene_core_w(rig, &scene, 0), package_w);
    hf_rig_rail_compute(rig, &scene, count, &rail);
    view_make(rig, &scene, &rail, 0, package_w, &view);
    return rig->config.edge_mhz + 25.0 / rig->config.slope_nats * mean_log_rate(rig, &view, celsius);
}
