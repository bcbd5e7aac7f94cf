/*
 * Certificates: what was proved for a group, or for the machine, under which conditions, with the evidence.
 *
 * Format (docs/certificate.schema.json is its description for machines):
 *   UTF-8 JSON, indented by two blanks, members in the order in which they are written here, one newline at
 * the end. A certificate says nothing that cannot be computed again from the journal up to record
 * `journal.records`, the run's `finished` line: no time of writing, no name of the machine it was written on.
 *   Numbers that come from sums are rounded to 9 significant digits, those that come from the belief to 6, so
 * that another processor's last bit in exp() is no difference. `fingerprint` is the SHA-256 of the document
 * without that member, written without blanks and line breaks, followed by the journal's last checksum (8
 * hexadecimal digits).
 *
 * `demonstrated` uses no model: no fault in T hours of the joint soak, so the machine's rate of faults is at
 * most -ln(1 - C) / T (NIST/SEMATECH e-Handbook 8.4.5.1), and with it that of each group. When the same
 * ratios were soaked m times before one soak passed, ln(m / (1 - C)) / T holds instead (union bound over the
 * attempts). `expected` is the plan's belief, carried beyond what was observed: never mixed with the former.
 */
#include <assert.h>
#include <inttypes.h>
#include <math.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#include "holdfast/clock.h"
#include "holdfast/statistics.h"
#include "output/output_private.h"

#define NEAREST_MAX            8
#define SUM_DIGITS             9
#define BELIEF_DIGITS          6
#define SECONDS_AN_HOUR        3600.0
#define UPPER_BOUND_CONFIDENCE 0.95 /* of hf_plan_view.rate_at_choice_upper_per_hour */

/* Everything that the parts of one document need. */
struct document {
    const struct hf_evidence *evidence;
    const struct hf_profile *profile;
    struct hf_json_writer *writer;
    int group; /* or HF_GROUP_ALL */
    int step;  /* of the group; -1 for the machine */
    struct hf_evidence_soak soak;
    struct hf_evidence_group own; /* of the group */
    struct hf_demonstrated shown;
    const struct hf_evidence_session *session;
};

static void write_rounded(struct hf_json_writer *writer, const char *key, double value, int digits)
{
    char text[40];

    (void)snprintf(text, sizeof text, "%.*g", digits, value);
    hf_json_number(writer, key, strtod(text, NULL));
}

static void write_time(struct hf_json_writer *writer, const char *key, int64_t wall_ns)
{
    char text[HF_TIME_TEXT];

    hf_time_format(wall_ns, text);
    hf_json_string(writer, key, text);
}

static void write_words(struct hf_json_writer *writer, const char *key, struct hf_text *words)
{
    hf_json_string(writer, key, words->bytes);
    hf_text_release(words);
}

/* --- what was shown ----------------------------------------------------------------------------------- */

struct hf_demonstrated hf_demonstrated_of(double served_s, double confidence, int attempt)
{
    struct hf_demonstrated shown = {
        .hours = served_s / SECONDS_AN_HOUR, .confidence = confidence, .attempt = attempt};

    assert(served_s > 0 && confidence > 0 && confidence < 1 && attempt >= 1);
    /* The m-th attempt at one set may only spend (1 - C) / m. */
    shown.rate_upper_per_hour = hf_rate_upper_limit(0, shown.hours, 1 - (1 - confidence) / attempt);
    shown.hours_per_fault = 1 / shown.rate_upper_per_hour;
    return shown;
}

int hf_expected_rate(const struct hf_evidence *evidence, int group, int step, double *ret_median_per_hour,
                     double *ret_upper_per_hour)
{
    struct hf_plan_view view;
    double band[3];

    if (evidence->plan == NULL)
        return 0;
    hf_plan_view(evidence->plan, group, &view);
    if (view.chosen_step == step && !isnan(view.rate_at_choice_upper_per_hour)) {
        *ret_median_per_hour = view.rate_at_choice_median_per_hour;
        *ret_upper_per_hour = view.rate_at_choice_upper_per_hour;
        return 1;
    }
    if (!hf_plan_rate_band(evidence->plan, group, step, band))
        return 0;
    *ret_median_per_hour = band[1];
    *ret_upper_per_hour = band[2];
    return 1;
}

int hf_is_simulated(const struct hf_evidence *evidence)
{
    return strcmp(evidence->profile->driver, "rig") == 0;
}

void hf_simulation_words(const struct hf_evidence *evidence, struct hf_text *text)
{
    hf_text_addf(
        text,
        "The machine is a rig model, a simulated processor whose clock runs %g times the wall's: all hours "
        "here are the model's own. It proves nothing about real silicon.",
        evidence->clock_factor);
}

const struct hf_evidence_session *hf_last_session(const struct hf_evidence *evidence)
{
    return evidence->session_count ? &evidence->sessions[evidence->session_count - 1] : NULL;
}

/* --- 1: what it is about ------------------------------------------------------------------------------ */

static void shown_sentence(const struct document *document, struct hf_text *text)
{
    char served[HF_WORDS_MAX];
    char between[HF_WORDS_MAX];
    char confidence[HF_WORDS_MAX];

    hf_words_time_floor(document->shown.hours, served);
    hf_words_time_floor(document->shown.hours_per_fault, between);
    hf_words_percent(document->shown.confidence, confidence);
    hf_text_addf(text,
                 "no fault in %s with all groups soaking together: at most one fault in %s, %s confidence",
                 served, between, confidence);
}

static void write_statement(const struct document *document)
{
    struct hf_text words;
    char ratio[HF_WORDS_MAX];

    hf_text_init(&words, 4096);
    if (hf_is_simulated(document->evidence))
        hf_text_add_string(&words, "Rig model, not real silicon. ");
    if (document->group == HF_GROUP_ALL) {
        hf_text_addf(&words, "%s held all its chosen ratios: ", document->profile->name);
    } else {
        hf_words_ratio(document->profile, document->step, ratio);
        hf_text_addf(&words, "Group %s of %s held ratio %s (%.6g MHz): ",
                     document->profile->group[document->group].name, document->profile->name, ratio,
                     hf_profile_mhz(document->profile, document->step));
    }
    shown_sentence(document, &words);
    hf_text_add_string(&words, ".");
    write_words(document->writer, "statement", &words);
}

static void write_simulation(const struct document *document)
{
    struct hf_text words;

    hf_json_bool(document->writer, "simulated", hf_is_simulated(document->evidence));
    if (!hf_is_simulated(document->evidence)) {
        hf_json_null(document->writer, "simulation");
        return;
    }
    hf_text_init(&words, 1024);
    hf_simulation_words(document->evidence, &words);
    write_words(document->writer, "simulation", &words);
}

static void write_cpus(struct hf_json_writer *writer, const struct hf_profile *profile, int group)
{
    struct hf_text cpus;

    hf_text_init(&cpus, 65536);
    hf_words_group_cpus(profile, group, &cpus);
    write_words(writer, "cpus", &cpus);
}

static void write_group(const struct document *document)
{
    const struct hf_profile *profile = document->profile;
    const struct hf_profile_group *own = &profile->group[document->group];
    struct hf_json_writer *writer = document->writer;

    hf_json_object_open(writer, "group");
    hf_json_integer(writer, "index", document->group);
    hf_json_string(writer, "name", own->name);
    write_cpus(writer, profile, document->group);
    hf_json_bool(writer, "pinned", own->pinned_step >= 0);
    hf_json_object_close(writer);
    hf_json_object_open(writer, "setting");
    hf_json_number(writer, "ratio", hf_profile_ratio(profile, document->step));
    hf_json_number(writer, "base_clock_mhz", profile->base_clock_mhz);
    write_rounded(writer, "mhz", hf_profile_mhz(profile, document->step), SUM_DIGITS);
    hf_json_number(writer, "ratio_step", profile->ratio_step);
    hf_json_number(writer, "baseline_ratio", hf_profile_ratio(profile, own->baseline_step));
    hf_json_number(writer, "highest_ratio", hf_profile_ratio(profile, own->highest_step));
    hf_json_object_close(writer);
}

static void write_one_of_groups(const struct document *document, int group)
{
    const struct hf_profile *profile = document->profile;
    struct hf_json_writer *writer = document->writer;
    int step = document->soak.plan.step[group];
    int in_soak = step >= 0;
    char file[128];

    hf_json_object_open(writer, NULL);
    hf_json_integer(writer, "index", group);
    hf_json_string(writer, "name", profile->group[group].name);
    write_cpus(writer, profile, group);
    hf_json_bool(writer, "in_soak", in_soak);
    if (!in_soak)
        step = profile->group[group].baseline_step;
    hf_json_number(writer, "ratio", hf_profile_ratio(profile, step));
    write_rounded(writer, "mhz", hf_profile_mhz(profile, step), SUM_DIGITS);
    if (in_soak) {
        hf_certificate_file_name(document->evidence, group, file);
        hf_json_string(writer, "certificate", file);
    } else {
        hf_json_null(writer, "certificate");
    }
    hf_json_object_close(writer);
}

static void write_groups(const struct document *document)
{
    hf_json_array_open(document->writer, "groups");
    for (int group = 0; group < document->profile->group_count; group++)
        write_one_of_groups(document, group);
    hf_json_array_close(document->writer);
}

static void write_run(const struct document *document)
{
    const struct hf_evidence *evidence = document->evidence;
    struct hf_json_writer *writer = document->writer;
    char crc[16];

    hf_json_object_open(writer, "run");
    hf_json_string(writer, "identity", evidence->salt);
    hf_json_string(writer, "profile_digest", evidence->profile->digest);
    write_time(writer, "begun", evidence->first_wall_ns);
    write_time(writer, "finished", evidence->finished.wall_ns);
    write_rounded(writer, "hours", evidence->finished.time_s / SECONDS_AN_HOUR, SUM_DIGITS);
    hf_json_string(writer, "method", evidence->method);
    hf_json_u64(writer, "seed", evidence->seed);
    hf_json_integer(writer, "sessions", (int64_t)evidence->session_count);
    hf_json_integer(writer, "trials", (int64_t)evidence->trial_count);
    hf_json_integer(writer, "failed_trials", (int64_t)evidence->failure_count);
    hf_json_integer(writer, "resets", (int64_t)evidence->reset_count);
    hf_json_object_close(writer);
    (void)snprintf(crc, sizeof crc, "%08" PRIx32, evidence->last_crc);
    hf_json_object_open(writer, "journal");
    hf_json_u64(writer, "records", evidence->records);
    hf_json_string(writer, "last_crc", crc);
    hf_json_object_close(writer);
}

static void write_identity(const struct document *document)
{
    struct hf_json_writer *writer = document->writer;

    hf_json_string(writer, "document", "holdfast certificate");
    hf_json_integer(writer, "format", HF_CERTIFICATE_FORMAT);
    hf_json_string(writer, "kind", document->group == HF_GROUP_ALL ? "machine" : "group");
    write_statement(document);
    write_simulation(document);
    hf_json_object_open(writer, "machine");
    hf_json_string(writer, "name", document->profile->name);
    hf_json_string(writer, "description", document->profile->description);
    hf_json_object_close(writer);
    if (document->group == HF_GROUP_ALL)
        write_groups(document);
    else
        write_group(document);
    write_run(document);
}

/* --- 2: demonstrated ---------------------------------------------------------------------------------- */

static void write_demonstrated(const struct document *document)
{
    const struct hf_plan_soak *soak = &document->soak.plan;
    struct hf_json_writer *writer = document->writer;
    struct hf_text sentence;

    hf_text_init(&sentence, 1024);
    shown_sentence(document, &sentence);
    hf_json_object_open(writer, "demonstrated");
    hf_json_string(writer, "method", "joint soak without a fault; uses no model");
    hf_json_string(writer, "bounds",
                   "the whole machine's rate of faults, and so that of each group in the soak");
    write_rounded(writer, "machine_hours", document->shown.hours, SUM_DIGITS);
    write_rounded(writer, "required_hours", soak->required_s / SECONDS_AN_HOUR, SUM_DIGITS);
    hf_json_integer(writer, "faults", 0);
    hf_json_number(writer, "confidence", document->shown.confidence);
    write_rounded(writer, "rate_upper_per_hour", document->shown.rate_upper_per_hour, SUM_DIGITS);
    write_rounded(writer, "hours_per_fault", document->shown.hours_per_fault, SUM_DIGITS);
    write_words(writer, "sentence", &sentence);
    hf_json_integer(writer, "soaks_begun", soak->attempts);
    hf_json_integer(writer, "attempt_at_these_ratios", document->shown.attempt);
    write_rounded(writer, "confidence_spent", soak->confidence_spent, BELIEF_DIGITS);
    hf_json_object_close(writer);
}

/* --- 3: expected -------------------------------------------------------------------------------------- */

static void write_claim(const struct document *document, int known, double upper_per_hour)
{
    struct hf_json_writer *writer = document->writer;

    hf_json_object_open(writer, "claim");
    hf_json_number(writer, "hours", document->profile->claim_hours);
    hf_json_number(writer, "confidence", document->profile->confidence);
    if (known)
        hf_json_bool(writer, "met", upper_per_hour * document->profile->claim_hours <= 1);
    else
        hf_json_null(writer, "met");
    hf_json_object_close(writer);
}

static void expected_sentence(int known, double median_per_hour, double upper_per_hour, struct hf_text *text)
{
    char median[HF_WORDS_MAX];
    char bound[HF_WORDS_MAX];

    if (!known) {
        hf_text_add_string(
            text, "this search method keeps no belief: nothing is expected beyond what was demonstrated");
        return;
    }
    hf_words_time_about(1 / median_per_hour, median);
    hf_words_time_floor(1 / upper_per_hour, bound);
    hf_text_addf(text,
                 "extrapolated from failures at higher ratios: one fault in %s (median), at most one in %s "
                 "(95 %% bound)",
                 median, bound);
}

/* The machine's rate is the sum over its groups; the sum of upper bounds is an upper bound. */
static int machine_rate(const struct document *document, double *ret_median, double *ret_upper)
{
    double median = 0;
    double upper = 0;

    for (int group = 0; group < document->profile->group_count; group++) {
        double one_median;
        double one_upper;
        int step = document->soak.plan.step[group];

        if (step < 0)
            continue;
        if (!hf_expected_rate(document->evidence, group, step, &one_median, &one_upper))
            return 0;
        median += one_median;
        upper += one_upper;
    }
    *ret_median = median;
    *ret_upper = upper;
    return 1;
}

static void write_model(const struct document *document)
{
    struct hf_json_writer *writer = document->writer;
    int passed = 1;
    int count = 0;

    for (int group = 0; group < document->profile->group_count; group++) {
        struct hf_plan_view view;

        if (document->soak.plan.step[group] < 0 ||
            (document->group != HF_GROUP_ALL && document->group != group))
            continue;
        hf_plan_view(document->evidence->plan, group, &view);
        passed &= view.model_check_passed;
        count += view.model_check_count;
    }
    if (document->group != HF_GROUP_ALL)
        write_rounded(writer, "slope_nats_per_step", document->own.view.slope_median, BELIEF_DIGITS);
    hf_json_bool(writer, "model_check_passed", passed);
    hf_json_integer(writer, "model_check_residuals", count);
}

static void write_expected(const struct document *document)
{
    struct hf_json_writer *writer = document->writer;
    double median = NAN;
    double upper = NAN;
    struct hf_text sentence;
    int known = document->group == HF_GROUP_ALL
                    ? machine_rate(document, &median, &upper)
                    : hf_expected_rate(document->evidence, document->group, document->step, &median, &upper);

    hf_text_init(&sentence, 1024);
    expected_sentence(known, median, upper, &sentence);
    hf_json_object_open(writer, "expected");
    hf_json_bool(writer, "extrapolated", 1);
    hf_json_bool(writer, "available", known);
    write_rounded(writer, "rate_median_per_hour", median, BELIEF_DIGITS);
    write_rounded(writer, "rate_upper_per_hour", upper, BELIEF_DIGITS);
    hf_json_number(writer, "upper_confidence", UPPER_BOUND_CONFIDENCE);
    write_rounded(writer, "hours_per_fault_median", 1 / median, BELIEF_DIGITS);
    write_rounded(writer, "hours_per_fault_lower", 1 / upper, BELIEF_DIGITS);
    write_model(document);
    write_claim(document, known, upper);
    write_words(writer, "sentence", &sentence);
    hf_json_object_close(writer);
}

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

static void write_failure(const struct document *document, const struct hf_evidence_trial *trial)
{
    const struct hf_evidence *evidence = document->evidence;
    struct hf_json_writer *writer = document->writer;
    int step = hf_evidence_step(evidence, trial, document->group);
    const struct hf_evidence_mismatch *mismatch =
        trial->mismatch == HF_EVIDENCE_NOTHING ? NULL : &evidence->mismatches[trial->mismatch];

    hf_json_object_open(writer, NULL);
    hf_json_u64(writer, "trial", trial->trial);
    write_time(writer, "when", trial->end_wall_ns);
    write_rounded(writer, "run_hours", trial->end_s / SECONDS_AN_HOUR, SUM_DIGITS);
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
    write_rounded(writer, "exposure_s", trial->exposure_s, SUM_DIGITS);
    hf_json_object_close(writer);
}

static void write_ratio_or_null(const struct document *document, const char *key, int step)
{
    if (step >= 0)
        hf_json_number(document->writer, key, hf_profile_ratio(document->profile, step));
    else
        hf_json_null(document->writer, key);
}

static void write_group_margin(const struct document *document)
{
    const struct hf_plan_view *view = &document->own.view;
    struct hf_json_writer *writer = document->writer;
    size_t nearest[NEAREST_MAX];
    int count = hf_nearest_failures(document->evidence, document->group, nearest, NEAREST_MAX);

    hf_json_object_open(writer, "margin");
    hf_json_string(writer, "edge", "the ratio with one fault a minute, from the belief");
    write_rounded(writer, "steps_to_edge", view->edge_step_median - document->step, BELIEF_DIGITS);
    write_rounded(writer, "steps_to_edge_low", view->edge_step_low - document->step, BELIEF_DIGITS);
    write_rounded(writer, "steps_to_edge_high", view->edge_step_high - document->step, BELIEF_DIGITS);
    write_ratio_or_null(document, "highest_pass_ratio", view->highest_pass_step);
    write_ratio_or_null(document, "lowest_fail_ratio", view->lowest_fail_step);
    hf_json_array_open(writer, "nearest_failures");
    for (int i = 0; i < count; i++)
        write_failure(document, &document->evidence->trials[nearest[i]]);
    hf_json_array_close(writer);
    hf_json_object_close(writer);
}

static void write_machine_margin(const struct document *document)
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
    write_rounded(document->writer, "smallest_steps_to_edge", smallest, BELIEF_DIGITS);
    if (whose >= 0)
        hf_json_string(document->writer, "smallest_in", document->profile->group[whose].name);
    else
        hf_json_null(document->writer, "smallest_in");
    hf_json_object_close(document->writer);
}

/* --- 5: load, heat, clock, hardware errors ------------------------------------------------------------- */

static void write_kernels(const struct document *document)
{
    struct hf_evidence_kernel kernels[HF_EVIDENCE_KERNELS_MAX];
    int count = hf_evidence_kernels(document->evidence, document->group, kernels);
    struct hf_json_writer *writer = document->writer;

    hf_json_array_open(writer, "kernels");
    for (int i = 0; i < count; i++) {
        hf_json_object_open(writer, NULL);
        hf_json_string(writer, "kernel", kernels[i].kernel);
        hf_json_integer(writer, "width_bits", kernels[i].width_bits);
        write_rounded(writer, "hours", kernels[i].exposure_s / SECONDS_AN_HOUR, SUM_DIGITS);
        hf_json_u64(writer, "blocks", kernels[i].blocks);
        hf_json_integer(writer, "wrong_results", kernels[i].failures);
        hf_json_object_close(writer);
    }
    hf_json_array_close(writer);
}

static void write_load(const struct document *document)
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

static void write_heat(const struct document *document, double highest, double mean)
{
    struct hf_json_writer *writer = document->writer;

    hf_json_object_open(writer, "temperatures");
    if (document->profile->temperature_unwatched)
        hf_json_null(writer, "limit_celsius");
    else
        hf_json_number(writer, "limit_celsius", document->profile->temperature_limit_c);
    write_rounded(writer, "highest_celsius", highest, BELIEF_DIGITS);
    write_rounded(writer, "mean_celsius", mean, BELIEF_DIGITS);
    write_rounded(writer, "soak_highest_celsius", document->soak.celsius_highest, BELIEF_DIGITS);
    write_rounded(writer, "soak_mean_celsius", document->soak.celsius_mean, BELIEF_DIGITS);
    hf_json_object_close(writer);
}

static void write_clock(const struct document *document, double worst)
{
    struct hf_json_writer *writer = document->writer;

    hf_json_object_open(writer, "clock");
    write_rounded(writer, "soak_asked_mhz", document->soak.mhz_asked, BELIEF_DIGITS);
    write_rounded(writer, "soak_measured_mhz", document->soak.mhz_measured, BELIEF_DIGITS);
    write_rounded(writer, "lowest_share_measured", worst, BELIEF_DIGITS);
    hf_json_object_close(writer);
}

static void write_errors(const struct document *document, int corrected, int uncorrected)
{
    hf_json_object_open(document->writer, "hardware_errors");
    hf_json_integer(document->writer, "corrected", corrected);
    hf_json_integer(document->writer, "uncorrected", uncorrected);
    hf_json_integer(document->writer, "during_soak", document->soak.hardware_errors);
    hf_json_object_close(document->writer);
}

/* The machine's own figures are the extremes over its groups. */
static void gather_machine(const struct document *document, struct hf_evidence_group *ret_all)
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

static void write_session_conditions(const struct document *document)
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

static void write_conditions(const struct document *document)
{
    struct hf_json_writer *writer = document->writer;

    hf_json_object_open(writer, "conditions");
    write_session_conditions(document);
    hf_json_number(writer, "voltage_mv", document->profile->voltage_mv);
    hf_json_number(writer, "ambient_celsius", document->profile->conditions_ambient_c);
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

static void write_limits(const struct document *document)
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

static void caution_of_spending(const struct document *document)
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
    write_words(document->writer, NULL, &words);
}

static void caution_of_groups(const struct document *document)
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
    }
}

static void write_cautions(const struct document *document)
{
    struct hf_json_writer *writer = document->writer;

    hf_json_array_open(writer, "cautions");
    caution_of_spending(document);
    caution_of_groups(document);
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

/* --- the whole ---------------------------------------------------------------------------------------- */

static void write_document(const struct document *document, const char *fingerprint)
{
    struct hf_evidence_group all = document->own;

    hf_json_object_open(document->writer, NULL);
    write_identity(document);
    write_demonstrated(document);
    write_expected(document);
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
    write_conditions(document);
    write_limits(document);
    write_cautions(document);
    if (fingerprint != NULL)
        hf_json_string(document->writer, "fingerprint", fingerprint);
    hf_json_object_close(document->writer);
}

static int fingerprint_of(struct document *document, char ret_hex[HF_SHA256_HEX], struct hf_error *error)
{
    struct hf_json_writer writer;
    struct hf_sha256 sha;
    struct hf_text text;
    char crc[16];

    hf_text_init(&text, HF_CERTIFICATE_BYTES_MAX);
    hf_json_begin(&writer, &text, 0);
    document->writer = &writer;
    write_document(document, NULL);
    (void)snprintf(crc, sizeof crc, "%08" PRIx32, document->evidence->last_crc);
    hf_sha256_init(&sha);
    hf_sha256_update(&sha, text.bytes, text.size);
    hf_sha256_update(&sha, crc, strlen(crc));
    hf_sha256_finish(&sha, ret_hex);
    if (text.overflowed)
        (void)hf_fail(error, HF_E_FULL, "the certificate is larger than %d bytes", HF_CERTIFICATE_BYTES_MAX);
    hf_text_release(&text);
    return error->code;
}

static int document_begin(const struct hf_evidence *evidence, int group, struct document *ret_document,
                          struct hf_error *error)
{
    struct hf_certificate_gap gap;
    struct document document = {.evidence = evidence,
                                .profile = evidence->profile,
                                .group = group,
                                .step = -1,
                                .session = hf_last_session(evidence)};

    for (int g = 0; g < evidence->profile->group_count; g++) {
        if ((group == HF_GROUP_ALL ? !evidence->profile->group[g].left_out : g == group) &&
            !hf_certificate_possible(evidence, g, &gap))
            return hf_fail(error, HF_E_UNPROVED, "%s is not proved: %s", evidence->profile->group[g].name,
                           gap.missing);
    }
    if (evidence->records != evidence->finished.sequence)
        return hf_fail(error, HF_E_UNPROVED, "record %" PRIu64 " does not end a finished run",
                       evidence->records);
    hf_evidence_soak(evidence, &document.soak);
    if (group != HF_GROUP_ALL) {
        document.step = document.soak.plan.step[group];
        hf_evidence_group(evidence, group, &document.own);
    }
    document.shown = hf_demonstrated_of(document.soak.plan.served_s, evidence->profile->confidence,
                                        document.soak.plan.repeats_of_same_set + 1);
    *ret_document = document;
    return HF_OK;
}

int hf_certificate_document(const struct hf_evidence *evidence, int group, struct hf_text *ret_text,
                            struct hf_error *error)
{
    struct document document;
    char fingerprint[HF_SHA256_HEX];
    struct hf_json_writer writer;
    struct hf_text text;

    assert(group == HF_GROUP_ALL || (group >= 0 && group < evidence->profile->group_count));
    if (document_begin(evidence, group, &document, error) != HF_OK ||
        fingerprint_of(&document, fingerprint, error) != HF_OK)
        return error->code;
    hf_text_init(&text, HF_CERTIFICATE_BYTES_MAX);
    hf_json_begin(&writer, &text, 2);
    document.writer = &writer;
    write_document(&document, fingerprint);
    hf_text_add_string(&text, "\n");
    if (text.overflowed) {
        hf_text_release(&text);
        return hf_fail(error, HF_E_FULL, "the certificate is larger than %d bytes", HF_CERTIFICATE_BYTES_MAX);
    }
    *ret_text = text;
    return HF_OK;
}
