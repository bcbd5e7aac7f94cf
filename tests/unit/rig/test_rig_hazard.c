/* Faults in time: exponential, exact through changes, slope and kinds as declared, independent of how time is
 * cut. */
#include "rig_test.h"

#include <stdio.h>
#include <string.h>

#include "rig/model.h"

static const struct hf_load_slice wide_fma = {{HF_LOAD_FMA_512, 1.0, 0.0, 0}, 1.0};
static const struct hf_load_slice light = {{HF_LOAD_SCALAR, 1.0, 0.0, 0}, 1.0};

/* Full model, but nothing that moves by itself: rates stay put while settings do. */
static struct hf_rig *still_rig(int groups, int cores, uint64_t seed)
{
    struct hf_rig_config config = rig_default(groups, cores, seed);

    config.frailty_mhz = 0;
    config.drift_mhz = 0;
    config.ambient_c = 0;
    return rig_make(&config);
}

static double next_fault(struct hf_rig *rig, struct hf_rig_fault *fault)
{
    double waited = 0.0;

    do {
        waited += hf_rig_advance(rig, 3600.0, fault);
    } while (fault->kind == HF_DAMAGE_NONE);
    return waited;
}

/* Settings and loads change in mid-course; the hazard served between faults must be exponential with mean 1.
 */
static double ks_through_changes(double planted_error)
{
    enum {
        FAULTS = 4000
    };
    static double residual[FAULTS];
    struct hf_rig *rig = still_rig(3, 3, 21);
    struct hf_rig_fault fault;
    struct hf_random random;
    double served = 0.0;
    int middle[3], found = 0;

    hf_random_init(&random, 5, 5);
    for (int g = 0; g < 3; g++)
        middle[g] = hf_rig_true_limit(rig, g, 60.0, &wide_fma, 1);
    while (found < FAULTS) {
        int g = (int)hf_random_below(&random, 3);
        double rate = 0.0, moved;

        hf_rig_set_step(rig, g, middle[g] - 2 + (int)hf_random_below(&random, 4));
        rig_load(rig, g, hf_random_below(&random, 4) == 0 ? &light : &wide_fma, 1);
        for (int h = 0; h < 3; h++)
            rate += hf_rig_present_rate_per_hour(rig, h) / 3600.0;
        moved = hf_rig_advance(rig, 40.0 * hf_random_uniform(&random), &fault);
        served += rate * moved * planted_error;
        if (fault.kind == HF_DAMAGE_NONE)
            continue;
        residual[found++] = served;
        served = 0.0;
    }
    hf_rig_free(rig);
    return ks_exponential(residual, FAULTS);
}

static void test_exact_through_changes(void **state)
{
    (void)state;
    assert_between(ks_through_changes(1.0), 0.0, KS_LIMIT);
    assert_between(ks_through_changes(1.15), KS_LIMIT, 1e9); /* the check can fail */
}

/* The slope, from nothing but waiting times: ln of the ratio of mean times between two steps. */
static void test_slope_recovered_from_draws(void **state)
{
    enum {
        FAULTS = 6000,
        APART = 2
    };
    double tolerance = 4.0 * sqrt(2.0 / FAULTS); /* 4 sigma of ln of a ratio of two exponential means */

    (void)state;
    for (uint64_t seed = 31; seed < 35; seed++) {
        struct hf_rig_config config = rig_default(1, 4, seed);
        double mean[2] = {0, 0}, slope;
        struct hf_rig_fault fault;
        struct hf_rig *rig;
        int base;

        config.simple = 1;
        rig = rig_make(&config);
        base = hf_rig_true_limit(rig, 0, 60.0, &wide_fma, 1) - 1;
        rig_load(rig, 0, &wide_fma, 1);
        for (int i = 0; i < 2; i++) {
            hf_rig_set_step(rig, 0, base + APART * i);
            for (int n = 0; n < FAULTS; n++)
                mean[i] += next_fault(rig, &fault) / FAULTS;
        }
        slope = log(mean[0] / mean[1]);
        assert_between(slope, APART * 25.0 * rig->core[0].nats_per_mhz - tolerance,
                       APART * 25.0 * rig->core[0].nats_per_mhz + tolerance);
        hf_rig_free(rig);
    }
}

/* A group fails when its first core does: its waiting time is the least of its cores' (rates add), and the
 * core named is each in proportion to its rate. Chi-square with 7 degrees of freedom: 99.9 % point 24.32
 * (tables). */
static void test_group_is_its_weakest_core(void **state)
{
    enum {
        FAULTS = 8000
    };
    struct hf_rig *rig = still_rig(1, 8, 4);
    struct hf_rig_fault fault;
    double mean = 0.0, sum = 0.0, chi = 0.0, seen[8] = {0};

    (void)state;
    rig_load(rig, 0, &wide_fma, 1);
    hf_rig_set_step(rig, 0, hf_rig_true_limit(rig, 0, 60.0, &wide_fma, 1));
    for (int n = 0; n < FAULTS; n++) {
        mean += next_fault(rig, &fault) / FAULTS;
        assert_int_equal(fault.group, 0);
        seen[fault.core]++;
    }
    hf_rig_rate(rig);
    for (int c = 0; c < 8; c++)
        sum += rig->core_per_s[c];
    for (int c = 0; c < 8; c++) {
        double expected = FAULTS * rig->core_per_s[c] / sum;

        chi += (seen[c] - expected) * (seen[c] - expected) / expected;
    }
    assert_between(chi, 0.0, 24.32);
    assert_between(mean * sum, 1 - 4 / sqrt(FAULTS), 1 + 4 / sqrt(FAULTS));
    assert_between(rig->group[0].rate_per_s, sum * (1 - 1e-12), sum * (1 + 1e-12));
    hf_rig_free(rig);
}

/* --- kinds --- */

static void count_kinds(double above_steps, const struct hf_load_slice *load, int faults, double *ret_share)
{
    struct hf_rig_config config = rig_default(1, 2, 8);
    struct hf_rig_fault fault;
    struct hf_rig *rig;

    config.simple = 1;
    config.group_sd_mhz = config.chip_sd_mhz = 0;
    config.edge_mhz = config.lowest_mhz + 25 * (10 - above_steps); /* step 10 lies so far above the edge */
    rig = rig_make(&config);
    rig_load(rig, 0, load, 1);
    hf_rig_set_step(rig, 0, 10);
    for (int k = 0; k <= HF_DAMAGE_RESET; k++)
        ret_share[k] = 0.0;
    for (int n = 0; n < faults; n++) {
        (void)next_fault(rig, &fault);
        assert_between(fault.above_steps, above_steps - 1e-6, above_steps + 1e-6);
        ret_share[fault.kind] += 1.0 / faults;
    }
    hf_rig_free(rig);
}

static void expect_shares(double above_steps, const struct hf_load_slice *load, const double *expected)
{
    enum {
        FAULTS = 20000
    };
    double share[HF_DAMAGE_RESET + 1];

    count_kinds(above_steps, load, FAULTS, share);
    for (int k = HF_DAMAGE_WRONG_RESULT; k <= HF_DAMAGE_RESET; k++) {
        double p = expected[k - HF_DAMAGE_WRONG_RESULT], slack = 4.5 * sqrt(p * (1 - p) / FAULTS);

        if (!(fabs(share[k] - p) <= slack))
            fail_msg("%g steps above: kind %d has share %.4f, expected %.4f +- %.4f", above_steps, k,
                     share[k], p, slack);
    }
}

/* wrong result, corrected, worker died, hang, reset */
static void test_kinds_by_distance(void **state)
{
    const double below[] = {.55, .15, .12, .06, .12}, just[] = {.45, .10, .17, .08, .20},
                 above[] = {.25, .05, .20, .15, .35}, far[] = {.08, .02, .10, .20, .60},
                 scalar_below[] = {.55 * .8, .15, .12 + .55 * .2, .06, .12};

    (void)state;
    expect_shares(-2.0, &wide_fma, below);
    expect_shares(-0.5, &wide_fma, below);
    expect_shares(0.5, &wide_fma, just);
    expect_shares(1.9, &wide_fma, just);
    expect_shares(3.0, &wide_fma, above);
    expect_shares(5.0, &wide_fma, far);
    expect_shares(-2.0, &light, scalar_below);
}

static void test_cap(void **state)
{
    enum {
        FAULTS = 4000
    };
    struct hf_rig_config config = rig_default(1, 1, 3);
    struct hf_rig_fault fault;
    struct hf_rig *rig;
    double mean = 0.0;

    (void)state;
    config.edge_mhz = 3600;
    rig = rig_make(&config);
    rig_load(rig, 0, &wide_fma, 1);
    hf_rig_set_step(rig, 0, 31); /* far above */
    for (int n = 0; n < FAULTS; n++)
        mean += next_fault(rig, &fault) / FAULTS;
    assert_between(mean * 20, 1 - 4 / sqrt(FAULTS), 1 + 4 / sqrt(FAULTS));
    hf_rig_free(rig);
}

static void test_idle_never_fails(void **state)
{
    struct hf_rig_config config = rig_default(4, 4, 3);
    struct hf_rig *rig = rig_make(&config);
    struct hf_rig_fault fault;

    (void)state;
    for (int g = 0; g < 4; g++)
        hf_rig_set_step(rig, g, 31);
    assert_between(hf_rig_advance(rig, 1e6, &fault), 1e6, 1e6);
    assert_int_equal(fault.kind, HF_DAMAGE_NONE);
    assert_int_equal(fault.group, -1);
    rig_load(rig, 2, &wide_fma, 1);
    (void)next_fault(rig, &fault);
    assert_int_equal(fault.group, 2);
    rig_load(rig, 2, NULL, 0);
    (void)hf_rig_advance(rig, 1e6, &fault);
    assert_int_equal(fault.kind, HF_DAMAGE_NONE);
    hf_rig_free(rig);
}

/* --- time in pieces --- */

/* A hot rig with everything on: all that moves by itself moves. */
static struct hf_rig *moving_rig(uint64_t seed)
{
    struct hf_rig_config config = rig_default(2, 2, seed);
    struct hf_rig *rig;
    int count;
    const struct hf_load_slice *night = hf_rig_night_mix(&count);

    config.ambient_c = 62;
    rig = rig_make(&config);
    for (int g = 0; g < 2; g++) {
        rig_load(rig, g, night, count);
        hf_rig_set_step(rig, g, hf_rig_true_limit(rig, g, 3.0, night, count));
    }
    return rig;
}

static double first_fault_in_pieces(uint64_t seed, double piece_s)
{
    struct hf_rig *rig = moving_rig(seed);
    struct hf_rig_fault fault;
    double waited = 0.0;

    do {
        waited += hf_rig_advance(rig, piece_s, &fault);
    } while (fault.kind == HF_DAMAGE_NONE);
    hf_rig_free(rig);
    return waited;
}

/* The path of drift and heat belongs to the seed, not to how time is cut: the same fault comes at the same
 * time, up to the straight line taken for ln(rate) within a sub-step. So the times are equal in distribution
 * too. */
static void test_pieces_do_not_matter(void **state)
{
    const double pieces[] = {1.0, 7.3, 60.0};
    double sum[3] = {0, 0, 0}, whole_sum = 0.0;

    (void)state;
    for (uint64_t seed = 1; seed <= 300; seed++) {
        double whole = first_fault_in_pieces(seed, 1e6);

        whole_sum += whole;
        for (int i = 0; i < 3; i++) {
            double cut = first_fault_in_pieces(seed, pieces[i]);

            sum[i] += cut;
            assert_between(cut, whole * 0.97 - 1.0, whole * 1.03 + 1.0);
        }
    }
    for (int i = 0; i < 3; i++)
        assert_between(sum[i] / whole_sum, 0.995, 1.005);
}

/* With frailty, drift and heat the waiting times are no longer exponential in plain time, but the hazard
 * served still is: integrated here in fine steps from the present rates. */
static void test_moving_hazard_is_exact(void **state)
{
    enum {
        FAULTS = 1500
    };
    static double residual[FAULTS];

    (void)state;
    for (int n = 0; n < FAULTS; n++) {
        struct hf_rig *rig = moving_rig(1000 + (uint64_t)n);
        struct hf_rig_fault fault;
        double served = 0.0, piece_s = 0.1, moved_s, before, after;

        after = hf_rig_present_rate_per_hour(rig, 0) + hf_rig_present_rate_per_hour(rig, 1);
        do {
            before = after;
            moved_s = hf_rig_advance(rig, piece_s, &fault);
            after = hf_rig_present_rate_per_hour(rig, 0) + hf_rig_present_rate_per_hour(rig, 1);
            served += 0.5 * (before + after) / 3600.0 * moved_s;
            piece_s = fmin(20.0, piece_s * 1.3);
        } while (fault.kind == HF_DAMAGE_NONE);
        residual[n] = served;
        hf_rig_free(rig);
    }
    assert_between(ks_exponential(residual, FAULTS), 0.0, KS_LIMIT);
}

static void test_same_seed_same_faults(void **state)
{
    struct hf_rig *a = moving_rig(9), *b = moving_rig(9), *c = moving_rig(10);
    int differs = 0;

    (void)state;
    for (int n = 0; n < 200; n++) {
        struct hf_rig_fault of_a, of_b, of_c;

        (void)hf_rig_advance(a, 5000, &of_a);
        (void)hf_rig_advance(b, 5000, &of_b);
        (void)hf_rig_advance(c, 5000, &of_c);
        assert_true(of_a.kind == of_b.kind && of_a.group == of_b.group && of_a.core == of_b.core &&
                    of_a.after_s == of_b.after_s && of_a.above_steps == of_b.above_steps);
        differs += of_a.after_s != of_c.after_s;
        if (n % 10 == 0) {
            hf_rig_begin_run(a, 1);
            hf_rig_begin_run(b, 1);
        }
    }
    assert_true(differs > 150);
    hf_rig_free(a);
    hf_rig_free(b);
    hf_rig_free(c);
}

/* After boot n the draws depend on (seed, n) alone: a new process takes over where the old one was reset. */
static void test_boot_takes_over(void **state)
{
    struct hf_rig *lived = moving_rig(6), *fresh = moving_rig(6);
    struct hf_rig_fault fault, other;
    double lived_s = 0.0, first = 0.0, second = 0.0;
    int count;
    const struct hf_load_slice *night = hf_rig_night_mix(&count);

    (void)state;
    while (lived_s < 7200)
        lived_s += hf_rig_advance(lived, 600, &fault);
    for (int g = 0; g < 2; g++)
        rig_load(lived, g, NULL, 0);
    lived_s += hf_rig_advance(lived, 5000, &fault); /* cool again */
    for (int g = 0; g < 2; g++)
        rig_load(fresh, g, NULL, 0);
    (void)hf_rig_advance(fresh, lived_s, &fault);
    hf_rig_boot(lived, 3);
    hf_rig_boot(fresh, 3);
    assert_between(hf_rig_drift_mhz(lived), hf_rig_drift_mhz(fresh) - 1e-6, hf_rig_drift_mhz(fresh) + 1e-6);
    for (int g = 0; g < 2; g++) {
        hf_rig_begin_run(lived, g);
        hf_rig_begin_run(fresh, g);
        rig_load(lived, g, night, count);
        rig_load(fresh, g, night, count);
    }
    first = next_fault(lived, &fault);
    second = next_fault(fresh, &other);
    assert_between(first, second * 0.999 - 1e-3, second * 1.001 + 1e-3);
    assert_true(fault.kind == other.kind && fault.group == other.group && fault.core == other.core);
    hf_rig_boot(lived, 4);
    hf_rig_boot(fresh, 5);
    assert_true(fabs(next_fault(lived, &fault) - next_fault(fresh, &other)) > 1e-6);
    hf_rig_free(lived);
    hf_rig_free(fresh);
}

/* Frailty: a new draw a run, of the configured spread. */
static void test_frailty(void **state)
{
    enum {
        RUNS = 4000
    };
    struct hf_rig_config config = rig_default(2, 2, 5);
    struct hf_rig *rig = rig_make(&config);
    double sum = 0.0, squares = 0.0, rate, before;

    (void)state;
    rig_load(rig, 0, &wide_fma, 1);
    before = hf_rig_present_rate_per_hour(rig, 0);
    for (int n = 0; n < RUNS; n++) {
        hf_rig_begin_run(rig, 0);
        sum += rig->group[0].frailty_mhz;
        squares += rig->group[0].frailty_mhz * rig->group[0].frailty_mhz;
    }
    assert_between(sum / RUNS, -4 * 12 / sqrt(RUNS), 4 * 12 / sqrt(RUNS));
    assert_between(sqrt(squares / RUNS), 12 * (1 - 4 / sqrt(2.0 * RUNS)), 12 * (1 + 4 / sqrt(2.0 * RUNS)));
    rate = hf_rig_present_rate_per_hour(rig, 0);
    assert_true(rate != before);
    hf_rig_free(rig);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(test_exact_through_changes),
        cmocka_unit_test(test_slope_recovered_from_draws),
        cmocka_unit_test(test_group_is_its_weakest_core),
        cmocka_unit_test(test_kinds_by_distance),
        cmocka_unit_test(test_cap),
        cmocka_unit_test(test_idle_never_fails),
        cmocka_unit_test(test_pieces_do_not_matter),
        cmocka_unit_test(test_moving_hazard_is_exact),
        cmocka_unit_test(test_same_seed_same_faults),
        cmocka_unit_test(test_boot_takes_over),
        cmocka_unit_test(test_frailty),
    };

    return cmocka_run_group_tests(tests, NULL, NULL);
}
