/* The report's page: the groups, the map of the cores, and the pictures. */
#include <assert.h>
#include <inttypes.h>
#include <limits.h>
#include <math.h>
#include <stdio.h>
#include <string.h>

#include "base/memory.h"
#include "output/plot.h"
#include "output/report_page.h"

#define SECONDS_AN_HOUR 3600.0

/* --- groups ------------------------------------------------------------------------------------------- */

static void write_map(struct report_page *page)
{
    char lowest[HF_WORDS_MAX];
    char highest[HF_WORDS_MAX];
    int low = INT_MAX;
    int high = 0;

    for (int group = 0; group < page->facts->profile->group_count; group++) {
        low = page->facts->group[group].step < low ? page->facts->group[group].step : low;
        high = page->facts->group[group].step > high ? page->facts->group[group].step : high;
    }
    hf_words_ratio(page->facts->profile, low, lowest);
    hf_words_ratio(page->facts->profile, high, highest);
    hf_page_add(&page->base, "<figure class=\"map\">");
    report_plot_map(page->base.text, page->facts, page->base.plots++);
    hf_text_addf(
        page->base.text,
        "</figure>\n<p class=\"key\">Colour: the ratio, from %s (light) to %s (dark). Orange cores: a "
        "failure named them.</p>\n",
        lowest, highest);
}

static void write_group_row(struct report_page *page, int group)
{
    const struct report_facts *facts = page->facts;
    const struct hf_evidence_group *own = &facts->group[group];
    char words[HF_WORDS_MAX];

    hf_page_cell(&page->base, "<tr><td>", facts->profile->group[group].name);
    hf_words_ratio(facts->profile, own->step, words);
    hf_page_cell(&page->base, "<td class=\"n\">", words);
    hf_page_number_cell(&page->base, "%.0f", hf_profile_mhz(facts->profile, own->step));
    hf_page_cell(&page->base, "<td>", own->state);
    hf_page_number_cell(&page->base, "%.0f", own->passes);
    hf_page_number_cell(&page->base, "%.0f", own->fails);
    hf_page_number_cell(&page->base, "%.0f", own->unnamed);
    hf_page_number_cell(&page->base, "%.0f", own->voids);
    hf_words_exposure(own->exposure_s, words);
    hf_page_cell(&page->base, "<td class=\"n\">", words);
    hf_page_number_cell(&page->base, "%.1f", own->has_view ? own->view.edge_step_median - own->step : NAN);
    hf_page_number_cell(&page->base, "%.0f", own->celsius_highest);
    report_expected(facts, group, &page->base.scratch);
    hf_page_add(&page->base, "<td class=\"exp\">");
    hf_page_scratch(&page->base);
    hf_page_add(&page->base, "</td>");
    if (facts->true_limit != NULL)
        hf_page_number_cell(
            &page->base, "%.2f",
            facts->true_limit[group] >= 0 ? hf_profile_ratio(facts->profile, facts->true_limit[group]) : NAN);
    hf_page_add(&page->base, "</tr>\n");
}

void report_page_groups(struct report_page *page)
{
    hf_page_add(&page->base, "<h2>Core groups</h2>\n");
    write_map(page);
    hf_page_add(
        &page->base,
        "<div class=\"scroll\"><table><thead><tr><th>Group</th><th class=\"n\">Ratio</th><th "
        "class=\"n\">MHz</th>"
        "<th>State</th><th class=\"n\">Passes</th><th class=\"n\">Failures</th><th class=\"n\">Unnamed "
        "resets</th>"
        "<th class=\"n\">Voids</th><th class=\"n\">Exposure</th><th class=\"n\">Steps to edge</th>"
        "<th class=\"n\">Highest &#176;C</th><th>Expected: one fault in</th>");
    if (page->facts->true_limit != NULL)
        hf_page_add(&page->base, "<th class=\"n\">True limit</th>");
    hf_page_add(&page->base, "</tr></thead><tbody>\n");
    for (int group = 0; group < page->facts->profile->group_count; group++)
        write_group_row(page, group);
    hf_page_add(&page->base,
                "</tbody></table></div>\n<p class=\"soft\">The edge is the ratio with one fault a minute. A "
                "reset that no "
                "record attributes counts against every group that was under load.</p>\n");
}

/* --- pictures ----------------------------------------------------------------------------------------- */

static void write_key(struct report_page *page)
{
    static const struct {
        enum hf_mark mark;
        const char *words;
    } keys[] = {{HF_MARK_PASS, "passed"},
                {HF_MARK_FAIL, "failed"},
                {HF_MARK_RESET, "reset, nobody named"},
                {HF_MARK_VOID, "void, or another group failed"},
                {HF_MARK_SOAK, "the soak"}};

    hf_page_add(&page->base, "<p class=\"key\">");
    for (size_t i = 0; i < sizeof keys / sizeof keys[0]; i++) {
        hf_page_add(&page->base, "<span>");
        hf_plot_sample(page->base.text, keys[i].mark);
        hf_page_words(&page->base, keys[i].words);
        hf_page_add(&page->base, "</span>");
    }
    hf_page_add(&page->base, "<span>green rule: the choice</span><span>blue: the belief</span>");
    if (page->facts->true_limit != NULL)
        hf_page_add(&page->base, "<span>dotted: the rig's true limit</span>");
    hf_page_add(&page->base, "</p>\n");
}

void report_page_pictures(struct report_page *page)
{
    const struct report_facts *facts = page->facts;
    int groups[HF_GROUPS_MAX];
    int count = report_shown_groups(facts, page->budget.groups, groups);

    hf_page_add(
        &page->base,
        "<h2>Why these ratios</h2>\n<p>Left: every ratio tried and how long it lasted. Right: the time to a "
        "fault "
        "against the ratio. Passes, and the soak, are lower bounds: the fault would have come later.</p>\n");
    write_key(page);
    for (int i = 0; i < count; i++) {
        hf_page_add(&page->base, "<h3>");
        hf_page_words(&page->base, facts->profile->group[groups[i]].name);
        hf_page_add(&page->base, "</h3><figure class=\"pair plot\"><div>");
        report_plot_ladder(page->base.text, facts, groups[i], page->budget.marks, page->base.plots++);
        hf_page_add(&page->base, "</div><div>");
        report_plot_faults(page->base.text, facts, groups[i], page->budget.marks, page->base.plots++);
        hf_page_add(&page->base, "</div></figure>\n");
    }
    if (count < facts->profile->group_count)
        hf_text_addf(page->base.text, "<p class=\"soft\">%d of %d groups are drawn.</p>\n", count,
                     facts->profile->group_count);
}

void report_page_night(struct report_page *page)
{
    hf_page_add(&page->base,
                "<h2>The run over time</h2>\n<p class=\"key\"><span><i class=\"kp\"></i>passed</span>"
                "<span><i class=\"ks\"></i>soak passed</span><span><i class=\"kf\"></i>failed</span>"
                "<span><i class=\"kr\"></i>unnamed reset</span><span><i class=\"kv\"></i>void</span>"
                "<span><i class=\"kc\"></i>cooling</span><span><i class=\"ko\"></i>running</span>"
                "<span>upright lines: resets</span></p><figure class=\"plot\">");
    report_plot_night(page->base.text, page->facts, page->base.plots++);
    (void)report_plot_heat(page->base.text, page->facts, page->base.plots++);
    (void)report_plot_clock(page->base.text, page->facts, page->base.plots++);
    hf_page_add(&page->base, "</figure>\n");
}
