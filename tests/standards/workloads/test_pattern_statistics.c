/*
 * The random schedules against the distributions they claim, by the GNU Scientific Library: chi-square over
 * equal classes (Pearson 1900) and Kolmogorov's distance (1933; limits of the asymptotic distribution:
 * NIST/SEMATECH e-Handbook 1.3.5.15 and 1.3.5.16, for the tests as such).
 *
 * Each test is made on several seeds; a right generator fails one at the level used, 1e-4, once in ten
 * thousand. The seeds are fixed, so the outcome is too. Each is also proved able to fail.
 */
#include <math.h>
#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>
#include <stdint.h>
#include <stdlib.h>
#include <string.h>

#include <cmocka.h>
#include <gsl/gsl_cdf.h>

#include "workloads/patterns/schedule.h"

#define LEVEL   1e-4
#define CLASSES 50
#define RATE    2.6e9
#define ROUNDS  20000
#define WORKERS 7

static int compare_doubles(const void *left, const void *right)
{
    double a = *(const double *)left;
    double b = *(const double *)right;

    return (a > b) - (a < b);
}

/* P of the chi-square statistic of uniform values in equal classes. */
static double chi_square_p(const double *values, int count)
{
    double seen[CLASSES] = {0};
    double sum = 0;

    for (int i = 0; i < count; i++)
        seen[(int)fmin(CLASSES - 1, values[i] * CLASSES)]++;
    for (int c = 0; c < CLASSES; c++)
        sum += pow(seen[c] - (double)count / CLASSES, 2) / ((double)count / CLASSES);
    return gsl_cdf_chisq_Q(sum, CLASSES - 1);
}

/* P of Kolmogorov's distance from the uniform distribution: 2 sum (-1)^(k-1) exp(-2 k^2 n d^2). Sorts. */
static double kolmogorov_p(double *values, int count)
{
    double distance = 0, p = 0;

    qsort(values, (size_t)count, sizeof values[0], compare_doubles);
    for (int i = 0; i < count; i++) {
        distance = fmax(distance, values[i] - (double)i / count);
        distance = fmax(distance, (double)(i + 1) / count - values[i]);
    }
    for (int k = 1; k <= 100; k++)
        p += (k % 2 ? 2 : -2) * exp(-2.0 * k * k * count * distance * distance);
    return fmin(1, fmax(0, p));
}

static void assert_uniform(double *values, int count, const char *what)
{
    double chi = chi_square_p(values, count);
    double kolmogorov = kolmogorov_p(values, count);

    if (chi < LEVEL || kolmogorov < LEVEL)
        fail_msg("%s: not the distribution it should be, P %.2g (chi-square), %.2g (Kolmogorov), %d values",
                 what, chi, kolmogorov, count);
}

/* A little off is seen. Kolmogorov's P at d sqrt(n) = 1.36 is 0.05 (table in Massey 1951, M). */
static void test_tests_can_fail(void **unused)
{
    static double values[ROUNDS];

    (void)unused;
    for (int i = 0; i < ROUNDS; i++)
        values[i] = pow((i + 0.5) / ROUNDS, 1.1);
    assert_true(chi_square_p(values, ROUNDS) < LEVEL);
    assert_true(kolmogorov_p(values, ROUNDS) < LEVEL);
    for (int i = 0; i < 10000; i++)
        values[i] = (i + 0.5) / 10000 * (1 - 0.0136) + 0.0136; /* distance 0.0136 at the lower end */
    assert_true(fabs(kolmogorov_p(values, 10000) - 0.05) < 0.003);
}

/* solo-then-all as specified: solo 5 to 25 us, bursts 50 us to 5 ms, streaming 20 us to 1 ms, long stretches
 * 10 to 500 ms, all log-uniform; whose turn it is, equal. */
static void check_rounds(uint64_t seed)
{
    static double solo[ROUNDS], all[ROUNDS], stream[ROUNDS], stretch[ROUNDS];
    struct hf_slice slice = {.seed = seed, .pattern = HF_PATTERN_SOLO_THEN_ALL};
    int solos = 0, stretches = 0, quiet = 0;
    double turns[WORKERS] = {0};
    double total = 0, busy = 0, chi = 0;
    uint64_t begin = 0;

    for (int r = 0; r < ROUNDS; r++) {
        struct hf_round round = hf_round_make(&slice, WORKERS, RATE, (uint64_t)r, begin);
        double solo_s = (double)(round.release - round.begin) / RATE;

        if (solo_s > 1e-3)
            stretch[stretches++] = fmin(1, log(solo_s / 10e-3) / log(50));
        else
            solo[solos++] = fmin(1, log(solo_s / 5e-6) / log(5));
        quiet += round.solo_worker < 0;
        if (round.solo_worker >= 0)
            turns[round.solo_worker]++;
        all[r] = fmin(1, log((double)(round.stream - round.release) / RATE / 50e-6) / log(100));
        stream[r] = fmin(1, log((double)(round.end - round.stream) / RATE / 20e-6) / log(50));
        busy += (double)(round.stream - round.release);
        total += (double)(round.end - round.begin);
        begin = round.end;
    }
    assert_uniform(solo, solos, "solo");
    assert_uniform(all, ROUNDS, "all");
    assert_uniform(stream, ROUNDS, "stream");
    assert_true(kolmogorov_p(stretch, stretches) > LEVEL);
    /* one round in 1024 each is long or quiet: a Poisson count, two-sided */
    assert_true(gsl_cdf_chisq_Q(2 * ROUNDS / 512.0, 2 * (double)stretches + 2) > LEVEL / 2 &&
                gsl_cdf_chisq_P(2 * ROUNDS / 512.0, 2 * (double)stretches + 2) > LEVEL / 2);
    assert_true(quiet > 0 && quiet < stretches);
    for (int w = 0; w < WORKERS; w++)
        chi += pow(turns[w] - (double)(ROUNDS - quiet) / WORKERS, 2) / ((double)(ROUNDS - quiet) / WORKERS);
    assert_true(gsl_cdf_chisq_Q(chi, WORKERS - 1) > LEVEL);
    /* means 12.4 us, 1075 us, 250.5 us, and 125 ms twice in 1024: bursts have 68 % of the time, give or take
     * what some forty stretches vary by (2.4 %, four times) */
    assert_true(fabs(busy / total - 0.68) < 0.1);
}

static void test_rounds(void **unused)
{
    (void)unused;
    for (uint64_t seed = 1; seed <= 5; seed++)
        check_rounds(seed);
}

/* A spacing of n uniform points has the distribution beta(1, n - 1) (Pyke 1965). */
static void test_telegraph(void **unused)
{
    static double on[100 * HF_FRAME_CYCLES], off[100 * HF_FRAME_CYCLES], exponential[100 * HF_FRAME_CYCLES];
    static struct hf_frame frame;
    double length = HF_FRAME_CYCLES * 1e4;

    (void)unused;
    for (uint64_t seed = 1; seed <= 5; seed++) {
        struct hf_slice slice = {.seed = seed, .pattern = HF_PATTERN_TELEGRAPH, .duty = 0.25};
        int count = 0;

        for (uint64_t f = 0; f < 100; f++) {
            hf_frame_make(&slice, seed, 1e4, f, &frame);
            for (int i = 0; i < HF_FRAME_CYCLES; i++, count++) {
                double on_share = (frame.off[i] - frame.on[i]) / (0.25 * length);
                double off_share = (frame.on[i + 1] - frame.off[i]) / (0.75 * length);

                on[count] = gsl_cdf_beta_P(fmin(1, fmax(0, on_share)), 1, HF_FRAME_CYCLES - 1);
                off[count] = gsl_cdf_beta_P(fmin(1, fmax(0, off_share)), 1, HF_FRAME_CYCLES - 1);
                exponential[count] = gsl_cdf_exponential_P(on_share, 1.0 / HF_FRAME_CYCLES);
            }
        }
        assert_uniform(on, count, "on times");
        assert_uniform(off, count, "off times");
        /* and so near to the exponential one that ten thousand times do not tell */
        assert_true(kolmogorov_p(exponential, count) > LEVEL);
    }
}

static void test_wake(void **unused)
{
    static double bursts[ROUNDS];
    static const double share[3] = {0.6, 0.3, 0.1};
    static const double sleeps_s[3] = {2e-3, 10e-3, 50e-3};

    (void)unused;
    for (uint64_t seed = 1; seed <= 5; seed++) {
        struct hf_slice slice = {.seed = seed, .pattern = HF_PATTERN_WAKE};
        double seen[3] = {0};
        double chi = 0;

        for (int i = 0; i < ROUNDS; i++) {
            struct hf_wake wake = hf_wake_make(&slice, seed, (uint64_t)i);

            for (int k = 0; k < 3; k++)
                seen[k] += wake.sleep_s == sleeps_s[k];
            bursts[i] = log(wake.burst_s / 0.1e-3) / log(10);
        }
        for (int k = 0; k < 3; k++)
            chi += pow(seen[k] - share[k] * ROUNDS, 2) / (share[k] * ROUNDS);
        assert_true(gsl_cdf_chisq_Q(chi, 2) > LEVEL);
        assert_uniform(bursts, ROUNDS, "bursts");
    }
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(test_tests_can_fail),
        cmocka_unit_test(test_rounds),
        cmocka_unit_test(test_telegraph),
        cmocka_unit_test(test_wake),
    };

    return cmocka_run_group_tests(tests, NULL, NULL);
}
