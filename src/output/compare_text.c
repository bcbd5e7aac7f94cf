/* Many runs side by side, for a terminal of 80 columns; directories, which may be long, stand last. */
#include <math.h>
#include <stdio.h>
#include <string.h>

#include "output/compare.h"

#define COLUMNS_MAX 7 /* runs in one table of limits: the newest */
#define SCRATCH     65536

static void add_ratio(struct hf_text *text, double ratio, int proved)
{
    char words[24];

    if (isnan(ratio))
        (void)snprintf(words, sizeof words, "-");
    else
        (void)snprintf(words, sizeof words, proved ? "%.2f" : "(%.2f)", ratio);
    hf_text_addf(text, " %8s", words);
}

static void range_of(const struct compare_run *run, double *ret_low, double *ret_high)
{
    *ret_low = *ret_high = NAN;
    for (int group = 0; group < run->group_count; group++) {
        *ret_low = fmin(*ret_low, run->group[group].ratio);
        *ret_high = fmax(*ret_high, run->group[group].ratio);
    }
}

static void write_run(const struct hf_compare *compare, size_t index, struct hf_text *text)
{
    const struct compare_run *run = &compare->runs[index];
    char begun[HF_WORDS_MAX];
    char between[HF_WORDS_MAX] = "-";
    char range[32];
    double low;
    double high;

    range_of(run, &low, &high);
    hf_words_moment(run->begun_wall_ns, begun);
    if (run->proved)
        hf_words_time_floor(run->hours_per_fault, between);
    (void)snprintf(range, sizeof range, run->proved ? "%.2f-%.2f" : "(%.2f-%.2f)", low, high);
    hf_text_addf(text, "%5zu  %.16s %-9s %-12s %7.0f  %-14s ", index + 1, begun,
                 run->spoiled  ? "spoiled"
                 : run->proved ? "proved"
                               : "no proof",
                 between, run->voltage_mv, range);
    hf_words_terminal(text, run->directory);
    hf_text_add_string(text, "\n");
}

static void write_limits(const struct hf_compare *compare, size_t first, size_t end, struct hf_text *text)
{
    const struct compare_run *last = &compare->runs[end - 1];
    size_t from = end - first > COLUMNS_MAX ? end - COLUMNS_MAX : first;

    hf_text_addf(text, "\n  %-12s", from > first ? "Limits, last" : "Limits");
    for (size_t i = from; i < end; i++)
        hf_text_addf(text, "    run%2zu", i + 1);
    hf_text_add_string(text, "\n");
    for (int group = 0; group < last->group_count; group++) {
        hf_text_addf(text, "  %-12.12s", last->group[group].name);
        for (size_t i = from; i < end; i++) {
            double ratio = NAN;

            for (int other = 0; other < compare->runs[i].group_count; other++) {
                if (strcmp(compare->runs[i].group[other].name, last->group[group].name) == 0)
                    ratio = compare->runs[i].group[other].ratio;
            }
            add_ratio(text, ratio, compare->runs[i].proved);
        }
        hf_text_add_string(text, "\n");
    }
}

static void add_wrapped(struct hf_text *text, const char *label, const char *words)
{
    hf_text_addf(text, "    %s", label);
    hf_words_terminal(text, words);
    hf_text_add_string(text, "\n");
}

static void write_moves(const struct hf_compare *compare, size_t first, size_t end, struct hf_text *text)
{
    struct hf_text words;

    hf_text_init(&words, SCRATCH);
    for (size_t i = first; i < end; i++) {
        if (compare->runs[i].before == HF_EVIDENCE_NOTHING)
            continue;
        hf_text_addf(text, "\n  Run %zu against run %zu\n", i + 1, compare->runs[i].before + 1);
        compare_moves(compare, i, &words);
        add_wrapped(text, "moved:   ",
                    words.size                ? words.bytes
                    : compare->runs[i].proved ? "no limit"
                                              : "unknown, the run is not proved");
        hf_text_clear(&words);
        compare_changes(compare, i, &words);
        add_wrapped(text, "changed: ", words.size ? words.bytes : "no condition that is recorded");
        hf_text_clear(&words);
    }
    hf_text_release(&words);
}

static void write_outliers(const struct hf_compare *compare, struct hf_text *text)
{
    int count = 0;

    if (isnan(compare->spread.fence_low)) {
        hf_text_add_string(text, "  Too few limits to call one an outlier.\n");
        return;
    }
    hf_text_addf(text, "  Outliers, below %.2f or above %.2f (Tukey's fences):", compare->spread.fence_low,
                 compare->spread.fence_high);
    for (size_t i = 0; i < compare->run_count; i++) {
        for (int group = 0; compare_is_newest(compare, i) && group < compare->runs[i].group_count; group++) {
            if (!compare_is_outlier(&compare->spread, compare->runs[i].group[group].ratio))
                continue;
            hf_text_add_string(text, count++ ? ", " : " ");
            hf_words_terminal(text, compare->runs[i].machine);
            hf_text_addf(text, " %s %.2f", compare->runs[i].group[group].name,
                         compare->runs[i].group[group].ratio);
        }
    }
    hf_text_add_string(text, count ? "\n" : " none\n");
}

static void write_spread(const struct hf_compare *compare, struct hf_text *text)
{
    const struct compare_spread *spread = &compare->spread;

    hf_text_addf(text, "\nNewest proved run of each machine: %d machines, %d limits\n", spread->machines,
                 spread->count);
    if (spread->count == 0)
        return;
    hf_text_addf(text, "  Lowest %.2f, quartiles %.2f %.2f %.2f, highest %.2f\n", spread->lowest,
                 spread->quarter, spread->median, spread->three_quarters, spread->highest);
    write_outliers(compare, text);
}

void hf_compare_text(const struct hf_compare *compare, struct hf_text *text)
{
    hf_text_addf(text, "%zu runs side by side. In brackets: not proved, as the run stands.\n",
                 compare->run_count);
    for (size_t first = 0; first < compare->run_count; first = compare_machine_end(compare, first)) {
        size_t end = compare_machine_end(compare, first);

        hf_text_add_string(text, "\n");
        hf_words_terminal(text, compare->runs[first].machine);
        hf_text_add_string(text, compare->runs[first].simulated ? " (rig model)\n" : "\n");
        hf_text_addf(text, "%5s  %-16s %-9s %-12s %7s  %-14s %s\n", "run", "begun (UTC)", "state",
                     "one fault in", "mV", "ratios", "directory");
        for (size_t i = first; i < end; i++)
            write_run(compare, i, text);
        write_limits(compare, first, end, text);
        write_moves(compare, first, end, text);
    }
    write_spread(compare, text);
}
