/*
 * The belief's grid against a second route: the same model integrated directly on finer grids (theta every
 * 0.06 units, 81 slopes, 31 run-to-run shifts), with the chip's slope summed last. Nothing is shared with
 * posterior.c.
 */
#include "unit/plan/near.h"

#include "plan/posterior.h"
#include "plan/vector_math.h"

#define FINE_SLOPES 81
#define FINE_SHIFTS 31
#define CLAIM       (1.0 / (168.0 * 60.0))

struct seen {
    double step, clean_s, window_s;
};

static double slope_at(int j)
{
    return 0.45 * pow(10.0, (double)j / (FINE_SLOPES - 1)); /* to 4.5 */
}

/* How many units above the edge the claim's rate is: ln(rate) = y + v y^2 / 2 below it, v = 0.006 / b^2,
 * solved for y = b (x - theta) by halving. */
static double claim_units(double b)
{
    double v = 0.006 / (b * b), low = -1.0 / v, high = 0.0;

    for (int n = 0; n < 80; n++) {
        double y = 0.5 * (low + high);

        if (y + 0.5 * v * y * y < log(CLAIM))
            low = y;
        else
            high = y;
    }
    return low / b;
}

static double normal_weight(double z)
{
    return exp(-0.5 * z * z);
}

/* Likelihood of one trial, averaged over its shift. rate_too: times the rate (a reset of its own). */
static double trial_likelihood(const struct seen *seen, double theta, double b, int rate_too)
{
    double sum = 0.0, weights = 0.0;

    for (int s = 0; s < FINE_SHIFTS; s++) {
        double z = -3.0 + 6.0 * s / (FINE_SHIFTS - 1);
        double rate = fmin(exp(b * (seen->step - theta - 0.48 * z)) / 60.0, 20.0);
        double value = exp(-rate * seen->clean_s);

        if (seen->window_s > 0.0)
            value *= 1.0 - exp(-rate * seen->window_s);
        if (rate_too)
            value *= rate;
        sum += normal_weight(z) * value;
        weights += normal_weight(z);
    }
    return sum / weights;
}

/* By slope: mass, and mass where the claim's limit is below `step`. */
struct fine {
    double mass[FINE_SLOPES];
    double below[FINE_SLOPES];
};

static void integrate(const struct seen *seen, int count, double low, double high, double step,
                      int last_with_rate, struct fine *ret_fine)
{
    for (int j = 0; j < FINE_SLOPES; j++) {
        double b = slope_at(j);
        double limit = claim_units(b);

        ret_fine->mass[j] = ret_fine->below[j] = 0.0;
        for (double theta = low; theta < high; theta += 0.0625) {
            double like = 1.0;

            for (int i = 0; i < count; i++)
                like *= trial_likelihood(&seen[i], theta, b, last_with_rate && i == count - 1);
            ret_fine->mass[j] += like;
            if (theta + limit < step)
                ret_fine->below[j] += like;
        }
    }
}

static double pool_weight(double chip, double b)
{
    return normal_weight(log(b / chip) / 0.065);
}

/* sum over b of K(b | B) value(b), K normalised. */
static double pooled(const double *value, double chip)
{
    double sum = 0.0, weights = 0.0;

    for (int j = 0; j < FINE_SLOPES; j++) {
        sum += pool_weight(chip, slope_at(j)) * value[j];
        weights += pool_weight(chip, slope_at(j));
    }
    return sum / weights;
}

static double chip_prior(double chip)
{
    return normal_weight(log(chip / 1.5) / 0.4);
}

static const struct seen trials[3][5] = {
    {{20, 600, 0}, {26, 40, 0}, {28, 3.2, 0.02}, {26, 310, 0.02}, {25, 900, 0}},
    {{20, 600, 0}, {24, 40, 0}, {25, 17, 0.02}, {24, 95, 0.02}, {22, 1500, 0}},
    {{20, 600, 0}, {29, 40, 0}, {31, 0.4, 0.02}, {29, 60, 0.02}, {27, 1100, 0.02}},
};

static struct posterior *fill(void)
{
    struct posterior *posterior = NULL;
    struct hf_error error = {0};

    assert_int_equal(posterior_new(3, 8, 54, 25.0, CLAIM, &posterior, &error), 0);
    for (int g = 0; g < 3; g++) {
        for (int i = 0; i < 5; i++) {
            struct posterior_evidence evidence = {.step = trials[g][i].step,
                                                  .clean_s = trials[g][i].clean_s,
                                                  .window_s = trials[g][i].window_s};

            posterior_add(posterior, g, &evidence);
        }
    }
    posterior_refresh(posterior);
    return posterior;
}

static void pools_exactly(void **state)
{
    struct posterior *posterior = fill();
    double last = 0.0;

    (void)state;
    for (double step = 13.0; step <= 23.0; step += 2.5) {
        static struct fine fine[3];
        double above = 0.0, all = 0.0;
        double mine = posterior_limit_below(posterior, 0, step);

        for (int g = 0; g < 3; g++)
            integrate(trials[g], 5, 10, 50, step, 0, &fine[g]);
        for (int i = 0; i < FINE_SLOPES; i++) {
            double chip = slope_at(i);
            double others = chip_prior(chip) * pooled(fine[1].mass, chip) * pooled(fine[2].mass, chip);

            all += others * pooled(fine[0].mass, chip);
            above += others * pooled(fine[0].below, chip);
        }
        assert_near(mine, above / all, 0.004 + 0.02 * mine);
        assert_true(mine >= last);
        last = mine;
    }
    assert_true(last > 0.5);
    posterior_free(posterior);
}

/* Two groups, one reset, nobody named: the exact posterior is a mixture of "it was 0" and "it was 1". */
static void unnamed_reset_is_shared_out(void **state)
{
    static struct fine fine[2][2]; /* [group][the reset was its] */
    static const struct seen history[2][4] = {
        {{20, 600, 0}, {26, 40, 0}, {27, 20, 0.02}, {26, 200, 0}},
        {{20, 600, 0}, {24, 40, 0}, {25, 90, 0.02}, {21, 200, 0}},
    };
    struct posterior *posterior = NULL;
    struct hf_error error = {0};
    double rate[2];
    double below = 0.0, all = 0.0, mine;
    const double step = 20.0;

    (void)state;
    assert_int_equal(posterior_new(2, 8, 54, 25.0, CLAIM, &posterior, &error), 0);
    for (int g = 0; g < 2; g++) {
        for (int i = 0; i < 4; i++) {
            struct posterior_evidence evidence = {.step = history[g][i].step,
                                                  .clean_s = history[g][i].clean_s,
                                                  .window_s = history[g][i].window_s};

            posterior_add(posterior, g, &evidence);
        }
    }
    posterior_refresh(posterior);
    rate[0] = posterior_expected_rate(posterior, 0, 26) / 60.0;
    rate[1] = posterior_expected_rate(posterior, 1, 21) / 60.0;
    assert_true(rate[0] > 5.0 * rate[1]);
    for (int g = 0; g < 2; g++) {
        struct posterior_evidence survived = {.step = history[g][3].step, .clean_s = 200};
        struct posterior_evidence reset = survived;

        reset.window_s = 0.05;
        reset.others_per_s = rate[1 - g];
        posterior_replace(posterior, g, &survived, &reset);
        for (int own = 0; own < 2; own++)
            integrate(history[g], 4, 10, 50, step, own, &fine[g][own]);
    }
    posterior_refresh(posterior);
    for (int i = 0; i < FINE_SLOPES; i++) {
        double chip = slope_at(i);

        for (int own = 0; own < 2; own++) {
            double other = chip_prior(chip) * pooled(fine[1][1 - own].mass, chip);

            all += other * pooled(fine[0][own].mass, chip);
            below += other * pooled(fine[0][own].below, chip);
        }
    }
    mine = posterior_limit_below(posterior, 0, step);
    print_message("unnamed reset: P(limit < %.0f) %.4f, exactly %.4f\n", step, mine, below / all);
    assert_near(mine, below / all, 0.02);
    posterior_free(posterior);
}

static void moments_agree_with_quantiles(void **state)
{
    struct posterior *posterior = fill();
    struct posterior_moments moments;
    double mean = 0.0, square = 0.0, bins[POSTERIOR_BINS], sum = 0.0;

    (void)state;
    posterior_moments(posterior, 0, &moments);
    for (double x = -60.0; x < 40.0; x += 0.01) { /* mean and variance of the limit from its distribution */
        double mass = posterior_limit_below(posterior, 0, x + 0.01) - posterior_limit_below(posterior, 0, x);

        mean += mass * (x + 0.005);
        square += mass * (x + 0.005) * (x + 0.005);
    }
    assert_near(moments.limit_mean, mean, 0.01);
    assert_near(moments.limit_variance, square - mean * mean, 0.02);
    posterior_rate_bins(posterior, 0, 27.0, bins);
    for (int n = 0; n < POSTERIOR_BINS; n++)
        sum += bins[n];
    assert_near(sum, 1.0, 1e-9);
    for (double p = 0.05; p < 1.0; p += 0.15) {
        double theta = posterior_theta_quantile(posterior, 0, p);
        double log_rate = posterior_log_rate_quantile(posterior, 0, 25.0, p);

        assert_near(posterior_theta_below(posterior, 0, theta), p, 1e-3);
        assert_near(1.0 - posterior_rate_above(posterior, 0, 25.0, log_rate), p, 1e-3);
    }
    posterior_free(posterior);
}

/* A step of 12.5 MHz is half a unit: the same clocks must give the same belief. */
static void step_size_does_not_matter(void **state)
{
    struct posterior *whole = NULL;
    struct posterior *half = NULL;
    struct hf_error error = {0};

    (void)state;
    assert_int_equal(posterior_new(1, 8, 54, 25.0, CLAIM, &whole, &error), 0);
    assert_int_equal(posterior_new(1, 16, 108, 12.5, CLAIM, &half, &error), 0);
    for (int i = 0; i < 5; i++) {
        struct posterior_evidence evidence = {
            .step = trials[0][i].step, .clean_s = trials[0][i].clean_s, .window_s = trials[0][i].window_s};

        posterior_add(whole, 0, &evidence);
        evidence.step *= 2.0;
        posterior_add(half, 0, &evidence);
    }
    posterior_refresh(whole);
    posterior_refresh(half);
    for (double step = 10.0; step < 26.0; step += 1.5)
        assert_near(posterior_limit_below(half, 0, 2.0 * step), posterior_limit_below(whole, 0, step), 1e-9);
    assert_near(posterior_slope_quantile(half, 0, 0.5) * 2.0, posterior_slope_quantile(whole, 0, 0.5), 1e-9);
    posterior_free(whole);
    posterior_free(half);
    posterior_free(NULL);
}

/* Discounted to nothing the belief is the prior; to a half, it has half the information. */
static void discount_forgets(void **state)
{
    struct posterior *full = fill(), *half = fill(), *fresh = NULL;
    struct posterior_moments moments[3];
    struct hf_error error = {0};

    (void)state;
    posterior_discount(half, 0.5);
    posterior_refresh(half);
    posterior_moments(full, 0, &moments[0]);
    posterior_moments(half, 0, &moments[1]);
    assert_true(moments[1].theta_variance > 1.2 * moments[0].theta_variance);
    assert_true(moments[1].limit_variance > moments[0].limit_variance);
    posterior_discount(half, 0.0);
    posterior_refresh(half);
    assert_int_equal(posterior_new(3, 8, 54, 25.0, CLAIM, &fresh, &error), 0);
    for (double step = 10.0; step < 50.0; step += 7.0)
        assert_near(posterior_theta_below(half, 1, step), posterior_theta_below(fresh, 1, step), 1e-12);
    posterior_free(full);
    posterior_free(half);
    posterior_free(fresh);
}

/* A group that has seen nothing but a short pass: its edge is where its fellows say, within their spread. */
static void fellows_are_heard(void **state)
{
    const struct posterior_evidence served = {.step = 12, .clean_s = 30};
    struct posterior *posterior = NULL;
    struct posterior_moments moments;
    struct hf_error error = {0};

    (void)state;
    assert_int_equal(posterior_new(1, 8, 54, 25.0, CLAIM, &posterior, &error), 0);
    posterior_add(posterior, 0, &served);
    posterior_set_fellows(posterior, 0, 26.0, 2.5);
    posterior_refresh(posterior);
    posterior_moments(posterior, 0, &moments);
    assert_near(moments.theta_mean, 26.0, 0.05);
    assert_near(sqrt(moments.theta_variance), 2.5, 0.05);
    posterior_free(posterior);
}

/* Both against the library, which is right to the last bit or nearly. */
static void vector_functions_agree_with_the_library(void **state)
{
    double worst_exp = 0.0, worst_log = 0.0;

    (void)state;
    for (double x = -699.0; x < 699.0; x += 0.0137) {
        double in[VECTOR_WIDTH], out[VECTOR_WIDTH], back[VECTOR_WIDTH];

        for (int i = 0; i < VECTOR_WIDTH; i++)
            in[i] = i == 0 ? x : x / 997.0; /* wide, and dense around 0 */
        vector_store(out, vector_exp(vector_load(in)));
        vector_store(back, vector_log(vector_load(out)));
        for (int i = 0; i < VECTOR_WIDTH; i++) {
            worst_exp = fmax(worst_exp, fabs(out[i] / exp(in[i]) - 1.0));
            worst_log = fmax(worst_log, fabs(back[i] - log(out[i])) / fmax(1.0, fabs(in[i])));
        }
    }
    print_message("exp within %.1e, ln within %.1e\n", worst_exp, worst_log);
    assert_true(worst_exp < 1e-14 && worst_log < 1e-14);
    assert_true(worst_exp > 0.0); /* not the library itself */
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(pools_exactly),
        cmocka_unit_test(unnamed_reset_is_shared_out),
        cmocka_unit_test(moments_agree_with_quantiles),
        cmocka_unit_test(step_size_does_not_matter),
        cmocka_unit_test(discount_forgets),
        cmocka_unit_test(fellows_are_heard),
        cmocka_unit_test(vector_functions_agree_with_the_library),
    };

    return cmocka_run_group_tests(tests, NULL, NULL);
}
