/*
 * What is believed of every group's edge and slope, on a grid.
 *
 * Model: faults per minute of a group at clock x (in units of 25 MHz): exp(b (x - theta)), at most 20 a
 * second. theta: where it has one fault a minute. b: nats per 25 MHz. The groups of one chip share a slope B:
 * ln b ~ N(ln B, 0.065), ln B ~ N(ln 1.5, 0.4). Each trial sees theta moved by a run-to-run shift of its own,
 * normal with sd 12 MHz, so that faults within one trial count for less than faults of several trials. Far
 * below the edge, where nothing can be watched, the slope is taken to fall a little (units_above_edge() in
 * posterior.c).
 *
 * Pooling is exact: per group the likelihood summed over theta leaves m_g(b); the posterior of B is its prior
 * times the product over groups of sum_b K(b | B) m_g(b); a group's own posterior weighs its b by what all
 * other groups say of B.
 *
 * Calling order: posterior_new(); posterior_add() any number of times; posterior_refresh(); then the
 * questions. No call but posterior_new() allocates. Steps are the plan's steps, rates are faults per minute.
 */
#ifndef HOLDFAST_PLAN_POSTERIOR_H
#define HOLDFAST_PLAN_POSTERIOR_H

#include "holdfast/error.h"

#define POSTERIOR_BINS      48 /* of ln rate, half a nat each, from POSTERIOR_BIN_LOW upward */
#define POSTERIOR_BIN_LOW   (-16.0)
#define POSTERIOR_BIN_WIDTH 0.5

struct posterior;

/* One trial's part for one group: lambda^faults_within x exp(-lambda clean_s) x what ended it. */
struct posterior_evidence {
    double step;
    double clean_s;      /* exposure that certainly was without its ending fault */
    double window_s;     /* the fault that ended it came within this time after clean_s; 0: none did */
    int faults_within;   /* faults the trial outlived */
    double others_per_s; /* what else may have caused the ending fault: reset rate of all other groups when
                            nobody is named, a defect's rate; 0: nothing */
};

/* Moments over the posterior, theta and limit in steps, slope in nats per step. limit: the step (a real
 * number) where the rate is exactly `claim`. */
struct posterior_moments {
    double theta_mean, slope_mean, limit_mean;
    double theta_variance;
    double limit_variance;
    double slope_variance, intercept_variance; /* intercept: slope x (theta - theta_mean) */
    double slope_intercept_covariance;
    double limit_slope_covariance, limit_intercept_covariance;
    double chip_variance; /* of ln B, the slope that the chip's groups share */
    double chip_slope_covariance, chip_intercept_covariance, chip_limit_covariance;
};

int posterior_new(int group_count, double low_step, double high_step, double step_mhz,
                  double claim_per_minute, struct posterior **ret_posterior, struct hf_error *error);
void posterior_free(struct posterior *posterior);

void posterior_add(struct posterior *posterior, int group, const struct posterior_evidence *evidence);

/* Old evidence counts for less: all likelihoods so far are raised to the power `keep`, 0 to 1 (Ibrahim and
 * Chen 2000, power prior). What may be replaced later must not have been discounted. */
void posterior_discount(struct posterior *posterior, double keep);

/* Replaces evidence that was added by a better reading of it. */
void posterior_replace(struct posterior *posterior, int group, const struct posterior_evidence *old_evidence,
                       const struct posterior_evidence *new_evidence);

/* 1: this group's slope may be far from the chip's: its faults do not follow the model. */
void posterior_set_loose(struct posterior *posterior, int group, int loose);

/* What other groups of the chip say of this group's theta: normal. Replaces what was said before. */
void posterior_set_fellows(struct posterior *posterior, int group, double mean_step, double sd_steps);

/* Brings all summaries up to date. */
void posterior_refresh(struct posterior *posterior);

/* Probability that theta is below a step; that ln(rate at step) is above log_rate; that the limit is below
 * step. */
double posterior_theta_below(const struct posterior *posterior, int group, double step);
double posterior_rate_above(const struct posterior *posterior, int group, double step, double log_rate);
double posterior_limit_below(const struct posterior *posterior, int group, double step);

/* Quantiles. The slope's is in nats per step. */
double posterior_theta_quantile(const struct posterior *posterior, int group, double probability);
double posterior_log_rate_quantile(const struct posterior *posterior, int group, double step,
                                   double probability);
double posterior_slope_quantile(const struct posterior *posterior, int group, double probability);

/* Distribution of ln(rate at step) in POSTERIOR_BINS bins; the outer ones hold the tails. */
void posterior_rate_bins(const struct posterior *posterior, int group, double step,
                         double ret_probability[POSTERIOR_BINS]);
double posterior_bin_log_rate(int bin); /* its middle */

/* Expectations over those bins: rate per minute (capped), and no fault in `seconds`. */
double posterior_expected_rate(const struct posterior *posterior, int group, double step);
double posterior_expected_survival(const struct posterior *posterior, int group, double step, double seconds);

/* Chance that a new trial at step sees no fault in `seconds`, run-to-run shift included. */
double posterior_predict_survival(struct posterior *posterior, int group, double step, double seconds);

void posterior_moments(const struct posterior *posterior, int group, struct posterior_moments *ret_moments);

#endif
