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
#include "plan/posterior.h"

#include <assert.h>
#include <math.h>
#include <string.h>

#include "base/memory.h"
#include "plan/vector_math.h"

#define SLOPES            25
#define SLOPE_LOW         0.45 /* nats per 25 MHz */
#define SLOPE_HIGH        4.5
#define PRIOR_SLOPE       1.5
#define PRIOR_SLOPE_SD    0.40
#define GROUP_SLOPE_SD    0.065 /* cores 10 %; a group's rate is the sum over its weakest few */
#define LOOSE_SLOPE_SD    0.60
#define FLATTENING        0.008 /* see units_above_edge() */
#define SPACING           0.25  /* of theta, units */
#define CELLS_MAX         800
#define SHIFT_SD          0.48               /* 12 MHz */
#define TAPS_MAX          8                  /* on each side */
#define LOG_RATE_MAX      7.0900768357760917 /* 20 a second, in ln per minute */
#define LOG_FLOOR         1e-290
#define NATS_KEPT         40.0 /* cells less likely than this below the best count as nothing */
#define SIDE_BY_SIDE      4    /* vectors that are smoothed at once: each tap is loaded once for all */
#define PADDING           (SIDE_BY_SIDE * VECTOR_WIDTH)
#define QUIET             1e-10 /* a chance of a fault below this is none */
#define CERTAIN           120.0 /* so many expected faults: survival is nothing */
#define PREDICT_SHARE_MIN 1e-4  /* good enough to judge a model by */
#define NATS_ALIVE        100.0 /* evidence that is replaced later may bring back less than the difference */
#define DEAD              (-1e30)
#define SHARE_MIN         1e-8 /* slopes less likely than this are not looked at */

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

static double *log_like_row(const struct posterior *p, int group, int j)
{
    return p->log_like + ((size_t)group * SLOPES + (size_t)j) * (size_t)p->count;
}

static double *running_row(const struct posterior *p, int group, int j)
{
    return p->running + ((size_t)group * SLOPES + (size_t)j) * (size_t)(p->count + 1);
}

/* --- making --- */

/*
 * Far below the edge the flatter cores of a group have the word: a sum of exponentials is the less steep the
 * lower it is, its slope changing by the variance of the slopes of the cores that count per unit: 10 % each,
 * and the less steep, the more of them count. So ln(rate) = y + v y^2 / 2 for y = b (x - theta) < 0, v =
 * FLATTENING / b^2. Given ln(rate), this is y / b: how many units above the edge that rate is.
 */
static double units_above_edge(const struct posterior *p, int j, double log_rate)
{
    double v = FLATTENING * p->inverse_slope[j] * p->inverse_slope[j];
    double root = 1.0 + 2.0 * v * log_rate;

    if (log_rate >= 0.0)
        return log_rate * p->inverse_slope[j];
    return (sqrt(root > 0.0 ? root : 0.0) - 1.0) / v * p->inverse_slope[j];
}

static void fill_kernel(struct posterior *p, int loose, double sd)
{
    for (int i = 0; i < SLOPES; i++) {
        double sum = 0.0;

        for (int j = 0; j < SLOPES; j++) {
            double z = log(p->slope[j] / p->slope[i]) / sd;

            p->kernel[loose][i][j] = exp(-0.5 * z * z);
            sum += p->kernel[loose][i][j];
        }
        for (int j = 0; j < SLOPES; j++)
            p->kernel[loose][i][j] /= sum;
    }
}

static void fill_taps(struct posterior *p)
{
    double sum = 0.0;

    p->taps = (int)fmin(TAPS_MAX, ceil(3.0 * SHIFT_SD / p->spacing));
    for (int t = -p->taps; t <= p->taps; t++) {
        double z = t * p->spacing / SHIFT_SD;

        p->tap[t + p->taps] = exp(-0.5 * z * z);
        sum += p->tap[t + p->taps];
    }
    for (int t = 0; t <= 2 * p->taps; t++)
        p->tap[t] /= sum;
}

static void fill_slopes(struct posterior *p)
{
    for (int j = 0; j < SLOPES; j++) {
        double z;

        p->slope[j] = SLOPE_LOW * pow(SLOPE_HIGH / SLOPE_LOW, (double)j / (SLOPES - 1));
        p->log_slope[j] = log(p->slope[j]);
        p->inverse_slope[j] = 1.0 / p->slope[j];
        p->claim_units[j] = units_above_edge(p, j, p->log_claim);
        for (int n = 0; n < POSTERIOR_BINS; n++)
            p->bin_units[n][j] = units_above_edge(p, j, POSTERIOR_BIN_LOW + (n + 1) * POSTERIOR_BIN_WIDTH);
        p->fall[j] = exp(-p->slope[j] * p->spacing);
        z = (p->log_slope[j] - log(PRIOR_SLOPE)) / PRIOR_SLOPE_SD;
        p->log_prior[j] = -0.5 * z * z;
    }
    fill_kernel(p, 0, GROUP_SLOPE_SD);
    fill_kernel(p, 1, LOOSE_SLOPE_SD);
}

static double largest_of(const double *values, int count)
{
    double largest = values[0];

    for (int i = 1; i < count; i++)
        largest = values[i] > largest ? values[i] : largest;
    return largest;
}

static void all_live(struct posterior *p, int group)
{
    for (int j = 0; j < SLOPES; j++) {
        p->rows[group].begin[j] = 0;
        p->rows[group].end[j] = p->count;
    }
}

int posterior_new(int group_count, double low_step, double high_step, double step_mhz,
                  double claim_per_minute, struct posterior **ret_posterior, struct hf_error *error)
{
    struct posterior *p = hf_allocate(1, sizeof *p);
    double span;
    size_t cells;

    assert(group_count >= 1 && high_step > low_step && claim_per_minute > 0.0);
    if (!p)
        return hf_fail(error, HF_E_MEMORY, "plan: no memory for the belief");
    p->group_count = group_count;
    p->unit_per_step = step_mhz / 25.0;
    p->log_claim = log(claim_per_minute);
    p->low = low_step * p->unit_per_step;
    span = (high_step - low_step) * p->unit_per_step;
    p->spacing = fmax(SPACING, span / (CELLS_MAX - 1));
    p->count = (int)ceil(span / p->spacing) + 1;
    p->centre = p->low + 0.5 * span;
    cells = (size_t)group_count * SLOPES;
    p->rows = hf_allocate((size_t)group_count, sizeof *p->rows);
    p->log_like = hf_allocate(cells * (size_t)p->count, sizeof(double));
    p->running = hf_allocate(cells * (size_t)(p->count + 1), sizeof(double));
    p->scratch = hf_allocate((size_t)p->count + (size_t)(2 * TAPS_MAX + PADDING), sizeof(double));
    p->rate = hf_allocate((size_t)p->count + (size_t)(2 * TAPS_MAX + PADDING), sizeof(double));
    p->smooth = hf_allocate((size_t)p->count + PADDING, sizeof(double));
    if (!p->rows || !p->log_like || !p->running || !p->scratch || !p->rate || !p->smooth) {
        posterior_free(p);
        return hf_fail(error, HF_E_MEMORY, "plan: no memory for the belief of %d groups", group_count);
    }
    fill_slopes(p);
    fill_taps(p);
    for (int g = 0; g < group_count; g++) {
        all_live(p, g);
        p->rows[g].stale = 1;
    }
    posterior_refresh(p);
    *ret_posterior = p;
    return 0;
}

void posterior_free(struct posterior *p)
{
    if (!p)
        return;
    hf_free(p->rows);
    hf_free(p->log_like);
    hf_free(p->running);
    hf_free(p->scratch);
    hf_free(p->rate);
    hf_free(p->smooth);
    hf_free(p);
}

/* --- evidence --- */

/* Cells from which on theta is so high that a trial without a fault says nothing: a count within the row. */
static int first_quiet_cell(const struct posterior *p, double b, const struct posterior_evidence *evidence)
{
    double log_rate, cell;

    if (evidence->window_s > 0.0 || evidence->faults_within > 0)
        return p->count;
    log_rate = log(60.0 * QUIET / fmax(evidence->clean_s, 1e-6));
    cell = (evidence->step * p->unit_per_step - log_rate / b - p->low) / p->spacing + p->taps;
    return cell < 0.0 ? 0 : cell > p->count ? p->count : (int)ceil(cell);
}

/* rate[i] of the cell begin + i - taps, per second, for i < count: falls by a constant factor, up to the cap.
 */
static void fill_rates(struct posterior *p, int j, double step, int begin, int count)
{
    double b = p->slope[j];
    double log_first = b * (step * p->unit_per_step - (p->low + (begin - p->taps) * p->spacing));
    double factor = p->fall[j];
    double cap = exp(LOG_RATE_MAX) / 60.0;
    int at = 0;

    if (log_first > LOG_RATE_MAX) {
        double capped = ceil((log_first - LOG_RATE_MAX) / (b * p->spacing));

        while (at < count && at < capped)
            p->rate[at++] = cap;
        log_first -= at * b * p->spacing;
    }
    for (double rate = exp(log_first) / 60.0; at < count; at++, rate *= factor)
        p->rate[at] = rate;
}

static void exp_in_place(double *values, int count)
{
    for (int i = 0; i < count; i += VECTOR_WIDTH)
        vector_store(values + i, vector_exp(vector_load(values + i)));
}

/* 1 - exp(-x), x >= 0, without a call for the small ones. */
static double within(double x)
{
    if (x < 1e-3)
        return x * (1.0 - x * (0.5 - x * (1.0 / 6.0 - x * (1.0 / 24.0))));
    return -expm1(-fmin(x, 700.0));
}

/* What ended the trial, and what it outlived, onto the survival in scratch. */
static void add_ending(struct posterior *p, const struct posterior_evidence *evidence, int count)
{
    double window = evidence->window_s;

    for (int i = 0; i < count && window > 0.0; i++) {
        double ended = within(p->rate[i] * window);

        p->scratch[i] *= evidence->others_per_s > 0.0 ? ended / window + evidence->others_per_s : ended;
    }
    for (int n = 0; n < evidence->faults_within && n < 20; n++) {
        for (int i = 0; i < count; i++)
            p->scratch[i] *= p->rate[i] * 3600.0;
    }
}

static void smooth(struct posterior *p, int live)
{
    const int taps = 2 * p->taps;

    for (int i = 0; i < live; i += SIDE_BY_SIDE * VECTOR_WIDTH) {
        const double *from = p->scratch + i;
        vector_double sum[SIDE_BY_SIDE] = {{0}};

        for (int t = 0; t <= taps; t++) {
            const vector_double tap = vector_all(p->tap[t]);

            sum[0] += tap * vector_load(from + t);
            sum[1] += tap * vector_load(from + t + VECTOR_WIDTH);
            sum[2] += tap * vector_load(from + t + 2 * VECTOR_WIDTH);
            sum[3] += tap * vector_load(from + t + 3 * VECTOR_WIDTH);
        }
        for (int v = 0; v < SIDE_BY_SIDE; v++)
            vector_store(p->smooth + i + v * VECTOR_WIDTH, sum[v]);
    }
}

/* Likelihood of one slope row, each cell averaged over the run-to-run shift: cell begin + i into
 * p->smooth[i]. Returns how many cells from begin on differ from 1. */
static int smooth_row(struct posterior *p, int j, const struct posterior_evidence *evidence, int begin,
                      int end)
{
    int quiet = first_quiet_cell(p, p->slope[j], evidence);
    int live = (quiet < end ? quiet : end) - begin;
    int count = live + 2 * p->taps;

    if (live <= 0)
        return 0;
    fill_rates(p, j, evidence->step, begin, count);
    for (int i = 0; i < count; i++)
        p->scratch[i] = -p->rate[i] * evidence->clean_s;
    exp_in_place(p->scratch, count);
    for (int i = 0; i < count && p->rate[i] * evidence->clean_s > CERTAIN; i++)
        p->scratch[i] = 0.0;
    add_ending(p, evidence, count);
    smooth(p, live);
    return live;
}

static void add_scaled(struct posterior *p, int group, const struct posterior_evidence *evidence, double sign)
{
    assert(group >= 0 && group < p->group_count);
    assert(evidence->clean_s >= 0.0 && evidence->window_s >= 0.0 && evidence->others_per_s >= 0.0);
    for (int j = 0; j < SLOPES; j++) {
        int begin = p->rows[group].begin[j];
        double *row = log_like_row(p, group, j) + begin;
        int count = smooth_row(p, j, evidence, begin, p->rows[group].end[j]);

        for (int i = 0; i < count; i++)
            p->smooth[i] = p->smooth[i] > LOG_FLOOR ? p->smooth[i] : LOG_FLOOR;
        for (int i = 0; i < count; i += VECTOR_WIDTH)
            vector_store(p->smooth + i, vector_log(vector_load(p->smooth + i)));
        for (int i = 0; i < count; i++)
            row[i] += sign * p->smooth[i];
    }
    p->rows[group].stale = 1;
}

void posterior_add(struct posterior *p, int group, const struct posterior_evidence *evidence)
{
    add_scaled(p, group, evidence, 1.0);
}

void posterior_replace(struct posterior *p, int group, const struct posterior_evidence *old_evidence,
                       const struct posterior_evidence *new_evidence)
{
    add_scaled(p, group, old_evidence, -1.0);
    add_scaled(p, group, new_evidence, 1.0);
}

void posterior_discount(struct posterior *p, double keep)
{
    assert(keep >= 0.0 && keep <= 1.0);
    for (int g = 0; g < p->group_count; g++) {
        double largest = largest_of(log_like_row(p, g, 0), p->count * SLOPES);

        for (int i = 0; i < p->count * SLOPES; i++) {
            double *cell = log_like_row(p, g, 0) + i;

            *cell = keep * fmax(*cell, largest - NATS_ALIVE);
        }
        all_live(p, g);
        p->rows[g].fellows_weight *= keep;
        p->rows[g].stale = 1;
    }
}

void posterior_set_fellows(struct posterior *p, int group, double mean_step, double sd_steps)
{
    struct group_rows *rows = &p->rows[group];

    double mean = mean_step * p->unit_per_step - p->centre;
    double weight = 1.0 / (sd_steps * p->unit_per_step * sd_steps * p->unit_per_step);

    rows->stale |= mean != rows->fellows_mean || weight != rows->fellows_weight;
    rows->fellows_mean = mean;
    rows->fellows_weight = weight;
}

void posterior_set_loose(struct posterior *p, int group, int loose)
{
    p->rows[group].loose = loose;
    p->rows[group].stale = 1;
}

/* --- summaries --- */

/* The cells of a row from the first to the last that reach `least`, within those that live. */
static void find_band(const struct posterior *p, int group, int j, double least, int *ret_begin, int *ret_end)
{
    const double *log_like = log_like_row(p, group, j);
    int begin = p->rows[group].begin[j], end = p->rows[group].end[j];

    while (begin < end && log_like[begin] < least)
        begin++;
    while (end > begin && log_like[end - 1] < least)
        end--;
    *ret_begin = begin;
    *ret_end = end;
}

/* Later evidence is not computed for cells that are NATS_ALIVE below the best. */
static void bury_cells(struct posterior *p, int group, int j, double largest)
{
    struct group_rows *rows = &p->rows[group];
    double *log_like = log_like_row(p, group, j);
    int begin, end;

    find_band(p, group, j, largest - NATS_ALIVE, &begin, &end);
    for (int i = rows->begin[j]; i < begin; i++)
        log_like[i] = DEAD;
    for (int i = end; i < rows->end[j]; i++)
        log_like[i] = DEAD;
    rows->begin[j] = begin;
    rows->end[j] = end;
}

static void sum_row(struct posterior *p, int group, int j, double largest)
{
    const double *log_like = log_like_row(p, group, j);
    double *running = running_row(p, group, j);
    struct group_rows *rows = &p->rows[group];
    double mass = 0.0, first = 0.0, second = 0.0;
    int begin, end;

    bury_cells(p, group, j, largest);
    find_band(p, group, j, largest - NATS_KEPT, &begin, &end);
    for (int i = begin; i < end; i++) {
        double off = p->low + i * p->spacing - p->centre - rows->fellows_mean;

        p->scratch[i - begin] = log_like[i] - largest - 0.5 * rows->fellows_weight * off * off;
    }
    exp_in_place(p->scratch, end - begin);
    for (int i = 0; i <= begin; i++)
        running[i] = 0.0;
    for (int i = begin; i < end; i++) {
        double like = p->scratch[i - begin];
        double theta = p->low + i * p->spacing - p->centre;

        mass += like;
        first += like * theta;
        second += like * theta * theta;
        running[i + 1] = mass;
    }
    for (int i = end; i < p->count; i++)
        running[i + 1] = mass;
    rows->mass[j] = mass;
    rows->mean[j] = mass > 0.0 ? first / mass : 0.0;
    rows->square[j] = mass > 0.0 ? second / mass : 0.0;
}

/* Of the cells that live; the others are DEAD. */
static double largest_alive(const struct posterior *p, int group)
{
    const struct group_rows *rows = &p->rows[group];
    double largest = DEAD;

    for (int j = 0; j < SLOPES; j++) {
        int count = rows->end[j] - rows->begin[j];
        double here = count > 0 ? largest_of(log_like_row(p, group, j) + rows->begin[j], count) : DEAD;

        largest = here > largest ? here : largest;
    }
    return largest;
}

static void sum_group(struct posterior *p, int group)
{
    struct group_rows *rows = &p->rows[group];
    double largest = largest_alive(p, group);

    for (int j = 0; j < SLOPES; j++)
        sum_row(p, group, j, largest);
    for (int i = 0; i < SLOPES; i++) {
        double sum = 0.0;

        for (int j = 0; j < SLOPES; j++)
            sum += p->kernel[rows->loose][i][j] * rows->mass[j];
        rows->log_fit[i] = log(fmax(sum, LOG_FLOOR));
    }
    rows->stale = 0;
}

/* The group's own slope: what all the others say of B, carried over, times its own evidence. */
static void share_slopes(const struct posterior *p, const double *log_total, struct group_rows *rows)
{
    double by_chip[SLOPES];
    double largest;
    double sum = 0.0;

    for (int i = 0; i < SLOPES; i++)
        by_chip[i] = log_total[i] - rows->log_fit[i];
    largest = largest_of(by_chip, SLOPES);
    for (int i = 0; i < SLOPES; i++)
        by_chip[i] = by_chip[i] > largest - 40.0 ? exp(by_chip[i] - largest) : 0.0;
    for (int j = 0; j < SLOPES; j++) {
        double weight = 0.0, chip = 0.0;

        for (int i = 0; i < SLOPES; i++) {
            double both = by_chip[i] * p->kernel[rows->loose][i][j];

            weight += both;
            chip += both * p->log_slope[i];
        }
        rows->chip[j] = weight > 0.0 ? chip / weight : p->log_slope[j];
        rows->share[j] = weight * rows->mass[j];
        sum += rows->share[j];
    }
    rows->low_slope = SLOPES;
    for (int j = 0; j < SLOPES; j++) {
        rows->share[j] = sum > 0.0 ? rows->share[j] / sum : 1.0 / SLOPES;
        if (rows->share[j] <= SHARE_MIN)
            continue;
        rows->high_slope = j;
        if (rows->low_slope == SLOPES)
            rows->low_slope = j;
    }
}

static double variance_of_chip(const struct posterior *p, const double *log_total)
{
    double largest = largest_of(log_total, SLOPES);
    double sum = 0.0, mean = 0.0, square = 0.0;

    for (int i = 0; i < SLOPES; i++) {
        double weight = exp(log_total[i] - largest);

        sum += weight;
        mean += weight * p->log_slope[i];
        square += weight * p->log_slope[i] * p->log_slope[i];
    }
    mean /= sum;
    return fmax(square / sum - mean * mean, 1e-6);
}

void posterior_refresh(struct posterior *p)
{
    double log_total[SLOPES];

    memcpy(log_total, p->log_prior, sizeof log_total);
    for (int g = 0; g < p->group_count; g++) {
        if (p->rows[g].stale)
            sum_group(p, g);
        for (int i = 0; i < SLOPES; i++)
            log_total[i] += p->rows[g].log_fit[i];
    }
    p->chip_variance = variance_of_chip(p, log_total);
    for (int g = 0; g < p->group_count; g++)
        share_slopes(p, log_total, &p->rows[g]);
}

/* --- questions --- */

/* P(theta < x units | slope j). */
static double row_below(const struct posterior *p, int group, int j, double x)
{
    const double *running = running_row(p, group, j);
    double position = (x - p->low) / p->spacing + 0.5;
    int cell;

    if (position <= 0.0 || running[p->count] <= 0.0)
        return 0.0;
    if (position >= p->count)
        return 1.0;
    cell = (int)position;
    return (running[cell] + (position - cell) * (running[cell + 1] - running[cell])) / running[p->count];
}

double posterior_theta_below(const struct posterior *p, int group, double step)
{
    const struct group_rows *rows = &p->rows[group];
    double sum = 0.0;

    for (int j = rows->low_slope; j <= rows->high_slope; j++)
        sum += rows->share[j] * row_below(p, group, j, step * p->unit_per_step);
    return sum < 1.0 ? sum : 1.0;
}

double posterior_rate_above(const struct posterior *p, int group, double step, double log_rate)
{
    const struct group_rows *rows = &p->rows[group];
    double sum = 0.0;

    for (int j = rows->low_slope; j <= rows->high_slope; j++)
        sum += rows->share[j] *
               row_below(p, group, j, step * p->unit_per_step - units_above_edge(p, j, log_rate));
    return sum < 1.0 ? sum : 1.0;
}

/* P(the step that is units[j] above the edge lies below `step`). */
static double units_below(const struct posterior *p, int group, double step, const double *units)
{
    const struct group_rows *rows = &p->rows[group];
    double sum = 0.0;

    for (int j = rows->low_slope; j <= rows->high_slope; j++)
        sum += rows->share[j] * row_below(p, group, j, step * p->unit_per_step - units[j]);
    return sum < 1.0 ? sum : 1.0;
}

double posterior_limit_below(const struct posterior *p, int group, double step)
{
    return units_below(p, group, step, p->claim_units);
}

double posterior_theta_quantile(const struct posterior *p, int group, double probability)
{
    double low = p->low / p->unit_per_step;
    double high = (p->low + p->count * p->spacing) / p->unit_per_step;

    for (int n = 0; n < 22; n++) { /* to a few millionths of the span */
        double middle = 0.5 * (low + high);

        if (posterior_theta_below(p, group, middle) < probability)
            low = middle;
        else
            high = middle;
    }
    return 0.5 * (low + high);
}

double posterior_log_rate_quantile(const struct posterior *p, int group, double step, double probability)
{
    double low = -400.0;
    double high = LOG_RATE_MAX;

    for (int n = 0; n < 36; n++) {
        double middle = 0.5 * (low + high);

        if (posterior_rate_above(p, group, step, middle) > 1.0 - probability)
            low = middle;
        else
            high = middle;
    }
    return 0.5 * (low + high);
}

double posterior_slope_quantile(const struct posterior *p, int group, double probability)
{
    const struct group_rows *rows = &p->rows[group];
    double sum = 0.0;

    for (int j = 0; j < SLOPES; j++) {
        double share = rows->share[j];

        if (sum + share >= probability && share > 0.0) {
            double within = (probability - sum) / share - 0.5; /* a cell is spread evenly in ln b */

            return p->slope[j] * pow(SLOPE_HIGH / SLOPE_LOW, within / (SLOPES - 1)) * p->unit_per_step;
        }
        sum += share;
    }
    return p->slope[SLOPES - 1] * p->unit_per_step;
}

double posterior_bin_log_rate(int bin)
{
    return POSTERIOR_BIN_LOW + (bin + 0.5) * POSTERIOR_BIN_WIDTH;
}

void posterior_rate_bins(const struct posterior *p, int group, double step,
                         double ret_probability[POSTERIOR_BINS])
{
    double above = 1.0;

    for (int n = 0; n < POSTERIOR_BINS; n++) {
        int last = n == POSTERIOR_BINS - 1 || above < 1e-12; /* nothing is left to look up */
        double next = last ? 0.0 : units_below(p, group, step, p->bin_units[n]);

        ret_probability[n] = fmax(above - next, 0.0);
        above = next;
    }
}

double posterior_expected_rate(const struct posterior *p, int group, double step)
{
    double probability[POSTERIOR_BINS];
    double sum = 0.0;

    posterior_rate_bins(p, group, step, probability);
    for (int n = 0; n < POSTERIOR_BINS; n++)
        sum += probability[n] * exp(fmin(posterior_bin_log_rate(n), LOG_RATE_MAX));
    return sum;
}

double posterior_expected_survival(const struct posterior *p, int group, double step, double seconds)
{
    double probability[POSTERIOR_BINS];
    double sum = 0.0;

    posterior_rate_bins(p, group, step, probability);
    for (int n = 0; n < POSTERIOR_BINS; n++)
        sum += probability[n] * exp(-exp(fmin(posterior_bin_log_rate(n), LOG_RATE_MAX)) * seconds / 60.0);
    return sum;
}

double posterior_predict_survival(struct posterior *p, int group, double step, double seconds)
{
    const struct posterior_evidence served = {.step = step, .clean_s = seconds};
    const struct group_rows *rows = &p->rows[group];
    double sum = 0.0, shares = 0.0;

    assert(!rows->stale);
    for (int j = 0; j < SLOPES; j++) {
        const double *running = running_row(p, group, j);
        double row = 0.0;
        int begin, count;

        if (rows->share[j] <= PREDICT_SHARE_MIN)
            continue;
        begin = rows->begin[j];
        count = smooth_row(p, j, &served, begin, rows->end[j]);
        for (int i = 0; i < count; i++)
            row += (running[begin + i + 1] - running[begin + i]) * p->smooth[i];
        row += running[p->count] - running[begin + count];
        sum += rows->share[j] * row / running[p->count];
        shares += rows->share[j];
    }
    return fmin(sum / shares, 1.0);
}

/* Given slope b: slope is b, intercept b (theta - mean), limit theta + ln(claim) / b. Units throughout. */
void posterior_moments(const struct posterior *p, int group, struct posterior_moments *ret_moments)
{
    const struct group_rows *rows = &p->rows[group];
    double u = p->unit_per_step;
    double theta = 0.0, b_mean = 0.0, limit = 0.0;
    double limit2 = 0.0, b2 = 0.0, intercept = 0.0, intercept2 = 0.0, b_intercept = 0.0;
    double limit_b = 0.0, limit_intercept = 0.0, theta2 = 0.0;
    double chip = 0.0, chip_b = 0.0, chip_intercept = 0.0, chip_limit = 0.0;

    for (int j = 0; j < SLOPES; j++) {
        theta += rows->share[j] * rows->mean[j];
        b_mean += rows->share[j] * p->slope[j];
        limit += rows->share[j] * (rows->mean[j] + p->claim_units[j]);
        chip += rows->share[j] * rows->chip[j];
    }
    for (int j = 0; j < SLOPES; j++) {
        double share = rows->share[j];
        double b = p->slope[j];
        double d = rows->mean[j] - theta;                                    /* of theta, given b */
        double dd = rows->square[j] - rows->mean[j] * rows->mean[j] + d * d; /* its square */
        double offset = p->claim_units[j] + theta - limit; /* limit - its mean = (theta - mean) + offset */

        theta2 += share * dd;
        limit2 += share * (dd + 2.0 * d * offset + offset * offset);
        b2 += share * (b - b_mean) * (b - b_mean);
        intercept += share * b * d;
        intercept2 += share * b * b * dd;
        b_intercept += share * (b - b_mean) * b * d;
        limit_b += share * (d + offset) * (b - b_mean);
        limit_intercept += share * b * (dd + d * offset);
        chip_b += share * (rows->chip[j] - chip) * (b - b_mean);
        chip_intercept += share * (rows->chip[j] - chip) * b * d;
        chip_limit += share * (rows->chip[j] - chip) * (d + offset);
    }
    *ret_moments = (struct posterior_moments){
        .theta_mean = (theta + p->centre) / u,
        .slope_mean = b_mean * u,
        .limit_mean = (limit + p->centre) / u,
        .theta_variance = theta2 / (u * u),
        .limit_variance = limit2 / (u * u),
        .slope_variance = b2 * u * u,
        .intercept_variance = intercept2 - intercept * intercept,
        .slope_intercept_covariance = b_intercept * u,
        .limit_slope_covariance = limit_b,
        .limit_intercept_covariance = limit_intercept / u,
        .chip_variance = p->chip_variance,
        .chip_slope_covariance = chip_b * u,
        .chip_intercept_covariance = chip_intercept,
        .chip_limit_covariance = chip_limit / u,
    };
}
