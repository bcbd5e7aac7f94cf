/* Temperatures: step response against a separate integration, steady values by hand, sensors, what heat
 * costs. */
#include "rig_test.h"

#include "rig/model.h"

static const struct hf_load_slice steady = {{HF_LOAD_FMA_512, 1.0, 0.0, 0}, 1.0};

static struct hf_rig *loaded_rig(double ambient_c)
{
    struct hf_rig_config config = rig_default(8, 8, 1);
    struct hf_rig *rig;

    config.ambient_c = ambient_c;
    config.frailty_mhz = config.drift_mhz = 0;
    rig = rig_make(&config);
    for (int g = 0; g < 8; g++) {
        rig_load(rig, g, &steady, 1);
        hf_rig_set_step(rig, g, 0); /* 3450 MHz: no fault will end a piece early */
    }
    return rig;
}

/* 64 cores of 4.2 A x 3450/4000 at 1.2 V. */
static double package_w(void)
{
    return 64 * 4.2 * 3450 / 4000 * 1.2;
}

static void move(struct hf_rig *rig, double seconds)
{
    struct hf_rig_fault fault;

    assert_between(hf_rig_advance(rig, seconds, &fault), seconds, seconds);
    assert_int_equal(fault.kind, HF_DAMAGE_NONE);
}

static void test_steady_by_hand(void **state)
{
    struct hf_rig *rig = loaded_rig(25);
    double watts = package_w();

    (void)state;
    assert_between(hf_rig_package_celsius(rig), 25, 25);
    move(rig, 3600);
    assert_between(rig->package_w, watts * (1 - 1e-9), watts * (1 + 1e-9));
    assert_between(rig->heat.sensor_c[0], 25 + 0.16 * watts + 0.9 * watts / 64 - 1e-6,
                   25 + 0.16 * watts + 0.9 * watts / 64 + 1e-6);
    assert_between(hf_rig_group_celsius(rig, 3), floor(25 + 0.16 * watts + 0.9 * watts / 64 + 0.5), 200);
    assert_between(hf_rig_package_celsius(rig), floor(25 + 0.16 * watts + 0.5),
                   floor(25 + 0.16 * watts + 0.5));
    hf_rig_free(rig);
}

/* A first-order lag has gone 1 - 1/e = 63.2 % of its way after one time constant (any handbook). */
static void test_time_constants(void **state)
{
    const double way = 1 - exp(-1);
    struct hf_rig *rig = loaded_rig(25);
    double watts = package_w();

    (void)state;
    move(rig, 8e-3);
    assert_between(rig->heat.core_k[5], way * 0.9 * watts / 64 * (1 - 1e-9),
                   way * 0.9 * watts / 64 * (1 + 1e-9));
    move(rig, 1.2 - 8e-3);
    assert_between(rig->heat.die_k, way * 0.06 * watts * (1 - 1e-9), way * 0.06 * watts * (1 + 1e-9));
    move(rig, 90 - 1.2);
    assert_between(rig->heat.sink_k, way * 0.10 * watts * (1 - 1e-9), way * 0.10 * watts * (1 + 1e-9));
    hf_rig_free(rig);
}

/* The same network stepped by Euler's rule, 0.1 ms at a time, beside the closed form. */
static void test_step_response_against_integration(void **state)
{
    struct hf_rig *rig = loaded_rig(25);
    double watts = package_w(), core = 0, die = 0, sink = 0, sensor = 25, now = 0, dt = 1e-4;
    const double stops[] = {0.004, 0.02, 0.05, 0.3, 2.0, 5.0};

    (void)state;
    for (int i = 0; i < 6; i++) {
        double piece = stops[i] - now;

        while (now < stops[i] - 1e-9) {
            sensor += dt / 0.030 * (25 + core + die + sink - sensor);
            core += dt / 0.008 * (0.9 * watts / 64 - core);
            die += dt / 1.2 * (0.06 * watts - die);
            sink += dt / 90.0 * (0.10 * watts - sink);
            now += dt;
        }
        move(rig, piece);
        assert_between(rig->heat.sensor_c[0], sensor - 0.05, sensor + 0.05);
        assert_between(hf_rig_group_celsius(rig, 0), floor(sensor + 0.5 - 0.05), floor(sensor + 0.5 + 0.05));
    }
    hf_rig_free(rig);
}

static void test_pieces_do_not_matter(void **state)
{
    struct hf_rig *whole = loaded_rig(25), *cut = loaded_rig(25);

    (void)state;
    move(whole, 50);
    for (int i = 0; i < 5000; i++)
        move(cut, 0.01);
    assert_between(cut->heat.sensor_c[2], whole->heat.sensor_c[2] - 1e-6, whole->heat.sensor_c[2] + 1e-6);
    assert_between(cut->heat.package_sensor_c, whole->heat.package_sensor_c - 1e-6,
                   whole->heat.package_sensor_c + 1e-6);
    hf_rig_free(whole);
    hf_rig_free(cut);
}

static void test_cools_down(void **state)
{
    struct hf_rig *rig = loaded_rig(25);
    double idle_w = 64 * 0.2 * 1.2;

    (void)state;
    move(rig, 1000);
    for (int g = 0; g < 8; g++)
        rig_load(rig, g, NULL, 0);
    move(rig, 2000);
    assert_between(rig->heat.package_sensor_c, 25 + 0.16 * idle_w - 1e-3, 25 + 0.16 * idle_w + 1e-3);
    hf_rig_free(rig);
}

static double steady_rate(double ambient_c, double nats_per_mhz[1])
{
    struct hf_rig_config config = rig_default(1, 1, 5);
    struct hf_rig *rig;
    double rate;

    config.ambient_c = ambient_c;
    config.edge_mhz = 4000;
    rig = rig_make(&config);
    nats_per_mhz[0] = rig->core[0].nats_per_mhz;
    rig->reference_mhz = 4300; /* the same silicon in every climate */
    rate = hf_rig_true_rate_per_hour(rig, 0, 20, &steady, 1);
    hf_rig_free(rig);
    return rate;
}

/* -1.3 MHz per kelvin above 60 degC, nothing below. */
static void test_heat_costs_mhz(void **state)
{
    double slope[1], cool = steady_rate(0, slope), mild = steady_rate(40, slope);
    double hot = steady_rate(65, slope), hotter = steady_rate(75, slope);

    (void)state;
    assert_between(mild / cool, 1 - 1e-9, 1 + 1e-9);
    assert_between(log(hotter / hot), 13 * slope[0] * (1 - 1e-6), 13 * slope[0] * (1 + 1e-6));
    assert_true(hot > cool);
}

/* A slice hotter than the mix's mean is taken so: the truth of a mix is not that of its mean temperature. */
static void test_slices_swing(void **state)
{
    (void)state;
    assert_between(hf_rig_slice_swing_c(5, 3, 320, 190), 0.9 * 2 + 0.4 * 0.06 * 130 - 1e-9,
                   0.9 * 2 + 0.4 * 0.06 * 130 + 1e-9);
    /* the 0.4: mean of 1 - exp(-t/1.2) over a slice of 1.25 s */
    assert_between(1 - 1.2 / 1.25 * (1 - exp(-1.25 / 1.2)), 0.36, 0.44);
}

/* Half the rises: half the distance to ambient, and the sensors follow. */
static void test_heat_scale(void **state)
{
    double celsius[2];

    (void)state;
    for (int half = 0; half < 2; half++) {
        struct hf_rig_config config = rig_default(8, 8, 1);
        struct hf_rig *rig;

        config.heat_scale = half ? 0.5 : 1.0;
        rig = rig_make(&config);
        celsius[half] = hf_rig_steady_celsius(rig, 5, 300);
        hf_rig_free(rig);
    }
    assert_between(celsius[0], 25 + 0.16 * 300 + 0.9 * 5 - 1e-9, 25 + 0.16 * 300 + 0.9 * 5 + 1e-9);
    assert_between(celsius[1], 25 + (celsius[0] - 25) / 2 - 1e-9, 25 + (celsius[0] - 25) / 2 + 1e-9);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(test_steady_by_hand),
        cmocka_unit_test(test_time_constants),
        cmocka_unit_test(test_step_response_against_integration),
        cmocka_unit_test(test_pieces_do_not_matter),
        cmocka_unit_test(test_cools_down),
        cmocka_unit_test(test_heat_costs_mhz),
        cmocka_unit_test(test_slices_swing),
        cmocka_unit_test(test_heat_scale),
    };

    return cmocka_run_group_tests(tests, NULL, NULL);
}
