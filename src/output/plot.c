#include "output/plot.h"

#include <assert.h>
#include <math.h>
#include <stdio.h>
#include <string.h>

#include "output/output_private.h"

static const char *const mark_ids[HF_MARK_COUNT] = {"mp", "mf", "mr", "mv", "ms", "mpb", "msb"};

/* --- geometry ----------------------------------------------------------------------------------------- */

static double share_of(const struct hf_axis *axis, double value)
{
    if (axis->scale == HF_SCALE_LOG)
        return log(fmax(value, axis->low * 1e-3) / axis->low) / log(axis->high / axis->low);
    return (value - axis->low) / (axis->high - axis->low);
}

/* A little beyond the area is enough: the clip path does the rest, and no number grows without bound. */
static double bounded(double share)
{
    return fmin(fmax(share, -0.5), 1.5);
}

double hf_plot_x(const struct hf_plot *plot, double value)
{
    return plot->left + bounded(share_of(&plot->x, value)) * plot->width;
}

double hf_plot_y(const struct hf_plot *plot, double value)
{
    return plot->top + (1 - bounded(share_of(&plot->y, value))) * plot->height;
}

int hf_plot_holds(const struct hf_plot *plot, double x, double y)
{
    return x >= plot->x.low && x <= plot->x.high && y >= plot->y.low && y <= plot->y.high;
}

double hf_plot_round_step(double span, int wanted)
{
    double rough = span / wanted;
    double power = pow(10, floor(log10(rough)));
    double digits = rough / power;

    assert(span > 0 && wanted > 0);
    return power * (digits <= 1 ? 1 : digits <= 2 ? 2 : digits <= 2.5 ? 2.5 : digits <= 5 ? 5 : 10);
}

/* --- frame -------------------------------------------------------------------------------------------- */

void hf_plot_open(struct hf_plot *plot, struct hf_text *text, int number, const struct hf_plot_size *size,
                  const struct hf_axis *x, const struct hf_axis *y, const char *title,
                  const char *description)
{
    assert(x->low < x->high && y->low < y->high);
    assert((x->scale == HF_SCALE_LINEAR || x->low > 0) && (y->scale == HF_SCALE_LINEAR || y->low > 0));
    *plot = (struct hf_plot){
        .text = text,
        .x = *x,
        .y = *y,
        .left = size->left,
        .top = size->top,
        .width = size->width - size->left - size->right,
        .height = size->height - size->top - size->bottom,
        .number = number,
    };
    hf_text_addf(text,
                 "<svg viewBox=\"0 0 %g %g\" role=\"img\" aria-labelledby=\"t%d d%d\"><title id=\"t%d\">",
                 size->width, size->height, number, number, number);
    hf_words_html(text, title);
    hf_text_addf(text, "</title><desc id=\"d%d\">", number);
    hf_words_html(text, description);
    hf_text_addf(text,
                 "</desc><clipPath id=\"c%d\"><rect x=\"%g\" y=\"%g\" width=\"%g\" height=\"%g\"/></clipPath>"
                 "<rect class=\"area\" x=\"%g\" y=\"%g\" width=\"%g\" height=\"%g\"/>\n",
                 number, plot->left, plot->top, plot->width, plot->height, plot->left, plot->top, plot->width,
                 plot->height);
}

void hf_plot_close(struct hf_plot *plot)
{
    hf_text_add_string(plot->text, "</svg>\n");
}

void hf_plot_words(struct hf_plot *plot, double x, double y, const char *anchor, const char *style,
                   const char *words)
{
    hf_text_addf(plot->text, "<text x=\"%.1f\" y=\"%.1f\" text-anchor=\"%s\" class=\"%s\">", x, y, anchor,
                 style);
    hf_words_html(plot->text, words);
    hf_text_add_string(plot->text, "</text>");
}

/* --- axes --------------------------------------------------------------------------------------------- */

struct tick_place {
    struct hf_plot *plot;
    int upright; /* 1: the y axis */
    double last; /* pixels: where the last tick stands */
    double last_half;
};

#define TICK_LETTER 6.5 /* pixels, at most: digits and letters of the ticks' size */
#define TICK_LINE   13  /* pixels between two base lines */

/* A tick whose words would touch those of the one before is left out. */
static int has_room(struct tick_place *place, double at, const char *words)
{
    double half = place->upright ? TICK_LINE / 2.0 : (double)strlen(words) * TICK_LETTER / 2 + 2;

    if (fabs(at - place->last) < half + place->last_half)
        return 0;
    place->last = at;
    place->last_half = half;
    return 1;
}

static void add_tick(struct tick_place *place, double value, const char *words)
{
    struct hf_plot *plot = place->plot;

    if (!has_room(place, place->upright ? hf_plot_y(plot, value) : hf_plot_x(plot, value), words))
        return;

    if (place->upright) {
        double y = hf_plot_y(plot, value);

        hf_text_addf(plot->text, "<path class=\"grid\" d=\"M%.1f %.1fh%.1f\"/>", plot->left, y, plot->width);
        hf_plot_words(plot, plot->left - 6, y + 4, "end", "tick", words);
    } else {
        double x = hf_plot_x(plot, value);

        hf_text_addf(plot->text, "<path class=\"grid\" d=\"M%.1f %.1fv%.1f\"/>", x, plot->top, plot->height);
        hf_plot_words(plot, x, plot->top + plot->height + 15, "middle", "tick", words);
    }
}

/* Counts have no halves. */
static double whole_step(double step)
{
    return step < 1 ? 1 : step > 2.4 && step < 2.6 ? 5 : step;
}

static void number_ticks(struct tick_place *place, const struct hf_axis *axis, double unit, int wanted)
{
    double rough = hf_plot_round_step((axis->high - axis->low) / unit, wanted);
    double step = axis->ticks == HF_TICKS_WHOLE ? whole_step(rough) : rough;
    double first = ceil(axis->low / unit / step - 1e-9);

    for (int i = 0; i < 100; i++) {
        double value = (first + i) * step;
        char words[32];

        if (value * unit > axis->high * (1 + 1e-12))
            return;
        (void)snprintf(words, sizeof words, "%.6g", value);
        add_tick(place, value * unit, words);
    }
}

/* Round times, so that a person reads them without counting powers of ten. */
static void duration_ticks(struct tick_place *place, const struct hf_axis *axis)
{
    static const struct {
        double seconds;
        const char *words;
    } times[] = {{1, "1 s"},      {10, "10 s"},    {60, "1 min"},     {600, "10 min"},   {3600, "1 h"},
                 {36000, "10 h"}, {345600, "4 d"}, {3456000, "40 d"}, {31557600, "1 y"}, {315576000, "10 y"}};

    for (size_t i = 0; i < sizeof times / sizeof times[0]; i++) {
        if (times[i].seconds >= axis->low * (1 - 1e-9) && times[i].seconds <= axis->high * (1 + 1e-9))
            add_tick(place, times[i].seconds, times[i].words);
    }
}

static void add_ticks(struct hf_plot *plot, const struct hf_axis *axis, int upright)
{
    struct tick_place place = {plot, upright, -1e9, 0};
    /* a step is at most twice what was wanted: four make sure of two ticks */
    int wanted = (int)fmax(4, upright ? plot->height / 34 : plot->width / 60);

    if (axis->ticks == HF_TICKS_DURATION)
        duration_ticks(&place, axis);
    else if (axis->ticks == HF_TICKS_HOURS)
        number_ticks(&place, axis, 3600, wanted);
    else if (axis->ticks != HF_TICKS_NONE)
        number_ticks(&place, axis, 1, wanted);
}

void hf_plot_axes(struct hf_plot *plot)
{
    double middle_y = plot->top + plot->height / 2;

    add_ticks(plot, &plot->x, 0);
    add_ticks(plot, &plot->y, 1);
    if (plot->x.label != NULL)
        hf_plot_words(plot, plot->left + plot->width / 2, plot->top + plot->height + 32, "middle", "axis",
                      plot->x.label);
    if (plot->y.label == NULL)
        return;
    hf_text_addf(plot->text,
                 "<text transform=\"translate(13 %.1f) rotate(-90)\" text-anchor=\"middle\" class=\"axis\">",
                 middle_y);
    hf_words_html(plot->text, plot->y.label);
    hf_text_add_string(plot->text, "</text>\n");
}

/* --- marks, lines, bands ------------------------------------------------------------------------------ */

void hf_plot_mark(struct hf_plot *plot, enum hf_mark mark, double x, double y, const char *words)
{
    assert((unsigned)mark < HF_MARK_COUNT);
    hf_text_addf(plot->text, "<use href=\"#%s\" x=\"%.1f\" y=\"%.1f\"", mark_ids[mark], hf_plot_x(plot, x),
                 hf_plot_y(plot, y));
    if (words == NULL) {
        hf_text_add_string(plot->text, "/>");
        return;
    }
    hf_text_add_string(plot->text, "><title>");
    hf_words_html(plot->text, words);
    hf_text_add_string(plot->text, "</title></use>");
}

void hf_plot_line(struct hf_plot *plot, const double *x, const double *y, int count, const char *style)
{
    if (count < 1)
        return;
    hf_text_addf(plot->text, "<polyline clip-path=\"url(#c%d)\" class=\"%s\" points=\"", plot->number, style);
    for (int i = 0; i < count; i++)
        hf_text_addf(plot->text, "%.1f,%.1f ", hf_plot_x(plot, x[i]), hf_plot_y(plot, y[i]));
    hf_text_add_string(plot->text, "\"/>\n");
}

void hf_plot_band(struct hf_plot *plot, const double *x, const double *low, const double *high, int count,
                  const char *style)
{
    if (count < 2)
        return;
    hf_text_addf(plot->text, "<polygon clip-path=\"url(#c%d)\" class=\"%s\" points=\"", plot->number, style);
    for (int i = 0; i < count; i++)
        hf_text_addf(plot->text, "%.1f,%.1f ", hf_plot_x(plot, x[i]), hf_plot_y(plot, high[i]));
    for (int i = count; i-- > 0;)
        hf_text_addf(plot->text, "%.1f,%.1f ", hf_plot_x(plot, x[i]), hf_plot_y(plot, low[i]));
    hf_text_add_string(plot->text, "\"/>\n");
}

void hf_plot_rule_across(struct hf_plot *plot, double y, const char *style, enum hf_side side,
                         const char *words)
{
    double at = hf_plot_y(plot, y);
    int left = side == HF_SIDE_LEFT;

    if (y < plot->y.low || y > plot->y.high)
        return;
    hf_text_addf(plot->text, "<path class=\"%s\" d=\"M%.1f %.1fh%.1f\"/>", style, plot->left, at,
                 plot->width);
    if (words != NULL)
        hf_plot_words(plot, plot->left + (left ? 4 : plot->width - 4), at - 4, left ? "start" : "end", "note",
                      words);
    hf_text_add_string(plot->text, "\n");
}

void hf_plot_rule_up(struct hf_plot *plot, double x, const char *style, const char *words)
{
    double at = hf_plot_x(plot, x);

    if (x < plot->x.low || x > plot->x.high)
        return;
    hf_text_addf(plot->text, "<path class=\"%s\" d=\"M%.1f %.1fv%.1f\"/>", style, at, plot->top,
                 plot->height);
    if (words != NULL) { /* on the side that has room */
        int left = at + 4 + (double)strlen(words) * TICK_LETTER > plot->left + plot->width;

        hf_plot_words(plot, left ? at - 4 : at + 4, plot->top + 12, left ? "end" : "start", "note", words);
    }
    hf_text_add_string(plot->text, "\n");
}

void hf_plot_block(struct hf_plot *plot, double x_low, double x_high, double y_low, double y_high,
                   const char *style, const char *words)
{
    double left = hf_plot_x(plot, fmax(x_low, plot->x.low));
    double right = hf_plot_x(plot, fmin(x_high, plot->x.high));
    double top = hf_plot_y(plot, fmin(y_high, plot->y.high));
    double bottom = hf_plot_y(plot, fmax(y_low, plot->y.low));

    if (right < left || bottom < top)
        return;
    hf_text_addf(plot->text, "<rect class=\"%s\" x=\"%.1f\" y=\"%.1f\" width=\"%.1f\" height=\"%.1f\"", style,
                 left, top, fmax(right - left, 0.6), fmax(bottom - top, 0.6));
    if (words == NULL) {
        hf_text_add_string(plot->text, "/>");
        return;
    }
    hf_text_add_string(plot->text, "><title>");
    hf_words_html(plot->text, words);
    hf_text_add_string(plot->text, "</title></rect>");
}

void hf_plot_dot(struct hf_plot *plot, double x, double y, const char *style)
{
    hf_text_addf(plot->text, "<circle class=\"dot %s\" cx=\"%.1f\" cy=\"%.1f\" r=\"4\"/>", style,
                 hf_plot_x(plot, x), hf_plot_y(plot, y));
}

/* --- colours ------------------------------------------------------------------------------------------ */

/* Relative luminance of sRGB: WCAG 2.1, with the threshold of IEC 61966-2-1. */
static double luminance(const int rgb[3])
{
    static const double weight[3] = {0.2126, 0.7152, 0.0722};
    double sum = 0;

    for (int i = 0; i < 3; i++) {
        double share = rgb[i] / 255.0;

        sum += weight[i] * (share <= 0.04045 ? share / 12.92 : pow((share + 0.055) / 1.055, 2.4));
    }
    return sum;
}

const char *hf_plot_ink(const int rgb[3])
{
    double own = luminance(rgb);

    return 1.05 / (own + 0.05) > (own + 0.05) / 0.05 ? "#ffffff" : "#000000";
}

/* --- labels ------------------------------------------------------------------------------------------- */

#define SPREAD_MAX 1024

void hf_plot_spread(double *positions, int count, double gap, double low, double high)
{
    int order[SPREAD_MAX];

    assert(count >= 0 && count <= SPREAD_MAX && gap > 0 && low <= high);
    if (count > 1 && gap * (count - 1) > high - low)
        gap = (high - low) / (count - 1);
    for (int i = 0; i < count; i++) {
        int at = i;

        for (; at > 0 && positions[order[at - 1]] > positions[i]; at--)
            order[at] = order[at - 1];
        order[at] = i;
    }
    for (int i = 0; i < count; i++) /* down, as far as the one above it pushes */
        positions[order[i]] = fmax(positions[order[i]], i > 0 ? positions[order[i - 1]] + gap : low);
    for (int i = count; i-- > 0;) /* and up again from the lower end */
        positions[order[i]] = fmin(positions[order[i]], i + 1 < count ? positions[order[i + 1]] - gap : high);
}

/* --- shapes ------------------------------------------------------------------------------------------- */

void hf_plot_shapes(struct hf_text *text)
{
    hf_text_add_string(
        text, "<svg class=\"shapes\" width=\"0\" height=\"0\" aria-hidden=\"true\"><defs>"
              "<circle id=\"mp\" class=\"mp\" r=\"4\"/>"
              "<path id=\"mf\" class=\"mf\" d=\"M-4-4L4 4M-4 4L4-4\"/>"
              "<path id=\"mr\" class=\"mr\" d=\"M0-5L5 4H-5Z\"/>"
              "<circle id=\"mv\" class=\"mv\" r=\"1.8\"/>"
              "<path id=\"ms\" class=\"ms\" d=\"M-5-5H5V5H-5Z\"/>"
              "<g id=\"mpb\"><path class=\"mp\" d=\"M0-4V-11\"/><use href=\"#mp\"/></g>"
              "<g id=\"msb\"><path class=\"mb\" d=\"M0-5V-15M-3-12L0-15L3-12\"/><use href=\"#ms\"/></g>"
              "</defs></svg>\n");
}

void hf_plot_sample(struct hf_text *text, enum hf_mark mark)
{
    hf_text_addf(
        text, "<svg class=\"sample\" viewBox=\"-7 -7 14 14\" aria-hidden=\"true\"><use href=\"#%s\"/></svg>",
        mark_ids[mark]);
}
