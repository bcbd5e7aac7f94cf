/*
 * Statistics of exposure.
 *
 * The incomplete gamma function is computed from its power series left of shape + 1 and from its continued
 * fraction right of it (Abramowitz and Stegun 6.5.29, 6.5.31; the fraction by Lentz's method as modified by
 * Thompson and Barnett 1986). Their common factor x^a e^-x / Gamma(a + 1) is where digits are lost when the
 * shape is large, so there it is written with Stirling's series and log(x / a) - (x / a - 1) (Temme 1979).
 */
#include "holdfast/statistics.h"

#include <assert.h>
#include <float.h>
#include <math.h>

#define TERMS_MAX   100000
#define LARGE_SHAPE 16.0
#define TWO_PI      6.283185307179586476925286766559

/* log(x / a) - d, where d = x / a - 1: no digits lost near x = a, nor near x = 0. */
static double log_minus(double a, double x)
{
    double d = (x - a) / a;
    double power = d * d;
    double sum = 0.0;

    if (fabs(d) > 0.35)
        return log(x / a) - d;
    for (int n = 2; n < 60; n++) {
        double term = power / n;

        sum += (n % 2 == 0) ? -term : term;
        if (term == 0.0 || fabs(term) < DBL_EPSILON * 0.01 * fabs(sum))
            break;
        power *= d;
    }
    return sum;
}

/* What Stirling's formula leaves of ln Gamma(a + 1): Abramowitz and Stegun 6.1.41, a >= LARGE_SHAPE. */
static double stirling_rest(double a)
{
    double inverse = 1.0 / a;
    double square = inverse * inverse;

    return inverse *
           (1.0 / 12 -
            square * (1.0 / 360 -
                      square * (1.0 / 1260 -
                                square * (1.0 / 1680 - square * (1.0 / 1188 - square * 691.0 / 360360)))));
}

/* x^a e^-x / Gamma(a + 1). */
static double gamma_factor(double a, double x)
{
    if (a >= LARGE_SHAPE)
        return exp(a * log_minus(a, x) - stirling_rest(a)) / sqrt(TWO_PI * a);
    return exp(a * log(x) - x - lgamma(a + 1.0));
}

static double lower_series(double a, double x)
{
    double term = 1.0;
    double sum = 1.0;

    for (int n = 1; n < TERMS_MAX; n++) {
        term *= x / (a + n);
        sum += term;
        if (term < sum * DBL_EPSILON * 0.1)
            break;
    }
    return sum * gamma_factor(a, x);
}

static double upper_fraction(double a, double x)
{
    const double tiny = 1e-300;
    double b = x + 1.0 - a;
    double c = 1.0 / tiny;
    double d = 1.0 / b;
    double result = d;

    for (int n = 1; n < TERMS_MAX; n++) {
        double numerator = -n * (n - a);
        double change;

        b += 2.0;
        d = numerator * d + b;
        d = 1.0 / (fabs(d) < tiny ? tiny : d);
        c = b + numerator / c;
        c = fabs(c) < tiny ? tiny : c;
        change = d * c;
        result *= change;
        if (fabs(change - 1.0) < DBL_EPSILON)
            break;
    }
    return result * gamma_factor(a, x) * a;
}

double hf_gamma_p(double shape, double x)
{
    assert(shape > 0.0 && x >= 0.0);
    if (x == 0.0)
        return 0.0;
    if (isinf(x))
        return 1.0;
    return x < shape + 1.0 ? lower_series(shape, x) : 1.0 - upper_fraction(shape, x);
}

double hf_gamma_q(double shape, double x)
{
    assert(shape > 0.0 && x >= 0.0);
    if (x == 0.0)
        return 1.0;
    if (isinf(x))
        return 0.0;
    return x < shape + 1.0 ? 1.0 - lower_series(shape, x) : upper_fraction(shape, x);
}

/* A standard normal quantile good to 5e-4: Abramowitz and Stegun 26.2.23. Only a place to start from. */
static double normal_quantile_rough(double probability)
{
    double tail = probability < 0.5 ? probability : 1.0 - probability;
    double t = sqrt(-2.0 * log(fmax(tail, 1e-300)));
    double z = t - (2.515517 + t * (0.802853 + t * 0.010328)) /
                       (1.0 + t * (1.432788 + t * (0.189269 + t * 0.001308)));

    return probability < 0.5 ? -z : z;
}

/* Wilson and Hilferty 1931, and the series' first term where that one fails. */
static double quantile_start(double probability, double shape)
{
    double spread = 1.0 / (9.0 * shape);
    double root = 1.0 - spread + normal_quantile_rough(probability) * sqrt(spread);
    double start = root > 0.0 ? shape * root * root * root : 0.0;
    double small = exp((log(probability) + lgamma(shape + 1.0)) / shape);

    return start < 0.1 * shape || shape < 0.5 ? small : start;
}

/* Distance in probability from the quantile, measured in the smaller tail so that no digits are lost. */
static double tail_error(double probability, double shape, double x)
{
    if (probability <= 0.5)
        return hf_gamma_p(shape, x) - probability;
    return (1.0 - probability) - hf_gamma_q(shape, x);
}

/* Newton in ln x, kept inside a bracket that every step shrinks. */
double hf_gamma_quantile(double probability, double shape)
{
    double low = 0.0;
    double high = INFINITY;
    double x;

    assert(shape > 0.0 && probability >= 0.0 && probability < 1.0);
    if (probability == 0.0)
        return 0.0;
    x = fmax(quantile_start(probability, shape), DBL_MIN);
    for (int n = 0; n < 200; n++) {
        double error = tail_error(probability, shape, x);
        double slope = gamma_factor(shape, x) * shape; /* d P / d ln x */
        double next;

        if (error == 0.0)
            break;
        if (error > 0.0)
            high = x;
        else
            low = x;
        next = slope > 0.0 ? x * exp(fmax(-2.0, fmin(2.0, -error / slope))) : x;
        if (!(next > low && next < high))
            next = isinf(high) ? 2.0 * x : 0.5 * (low + high);
        if (fabs(next - x) <= 2.0 * DBL_EPSILON * x)
            return next;
        x = next;
    }
    return x;
}

double hf_rate_upper_limit(int faults, double exposure, double confidence)
{
    assert(faults >= 0 && exposure > 0.0);
    if (faults == 0)
        return hf_exposure_needed(1.0, confidence) / exposure;
    return hf_gamma_quantile(confidence, faults + 1.0) / exposure;
}

double hf_rate_upper_limit_fault_ended(int faults, double exposure, double confidence)
{
    assert(faults >= 1 && exposure > 0.0);
    return hf_gamma_quantile(confidence, faults) / exposure;
}

double hf_exposure_needed(double rate_limit, double confidence)
{
    assert(rate_limit > 0.0 && confidence > 0.0 && confidence < 1.0);
    return -log1p(-confidence) / rate_limit;
}

void hf_count_limits(int count, double confidence, double *ret_low, double *ret_high)
{
    double tail = (1.0 - confidence) / 2.0;

    assert(count >= 0 && confidence > 0.0 && confidence < 1.0);
    *ret_low = count == 0 ? 0.0 : hf_gamma_quantile(tail, count);
    *ret_high = hf_gamma_quantile(1.0 - tail, count + 1.0);
}

double hf_exposure_needed_at_attempt(double rate_limit, double confidence, int attempt)
{
    assert(attempt >= 1);
    return hf_exposure_needed(rate_limit, confidence) + log(attempt) / rate_limit;
}

double hf_exposure_needed_jointly(double rate_limit, double confidence, int groups, int independent)
{
    assert(groups >= 1 && rate_limit > 0.0 && confidence > 0.0 && confidence < 1.0);
    if (independent)
        return -log(-expm1(log(confidence) / groups)) / rate_limit;
    return log(groups / (1.0 - confidence)) / rate_limit;
}

double hf_walk_down_risk(double confidence, double growth)
{
    double sum = 0.0, power = 1.0, term;

    assert(growth > 1.0 && confidence > 0.0 && confidence < 1.0);
    do { /* terms fall faster than any geometric series: some forty of them at a growth of 1.05 */
        term = pow(1.0 - confidence, power);
        sum += term;
        power *= growth;
    } while (term > 1e-17 * sum);
    return fmin(sum, 1.0);
}

double hf_information_timed(double expected_faults)
{
    assert(expected_faults >= 0.0);
    return -expm1(-expected_faults);
}

double hf_information_counted(double expected_faults)
{
    assert(expected_faults >= 0.0);
    if (expected_faults < 1e-8)
        return expected_faults; /* its limit */
    return expected_faults * expected_faults / expm1(expected_faults);
}

double hf_rate_upper_limit_with_prior(double prior_shape, double prior_exposure, int faults, double exposure,
                                      double confidence)
{
    assert(prior_shape + faults > 0.0 && prior_exposure + exposure > 0.0);
    return hf_gamma_quantile(confidence, prior_shape + faults) / (prior_exposure + exposure);
}

double hf_exposure_needed_watched(double rate_limit, double confidence, int faults, double ratio)
{
    double faults_cost = faults == 0 ? 0.0 : faults * log(ratio);

    assert(faults >= 0 && ratio > 1.0);
    return (hf_exposure_needed(1.0, confidence) + faults_cost) / ((1.0 - 1.0 / ratio) * rate_limit);
}

void hf_sequential_init(struct hf_sequential_test *test, double theta0, double theta1, double alpha,
                        double beta)
{
    double difference = 1.0 / theta1 - 1.0 / theta0;

    assert(theta0 > theta1 && theta1 > 0.0);
    assert(alpha > 0.0 && beta > 0.0 && alpha + beta < 1.0);
    test->accept_intercept = -log(beta / (1.0 - alpha)) / difference;
    test->reject_intercept = log((1.0 - beta) / alpha) / difference;
    test->slope = log(theta0 / theta1) / difference;
}

enum hf_sequential_result hf_sequential_judge(const struct hf_sequential_test *test, int faults,
                                              double exposure)
{
    assert(faults >= 0 && exposure >= 0.0);
    if (exposure >= test->accept_intercept + faults * test->slope)
        return HF_SEQUENTIAL_ACCEPT;
    if (exposure <= faults * test->slope - test->reject_intercept)
        return HF_SEQUENTIAL_REJECT;
    return HF_SEQUENTIAL_GO_ON;
}
