#include "holdfast/rehearse.h"

#include <assert.h>
#include <math.h>
#include <stdlib.h>
#include <string.h>

#include "base/memory.h"
#include "harness/rehearse_night.h"
#include "holdfast/statistics.h"

#define RIGS_MAX          100000
#define BASELINE_STEP     2 /* 3500 MHz on the default grid: below the limit of all of 2000 default rigs */
#define LIMIT_ROUNDS_MAX  16
#define NAMED_RESET_SHARE 0.3 /* engineering judgement: resets whose next boot's error record names a CPU */

/* What plan.h names as defaults, needed here because the rehearsal itself lives by them. */
#define DEFAULT_CLAIM_HOURS    168.0
#define DEFAULT_CONFIDENCE     0.95
#define DEFAULT_SOAK_S         (6 * 3600.0)
#define DEFAULT_APPLY_COST_S   1.0
#define DEFAULT_RESET_COST_S   180.0
#define DEFAULT_CHECK_PERIOD_S 0.02

/* --- options and templates --- */

static double or_default(double value, double otherwise)
{
    return value == 0.0 ? otherwise
                        : value; /* zero is the default; anything else is the caller's to answer for */
}

void hf_rehearse_plan_default(const struct hf_rig_config *rig, struct hf_plan_config *ret_plan)
{
    int baseline = rig->step_count > BASELINE_STEP ? BASELINE_STEP : 0;

    *ret_plan = (struct hf_plan_config){
        .group_count = rig->group_count,
        .step_count = rig->step_count,
        .step_mhz = rig->step_mhz,
    };
    for (int g = 0; g < rig->group_count && g < HF_GROUPS_MAX; g++)
        ret_plan->group[g] =
            (struct hf_plan_group){.baseline_step = baseline, .highest_step = rig->step_count - 1};
}

static void plan_fill(struct hf_plan_config *plan)
{
    plan->claim_hours = or_default(plan->claim_hours, DEFAULT_CLAIM_HOURS);
    plan->confidence = or_default(plan->confidence, DEFAULT_CONFIDENCE);
    plan->soak_s = or_default(plan->soak_s, DEFAULT_SOAK_S);
    plan->apply_cost_s = or_default(plan->apply_cost_s, DEFAULT_APPLY_COST_S);
    plan->reset_cost_s = or_default(plan->reset_cost_s, DEFAULT_RESET_COST_S);
    plan->check_period_s = or_default(plan->check_period_s, DEFAULT_CHECK_PERIOD_S);
}

static void options_fill(struct hf_rehearse_options *options)
{
    if (options->rigs == 0)
        options->rigs = 20;
    if (options->mix == NULL)
        options->mix = hf_rig_night_mix(&options->mix_count);
    options->named_reset_share = or_default(options->named_reset_share, NAMED_RESET_SHARE);
    options->stall_s = or_default(options->stall_s, 2.0);
    options->hours_max = or_default(options->hours_max, 400.0);
    if (options->events_max == 0)
        options->events_max = 100000;
}

static int options_check(const struct hf_rehearse_options *options, struct hf_error *error)
{
    if (options->rigs < 1 || options->rigs > RIGS_MAX)
        return hf_fail(error, HF_E_RANGE, "rehearsal: %d rigs; allowed: 1 to %d", options->rigs, RIGS_MAX);
    if ((unsigned)options->method >= HF_METHOD_COUNT)
        return hf_fail(error, HF_E_RANGE, "rehearsal: there is no method number %d", (int)options->method);
    if (options->groups < 0 || options->groups > HF_RIG_GROUPS_MAX)
        return hf_fail(error, HF_E_RANGE, "rehearsal: %d groups; allowed: 1 to %d", options->groups,
                       HF_RIG_GROUPS_MAX);
    if (options->cores < 0 || options->cores > HF_RIG_CORES_MAX)
        return hf_fail(error, HF_E_RANGE, "rehearsal: %d cores a group; allowed: 1 to %d", options->cores,
                       HF_RIG_CORES_MAX);
    if (options->mix_count < 1 || options->mix_count > HF_RIG_SLICES_MAX)
        return hf_fail(error, HF_E_RANGE, "rehearsal: a mix of %d slices; allowed: 1 to %d",
                       options->mix_count, HF_RIG_SLICES_MAX);
    if (!(options->named_reset_share <= 1.0) || !(options->stall_s > 0.0) || !(options->hours_max > 0.0) ||
        !(options->hours_max <= 1e6))
        return hf_fail(
            error, HF_E_RANGE,
            "rehearsal: named_reset_share %g (at most 1), stall_s %g (above 0) or hours_max %g (above 0, at "
            "most 1e6) is out of range",
            options->named_reset_share, options->stall_s, options->hours_max);
    return HF_OK;
}

/* The night's rig and plan from the templates. */
static int setup_make(const struct hf_rehearse_options *options, int number, struct hf_night_setup *ret_setup,
                      struct hf_error *error)
{
    struct hf_night_setup *setup = ret_setup;

    memset(setup, 0, sizeof *setup);
    setup->options = options;
    setup->number = number;
    if (options->rig != NULL)
        setup->rig = *options->rig;
    else
        hf_rig_config_default(&setup->rig);
    if (options->groups > 0)
        setup->rig.group_count = options->groups;
    if (options->cores > 0)
        setup->rig.cores_per_group = options->cores;
    if (setup->rig.group_count < 1 || setup->rig.group_count > HF_RIG_GROUPS_MAX)
        return hf_fail(error, HF_E_RANGE, "rehearsal: %d groups; the rig model has 1 to %d",
                       setup->rig.group_count, HF_RIG_GROUPS_MAX);
    if (options->plan != NULL)
        setup->plan = *options->plan;
    else
        hf_rehearse_plan_default(&setup->rig, &setup->plan);
    if (setup->plan.step_count != setup->rig.step_count || setup->plan.step_mhz != setup->rig.step_mhz)
        return hf_fail(error, HF_E_RANGE, "rehearsal: the plan has %d steps of %g MHz, the rig %d of %g",
                       setup->plan.step_count, setup->plan.step_mhz, setup->rig.step_count,
                       setup->rig.step_mhz);
    for (int g = setup->plan.group_count; g > 0 && g < setup->rig.group_count; g++)
        setup->plan.group[g] = setup->plan.group[g - 1];
    setup->plan.group_count = setup->rig.group_count;
    plan_fill(&setup->plan);
    setup->rig.seed = setup->plan.seed = options->seed + (uint64_t)number;
    return HF_OK;
}

/* --- the truth --- */

void hf_rehearse_true_limits(struct hf_rig *rig, int groups, double rate_per_hour,
                             const struct hf_load_slice *slices, int count, int16_t *ret_limits)
{
    int changed = 1;

    for (int g = 0; g < groups; g++)
        ret_limits[g] = -1;
    for (int round = 0; changed && round < LIMIT_ROUNDS_MAX; round++) {
        changed = 0;
        for (int g = 0; g < groups; g++) {
            int limit = hf_rig_true_limit(rig, g, rate_per_hour, slices, count);

            changed |= limit != ret_limits[g];
            ret_limits[g] = (int16_t)limit;
            hf_rig_set_step(rig, g, limit < 0 ? 0 : limit);
        }
    }
}

/* Group g of a finished night against its limit; returns 1 when it counts. */
static int score_group(const struct hf_night_setup *setup, struct hf_rehearse_night *night, int g)
{
    const struct hf_plan_group *group = &setup->plan.group[g];
    int left;

    if (group->left_out || group->pinned)
        return 0;
    if (night->true_limit[g] > group->highest_step)
        night->true_limit[g] = (int16_t)group->highest_step; /* no plan may go further */
    if (night->chosen_step[g] < 0)
        return 1;
    left = night->true_limit[g] - night->chosen_step[g];
    night->steps_left_mean += left;
    night->groups_above += left < 0;
    if (night->worst_group < 0 || left < night->worst_steps_left) {
        night->worst_group = g;
        night->worst_steps_left = left;
    }
    return 1;
}

/* Every certificate says: at most so many faults an hour, from the joint soak. Each group's and the machine's
 * own. */
static void score_claims(const struct hf_night_setup *setup, struct hf_rehearse_night *night,
                         const double *upper_per_hour)
{
    double bound = hf_exposure_needed(1.0, setup->plan.confidence) / (setup->plan.soak_s / 3600.0);
    double machine = 0.0;

    for (int g = 0; g < setup->rig.group_count; g++) {
        double rate = night->true_rate_per_hour[g];

        if (night->chosen_step[g] < 0)
            continue;
        machine += rate;
        if (setup->plan.group[g].left_out || setup->plan.group[g].pinned)
            continue;
        night->certificates++;
        night->false_claims += rate > bound;
        if (isfinite(upper_per_hour[g])) {
            night->expected_known++;
            night->false_expected += rate > upper_per_hour[g];
        }
    }
    night->certificates++;
    night->false_claims += machine > bound;
}

static int score_truth(const struct hf_night_setup *setup, struct hf_rehearse_night *night,
                       const double *upper_per_hour, struct hf_error *error)
{
    const struct hf_rehearse_options *options = setup->options;
    struct hf_rig *rig;

    if (hf_rig_new(&setup->rig, &rig, error) != HF_OK)
        return error->code;
    hf_rehearse_true_limits(rig, setup->rig.group_count, 1.0 / setup->plan.claim_hours, options->mix,
                            options->mix_count, night->true_limit);
    for (int g = 0; g < setup->rig.group_count; g++)
        night->groups += score_group(setup, night, g);
    if (night->outcome == HF_NIGHT_FINISHED) {
        for (int g = 0; g < setup->rig.group_count; g++) {
            if (night->chosen_step[g] >= 0)
                hf_rig_set_step(rig, g, night->chosen_step[g]);
        }
        for (int g = 0; g < setup->rig.group_count; g++) {
            if (night->chosen_step[g] >= 0)
                night->true_rate_per_hour[g] = hf_rig_true_rate_per_hour(rig, g, night->chosen_step[g],
                                                                         options->mix, options->mix_count);
        }
        score_claims(setup, night, upper_per_hour);
        if (night->groups > 0)
            night->steps_left_mean /= night->groups;
    }
    hf_rig_free(rig);
    return HF_OK;
}

/* --- sums over the nights --- */

struct sums {
    double *hours, *search_hours; /* one a night */
    long certified, above, certificates, false_claims, expected, false_expected, resets;
    double steps_left;
    int undecided;
};

static void sums_add(struct sums *sums, const struct hf_rehearse_night *night, double hours_max)
{
    int finished = night->outcome == HF_NIGHT_FINISHED;

    /* a night without a certificate is no quick night: it counts as one that never ends */
    sums->hours[night->number] = finished ? night->hours : hours_max;
    sums->search_hours[night->number] = finished ? night->search_hours : hours_max;
    sums->resets += night->resets;
    sums->undecided += !finished;
    if (!finished)
        return;
    sums->certified += night->groups;
    sums->above += night->groups_above;
    sums->steps_left += night->steps_left_mean * night->groups;
    sums->certificates += night->certificates;
    sums->false_claims += night->false_claims;
    sums->expected += night->expected_known;
    sums->false_expected += night->false_expected;
}

static int compare_doubles(const void *a, const void *b)
{
    double x = *(const double *)a, y = *(const double *)b;

    return (x > y) - (x < y);
}

/* Of a sorted list, linear between neighbours (Hyndman and Fan 1996, their type 7). */
static double quantile(const double *sorted, int count, double share)
{
    double at = share * (count - 1);
    int below = (int)floor(at);
    int above = below + 1 < count ? below + 1 : below;

    assert(count > 0);
    return sorted[below] + (at - below) * (sorted[above] - sorted[below]);
}

static double share(long part, long whole)
{
    return whole > 0 ? (double)part / (double)whole : NAN;
}

static double decision_p99_ms(const struct hf_decision_times *times)
{
    uint64_t seen = 0;

    for (int i = 0; i < HF_DECISION_BUCKETS; i++) {
        seen += times->count[i];
        if (times->total > 0 && (double)seen >= 0.99 * (double)times->total)
            return pow(1.02, i) / 1e3;
    }
    return NAN;
}

static void result_make(struct sums *sums, const struct hf_rehearse_options *options, double soak_s,
                        const struct hf_decision_times *times, struct hf_rehearse_result *ret_result)
{
    int rigs = options->rigs;

    qsort(sums->hours, (size_t)rigs, sizeof *sums->hours, compare_doubles);
    qsort(sums->search_hours, (size_t)rigs, sizeof *sums->search_hours, compare_doubles);
    *ret_result = (struct hf_rehearse_result){
        .rigs = rigs,
        .method = options->method,
        .soak_hours = soak_s / 3600.0,
        .undecided = sums->undecided,
        .hours_median = quantile(sums->hours, rigs, 0.5),
        .hours_p90 = quantile(sums->hours, rigs, 0.9),
        .search_hours_median = quantile(sums->search_hours, rigs, 0.5),
        .resets_mean = (double)sums->resets / rigs,
        .steps_left_mean = sums->certified > 0 ? sums->steps_left / (double)sums->certified : NAN,
        .above_limit_rate = share(sums->above, sums->certified),
        .false_claim_rate = share(sums->false_claims, sums->certificates),
        .false_expected_rate = share(sums->false_expected, sums->expected),
        .decision_ms_p99 = decision_p99_ms(times),
    };
}

/* One night, from its seed to its score. */
static int rehearse_night(const struct hf_night_setup *setup, struct hf_decision_times *times,
                          struct sums *sums, struct hf_error *error)
{
    double upper_per_hour[HF_RIG_GROUPS_MAX];
    struct hf_rehearse_night night;

    if (hf_night_run(setup, times, &night, upper_per_hour, error) != HF_OK)
        return error->code;
    if (score_truth(setup, &night, upper_per_hour, error) != HF_OK)
        return error->code;
    sums_add(sums, &night, setup->options->hours_max);
    if (setup->options->progress != NULL)
        setup->options->progress(setup->options->context, &night);
    return HF_OK;
}

int hf_rehearse(const struct hf_rehearse_options *options, struct hf_rehearse_result *ret_result,
                struct hf_error *error)
{
    struct hf_rehearse_options filled = *options;
    struct hf_night_setup setup;
    struct hf_decision_times *times = NULL;
    struct sums sums = {0};

    options_fill(&filled);
    if (options_check(&filled, error) != HF_OK)
        return error->code;
    times = hf_allocate(1, sizeof *times);
    sums.hours = hf_allocate((size_t)filled.rigs, sizeof *sums.hours);
    sums.search_hours = hf_allocate((size_t)filled.rigs, sizeof *sums.search_hours);
    if (times == NULL || sums.hours == NULL || sums.search_hours == NULL) {
        (void)hf_fail(error, HF_E_MEMORY, "rehearsal: no memory for %d nights", filled.rigs);
        goto free_memory;
    }
    for (int i = 0; i < filled.rigs; i++) {
        if (setup_make(&filled, i, &setup, error) != HF_OK)
            goto free_memory;
        if (rehearse_night(&setup, times, &sums, error) != HF_OK)
            goto free_memory;
    }
    result_make(&sums, &filled, setup.plan.soak_s, times, ret_result);
free_memory:
    hf_free(sums.search_hours);
    hf_free(sums.hours);
    hf_free(times);
    return error->code;
}
