/* Drift, and the oddities that can be switched on: each shows, and is absent when off. */
#include "rig_test.h"

#include "rig/model.h"

static const struct hf_load_slice steady = {{HF_LOAD_FMA_512, 1.0, 0.0, 0}, 1.0};

static void test_drift_is_bounded(void **state)
{
    struct hf_rig_config config = rig_default(1, 1, 3);
    struct hf_rig *rig = rig_make(&config);
    struct hf_rig_fault fault;
    double least = 0, most = 0, sum = 0, squares = 0;
    enum {
        HOURS = 20000
    };

    (void)state;
    for (int i = 0; i < HOURS; i++) {
        double drift;

        (void)hf_rig_advance(rig, 3600, &fault);
        drift = hf_rig_drift_mhz(rig);
        least = fmin(least, drift);
        most = fmax(most, drift);
        sum += drift / HOURS;
        squares += drift * drift / HOURS;
    }
    assert_between(least, -15, -13);
    assert_between(most, 13, 15);
    /* a reflected walk is uniform in the long run: mean 0, sd 15 / sqrt(3) = 8.66; it forgets in some 5 h */
    assert_between(sum, -1.0, 1.0);
    assert_between(sqrt(squares), 8.66 - 0.5, 8.66 + 0.5);
    hf_rig_free(rig);
}

/* 6 MHz per root hour: at half an hour the bound is not felt yet. */
static void test_drift_rate(void **state)
{
    enum {
        RIGS = 2000
    };
    double squares = 0, expected = 6 * sqrt(0.5);

    (void)state;
    for (uint64_t seed = 1; seed <= RIGS; seed++) {
        struct hf_rig_config config = rig_default(1, 1, seed);
        struct hf_rig *rig = rig_make(&config);
        struct hf_rig_fault fault;

        (void)hf_rig_advance(rig, 1800, &fault);
        squares += hf_rig_drift_mhz(rig) * hf_rig_drift_mhz(rig) / RIGS;
        hf_rig_free(rig);
    }
    assert_between(sqrt(squares), expected * (1 - 4 / sqrt(2.0 * RIGS)),
                   expected * (1 + 4 / sqrt(2.0 * RIGS)));
}

static void load_all(struct hf_rig *rig, int groups, const struct hf_load_slice *slices, int count)
{
    for (int g = 0; g < groups; g++)
        rig_load(rig, g, slices, count);
}

/* --- hot cores --- */

static int count_hot(const struct hf_rig *rig)
{
    int count = 0;

    for (int c = 0; c < rig->core_count; c++)
        count += rig->core[c].hot_trigger_c > 0;
    return count;
}

static int group_of_hot(const struct hf_rig *rig)
{
    for (int c = 0; c < rig->core_count; c++) {
        if (rig->core[c].hot_trigger_c > 0)
            return c / rig->config.cores_per_group;
    }
    fail_msg("no hot-triggered core");
    return -1;
}

/* Alone the core stays cool and nothing differs; together, under the night mix, its group's limit is lower:
 * by how much depends on how strong the core would be otherwise. Returns the steps. */
static int hot_core_costs_steps(uint64_t seed)
{
    struct hf_rig_config plain = rig_default(8, 8, seed), odd = plain;
    struct hf_rig *sound, *rig;
    struct hf_rig_fault fault;
    int group, drop, count;
    const struct hf_load_slice *night = hf_rig_night_mix(&count);

    plain.frailty_mhz = plain.drift_mhz = odd.frailty_mhz = odd.drift_mhz = 0;
    odd.hot_cores = 2;
    sound = rig_make(&plain);
    rig = rig_make(&odd);
    assert_int_equal(count_hot(sound), 0);
    assert_int_equal(count_hot(rig), 2);
    group = group_of_hot(rig);
    rig_load(sound, group, &steady, 1);
    rig_load(rig, group, &steady, 1);
    (void)hf_rig_advance(sound, 600, &fault);
    (void)hf_rig_advance(rig, 600, &fault);
    assert_between(hf_rig_present_rate_per_hour(rig, group) / hf_rig_present_rate_per_hour(sound, group),
                   0.99, 1.2);
    for (int g = 0; g < 8; g++) {
        hf_rig_set_step(sound, g, 12);
        hf_rig_set_step(rig, g, 12);
    }
    drop = hf_rig_true_limit(sound, group, 1.0 / 168, night, count) -
           hf_rig_true_limit(rig, group, 1.0 / 168, night, count);
    hf_rig_free(sound);
    hf_rig_free(rig);
    return drop;
}

static void test_hot_cores_fail_only_when_hot(void **state)
{
    enum {
        RIGS = 30
    };
    double mean = 0.0;

    (void)state;
    for (uint64_t seed = 1; seed <= RIGS; seed++) {
        int drop = hot_core_costs_steps(seed);

        assert_in_range(drop, 0, 8);
        mean += (double)drop / RIGS;
    }
    assert_between(mean, 1.0, 5.0);
}

/* In time: the fault waits for the temperature. */
static void test_hot_core_shows_as_it_warms(void **state)
{
    struct hf_rig_config config = rig_default(8, 8, 11);
    struct hf_rig *rig;
    struct hf_rig_fault fault;
    double cold, warm;
    int group;

    (void)state;
    config.frailty_mhz = config.drift_mhz = 0;
    config.hot_cores = 1;
    rig = rig_make(&config);
    group = group_of_hot(rig);
    load_all(rig, 8, &steady, 1);
    cold = hf_rig_present_rate_per_hour(rig, group);
    (void)hf_rig_advance(rig, 900, &fault); /* at step 0: no fault */
    assert_int_equal(fault.kind, HF_DAMAGE_NONE);
    warm = hf_rig_present_rate_per_hour(rig, group);
    assert_true(warm > 1.5 * cold);
    hf_rig_free(rig);
}

/* --- flat defects --- */

static void test_flat_defect_hardly_depends_on_ratio(void **state)
{
    struct hf_rig_config config = rig_default(4, 4, 3);
    struct hf_rig *rig;
    int count, flat = 0;
    const struct hf_load_slice *night = hf_rig_night_mix(&count);

    (void)state;
    config.flat_cores = 3;
    rig = rig_make(&config);
    for (int c = 0; c < 16; c++) {
        double low, high;

        if (rig->core[c].flat_per_s == 0.0)
            continue;
        flat++;
        /* far below the edge the defect is all there is, and eight steps change it by a factor exp(0.8) a
         * core */
        low = hf_rig_true_rate_per_hour(rig, c / 4, 0, night, count);
        high = hf_rig_true_rate_per_hour(rig, c / 4, 4, night, count);
        assert_between(high / low, exp(0.4) * 0.95, exp(0.4) * 1.3);
        assert_true(low > 1e-5);
    }
    assert_int_equal(flat, 3);
    hf_rig_free(rig);
}

/* Only under the class with the defect, and the faults are mostly wrong results. */
static void test_flat_defect_needs_its_class(void **state)
{
    struct hf_rig_config config = rig_default(1, 1, 3);
    struct hf_load_slice load = {{HF_LOAD_MEMORY, 1.0, 0.0, 0}, 1.0};
    struct hf_rig *rig;
    struct hf_rig_fault fault;
    int wrong = 0;

    (void)state;
    config.flat_cores = 1;
    rig = rig_make(&config);
    assert_between(hf_rig_true_rate_per_hour(rig, 0, 0, &load, 1), 0, 1e-6);
    load.load.load_class = rig->core[0].flat_class;
    assert_true(hf_rig_true_rate_per_hour(rig, 0, 0, &load, 1) > 1e-3);
    rig_load(rig, 0, &load, 1);
    for (int n = 0; n < 400; n++) {
        do {
            (void)hf_rig_advance(rig, 1e5, &fault);
        } while (fault.kind == HF_DAMAGE_NONE);
        wrong += fault.kind == HF_DAMAGE_WRONG_RESULT;
    }
    assert_in_range(wrong, 140, 270);
    hf_rig_free(rig);
}

/* --- stretching --- */

static void test_stretching(void **state)
{
    struct hf_rig_config plain = rig_default(2, 4, 3), odd = plain;
    struct hf_rig *sound, *rig;
    double before = 0.0;
    int stretched = 0;

    (void)state;
    plain.frailty_mhz = plain.drift_mhz = odd.frailty_mhz = odd.drift_mhz = 0;
    odd.stretching = 1;
    sound = rig_make(&plain);
    rig = rig_make(&odd);
    load_all(sound, 2, &steady, 1);
    load_all(rig, 2, &steady, 1);
    for (int step = 0; step < 32; step++) {
        double asked = plain.lowest_mhz + 25 * step, got;

        hf_rig_set_step(sound, 0, step);
        hf_rig_set_step(rig, 0, step);
        got = hf_rig_group_mhz(rig, 0);
        assert_between(hf_rig_group_mhz(sound, 0), asked, asked);
        assert_between(got, asked - 80 - 1e-9, asked);
        assert_true(got >= before); /* a higher ratio never gives a lower clock */
        (void)hf_rig_present_rate_per_hour(rig, 0);
        assert_between(hf_rig_group_mhz(rig, 0), got, got); /* prepared or not: the same */
        before = got;
        if (got < asked - 12.5) {
            stretched++;
            assert_true(hf_rig_present_rate_per_hour(rig, 0) < hf_rig_present_rate_per_hour(sound, 0) ||
                        hf_rig_present_rate_per_hour(rig, 0) > 3600);
        }
    }
    assert_true(stretched >= 3);
    hf_rig_set_step(rig, 0, 0);
    assert_between(hf_rig_group_mhz(rig, 0), plain.lowest_mhz,
                   plain.lowest_mhz); /* far below: no stretching */
    hf_rig_free(sound);
    hf_rig_free(rig);
}

/* --- lost settings --- */

static void test_settings_are_lost(void **state)
{
    struct hf_rig_config config = rig_default(2, 2, 3);
    struct hf_rig *rig;
    struct hf_rig_fault fault;
    double moved;

    (void)state;
    config.setting_lost_share = 1.0;
    rig = rig_make(&config);
    hf_rig_set_step(rig, 0, 5);
    assert_between(hf_rig_advance(rig, 600, &fault), 600, 600); /* before the first reset nothing is lost */
    assert_int_equal(hf_rig_step(rig, 0), 5);
    hf_rig_boot(rig, 1);
    hf_rig_set_step(rig, 0, 5);
    assert_int_equal(hf_rig_step(rig, 0), 5);
    moved = hf_rig_advance(rig, 600, &fault);
    assert_between(moved, 30 - 1e-6, 30 + 1e-6);
    assert_int_equal(fault.kind, HF_DAMAGE_NONE);
    assert_int_equal(hf_rig_step(rig, 0), 0);
    hf_rig_set_step(rig, 0, 5); /* set again, it stays */
    assert_between(hf_rig_advance(rig, 600, &fault), 600, 600);
    assert_int_equal(hf_rig_step(rig, 0), 5);
    hf_rig_free(rig);
}

static void test_settings_lost_share(void **state)
{
    enum {
        BOOTS = 20000
    };
    struct hf_rig_config config = rig_default(1, 1, 3);
    struct hf_rig *rig;
    int lost = 0;

    (void)state;
    config.setting_lost_share = HF_RIG_SETTING_LOST_SHARE;
    rig = rig_make(&config);
    for (uint64_t boot = 1; boot <= BOOTS; boot++) {
        hf_rig_boot(rig, boot);
        lost += rig->group[0].loses_setting;
    }
    assert_in_range(lost, 400 - 80, 400 + 80); /* 4 sigma: 79 */
    hf_rig_free(rig);
}

/* A simple rig has none of it. */
static void test_simple_is_plain(void **state)
{
    struct hf_rig_config config = rig_default(2, 2, 3);
    struct hf_rig *rig;
    struct hf_rig_fault fault;
    double rate;

    (void)state;
    config.simple = 1;
    config.hot_cores = 2;
    config.stretching = 1;
    rig = rig_make(&config);
    rig_load(rig, 0, &steady, 1);
    rate = hf_rig_present_rate_per_hour(rig, 0);
    load_all(rig, 2, &steady, 1);
    hf_rig_begin_run(rig, 0);
    (void)hf_rig_advance(rig, 4000, &fault);
    assert_between(hf_rig_present_rate_per_hour(rig, 0), rate, rate);
    assert_between(hf_rig_true_rate_per_hour(rig, 0, 0, &steady, 1), rate * (1 - 1e-12), rate * (1 + 1e-12));
    hf_rig_set_step(rig, 0, 31);
    assert_between(hf_rig_group_mhz(rig, 0), 4225, 4225);
    hf_rig_free(rig);
}

/* One core, one kind of work, so many MHz early; nothing else of the chip changes. */
static void test_weak_unit_is_one_unit(void **state)
{
    (void)state;
    for (uint64_t seed = 1; seed <= 20; seed++) {
        struct hf_rig_config config = rig_default(4, 4, seed);
        struct hf_rig *sound = rig_make(&config), *weak;
        int found = 0;

        config.weak_units = 1;
        weak = rig_make(&config);
        for (int core = 0; core < 16; core++) {
            for (int k = 0; k < HF_LOAD_COUNT; k++) {
                double lost = sound->core[core].class_mhz[k] - weak->core[core].class_mhz[k];

                assert_true(lost == 0 || fabs(lost - HF_RIG_WEAK_UNIT_MHZ) < 1e-9);
                found += lost != 0;
            }
        }
        assert_int_equal(found, 1);
        hf_rig_free(sound);
        hf_rig_free(weak);
    }
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(test_drift_is_bounded),
        cmocka_unit_test(test_drift_rate),
        cmocka_unit_test(test_hot_cores_fail_only_when_hot),
        cmocka_unit_test(test_hot_core_shows_as_it_warms),
        cmocka_unit_test(test_flat_defect_hardly_depends_on_ratio),
        cmocka_unit_test(test_flat_defect_needs_its_class),
        cmocka_unit_test(test_stretching),
        cmocka_unit_test(test_weak_unit_is_one_unit),
        cmocka_unit_test(test_settings_are_lost),
        cmocka_unit_test(test_settings_lost_share),
        cmocka_unit_test(test_simple_is_plain),
    };

    return cmocka_run_group_tests(tests, NULL, NULL);
}
