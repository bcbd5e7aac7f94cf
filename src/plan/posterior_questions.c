/* What is asked of the grid once posterior_refresh() has summed it up: look-ups, nothing is changed. */
#include "plan/posterior_internal.h"

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
