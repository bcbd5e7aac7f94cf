/* The report's page: tables of failures, of kernels, of what boots said, and the conditions. */
#include <assert.h>
#include <inttypes.h>
#include <math.h>
#include <stdio.h>
#include <string.h>

#include "base/memory.h"
#include "output/plot.h"
#include "output/report_page.h"

#define SECONDS_AN_HOUR 3600.0

/* --- tables ------------------------------------------------------------------------------------------- */

static void write_failure(struct report_page *page, const struct hf_evidence_trial *trial)
{
    const struct report_facts *facts = page->facts;
    char words[HF_WORDS_MAX];

    hf_text_addf(page->base.text, "<tr class=\"one\"><td class=\"n\">%" PRIu64 "</td>", trial->trial);
    hf_words_moment(trial->end_wall_ns, words);
    hf_page_cell(&page->base, "<td>", words);
    hf_page_number_cell(&page->base, "%.2f", trial->end_s / SECONDS_AN_HOUR);
    report_culprit(facts, trial, &page->base.scratch);
    hf_page_add(&page->base, "<td>");
    hf_page_scratch(&page->base);
    report_ratio(facts, trial, &page->base.scratch);
    hf_page_add(&page->base, "</td><td class=\"n\">");
    hf_page_scratch(&page->base);
    hf_page_cell(&page->base, "</td><td>", hf_purpose_name(trial->purpose));
    hf_page_cell(&page->base, "<td>", hf_cause_name(trial->cause));
    hf_words_exposure(trial->exposure_s, words);
    hf_page_cell(&page->base, "<td class=\"n\">", words);
    report_finder(facts, trial, &page->base.scratch);
    hf_page_add(&page->base, "<td>");
    hf_page_scratch(&page->base);
    if (trial->mismatch != HF_EVIDENCE_NOTHING)
        hf_text_addf(page->base.text, "</td><td><code>%016" PRIx64 "</code></td></tr>\n",
                     facts->evidence->mismatches[trial->mismatch].xor_mask);
    else
        hf_page_add(&page->base, "</td><td></td></tr>\n");
    hf_page_add(&page->base, "<tr class=\"run\"><td></td><td colspan=\"9\"><code>");
    report_reproduce(facts, trial, &page->base.scratch);
    hf_page_scratch(&page->base);
    hf_page_add(&page->base, "</code>");
    if (trial->detail != HF_EVIDENCE_NOTHING) {
        hf_page_add(&page->base, " ");
        hf_page_words(&page->base, hf_evidence_words(facts->evidence, trial->detail));
    }
    hf_page_add(&page->base, "</td></tr>\n");
}

void report_page_failures(struct report_page *page)
{
    const struct hf_evidence *evidence = page->facts->evidence;
    size_t rows = (size_t)page->budget.rows;
    size_t first = evidence->failure_count > rows ? evidence->failure_count - rows : 0;

    hf_page_add(&page->base, "<h2>Failed trials</h2>\n");
    if (evidence->failure_count == 0) {
        hf_page_add(&page->base, "<p>None.</p>\n");
        return;
    }
    if (first > 0)
        hf_text_addf(page->base.text, "<p class=\"soft\">The last %zu of %zu.</p>\n", rows,
                     evidence->failure_count);
    hf_page_add(&page->base,
                "<div class=\"scroll\"><table><thead><tr><th class=\"n\">Trial</th><th>When (UTC)</th><th "
                "class=\"n\">Run "
                "hour</th><th>Whose</th><th class=\"n\">Ratio</th><th>Purpose</th><th>Cause</th><th "
                "class=\"n\">After</th>"
                "<th>Found by</th><th>Wrong bits</th></tr></thead><tbody>\n");
    for (size_t i = first; i < evidence->failure_count; i++)
        write_failure(page, &evidence->trials[evidence->failures[i]]);
    hf_page_add(&page->base, "</tbody></table></div>\n");
}

void report_page_kernels(struct report_page *page)
{
    struct hf_evidence_kernel *kernels = hf_allocate(HF_EVIDENCE_KERNELS_MAX, sizeof *kernels);
    int count = kernels ? hf_evidence_kernels(page->facts->evidence, HF_GROUP_ALL, kernels) : 0;

    hf_page_add(&page->base, "<h2>Kernels: which load finds most here</h2>\n");
    if (count == 0)
        hf_page_add(&page->base, "<p>Nothing has been journalled yet.</p>\n");
    else
        hf_page_add(
            &page->base,
            "<table><thead><tr><th>Kernel</th><th class=\"n\">Width, bits</th><th class=\"n\">Hours</th>"
            "<th class=\"n\">Blocks checked</th><th class=\"n\">Wrong results</th><th class=\"n\">An "
            "hour</th>"
            "</tr></thead><tbody>\n");
    for (int i = 0; i < count; i++) {
        double hours = kernels[i].exposure_s / SECONDS_AN_HOUR;

        hf_page_cell(&page->base, "<tr><td>", kernels[i].kernel);
        if (kernels[i].width_bits > 0)
            hf_page_number_cell(&page->base, "%.0f", kernels[i].width_bits);
        else
            hf_page_add(&page->base, "<td class=\"n\">widest</td>");
        hf_page_number_cell(&page->base, "%.2f", hours);
        hf_text_addf(page->base.text, "<td class=\"n\">%" PRIu64 "</td>", kernels[i].blocks);
        hf_page_number_cell(&page->base, "%.0f", kernels[i].failures);
        hf_page_number_cell(&page->base, "%.3g", hours > 0 ? kernels[i].failures / hours : NAN);
        hf_page_add(&page->base, "</tr>\n");
    }
    if (count > 0)
        hf_page_add(&page->base,
                    "</tbody></table>\n<p class=\"soft\">Hours count each trial's share; trials of several "
                    "groups run side "
                    "by side. Crashes and resets name no kernel.</p>\n");
    hf_free(kernels);
}

/* --- what boots said ---------------------------------------------------------------------------------- */

#define BOOTS_MAX 200

static void write_boot(struct report_page *page, const struct hf_evidence_boot_report *boot)
{
    const struct report_facts *facts = page->facts;

    hf_page_add(&page->base, "<tr>");
    hf_page_number_cell(&page->base, "%.2f", boot->time_s / SECONDS_AN_HOUR);
    hf_page_cell(&page->base, "<td>", boot->source);
    hf_page_cell(&page->base, "<td>", boot->severity);
    if (boot->group >= 0 && boot->group < facts->profile->group_count)
        hf_text_addf(&page->base.scratch, "%s ", facts->profile->group[boot->group].name);
    if (boot->cpu >= 0)
        hf_text_addf(&page->base.scratch, "cpu %d", boot->cpu);
    if (page->base.scratch.size == 0)
        hf_text_add_string(&page->base.scratch, "nobody");
    hf_page_scratch_cell(&page->base, "<td>");
    hf_page_cell(&page->base, "<td class=\"said\">", hf_evidence_words(facts->evidence, boot->text));
    hf_page_add(&page->base, "</tr>\n");
}

/* A reset does not say who failed; the next boot's error records may. */
void report_page_boots(struct report_page *page)
{
    const struct hf_evidence *evidence = page->facts->evidence;
    size_t first = evidence->boot_report_count > BOOTS_MAX ? evidence->boot_report_count - BOOTS_MAX : 0;

    if (evidence->reset_count == 0 && evidence->boot_report_count == 0)
        return;
    hf_page_add(&page->base, "<h2>What the next boot said</h2>\n");
    if (evidence->boot_report_count == 0) {
        hf_text_addf(page->base.text,
                     "<p>Nothing: none of the %zu resets left an error record that was found.</p>\n",
                     evidence->reset_count);
        return;
    }
    if (first > 0)
        hf_text_addf(page->base.text, "<p class=\"soft\">The last %d of %zu.</p>\n", BOOTS_MAX,
                     evidence->boot_report_count);
    hf_page_add(&page->base,
                "<div class=\"scroll\"><table><thead><tr><th class=\"n\">Run hour</th>"
                "<th>Source</th><th>Severity</th><th>Names</th><th>Words</th></tr></thead><tbody>\n");
    for (size_t i = first; i < evidence->boot_report_count; i++)
        write_boot(page, &evidence->boot_reports[i]);
    hf_page_add(&page->base, "</tbody></table></div>\n");
}

/* --- conditions ------------------------------------------------------------------------------------------
 */

void report_page_conditions(struct report_page *page)
{
    const struct hf_evidence *evidence = page->facts->evidence;
    const struct hf_profile *profile = page->facts->profile;
    const struct hf_evidence_session *session = hf_last_session(evidence);

    hf_page_add(&page->base, "<h2>Conditions</h2>\n<dl>");
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
    hf_page_add(&page->base, "</dl>\n");
}
