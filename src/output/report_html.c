/*
 * report.html: the run on one page. What is shared by all pages is said in page.h. Every string that comes
 * from a profile or a journal goes through hf_words_html(), in page.c or in plot.c.
 */
#include <assert.h>
#include <inttypes.h>
#include <math.h>
#include <stdio.h>
#include <string.h>

#include "base/memory.h"
#include "output/plot.h"
#include "output/report_page.h"

#define SECONDS_AN_HOUR 3600.0

/* --- head --------------------------------------------------------------------------------------------- */

static void write_head(struct report_page *page)
{
    const struct hf_evidence *evidence = page->facts->evidence;
    char begun[HF_WORDS_MAX];
    char title[128];

    hf_text_addf(&page->base.scratch, "%s: which ratios hold", page->facts->profile->name);
    (void)snprintf(title, sizeof title, "%s", page->base.scratch.bytes);
    hf_text_clear(&page->base.scratch);
    hf_page_open(&page->base, title, NULL, NULL);
    hf_plot_shapes(page->base.text);
    hf_page_add(&page->base, "<h1>");
    hf_page_words(&page->base, page->facts->profile->name);
    hf_page_add(&page->base, ": which ratios hold</h1>\n<p class=\"soft\">");
    hf_page_words(&page->base, page->facts->profile->description);
    hf_words_moment(evidence->first_wall_ns, begun);
    hf_text_addf(&page->base.scratch, "%sRun begun %s UTC; ",
                 page->facts->profile->description[0] ? ". " : "", begun);
    report_state(page->facts, &page->base.scratch);
    hf_text_add_string(&page->base.scratch, ".");
    hf_page_scratch(&page->base);
    hf_page_add(&page->base, "</p>\n");
}

static void write_warnings(struct report_page *page)
{
    const struct report_facts *facts = page->facts;

    if (hf_is_simulated(facts->evidence))
        hf_simulation_words(facts->evidence, &page->base.scratch);
    hf_page_warning(&page->base);
    if (facts->spoiled > 0)
        hf_text_addf(&page->base.scratch,
                     "Since this run finished, %d failures at or below its ratios have been recorded. Its "
                     "certificates "
                     "no longer describe the machine: search again.",
                     facts->spoiled);
    hf_page_warning(&page->base);
    if (facts->evidence->torn)
        hf_text_add_string(&page->base.scratch, "The journal's last line is torn and was left out.");
    hf_page_warning(&page->base);
    for (int group = 0; group < facts->profile->group_count; group++) {
        if (facts->group[group].has_view && !facts->group[group].view.model_check_passed)
            hf_text_addf(
                &page->base.scratch,
                "The faults of %s do not follow the model: what is expected of it is doubtful; what was "
                "demonstrated needs no model. ",
                facts->profile->group[group].name);
    }
    hf_page_warning(&page->base);
    for (int group = 0; group < facts->profile->group_count; group++) {
        if (facts->group[group].has_view)
            hf_words_defect(facts->profile, group, &facts->group[group].view, &page->base.scratch);
    }
    hf_page_warning(&page->base);
    hf_words_deadline(facts->evidence->plan, &page->base.scratch);
    hf_page_warning(&page->base);
}

/* --- demonstrated and expected, apart ------------------------------------------------------------------ */

static void write_demonstrated(struct report_page *page)
{
    const struct report_facts *facts = page->facts;
    char confidence[HF_WORDS_MAX];

    hf_page_add(&page->base, "<div class=\"card\"><h3>Demonstrated</h3><p class=\"big\">");
    report_shown(facts, &page->base.scratch);
    hf_page_scratch(&page->base);
    hf_page_add(&page->base, "</p><p class=\"soft\">");
    hf_words_percent(1 - facts->soak.plan.confidence_spent, confidence);
    if (facts->proved)
        hf_text_addf(
            &page->base.scratch,
            "Uses no model: -ln(1 - confidence) / hours bounds the rate of the whole machine, and so of each "
            "group. Soak number %d; counting every soak of this search, %s.",
            facts->soak.plan.attempts, confidence);
    else
        hf_text_addf(&page->base.scratch,
                     "The soak needs %.2f hours of run time with every group under load at once.",
                     facts->soak.plan.required_s / SECONDS_AN_HOUR);
    hf_page_scratch(&page->base);
    hf_page_add(&page->base, "</p></div>\n");
}

static int weakest_group(const struct report_facts *facts, double *ret_median, double *ret_upper)
{
    int weakest = -1;

    for (int group = 0; group < facts->profile->group_count; group++) {
        double median;
        double upper;

        if (facts->profile->group[group].left_out ||
            !hf_expected_rate(facts->evidence, group, facts->group[group].step, &median, &upper))
            continue;
        if (weakest >= 0 && upper <= *ret_upper)
            continue;
        weakest = group;
        *ret_median = median;
        *ret_upper = upper;
    }
    return weakest;
}

static void write_expected(struct report_page *page)
{
    const struct report_facts *facts = page->facts;
    double median = NAN;
    double upper = NAN;
    int weakest = weakest_group(facts, &median, &upper);
    char about[HF_WORDS_MAX];
    char bound[HF_WORDS_MAX];
    char wanted[HF_WORDS_MAX];

    hf_page_add(&page->base, "<div class=\"card guess\"><h3>Expected (extrapolated)</h3><p class=\"big\">");
    if (weakest < 0) {
        hf_page_add(
            &page->base,
            "This search keeps no belief: nothing is expected beyond what was demonstrated.</p></div>\n");
        return;
    }
    hf_words_time_about(1 / median, about);
    hf_words_time_floor(1 / upper, bound);
    hf_words_time(facts->profile->claim_hours, wanted);
    hf_text_addf(&page->base.scratch,
                 "The group with least to spare, %s: one fault in %s, at least %s (95 %% bound).",
                 facts->profile->group[weakest].name, about, bound);
    hf_page_scratch(&page->base);
    hf_page_add(&page->base, "</p><p class=\"soft\">");
    hf_text_addf(
        &page->base.scratch,
        "From faults at higher ratios and how their rate falls with each step. Wanted of each group: at most "
        "one fault in %s, so this bound %s it.",
        wanted, upper * facts->profile->claim_hours <= 1 ? "keeps" : "does not keep");
    hf_page_scratch(&page->base);
    hf_page_add(&page->base, "</p></div>\n");
}

/* --- what is missing, how to read it, the whole -----------------------------------------------------------
 */

static void write_missing(struct report_page *page)
{
    if (page->facts->proved)
        return;
    hf_page_add(&page->base, "<h2>What is missing for a certificate</h2>\n<dl>");
    for (int group = 0; group < page->facts->profile->group_count; group++) {
        struct hf_certificate_gap gap;

        if (hf_certificate_possible(page->facts->evidence, group, &gap))
            continue;
        hf_text_add_string(&page->base.scratch, gap.missing);
        if (isfinite(gap.hours_median))
            hf_text_addf(&page->base.scratch, "; about %.1f hours more", gap.hours_median);
        hf_page_fact(&page->base, page->facts->profile->group[group].name, page->base.scratch.bytes);
        hf_text_clear(&page->base.scratch);
    }
    hf_page_add(&page->base, "</dl>\n");
}

static void write_foot(struct report_page *page)
{
    hf_page_add(
        &page->base,
        "<h2>What this does not prove</h2>\n<p>It bounds a rate; it does not say that no fault will "
        "come. It holds "
        "for this load, these temperatures, this voltage, memory setting, firmware and microcode, and "
        "for now: "
        "verify again after any change, and from time to time. Clocks above the maker's raise power "
        "and heat, a "
        "fault can damage files without a word, and the warranty may end: keep backups.</p>\n");
    hf_page_close(&page->base);
}

static void write_page(struct report_page *page)
{
    write_head(page);
    write_warnings(page);
    hf_page_add(&page->base, "<div class=\"two\">");
    write_demonstrated(page);
    write_expected(page);
    hf_page_add(&page->base, "</div>\n");
    write_missing(page);
    report_page_groups(page);
    report_page_pictures(page);
    report_page_night(page);
    report_page_failures(page);
    report_page_boots(page);
    report_page_kernels(page);
    report_page_conditions(page);
    write_foot(page);
}

/* Detail is halved until the page fits: the largest run still gets a report. */
int hf_report_html(const struct hf_evidence *evidence, const int *true_limit, struct hf_text *ret_text,
                   struct hf_error *error)
{
    struct report_facts *facts = report_facts_new(evidence, true_limit);
    struct hf_text text;
    struct report_page page = {.facts = facts, .budget = {.groups = 32, .marks = 600, .rows = 400}};

    if (facts == NULL)
        return hf_fail(error, HF_E_MEMORY, "no memory for the report");
    hf_text_init(&text, HF_REPORT_BYTES_MAX);
    hf_page_init(&page.base, &text);
    for (;;) {
        write_page(&page);
        if (!text.overflowed || page.budget.rows < 20)
            break;
        hf_text_clear(&text);
        hf_text_clear(&page.base.scratch);
        page.base.plots = 0;
        page.budget.groups /= 2;
        page.budget.marks /= 2;
        page.budget.rows /= 2;
    }
    hf_page_release(&page.base);
    hf_free(facts);
    if (text.overflowed) {
        hf_text_release(&text);
        return hf_fail(error, HF_E_FULL, "the report is larger than %d bytes", HF_REPORT_BYTES_MAX);
    }
    *ret_text = text;
    return HF_OK;
}
