/*
 * The map: a box for each core group, coloured by its ratio, with a cell for each of its cores; cores that a
 * failure named stand out. Where the run has recorded how the machine is built (session-begin, places) the
 * boxes of a package stand in a frame of their own, and each names its last-level cache; a simulated machine
 * has neither, and its boxes stand in the order of the profile.
 */
#include <assert.h>
#include <limits.h>
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
#define PLACE_LINE  14 /* a box names its cache */
#define FRAME       8  /* around a package, and its name above */
#define FRAME_HEAD  20
#define A_ROW       8
#define NONE_LEFT   INT_MAX

struct map {
    struct hf_text *text;
    const struct report_facts *facts;
    int cell_rows;
    double low, high; /* steps */
    double width, height;
    double left[HF_GROUPS_MAX], top[HF_GROUPS_MAX]; /* of the boxes */
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

static double head_of(const struct map *map)
{
    return BOX_HEAD + (map->facts->evidence->has_places ? PLACE_LINE : 0);
}

static double box_height(const struct map *map)
{
    return head_of(map) + map->cell_rows * (CELL_HEIGHT + 1) + 6;
}

/* "level 3, 32 MiB" */
static void cache_words(const struct hf_evidence *evidence, int group, char words[HF_WORDS_MAX])
{
    double mib = (double)evidence->cache_bytes[group] / (1024 * 1024);

    if (evidence->cache_level[group] == 0)
        (void)snprintf(words, HF_WORDS_MAX, "cache not told");
    else
        (void)snprintf(words, HF_WORDS_MAX, "level %d, %.4g MiB", evidence->cache_level[group], mib);
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
    double y = top + head_of(map) + (index / CELLS_A_ROW) * (CELL_HEIGHT + 1);
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
    double left = map->left[group];
    double top = map->top[group];
    const char *ink;
    char words[HF_WORDS_MAX];
    int rgb[3];

    colour_of(map, group, rgb);
    ink = hf_plot_ink(rgb);
    hf_text_addf(map->text,
                 "<rect x=\"%.1f\" y=\"%.1f\" width=\"%d\" height=\"%.0f\" rx=\"3\" "
                 "style=\"fill:rgb(%d,%d,%d);stroke:#5b6b7c\"/>",
                 left, top, BOX_WIDTH, box_height(map), rgb[0], rgb[1], rgb[2]);
    (void)snprintf(words, sizeof words, "%.15s%s", profile->group[group].name,
                   profile->group[group].left_out ? ", left out" : "");
    box_words(map, left + 6, top + 15, "name", ink, words);
    hf_words_ratio(profile, map->facts->group[group].step, words);
    box_words(map, left + 6, top + 40, "number", ink, words);
    if (map->facts->evidence->has_places) {
        cache_words(map->facts->evidence, group, words);
        box_words(map, left + 6, top + 54, "place", ink, words);
    }
    for (int i = 0; map->cell_rows > 0 && i < profile->group[group].cpu_count && i < CELLS_MAX; i++)
        draw_cell(map, group, i, left, top);
    hf_text_add_string(map->text, "\n");
}

static int in_package(const struct report_facts *facts, int group, int package)
{
    return !facts->evidence->has_places || facts->evidence->package[group] == package;
}

static int count_in(const struct report_facts *facts, int package)
{
    int count = 0;

    for (int group = 0; group < facts->profile->group_count; group++)
        count += in_package(facts, group, package);
    return count;
}

/* The size of so many boxes, A_ROW a row. */
static void boxes_size(const struct map *map, int count, double *ret_width, double *ret_height)
{
    *ret_width = (count < A_ROW ? count : A_ROW) * (BOX_WIDTH + GAP) - GAP;
    *ret_height = (count + A_ROW - 1) / A_ROW * (box_height(map) + GAP) - GAP;
}

/* Places the groups of one package (all groups when places are not told) from x, y on. */
static void place_boxes(struct map *map, int package, double x, double y)
{
    int count = 0;

    for (int group = 0; group < map->facts->profile->group_count; group++) {
        if (!in_package(map->facts, group, package))
            continue;
        map->left[group] = x + (count % A_ROW) * (BOX_WIDTH + GAP);
        map->top[group] = y + (count / A_ROW) * (box_height(map) + GAP);
        count++;
    }
}

static void draw_frame(const struct map *map, int package, double x, double y, double width, double height)
{
    hf_text_addf(map->text,
                 "<rect x=\"%.1f\" y=\"%.1f\" width=\"%.1f\" height=\"%.1f\" rx=\"4\" "
                 "style=\"fill:none;stroke:#5b6b7c\"/>",
                 x, y, width, height);
    hf_text_addf(map->text, "<text x=\"%.1f\" y=\"%.1f\" class=\"name\">package ", x + FRAME, y + 15);
    if (package < 0)
        hf_text_add_string(map->text, "not told</text>\n");
    else
        hf_text_addf(map->text, "%d</text>\n", package);
}

/* The lowest package above `above` that a group lies in, -1 when only groups of no told package are left,
 * NONE_LEFT when there are none of those either. */
static int next_package(const struct report_facts *facts, int above)
{
    int next = NONE_LEFT;
    int untold = 0;

    for (int group = 0; group < facts->profile->group_count; group++) {
        int own = facts->evidence->package[group];

        untold |= own < 0;
        if (own > above && own < next)
            next = own;
    }
    return next == NONE_LEFT && untold ? -1 : next;
}

/* Packages stand side by side as far as there is room. draw 0: places the boxes and finds the size; 1: draws
 * the frames. */
static void walk_packages(struct map *map, int draw)
{
    double most = A_ROW * (BOX_WIDTH + GAP) - GAP + 2 * FRAME;
    double x = MARGIN;
    double y = MARGIN;
    double line_height = 0;

    for (int package = next_package(map->facts, -1); package != NONE_LEFT;) {
        double width, height;

        boxes_size(map, count_in(map->facts, package), &width, &height);
        width += 2 * FRAME;
        height += FRAME_HEAD + FRAME;
        if (x > MARGIN && x + width > MARGIN + most) {
            x = MARGIN;
            y += line_height + GAP;
            line_height = 0;
        }
        place_boxes(map, package, x + FRAME, y + FRAME_HEAD);
        if (draw)
            draw_frame(map, package, x, y, width, height);
        x += width + GAP;
        map->width = fmax(map->width, x - GAP + MARGIN);
        line_height = fmax(line_height, height);
        package = package < 0 ? NONE_LEFT : next_package(map->facts, package);
    }
    map->height = y + line_height + MARGIN;
}

/* Without places: one nameless package without a frame. */
static void lay_out(struct map *map)
{
    if (map->facts->evidence->has_places) {
        walk_packages(map, 0);
        return;
    }
    boxes_size(map, map->facts->profile->group_count, &map->width, &map->height);
    map->width += 2 * MARGIN;
    map->height += 2 * MARGIN;
    place_boxes(map, 0, MARGIN, MARGIN);
}

static void map_init(struct map *map, struct hf_text *text, const struct report_facts *facts)
{
    int cores = 0;

    *map = (struct map){.text = text, .facts = facts, .low = INFINITY, .high = -INFINITY};
    for (int group = 0; group < facts->profile->group_count; group++) {
        map->low = fmin(map->low, facts->group[group].step);
        map->high = fmax(map->high, facts->group[group].step);
        if (facts->profile->group[group].cpu_count > cores)
            cores = facts->profile->group[group].cpu_count;
    }
    if (cores <= CELLS_MAX && facts->profile->group_count <= 64)
        map->cell_rows = (cores + CELLS_A_ROW - 1) / CELLS_A_ROW;
    lay_out(map);
}

/* The alternative to the picture: what it shows beyond the table of groups. */
static void describe_places(const struct map *map)
{
    const struct hf_evidence *evidence = map->facts->evidence;
    char words[HF_WORDS_MAX];

    for (int group = 0; evidence->has_places && group < map->facts->profile->group_count; group++) {
        cache_words(evidence, group, words);
        hf_words_html(map->text, map->facts->profile->group[group].name);
        hf_text_addf(map->text, ": package %d, %s; ", evidence->package[group], words);
    }
}

void report_plot_map(struct hf_text *text, const struct report_facts *facts, int number)
{
    struct map map;
    char lowest[HF_WORDS_MAX];
    char highest[HF_WORDS_MAX];

    map_init(&map, text, facts);
    hf_words_ratio(facts->profile, (int)map.low, lowest);
    hf_words_ratio(facts->profile, (int)map.high, highest);
    /* at its own size, so that the words of a small machine are as large as those of a big one */
    hf_text_addf(
        text,
        "<svg viewBox=\"0 0 %.0f %.0f\" style=\"max-width:%.0fpx;min-width:%.0fpx\" role=\"img\" "
        "aria-labelledby=\"t%d d%d\"><title id=\"t%d\">Map of the core groups</title><desc id=\"d%d\">%d "
        "groups coloured by ratio, light for %s, dark for %s; ",
        map.width, map.height, map.width, map.width * 0.7, number, number, number, number,
        facts->profile->group_count, lowest, highest);
    describe_places(&map);
    hf_text_add_string(text, "cores that a failure named are orange.</desc>\n");
    if (facts->evidence->has_places)
        walk_packages(&map, 1);
    for (int group = 0; group < facts->profile->group_count; group++)
        draw_box(&map, group);
    hf_text_add_string(text, "</svg>\n");
}
