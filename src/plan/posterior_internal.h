/*
 * The grid. Inside this file clocks are in units of 25 MHz ("units"), whatever the ratio step is.
 *
 * Layout: for each group SLOPES rows of `count` cells over theta. log_like holds the log likelihood. From it
 * posterior_refresh() makes, per row, the running sum of exp(log_like - largest): `running` has count + 1
 * entries, the last is the row's mass; a cell's mass is spread evenly over its width. Everything asked later
 * is 25 look-ups there.
 *
 * Sources: slope and its spread from about one decade of error rate per 6 to 15 mV (Das et al. 2006; Ernst et
 * al. 2003; Sarangi et al. 2008). The group's own 10 % and the run-to-run shift of 12 MHz are engineering
 * judgement.
 */
#ifndef HOLDFAST_PLAN_POSTERIOR_INTERNAL_H
#define HOLDFAST_PLAN_POSTERIOR_INTERNAL_H

#include <math.h>

#include "plan/posterior.h"

#define SLOPES       25
#define SLOPE_LOW    0.45 /* nats per 25 MHz */
#define SLOPE_HIGH   4.5
#define FLATTENING   0.008              /* see units_above_edge() */
#define TAPS_MAX     8                  /* on each side */
#define LOG_RATE_MAX 7.0900768357760917 /* 20 a second, in ln per minute */

struct group_rows {
    double mass[SLOPES];    /* sum over theta, scaled by the group's largest likelihood */
    double mean[SLOPES];    /* of theta given the slope, units */
    double square[SLOPES];  /* of (theta - middle of the grid)^2 */
    double log_fit[SLOPES]; /* ln sum_b K(b | B) m(b), by B */
    double share[SLOPES];   /* posterior of the group's own slope */
    double chip[SLOPES];    /* mean of ln B given the group's own slope */
    int begin[SLOPES],
        end[SLOPES];           /* cells of the row that live: the others are too unlikely ever to count */
    int low_slope, high_slope; /* the rows outside have a share below SHARE_MIN */
    double fellows_mean, fellows_weight; /* what the other groups say of theta: centred units, 1 / variance */
    int loose;
    int stale;
};

struct posterior {
    int group_count;
    int count;  /* theta cells */
    double low; /* middle of the first cell, units */
    double spacing;
    double centre; /* about which squares are taken */
    double unit_per_step;
    double log_claim;
    double claim_units[SLOPES];               /* units_above_edge() of the claim */
    double bin_units[POSTERIOR_BINS][SLOPES]; /* and of each bin's upper end */
    double slope[SLOPES];
    double log_slope[SLOPES];
    double inverse_slope[SLOPES];
    double fall[SLOPES];              /* of the rate from one cell to the next */
    double log_prior[SLOPES];         /* of B */
    double chip_variance;             /* of ln B */
    double kernel[2][SLOPES][SLOPES]; /* [loose][B][b], each row adds up to 1 */
    double tap[2 * TAPS_MAX + 1];
    int taps;
    struct group_rows *rows;
    double *log_like; /* [group][slope][count] */
    double *running;  /* [group][slope][count + 1] */
    double *scratch;  /* count + 2 TAPS_MAX, and padding */
    double *rate;     /* the same: per second */
    double *smooth;   /* count, and padding */
};

static inline double *log_like_row(const struct posterior *p, int group, int j)
{
    return p->log_like + ((size_t)group * SLOPES + (size_t)j) * (size_t)p->count;
}

static inline double *running_row(const struct posterior *p, int group, int j)
{
    return p->running + ((size_t)group * SLOPES + (size_t)j) * (size_t)(p->count + 1);
}

/*
 * Far below the edge the flatter cores of a group have the word: a sum of exponentials is the less steep the
 * lower it is, its slope changing by the variance of the slopes of the cores that count per unit: 10 % each,
 * and the less steep, the more of them count. So ln(rate) = y + v y^2 / 2 for y = b (x - theta) < 0, v =
 * FLATTENING / b^2. Given ln(rate), this is y / b: how many units above the edge that rate is.
 */
static inline double units_above_edge(const struct posterior *p, int j, double log_rate)
{
    double v = FLATTENING * p->inverse_slope[j] * p->inverse_slope[j];
    double root = 1.0 + 2.0 * v * log_rate;

    if (log_rate >= 0.0)
        return log_rate * p->inverse_slope[j];
    return (sqrt(root > 0.0 ? root : 0.0) - 1.0) / v * p->inverse_slope[j];
}

#endif
