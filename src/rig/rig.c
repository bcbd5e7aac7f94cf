#include "rig/model.h"

#include <assert.h>
#include <math.h>

#include "base/memory.h"

#define HOT_TRIGGER_LOW_C  50.0 /* engineering judgement: reached when all groups work, not by one alone */
#define HOT_TRIGGER_HIGH_C 56.0
#define FLAT_MEDIAN_PER_H                                                                                    \
    0.1 /* engineering judgement: some hours to days between faults of a defective core */
#define FLAT_LOG_SD  1.0
#define LOST_AFTER_S 30.0 /* a setting that will not stay is gone this long after it was made */

void hf_rig_config_default(struct hf_rig_config *config)
{
    int groups = config->group_count, cores = config->cores_per_group;

    *config = (struct hf_rig_config){
        .group_count = groups > 0 ? groups : 8,
        .cores_per_group = cores > 0 ? cores : 8,
        .lowest_mhz = 3450.0,
        .step_mhz = 25.0,
        .step_count = 32,
        .edge_mhz = 4000.0,
        /* spreads: engineering judgement, so that worst and best group of a chip differ by 100 to 200 MHz
         * (common practice, no source); within-chip differences of margin: Papadimitriou et al. 2017,
         * Koutsovasilis et al. */
        .chip_sd_mhz = 60.0,
        .group_sd_mhz = 45.0,
        .core_sd_mhz = 28.0,
        .class_sd_mhz = 18.0,
        .slope_nats =
            1.5, /* Das et al. 2006, Ernst et al. 2003, Sarangi et al. 2008: a decade in 6 to 15 mV */
        .slope_chip_sd = 0.25, /* engineering judgement */
        .slope_core_sd = 0.10, /* engineering judgement */
        .frailty_mhz = 12.0,   /* engineering judgement */
        .drift_mhz = 6.0,      /* engineering judgement */
        .ambient_c = 25.0,
        .droop_scale = 1.0,
        .heat_scale = 1.0,
        .seed = 1,
    };
}

/* --- checking the configuration --- */

struct range {
    const char *name;
    double value, low, high;
};

static int check_ranges(const struct range *ranges, size_t count, struct hf_error *error)
{
    for (size_t i = 0; i < count; i++) {
        if (!(ranges[i].value >= ranges[i].low && ranges[i].value <= ranges[i].high)) /* catches NAN too */
            return hf_fail(error, HF_E_RANGE, "rig: %s %g is out of range; allowed: %g to %g", ranges[i].name,
                           ranges[i].value, ranges[i].low, ranges[i].high);
    }
    return HF_OK;
}

static int config_check(const struct hf_rig_config *config, struct hf_error *error)
{
    int cores = config->group_count * config->cores_per_group;
    const struct range ranges[] = {
        {"group_count", config->group_count, 1, HF_RIG_GROUPS_MAX},
        {"cores_per_group", config->cores_per_group, 1, HF_RIG_CORES_MAX},
        {"lowest_mhz", config->lowest_mhz, 1, 20000},
        {"step_mhz", config->step_mhz, 0.1, 1000},
        {"step_count", config->step_count, 2, 512},
        {"edge_mhz", config->edge_mhz, 1, 20000},
        {"chip_sd_mhz", config->chip_sd_mhz, 0, 1000},
        {"group_sd_mhz", config->group_sd_mhz, 0, 1000},
        {"core_sd_mhz", config->core_sd_mhz, 0, 1000},
        {"class_sd_mhz", config->class_sd_mhz, 0, 1000},
        {"slope_nats", config->slope_nats, 0.05, 20},
        {"slope_chip_sd", config->slope_chip_sd, 0, 2},
        {"slope_core_sd", config->slope_core_sd, 0, 2},
        {"frailty_mhz", config->frailty_mhz, 0, 200},
        {"drift_mhz", config->drift_mhz, 0, 200},
        {"ambient_c", config->ambient_c, -40, 80},
        {"droop_scale", config->droop_scale, 0, 10},
        {"heat_scale", config->heat_scale, 0, 10},
        {"setting_lost_share", config->setting_lost_share, 0, 1},
        {"hot_cores", config->hot_cores, 0, cores},
        {"flat_cores", config->flat_cores, 0, cores},
        {"weak_units", config->weak_units, 0, cores},
        {"stretching", config->stretching, 0, 1},
        {"simple", config->simple, 0, 1},
    };

    return check_ranges(ranges, sizeof ranges / sizeof ranges[0], error);
}

/* --- the draw of a chip --- */

static void stream_init(struct hf_random *random, const struct hf_rig *rig, enum hf_rig_stream stream,
                        uint64_t below)
{
    hf_random_init(random, rig->config.seed, (uint64_t)stream << 32 | below);
}

/* A group's and a core's draws come from streams of their own: a rig with more groups has the same first
 * ones. */
static void draw_core(struct hf_rig *rig, struct hf_rig_core *core, int g, int c)
{
    struct hf_random random;

    stream_init(&random, rig, HF_RIG_STREAM_CORE, (uint64_t)g << 16 | (uint64_t)c);
    core->offset_mhz += rig->config.core_sd_mhz * hf_random_normal(&random);
    core->nats_per_mhz *= exp(rig->config.slope_core_sd * hf_random_normal(&random));
    for (int k = 0; k < HF_LOAD_COUNT; k++)
        core->class_mhz[k] = rig->config.class_sd_mhz * hf_random_normal(&random);
}

static void draw_group(struct hf_rig *rig, int g, double chip_mhz)
{
    struct hf_random random;
    double group_mhz, group_slope;

    stream_init(&random, rig, HF_RIG_STREAM_GROUP, (uint64_t)g);
    group_mhz = rig->config.group_sd_mhz * hf_random_normal(&random);
    group_slope = exp(rig->config.slope_core_sd * hf_random_normal(&random));
    for (int c = 0; c < rig->config.cores_per_group; c++) {
        struct hf_rig_core *core = &rig->core[g * rig->config.cores_per_group + c];

        core->offset_mhz = chip_mhz + group_mhz;
        core->nats_per_mhz = rig->slope_nats / 25.0;
        if (rig->config.simple)
            core->nats_per_mhz *= group_slope; /* the cores are equal, so the group has the spread of one */
        else
            draw_core(rig, core, g, c);
    }
}

/* Picks a core that has no oddity yet, so that so many cores are odd as were asked for, while there are
 * enough. */
static struct hf_rig_core *pick_sound_core(struct hf_rig *rig, struct hf_random *random)
{
    int at = (int)hf_random_below(random, (uint64_t)rig->core_count);

    for (int i = 0; i < rig->core_count; i++) {
        struct hf_rig_core *core = &rig->core[(at + i) % rig->core_count];

        if (core->hot_trigger_c == 0.0 && core->flat_per_s == 0.0 && !core->weak_unit)
            return core;
    }
    return &rig->core[at];
}

static void draw_oddities(struct hf_rig *rig)
{
    /* the units behind most silent errors: Hochschild et al. 2021, Dixit et al. 2021, Wang et al. 2023 */
    static const enum hf_load_class suspects[] = {HF_LOAD_FMA_512, HF_LOAD_FMA_256, HF_LOAD_MULTIPLY,
                                                  HF_LOAD_VECTOR_INT, HF_LOAD_CRYPTO};
    struct hf_random random;

    stream_init(&random, rig, HF_RIG_STREAM_ODDITY, 0);
    for (int i = 0; i < rig->config.hot_cores; i++) {
        pick_sound_core(rig, &random)->hot_trigger_c =
            HOT_TRIGGER_LOW_C + (HOT_TRIGGER_HIGH_C - HOT_TRIGGER_LOW_C) * hf_random_uniform(&random);
    }
    for (int i = 0; i < rig->config.flat_cores; i++) {
        struct hf_rig_core *core = pick_sound_core(rig, &random);

        core->flat_per_s = FLAT_MEDIAN_PER_H / 3600.0 * exp(FLAT_LOG_SD * hf_random_normal(&random));
        core->flat_class = suspects[hf_random_below(&random, sizeof suspects / sizeof suspects[0])];
    }
    for (int i = 0; i < rig->config.weak_units; i++) {
        struct hf_rig_core *core = pick_sound_core(rig, &random);
        enum hf_load_class unit = suspects[hf_random_below(&random, sizeof suspects / sizeof suspects[0])];

        core->weak_unit = 1;
        core->class_mhz[unit] -= HF_RIG_WEAK_UNIT_MHZ;
    }
    rig->has_hot_cores = rig->config.hot_cores > 0;
}

static void draw_chip(struct hf_rig *rig)
{
    struct hf_random random;
    double chip_mhz;

    stream_init(&random, rig, HF_RIG_STREAM_CHIP, 0);
    chip_mhz = rig->config.chip_sd_mhz * hf_random_normal(&random);
    rig->slope_nats = rig->config.slope_nats * exp(rig->config.slope_chip_sd * hf_random_normal(&random));
    for (int g = 0; g < rig->config.group_count; g++)
        draw_group(rig, g, chip_mhz);
    draw_oddities(rig);
}

/* --- life --- */

/* What simple rigs do without (invariant 5). */
static void simplify(struct hf_rig_config *config)
{
    config->frailty_mhz = 0.0;
    config->drift_mhz = 0.0;
    config->hot_cores = 0;
    config->weak_units = 0;
    config->stretching = 0;
}

static uint32_t all_cores(const struct hf_rig *rig)
{
    return UINT32_MAX >> (HF_RIG_CORES_MAX - rig->config.cores_per_group);
}

static int allocate(struct hf_rig *rig, struct hf_error *error)
{
    size_t cores = (size_t)rig->core_count;

    rig->core = hf_allocate(cores, sizeof *rig->core);
    rig->term = hf_allocate(cores * HF_RIG_TERMS_MAX, sizeof *rig->term);
    rig->term_count = hf_allocate(cores, sizeof *rig->term_count);
    rig->core_per_s = hf_allocate(cores, sizeof *rig->core_per_s);
    if (rig->core == NULL || rig->term == NULL || rig->term_count == NULL || rig->core_per_s == NULL)
        return hf_fail(error, HF_E_MEMORY, "rig: no memory for %d cores", rig->core_count);
    return HF_OK;
}

int hf_rig_new(const struct hf_rig_config *config, struct hf_rig **ret_rig, struct hf_error *error)
{
    struct hf_rig *rig;

    if (config_check(config, error) != HF_OK)
        return error->code;
    rig = hf_allocate(1, sizeof *rig);
    if (rig == NULL)
        return hf_fail(error, HF_E_MEMORY, "rig: no memory");
    rig->config = *config;
    rig->core_count = config->group_count * config->cores_per_group;
    if (config->simple)
        simplify(&rig->config);
    if (allocate(rig, error) != HF_OK) {
        hf_rig_free(rig);
        return error->code;
    }
    rig->reference_mhz = config->edge_mhz;
    draw_chip(rig);
    if (!config->simple)
        rig->reference_mhz = hf_rig_reference_find(rig);
    hf_rig_heat_reset(rig);
    hf_rig_drift_start(rig);
    for (int g = 0; g < config->group_count; g++) {
        rig->group[g].lost_at_s = INFINITY;
        rig->group[g].working = all_cores(rig);
    }
    hf_rig_boot(rig, 0);
    *ret_rig = rig;
    return HF_OK;
}

void hf_rig_free(struct hf_rig *rig)
{
    if (rig == NULL)
        return;
    hf_free(rig->core);
    hf_free(rig->term);
    hf_free(rig->term_count);
    hf_free(rig->core_per_s);
    hf_free(rig);
}

/* --- settings --- */

void hf_rig_set_step(struct hf_rig *rig, int group, int step)
{
    struct hf_rig_group *at = &rig->group[group];

    assert(group >= 0 && group < rig->config.group_count);
    assert(step >= 0 && step < rig->config.step_count);
    at->lost_at_s = INFINITY;
    if (at->loses_setting && step > 0) {
        at->loses_setting = 0;
        at->lost_at_s = rig->now_s + LOST_AFTER_S;
    }
    if (at->step == step)
        return;
    at->step = step;
    rig->prepared = rig->rated = 0;
}

void hf_rig_set_working(struct hf_rig *rig, int group, uint32_t cores)
{
    struct hf_rig_group *at = &rig->group[group];

    assert(group >= 0 && group < rig->config.group_count);
    cores &= all_cores(rig);
    if (at->working == cores)
        return;
    at->working = cores;
    rig->prepared = rig->rated = 0;
}

int hf_rig_step(const struct hf_rig *rig, int group)
{
    assert(group >= 0 && group < rig->config.group_count);
    return rig->group[group].step;
}

void hf_rig_begin_run(struct hf_rig *rig, int group)
{
    struct hf_rig_group *at = &rig->group[group];

    assert(group >= 0 && group < rig->config.group_count);
    at->frailty_mhz = rig->config.frailty_mhz * hf_random_normal(&at->frailty_random);
    at->silent = 0;
    rig->rated = 0;
}

void hf_rig_set_silent(struct hf_rig *rig, int group, int silent)
{
    assert(group >= 0 && group < rig->config.group_count);
    rig->group[group].silent = silent;
    rig->rated = 0;
}

static int load_check(const struct hf_load_slice *slices, int count, struct hf_error *error)
{
    double sum = 0.0;

    if (count < 0 || count > HF_RIG_SLICES_MAX)
        return hf_fail(error, HF_E_RANGE, "rig load: %d slices; allowed: 0 to %d", count, HF_RIG_SLICES_MAX);
    for (int i = 0; i < count; i++) {
        const struct hf_load *load = &slices[i].load;

        if ((unsigned)load->load_class >= HF_LOAD_COUNT)
            return hf_fail(error, HF_E_RANGE, "rig load: slice %d has class %d; allowed: 0 to %d", i,
                           (int)load->load_class, HF_LOAD_COUNT - 1);
        if (!(load->duty > 0.0 && load->duty <= 1.0) || !(load->period_s >= 0.0 && load->period_s < 1e6))
            return hf_fail(
                error, HF_E_RANGE,
                "rig load: slice %d has duty %g (allowed: above 0, at most 1) and period %g s (0 to 1e6)", i,
                load->duty, load->period_s);
        if (!(slices[i].weight >= 0.0))
            return hf_fail(error, HF_E_RANGE, "rig load: slice %d has weight %g; allowed: 0 to 1", i,
                           slices[i].weight);
        sum += slices[i].weight;
    }
    if (count > 0 && !(fabs(sum - 1.0) <= 1e-6))
        return hf_fail(error, HF_E_RANGE, "rig load: the weights add up to %.9g, not to 1", sum);
    return HF_OK;
}

static int load_is(const struct hf_rig_group *group, const struct hf_load_slice *slices, int count)
{
    if (group->count != count)
        return 0;
    for (int i = 0; i < count; i++) {
        const struct hf_load *old = &group->slices[i].load, *new = &slices[i].load;

        if (old->load_class != new->load_class || old->duty != new->duty || old->period_s != new->period_s ||
            old->in_step != new->in_step || group->slices[i].weight != slices[i].weight)
            return 0;
    }
    return 1;
}

int hf_rig_set_load(struct hf_rig *rig, int group, const struct hf_load_slice *slices, int count,
                    struct hf_error *error)
{
    struct hf_rig_group *at = &rig->group[group];

    assert(group >= 0 && group < rig->config.group_count);
    if (load_check(slices, count, error) != HF_OK)
        return error->code;
    if (load_is(at, slices, count))
        return HF_OK;
    for (int i = 0; i < count; i++)
        hf_rig_slice_prepare(&slices[i], &at->slices[i]);
    at->count = count;
    rig->prepared = rig->rated = 0;
    return HF_OK;
}

void hf_rig_boot(struct hf_rig *rig, uint64_t boot_number)
{
    uint64_t boot = hf_mix64(boot_number + 1); /* spread, so that boots and groups share no stream */
    int lost;

    hf_random_init(&rig->fault_random, rig->config.seed ^ boot, (uint64_t)HF_RIG_STREAM_FAULT << 32);
    rig->threshold = hf_random_exponential(&rig->fault_random);
    lost = hf_random_uniform(&rig->fault_random) < rig->config.setting_lost_share && boot_number > 0;
    for (int g = 0; g < rig->config.group_count; g++) {
        struct hf_rig_group *group = &rig->group[g];

        hf_random_init(&group->frailty_random, rig->config.seed ^ boot,
                       (uint64_t)HF_RIG_STREAM_FRAILTY << 32 | (uint64_t)g);
        group->loses_setting = lost;
        group->lost_at_s = INFINITY;
        hf_rig_begin_run(rig, g);
    }
}
