/* Many runs side by side, as a page: for each machine its runs, its limits, what moved, and the ratio against
 * the voltage where runs differ in it; then the spread of the limits over all machines. */
#include <math.h>
#include <stdio.h>
#include <string.h>

#include "output/compare.h"
#include "output/page.h"
#include "output/plot.h"

#define COLUMNS_MAX 12 /* runs in one table of limits: the newest */
#define LINES_MAX   8  /* groups with a line of their own */
#define POINTS_MAX  1000
#define LABEL_GAP   13 /* pixels between two labels */
#define BYTES_MAX   (8 * 1000 * 1000)

/* clang-format off: a style sheet, a rule a line. */
static const char compare_style[] =
    "main{max-width:1060px}\n"
    ".up{color:var(--soak);white-space:nowrap} .down{color:var(--fail);white-space:nowrap}\n"
    ".out{font-weight:700;outline:2px solid var(--fail);outline-offset:1px;padding:0 3px}\n"
    "table.limits{width:auto;min-width:50%}\n"
    "td.dir{overflow-wrap:anywhere;min-width:150px}\n";
/* clang-format on */

/* --- the runs of a machine ------------------------------------------------------------------------------ */

static void write_run(struct hf_page *page, const struct hf_compare *compare, size_t index)
{
    const struct compare_run *run = &compare->runs[index];
    char words[HF_WORDS_MAX];

    hf_text_addf(page->text, "<tr><td class=\"n\">%zu</td>", index + 1);
    hf_words_moment(run->begun_wall_ns, words);
    hf_page_cell(page, "<td>", words);
    hf_page_cell(page, "<td>",
                 run->spoiled  ? "proved, but failed since"
                 : run->proved ? "proved"
                               : "not proved");
    if (run->proved) {
        hf_words_time_floor(run->shown_hours, words);
        hf_page_cell(page, "<td>", words);
        hf_words_time_floor(run->hours_per_fault, words);
        hf_page_cell(page, "<td>", words);
    } else {
        hf_page_add(page, "<td>-</td><td>-</td>");
    }
    hf_page_number_cell(page, "%g", run->voltage_mv);
    hf_page_number_cell(page, "%.0f", run->trials);
    hf_page_number_cell(page, "%.0f", run->failures);
    hf_page_number_cell(page, "%.0f", run->resets);
    hf_page_cell(page, "<td class=\"dir\">", run->directory);
    hf_page_add(page, "</tr>\n");
}

static void write_runs(struct hf_page *page, const struct hf_compare *compare, size_t first, size_t end)
{
    hf_page_add(
        page,
        "<div class=\"scroll\"><table><thead><tr><th class=\"n\">Run</th><th>Begun (UTC)</th>"
        "<th>State</th><th>Soak without fault</th><th>One fault in, at least</th><th class=\"n\">mV</th>"
        "<th class=\"n\">Trials</th><th class=\"n\">Failures</th><th class=\"n\">Resets</th>"
        "<th>Directory</th></tr></thead><tbody>\n");
    for (size_t i = first; i < end; i++)
        write_run(page, compare, i);
    hf_page_add(page, "</tbody></table></div>\n");
}

/* --- limits ------------------------------------------------------------------------------------------- */

static int index_of(const struct compare_run *run, const char *name)
{
    for (int group = 0; group < run->group_count; group++) {
        if (strcmp(run->group[group].name, name) == 0)
            return group;
    }
    return -1;
}

static void write_limit(struct hf_page *page, const struct hf_compare *compare, size_t index, int group)
{
    const struct compare_run *run = &compare->runs[index];
    struct compare_move move;
    double ratio = group < 0 ? NAN : run->group[group].ratio;

    if (isnan(ratio)) {
        hf_page_add(page, "<td class=\"n\">-</td>");
        return;
    }
    hf_page_add(page, "<td class=\"n\">");
    if (compare_moved(compare, index, group, &move))
        hf_text_addf(page->text, "<span class=\"%s\">%s %+.2f%s</span> ", move.to > move.from ? "up" : "down",
                     move.to > move.from ? "&#9650;" : "&#9660;", move.to - move.from,
                     move.beyond_chance == 1 ? "!" : "");
    hf_text_addf(page->text,
                 compare_is_newest(compare, index) && compare_is_outlier(&compare->spread, ratio)
                     ? "<span class=\"out\">%.2f</span></td>"
                 : run->proved ? "%.2f</td>"
                               : "<span class=\"soft\">(%.2f)</span></td>",
                 ratio);
}

/* A single run needs no table: in a fleet most machines have one. */
static void write_only_limits(struct hf_page *page, const struct hf_compare *compare, size_t index)
{
    const struct compare_run *run = &compare->runs[index];

    hf_page_add(page, "<p class=\"key\">");
    hf_page_add(page, run->proved ? "Limits: " : "Not proved, at present: ");
    for (int group = 0; group < run->group_count; group++) {
        double ratio = run->group[group].ratio;

        if (isnan(ratio))
            continue;
        hf_page_add(page, "<span>");
        hf_page_words(page, run->group[group].name);
        hf_text_addf(page->text,
                     compare_is_newest(compare, index) && compare_is_outlier(&compare->spread, ratio)
                         ? " <b class=\"out\">%.2f</b></span> "
                         : " <b>%.2f</b></span> ",
                     ratio);
    }
    hf_page_add(page, "</p>\n");
}

static void write_limits(struct hf_page *page, const struct hf_compare *compare, size_t first, size_t end)
{
    const struct compare_run *last = &compare->runs[end - 1];
    size_t from = end - first > COLUMNS_MAX ? end - COLUMNS_MAX : first;

    hf_page_add(page,
                "<h3>Limits</h3><div class=\"scroll\"><table class=\"limits\"><thead><tr><th>Group</th>");
    for (size_t i = from; i < end; i++)
        hf_text_addf(page->text, "<th class=\"n\">Run %zu</th>", i + 1);
    hf_page_add(page, "</tr></thead><tbody>\n");
    for (int group = 0; group < last->group_count; group++) {
        hf_page_cell(page, "<tr><td>", last->group[group].name);
        for (size_t i = from; i < end; i++)
            write_limit(page, compare, i, index_of(&compare->runs[i], last->group[group].name));
        hf_page_add(page, "</tr>\n");
    }
    hf_page_add(page, "</tbody></table></div>\n");
    if (from > first)
        hf_text_addf(page->text, "<p class=\"soft\">The newest %d of %zu runs.</p>\n", COLUMNS_MAX,
                     end - first);
}

static void write_moves(struct hf_page *page, const struct hf_compare *compare, size_t first, size_t end)
{
    if (end - first < 2)
        return;
    hf_page_add(page, "<h3>What changed</h3><dl>");
    for (size_t i = first; i < end; i++) {
        char name[64];

        if (compare->runs[i].before == HF_EVIDENCE_NOTHING)
            continue;
        (void)snprintf(name, sizeof name, "run %zu against %zu", i + 1, compare->runs[i].before + 1);
        hf_text_add_string(&page->scratch, "limits: ");
        compare_moves(compare, i, &page->scratch);
        if (page->scratch.size == strlen("limits: "))
            hf_text_add_string(&page->scratch, compare->runs[i].proved ? "none moved" : "not proved");
        hf_text_add_string(&page->scratch, ". Conditions: ");
        {
            size_t before = page->scratch.size;

            compare_changes(compare, i, &page->scratch);
            if (page->scratch.size == before)
                hf_text_add_string(&page->scratch, "none that is recorded");
        }
        hf_page_fact(page, name, page->scratch.bytes);
        hf_text_clear(&page->scratch);
    }
    hf_page_add(page, "</dl>\n");
}

/* --- ratio against voltage ------------------------------------------------------------------------------ */

struct points {
    double voltage[POINTS_MAX], ratio[POINTS_MAX], high[POINTS_MAX];
    int count;
};

static void add_point(struct points *points, double voltage, double ratio, double high)
{
    int at = points->count;

    if (isnan(voltage) || isnan(ratio) || at == POINTS_MAX)
        return;
    for (; at > 0 && points->voltage[at - 1] > voltage; at--) {
        points->voltage[at] = points->voltage[at - 1];
        points->ratio[at] = points->ratio[at - 1];
        points->high[at] = points->high[at - 1];
    }
    points->voltage[at] = voltage;
    points->ratio[at] = ratio;
    points->high[at] = high;
    points->count++;
}

static void points_of_group(const struct hf_compare *compare, size_t first, size_t end, const char *name,
                            struct points *ret_points)
{
    ret_points->count = 0;
    for (size_t i = first; i < end; i++) {
        int group = index_of(&compare->runs[i], name);

        if (compare->runs[i].proved && group >= 0)
            add_point(ret_points, compare->runs[i].voltage_mv, compare->runs[i].group[group].ratio, NAN);
    }
}

/* The lowest and the highest group of each run. */
static void points_of_machine(const struct hf_compare *compare, size_t first, size_t end,
                              struct points *ret_points)
{
    ret_points->count = 0;
    for (size_t i = first; i < end; i++) {
        double low = NAN;
        double high = NAN;

        for (int group = 0; group < compare->runs[i].group_count; group++) {
            low = fmin(low, compare->runs[i].group[group].ratio);
            high = fmax(high, compare->runs[i].group[group].ratio);
        }
        if (compare->runs[i].proved)
            add_point(ret_points, compare->runs[i].voltage_mv, low, high);
    }
}

static void draw_lines(struct hf_plot *plot, const struct hf_compare *compare, size_t first, size_t end,
                       struct points *points)
{
    const struct compare_run *last = &compare->runs[end - 1];
    double label[LINES_MAX];
    int whose[LINES_MAX];
    int count = 0;

    for (int group = 0; group < last->group_count; group++) {
        char style[24];

        points_of_group(compare, first, end, last->group[group].name, points);
        if (points->count == 0)
            continue;
        (void)snprintf(style, sizeof style, "series s%d", group % LINES_MAX);
        hf_plot_line(plot, points->voltage, points->ratio, points->count, style);
        for (int i = 0; i < points->count; i++)
            hf_plot_dot(plot, points->voltage[i], points->ratio[i], style);
        whose[count] = group;
        label[count++] = hf_plot_y(plot, points->ratio[points->count - 1]) + 4;
    }
    hf_plot_spread(label, count, LABEL_GAP, plot->top + 8, plot->top + plot->height);
    for (int i = 0; i < count; i++)
        hf_plot_words(plot, plot->left + plot->width + 8, label[i], "start", "note",
                      last->group[whose[i]].name);
}

static void draw_band(struct hf_plot *plot, const struct hf_compare *compare, size_t first, size_t end,
                      struct points *points)
{
    points_of_machine(compare, first, end, points);
    hf_plot_band(plot, points->voltage, points->ratio, points->high, points->count, "band");
    hf_plot_line(plot, points->voltage, points->ratio, points->count, "series s0");
    hf_plot_line(plot, points->voltage, points->high, points->count, "series s1");
    for (int i = 0; i < points->count; i++) {
        hf_plot_dot(plot, points->voltage[i], points->ratio[i], "series s0");
        hf_plot_dot(plot, points->voltage[i], points->high[i], "series s1");
    }
    if (points->count > 0) {
        double label[2] = {hf_plot_y(plot, points->high[points->count - 1]) + 4,
                           hf_plot_y(plot, points->ratio[points->count - 1]) + 4};

        hf_plot_spread(label, 2, LABEL_GAP, plot->top + 8, plot->top + plot->height);
        hf_plot_words(plot, plot->left + plot->width + 8, label[0], "start", "note", "highest group");
        hf_plot_words(plot, plot->left + plot->width + 8, label[1], "start", "note", "lowest group");
    }
}

static void axes_of(const struct points *all, double step, struct hf_axis *ret_x, struct hf_axis *ret_y)
{
    double low = INFINITY;
    double high = -INFINITY;
    double width = fmax(all->voltage[all->count - 1] - all->voltage[0], 1);

    for (int i = 0; i < all->count; i++) {
        low = fmin(low, all->ratio[i]);
        high = fmax(high, all->high[i]);
    }
    *ret_x = (struct hf_axis){HF_SCALE_LINEAR, HF_TICKS_NUMBER, all->voltage[0] - width * 0.06,
                              all->voltage[all->count - 1] + width * 0.06, "voltage as entered, mV"};
    *ret_y = (struct hf_axis){HF_SCALE_LINEAR, HF_TICKS_NUMBER, low - 2 * step, high + 2 * step, "ratio"};
}

static void write_voltages(struct hf_page *page, const struct hf_compare *compare, size_t first, size_t end)
{
    static const struct hf_plot_size size = {900, 360, 64, 100, 14, 44};
    static struct points points; /* too large for the stack; one comparison is drawn at a time */
    const struct compare_run *last = &compare->runs[end - 1];
    char description[200];
    struct hf_plot plot;
    struct hf_axis x;
    struct hf_axis y;

    if (compare_voltages(compare, first, end) < 2)
        return;
    points_of_machine(compare, first, end, &points);
    axes_of(&points, last->ratio_step, &x, &y);
    (void)snprintf(
        description, sizeof description,
        "Ratio of each group against the voltage entered, over %d proved runs at %d voltages: from "
        "%g mV to %g mV.",
        points.count, compare_voltages(compare, first, end), points.voltage[0],
        points.voltage[points.count - 1]);
    hf_page_add(page, "<h3>Ratio against voltage</h3><figure class=\"plot\">");
    hf_plot_open(&plot, page->text, page->plots++, &size, &x, &y, "Ratio against voltage", description);
    hf_plot_axes(&plot);
    if (last->group_count <= LINES_MAX)
        draw_lines(&plot, compare, first, end, &points);
    else
        draw_band(&plot, compare, first, end, &points);
    hf_plot_close(&plot);
    hf_page_add(page, "</figure>\n");
}

/* --- the spread --------------------------------------------------------------------------------------- */

static int limits_within(const struct hf_compare *compare, double low, double high)
{
    int count = 0;

    for (size_t i = 0; i < compare->run_count; i++) {
        for (int group = 0; compare_is_newest(compare, i) && group < compare->runs[i].group_count; group++)
            count += compare->runs[i].group[group].ratio >= low && compare->runs[i].group[group].ratio < high;
    }
    return count;
}

static void draw_spread(struct hf_page *page, const struct hf_compare *compare)
{
    static const struct hf_plot_size size = {900, 260, 64, 20, 24, 44};
    const struct compare_spread *spread = &compare->spread;
    double step = fmax(compare->runs[0].ratio_step, (spread->highest - spread->lowest) / 120);
    struct hf_axis x = {HF_SCALE_LINEAR, HF_TICKS_NUMBER, spread->lowest - 2 * step,
                        spread->highest + 2 * step, "ratio"};
    struct hf_axis y = {HF_SCALE_LINEAR, HF_TICKS_WHOLE, 0, 1, "groups"};
    char description[200];
    struct hf_plot plot;

    for (double at = spread->lowest - step / 2; at < spread->highest + step; at += step)
        y.high = fmax(y.high, limits_within(compare, at, at + step) * 1.15);
    (void)snprintf(
        description, sizeof description,
        "How many groups have which ratio: %d groups of %d machines, from %.2f to %.2f, median %.2f.",
        spread->count, spread->machines, spread->lowest, spread->highest, spread->median);
    hf_page_add(page, "<figure class=\"plot\">");
    hf_plot_open(&plot, page->text, page->plots++, &size, &x, &y, "Spread of the limits", description);
    hf_plot_axes(&plot);
    for (double at = spread->lowest - step / 2; at < spread->highest + step; at += step) {
        int count = limits_within(compare, at, at + step);

        if (count > 0)
            hf_plot_block(&plot, at + step * 0.1, at + step * 0.9, 0, count, "bp", NULL);
    }
    hf_plot_rule_up(&plot, spread->median, "choice", "median");
    if (spread->fence_low > x.low)
        hf_plot_rule_up(&plot, spread->fence_low, "claim", "outliers below");
    if (spread->fence_high < x.high)
        hf_plot_rule_up(&plot, spread->fence_high, "claim", "outliers above");
    hf_plot_close(&plot);
    hf_page_add(page, "</figure>\n");
}

static void write_outliers(struct hf_page *page, const struct hf_compare *compare)
{
    int count = 0;

    if (isnan(compare->spread.fence_low)) {
        hf_page_add(page, "<p>Too few limits to call one an outlier.</p>\n");
        return;
    }
    hf_page_add(page, "<p>");
    hf_text_addf(
        &page->scratch,
        "Outliers, more than 1.5 interquartile ranges beyond the quartiles (Tukey 1977), that is below "
        "%.2f or above %.2f:",
        compare->spread.fence_low, compare->spread.fence_high);
    for (size_t i = 0; i < compare->run_count; i++) {
        for (int group = 0; compare_is_newest(compare, i) && group < compare->runs[i].group_count; group++) {
            if (compare_is_outlier(&compare->spread, compare->runs[i].group[group].ratio))
                hf_text_addf(&page->scratch, "%s %s %s (%.2f)", count++ ? "," : "", compare->runs[i].machine,
                             compare->runs[i].group[group].name, compare->runs[i].group[group].ratio);
        }
    }
    hf_text_add_string(&page->scratch, count ? "." : " none.");
    hf_page_scratch(page);
    hf_page_add(page, "</p>\n");
}

static void write_spread(struct hf_page *page, const struct hf_compare *compare)
{
    const struct compare_spread *spread = &compare->spread;

    hf_page_add(page, "<h2>Spread of the limits</h2>\n<p class=\"soft\">");
    hf_text_addf(&page->scratch, "The newest proved run of each machine: %d machines, %d groups. ",
                 spread->machines, spread->count);
    if (spread->count > 0)
        hf_text_addf(&page->scratch, "Lowest %.2f; quartiles %.2f, %.2f, %.2f; highest %.2f.", spread->lowest,
                     spread->quarter, spread->median, spread->three_quarters, spread->highest);
    hf_page_scratch(page);
    hf_page_add(page, "</p>\n");
    if (spread->count == 0)
        return;
    draw_spread(page, compare);
    write_outliers(page, compare);
}

/* --- the whole ---------------------------------------------------------------------------------------- */

static void write_machine(struct hf_page *page, const struct hf_compare *compare, size_t first, size_t end)
{
    hf_page_add(page, "<h2>");
    hf_page_words(page, compare->runs[first].machine);
    hf_page_add(page, compare->runs[first].simulated ? " <span class=\"soft\">(rig model)</span></h2>\n"
                                                     : "</h2>\n");
    write_runs(page, compare, first, end);
    if (end - first == 1)
        write_only_limits(page, compare, first);
    else
        write_limits(page, compare, first, end);
    write_moves(page, compare, first, end);
    write_voltages(page, compare, first, end);
}

int hf_compare_html(const struct hf_compare *compare, struct hf_text *ret_text, struct hf_error *error)
{
    struct hf_page page;
    struct hf_text text;

    hf_text_init(&text, BYTES_MAX);
    hf_page_init(&page, &text);
    hf_page_open(&page, "Runs side by side", compare_style, NULL);
    hf_text_addf(&text,
                 "<h1>Runs side by side</h1>\n<p class=\"soft\">%zu runs, ordered by machine and date. In "
                 "brackets: not proved, the ratio at which the run stands. &#9650; and &#9660;: moved "
                 "against the proved run before; with an exclamation mark when the belief's 95 %% "
                 "intervals of the two runs do not meet, so that chance does not explain it.</p>\n",
                 compare->run_count);
    for (size_t first = 0; first < compare->run_count; first = compare_machine_end(compare, first))
        write_machine(&page, compare, first, compare_machine_end(compare, first));
    write_spread(&page, compare);
    hf_page_close(&page);
    hf_page_release(&page);
    if (text.overflowed) {
        hf_text_release(&text);
        return hf_fail(error, HF_E_FULL, "the page is larger than %d bytes: compare fewer runs", BYTES_MAX);
    }
    *ret_text = text;
    return HF_OK;
}
