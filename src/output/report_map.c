/*
 * The map: a box for each core group in the order of the profile (which survey takes from the machine's
 * topology), coloured by its ratio, with a cell for each of its cores; cores that a failure named stand out.
 */
#include <assert.h>
#include <math.h>
#include <stdio.h>
#include <string.h>

#include "output/plot.h"
#include "output/report.h"

#define BOX_WIDTH   112
#define BOX_HEAD    50 /* name, ratio */
#define GAP         6
#define CELL_WIDTH  25
#define CELL_HEIGHT 16
#define CELLS_A_ROW 4
#define CELLS_MAX   32 /* in a group: above that its CPUs are written as ranges */
#define MARGIN      2

struct map {
    struct hf_text *text;
    const struct report_facts *facts;
    int columns, rows, cell_rows;
    double low, high; /* steps */
};

/* From light to dark blue; one hue, so that its order is seen by everybody and on paper. */
static void colour_of(const struct map *map, int group, int ret_rgb[3])
{
    static const int light[3] = {221, 236, 247};
    static const int dark[3] = {8, 62, 105};
    double share =
        map->high > map->low ? (map->facts->group[group].step - map->low) / (map->high - map->low) : 0.35;

    for (int i = 0; i < 3; i++)
        ret_rgb[i] = (int)round(light[i] + share * (dark[i] - light[i]));
}

/* Words that stand inside a coloured box. */
static void box_words(const struct map *map, double x, double y, const char *style, const char *ink,
                      const char *words)
{
    hf_text_addf(map->text, "<text x=\"%.1f\" y=\"%.1f\" class=\"%s\" style=\"fill:%s\">", x, y, style, ink);
    hf_words_html(map->text, words);
    hf_text_add_string(map->text, "</text>");
}

static int failures_of(const struct report_facts *facts, int group, int cpu)
{
    const struct hf_evidence *evidence = facts->evidence;
    int count = 0;

    for (size_t i = 0; i < evidence->failure_count; i++) {
        const struct hf_evidence_trial *trial = &evidence->trials[evidence->failures[i]];

        count += trial->indicted == group && trial->cpu == cpu;
    }
    return count;
}

static void draw_cell(const struct map *map, int group, int index, double left, double top)
{
    const struct hf_profile *profile = map->facts->profile;
    int cpu = profile->cpu[profile->group[group].cpu_first + index];
    int failures = failures_of(map->facts, group, cpu);
    double x = left + 5 + (index % CELLS_A_ROW) * (CELL_WIDTH + 1);
    double y = top + BOX_HEAD + (index / CELLS_A_ROW) * (CELL_HEIGHT + 1);
    char words[24];

    hf_text_addf(map->text, "<g><title>cpu %d: %d failures named it</title>", cpu, failures);
    hf_text_addf(map->text, "<rect x=\"%.1f\" y=\"%.1f\" width=\"%d\" height=\"%d\" style=\"fill:%s\"/>", x,
                 y, CELL_WIDTH, CELL_HEIGHT, failures > 0 ? "#b84300" : "#ffffff");
    (void)snprintf(words, sizeof words, "%d", cpu);
    box_words(map, x + CELL_WIDTH / 2.0, y + 12, "cell", failures > 0 ? "#ffffff" : "#1c2430", words);
    hf_text_add_string(map->text, "</g>");
}

static void draw_box(const struct map *map, int group)
{
    const struct hf_profile *profile = map->facts->profile;
    double left = MARGIN + (group % map->columns) * (BOX_WIDTH + GAP);
    double top = MARGIN + (group / map->columns) * (BOX_HEAD + map->cell_rows * (CELL_HEIGHT + 1) + 6 + GAP);
    const char *ink;
    char words[HF_WORDS_MAX];
    int rgb[3];

    colour_of(map, group, rgb);
    ink = hf_plot_ink(rgb);
    hf_text_addf(map->text,
                 "<rect x=\"%.1f\" y=\"%.1f\" width=\"%d\" height=\"%d\" rx=\"3\" "
                 "style=\"fill:rgb(%d,%d,%d);stroke:#5b6b7c\"/>",
                 left, top, BOX_WIDTH, BOX_HEAD + map->cell_rows * (CELL_HEIGHT + 1) + 6, rgb[0], rgb[1],
                 rgb[2]);
    (void)snprintf(words, sizeof words, "%.15s%s", profile->group[group].name,
                   profile->group[group].left_out ? ", left out" : "");
    box_words(map, left + 6, top + 15, "name", ink, words);
    hf_words_ratio(profile, map->facts->group[group].step, words);
    box_words(map, left + 6, top + 40, "number", ink, words);
    for (int i = 0; map->cell_rows > 0 && i < profile->group[group].cpu_count && i < CELLS_MAX; i++)
        draw_cell(map, group, i, left, top);
    hf_text_add_string(map->text, "\n");
}

static struct map map_of(struct hf_text *text, const struct report_facts *facts)
{
    struct map map = {.text = text, .facts = facts, .low = INFINITY, .high = -INFINITY};
    int cores = 0;

    for (int group = 0; group < facts->profile->group_count; group++) {
        map.low = fmin(map.low, facts->group[group].step);
        map.high = fmax(map.high, facts->group[group].step);
        if (facts->profile->group[group].cpu_count > cores)
            cores = facts->profile->group[group].cpu_count;
    }
    map.columns = facts->profile->group_count < 8 ? facts->profile->group_count : 8;
    map.rows = (facts->profile->group_count + map.columns - 1) / map.columns;
    if (cores <= CELLS_MAX && facts->profile->group_count <= 64)
        map.cell_rows = (cores + CELLS_A_ROW - 1) / CELLS_A_ROW;
    return map;
}

void report_plot_map(struct hf_text *text, const struct report_facts *facts, int number)
{
    struct map map = map_of(text, facts);
    double height = 2 * MARGIN + map.rows * (BOX_HEAD + map.cell_rows * (CELL_HEIGHT + 1) + 6 + GAP);
    int width = 2 * MARGIN + map.columns * (BOX_WIDTH + GAP) - GAP;
    char lowest[HF_WORDS_MAX];
    char highest[HF_WORDS_MAX];

    hf_words_ratio(facts->profile, (int)map.low, lowest);
    hf_words_ratio(facts->profile, (int)map.high, highest);
    /* at its own size, so that the words of a small machine are as large as those of a big one */
    hf_text_addf(
        text,
        "<svg viewBox=\"0 0 %d %.0f\" style=\"max-width:%dpx;min-width:%dpx\" role=\"img\" "
        "aria-labelledby=\"t%d d%d\"><title id=\"t%d\">Map of the core groups</title><desc id=\"d%d\">%d "
        "groups coloured by ratio, light for %s, dark for %s; ",
        width, height, width, width * 7 / 10, number, number, number, number, facts->profile->group_count,
        lowest, highest);
    hf_text_add_string(text, "cores that a failure named are orange.</desc>\n");
    for (int group = 0; group < facts->profile->group_count; group++)
        draw_box(&map, group);
    hf_text_add_string(text, "</svg>\n");
}
