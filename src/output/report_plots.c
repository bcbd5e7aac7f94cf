/*
 * The report's pictures of one group:
 *
 *   ladder         ratio upwards, exposure to the right on a log scale: each trial of the group is a mark
 *                  where it ended; the belief's edge is a band, the chosen ratio a rule.
 *   time to fault  ratio to the right, time upwards on a log scale: faults where they came, passes as lower
 *                  bounds, the belief's line with its 90 % band, the soak and the claim: why the choice
 * holds.
 */
#include <assert.h>
#include <inttypes.h>
#include <math.h>
#include <stdio.h>
#include <string.h>

#include "base/memory.h"
#include "output/plot.h"
#include "output/report.h"

#define SECONDS_AN_HOUR 3600.0
#define FAULT_RATES_MAX HF_STEPS_MAX
#define SHORTEST_S      0.5 /* shown at least: a log scale has no zero */

static const struct hf_plot_size half_size = {460, 320, 64, 12, 14, 44};

static double ratio_of(const struct report_facts *facts, double step)
{
    return facts->profile->ratio_lowest + step * facts->profile->ratio_step;
}

/* --- what a group's two plots share -------------------------------------------------------------------- */

struct span {
    double low, high; /* steps */
    double longest_s;
};

static void widen(struct span *span, double step)
{
    if (isnan(step) || step < 0)
        return;
    span->low = fmin(span->low, step);
    span->high = fmax(span->high, step);
}

static struct span span_of(const struct report_facts *facts, int group)
{
    const struct hf_evidence *evidence = facts->evidence;
    const struct hf_evidence_group *own = &facts->group[group];
    struct span span = {.low = own->step, .high = own->step, .longest_s = 60};

    for (size_t i = 0; i < evidence->trial_count; i++) {
        const struct hf_evidence_trial *trial = &evidence->trials[i];

        if (!hf_evidence_covers(evidence, trial, group))
            continue;
        widen(&span, hf_evidence_step(evidence, trial, group));
        span.longest_s = fmax(span.longest_s, trial->exposure_s);
    }
    if (facts->true_limit != NULL)
        widen(&span, facts->true_limit[group]);
    if (own->has_view && !isnan(own->view.edge_step_median))
        widen(&span, fmin(own->view.edge_step_median, span.high + 4));
    span.low -= 1;
    span.high += 1;
    return span;
}

static enum hf_mark mark_of(const struct hf_evidence_trial *trial, int against)
{
    if (against == 2)
        return HF_MARK_RESET;
    if (against == 1)
        return HF_MARK_FAIL;
    return trial->verdict == HF_VERDICT_PASS && trial->purpose == HF_PURPOSE_SOAK ? HF_MARK_SOAK
           : trial->verdict == HF_VERDICT_PASS                                    ? HF_MARK_PASS
                                                                                  : HF_MARK_VOID;
}

static void trial_words(const struct hf_evidence_trial *trial, char *ret_words, size_t size)
{
    char exposure[HF_WORDS_MAX];

    hf_words_exposure(trial->exposure_s, exposure);
    (void)snprintf(ret_words, size, "trial %" PRIu64 ", %s: %s, %s after %s", trial->trial,
                   hf_purpose_name(trial->purpose),
                   trial->verdict == HF_VERDICT_NONE ? "running" : hf_verdict_name(trial->verdict),
                   trial->verdict == HF_VERDICT_NONE ? "so far" : hf_cause_name(trial->cause), exposure);
}

static enum hf_mark as_bound(enum hf_mark mark)
{
    return mark == HF_MARK_PASS ? HF_MARK_PASS_BOUND : mark == HF_MARK_SOAK ? HF_MARK_SOAK_BOUND : mark;
}

/* Marks that tell something come last, on top; when there are too many, the oldest of each kind are left out.
 */
static void group_marks(struct hf_plot *plot, const struct report_facts *facts, int group, int marks_max,
                        int time_upwards)
{
    const struct hf_evidence *evidence = facts->evidence;
    static const enum hf_mark order[] = {HF_MARK_VOID, HF_MARK_PASS, HF_MARK_RESET, HF_MARK_FAIL,
                                         HF_MARK_SOAK};

    for (size_t kind = 0; kind < sizeof order / sizeof order[0]; kind++) {
        int left = marks_max / 5;

        for (size_t i = evidence->trial_count; i-- > 0 && left > 0;) {
            const struct hf_evidence_trial *trial = &evidence->trials[i];
            int against = hf_evidence_speaks_against(evidence, trial, group);
            double ratio;
            double time_s = fmax(trial->exposure_s, SHORTEST_S);
            char words[160];

            if (!hf_evidence_covers(evidence, trial, group) || mark_of(trial, against) != order[kind])
                continue;
            ratio = ratio_of(facts, hf_evidence_step(evidence, trial, group));
            trial_words(trial, words, sizeof words);
            hf_plot_mark(plot, time_upwards ? as_bound(order[kind]) : order[kind],
                         time_upwards ? ratio : time_s, time_upwards ? time_s : ratio,
                         order[kind] == HF_MARK_VOID || order[kind] == HF_MARK_PASS ? NULL : words);
            left--;
        }
    }
    hf_text_add_string(plot->text, "\n");
}

static void describe_group(const struct report_facts *facts, int group, const char *what, char *ret_words,
                           size_t size)
{
    const struct hf_evidence_group *own = &facts->group[group];
    char ratio[HF_WORDS_MAX];

    hf_words_ratio(facts->profile, own->step, ratio);
    (void)snprintf(ret_words, size,
                   "%s Group %s: %d passes, %d failures, %d resets without a name; it stands at ratio %s.",
                   what, facts->profile->group[group].name, own->passes, own->fails, own->unnamed, ratio);
}

/* --- ladder ------------------------------------------------------------------------------------------- */

static void edge_band(struct hf_plot *plot, const struct report_facts *facts, int group)
{
    const struct hf_plan_view *view = &facts->group[group].view;

    if (!facts->group[group].has_view || isnan(view->edge_step_median))
        return;
    hf_plot_block(plot, plot->x.low, plot->x.high, ratio_of(facts, view->edge_step_low),
                  ratio_of(facts, view->edge_step_high), "band", NULL);
    hf_plot_rule_across(plot, ratio_of(facts, view->edge_step_median), "fit", HF_SIDE_RIGHT,
                        "one fault a minute (belief)");
}

void report_plot_ladder(struct hf_text *text, const struct report_facts *facts, int group, int marks_max,
                        int number)
{
    struct span span = span_of(facts, group);
    struct hf_axis x = {HF_SCALE_LOG, HF_TICKS_DURATION, SHORTEST_S * 0.8, span.longest_s * 3,
                        "exposure of the trial"};
    struct hf_axis y = {HF_SCALE_LINEAR, HF_TICKS_NUMBER, ratio_of(facts, span.low),
                        ratio_of(facts, span.high), "ratio"};
    char title[96];
    char description[320];
    char words[96];
    char ratio[HF_WORDS_MAX];
    struct hf_plot plot;

    (void)snprintf(title, sizeof title, "Ladder of %s", facts->profile->group[group].name);
    describe_group(facts, group, "Every ratio tried, against the exposure at which the trial ended.",
                   description, sizeof description);
    hf_plot_open(&plot, text, number, &half_size, &x, &y, title, description);
    edge_band(&plot, facts, group);
    hf_plot_axes(&plot);
    if (facts->true_limit != NULL && facts->true_limit[group] >= 0)
        hf_plot_rule_across(&plot,
                            ratio_of(facts, facts->true_limit[group]) + 0.4 * facts->profile->ratio_step,
                            "truth", HF_SIDE_RIGHT, "the rig's true limit");
    hf_words_ratio(facts->profile, facts->group[group].step, ratio);
    (void)snprintf(words, sizeof words, "%s %s", facts->proved ? "proved:" : "at present:", ratio);
    hf_plot_rule_across(&plot, ratio_of(facts, facts->group[group].step), "choice", HF_SIDE_LEFT, words);
    group_marks(&plot, facts, group, marks_max, 0);
    hf_plot_close(&plot);
}

/* --- time to fault ------------------------------------------------------------------------------------ */

static void fitted_line(struct hf_plot *plot, const struct report_facts *facts, int group,
                        const struct span *span)
{
    double *ratio = hf_allocate(4 * FAULT_RATES_MAX, sizeof *ratio);
    double *time[3];
    int first = (int)fmax(ceil(span->low), 0);
    int last = (int)fmin(floor(span->high), facts->profile->step_count - 1);
    int count = 0;

    if (ratio == NULL)
        return;
    for (int i = 0; i < 3; i++)
        time[i] = ratio + (i + 1) * FAULT_RATES_MAX;
    for (int step = first; facts->evidence->plan != NULL && step <= last && count < FAULT_RATES_MAX; step++) {
        double rate[3];

        if (!hf_plan_rate_band(facts->evidence->plan, group, step, rate))
            break;
        ratio[count] = ratio_of(facts, step);
        for (int i = 0; i < 3; i++)
            time[i][count] = SECONDS_AN_HOUR / fmax(rate[i], 1e-12);
        count++;
    }
    hf_plot_band(plot, ratio, time[2], time[0], count, "band");
    hf_plot_line(plot, ratio, time[1], count, "fit");
    hf_free(ratio);
}

void report_plot_faults(struct hf_text *text, const struct report_facts *facts, int group, int marks_max,
                        int number)
{
    struct span span = span_of(facts, group);
    double claim_s = facts->profile->claim_hours * SECONDS_AN_HOUR;
    struct hf_axis x = {HF_SCALE_LINEAR, HF_TICKS_NUMBER, ratio_of(facts, span.low),
                        ratio_of(facts, span.high), "ratio"};
    struct hf_axis y = {HF_SCALE_LOG, HF_TICKS_DURATION, SHORTEST_S * 0.8, fmax(claim_s, span.longest_s) * 6,
                        "time to a fault"};
    char title[96];
    char description[320];
    char words[96];
    char about[HF_WORDS_MAX];
    struct hf_plot plot;

    (void)snprintf(title, sizeof title, "Time to a fault of %s", facts->profile->group[group].name);
    describe_group(facts, group, "When faults came, against the ratio; passes are lower bounds.", description,
                   sizeof description);
    hf_plot_open(&plot, text, number, &half_size, &x, &y, title, description);
    fitted_line(&plot, facts, group, &span);
    hf_plot_axes(&plot);
    if (facts->true_limit != NULL && facts->true_limit[group] >= 0)
        hf_plot_rule_up(&plot, ratio_of(facts, facts->true_limit[group]) + 0.4 * facts->profile->ratio_step,
                        "truth", NULL);
    hf_plot_rule_up(&plot, ratio_of(facts, facts->group[group].step), "choice", NULL);
    /* after the upright rules: its words stay readable where they cross */
    hf_words_time(facts->profile->claim_hours, about);
    (void)snprintf(words, sizeof words, "wanted: one fault in %s at most", about);
    hf_plot_rule_across(&plot, claim_s, "claim", HF_SIDE_LEFT, words);
    group_marks(&plot, facts, group, marks_max, 1);
    hf_plot_close(&plot);
}
