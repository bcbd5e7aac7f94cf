/* Many runs side by side: reading, order, what moved, and the spread of the limits. */
#include "output/compare.h"

#include <assert.h>
#include <math.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#include "base/memory.h"

#define SECONDS_AN_HOUR   3600.0
#define RUNS_MAX          1000
#define VALUES_FOR_FENCES 8
#define SAME_RATIO        1e-6

/* --- facts: what may have changed between two runs ------------------------------------------------------ */

enum compare_entered {
    FACT_VOLTAGE = HF_CONDITION_COUNT,
    FACT_AMBIENT,
    FACT_MEMORY_SPEED,
    FACT_NOTE,
    FACT_DRIVER,
    FACT_MIX,
    FACT_SOAK,
    FACT_CLAIM,
    FACT_BASE_CLOCK,
    FACT_TOOL,
    FACT_COUNT
};

int compare_fact_count(void)
{
    _Static_assert((int)FACT_COUNT <= COMPARE_FACTS_MAX, "room for every fact");
    return FACT_COUNT;
}

const char *compare_fact_name(int fact)
{
    static const char *const names[] = {"voltage", "ambient",    "memory speed", "note",       "driver",
                                        "mix",     "soak hours", "claim",        "base clock", "tool"};

    assert(fact >= 0 && fact < FACT_COUNT);
    return fact < HF_CONDITION_COUNT ? hf_condition_key((enum hf_condition)fact)
                                     : names[fact - HF_CONDITION_COUNT];
}

static void keep_words(struct compare_run *run, int fact, const char *words)
{
    (void)snprintf(run->fact[fact].words, sizeof run->fact[fact].words, "%s", words);
}

static void keep_number(struct compare_run *run, int fact, const char *format, double value)
{
    char words[48];

    (void)snprintf(words, sizeof words, format, value);
    keep_words(run, fact, isfinite(value) ? words : "not given");
}

static void take_facts(const struct hf_evidence *evidence, struct compare_run *run)
{
    const struct hf_evidence_session *session = hf_last_session(evidence);
    const struct hf_profile *profile = evidence->profile;

    for (int i = 0; session != NULL && i < HF_CONDITION_COUNT; i++)
        keep_words(run, i, session->condition[i]);
    keep_number(run, FACT_VOLTAGE, "%g mV", profile->voltage_mv);
    keep_number(run, FACT_AMBIENT, "%g degC", profile->conditions_ambient_c);
    keep_number(run, FACT_MEMORY_SPEED, "%g MT/s", profile->memory_mts);
    keep_words(run, FACT_NOTE, profile->conditions_note);
    keep_words(run, FACT_DRIVER, profile->driver);
    keep_words(run, FACT_MIX, profile->mix[0] ? profile->mix : "given in the profile");
    keep_number(run, FACT_SOAK, "%g h", profile->soak_s / SECONDS_AN_HOUR);
    keep_number(run, FACT_CLAIM, "%g h", profile->claim_hours);
    keep_number(run, FACT_BASE_CLOCK, "%g MHz", profile->base_clock_mhz);
    keep_words(run, FACT_TOOL, evidence->tool);
}

/* --- one run ------------------------------------------------------------------------------------------ */

static double ratio_of(const struct hf_profile *profile, double step)
{
    return profile->ratio_lowest + step * profile->ratio_step;
}

static void take_group(const struct hf_evidence *evidence, int group, int step, struct compare_group *ret)
{
    const struct hf_profile *profile = evidence->profile;
    struct compare_group one = {.edge = NAN, .edge_low = NAN, .edge_high = NAN, .hours_lower = NAN};
    struct hf_plan_view view;
    double median;
    double upper;

    (void)snprintf(one.name, sizeof one.name, "%s", profile->group[group].name);
    one.ratio = profile->group[group].left_out ? NAN : hf_profile_ratio(profile, step);
    one.mhz = profile->group[group].left_out ? NAN : hf_profile_mhz(profile, step);
    if (evidence->plan != NULL && !profile->group[group].left_out) {
        hf_plan_view(evidence->plan, group, &view);
        one.edge = ratio_of(profile, view.edge_step_median);
        one.edge_low = ratio_of(profile, view.edge_step_low);
        one.edge_high = ratio_of(profile, view.edge_step_high);
        if (hf_expected_rate(evidence, group, step, &median, &upper))
            one.hours_lower = 1 / upper;
    }
    *ret = one;
}

static int take_groups(const struct hf_evidence *evidence, const struct hf_evidence_soak *soak,
                       struct compare_run *run, struct hf_error *error)
{
    run->group_count = evidence->profile->group_count;
    run->group = hf_allocate((size_t)run->group_count, sizeof *run->group);
    if (run->group == NULL)
        return hf_fail(error, HF_E_MEMORY, "no memory for %d groups", run->group_count);
    for (int group = 0; group < run->group_count; group++) {
        struct hf_evidence_group own;

        hf_evidence_group(evidence, group, &own);
        take_group(evidence, group,
                   run->proved && soak->plan.step[group] >= 0 ? soak->plan.step[group] : own.step,
                   &run->group[group]);
    }
    return HF_OK;
}

static int take_run(const struct hf_evidence *evidence, struct compare_run *run, struct hf_error *error)
{
    struct hf_evidence_soak soak;
    int ignored;

    hf_evidence_soak(evidence, &soak);
    (void)snprintf(run->machine, sizeof run->machine, "%s", evidence->profile->name);
    run->begun_wall_ns = evidence->first_wall_ns;
    run->simulated = hf_is_simulated(evidence);
    run->proved = evidence->finished.sequence != 0 && evidence->plan != NULL && soak.plan.passed;
    run->shown_hours = run->hours_per_fault = NAN;
    run->voltage_mv = evidence->profile->voltage_mv;
    run->ratio_step = evidence->profile->ratio_step;
    run->trials = (int)evidence->trial_count;
    run->failures = (int)evidence->failure_count;
    run->resets = (int)evidence->reset_count;
    if (run->proved) {
        struct hf_demonstrated shown = hf_demonstrated_of(soak.plan.served_s, evidence->profile->confidence,
                                                          soak.plan.repeats_of_same_set + 1);

        run->shown_hours = shown.hours;
        run->hours_per_fault = shown.hours_per_fault;
        (void)hf_later_failure(evidence, evidence->finished.sequence, HF_GROUP_ALL, soak.plan.step, &ignored,
                               &run->spoiled);
    }
    take_facts(evidence, run);
    return take_groups(evidence, &soak, run, error);
}

static int read_run(const char *directory, struct compare_run *run, struct hf_error *error)
{
    struct hf_evidence *evidence = NULL;
    size_t size = strlen(directory) + 1;

    if (hf_evidence_open(directory, &evidence, error) != HF_OK)
        return error->code;
    run->directory = hf_allocate(1, size);
    if (run->directory == NULL) {
        (void)hf_fail(error, HF_E_MEMORY, "no memory for the runs");
    } else {
        memcpy(run->directory, directory, size);
        (void)take_run(evidence, run, error);
    }
    hf_evidence_free(evidence);
    return error->code;
}

/* --- order -------------------------------------------------------------------------------------------- */

static int by_machine_and_time(const void *left, const void *right)
{
    const struct compare_run *a = left;
    const struct compare_run *b = right;
    int order = strcmp(a->machine, b->machine);

    if (order != 0)
        return order;
    if (a->begun_wall_ns != b->begun_wall_ns)
        return a->begun_wall_ns < b->begun_wall_ns ? -1 : 1;
    return strcmp(a->directory, b->directory);
}

size_t compare_machine_end(const struct hf_compare *compare, size_t first)
{
    size_t end = first + 1;

    while (end < compare->run_count && strcmp(compare->runs[end].machine, compare->runs[first].machine) == 0)
        end++;
    return end;
}

static void link_runs(struct hf_compare *compare)
{
    qsort(compare->runs, compare->run_count, sizeof *compare->runs, by_machine_and_time);
    for (size_t first = 0; first < compare->run_count; first = compare_machine_end(compare, first)) {
        size_t proved = HF_EVIDENCE_NOTHING;

        for (size_t i = first; i < compare_machine_end(compare, first); i++) {
            compare->runs[i].before = proved;
            if (compare->runs[i].proved)
                proved = i;
        }
    }
}

/* --- what moved --------------------------------------------------------------------------------------- */

static const struct compare_group *group_named(const struct compare_run *run, const char *name)
{
    for (int i = 0; i < run->group_count; i++) {
        if (strcmp(run->group[i].name, name) == 0)
            return &run->group[i];
    }
    return NULL;
}

int compare_moved(const struct hf_compare *compare, size_t run, int group, struct compare_move *ret_move)
{
    const struct compare_run *own = &compare->runs[run];
    const struct compare_group *now = &own->group[group];
    const struct compare_group *then =
        own->before == HF_EVIDENCE_NOTHING ? NULL : group_named(&compare->runs[own->before], now->name);

    /* a comparison with NAN is false: a group that was left out in one of them has not moved */
    if (!own->proved || then == NULL || !(fabs(now->ratio - then->ratio) > SAME_RATIO))
        return 0;
    *ret_move = (struct compare_move){.from = then->ratio, .to = now->ratio, .beyond_chance = -1};
    if (!isnan(now->edge_low) && !isnan(then->edge_low))
        ret_move->beyond_chance = now->edge_low > then->edge_high || now->edge_high < then->edge_low;
    return 1;
}

void compare_moves(const struct hf_compare *compare, size_t run, struct hf_text *text)
{
    int count = 0;

    for (int group = 0; group < compare->runs[run].group_count; group++) {
        struct compare_move move;

        if (compare_moved(compare, run, group, &move))
            hf_text_addf(text, "%s%s %+.2f%s", count++ ? ", " : "", compare->runs[run].group[group].name,
                         move.to - move.from, move.beyond_chance == 1 ? " (beyond chance)" : "");
    }
}

void compare_changes(const struct hf_compare *compare, size_t run, struct hf_text *text)
{
    const struct compare_run *own = &compare->runs[run];
    const struct compare_run *before =
        own->before == HF_EVIDENCE_NOTHING ? NULL : &compare->runs[own->before];
    int count = 0;

    for (int i = 0; before != NULL && i < FACT_COUNT; i++) {
        if (strcmp(own->fact[i].words, before->fact[i].words) == 0)
            continue;
        hf_text_addf(text, "%s%s ", count++ ? "; " : "", compare_fact_name(i));
        hf_text_addf(text, "%s, was %s", own->fact[i].words[0] ? own->fact[i].words : "unknown",
                     before->fact[i].words[0] ? before->fact[i].words : "unknown");
    }
}

int compare_voltages(const struct hf_compare *compare, size_t first, size_t end)
{
    int different = 0;

    for (size_t i = first; i < end; i++) {
        int seen = !compare->runs[i].proved || isnan(compare->runs[i].voltage_mv);

        for (size_t k = first; k < i && !seen; k++)
            seen = compare->runs[k].proved && compare->runs[k].voltage_mv == compare->runs[i].voltage_mv;
        different += !seen;
    }
    return different;
}

/* --- the spread --------------------------------------------------------------------------------------- */

int compare_is_newest(const struct hf_compare *compare, size_t run)
{
    if (!compare->runs[run].proved)
        return 0;
    for (size_t i = run + 1; i < compare->run_count; i++) {
        if (strcmp(compare->runs[i].machine, compare->runs[run].machine) != 0)
            break;
        if (compare->runs[i].proved)
            return 0;
    }
    return 1;
}

int compare_is_outlier(const struct compare_spread *spread, double ratio)
{
    return ratio < spread->fence_low || ratio > spread->fence_high; /* false beside NAN */
}

static int by_value(const void *left, const void *right)
{
    double a = *(const double *)left;
    double b = *(const double *)right;

    return (a > b) - (a < b);
}

/* Linear between the order statistics: definition 7 of Hyndman and Fan 1996. */
static double quantile(const double *sorted, int count, double share)
{
    double place = share * (count - 1);
    int below = (int)floor(place);
    int above = below + 1 < count ? below + 1 : below;

    return sorted[below] + (place - below) * (sorted[above] - sorted[below]);
}

/* Fences at 1.5 interquartile ranges beyond the quartiles: Tukey 1977. */
static void measure_spread(struct compare_spread *spread, double *values, int count)
{
    double range;

    *spread = (struct compare_spread){.machines = spread->machines,
                                      .count = count,
                                      .lowest = NAN,
                                      .quarter = NAN,
                                      .median = NAN,
                                      .three_quarters = NAN,
                                      .highest = NAN,
                                      .fence_low = NAN,
                                      .fence_high = NAN};
    if (count == 0)
        return;
    qsort(values, (size_t)count, sizeof *values, by_value);
    spread->lowest = values[0];
    spread->quarter = quantile(values, count, 0.25);
    spread->median = quantile(values, count, 0.5);
    spread->three_quarters = quantile(values, count, 0.75);
    spread->highest = values[count - 1];
    range = spread->three_quarters - spread->quarter;
    if (count < VALUES_FOR_FENCES)
        return;
    spread->fence_low = spread->quarter - 1.5 * range;
    spread->fence_high = spread->three_quarters + 1.5 * range;
}

static int take_spread(struct hf_compare *compare, struct hf_error *error)
{
    double *values;
    size_t room = 1;
    int count = 0;

    for (size_t i = 0; i < compare->run_count; i++)
        room += (size_t)compare->runs[i].group_count;
    values = hf_allocate(room, sizeof *values);
    if (values == NULL)
        return hf_fail(error, HF_E_MEMORY, "no memory for %zu limits", room);
    for (size_t i = 0; i < compare->run_count; i++) {
        if (!compare_is_newest(compare, i))
            continue;
        compare->spread.machines++;
        for (int group = 0; group < compare->runs[i].group_count; group++) {
            if (!isnan(compare->runs[i].group[group].ratio))
                values[count++] = compare->runs[i].group[group].ratio;
        }
    }
    measure_spread(&compare->spread, values, count);
    hf_free(values);
    return HF_OK;
}

/* --- the whole ---------------------------------------------------------------------------------------- */

int hf_compare_open(const char *const *directories, int count, struct hf_compare **ret_compare,
                    struct hf_error *error)
{
    struct hf_compare *compare;

    if (count < 1 || count > RUNS_MAX)
        return hf_fail(error, HF_E_INPUT, "%d runs: 1 to %d can be compared", count, RUNS_MAX);
    compare = hf_allocate(1, sizeof *compare);
    if (compare != NULL)
        compare->runs = hf_allocate((size_t)count, sizeof *compare->runs);
    if (compare == NULL || compare->runs == NULL) {
        hf_compare_free(compare);
        return hf_fail(error, HF_E_MEMORY, "no memory for %d runs", count);
    }
    for (int i = 0; i < count && error->code == HF_OK; i++) {
        compare->run_count++;
        (void)read_run(directories[i], &compare->runs[i], error);
    }
    if (error->code == HF_OK) {
        link_runs(compare);
        (void)take_spread(compare, error);
    }
    if (error->code != HF_OK) {
        hf_compare_free(compare);
        return error->code;
    }
    *ret_compare = compare;
    return HF_OK;
}

void hf_compare_free(struct hf_compare *compare)
{
    if (compare == NULL)
        return;
    for (size_t i = 0; i < compare->run_count; i++) {
        hf_free(compare->runs[i].directory);
        hf_free(compare->runs[i].group);
    }
    hf_free(compare->runs);
    hf_free(compare);
}
