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
#include "output/certificate_parts.h"

#define UPPER_BOUND_CONFIDENCE 0.95 /* of hf_plan_view.rate_at_choice_upper_per_hour */

void hf_certificate_rounded(struct hf_json_writer *writer, const char *key, double value, int digits)
{
    char text[40];

    (void)snprintf(text, sizeof text, "%.*g", digits, value);
    hf_json_number(writer, key, strtod(text, NULL));
}

void hf_certificate_time(struct hf_json_writer *writer, const char *key, int64_t wall_ns)
{
    char text[HF_TIME_TEXT];

    hf_time_format(wall_ns, text);
    hf_json_string(writer, key, text);
}

void hf_certificate_words(struct hf_json_writer *writer, const char *key, struct hf_text *words)
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

static void shown_sentence(const struct hf_certificate_document *document, struct hf_text *text)
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

static void write_statement(const struct hf_certificate_document *document)
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
    hf_certificate_words(document->writer, "statement", &words);
}

static void write_simulation(const struct hf_certificate_document *document)
{
    struct hf_text words;

    hf_json_bool(document->writer, "simulated", hf_is_simulated(document->evidence));
    if (!hf_is_simulated(document->evidence)) {
        hf_json_null(document->writer, "simulation");
        return;
    }
    hf_text_init(&words, 1024);
    hf_simulation_words(document->evidence, &words);
    hf_certificate_words(document->writer, "simulation", &words);
}

static void write_cpus(struct hf_json_writer *writer, const struct hf_profile *profile, int group)
{
    struct hf_text cpus;

    hf_text_init(&cpus, 65536);
    hf_words_group_cpus(profile, group, &cpus);
    hf_certificate_words(writer, "cpus", &cpus);
}

static void write_group(const struct hf_certificate_document *document)
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
    hf_certificate_rounded(writer, "mhz", hf_profile_mhz(profile, document->step), SUM_DIGITS);
    hf_json_number(writer, "ratio_step", profile->ratio_step);
    hf_json_number(writer, "baseline_ratio", hf_profile_ratio(profile, own->baseline_step));
    hf_json_number(writer, "highest_ratio", hf_profile_ratio(profile, own->highest_step));
    hf_json_object_close(writer);
}

static void write_one_of_groups(const struct hf_certificate_document *document, int group)
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
    hf_certificate_rounded(writer, "mhz", hf_profile_mhz(profile, step), SUM_DIGITS);
    if (in_soak) {
        hf_certificate_file_name(document->evidence, group, file);
        hf_json_string(writer, "certificate", file);
    } else {
        hf_json_null(writer, "certificate");
    }
    hf_json_object_close(writer);
}

static void write_groups(const struct hf_certificate_document *document)
{
    hf_json_array_open(document->writer, "groups");
    for (int group = 0; group < document->profile->group_count; group++)
        write_one_of_groups(document, group);
    hf_json_array_close(document->writer);
}

static void write_run(const struct hf_certificate_document *document)
{
    const struct hf_evidence *evidence = document->evidence;
    struct hf_json_writer *writer = document->writer;
    char crc[16];

    hf_json_object_open(writer, "run");
    hf_json_string(writer, "identity", evidence->salt);
    hf_json_string(writer, "profile_digest", evidence->profile->digest);
    hf_certificate_time(writer, "begun", evidence->first_wall_ns);
    hf_certificate_time(writer, "finished", evidence->finished.wall_ns);
    hf_certificate_rounded(writer, "hours", evidence->finished.time_s / SECONDS_AN_HOUR, SUM_DIGITS);
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

static void write_identity(const struct hf_certificate_document *document)
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

static void write_demonstrated(const struct hf_certificate_document *document)
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
    hf_certificate_rounded(writer, "machine_hours", document->shown.hours, SUM_DIGITS);
    hf_certificate_rounded(writer, "required_hours", soak->required_s / SECONDS_AN_HOUR, SUM_DIGITS);
    hf_json_integer(writer, "faults", 0);
    hf_json_number(writer, "confidence", document->shown.confidence);
    hf_certificate_rounded(writer, "rate_upper_per_hour", document->shown.rate_upper_per_hour, SUM_DIGITS);
    hf_certificate_rounded(writer, "hours_per_fault", document->shown.hours_per_fault, SUM_DIGITS);
    hf_certificate_words(writer, "sentence", &sentence);
    hf_json_integer(writer, "soaks_begun", soak->attempts);
    hf_json_integer(writer, "attempt_at_these_ratios", document->shown.attempt);
    hf_certificate_rounded(writer, "confidence_spent", soak->confidence_spent, BELIEF_DIGITS);
    hf_json_object_close(writer);
}

/* --- 3: expected -------------------------------------------------------------------------------------- */

static void write_claim(const struct hf_certificate_document *document, int known, double upper_per_hour)
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
static int machine_rate(const struct hf_certificate_document *document, double *ret_median, double *ret_upper)
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

static void write_model(const struct hf_certificate_document *document)
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
        hf_certificate_rounded(writer, "slope_nats_per_step", document->own.view.slope_median, BELIEF_DIGITS);
    hf_json_bool(writer, "model_check_passed", passed);
    hf_json_integer(writer, "model_check_residuals", count);
}

static void write_expected(const struct hf_certificate_document *document)
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
    hf_certificate_rounded(writer, "rate_median_per_hour", median, BELIEF_DIGITS);
    hf_certificate_rounded(writer, "rate_upper_per_hour", upper, BELIEF_DIGITS);
    hf_json_number(writer, "upper_confidence", UPPER_BOUND_CONFIDENCE);
    hf_certificate_rounded(writer, "hours_per_fault_median", 1 / median, BELIEF_DIGITS);
    hf_certificate_rounded(writer, "hours_per_fault_lower", 1 / upper, BELIEF_DIGITS);
    write_model(document);
    write_claim(document, known, upper);
    hf_certificate_words(writer, "sentence", &sentence);
    hf_json_object_close(writer);
}
/* --- the whole ---------------------------------------------------------------------------------------- */

static void write_document(const struct hf_certificate_document *document, const char *fingerprint)
{
    hf_json_object_open(document->writer, NULL);
    write_identity(document);
    write_demonstrated(document);
    write_expected(document);
    hf_certificate_write_evidence(document);
    hf_certificate_write_conditions(document);
    if (fingerprint != NULL)
        hf_json_string(document->writer, "fingerprint", fingerprint);
    hf_json_object_close(document->writer);
}

static int fingerprint_of(struct hf_certificate_document *document, char ret_hex[HF_SHA256_HEX],
                          struct hf_error *error)
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

static int document_begin(const struct hf_evidence *evidence, int group,
                          struct hf_certificate_document *ret_document, struct hf_error *error)
{
    struct hf_certificate_gap gap;
    struct hf_certificate_document document = {.evidence = evidence,
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
    struct hf_certificate_document document;
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
