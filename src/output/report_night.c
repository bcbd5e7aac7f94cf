/*
 * The report's pictures of the whole run: one row a group, trials as blocks, cool-downs, resets across all
 * rows; temperature and clock beneath, on the same axis.
 */
#include <math.h>
#include <stdio.h>
#include <string.h>

#include "output/plot.h"
#include "output/report.h"

#define SECONDS_AN_HOUR 3600.0
#define LABEL_HEIGHT    13   /* pixels of a row that carries words */
#define STROKES_MAX     1500 /* in one plot */

typedef double night_value(const struct hf_evidence_trial *trial);

/* What is drawn beneath the rows. */
struct night_series {
    night_value *value_of;
    const char *title, *label;
    double least_span, limit; /* limit NAN: none */
};

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

/* From a trial that grew too hot until the group's next one: the group cools. */
static void cool_downs(struct hf_plot *plot, const struct report_facts *facts, int group, double low)
{
    const struct hf_evidence *evidence = facts->evidence;
    double hot_since = NAN;

    for (size_t i = 0; i < evidence->trial_count; i++) {
        const struct hf_evidence_trial *trial = &evidence->trials[i];

        if (!hf_evidence_covers(evidence, trial, group))
            continue;
        if (!isnan(hot_since))
            hf_plot_block(plot, hot_since, trial->begin_s, low + 0.24, low + 0.48, "bc", NULL);
        hot_since = trial->cause == HF_CAUSE_OVER_TEMPERATURE ? trial->end_s : NAN;
    }
    if (!isnan(hot_since))
        hf_plot_block(plot, hot_since, evidence->last_s, low + 0.24, low + 0.48, "bc", NULL);
}

static void night_rows(struct hf_text *text, const struct report_facts *facts,
                       const struct night_layout *layout, int number)
{
    int groups = facts->profile->group_count;
    int every = (int)ceil(LABEL_HEIGHT / layout->row);
    struct hf_axis rows = {HF_SCALE_LINEAR, HF_TICKS_NONE, 0, groups, NULL};
    char description[240];
    struct hf_plot plot;

    (void)snprintf(
        description, sizeof description,
        "Trials of %d groups over %.1f hours of run time, with %zu resets and %zu failures. Each row "
        "is a group, each block a trial.",
        groups, facts->evidence->last_s / SECONDS_AN_HOUR, facts->evidence->reset_count,
        facts->evidence->failure_count);
    hf_plot_open(&plot, text, number, &layout->size, &layout->hours, &rows, "The run over time", description);
    hf_plot_axes(&plot);
    for (int group = 0; group < groups; group++) {
        double low = groups - group - 1 + 0.14;

        if (group % every == 0)
            hf_plot_words(&plot, plot.left - 6, hf_plot_y(&plot, low + 0.36) + 4, "end", "tick",
                          facts->profile->group[group].name);
        night_row(&plot, facts, group, low, low + 0.72);
        cool_downs(&plot, facts, group, low);
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

/* The span of a value over all trials, at least `least` wide. Returns how many trials have it. */
static int span_of_values(const struct hf_evidence *evidence, night_value *value_of, double least,
                          struct hf_axis *axis)
{
    double margin;
    int count = 0;

    for (size_t i = 0; i < evidence->trial_count; i++) {
        double value = value_of(&evidence->trials[i]);

        if (!isfinite(value) || evidence->trials[i].verdict == HF_VERDICT_NONE)
            continue;
        axis->low = fmin(axis->low, value);
        axis->high = fmax(axis->high, value);
        count++;
    }
    margin = fmax((least - (axis->high - axis->low)) / 2, (axis->high - axis->low) * 0.1);
    axis->low -= margin;
    axis->high += margin;
    return count;
}

/* A value of each trial, as a stroke from its begin to its end; 0 when no trial has one. */
static int night_values(struct hf_text *text, const struct report_facts *facts,
                        const struct night_layout *layout, const struct night_series *series, int number)
{
    const struct hf_evidence *evidence = facts->evidence;
    struct hf_plot_size size = layout->size;
    struct hf_axis y = {HF_SCALE_LINEAR, HF_TICKS_NUMBER, INFINITY, -INFINITY, series->label};
    size_t every = evidence->trial_count / STROKES_MAX + 1;
    char description[200];
    struct hf_plot plot;
    int count = span_of_values(evidence, series->value_of, series->least_span, &y);

    size.height = 150;
    if (count == 0)
        return 0;
    (void)snprintf(description, sizeof description,
                   "%s of each of %d trials, from its begin to its end: from %.6g to %.6g.", series->title,
                   count, y.low, y.high);
    if (isfinite(series->limit))
        y.high = fmax(y.high, series->limit + (series->limit - y.low) * 0.3);
    hf_plot_open(&plot, text, number, &size, &layout->hours, &y, series->title, description);
    hf_plot_axes(&plot);
    if (isfinite(series->limit))
        hf_plot_rule_across(&plot, series->limit, "claim", HF_SIDE_LEFT, "limit: the load stops here");
    hf_text_add_string(text, "<path class=\"dots\" d=\"");
    for (size_t i = 0; i < evidence->trial_count; i += every) {
        double value = series->value_of(&evidence->trials[i]);

        if (isfinite(value) && evidence->trials[i].verdict != HF_VERDICT_NONE)
            hf_text_addf(text, "M%.1f %.1fH%.1f", hf_plot_x(&plot, evidence->trials[i].begin_s),
                         hf_plot_y(&plot, value), hf_plot_x(&plot, evidence->trials[i].end_s));
    }
    hf_text_add_string(text, "\"/>");
    hf_plot_close(&plot);
    return count;
}

static struct night_layout layout_of(const struct report_facts *facts)
{
    int groups = facts->profile->group_count;
    struct night_layout layout = {
        .row = groups <= 16   ? 20
               : groups <= 64 ? LABEL_HEIGHT
                              : 4,
        .hours = {HF_SCALE_LINEAR, HF_TICKS_HOURS, 0, fmax(facts->evidence->last_s, 60) * 1.01,
                  "hours of run time"},
    };

    layout.size = (struct hf_plot_size){940, 60 + layout.row * groups, 64, 12, 16, 44};
    return layout;
}

void report_plot_night(struct hf_text *text, const struct report_facts *facts, int number)
{
    struct night_layout layout = layout_of(facts);

    night_rows(text, facts, &layout, number);
}

int report_plot_heat(struct hf_text *text, const struct report_facts *facts, int number)
{
    struct night_layout layout = layout_of(facts);
    struct night_series series = {
        celsius_of, "Highest temperature", "highest degC", 10,
        facts->profile->temperature_unwatched ? NAN : facts->profile->temperature_limit_c};

    return night_values(text, facts, &layout, &series, number);
}

int report_plot_clock(struct hf_text *text, const struct report_facts *facts, int number)
{
    struct night_layout layout = layout_of(facts);
    struct night_series series = {clock_of, "Measured clock", "clock, % of asked", 1, NAN};

    return night_values(text, facts, &layout, &series, number);
}
