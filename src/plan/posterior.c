/* The grid is made, taught, and summed up; posterior_internal.h says how it lies in memory. */
#include "plan/posterior_internal.h"

#include <assert.h>
#include <string.h>

#include "base/memory.h"
#include "plan/vector_math.h"

#define PRIOR_SLOPE       1.5
#define PRIOR_SLOPE_SD    0.40
#define GROUP_SLOPE_SD    0.065 /* cores 10 %; a group's rate is the sum over its weakest few */
#define LOOSE_SLOPE_SD    0.60
#define SPACING           0.25 /* of theta, units */
#define CELLS_MAX         800
#define SHIFT_SD          0.48 /* 12 MHz */
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

/* --- making --- */

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
