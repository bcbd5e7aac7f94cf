/*
 * The report as one JSON document for programs:
 *   document "holdfast report", format, machine, directory, state, finished, simulated, run {...},
 * demonstrated {...} or null, groups [...], failures [...] (all of them up to FAILURES_MAX, the last ones),
 * kernels [...], missing [...]. 64-bit numbers are strings. Unknown is null.
 */
#include <math.h>
#include <string.h>

#include "base/memory.h"
#include "holdfast/clock.h"
#include "output/report.h"

#define FAILURES_MAX    2000
#define SECONDS_AN_HOUR 3600.0

static void write_sentence(struct hf_json_writer *writer, const char *key,
                           void (*say)(const struct report_facts *, struct hf_text *),
                           const struct report_facts *facts)
{
    struct hf_text words;

    hf_text_init(&words, 4096);
    say(facts, &words);
    hf_json_string(writer, key, words.bytes);
    hf_text_release(&words);
}

static void write_ratio(const struct report_facts *facts, struct hf_json_writer *writer, const char *key,
                        double step)
{
    if (isnan(step) || step < 0)
        hf_json_null(writer, key);
    else
        hf_json_number(writer, key, facts->profile->ratio_lowest + step * facts->profile->ratio_step);
}

static void write_run(const struct report_facts *facts, struct hf_json_writer *writer)
{
    const struct hf_evidence *evidence = facts->evidence;
    char begun[HF_TIME_TEXT];

    hf_time_format(evidence->first_wall_ns, begun);
    hf_json_object_open(writer, "run");
    hf_json_string(writer, "identity", evidence->salt);
    hf_json_string(writer, "profile_digest", facts->profile->digest);
    hf_json_string(writer, "begun", begun);
    hf_json_number(writer, "hours", evidence->last_s / SECONDS_AN_HOUR);
    hf_json_number(writer, "clock_factor", evidence->clock_factor);
    hf_json_string(writer, "method", evidence->method);
    hf_json_u64(writer, "seed", evidence->seed);
    hf_json_u64(writer, "records", evidence->records);
    hf_json_bool(writer, "torn", evidence->torn);
    hf_json_integer(writer, "sessions", (int64_t)evidence->session_count);
    hf_json_integer(writer, "trials", (int64_t)evidence->trial_count);
    hf_json_integer(writer, "failed_trials", (int64_t)evidence->failure_count);
    hf_json_integer(writer, "resets", (int64_t)evidence->reset_count);
    hf_json_integer(writer, "soaks_begun", facts->soak.plan.attempts);
    hf_json_number(writer, "soak_hours_served", facts->soak.plan.served_s / SECONDS_AN_HOUR);
    hf_json_number(writer, "soak_hours_required", facts->soak.plan.required_s / SECONDS_AN_HOUR);
    hf_json_object_close(writer);
}

static void write_demonstrated(const struct report_facts *facts, struct hf_json_writer *writer)
{
    if (!facts->proved) {
        hf_json_null(writer, "demonstrated");
        return;
    }
    hf_json_object_open(writer, "demonstrated");
    hf_json_number(writer, "machine_hours", facts->shown.hours);
    hf_json_number(writer, "confidence", facts->shown.confidence);
    hf_json_number(writer, "rate_upper_per_hour", facts->shown.rate_upper_per_hour);
    hf_json_number(writer, "hours_per_fault", facts->shown.hours_per_fault);
    hf_json_integer(writer, "attempt_at_these_ratios", facts->shown.attempt);
    hf_json_number(writer, "confidence_spent", facts->soak.plan.confidence_spent);
    write_sentence(writer, "sentence", report_shown, facts);
    hf_json_object_close(writer);
}

static void write_expected(const struct report_facts *facts, int group, struct hf_json_writer *writer)
{
    const struct hf_evidence_group *own = &facts->group[group];
    double median = NAN;
    double upper = NAN;

    if (!facts->profile->group[group].left_out)
        (void)hf_expected_rate(facts->evidence, group, own->step, &median, &upper);
    hf_json_object_open(writer, "expected");
    hf_json_bool(writer, "extrapolated", 1);
    hf_json_number(writer, "rate_median_per_hour", median);
    hf_json_number(writer, "rate_upper_per_hour", upper);
    hf_json_number(writer, "slope_nats_per_step", own->has_view ? own->view.slope_median : NAN);
    write_ratio(facts, writer, "edge_ratio", own->has_view ? own->view.edge_step_median : NAN);
    hf_json_bool(writer, "model_check_passed", own->has_view && own->view.model_check_passed);
    hf_json_object_close(writer);
}

static void write_group(const struct report_facts *facts, int group, struct hf_json_writer *writer)
{
    const struct hf_evidence_group *own = &facts->group[group];
    struct hf_text cpus;

    hf_text_init(&cpus, 65536);
    hf_words_group_cpus(facts->profile, group, &cpus);
    hf_json_object_open(writer, NULL);
    hf_json_string(writer, "name", facts->profile->group[group].name);
    hf_json_string(writer, "cpus", cpus.bytes);
    hf_json_string(writer, "state", own->state);
    hf_json_integer(writer, "step", own->step);
    hf_json_number(writer, "ratio", hf_profile_ratio(facts->profile, own->step));
    hf_json_number(writer, "mhz", hf_profile_mhz(facts->profile, own->step));
    hf_json_integer(writer, "passes", own->passes);
    hf_json_integer(writer, "failures", own->fails);
    hf_json_integer(writer, "unnamed_resets", own->unnamed);
    hf_json_integer(writer, "voids", own->voids);
    hf_json_number(writer, "exposure_hours", own->exposure_s / SECONDS_AN_HOUR);
    hf_json_number(writer, "celsius_highest", own->celsius_highest);
    hf_evidence_meters_write(facts->evidence, &own->meters, writer, "hottest", "celsius");
    hf_json_number(writer, "watts_mean", own->meters.watts_mean);
    hf_json_number(writer, "watts_highest", own->meters.watts_highest);
    hf_json_number(writer, "clock_lowest_share", own->clock_worst);
    hf_json_string(writer, "clock_source", hf_evidence_words(facts->evidence, own->meters.clock_source));
    hf_json_integer(writer, "hardware_errors_corrected", own->corrected);
    hf_json_integer(writer, "hardware_errors_uncorrected", own->uncorrected);
    write_ratio(facts, writer, "highest_pass_ratio", own->has_view ? own->view.highest_pass_step : -1);
    write_ratio(facts, writer, "lowest_fail_ratio", own->has_view ? own->view.lowest_fail_step : -1);
    write_ratio(facts, writer, "true_limit_ratio", facts->true_limit ? facts->true_limit[group] : -1);
    write_expected(facts, group, writer);
    hf_json_object_close(writer);
    hf_text_release(&cpus);
}

static void write_failure(const struct report_facts *facts, const struct hf_evidence_trial *trial,
                          struct hf_json_writer *writer)
{
    int group = trial->indicted >= 0 ? trial->indicted : trial->group;
    const struct hf_evidence_mismatch *mismatch =
        trial->mismatch == HF_EVIDENCE_NOTHING ? NULL : &facts->evidence->mismatches[trial->mismatch];
    struct hf_text line;

    hf_json_object_open(writer, NULL);
    hf_json_u64(writer, "trial", trial->trial);
    hf_json_number(writer, "run_hours", trial->end_s / SECONDS_AN_HOUR);
    hf_json_string(writer, "purpose", hf_purpose_name(trial->purpose));
    hf_json_string(writer, "cause", hf_cause_name(trial->cause));
    if (group >= 0 && group < facts->profile->group_count)
        hf_json_string(writer, "group", facts->profile->group[group].name);
    else
        hf_json_null(writer, "group");
    hf_json_bool(writer, "core_named", trial->indicted >= 0);
    if (trial->cpu >= 0)
        hf_json_integer(writer, "cpu", trial->cpu);
    else
        hf_json_null(writer, "cpu");
    write_ratio(facts, writer, "ratio",
                group >= 0 && group < facts->profile->group_count
                    ? hf_evidence_step(facts->evidence, trial, group)
                    : -1);
    hf_json_number(writer, "exposure_s", trial->exposure_s);
    if (mismatch != NULL) {
        hf_json_string(writer, "kernel", mismatch->kernel);
        hf_json_integer(writer, "width_bits", mismatch->width_bits);
        hf_json_string(writer, "pattern", mismatch->pattern);
        hf_json_hex64(writer, "xor", mismatch->xor_mask);
    }
    hf_text_init(&line, 16384);
    report_reproduce(facts, trial, &line);
    hf_evidence_write_path(writer, "reproduce", line.bytes);
    hf_text_release(&line);
    hf_json_object_close(writer);
}

static void write_failures(const struct report_facts *facts, struct hf_json_writer *writer)
{
    const struct hf_evidence *evidence = facts->evidence;
    size_t first = evidence->failure_count > FAILURES_MAX ? evidence->failure_count - FAILURES_MAX : 0;

    hf_json_array_open(writer, "failures");
    for (size_t i = first; i < evidence->failure_count; i++)
        write_failure(facts, &evidence->trials[evidence->failures[i]], writer);
    hf_json_array_close(writer);
}

static void write_kernels(const struct report_facts *facts, struct hf_json_writer *writer)
{
    struct hf_evidence_kernel *kernels = hf_allocate(HF_EVIDENCE_KERNELS_MAX, sizeof *kernels);
    int count = kernels ? hf_evidence_kernels(facts->evidence, HF_GROUP_ALL, kernels) : 0;

    hf_json_array_open(writer, "kernels");
    for (int i = 0; i < count; i++) {
        hf_json_object_open(writer, NULL);
        hf_json_string(writer, "kernel", kernels[i].kernel);
        hf_json_integer(writer, "width_bits", kernels[i].width_bits);
        hf_json_number(writer, "hours", kernels[i].exposure_s / SECONDS_AN_HOUR);
        hf_json_u64(writer, "blocks", kernels[i].blocks);
        hf_json_integer(writer, "wrong_results", kernels[i].failures);
        hf_json_object_close(writer);
    }
    hf_json_array_close(writer);
    hf_free(kernels);
}

/* What boots said about the end of the one before: the last FAILURES_MAX. */
static void write_boots(const struct report_facts *facts, struct hf_json_writer *writer)
{
    const struct hf_evidence *evidence = facts->evidence;
    size_t first =
        evidence->boot_report_count > FAILURES_MAX ? evidence->boot_report_count - FAILURES_MAX : 0;

    hf_json_array_open(writer, "boot_reports");
    for (size_t i = first; i < evidence->boot_report_count; i++) {
        const struct hf_evidence_boot_report *boot = &evidence->boot_reports[i];

        hf_json_object_open(writer, NULL);
        hf_json_number(writer, "hour", boot->time_s / SECONDS_AN_HOUR);
        hf_json_string(writer, "source", boot->source);
        hf_json_string(writer, "severity", boot->severity);
        if (boot->group >= 0 && boot->group < facts->profile->group_count)
            hf_json_string(writer, "group", facts->profile->group[boot->group].name);
        if (boot->cpu >= 0)
            hf_json_integer(writer, "cpu", boot->cpu);
        hf_json_string(writer, "words", hf_evidence_words(evidence, boot->text));
        hf_json_object_close(writer);
    }
    hf_json_array_close(writer);
}

/* Where the groups lie in a real machine. */
static void write_places(const struct report_facts *facts, struct hf_json_writer *writer)
{
    const struct hf_evidence *evidence = facts->evidence;

    if (!evidence->has_places)
        return;
    hf_json_array_open(writer, "places");
    for (int group = 0; group < facts->profile->group_count; group++) {
        hf_json_object_open(writer, NULL);
        hf_json_string(writer, "group", facts->profile->group[group].name);
        if (evidence->package[group] >= 0)
            hf_json_integer(writer, "package", evidence->package[group]);
        if (evidence->cache_level[group] > 0) {
            hf_json_integer(writer, "cache_level", evidence->cache_level[group]);
            hf_json_u64(writer, "cache_bytes", evidence->cache_bytes[group]);
        }
        hf_json_object_close(writer);
    }
    hf_json_array_close(writer);
}

static void write_missing(const struct report_facts *facts, struct hf_json_writer *writer)
{
    hf_json_array_open(writer, "missing");
    for (int group = 0; group < facts->profile->group_count; group++) {
        struct hf_certificate_gap gap;

        if (hf_certificate_possible(facts->evidence, group, &gap))
            continue;
        hf_json_object_open(writer, NULL);
        hf_json_string(writer, "group", facts->profile->group[group].name);
        hf_json_string(writer, "words", gap.missing);
        hf_json_number(writer, "hours_median", gap.hours_median);
        hf_json_number(writer, "hours_p90", gap.hours_p90);
        hf_json_object_close(writer);
    }
    hf_json_array_close(writer);
}

void hf_report_json(const struct hf_evidence *evidence, const int *true_limit, struct hf_text *text)
{
    struct report_facts *facts = report_facts_new(evidence, true_limit);
    struct hf_json_writer writer;

    if (facts == NULL) {
        text->overflowed = 1;
        return;
    }
    hf_json_begin(&writer, text, 2);
    hf_json_object_open(&writer, NULL);
    hf_json_string(&writer, "document", "holdfast report");
    hf_json_integer(&writer, "format", 1);
    hf_json_string(&writer, "machine", facts->profile->name);
    hf_evidence_write_path(&writer, "directory", evidence->directory);
    write_sentence(&writer, "state", report_state, facts);
    hf_json_bool(&writer, "finished", facts->proved);
    hf_json_integer(&writer, "failures_since_finished", facts->spoiled);
    hf_json_bool(&writer, "simulated", hf_is_simulated(evidence));
    write_run(facts, &writer);
    write_demonstrated(facts, &writer);
    hf_json_array_open(&writer, "groups");
    for (int group = 0; group < facts->profile->group_count; group++)
        write_group(facts, group, &writer);
    hf_json_array_close(&writer);
    write_failures(facts, &writer);
    write_kernels(facts, &writer);
    write_boots(facts, &writer);
    write_places(facts, &writer);
    write_missing(facts, &writer);
    hf_json_object_close(&writer);
    hf_text_add_string(text, "\n");
    hf_free(facts);
}
