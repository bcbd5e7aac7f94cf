#include "holdfast/rehearse.h"

#include <assert.h>
#include <math.h>
#include <stddef.h>
#include <stdlib.h>
#include <string.h>

#include "base/memory.h"
#include "harness/rehearse_jobs.h"
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
    if (options->jobs == 0)
        options->jobs = 1;
    if (options->events_max == 0)
        options->events_max = 100000;
}

static int options_check(const struct hf_rehearse_options *options, struct hf_error *error)
{
    if (options->rigs < 1 || options->rigs > RIGS_MAX)
        return hf_fail(error, HF_E_RANGE, "rehearsal: %d rigs; allowed: 1 to %d", options->rigs, RIGS_MAX);
    if (options->jobs < 1 || options->jobs > HF_JOBS_MAX)
        return hf_fail(error, HF_E_RANGE, "rehearsal: %d jobs; allowed: 1 to %d", options->jobs, HF_JOBS_MAX);
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
    if (night->chosen_step[g] < 0) /* of a finished night: no certificate for this group */
        return night->outcome != HF_NIGHT_FINISHED;
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
    int withheld = 0; /* then the machine has no certificate either */

    for (int g = 0; g < setup->rig.group_count; g++) {
        double rate = night->true_rate_per_hour[g];

        if (night->chosen_step[g] < 0) {
            withheld |= !setup->plan.group[g].left_out;
            continue;
        }
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
    night->certificates += !withheld;
    night->false_claims += !withheld && machine > bound;
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

/* What is kept of a night. */
struct kept {
    double hours, search_hours, steps_left, resets;
    int certified, above, certificates, false_claims, expected, false_expected, undecided;
};

struct sums {
    const struct hf_rehearse_options *options;
    struct kept *kept; /* one a night, by its number: sums do not depend on the order in which nights end */
    struct hf_rehearse_night worst;
    int has_worst;
    double soak_s;
};

/* The worst night: see rehearse.h. Of two alike the first. */
static int is_worse(const struct hf_rehearse_night *night, const struct hf_rehearse_night *than)
{
    int above = night->groups_above > 0 ? -night->worst_steps_left : 0;
    int above_then = than->groups_above > 0 ? -than->worst_steps_left : 0;
    int undecided = night->outcome != HF_NIGHT_FINISHED;
    int undecided_then = than->outcome != HF_NIGHT_FINISHED;

    if (above != above_then)
        return above > above_then;
    if (undecided != undecided_then)
        return undecided > undecided_then;
    if (night->hours != than->hours)
        return night->hours > than->hours;
    return night->number < than->number;
}

static void sums_add(struct sums *sums, const struct hf_rehearse_night *night)
{
    struct kept *kept = &sums->kept[night->number];
    int finished = night->outcome == HF_NIGHT_FINISHED;

    if (!sums->has_worst || is_worse(night, &sums->worst))
        sums->worst = *night;
    sums->has_worst = 1;
    /* a night without a certificate is no quick night: it counts as one that never ends */
    *kept = (struct kept){.hours = finished ? night->hours : sums->options->hours_max,
                          .search_hours = finished ? night->search_hours : sums->options->hours_max,
                          .resets = night->resets,
                          .undecided = !finished};
    if (!finished)
        return;
    kept->certified = night->groups;
    kept->above = night->groups_above;
    kept->steps_left = night->steps_left_mean * night->groups;
    kept->certificates = night->certificates;
    kept->false_claims = night->false_claims;
    kept->expected = night->expected_known;
    kept->false_expected = night->false_expected;
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

static double quantile_of(const struct kept *kept, int rigs, size_t offset, double share_of, double *room)
{
    for (int i = 0; i < rigs; i++)
        room[i] = *(const double *)(const void *)((const char *)&kept[i] + offset);
    qsort(room, (size_t)rigs, sizeof *room, compare_doubles);
    return quantile(room, rigs, share_of);
}

static void result_shares(const struct sums *sums, struct hf_rehearse_result *result)
{
    long certified = 0, above = 0, certificates = 0, false_claims = 0, expected = 0, false_expected = 0;
    double steps_left = 0, resets = 0;

    for (int i = 0; i < result->rigs; i++) {
        const struct kept *kept = &sums->kept[i];

        certified += kept->certified;
        above += kept->above;
        certificates += kept->certificates;
        false_claims += kept->false_claims;
        expected += kept->expected;
        false_expected += kept->false_expected;
        resets += kept->resets;
        steps_left += kept->steps_left;
        result->undecided += kept->undecided;
        result->nights_above += kept->above > 0;
        result->nights_false += kept->false_claims > 0;
    }
    result->resets_mean = resets / result->rigs;
    result->steps_left_mean = certified > 0 ? steps_left / (double)certified : NAN;
    result->above_limit_rate = share(above, certified);
    result->false_claim_rate = share(false_claims, certificates);
    result->false_expected_rate = share(false_expected, expected);
}

static void result_make(const struct sums *sums, const struct hf_decision_times *times, double *room,
                        struct hf_rehearse_result *ret_result)
{
    const struct kept *kept = sums->kept;
    const struct hf_rehearse_night *worst = &sums->worst;
    int rigs = sums->options->rigs;

    *ret_result = (struct hf_rehearse_result){
        .rigs = rigs,
        .method = sums->options->method,
        .soak_hours = sums->soak_s / 3600.0,
        .hours_median = quantile_of(kept, rigs, offsetof(struct kept, hours), 0.5, room),
        .hours_p90 = quantile_of(kept, rigs, offsetof(struct kept, hours), 0.9, room),
        .search_hours_median = quantile_of(kept, rigs, offsetof(struct kept, search_hours), 0.5, room),
        .resets_p90 = quantile_of(kept, rigs, offsetof(struct kept, resets), 0.9, room),
        .worst = {.number = worst->number,
                  .seed = worst->seed,
                  .outcome = worst->outcome,
                  .hours = worst->hours,
                  .resets = worst->resets,
                  .steps_left = worst->outcome == HF_NIGHT_FINISHED ? worst->worst_steps_left : 0},
        .decision_ms_p99 = decision_p99_ms(times),
    };
    result_shares(sums, ret_result);
}

/* One night, from its seed to its score: an hf_night_job. */
static int rehearse_night(void *context, int number, struct hf_decision_times *times,
                          struct hf_rehearse_night *ret_night, struct hf_error *error)
{
    struct sums *sums = context;
    double upper_per_hour[HF_RIG_GROUPS_MAX];
    struct hf_night_setup setup;

    if (setup_make(sums->options, number, &setup, error) != HF_OK ||
        hf_night_run(&setup, times, ret_night, upper_per_hour, error) != HF_OK)
        return error->code;
    return score_truth(&setup, ret_night, upper_per_hour, error);
}

/* An hf_night_taker. */
static void take_night(void *context, const struct hf_rehearse_night *night)
{
    struct sums *sums = context;

    sums_add(sums, night);
    if (sums->options->progress != NULL)
        sums->options->progress(sums->options->context, night);
}

int hf_rehearse(const struct hf_rehearse_options *options, struct hf_rehearse_result *ret_result,
                struct hf_error *error)
{
    struct hf_rehearse_options filled = *options;
    struct hf_decision_times *times = NULL;
    struct sums sums = {.options = &filled};
    struct hf_night_setup setup;
    double *room = NULL;

    options_fill(&filled);
    if (options_check(&filled, error) != HF_OK || setup_make(&filled, 0, &setup, error) != HF_OK)
        return error->code;
    sums.soak_s = setup.plan.soak_s;
    times = hf_allocate(1, sizeof *times);
    sums.kept = hf_allocate((size_t)filled.rigs, sizeof *sums.kept);
    room = hf_allocate((size_t)filled.rigs, sizeof *room);
    if (times == NULL || sums.kept == NULL || room == NULL)
        (void)hf_fail(error, HF_E_MEMORY, "rehearsal: no memory for %d nights", filled.rigs);
    else if (hf_nights_share(filled.rigs, filled.trace != NULL ? 1 : filled.jobs, rehearse_night, take_night,
                             &sums, times, error) == HF_OK)
        result_make(&sums, times, room, ret_result);
    hf_free(room);
    hf_free(sums.kept);
    hf_free(times);
    return error->code;
}
