/*
 * Plots: a small vocabulary for inline SVG: axes with units, marks that differ in shape and not only in
 * colour, lines, bands and rules. No script, no network; colours come from the page's style sheet, so light,
 * dark and paper share one drawing.
 *
 * Calling order: hf_plot_open(), the axes, whatever lies below first (bands, rules), then lines and marks,
 * hf_plot_close(). Values are in data units; what is outside the axes is clipped.
 */
#ifndef HOLDFAST_OUTPUT_PLOT_H
#define HOLDFAST_OUTPUT_PLOT_H

#include "holdfast/text.h"

enum hf_scale {
    HF_SCALE_LINEAR,
    HF_SCALE_LOG
};

enum hf_tick_kind {
    HF_TICKS_NUMBER,   /* 38.5 */
    HF_TICKS_WHOLE,    /* 3: counts */
    HF_TICKS_DURATION, /* seconds, shown as 1 s, 1 min, 1 h, 1 d */
    HF_TICKS_HOURS,    /* seconds, shown as hours from zero */
    HF_TICKS_NONE
};

struct hf_axis {
    enum hf_scale scale;
    enum hf_tick_kind ticks;
    double low, high;  /* low < high; above 0 on a log scale */
    const char *label; /* NULL: none */
};

enum hf_mark {
    HF_MARK_PASS,
    HF_MARK_FAIL,
    HF_MARK_RESET,
    HF_MARK_VOID,
    HF_MARK_SOAK,
    HF_MARK_PASS_BOUND, /* with a stem upwards: it would have been later */
    HF_MARK_SOAK_BOUND,
    HF_MARK_COUNT
};

struct hf_plot {
    struct hf_text *text;
    struct hf_axis x, y;
    double left, top, width, height; /* of the area inside the axes, in pixels */
    int number;                      /* makes ids unique on the page */
};

struct hf_plot_size {
    double width, height;            /* of the whole drawing */
    double left, right, top, bottom; /* margins */
};

/* `title` and `description` are the text alternative; they are escaped here. */
void hf_plot_open(struct hf_plot *plot, struct hf_text *text, int number, const struct hf_plot_size *size,
                  const struct hf_axis *x, const struct hf_axis *y, const char *title,
                  const char *description);
void hf_plot_axes(struct hf_plot *plot);
void hf_plot_close(struct hf_plot *plot);

double hf_plot_x(const struct hf_plot *plot, double value); /* pixels */
double hf_plot_y(const struct hf_plot *plot, double value);
int hf_plot_holds(const struct hf_plot *plot, double x, double y); /* 1: inside the axes */

/* `words` may be NULL; else the mark's tooltip. */
void hf_plot_mark(struct hf_plot *plot, enum hf_mark mark, double x, double y, const char *words);
void hf_plot_line(struct hf_plot *plot, const double *x, const double *y, int count, const char *style);
void hf_plot_band(struct hf_plot *plot, const double *x, const double *low, const double *high, int count,
                  const char *style);
/* Rules across the whole area, and a block between two values; `words` stands beside it, or NULL. */
enum hf_side {
    HF_SIDE_LEFT,
    HF_SIDE_RIGHT
};
void hf_plot_rule_across(struct hf_plot *plot, double y, const char *style, enum hf_side side,
                         const char *words);
void hf_plot_rule_up(struct hf_plot *plot, double x, const char *style, const char *words);
void hf_plot_block(struct hf_plot *plot, double x_low, double x_high, double y_low, double y_high,
                   const char *style, const char *words);
/* Pixels, not values: x and y are the left end of the base line. `anchor`: start, middle, end. */
void hf_plot_words(struct hf_plot *plot, double x, double y, const char *anchor, const char *style,
                   const char *words);

/* A dot in the style's own colour. */
void hf_plot_dot(struct hf_plot *plot, double x, double y, const char *style);

/* Black or white, whichever is read more easily on the colour (WCAG 2.1, contrast ratio: 4.58 at least). */
const char *hf_plot_ink(const int rgb[3]);

/* Moves positions (pixels, any order) as little as need be so that neighbours are `gap` apart and all lie
 * between low and high; when there is no room for that, they are spaced evenly. */
void hf_plot_spread(double *positions, int count, double gap, double low, double high);

/* The shapes of all marks; once on a page, before the first plot. */
void hf_plot_shapes(struct hf_text *text);
/* One mark as a small drawing, for legends. */
void hf_plot_sample(struct hf_text *text, enum hf_mark mark);

/* A round step that divides `span` into about `wanted` parts: 1, 2, 2.5 or 5 times a power of ten. */
double hf_plot_round_step(double span, int wanted);

#endif
