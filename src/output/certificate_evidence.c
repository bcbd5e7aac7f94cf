/*
 * The second half of a certificate: how near the nearest failures are, under which load, heat and clock it
 * was proved, in which conditions, and what it does not prove. The format is described at the top of
 * certificate.c.
 */
#include <assert.h>
#include <inttypes.h>
#include <math.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#include "holdfast/clock.h"
#include "holdfast/statistics.h"
#include "output/certificate_parts.h"

#define NEAREST_MAX 8

/* --- 4: margin ---------------------------------------------------------------------------------------- */

struct nearness {
    size_t trial;
    int step;
    int named;
};

static int by_nearness(const void *left, const void *right)
{
    const struct nearness *a = left;
    const struct nearness *b = right;

    if (a->named != b->named)
        return a->named ? -1 : 1;
    if (a->step != b->step)
        return a->step < b->step ? -1 : 1;
    return (a->trial > b->trial) - (a->trial < b->trial);
}

/* Nearest to the choice is the lowest ratio that failed. Failures of the group's own cores stand before
 * resets that may have been anybody's; early ones before late ones. */
int hf_nearest_failures(const struct hf_evidence *evidence, int group, size_t *ret_trials, int max)
{
    struct nearness nearest[64];
    int count = 0;

    assert(max > 0 && max < 64);
    for (size_t i = 0; i < evidence->failure_count; i++) {
        const struct hf_evidence_trial *trial = &evidence->trials[evidence->failures[i]];
        int against = hf_evidence_speaks_against(evidence, trial, group);

        if (against == 0)
            continue;
        nearest[count++] = (struct nearness){.trial = evidence->failures[i],
                                             .step = hf_evidence_step(evidence, trial, group),
                                             .named = against == 1};
        qsort(nearest, (size_t)count, sizeof *nearest, by_nearness);
        if (count > max)
            count = max;
    }
    for (int i = 0; i < count; i++)
        ret_trials[i] = nearest[i].trial;
    return count;
}

static void write_wrong_result(struct hf_json_writer *writer, const struct hf_evidence_mismatch *mismatch)
{
    if (mismatch == NULL) {
        hf_json_null(writer, "kernel");
        hf_json_null(writer, "width_bits");
        hf_json_null(writer, "pattern");
        hf_json_null(writer, "xor");
        return;
    }
    hf_json_string(writer, "kernel", mismatch->kernel);
    hf_json_integer(writer, "width_bits", mismatch->width_bits);
    hf_json_string(writer, "pattern", mismatch->pattern);
    hf_json_hex64(writer, "xor", mismatch->xor_mask);
}

static void write_failure(const struct hf_certificate_document *document,
                          const struct hf_evidence_trial *trial)
{
    const struct hf_evidence *evidence = document->evidence;
    struct hf_json_writer *writer = document->writer;
    int step = hf_evidence_step(evidence, trial, document->group);
    const struct hf_evidence_mismatch *mismatch =
        trial->mismatch == HF_EVIDENCE_NOTHING ? NULL : &evidence->mismatches[trial->mismatch];

    hf_json_object_open(writer, NULL);
    hf_json_u64(writer, "trial", trial->trial);
    hf_certificate_time(writer, "when", trial->end_wall_ns);
    hf_certificate_rounded(writer, "run_hours", trial->end_s / SECONDS_AN_HOUR, SUM_DIGITS);
    hf_json_number(writer, "ratio", hf_profile_ratio(document->profile, step));
    hf_json_integer(writer, "steps_above", step - document->step);
    hf_json_string(writer, "purpose", hf_purpose_name(trial->purpose));
    hf_json_string(writer, "cause", hf_cause_name(trial->cause));
    hf_json_bool(writer, "core_named", trial->indicted == document->group);
    if (trial->cpu >= 0)
        hf_json_integer(writer, "cpu", trial->cpu);
    else
        hf_json_null(writer, "cpu");
    write_wrong_result(writer, mismatch);
    hf_certificate_rounded(writer, "exposure_s", trial->exposure_s, SUM_DIGITS);
    hf_json_object_close(writer);
}

static void write_ratio_or_null(const struct hf_certificate_document *document, const char *key, int step)
{
    if (step >= 0)
        hf_json_number(document->writer, key, hf_profile_ratio(document->profile, step));
    else
        hf_json_null(document->writer, key);
}

static void write_group_margin(const struct hf_certificate_document *document)
{
    const struct hf_plan_view *view = &document->own.view;
    struct hf_json_writer *writer = document->writer;
    size_t nearest[NEAREST_MAX];
    int count = hf_nearest_failures(document->evidence, document->group, nearest, NEAREST_MAX);

    hf_json_object_open(writer, "margin");
    hf_json_string(writer, "edge", "the ratio with one fault a minute, from the belief");
    hf_certificate_rounded(writer, "steps_to_edge", view->edge_step_median - document->step, BELIEF_DIGITS);
    hf_certificate_rounded(writer, "steps_to_edge_low", view->edge_step_low - document->step, BELIEF_DIGITS);
    hf_certificate_rounded(writer, "steps_to_edge_high", view->edge_step_high - document->step,
                           BELIEF_DIGITS);
    write_ratio_or_null(document, "highest_pass_ratio", view->highest_pass_step);
    write_ratio_or_null(document, "lowest_fail_ratio", view->lowest_fail_step);
    hf_json_array_open(writer, "nearest_failures");
    for (int i = 0; i < count; i++)
        write_failure(document, &document->evidence->trials[nearest[i]]);
    hf_json_array_close(writer);
    hf_json_object_close(writer);
}

static void write_machine_margin(const struct hf_certificate_document *document)
{
    double smallest = NAN;
    int whose = -1;

    for (int group = 0; group < document->profile->group_count; group++) {
        struct hf_plan_view view;
        int step = document->soak.plan.step[group];

        if (step < 0)
            continue;
        hf_plan_view(document->evidence->plan, group, &view);
        if (!isnan(view.edge_step_median) && !(view.edge_step_median - step >= smallest)) {
            smallest = view.edge_step_median - step;
            whose = group;
        }
    }
    hf_json_object_open(document->writer, "margin");
    hf_json_string(document->writer, "edge", "the ratio with one fault a minute, from the belief");
    hf_certificate_rounded(document->writer, "smallest_steps_to_edge", smallest, BELIEF_DIGITS);
    if (whose >= 0)
        hf_json_string(document->writer, "smallest_in", document->profile->group[whose].name);
    else
        hf_json_null(document->writer, "smallest_in");
    hf_json_object_close(document->writer);
}

/* --- 5: load, heat, clock, hardware errors ------------------------------------------------------------- */

static void write_kernels(const struct hf_certificate_document *document)
{
    struct hf_evidence_kernel kernels[HF_EVIDENCE_KERNELS_MAX];
    int count = hf_evidence_kernels(document->evidence, document->group, kernels);
    struct hf_json_writer *writer = document->writer;

    hf_json_array_open(writer, "kernels");
    for (int i = 0; i < count; i++) {
        hf_json_object_open(writer, NULL);
        hf_json_string(writer, "kernel", kernels[i].kernel);
        hf_json_integer(writer, "width_bits", kernels[i].width_bits);
        hf_certificate_rounded(writer, "hours", kernels[i].exposure_s / SECONDS_AN_HOUR, SUM_DIGITS);
        hf_json_u64(writer, "blocks", kernels[i].blocks);
        hf_json_integer(writer, "wrong_results", kernels[i].failures);
        hf_json_object_close(writer);
    }
    hf_json_array_close(writer);
}

static void write_load(const struct hf_certificate_document *document)
{
    struct hf_json_writer *writer = document->writer;
    uint64_t planted = 0;
    uint64_t reported = 0;

    for (size_t i = 0; i < document->evidence->session_count; i++) {
        planted += document->evidence->sessions[i].planted;
        reported += document->evidence->sessions[i].reported;
    }
    hf_json_object_open(writer, "load");
    hf_json_string(writer, "mix",
                   document->profile->mix[0] ? document->profile->mix : "given in the profile");
    hf_json_integer(writer, "soak_trials", document->soak.trials);
    hf_json_u64(writer, "soak_blocks_checked", document->soak.blocks);
    hf_json_u64(writer, "planted_errors", planted);
    hf_json_u64(writer, "planted_errors_reported", reported);
    write_kernels(document);
    hf_json_object_close(writer);
}

static void write_heat(const struct hf_certificate_document *document, double highest, double mean)
{
    struct hf_json_writer *writer = document->writer;

    hf_json_object_open(writer, "temperatures");
    if (document->profile->temperature_unwatched)
        hf_json_null(writer, "limit_celsius");
    else
        hf_json_number(writer, "limit_celsius", document->profile->temperature_limit_c);
    hf_certificate_rounded(writer, "highest_celsius", highest, BELIEF_DIGITS);
    hf_certificate_rounded(writer, "mean_celsius", mean, BELIEF_DIGITS);
    hf_certificate_rounded(writer, "soak_highest_celsius", document->soak.celsius_highest, BELIEF_DIGITS);
    hf_certificate_rounded(writer, "soak_mean_celsius", document->soak.celsius_mean, BELIEF_DIGITS);
    hf_evidence_meters_write(document->evidence, &document->soak.meters, writer, "sensors",
                             "soak_highest_celsius");
    hf_json_object_close(writer);
    hf_json_object_open(writer, "power");
    hf_certificate_rounded(writer, "soak_mean_watts", document->soak.meters.watts_mean, BELIEF_DIGITS);
    hf_certificate_rounded(writer, "soak_highest_watts", document->soak.meters.watts_highest, BELIEF_DIGITS);
    hf_json_object_close(writer);
}

static void write_clock(const struct hf_certificate_document *document, double worst)
{
    struct hf_json_writer *writer = document->writer;

    hf_json_object_open(writer, "clock");
    hf_certificate_rounded(writer, "soak_asked_mhz", document->soak.mhz_asked, BELIEF_DIGITS);
    hf_certificate_rounded(writer, "soak_measured_mhz", document->soak.mhz_measured, BELIEF_DIGITS);
    hf_certificate_rounded(writer, "lowest_share_measured", worst, BELIEF_DIGITS);
    if (hf_is_simulated(document->evidence))
        hf_json_string(writer, "source", "rig-model");
    else if (document->soak.meters.clock_source != HF_EVIDENCE_NOTHING)
        hf_json_string(writer, "source",
                       hf_evidence_words(document->evidence, document->soak.meters.clock_source));
    else
        hf_json_null(writer, "source");
    hf_json_object_close(writer);
}

static void write_errors(const struct hf_certificate_document *document, int corrected, int uncorrected)
{
    hf_json_object_open(document->writer, "hardware_errors");
    hf_json_integer(document->writer, "corrected", corrected);
    hf_json_integer(document->writer, "uncorrected", uncorrected);
    hf_json_integer(document->writer, "during_soak", document->soak.hardware_errors);
    hf_json_object_close(document->writer);
}

/* The machine's own figures are the extremes over its groups. */
static void gather_machine(const struct hf_certificate_document *document, struct hf_evidence_group *ret_all)
{
    struct hf_evidence_group all = {.celsius_highest = NAN, .celsius_mean = NAN, .clock_worst = NAN};
    double weight = 0;

    for (int group = 0; group < document->profile->group_count; group++) {
        struct hf_evidence_group one;

        hf_evidence_group(document->evidence, group, &one);
        all.celsius_highest = fmax(all.celsius_highest, one.celsius_highest);
        all.clock_worst = fmin(all.clock_worst, one.clock_worst);
        all.corrected += one.corrected;
        all.uncorrected += one.uncorrected;
        if (isnan(one.celsius_mean) || one.exposure_s <= 0)
            continue;
        all.celsius_mean =
            ((weight > 0 ? all.celsius_mean * weight : 0) + one.celsius_mean * one.exposure_s) /
            (weight + one.exposure_s);
        weight += one.exposure_s;
    }
    *ret_all = all;
}

/* --- 6: conditions ------------------------------------------------------------------------------------ */

static void write_condition(struct hf_json_writer *writer, const char *key, const char *kind,
                            const char *value)
{
    if (value[0] == '\0')
        hf_json_null(writer, key);
    else if (strcmp(kind, "INTEGER") == 0 && strspn(value, "-0123456789") == strlen(value) &&
             strlen(value) < 12)
        hf_json_integer(writer, key, strtol(value, NULL, 10));
    else if (strcmp(kind, "BOOL") == 0)
        hf_json_bool(writer, key, strcmp(value, "true") == 0);
    else
        hf_json_string(writer, key, value);
}

static void write_session_conditions(const struct hf_certificate_document *document)
{
    static const char *const kinds[] = {
#define HF_CONDITION_KIND(name, key, kind) #kind,
        HF_CONDITION_LIST(HF_CONDITION_KIND)
#undef HF_CONDITION_KIND
    };

    for (int i = 0; i < HF_CONDITION_COUNT; i++)
        write_condition(document->writer, hf_condition_key((enum hf_condition)i), kinds[i],
                        document->session ? document->session->condition[i] : "");
}

static int condition_changed(const struct hf_evidence *evidence, int condition)
{
    for (size_t i = 1; i < evidence->session_count; i++) {
        if (strcmp(evidence->sessions[i].condition[condition], evidence->sessions[0].condition[condition]) !=
            0)
            return 1;
    }
    return 0;
}

static void write_conditions(const struct hf_certificate_document *document)
{
    struct hf_json_writer *writer = document->writer;

    hf_json_object_open(writer, "conditions");
    write_session_conditions(document);
    hf_json_number(writer, "voltage_mv", document->profile->voltage_mv);
    hf_json_number(writer, "ambient_celsius", document->profile->conditions_ambient_c);
    hf_json_number(writer, "memory_mts", document->profile->memory_mts);
    hf_json_string(writer, "note", document->profile->conditions_note);
    hf_json_string(writer, "driver", document->profile->driver);
    hf_json_integer(writer, "workers", document->session ? document->session->workers : 0);
    hf_json_number(writer, "clock_factor", document->evidence->clock_factor);
    hf_json_string(writer, "tool", document->evidence->tool);
    hf_json_array_open(writer, "changed_between_sessions");
    for (int i = 0; i < HF_CONDITION_COUNT; i++) {
        if (condition_changed(document->evidence, i))
            hf_json_string(writer, NULL, hf_condition_key((enum hf_condition)i));
    }
    hf_json_array_close(writer);
    hf_json_object_close(writer);
}

/* --- 7: limits of the proof, and cautions ------------------------------------------------------------- */

static void write_limits(const struct hf_certificate_document *document)
{
    static const char *const limits[] = {
        "It bounds the rate of faults; it does not say that none will ever happen.",
        "It holds for the load of this mix. Other programs may load the processor in ways that none of these "
        "kernels "
        "does.",
        "It holds for the temperatures that were reached here. A warmer room, dust or another cooler may "
        "change it.",
        "It holds for this voltage, memory setting, firmware and microcode. After a change of any of them, "
        "verify "
        "again.",
        "It holds for now. Processors age: verify again from time to time.",
        "What is expected beyond the demonstrated rate rests on a model of how faults grow with the ratio.",
    };

    hf_json_array_open(document->writer, "does_not_prove");
    if (hf_is_simulated(document->evidence))
        hf_json_string(document->writer, NULL, "Anything about real silicon: the machine was a rig model.");
    for (size_t i = 0; i < sizeof limits / sizeof limits[0]; i++)
        hf_json_string(document->writer, NULL, limits[i]);
    hf_json_array_close(document->writer);
}

static void caution_of_spending(const struct hf_certificate_document *document)
{
    struct hf_text words;
    char spent[HF_WORDS_MAX];
    char allowed[HF_WORDS_MAX];

    if (document->soak.plan.confidence_spent <= (1 - document->shown.confidence) * (1 + 1e-9))
        return;
    hf_words_percent(floor(document->soak.plan.confidence_spent * 1e4 + 0.999999) / 1e4, spent);
    hf_words_percent(1 - document->shown.confidence, allowed);
    hf_text_init(&words, 1024);
    hf_text_addf(
        &words,
        "%d soaks were begun. Taken together, the chance that such a walk certifies ratios that are worse "
        "than stated is at most %s, instead of %s.",
        document->soak.plan.attempts, spent, allowed);
    hf_certificate_words(document->writer, NULL, &words);
}

static void caution_of_groups(const struct hf_certificate_document *document)
{
    for (int group = 0; group < document->profile->group_count; group++) {
        struct hf_plan_view view;
        struct hf_text words;

        if (document->soak.plan.step[group] < 0 ||
            (document->group != HF_GROUP_ALL && document->group != group))
            continue;
        hf_plan_view(document->evidence->plan, group, &view);
        hf_text_init(&words, 1024);
        if (!view.model_check_passed)
            hf_text_addf(&words,
                         "The faults of %s do not follow the model: what is expected of it is doubtful, what "
                         "was demonstrated is not.",
                         document->profile->group[group].name);
        else if (view.left_alone)
            hf_text_addf(&words,
                         "%s was left where it stood after repeated void trials (%s): its ratio may be lower "
                         "than it need be.",
                         document->profile->group[group].name, hf_cause_name(view.left_alone_cause));
        if (words.size > 0)
            hf_json_string(document->writer, NULL, words.bytes);
        hf_text_release(&words);
        hf_text_init(&words, 1024);
        hf_words_defect(document->profile, group, &view, &words);
        if (words.size > 0)
            hf_json_string(document->writer, NULL, words.bytes);
        hf_text_release(&words);
    }
}

static void caution_of_deadline(const struct hf_certificate_document *document)
{
    struct hf_text words;

    hf_text_init(&words, 512);
    hf_words_deadline(document->evidence->plan, &words);
    if (words.size > 0)
        hf_json_string(document->writer, NULL, words.bytes);
    hf_text_release(&words);
}

static void write_cautions(const struct hf_certificate_document *document)
{
    struct hf_json_writer *writer = document->writer;

    hf_json_array_open(writer, "cautions");
    caution_of_spending(document);
    caution_of_groups(document);
    caution_of_deadline(document);
    for (int i = 0; i < HF_CONDITION_COUNT; i++) {
        if (!condition_changed(document->evidence, i))
            continue;
        hf_json_string(writer, NULL,
                       "Conditions changed between the sessions of this run: see "
                       "conditions.changed_between_sessions.");
        break;
    }
    if (document->profile->temperature_unwatched)
        hf_json_string(writer, NULL, "No temperature was watched, as the profile asks.");
    hf_json_string(writer, NULL,
                   "Heat: running above the maker's clocks raises power and temperature of processor and "
                   "supply. Watch both.");
    hf_json_string(writer, NULL,
                   "Data: a fault can damage files without a word. Keep backups, and search on a scratch "
                   "system.");
    hf_json_string(writer, NULL, "Warranty: running outside the maker's limits may end it.");
    hf_json_array_close(writer);
}
/* --- the two halves --------------------------------------------------------------------------------- */

void hf_certificate_write_evidence(const struct hf_certificate_document *document)
{
    struct hf_evidence_group all = document->own;

    if (document->group == HF_GROUP_ALL) {
        gather_machine(document, &all);
        write_machine_margin(document);
    } else {
        write_group_margin(document);
    }
    write_load(document);
    write_heat(document, all.celsius_highest, all.celsius_mean);
    write_clock(document, all.clock_worst);
    write_errors(document, all.corrected, all.uncorrected);
}

void hf_certificate_write_conditions(const struct hf_certificate_document *document)
{
    write_conditions(document);
    write_limits(document);
    write_cautions(document);
}
