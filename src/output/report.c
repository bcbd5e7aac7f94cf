/* What all forms of the report share: the facts, and how each of them is said. */
#include "output/report.h"

#include <assert.h>
#include <inttypes.h>
#include <limits.h>
#include <math.h>
#include <stdio.h>
#include <string.h>

#include "base/memory.h"

#define SECONDS_AN_HOUR 3600.0

struct report_facts *report_facts_new(const struct hf_evidence *evidence, const int *true_limit)
{
    struct report_facts *facts = hf_allocate(1, sizeof *facts);
    int ignored;

    if (facts == NULL)
        return NULL;
    facts->evidence = evidence;
    facts->profile = evidence->profile;
    facts->true_limit = true_limit;
    hf_evidence_soak(evidence, &facts->soak);
    facts->proved = evidence->finished.sequence != 0 && evidence->plan != NULL && facts->soak.plan.passed;
    if (facts->proved) {
        facts->shown = hf_demonstrated_of(facts->soak.plan.served_s, evidence->profile->confidence,
                                          facts->soak.plan.repeats_of_same_set + 1);
        (void)hf_later_failure(evidence, evidence->finished.sequence, HF_GROUP_ALL, facts->soak.plan.step,
                               &ignored, &facts->spoiled);
    }
    for (int group = 0; group < evidence->profile->group_count; group++)
        hf_evidence_group(evidence, group, &facts->group[group]);
    return facts;
}

/* --- the run ------------------------------------------------------------------------------------------ */

void report_state(const struct report_facts *facts, struct hf_text *text)
{
    const struct hf_evidence *evidence = facts->evidence;
    int in_soak = 0;

    for (int group = 0; group < facts->profile->group_count; group++)
        in_soak += !facts->profile->group[group].left_out;
    if (facts->spoiled > 0)
        hf_text_addf(text, "finished, but %d failures at or below its ratios have been recorded since",
                     facts->spoiled);
    else if (facts->proved)
        hf_text_addf(text, "finished: %d of %d groups proved", in_soak, facts->profile->group_count);
    else if (evidence->plan == NULL)
        hf_text_addf(text, "the search cannot be replayed: %s", evidence->plan_problem);
    else if (evidence->parked)
        hf_text_addf(text, "waits for a person: %s", evidence->parked_reason);
    else
        hf_text_add_string(text, "not finished");
}

void report_shown(const struct report_facts *facts, struct hf_text *text)
{
    char served[HF_WORDS_MAX];
    char between[HF_WORDS_MAX];
    char confidence[HF_WORDS_MAX];

    if (facts->proved) {
        hf_words_time_floor(facts->shown.hours, served);
        hf_words_time_floor(facts->shown.hours_per_fault, between);
        hf_words_percent(facts->shown.confidence, confidence);
        hf_text_addf(
            text, "No fault in %s with all groups soaking together: at most one fault in %s, %s confidence.",
            served, between, confidence);
    } else if (facts->soak.plan.attempts > 0) {
        hf_text_addf(text, "Nothing yet: soak number %d has served %.2f of %.2f hours without a fault.",
                     facts->soak.plan.attempts, facts->soak.plan.served_s / SECONDS_AN_HOUR,
                     facts->soak.plan.required_s / SECONDS_AN_HOUR);
    } else {
        hf_text_add_string(text, "Nothing yet: the joint soak has not begun.");
    }
}

/* --- a group ------------------------------------------------------------------------------------------ */

void report_expected(const struct report_facts *facts, int group, struct hf_text *text)
{
    double median;
    double upper;
    char about[HF_WORDS_MAX];
    char bound[HF_WORDS_MAX];

    if (facts->profile->group[group].left_out ||
        !hf_expected_rate(facts->evidence, group, facts->group[group].step, &median, &upper)) {
        hf_text_add_string(text, "-");
        return;
    }
    hf_words_time_about(1 / median, about);
    hf_words_time_floor(1 / upper, bound);
    hf_text_addf(text, "%s, at least %s", about, bound);
}

int report_shown_groups(const struct report_facts *facts, int max, int *ret_groups)
{
    int count = 0;
    int kept = 0;
    char shown[HF_GROUPS_MAX] = {0};

    for (int pass = 0; pass < 2; pass++) {
        for (int group = 0; group < facts->profile->group_count && count < max; group++) {
            if (facts->profile->group[group].left_out || (facts->group[group].fails > 0) != (pass == 0))
                continue;
            shown[group] = 1;
            count++;
        }
    }
    for (int group = 0; group < facts->profile->group_count; group++) {
        if (shown[group])
            ret_groups[kept++] = group;
    }
    return kept;
}

/* --- a failure ---------------------------------------------------------------------------------------- */

void report_culprit(const struct report_facts *facts, const struct hf_evidence_trial *trial,
                    struct hf_text *text)
{
    if (trial->indicted >= 0 && trial->indicted < facts->profile->group_count) {
        hf_text_add_string(text, facts->profile->group[trial->indicted].name);
        if (trial->cpu >= 0)
            hf_text_addf(text, " cpu %d", trial->cpu);
    } else if (trial->group >= 0 && trial->group < facts->profile->group_count) {
        hf_text_addf(text, "%s?", facts->profile->group[trial->group].name);
    } else {
        hf_text_add_string(text, "nobody named");
    }
}

void report_finder(const struct report_facts *facts, const struct hf_evidence_trial *trial,
                   struct hf_text *text)
{
    const struct hf_evidence_mismatch *mismatch;

    if (trial->mismatch == HF_EVIDENCE_NOTHING)
        return;
    mismatch = &facts->evidence->mismatches[trial->mismatch];
    hf_text_addf(text, "%s %d, %s", mismatch->kernel, mismatch->width_bits, mismatch->pattern);
}

void report_ratio(const struct report_facts *facts, const struct hf_evidence_trial *trial,
                  struct hf_text *text)
{
    char ratio[HF_WORDS_MAX];
    int group = trial->group == HF_GROUP_ALL ? trial->indicted : trial->group;
    int step = group >= 0 && group < facts->profile->group_count
                   ? hf_evidence_step(facts->evidence, trial, group)
                   : -1;

    if (step < 0) {
        hf_text_add_string(text, "joint");
        return;
    }
    hf_words_ratio(facts->profile, step, ratio);
    hf_text_add_string(text, ratio);
}

/* In single quotes for a POSIX shell unless it is plain. */
static void add_shell_word(struct hf_text *text, const char *word)
{
    static const char plain[] = "abcdefghijklmnopqrstuvwxyzABCDEFGHIJKLMNOPQRSTUVWXYZ0123456789/._-+=:,@%";

    if (word[0] != '\0' && strspn(word, plain) == strlen(word)) {
        hf_text_add_string(text, word);
        return;
    }
    hf_text_add_string(text, "'");
    for (; *word != '\0'; word++) {
        if (*word == '\'')
            hf_text_add_string(text, "'\\''");
        else
            hf_text_add(text, word, 1);
    }
    hf_text_add_string(text, "'");
}

void report_reproduce(const struct report_facts *facts, const struct hf_evidence_trial *trial,
                      struct hf_text *text)
{
    hf_text_add_string(text, "holdfast reproduce --run ");
    add_shell_word(text, facts->evidence->directory);
    hf_text_addf(text, " --trial %" PRIu64, trial->trial);
}

/* --- the end of a command --------------------------------------------------------------------------------
 */

void hf_report_summary(const struct hf_evidence *evidence, struct hf_text *text)
{
    struct report_facts *facts = report_facts_new(evidence, NULL);
    struct hf_text words;

    if (facts == NULL)
        return;
    hf_text_init(&words, 65536);
    hf_text_addf(&words, "%s: ", facts->profile->name);
    report_state(facts, &words);
    hf_text_add_string(&words, ". ");
    report_shown(facts, &words);
    if (hf_is_simulated(evidence)) {
        hf_text_add_string(&words, " ");
        hf_simulation_words(evidence, &words);
    }
    hf_words_terminal(text, words.bytes);
    hf_text_add_string(text, "\n");
    for (int group = 0; group < facts->profile->group_count; group++) {
        char ratio[HF_WORDS_MAX];

        hf_words_ratio(facts->profile, facts->group[group].step, ratio);
        hf_text_addf(text, "  %-10s ratio %6s, %.0f MHz, %s\n", facts->profile->group[group].name, ratio,
                     hf_profile_mhz(facts->profile, facts->group[group].step), facts->group[group].state);
    }
    hf_text_release(&words);
    hf_free(facts);
}

/* --- report.html -------------------------------------------------------------------------------------- */

int hf_report_write(const char *directory, const int *true_limit, struct hf_error *error)
{
    struct hf_evidence *evidence = NULL;
    char path[PATH_MAX];
    struct hf_text page;
    int code;

    if (snprintf(path, sizeof path, "%s/report.html", directory) >= (int)sizeof path)
        return hf_fail(error, HF_E_INPUT, "the path %.60s... is too long", directory);
    if (hf_evidence_open(directory, &evidence, error) != HF_OK)
        return error->code;
    code = hf_report_html(evidence, true_limit, &page, error);
    if (code == HF_OK) {
        code = hf_run_directory_check(directory, error);
        if (code == HF_OK)
            code = hf_text_write_private(&page, path, error);
        hf_text_release(&page);
    }
    hf_evidence_free(evidence);
    return code;
}
