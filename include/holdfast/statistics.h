/*
 * Statistics of exposure: what so many faults in so many hours prove.
 *
 * Sources: NIST/SEMATECH e-Handbook of Statistical Methods, sections 8.3.1 and 8.4.5 to 8.4.6; Garwood 1936;
 * Wald 1947. Rates are per hour when exposures are in hours: any unit will do if both use it.
 */
#ifndef HOLDFAST_STATISTICS_H
#define HOLDFAST_STATISTICS_H

/* Regularised incomplete gamma P(shape, x), Q = 1 - P; shape > 0, x >= 0. */
double hf_gamma_p(double shape, double x);
double hf_gamma_q(double shape, double x);

/* x with P(shape, x) = probability; 0 <= probability < 1. Gq(p, a) = chi2(p; 2a) / 2. */
double hf_gamma_quantile(double probability, double shape);

/* Upper confidence limit of the rate after `faults` in a fixed exposure (a time-ended test):
 * chi2(confidence; 2 faults + 2) / (2 exposure). With no fault: -ln(1 - confidence) / exposure. */
double hf_rate_upper_limit(int faults, double exposure, double confidence);

/* The same for a test that was ended by its last fault (faults >= 1): chi2(confidence; 2 faults) / (2
 * exposure). */
double hf_rate_upper_limit_fault_ended(int faults, double exposure, double confidence);

/* Exposure without a fault that proves rate < rate_limit at confidence: -ln(1 - confidence) / rate_limit. */
double hf_exposure_needed(double rate_limit, double confidence);

/* Two-sided limits on the mean of a Poisson count (Garwood 1936). */
void hf_count_limits(int count, double confidence, double *ret_low, double *ret_high);

/* Bound on the chance of certifying a bad set when `repeats` soaks of the same set were begun, each of
 * exposure T = ln(m / (1 - confidence)) / rate at the m-th: the exposure the m-th attempt (1, 2, ...) needs.
 */
double hf_exposure_needed_at_attempt(double rate_limit, double confidence, int attempt);

/* Exposure in which each of `groups` groups, soaked apart, must be clean so that all claims hold together:
 * with independent groups -ln(1 - C^(1/G)) / rate (Sidak 1967), else ln(G / (1 - C)) / rate (Bonferroni),
 * whatever the dependence. One joint soak that bounds the machine's whole rate needs neither. */
double hf_exposure_needed_jointly(double rate_limit, double confidence, int groups, int independent);

/* Bound on the chance of certifying a bad set when sets are tried from high to low, each once, and the first
 * full pass is certified, the rate growing by `growth` (> 1) a set: sum over i of (1 - C)^(growth^i). */
double hf_walk_down_risk(double confidence, double growth);

/* Information about ln(rate), nats^-2, that a trial of `expected_faults` = rate x duration gives: when the
 * fault's time is recorded 1 - e^-u; when only pass or fail is, u^2 e^-u / (1 - e^-u), best at u = 1.594. */
double hf_information_timed(double expected_faults);
double hf_information_counted(double expected_faults);

/* Upper limit of the rate with a gamma prior (shape, exposure) after `faults` in `exposure`: the posterior
 * is gamma (shape + faults, prior exposure + exposure) (e-Handbook 8.4.6). */
double hf_rate_upper_limit_with_prior(double prior_shape, double prior_exposure, int faults, double exposure,
                                      double confidence);

/* A test that may be watched all the time (Ville 1939; Wald 1947): exposure at which `faults` faults still
 * prove rate < rate_limit, betting on a rate `ratio` (> 1) times smaller:
 * T = (ln(1/(1 - C)) + N ln d) / ((1 - 1/d) x). With no fault and ratio to infinity this is
 * hf_exposure_needed: a soak without a fault is watched for nothing. */
double hf_exposure_needed_watched(double rate_limit, double confidence, int faults, double ratio);

/*
 * Wald's sequential test of a mean time between faults: accept theta0 (good), reject theta1 < theta0 (bad),
 * alpha the chance to reject a good one, beta to accept a bad one (Wald 1947; MIL-HDBK-781A). Start with
 * hf_sequential_init(), then ask hf_sequential_judge() whenever exposure or faults have grown.
 * Go on while  -h1 + faults x s < exposure < h0 + faults x s.
 */
struct hf_sequential_test {
    double accept_intercept; /* h0 */
    double reject_intercept; /* h1 */
    double slope;            /* s: exposure a fault costs */
};

enum hf_sequential_result {
    HF_SEQUENTIAL_GO_ON,
    HF_SEQUENTIAL_ACCEPT,
    HF_SEQUENTIAL_REJECT
};

void hf_sequential_init(struct hf_sequential_test *test, double theta0, double theta1, double alpha,
                        double beta);
enum hf_sequential_result hf_sequential_judge(const struct hf_sequential_test *test, int faults,
                                              double exposure);

#endif
