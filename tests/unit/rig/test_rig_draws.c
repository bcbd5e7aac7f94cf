/* The draw of a chip: spreads, the reference, the truth functions, and what a seed fixes. */
#include "rig_test.h"

#include <string.h>

#include "rig/model.h"

static double mean_of(const double *values, int count)
{
    double sum = 0.0;

    for (int i = 0; i < count; i++)
        sum += values[i];
    return sum / count;
}

static double sd_of(const double *values, int count)
{
    double mean = mean_of(values, count), sum = 0.0;

    for (int i = 0; i < count; i++)
        sum += (values[i] - mean) * (values[i] - mean);
    return sqrt(sum / (count - 1));
}

struct asked {
    struct hf_rig *rig;
    int group;
};

static double night_rate(void *context, int step)
{
    const struct asked *asked = context;
    int count;
    const struct hf_load_slice *night = hf_rig_night_mix(&count);

    return hf_rig_true_rate_per_hour(asked->rig, asked->group, step, night, count);
}

/* The groups' edges under the night mix, all together at edge_mhz. */
static void edges_of(const struct hf_rig_config *config, double *ret_edges)
{
    struct hf_rig *rig = rig_make(config);
    int middle = (int)((config->edge_mhz - config->lowest_mhz) / config->step_mhz);

    for (int g = 0; g < config->group_count; g++)
        hf_rig_set_step(rig, g, middle);
    for (int g = 0; g < config->group_count; g++) {
        struct asked asked = {rig, g};

        ret_edges[g] = rig_edge_mhz(config, night_rate, &asked);
    }
    hf_rig_free(rig);
}

static void edges_lie_around_edge_mhz(int groups, int cores, int rigs)
{
    double edges[64], sum = 0.0;

    for (int i = 0; i < rigs; i++) {
        struct hf_rig_config config = rig_default(groups, cores, 1000 + (uint64_t)i);

        config.lowest_mhz = 3200;
        config.step_count = 80;
        edges_of(&config, edges);
        sum += mean_of(edges, groups);
    }
    /* a chip's mean has sd sqrt(60^2 + 50^2 / groups): four standard errors, and 5 MHz for the reference's
     * own */
    assert_between(sum / rigs, 4000 - 5 - 4 * 66 / sqrt(rigs), 4000 + 5 + 4 * 66 / sqrt(rigs));
}

static void test_reference_default(void **state)
{
    (void)state;
    edges_lie_around_edge_mhz(8, 8, 400);
}

static void test_reference_other_sizes(void **state)
{
    (void)state;
    edges_lie_around_edge_mhz(4, 4, 400);
    edges_lie_around_edge_mhz(2, 32, 200);
    edges_lie_around_edge_mhz(16, 1, 200);
}

/* Worst and best group of one chip differ by 100 to 200 MHz: common practice, no source. */
static void test_groups_differ_as_in_practice(void **state)
{
    enum {
        RIGS = 300
    };
    double spread[RIGS];
    int usual = 0;

    (void)state;
    for (int i = 0; i < RIGS; i++) {
        struct hf_rig_config config = rig_default(8, 8, 5000 + (uint64_t)i);
        double edges[8], low = INFINITY, high = -INFINITY;

        config.lowest_mhz = 3200;
        config.step_count = 80;
        edges_of(&config, edges);
        for (int g = 0; g < 8; g++) {
            low = fmin(low, edges[g]);
            high = fmax(high, edges[g]);
        }
        spread[i] = high - low;
        usual += spread[i] >= 100 && spread[i] <= 200;
    }
    assert_between(mean_of(spread, RIGS), 120, 170);
    assert_between((double)usual / RIGS, 0.65, 1.0);
}

/* What was drawn has the standard deviations that the configuration names. 4 sigma of a sample sd: 4 /
 * sqrt(2n). */
static void test_draws_have_their_spread(void **state)
{
    enum {
        RIGS = 1000
    };
    static double chip_slope[RIGS], core_slope[RIGS], core_mhz[RIGS], class_mhz[RIGS], total_mhz[RIGS];
    double tolerance = 4 / sqrt(2.0 * RIGS);

    (void)state;
    for (int i = 0; i < RIGS; i++) {
        struct hf_rig_config config = rig_default(2, 2, 9000 + (uint64_t)i);
        struct hf_rig *rig = rig_make(&config);

        chip_slope[i] = log(rig->slope_nats / config.slope_nats);
        core_slope[i] = log(rig->core[3].nats_per_mhz * 25.0 / rig->slope_nats);
        core_mhz[i] =
            (rig->core[0].offset_mhz - rig->core[1].offset_mhz) / sqrt(2); /* chip and group cancel */
        class_mhz[i] = rig->core[2].class_mhz[HF_LOAD_GATHER];
        total_mhz[i] = rig->core[3].offset_mhz;
        hf_rig_free(rig);
    }
    assert_between(sd_of(chip_slope, RIGS), 0.25 * (1 - tolerance), 0.25 * (1 + tolerance));
    assert_between(sd_of(core_slope, RIGS), 0.10 * (1 - tolerance), 0.10 * (1 + tolerance));
    assert_between(sd_of(core_mhz, RIGS), 28 * (1 - tolerance), 28 * (1 + tolerance));
    assert_between(sd_of(class_mhz, RIGS), 18 * (1 - tolerance), 18 * (1 + tolerance));
    assert_between(sd_of(total_mhz, RIGS), sqrt(60 * 60 + 45 * 45 + 28 * 28) * (1 - tolerance),
                   sqrt(60 * 60 + 45 * 45 + 28 * 28) * (1 + tolerance));
    assert_between(mean_of(total_mhz, RIGS), -4 * 80 / sqrt(RIGS), 4 * 80 / sqrt(RIGS));
}

/* A simple rig: the group's rate is exp(b (clock - edge)) exactly, up to the cap of 20 a second. */
static void test_simple_is_exponential(void **state)
{
    struct hf_rig_config config = rig_default(3, 5, 77);
    struct hf_load_slice load = {{HF_LOAD_FMA_512, 1.0, 0.0, 0}, 1.0};
    struct hf_rig *rig;

    (void)state;
    config.simple = 1;
    rig = rig_make(&config);
    for (int g = 0; g < 3; g++) {
        double slope = log(hf_rig_true_rate_per_hour(rig, g, 1, &load, 1) /
                           hf_rig_true_rate_per_hour(rig, g, 0, &load, 1));
        double edge =
            config.lowest_mhz - 25.0 / slope * log(hf_rig_true_rate_per_hour(rig, g, 0, &load, 1) / 60);

        assert_between(slope, 0.5, 4.0);
        for (int step = 0; step < config.step_count; step++) {
            double law = 60 * hf_rig_law_per_minute(config.lowest_mhz + 25 * step, edge, slope);
            double rate = hf_rig_true_rate_per_hour(rig, g, step, &load, 1);

            assert_between(rate, law * (1 - 1e-9), law * (1 + 1e-9));
            assert_between(rate, 0, 20 * 3600.0 * (1 + 1e-12));
        }
    }
    hf_rig_free(rig);
}

static void test_limit_is_where_the_rate_crosses(void **state)
{
    int count;
    const struct hf_load_slice *night = hf_rig_night_mix(&count);
    const double claims[] = {1.0 / 168, 1.0 / 24, 1.0, 60.0};

    (void)state;
    for (int i = 0; i < 40; i++) {
        struct hf_rig_config config = rig_default(4, 4, 300 + (uint64_t)i);
        struct hf_rig *rig = rig_make(&config);
        double claim = claims[i % 4];

        for (int g = 0; g < 4; g++) {
            int limit = hf_rig_true_limit(rig, g, claim, night, count);

            if (limit >= 0)
                assert_between(hf_rig_true_rate_per_hour(rig, g, limit, night, count), 0, claim);
            if (limit + 1 < config.step_count)
                assert_true(hf_rig_true_rate_per_hour(rig, g, limit + 1, night, count) > claim);
        }
        assert_int_equal(hf_rig_true_limit(rig, 0, 0.0, night, count), -1);
        assert_int_equal(hf_rig_true_limit(rig, 0, 1e9, night, count), config.step_count - 1);
        hf_rig_free(rig);
    }
}

/* The truth never falls with the step, and a mix's rate is the weighted mean of its slices where the rail
 * does not depend on the mix (cool, light loads). */
static void test_truth_is_a_mixture(void **state)
{
    struct hf_rig_config config = rig_default(4, 4, 12);
    struct hf_load_slice one = {{HF_LOAD_SCALAR, 1.0, 0.0, 0}, 1.0},
                         two = {{HF_LOAD_CRYPTO, 1.0, 0.0, 0}, 1.0};
    struct hf_load_slice mix[2] = {one, two};
    struct hf_rig *rig = rig_make(&config);

    (void)state;
    mix[0].weight = 0.3;
    mix[1].weight = 0.7;
    for (int step = 0; step < config.step_count; step++) {
        double mean = 0.3 * hf_rig_true_rate_per_hour(rig, 1, step, &one, 1) +
                      0.7 * hf_rig_true_rate_per_hour(rig, 1, step, &two, 1);

        assert_between(hf_rig_true_rate_per_hour(rig, 1, step, mix, 2), mean * (1 - 1e-9), mean * (1 + 1e-9));
        if (step > 0)
            assert_true(hf_rig_true_rate_per_hour(rig, 1, step, mix, 2) >=
                        hf_rig_true_rate_per_hour(rig, 1, step - 1, mix, 2));
    }
    hf_rig_free(rig);
}

static void test_seed_fixes_the_chip(void **state)
{
    struct hf_rig_config small = rig_default(2, 4, 42), large = rig_default(6, 8, 42),
                         other = rig_default(2, 4, 43);
    struct hf_rig *a = rig_make(&small), *b = rig_make(&small), *c = rig_make(&large), *d = rig_make(&other);

    (void)state;
    assert_memory_equal(a->core, b->core, 8 * sizeof *a->core);
    assert_memory_not_equal(a->core, d->core, 8 * sizeof *a->core);
    /* a rig with more of everything has the same first cores */
    for (int g = 0; g < 2; g++) {
        for (int core = 0; core < 4; core++)
            assert_memory_equal(&a->core[4 * g + core], &c->core[8 * g + core], sizeof *a->core);
    }
    hf_rig_free(a);
    hf_rig_free(b);
    hf_rig_free(c);
    hf_rig_free(d);
}

static void expect_refused(struct hf_rig_config config, const char *word)
{
    struct hf_error error = {0};
    struct hf_rig *rig = NULL;

    assert_int_equal(hf_rig_new(&config, &rig, &error), HF_E_RANGE);
    assert_null(rig);
    if (strstr(error.message, word) == NULL)
        fail_msg("\"%s\" does not name %s", error.message, word);
}

static void test_bad_configurations_are_refused(void **state)
{
    struct hf_rig_config config = rig_default(8, 8, 1);

    (void)state;
#define REFUSED(field, bad)                                                                                  \
    do {                                                                                                     \
        struct hf_rig_config wrong = config;                                                                 \
        wrong.field = bad;                                                                                   \
        expect_refused(wrong, #field);                                                                       \
    } while (0)
    REFUSED(group_count, 65);
    REFUSED(group_count, 0);
    REFUSED(cores_per_group, 33);
    REFUSED(step_count, 1);
    REFUSED(step_mhz, 0);
    REFUSED(edge_mhz, NAN);
    REFUSED(slope_nats, 0);
    REFUSED(chip_sd_mhz, -1);
    REFUSED(frailty_mhz, INFINITY);
    REFUSED(setting_lost_share, 1.5);
    REFUSED(hot_cores, 65);
    REFUSED(flat_cores, -1);
    REFUSED(simple, 2);
#undef REFUSED
}

static void test_bad_loads_are_refused(void **state)
{
    struct hf_rig_config config = rig_default(2, 2, 1);
    struct hf_rig *rig = rig_make(&config);
    const struct hf_load_slice bad[] = {
        {{HF_LOAD_COUNT, 1.0, 0.0, 0}, 1.0},    {{HF_LOAD_SCALAR, 0.0, 0.0, 0}, 1.0},
        {{HF_LOAD_SCALAR, 1.1, 0.0, 0}, 1.0},   {{HF_LOAD_SCALAR, NAN, 0.0, 0}, 1.0},
        {{HF_LOAD_SCALAR, 1.0, -1e-6, 0}, 1.0}, {{HF_LOAD_SCALAR, 1.0, 0.0, 0}, 0.9},
    };

    (void)state;
    for (size_t i = 0; i < sizeof bad / sizeof bad[0]; i++) {
        struct hf_error error = {0};

        assert_int_equal(hf_rig_set_load(rig, 0, &bad[i], 1, &error), HF_E_RANGE);
        assert_int_equal(rig->group[0].count, 0); /* unchanged */
    }
    hf_rig_free(rig);
}

static void test_night_mix(void **state)
{
    int count;
    const struct hf_load_slice *night = hf_rig_night_mix(&count);
    double sum = 0.0, fma = 0.0, memory = 0.0;

    (void)state;
    for (int i = 0; i < count; i++) {
        sum += night[i].weight;
        if (night[i].load.load_class >= HF_LOAD_FMA_128 && night[i].load.load_class <= HF_LOAD_FMA_512)
            fma += night[i].weight;
        if (night[i].load.load_class >= HF_LOAD_GATHER)
            memory += night[i].weight;
    }
    assert_between(sum, 1 - 1e-12, 1 + 1e-12);
    assert_between(fma, 0.45 - 1e-9, 0.45 + 1e-9);
    assert_between(memory, 0.20 - 1e-9, 0.20 + 1e-9);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(test_reference_default),
        cmocka_unit_test(test_reference_other_sizes),
        cmocka_unit_test(test_groups_differ_as_in_practice),
        cmocka_unit_test(test_draws_have_their_spread),
        cmocka_unit_test(test_simple_is_exponential),
        cmocka_unit_test(test_limit_is_where_the_rate_crosses),
        cmocka_unit_test(test_truth_is_a_mixture),
        cmocka_unit_test(test_seed_fixes_the_chip),
        cmocka_unit_test(test_bad_configurations_are_refused),
        cmocka_unit_test(test_bad_loads_are_refused),
        cmocka_unit_test(test_night_mix),
    };

    return cmocka_run_group_tests(tests, NULL, NULL);
}
