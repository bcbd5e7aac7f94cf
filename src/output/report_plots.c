/*
 * The report's pictures.
 *
 *   ladder          ratio upwards, exposure to the right on a log scale: each trial of the group is a mark
 * where it ended; the belief's edge is a band, the chosen ratio a rule. time to fault   ratio to the right,
 * time upwards on a log scale: faults where they came, passes as lower bounds, the belief's line with its 90
 * % band, the soak and the claim: why the choice holds. night           one row a group, trials as blocks;
 * resets across all rows; temperature and clock beneath.
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
    hf_words_time(facts->profile->claim_hours, about);
    (void)snprintf(words, sizeof words, "wanted: one fault in %s at most", about);
    hf_plot_rule_across(&plot, claim_s, "claim", HF_SIDE_LEFT, words);
    if (facts->true_limit != NULL && facts->true_limit[group] >= 0)
        hf_plot_rule_up(&plot, ratio_of(facts, facts->true_limit[group]) + 0.4 * facts->profile->ratio_step,
                        "truth", NULL);
    hf_plot_rule_up(&plot, ratio_of(facts, facts->group[group].step), "choice", NULL);
    group_marks(&plot, facts, group, marks_max, 1);
    hf_plot_close(&plot);
}

/* --- night -------------------------------------------------------------------------------------------- */

struct night_layout {
    struct hf_plot_size size;
    struct hf_axis hours;
    double row; /* pixels */
};

static const char *block_style(const struct hf_evidence *evidence, const struct hf_evidence_trial *trial,
                               int group)
{
    int against = hf_evidence_speaks_against(evidence, trial, group);

    if (against == 1)
        return "bf";
    if (against == 2)
        return "br";
    if (trial->verdict == HF_VERDICT_PASS)
        return trial->purpose == HF_PURPOSE_SOAK ? "bs" : "bp";
    return trial->verdict == HF_VERDICT_NONE ? "bo" : "bv";
}

/* Neighbours of one kind that would be narrower than a pixel become one block: a long night stays a small
 * page. */
static void night_row(struct hf_plot *plot, const struct report_facts *facts, int group, double low,
                      double high)
{
    const struct hf_evidence *evidence = facts->evidence;
    const char *style = NULL;
    double begin = 0;
    double end = 0;
    double pixel = (plot->x.high - plot->x.low) / plot->width;

    for (size_t i = 0; i < evidence->trial_count; i++) {
        const struct hf_evidence_trial *trial = &evidence->trials[i];
        double until = isnan(trial->end_s) ? evidence->last_s : trial->end_s;
        const char *own;

        if (!hf_evidence_covers(evidence, trial, group))
            continue;
        own = block_style(evidence, trial, group);
        if (style != NULL && strcmp(own, style) == 0 && trial->begin_s - end < pixel &&
            until - trial->begin_s < pixel) {
            end = until;
            continue;
        }
        if (style != NULL)
            hf_plot_block(plot, begin, end, low, high, style, NULL);
        style = own;
        begin = trial->begin_s;
        end = until;
    }
    if (style != NULL)
        hf_plot_block(plot, begin, end, low, high, style, NULL);
    hf_text_add_string(plot->text, "\n");
}

static void reset_rules(struct hf_plot *plot, const struct hf_evidence *evidence)
{
    double pixel = (plot->x.high - plot->x.low) / plot->width;
    double last = -INFINITY;

    for (size_t i = 0; i < evidence->reset_count; i++) {
        if (evidence->resets[i].time_s - last < pixel)
            continue;
        last = evidence->resets[i].time_s;
        hf_plot_rule_up(plot, last, "reset", NULL);
        hf_text_addf(plot->text, "<path class=\"mr\" d=\"M%.1f %.1fl4-7h-8z\"/>", hf_plot_x(plot, last),
                     plot->top);
    }
}

static void night_rows(struct hf_text *text, const struct report_facts *facts,
                       const struct night_layout *layout, int number)
{
    int groups = facts->profile->group_count;
    struct hf_axis rows = {HF_SCALE_LINEAR, HF_TICKS_NONE, 0, groups, NULL};
    char description[200];
    struct hf_plot plot;

    (void)snprintf(description, sizeof description,
                   "Trials of %d groups over %.1f hours of run time, with %zu resets and %zu failures.",
                   groups, facts->evidence->last_s / SECONDS_AN_HOUR, facts->evidence->reset_count,
                   facts->evidence->failure_count);
    hf_plot_open(&plot, text, number, &layout->size, &layout->hours, &rows, "The run over time", description);
    hf_plot_axes(&plot);
    for (int group = 0; group < groups; group++) {
        double low = groups - group - 1 + 0.14;

        if (layout->row >= 10)
            hf_plot_words(&plot, plot.left - 6, hf_plot_y(&plot, low + 0.36) + 4, "end", "tick",
                          facts->profile->group[group].name);
        night_row(&plot, facts, group, low, low + 0.72);
    }
    reset_rules(&plot, facts->evidence);
    hf_plot_close(&plot);
}

static double celsius_of(const struct hf_evidence_trial *trial)
{
    return trial->celsius_highest;
}

static double clock_of(const struct hf_evidence_trial *trial)
{
    return 100 * trial->mhz_measured / trial->mhz_asked;
}

/* A value of each trial at its end, as dots; nothing when no trial has one. Returns how many it drew. */
static int night_values(struct hf_text *text, const struct report_facts *facts,
                        const struct night_layout *layout,
                        double (*value_of)(const struct hf_evidence_trial *), const char *label,
                        double least_span, int number)
{
    const struct hf_evidence *evidence = facts->evidence;
    struct hf_plot_size size = layout->size;
    struct hf_axis y = {HF_SCALE_LINEAR, HF_TICKS_NUMBER, INFINITY, -INFINITY, label};
    size_t every = evidence->trial_count / 1500 + 1;
    struct hf_plot plot;
    int count = 0;

    size.height = 150;
    for (size_t i = 0; i < evidence->trial_count; i++) {
        double value = value_of(&evidence->trials[i]);

        if (isfinite(value) && evidence->trials[i].verdict != HF_VERDICT_NONE) {
            y.low = fmin(y.low, value);
            y.high = fmax(y.high, value);
            count++;
        }
    }
    if (count == 0)
        return 0;
    if (y.high - y.low < least_span) {
        double middle = (y.high + y.low) / 2;

        y.low = middle - least_span / 2;
        y.high = middle + least_span / 2;
    }
    y.low -= (y.high - y.low) * 0.1;
    y.high += (y.high - y.low) * 0.1;
    hf_plot_open(&plot, text, number, &size, &layout->hours, &y, label,
                 "The value of each trial, at its end.");
    hf_plot_axes(&plot);
    hf_text_addf(text, "<path class=\"dots\" d=\"");
    for (size_t i = 0; i < evidence->trial_count; i += every) {
        double value = value_of(&evidence->trials[i]);

        if (isfinite(value) && evidence->trials[i].verdict != HF_VERDICT_NONE)
            hf_text_addf(text, "M%.1f %.1fh0", hf_plot_x(&plot, evidence->trials[i].end_s),
                         hf_plot_y(&plot, value));
    }
    hf_text_add_string(text, "\"/>");
    hf_plot_close(&plot);
    return count;
}

void report_plot_night(struct hf_text *text, const struct report_facts *facts, int number)
{
    int groups = facts->profile->group_count;
    struct night_layout layout = {
        .row = groups <= 16   ? 20
               : groups <= 64 ? 10
                              : 4,
        .hours = {HF_SCALE_LINEAR, HF_TICKS_HOURS, 0, fmax(facts->evidence->last_s, 60) * 1.01,
                  "hours of run time"},
    };

    layout.size = (struct hf_plot_size){940, 60 + layout.row * groups, 64, 12, 16, 44};
    night_rows(text, facts, &layout, number);
    (void)night_values(text, facts, &layout, celsius_of, "highest degC", 10, number + 1);
    (void)night_values(text, facts, &layout, clock_of, "clock, %", 1, number + 2);
}
