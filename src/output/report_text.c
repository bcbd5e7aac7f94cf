/* The report as text for a terminal of 80 columns. Whatever came from a file is made harmless before it is
 * shown. */
#include <inttypes.h>
#include <math.h>
#include <stdio.h>
#include <string.h>

#include "base/memory.h"
#include "output/report.h"

#define ROWS_MAX        20
#define SECONDS_AN_HOUR 3600.0
#define CELL_BYTES      1024

/* Adds the scratch text made harmless, padded to `width` columns (negative: to the right), and clears it. */
static void add_cell(struct hf_text *text, struct hf_text *scratch, int width)
{
    struct hf_text safe;
    int columns = 0;
    int wanted = width < 0 ? -width : width;

    hf_text_init(&safe, CELL_BYTES * 4);
    hf_words_terminal(&safe, scratch->bytes);
    for (size_t i = 0; i < safe.size; i++)
        columns += ((unsigned char)safe.bytes[i] & 0xc0) != 0x80;
    if (width < 0 && columns < wanted)
        hf_text_addf(text, "%*s", wanted - columns, "");
    hf_text_add(text, safe.bytes, safe.size);
    if (width > 0 && columns < wanted)
        hf_text_addf(text, "%*s", wanted - columns, "");
    hf_text_release(&safe);
    hf_text_clear(scratch);
}

#define COLUMNS 79

/* The scratch text made harmless, broken at blanks so that a line has at most COLUMNS columns, later lines
 * indented. */
static void add_line(struct hf_text *text, struct hf_text *scratch, int indent)
{
    int column = indent;
    struct hf_text safe;

    hf_text_init(&safe, CELL_BYTES * 32);
    hf_words_terminal(&safe, scratch->bytes);
    hf_text_clear(scratch);
    for (const char *at = safe.bytes; *at != '\0';) {
        size_t bytes = strcspn(at, " ");
        int width = 0;

        for (size_t i = 0; i < bytes; i++)
            width += ((unsigned char)at[i] & 0xc0) != 0x80;
        if (column > indent && column + 1 + width > COLUMNS) {
            hf_text_addf(text, "\n%*s", indent, "");
            column = indent;
        } else if (column > indent) {
            hf_text_add_string(text, " ");
            column++;
        }
        hf_text_add(text, at, bytes);
        column += width;
        at += bytes + (at[bytes] == ' ');
    }
    hf_text_add_string(text, "\n");
    hf_text_release(&safe);
}

static void write_head(const struct report_facts *facts, struct hf_text *text, struct hf_text *scratch)
{
    const struct hf_evidence *evidence = facts->evidence;
    char begun[HF_WORDS_MAX];
    char took[HF_WORDS_MAX];

    hf_words_moment(evidence->first_wall_ns, begun);
    hf_words_exposure(evidence->last_s, took);
    hf_text_addf(scratch, "%s: ", facts->profile->name);
    report_state(facts, scratch);
    add_line(text, scratch, 0);
    hf_text_addf(
        scratch,
        "Run begun %s UTC, %s of run time in %zu session%s, %zu trials of which %zu failed, %zu reset%s.",
        begun, took, evidence->session_count, evidence->session_count == 1 ? "" : "s", evidence->trial_count,
        evidence->failure_count, evidence->reset_count, evidence->reset_count == 1 ? "" : "s");
    add_line(text, scratch, 0);
    if (hf_is_simulated(evidence)) {
        hf_simulation_words(evidence, scratch);
        add_line(text, scratch, 0);
    }
    if (evidence->torn)
        hf_text_add_string(text, "The journal's last line is torn and was left out.\n");
    hf_text_add_string(text, "\nDemonstrated  ");
    report_shown(facts, scratch);
    if (facts->soak.plan.attempts > 1)
        hf_text_addf(scratch,
                     " Soak number %d; the chance that such a walk certifies too much is at most %.3g.",
                     facts->soak.plan.attempts, facts->soak.plan.confidence_spent);
    add_line(text, scratch, 14);
}

static void write_group(const struct report_facts *facts, int group, struct hf_text *text,
                        struct hf_text *scratch)
{
    const struct hf_evidence_group *own = &facts->group[group];
    char ratio[HF_WORDS_MAX];
    char exposure[HF_WORDS_MAX];

    hf_words_ratio(facts->profile, own->step, ratio);
    hf_words_exposure(own->exposure_s, exposure);
    hf_text_add_string(scratch, facts->profile->group[group].name);
    add_cell(text, scratch, 10);
    hf_text_addf(text, "%6s %6.0f  %-18s %5d %5d %6d %9s", ratio, hf_profile_mhz(facts->profile, own->step),
                 own->state, own->passes, own->fails, own->unnamed, exposure);
    if (facts->true_limit != NULL && facts->true_limit[group] >= 0 &&
        facts->true_limit[group] < facts->profile->step_count) {
        hf_words_ratio(facts->profile, facts->true_limit[group], ratio);
        hf_text_addf(text, " %7s", ratio);
    }
    hf_text_add_string(text, "\n");
}

static void write_groups(const struct report_facts *facts, struct hf_text *text, struct hf_text *scratch)
{
    hf_text_addf(text, "\n%-10s%6s %6s  %-18s %5s %5s %6s %9s%s\n", "Group", "ratio", "MHz", "state", "pass",
                 "fail", "reset?", "exposure", facts->true_limit ? "    true" : "");
    for (int group = 0; group < facts->profile->group_count; group++)
        write_group(facts, group, text, scratch);
    hf_text_add_string(text, "\nExpected, extrapolated from failures at higher ratios: one fault in ...\n");
    for (int group = 0; group < facts->profile->group_count; group++) {
        const struct hf_evidence_group *own = &facts->group[group];

        hf_text_add_string(scratch, facts->profile->group[group].name);
        add_cell(text, scratch, 10);
        report_expected(facts, group, scratch);
        if (own->has_view && !own->view.model_check_passed)
            hf_text_add_string(scratch, " (doubtful: its faults do not follow the model)");
        add_line(text, scratch, 10);
    }
    for (int group = 0; group < facts->profile->group_count; group++) {
        if (facts->group[group].has_view)
            hf_words_defect(facts->profile, group, &facts->group[group].view, scratch);
        if (scratch->size > 0)
            add_line(text, scratch, 0);
    }
    hf_words_deadline(facts->evidence->plan, scratch);
    if (scratch->size > 0)
        add_line(text, scratch, 0);
}

static void write_failure(const struct report_facts *facts, const struct hf_evidence_trial *trial,
                          struct hf_text *text, struct hf_text *scratch)
{
    char exposure[HF_WORDS_MAX];

    hf_words_exposure(trial->exposure_s, exposure);
    hf_text_addf(text, "%5" PRIu64 " %7.2f  ", trial->trial, trial->end_s / SECONDS_AN_HOUR);
    report_ratio(facts, trial, scratch);
    add_cell(text, scratch, 6);
    hf_text_addf(text, "%-14s %8s  ", hf_cause_name(trial->cause), exposure);
    report_culprit(facts, trial, scratch);
    add_cell(text, scratch, trial->mismatch == HF_EVIDENCE_NOTHING ? 0 : 11);
    report_finder(facts, trial, scratch);
    add_cell(text, scratch, 0);
    hf_text_add_string(text, "\n       ");
    report_reproduce(facts, trial, scratch);
    add_cell(text, scratch, 0);
    hf_text_add_string(text, "\n");
}

static void write_failures(const struct report_facts *facts, struct hf_text *text, struct hf_text *scratch)
{
    const struct hf_evidence *evidence = facts->evidence;
    size_t first = evidence->failure_count > ROWS_MAX ? evidence->failure_count - ROWS_MAX : 0;

    if (evidence->failure_count == 0) {
        hf_text_add_string(text, "\nNo failures.\n");
        return;
    }
    hf_text_addf(text, "\nFailed trials (%zu%s)\n", evidence->failure_count,
                 first > 0 ? ", the last 20" : "");
    hf_text_addf(text, "%5s %7s  %-6s%-14s %8s  %-10s %s\n", "trial", "hour", "ratio", "cause", "after",
                 "whose", "found by");
    for (size_t i = first; i < evidence->failure_count; i++)
        write_failure(facts, &evidence->trials[evidence->failures[i]], text, scratch);
}

static void write_kernels(const struct report_facts *facts, struct hf_text *text, struct hf_text *scratch)
{
    struct hf_evidence_kernel *kernels = hf_allocate(HF_EVIDENCE_KERNELS_MAX, sizeof *kernels);
    int count = kernels ? hf_evidence_kernels(facts->evidence, HF_GROUP_ALL, kernels) : 0;

    if (count > 0)
        hf_text_addf(text, "\n%-22s %6s %9s %14s %13s %9s\n", "Kernel", "width", "hours", "blocks",
                     "wrong results", "per hour");
    for (int i = 0; i < count; i++) {
        double hours = kernels[i].exposure_s / SECONDS_AN_HOUR;

        hf_text_add_string(scratch, kernels[i].kernel);
        add_cell(text, scratch, 22);
        hf_text_addf(text, " %6d %9.2f %14" PRIu64 " %13d ", kernels[i].width_bits, hours, kernels[i].blocks,
                     kernels[i].failures);
        if (hours > 0)
            hf_text_addf(text, "%9.3g\n", kernels[i].failures / hours);
        else
            hf_text_addf(text, "%9s\n", "-");
    }
    hf_free(kernels);
}

/* A reset does not say who failed; the next boot may. */
static void write_boots(const struct report_facts *facts, struct hf_text *text, struct hf_text *scratch)
{
    const struct hf_evidence *evidence = facts->evidence;
    size_t first = evidence->boot_report_count > 20 ? evidence->boot_report_count - 20 : 0;

    if (evidence->boot_report_count == 0)
        return;
    hf_text_addf(text, "\nWhat the next boot said (%zu%s)\n", evidence->boot_report_count,
                 first > 0 ? ", the last 20" : "");
    for (size_t i = first; i < evidence->boot_report_count; i++) {
        const struct hf_evidence_boot_report *boot = &evidence->boot_reports[i];

        hf_text_addf(text, "%8.2f h  ", boot->time_s / SECONDS_AN_HOUR);
        hf_text_addf(scratch, "%s, %s", boot->source, boot->severity);
        add_cell(text, scratch, 28);
        if (boot->group >= 0 && boot->group < facts->profile->group_count)
            hf_text_addf(text, " %s", facts->profile->group[boot->group].name);
        if (boot->cpu >= 0)
            hf_text_addf(text, " cpu %d", boot->cpu);
        hf_text_add_string(text, ": ");
        hf_words_terminal(text, hf_evidence_words(evidence, boot->text));
        hf_text_add_string(text, "\n");
    }
}

static void write_what_next(const struct report_facts *facts, struct hf_text *text)
{
    if (facts->proved && facts->spoiled == 0)
        return;
    hf_text_add_string(text, "\nNot proved\n");
    hf_certificate_gaps(facts->evidence, text);
    if (facts->spoiled > 0)
        hf_text_add_string(text, "The ratios failed after they had been proved: search again.\n");
}

void hf_report_text(const struct hf_evidence *evidence, const int *true_limit, struct hf_text *text)
{
    struct report_facts *facts = report_facts_new(evidence, true_limit);
    struct hf_text scratch;

    if (facts == NULL) {
        text->overflowed = 1;
        return;
    }
    hf_text_init(&scratch, CELL_BYTES * 8);
    write_head(facts, text, &scratch);
    write_groups(facts, text, &scratch);
    write_failures(facts, text, &scratch);
    write_kernels(facts, text, &scratch);
    write_boots(facts, text, &scratch);
    write_what_next(facts, text);
    hf_text_release(&scratch);
    hf_free(facts);
}
