/*
 * report.html: one page that needs nothing but itself: no script, no font, no network. It reads on a dark
 * screen, on a light one and on paper; colours are of the set by Okabe and Ito (2008), which survives
 * colour-blindness, and each mark has a shape of its own besides.
 *
 * Every string that comes from a profile or a journal goes through hf_words_html(), here or in plot.c.
 */
#include <assert.h>
#include <inttypes.h>
#include <math.h>
#include <stdio.h>
#include <string.h>

#include "base/memory.h"
#include "output/page.h"
#include "output/plot.h"
#include "output/report.h"

#define SECONDS_AN_HOUR 3600.0

/* What the parts of the page share. */
struct page {
    struct hf_page base;
    const struct report_facts *facts;
    struct report_budget budget;
};

static void add(struct page *page, const char *markup)
{
    hf_page_add(&page->base, markup);
}

static void add_words(struct page *page, const char *words)
{
    hf_page_words(&page->base, words);
}

static void add_scratch(struct page *page)
{
    hf_page_scratch(&page->base);
}

static void add_cell(struct page *page, const char *markup, const char *words)
{
    hf_page_cell(&page->base, markup, words);
}

static void add_number_cell(struct page *page, const char *format, double value)
{
    hf_page_number_cell(&page->base, format, value);
}

/* --- head --------------------------------------------------------------------------------------------- */

static void write_head(struct page *page)
{
    const struct hf_evidence *evidence = page->facts->evidence;
    char begun[HF_WORDS_MAX];
    char title[128];

    hf_text_addf(&page->base.scratch, "%s: which ratios hold", page->facts->profile->name);
    (void)snprintf(title, sizeof title, "%s", page->base.scratch.bytes);
    hf_text_clear(&page->base.scratch);
    hf_page_open(&page->base, title, NULL, NULL);
    hf_plot_shapes(page->base.text);
    add(page, "<h1>");
    add_words(page, page->facts->profile->name);
    add(page, ": which ratios hold</h1>\n<p class=\"soft\">");
    add_words(page, page->facts->profile->description);
    hf_words_moment(evidence->first_wall_ns, begun);
    hf_text_addf(&page->base.scratch, "%sRun begun %s UTC; ",
                 page->facts->profile->description[0] ? ". " : "", begun);
    report_state(page->facts, &page->base.scratch);
    hf_text_add_string(&page->base.scratch, ".");
    add_scratch(page);
    add(page, "</p>\n");
}

static void write_warnings(struct page *page)
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
}

/* --- demonstrated and expected, apart ------------------------------------------------------------------ */

static void write_demonstrated(struct page *page)
{
    const struct report_facts *facts = page->facts;
    char confidence[HF_WORDS_MAX];

    add(page, "<div class=\"card\"><h3>Demonstrated</h3><p class=\"big\">");
    report_shown(facts, &page->base.scratch);
    add_scratch(page);
    add(page, "</p><p class=\"soft\">");
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
    add_scratch(page);
    add(page, "</p></div>\n");
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

static void write_expected(struct page *page)
{
    const struct report_facts *facts = page->facts;
    double median = NAN;
    double upper = NAN;
    int weakest = weakest_group(facts, &median, &upper);
    char about[HF_WORDS_MAX];
    char bound[HF_WORDS_MAX];
    char wanted[HF_WORDS_MAX];

    add(page, "<div class=\"card guess\"><h3>Expected (extrapolated)</h3><p class=\"big\">");
    if (weakest < 0) {
        add(page,
            "This search keeps no belief: nothing is expected beyond what was demonstrated.</p></div>\n");
        return;
    }
    hf_words_time_about(1 / median, about);
    hf_words_time_floor(1 / upper, bound);
    hf_words_time(facts->profile->claim_hours, wanted);
    hf_text_addf(&page->base.scratch,
                 "The group with least to spare, %s: one fault in %s, at least %s (95 %% bound).",
                 facts->profile->group[weakest].name, about, bound);
    add_scratch(page);
    add(page, "</p><p class=\"soft\">");
    hf_text_addf(
        &page->base.scratch,
        "From faults at higher ratios and how their rate falls with each step. Wanted of each group: at most "
        "one fault in %s, so this bound %s it.",
        wanted, upper * facts->profile->claim_hours <= 1 ? "keeps" : "does not keep");
    add_scratch(page);
    add(page, "</p></div>\n");
}

/* --- groups ------------------------------------------------------------------------------------------- */

static void write_tiles(struct page *page)
{
    const struct report_facts *facts = page->facts;
    double low = INFINITY;
    double high = -INFINITY;

    for (int group = 0; group < facts->profile->group_count; group++) {
        low = fmin(low, facts->group[group].step);
        high = fmax(high, facts->group[group].step);
    }
    add(page, "<div class=\"tiles\" role=\"list\" aria-label=\"Groups and their ratios\">");
    for (int group = 0; group < facts->profile->group_count; group++) {
        double share = high > low ? (facts->group[group].step - low) / (high - low) : 0.5;
        char ratio[HF_WORDS_MAX];

        hf_words_ratio(facts->profile, facts->group[group].step, ratio);
        /* One hue, darker with the ratio; the words are black or white, whichever the ground carries. */
        hf_text_addf(
            page->base.text,
            "<div class=\"tile\" role=\"listitem\" style=\"background:hsl(203 %.0f%% %.0f%%);color:%s\">",
            45 + 35 * share, 88 - 56 * share, share > 0.45 ? "#fff" : "#10202e");
        add_words(page, facts->profile->group[group].name);
        hf_text_addf(page->base.text, "<b>%s</b>cpu ", ratio);
        hf_words_group_cpus(facts->profile, group, &page->base.scratch);
        add_scratch(page);
        add(page, "</div>");
    }
    add(page, "</div>\n");
}

static void write_group_row(struct page *page, int group)
{
    const struct report_facts *facts = page->facts;
    const struct hf_evidence_group *own = &facts->group[group];
    char words[HF_WORDS_MAX];

    add_cell(page, "<tr><td>", facts->profile->group[group].name);
    hf_words_ratio(facts->profile, own->step, words);
    add_cell(page, "<td class=\"n\">", words);
    add_number_cell(page, "%.0f", hf_profile_mhz(facts->profile, own->step));
    add_cell(page, "<td>", own->state);
    add_number_cell(page, "%.0f", own->passes);
    add_number_cell(page, "%.0f", own->fails);
    add_number_cell(page, "%.0f", own->unnamed);
    add_number_cell(page, "%.0f", own->voids);
    hf_words_exposure(own->exposure_s, words);
    add_cell(page, "<td class=\"n\">", words);
    add_number_cell(page, "%.1f", own->has_view ? own->view.edge_step_median - own->step : NAN);
    add_number_cell(page, "%.0f", own->celsius_highest);
    report_expected(facts, group, &page->base.scratch);
    add(page, "<td class=\"exp\">");
    add_scratch(page);
    add(page, "</td>");
    if (facts->true_limit != NULL)
        add_number_cell(
            page, "%.2f",
            facts->true_limit[group] >= 0 ? hf_profile_ratio(facts->profile, facts->true_limit[group]) : NAN);
    add(page, "</tr>\n");
}

static void write_groups(struct page *page)
{
    add(page, "<h2>Core groups</h2>\n");
    write_tiles(page);
    add(page, "<div class=\"scroll\"><table><thead><tr><th>Group</th><th class=\"n\">Ratio</th><th "
              "class=\"n\">MHz</th>"
              "<th>State</th><th class=\"n\">Passes</th><th class=\"n\">Failures</th><th class=\"n\">Unnamed "
              "resets</th>"
              "<th class=\"n\">Voids</th><th class=\"n\">Exposure</th><th class=\"n\">Steps to edge</th>"
              "<th class=\"n\">Highest &#176;C</th><th>Expected: one fault in</th>");
    if (page->facts->true_limit != NULL)
        add(page, "<th class=\"n\">True limit</th>");
    add(page, "</tr></thead><tbody>\n");
    for (int group = 0; group < page->facts->profile->group_count; group++)
        write_group_row(page, group);
    add(page, "</tbody></table></div>\n<p class=\"soft\">The edge is the ratio with one fault a minute. A "
              "reset that no "
              "record attributes counts against every group that was under load.</p>\n");
}

/* --- pictures ----------------------------------------------------------------------------------------- */

static void write_key(struct page *page)
{
    static const struct {
        enum hf_mark mark;
        const char *words;
    } keys[] = {{HF_MARK_PASS, "passed"},
                {HF_MARK_FAIL, "failed"},
                {HF_MARK_RESET, "reset, nobody named"},
                {HF_MARK_VOID, "void, or another group failed"},
                {HF_MARK_SOAK, "the soak"}};

    add(page, "<p class=\"key\">");
    for (size_t i = 0; i < sizeof keys / sizeof keys[0]; i++) {
        add(page, "<span>");
        hf_plot_sample(page->base.text, keys[i].mark);
        add_words(page, keys[i].words);
        add(page, "</span>");
    }
    add(page, "<span>green rule: the choice</span><span>blue: the belief</span>");
    if (page->facts->true_limit != NULL)
        add(page, "<span>dotted: the rig's true limit</span>");
    add(page, "</p>\n");
}

/* Groups with most to show: those with failures first. */
static int shown_groups(const struct page *page, int *ret_groups)
{
    const struct hf_profile *profile = page->facts->profile;
    int count = 0;

    for (int pass = 0; pass < 2; pass++) {
        for (int group = 0; group < profile->group_count && count < page->budget.groups; group++) {
            int failed = page->facts->group[group].fails > 0;

            if (!profile->group[group].left_out && failed == (pass == 0))
                ret_groups[count++] = group;
        }
    }
    return count;
}

static int by_index(int *groups, int count)
{
    for (int i = 1; i < count; i++) {
        int group = groups[i];
        int at = i;

        for (; at > 0 && groups[at - 1] > group; at--)
            groups[at] = groups[at - 1];
        groups[at] = group;
    }
    return count;
}

static void write_pictures(struct page *page)
{
    const struct report_facts *facts = page->facts;
    int groups[HF_GROUPS_MAX];
    int count = by_index(groups, shown_groups(page, groups));

    add(page,
        "<h2>Why these ratios</h2>\n<p>Left: every ratio tried and how long it lasted. Right: the time to a "
        "fault "
        "against the ratio. Passes, and the soak, are lower bounds: the fault would have come later.</p>\n");
    write_key(page);
    for (int i = 0; i < count; i++) {
        add(page, "<h3>");
        add_words(page, facts->profile->group[groups[i]].name);
        add(page, "</h3><figure class=\"pair\"><div>");
        report_plot_ladder(page->base.text, facts, groups[i], page->budget.marks, page->base.plots++);
        add(page, "</div><div>");
        report_plot_faults(page->base.text, facts, groups[i], page->budget.marks, page->base.plots++);
        add(page, "</div></figure>\n");
    }
    if (count < facts->profile->group_count)
        hf_text_addf(page->base.text, "<p class=\"soft\">%d of %d groups are drawn.</p>\n", count,
                     facts->profile->group_count);
}

static void write_night(struct page *page)
{
    add(page, "<h2>The run over time</h2>\n<p class=\"key\"><span>blue: passed</span><span>green: soak "
              "passed</span>"
              "<span>orange: failed</span><span>purple: unnamed reset</span><span>grey: void</span>"
              "<span>outlined: running</span></p><figure>");
    report_plot_night(page->base.text, page->facts, page->base.plots);
    page->base.plots += 3;
    add(page, "</figure>\n");
}

/* --- tables ------------------------------------------------------------------------------------------- */

static void write_failure(struct page *page, const struct hf_evidence_trial *trial)
{
    const struct report_facts *facts = page->facts;
    char words[HF_WORDS_MAX];

    hf_text_addf(page->base.text, "<tr class=\"one\"><td class=\"n\">%" PRIu64 "</td>", trial->trial);
    hf_words_moment(trial->end_wall_ns, words);
    add_cell(page, "<td>", words);
    add_number_cell(page, "%.2f", trial->end_s / SECONDS_AN_HOUR);
    report_culprit(facts, trial, &page->base.scratch);
    add(page, "<td>");
    add_scratch(page);
    report_ratio(facts, trial, &page->base.scratch);
    add(page, "</td><td class=\"n\">");
    add_scratch(page);
    add_cell(page, "</td><td>", hf_purpose_name(trial->purpose));
    add_cell(page, "<td>", hf_cause_name(trial->cause));
    hf_words_exposure(trial->exposure_s, words);
    add_cell(page, "<td class=\"n\">", words);
    report_finder(facts, trial, &page->base.scratch);
    add(page, "<td>");
    add_scratch(page);
    if (trial->mismatch != HF_EVIDENCE_NOTHING)
        hf_text_addf(page->base.text, "</td><td><code>%016" PRIx64 "</code></td></tr>\n",
                     facts->evidence->mismatches[trial->mismatch].xor_mask);
    else
        add(page, "</td><td></td></tr>\n");
    add(page, "<tr class=\"run\"><td></td><td colspan=\"9\"><code>");
    report_reproduce(facts, trial, &page->base.scratch);
    add_scratch(page);
    add(page, "</code>");
    if (trial->detail != HF_EVIDENCE_NOTHING) {
        add(page, " ");
        add_words(page, hf_evidence_words(facts->evidence, trial->detail));
    }
    add(page, "</td></tr>\n");
}

static void write_failures(struct page *page)
{
    const struct hf_evidence *evidence = page->facts->evidence;
    size_t rows = (size_t)page->budget.rows;
    size_t first = evidence->failure_count > rows ? evidence->failure_count - rows : 0;

    add(page, "<h2>Failed trials</h2>\n");
    if (evidence->failure_count == 0) {
        add(page, "<p>None.</p>\n");
        return;
    }
    if (first > 0)
        hf_text_addf(page->base.text, "<p class=\"soft\">The last %zu of %zu.</p>\n", rows,
                     evidence->failure_count);
    add(page, "<div class=\"scroll\"><table><thead><tr><th class=\"n\">Trial</th><th>When (UTC)</th><th "
              "class=\"n\">Run "
              "hour</th><th>Whose</th><th class=\"n\">Ratio</th><th>Purpose</th><th>Cause</th><th "
              "class=\"n\">After</th>"
              "<th>Found by</th><th>Wrong bits</th></tr></thead><tbody>\n");
    for (size_t i = first; i < evidence->failure_count; i++)
        write_failure(page, &evidence->trials[evidence->failures[i]]);
    add(page, "</tbody></table></div>\n");
}

static void write_kernels(struct page *page)
{
    struct hf_evidence_kernel *kernels = hf_allocate(HF_EVIDENCE_KERNELS_MAX, sizeof *kernels);
    int count = kernels ? hf_evidence_kernels(page->facts->evidence, HF_GROUP_ALL, kernels) : 0;

    add(page, "<h2>Kernels: which load finds most here</h2>\n");
    if (count == 0)
        add(page, "<p>Nothing has been journalled yet.</p>\n");
    else
        add(page,
            "<table><thead><tr><th>Kernel</th><th class=\"n\">Width, bits</th><th class=\"n\">Hours</th>"
            "<th class=\"n\">Blocks checked</th><th class=\"n\">Wrong results</th><th class=\"n\">An "
            "hour</th>"
            "</tr></thead><tbody>\n");
    for (int i = 0; i < count; i++) {
        double hours = kernels[i].exposure_s / SECONDS_AN_HOUR;

        add_cell(page, "<tr><td>", kernels[i].kernel);
        if (kernels[i].width_bits > 0)
            add_number_cell(page, "%.0f", kernels[i].width_bits);
        else
            add(page, "<td class=\"n\">widest</td>");
        add_number_cell(page, "%.2f", hours);
        hf_text_addf(page->base.text, "<td class=\"n\">%" PRIu64 "</td>", kernels[i].blocks);
        add_number_cell(page, "%.0f", kernels[i].failures);
        add_number_cell(page, "%.3g", hours > 0 ? kernels[i].failures / hours : NAN);
        add(page, "</tr>\n");
    }
    if (count > 0)
        add(page, "</tbody></table>\n<p class=\"soft\">Hours count each trial's share; trials of several "
                  "groups run side "
                  "by side. Crashes and resets name no kernel.</p>\n");
    hf_free(kernels);
}

/* --- conditions, what is missing, how to read it -------------------------------------------------------- */

static void write_conditions(struct page *page)
{
    const struct hf_evidence *evidence = page->facts->evidence;
    const struct hf_profile *profile = page->facts->profile;
    const struct hf_evidence_session *session = hf_last_session(evidence);

    add(page, "<h2>Conditions</h2>\n<dl>");
    for (int i = 0; session != NULL && i < HF_CONDITION_COUNT; i++) {
        char name[48];

        (void)snprintf(name, sizeof name, "%s", hf_condition_key((enum hf_condition)i));
        for (char *at = name; *at != '\0'; at++)
            *at = *at == '_' ? ' ' : *at;
        hf_page_fact(&page->base, name, session->condition[i]);
    }
    hf_page_fact(&page->base, "driver", profile->driver);
    hf_page_fact(&page->base, "mix", profile->mix[0] ? profile->mix : "given in the profile");
    hf_page_number_fact(&page->base, "voltage, as entered", "%g mV", profile->voltage_mv);
    hf_page_number_fact(&page->base, "ambient, as entered", "%g degC", profile->conditions_ambient_c);
    hf_page_fact(&page->base, "note", profile->conditions_note);
    hf_page_number_fact(&page->base, "base clock", "%g MHz", profile->base_clock_mhz);
    hf_page_fact(&page->base, "method", evidence->method);
    hf_page_number_fact(&page->base, "trials", "%.0f", (double)evidence->trial_count);
    hf_page_number_fact(&page->base, "resets", "%.0f", (double)evidence->reset_count);
    hf_page_number_fact(&page->base, "journal records", "%.0f", (double)evidence->records);
    hf_page_fact(&page->base, "tool", evidence->tool);
    hf_page_fact(&page->base, "profile digest", profile->digest);
    hf_page_fact(&page->base, "run identity", evidence->salt);
    add(page, "</dl>\n");
}

static void write_missing(struct page *page)
{
    if (page->facts->proved)
        return;
    add(page, "<h2>What is missing for a certificate</h2>\n<dl>");
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
    add(page, "</dl>\n");
}

static void write_foot(struct page *page)
{
    add(page, "<h2>What this does not prove</h2>\n<p>It bounds a rate; it does not say that no fault will "
              "come. It holds "
              "for this load, these temperatures, this voltage, memory setting, firmware and microcode, and "
              "for now: "
              "verify again after any change, and from time to time. Clocks above the maker's raise power "
              "and heat, a "
              "fault can damage files without a word, and the warranty may end: keep backups.</p>\n");
    hf_page_close(&page->base);
}

static void write_page(struct page *page)
{
    write_head(page);
    write_warnings(page);
    add(page, "<div class=\"two\">");
    write_demonstrated(page);
    write_expected(page);
    add(page, "</div>\n");
    write_missing(page);
    write_groups(page);
    write_pictures(page);
    write_night(page);
    write_failures(page);
    write_kernels(page);
    write_conditions(page);
    write_foot(page);
}

/* Detail is halved until the page fits: the largest run still gets a report. */
int hf_report_html(const struct hf_evidence *evidence, const int *true_limit, struct hf_text *ret_text,
                   struct hf_error *error)
{
    struct report_facts *facts = report_facts_new(evidence, true_limit);
    struct hf_text text;
    struct page page = {.facts = facts, .budget = {.groups = 32, .marks = 600, .rows = 400}};

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
