/* The shared rail: what company costs, which patterns excite which resonance, and how cores add up. */
#include "rig_test.h"

#include "rig/model.h"

static const struct hf_load_slice idle[1];

static struct hf_load_slice square(double period_s, double duty, int in_step)
{
    return (struct hf_load_slice){{HF_LOAD_FMA_512, duty, period_s, in_step}, 1.0};
}

static const struct hf_load_slice steady = {{HF_LOAD_FMA_512, 1.0, 0.0, 0}, 1.0};

/* --- alone and together --- */

struct alone {
    struct hf_rig *rig;
    const struct hf_load_slice *slices;
    int count;
};

/* Group 0 works, all others idle. */
static double alone_rate(void *context, int step)
{
    const struct alone *alone = context;

    hf_rig_set_step(alone->rig, 0, step);
    rig_load(alone->rig, 0, alone->slices, alone->count);
    return hf_rig_present_rate_per_hour(alone->rig, 0);
}

static double together_rate(void *context, int step)
{
    const struct alone *alone = context;

    return hf_rig_true_rate_per_hour(alone->rig, 0, step, alone->slices, alone->count);
}

/* How much too high a limit found alone is, averaged over rigs. The package is given time to warm up alone
 * too. */
static double company_costs_mhz(const struct hf_load_slice *slices, int count, double *ret_low,
                                double *ret_high)
{
    enum {
        RIGS = 40
    };
    double sum = 0.0;

    *ret_low = INFINITY;
    *ret_high = -INFINITY;
    for (uint64_t seed = 1; seed <= RIGS; seed++) {
        struct hf_rig_config config = rig_default(8, 8, seed);
        struct alone alone = {NULL, slices, count};
        struct hf_rig_fault fault;
        double difference;

        config.lowest_mhz = 3300;
        config.step_count = 60;
        config.frailty_mhz = config.drift_mhz = 0;
        alone.rig = rig_make(&config);
        for (int g = 0; g < 8; g++)
            hf_rig_set_step(alone.rig, g, 28); /* 4000 MHz */
        difference = -rig_edge_mhz(&config, together_rate, &alone);
        hf_rig_set_step(alone.rig, 0, 0);
        rig_load(alone.rig, 0, slices, count);
        (void)hf_rig_advance(alone.rig, 600, &fault);
        difference += rig_edge_mhz(&config, alone_rate, &alone);
        hf_rig_free(alone.rig);
        sum += difference / RIGS;
        *ret_low = fmin(*ret_low, difference);
        *ret_high = fmax(*ret_high, difference);
    }
    return sum;
}

static void test_alone_is_too_high(void **state)
{
    double low, high;
    int count;
    const struct hf_load_slice *night = hf_rig_night_mix(&count);

    (void)state;
    assert_between(company_costs_mhz(&steady, 1, &low, &high), 180, 235);
    assert_between(low, 180, 235);
    assert_between(high, 180, 235);
    assert_between(company_costs_mhz(night, count, &low, &high), 180, 235);
}

/* By hand: 64 cores of 4.2 A on 0.20 mOhm, a group's 8 on 0.60 mOhm more. At the edge clock, where currents
 * are as given: shared 53.76 mV together and (33.6 + 56 x 0.2) x 0.2 = 8.96 mV alone; own 20.16 mV. */
static void test_steady_droop_by_hand(void **state)
{
    struct hf_rig_config config = rig_default(8, 8, 1);
    struct hf_rig *rig = rig_make(&config);
    struct hf_rig_slice prepared;
    struct hf_rig_scene scene = {0};
    struct hf_rig_rail rail;

    (void)state;
    hf_rig_slice_prepare(&steady, &prepared);
    for (int g = 0; g < 8; g++) {
        scene.slices[g] = &prepared;
        scene.count[g] = 1;
        scene.working[g] = 8;
        scene.mhz[g] = config.edge_mhz;
    }
    hf_rig_rail_compute(rig, &scene, 1, &rail);
    assert_between(rail.shared_mv[0], 53.76 - 1e-9, 53.76 + 1e-9);
    assert_between(rail.transient_mv[0], 0, 0);
    for (int g = 1; g < 8; g++)
        scene.count[g] = 0;
    hf_rig_rail_compute(rig, &scene, 1, &rail);
    assert_between(rail.shared_mv[0], 8.96 - 1e-9, 8.96 + 1e-9);
    assert_between(hf_rig_own_droop_mv(rig, &prepared, config.edge_mhz, 8), 20.16 - 1e-9, 20.16 + 1e-9);
    assert_between(hf_rig_own_droop_mv(rig, &prepared, 2 * config.edge_mhz, 8), 40.32 - 1e-9, 40.32 + 1e-9);
    /* 3 of the group's cores work, 5 idle: (3 x 4.2 + 5 x 0.2 + 56 x 0.2) x 0.2, and 13.6 x 0.6 of its own */
    scene.working[0] = 3;
    hf_rig_rail_compute(rig, &scene, 1, &rail);
    assert_between(rail.shared_mv[0], 4.96 - 1e-9, 4.96 + 1e-9);
    assert_between(hf_rig_own_droop_mv(rig, &prepared, config.edge_mhz, 3), 8.16 - 1e-9, 8.16 + 1e-9);
    hf_rig_free(rig);
}

/* --- transients --- */

/* The transient droop while the first `groups` groups run the slice and the others idle. */
static double transient_mv(const struct hf_load_slice *slice, int groups)
{
    struct hf_rig_config config = rig_default(8, 8, 1);
    struct hf_rig *rig = rig_make(&config);
    struct hf_rig_slice prepared, nothing;
    struct hf_rig_scene scene = {0};
    struct hf_rig_rail rail;

    hf_rig_slice_prepare(slice, &prepared);
    hf_rig_slice_prepare(idle, &nothing);
    for (int g = 0; g < 8; g++) {
        scene.slices[g] = g < groups ? &prepared : &nothing;
        scene.count[g] = g < groups;
        scene.working[g] = 8;
        scene.mhz[g] = config.edge_mhz;
    }
    hf_rig_rail_compute(rig, &scene, 1, &rail);
    hf_rig_free(rig);
    return rail.transient_mv[0];
}

static double at_period(double period_s)
{
    struct hf_load_slice slice = square(period_s, 0.5, 1);

    return transient_mv(&slice, 8);
}

static void test_resonances(void **state)
{
    (void)state;
    /* full swing at the second and third resonance: at least their own amplitude less the skew's loss */
    assert_between(at_period(1 / 2.5e6), 0.95 * 38 * 0.95, 38 + 0.3 * (45 + 30));
    assert_between(at_period(1 / 120e3), 0.95 * 30, 30 + 0.3 * (45 + 38));
    /* and less on either side of them */
    assert_true(at_period(1 / 2.5e6) > 1.2 * at_period(1 / 1.2e6));
    assert_true(at_period(1 / 2.5e6) > 1.2 * at_period(1 / 5.5e6));
    assert_true(at_period(1 / 120e3) > 1.02 * at_period(1 / 40e3));
    /* a slow pattern still rings at each edge; an unswitched load never does */
    assert_between(at_period(0.1), 10, at_period(1 / 2.5e6));
    assert_between(transient_mv(&steady, 8), 0, 0);
    /* 80 MHz: edges cannot be aligned to nanoseconds, so 64 cores add up like the root of 64 */
    assert_between(at_period(1 / 80e6), 45.0 / 8 * 0.99, 45.0 / 8 * 1.5);
}

static void test_cores_in_step_add_up(void **state)
{
    struct hf_load_slice together = square(400e-9, 0.5, 1), apart = square(400e-9, 0.5, 0);

    (void)state;
    assert_between(transient_mv(&together, 8) / transient_mv(&together, 1), 7.5, 8.0);
    assert_between(transient_mv(&apart, 8) / transient_mv(&apart, 2), 2.0 - 1e-9, 2.0 + 1e-9);
    assert_between(transient_mv(&together, 8) / transient_mv(&apart, 8), 6.5, 8.0);
}

/* Steady company suffers from a neighbour that swings: the rail is shared. */
static void test_neighbour_swings(void **state)
{
    struct hf_rig_config config = rig_default(2, 4, 3);
    struct hf_load_slice swinging = square(400e-9, 0.5, 1), calm = square(400e-9, 0.5, 0);
    struct hf_rig *rig;
    double beside_swing, beside_calm;

    (void)state;
    config.frailty_mhz = config.drift_mhz = 0;
    rig = rig_make(&config);
    hf_rig_set_step(rig, 0, 10);
    hf_rig_set_step(rig, 1, 10);
    rig_load(rig, 0, &steady, 1);
    rig_load(rig, 1, &calm, 1);
    beside_calm = hf_rig_present_rate_per_hour(rig, 0);
    rig_load(rig, 1, &swinging, 1);
    beside_swing = hf_rig_present_rate_per_hour(rig, 0);
    assert_true(beside_swing > 1.3 * beside_calm);
    hf_rig_free(rig);
}

/* Company matters in order: idle, light, wide. */
static void test_company_costs_in_order(void **state)
{
    struct hf_rig_config config = rig_default(4, 4, 3);
    struct hf_load_slice light = {{HF_LOAD_SCALAR, 1.0, 0.0, 0}, 1.0};
    struct hf_rig *rig;
    double beside_idle, beside_light, beside_wide;

    (void)state;
    config.frailty_mhz = config.drift_mhz = 0;
    rig = rig_make(&config);
    hf_rig_set_step(rig, 0, 20);
    rig_load(rig, 0, &steady, 1);
    beside_idle = hf_rig_present_rate_per_hour(rig, 0);
    for (int g = 1; g < 4; g++)
        rig_load(rig, g, &light, 1);
    beside_light = hf_rig_present_rate_per_hour(rig, 0);
    for (int g = 1; g < 4; g++)
        rig_load(rig, g, &steady, 1);
    beside_wide = hf_rig_present_rate_per_hour(rig, 0);
    assert_true(beside_idle < beside_light && beside_light < beside_wide);
    hf_rig_free(rig);
}

/* A group whose mix has another number of slices is not part of the programme: it adds its average and no
 * swing. */
static void test_other_programme_adds_its_average(void **state)
{
    struct hf_rig_config config = rig_default(2, 4, 3);
    struct hf_load_slice half[2] = {{{HF_LOAD_FMA_512, 1.0, 0.0, 0}, 0.5},
                                    {{HF_LOAD_IDLE, 1.0, 0.0, 0}, 0.5}};
    struct hf_load_slice average =
        square(1e-9, 0.5, 0); /* so fast that only its average reaches the supply */
    struct hf_rig *rig;
    double beside_mix, beside_average;

    (void)state;
    config.frailty_mhz = config.drift_mhz = 0;
    config.ambient_c = 0;
    rig = rig_make(&config);
    rig_load(rig, 0, &steady, 1);
    rig_load(rig, 1, half, 2);
    beside_mix = hf_rig_present_rate_per_hour(rig, 0);
    rig_load(rig, 1, &average, 1);
    beside_average = hf_rig_present_rate_per_hour(rig, 0);
    assert_between(beside_mix / beside_average, 0.95, 1.05);
    hf_rig_free(rig);
}

/* Cores that idle fail no more, and the others are relieved; the same cores again are the same rate. */
static void test_cores_that_idle(void **state)
{
    struct hf_rig_config config = rig_default(2, 4, 5);
    struct hf_rig *rig = rig_make(&config);
    double all, alone[4], sum = 0;

    (void)state;
    config.frailty_mhz = 0;
    hf_rig_free(rig);
    rig = rig_make(&config);
    rig_load(rig, 0, &steady, 1);
    hf_rig_set_step(rig, 0, 26);
    all = hf_rig_present_rate_per_hour(rig, 0);
    for (int core = 0; core < 4; core++) {
        hf_rig_set_working(rig, 0, 1u << core);
        alone[core] = hf_rig_present_rate_per_hour(rig, 0);
        sum += alone[core];
    }
    assert_true(sum < all && sum > 0);
    hf_rig_set_working(rig, 0, 0);
    assert_between(hf_rig_present_rate_per_hour(rig, 0), 0, 0);
    hf_rig_set_working(rig, 0, UINT32_MAX);
    assert_between(hf_rig_present_rate_per_hour(rig, 0), all * (1 - 1e-12), all * (1 + 1e-12));
    hf_rig_free(rig);
}

/* A supply without droop takes no heed of company; twice the droop costs twice the clock. */
static void test_droop_scale(void **state)
{
    double shift[3];

    (void)state;
    for (int scale = 0; scale < 3; scale++) {
        struct hf_rig_config config = rig_default(8, 8, 1);
        double alone, together;
        struct hf_rig *rig;

        config.droop_scale = scale;
        config.frailty_mhz = config.drift_mhz = config.heat_scale = 0;
        config.slope_chip_sd = config.slope_core_sd = config.class_sd_mhz = config.core_sd_mhz = 0;
        rig = rig_make(&config);
        hf_rig_set_step(rig, 0, 20);
        rig_load(rig, 0, &steady, 1);
        alone = hf_rig_present_rate_per_hour(rig, 0);
        for (int g = 1; g < 8; g++)
            rig_load(rig, g, &steady, 1);
        together = hf_rig_present_rate_per_hour(rig, 0);
        shift[scale] = log(together / alone) / 1.5;
        hf_rig_free(rig);
    }
    assert_between(shift[0], -1e-9, 1e-9);
    assert_between(shift[1], 1, 20);
    assert_between(shift[2], 2 * shift[1] - 1e-6, 2 * shift[1] + 1e-6);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(test_alone_is_too_high),
        cmocka_unit_test(test_steady_droop_by_hand),
        cmocka_unit_test(test_resonances),
        cmocka_unit_test(test_cores_in_step_add_up),
        cmocka_unit_test(test_neighbour_swings),
        cmocka_unit_test(test_company_costs_in_order),
        cmocka_unit_test(test_other_programme_adds_its_average),
        cmocka_unit_test(test_cores_that_idle),
        cmocka_unit_test(test_droop_scale),
    };

    return cmocka_run_group_tests(tests, NULL, NULL);
}
