/* Nights in virtual time: the same to the byte, they end, and their score is what the rig says. */
#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>
#include <stdint.h>

#include <cmocka.h>

#include <math.h>
#include <stdio.h>
#include <string.h>

#include "holdfast/driver.h"
#include "holdfast/plan_config.h"
#include "holdfast/rehearse.h"

#define NIGHTS_MAX 64

/* What the callbacks gather. */
struct notes {
    uint64_t hash; /* over every byte of every event: FNV-1a (Fowler, Noll, Vo) */
    uint64_t events;
    int nights;
    struct hf_rehearse_night night[NIGHTS_MAX];
    int resets, named_resets, voids[HF_CAUSE_COUNT], fails[HF_CAUSE_COUNT];
    int begun_of_group[8];
    double last_exposure_s;
    int odd_exposures; /* journalled exposures that are no multiple of 5 s */
    int time_went_back;
    double time_s;
    int night_of_time;
};

static void take_event(void *context, int night, const struct hf_event *event)
{
    struct notes *notes = context;
    const unsigned char *bytes = (const unsigned char *)event;

    for (size_t i = 0; i < sizeof *event; i++)
        notes->hash = (notes->hash ^ bytes[i]) * UINT64_C(0x100000001b3);
    notes->events++;
    if (night != notes->night_of_time)
        notes->time_s = 0.0;
    notes->night_of_time = night;
    notes->time_went_back += event->time_s < notes->time_s;
    notes->time_s = event->time_s;
    if (event->type == HF_EVENT_RESET) {
        notes->resets++;
        notes->named_resets += event->group != HF_GROUP_NONE;
        assert_true((event->cpu >= 0) == (event->group != HF_GROUP_NONE));
    }
    if (event->type == HF_EVENT_VERDICT && event->verdict == HF_VERDICT_FAIL)
        notes->fails[event->cause]++;
    if (event->type == HF_EVENT_VERDICT && event->verdict == HF_VERDICT_VOID)
        notes->voids[event->cause]++;
    if (event->type == HF_EVENT_EXPOSURE)
        notes->odd_exposures += fmod(event->exposure_s, 5.0) != 0.0;
    if (event->type == HF_EVENT_TRIAL_BEGIN && event->group >= 0 && event->group < 8)
        notes->begun_of_group[event->group]++;
}

static void take_night(void *context, const struct hf_rehearse_night *night)
{
    struct notes *notes = context;

    assert_true(notes->nights < NIGHTS_MAX);
    notes->night[notes->nights++] = *night;
}

static struct hf_rig_config rig_of(int groups, int cores, int simple)
{
    struct hf_rig_config config = {.group_count = groups, .cores_per_group = cores};

    hf_rig_config_default(&config);
    config.simple = simple;
    return config;
}

static struct hf_rehearse_options options_of(const struct hf_rig_config *rig, enum hf_plan_method method,
                                             int rigs, struct notes *notes)
{
    memset(notes, 0, sizeof *notes);
    notes->hash = UINT64_C(0xcbf29ce484222325);
    return (struct hf_rehearse_options){
        .rigs = rigs,
        .seed = 40,
        .method = method,
        .rig = rig,
        .context = notes,
        .progress = take_night,
        .trace = take_event,
    };
}

static struct hf_rehearse_result rehearse(const struct hf_rehearse_options *options)
{
    struct hf_error error = {0};
    struct hf_rehearse_result result;

    if (hf_rehearse(options, &result, &error) != HF_OK)
        fail_msg("hf_rehearse: %s (%s:%d)", error.message, error.file, error.line);
    return result;
}

static void test_same_seed_same_events(void **state)
{
    struct hf_rig_config rig = rig_of(4, 2, 0);
    static struct notes first, again, other;

    (void)state;
    rig.hot_cores = rig.flat_cores = 1;
    rig.setting_lost_share = 0.2;
    for (int method = 0; method < HF_METHOD_COUNT; method++) {
        struct hf_rehearse_options options = options_of(&rig, (enum hf_plan_method)method, 2, &first);

        options.hours_max = 60;
        (void)rehearse(&options);
        options = options_of(&rig, (enum hf_plan_method)method, 2, &again);
        options.hours_max = 60;
        options.clock = &hf_clock_real; /* timing the decisions changes nothing */
        (void)rehearse(&options);
        options = options_of(&rig, (enum hf_plan_method)method, 2, &other);
        options.hours_max = 60;
        options.seed = 41;
        (void)rehearse(&options);
        assert_true(first.events > 50);
        assert_int_equal(first.events, again.events);
        assert_true(first.hash == again.hash);
        assert_true(first.hash != other.hash);
        assert_memory_equal(first.night, again.night, 2 * sizeof first.night[0]);
        assert_int_equal(first.time_went_back, 0);
        assert_int_equal(first.odd_exposures, 0);
    }
}

/* The night number n of a rehearsal is the first night of one that starts at seed + n. */
static void test_each_night_has_its_own_seed(void **state)
{
    struct hf_rig_config rig = rig_of(2, 2, 1);
    static struct notes three, third;
    struct hf_rehearse_options options = options_of(&rig, HF_METHOD_BISECT, 3, &three);

    (void)state;
    (void)rehearse(&options);
    options = options_of(&rig, HF_METHOD_BISECT, 1, &third);
    options.seed = 42;
    (void)rehearse(&options);
    assert_int_equal(three.night[2].seed, 42);
    assert_true(three.night[2].hours == third.night[0].hours);
    assert_int_equal(three.night[2].events, third.night[0].events);
    assert_memory_equal(three.night[2].chosen_step, third.night[0].chosen_step,
                        sizeof third.night[0].chosen_step);
}

static void simple_nights_finish(enum hf_plan_method method, int nights)
{
    struct hf_rig_config rig = rig_of(4, 4, 1);
    static struct notes notes;
    struct hf_rehearse_options options = options_of(&rig, method, nights, &notes);
    struct hf_rehearse_result result = rehearse(&options);

    assert_int_equal(notes.nights, nights);
    assert_int_equal(result.undecided, 0);
    assert_true(result.hours_median >= 6.0 && result.hours_median < 400.0);
    assert_true(result.hours_p90 >= result.hours_median);
    assert_true(result.soak_hours == 6.0);
    assert_true(isnan(result.decision_ms_p99)); /* no clock was given */
    for (int i = 0; i < nights; i++) {
        const struct hf_rehearse_night *night = &notes.night[i];

        assert_int_equal(night->outcome, HF_NIGHT_FINISHED);
        assert_true(night->hours - night->search_hours >= 6.0 - 1e-6);
        assert_int_equal(night->certificates, 5);
        assert_int_equal(night->groups, 4);
        for (int g = 0; g < 4; g++)
            assert_in_range(night->chosen_step[g], 2, 31);
    }
}

static void test_simple_nights_finish(void **state)
{
    (void)state;
    simple_nights_finish(HF_METHOD_STEP_UP, 10);
    simple_nights_finish(HF_METHOD_BISECT, 10);
    simple_nights_finish(HF_METHOD_BELIEF, 4);
}

/* The score, made again from the rig itself. */
static void test_score_is_the_rigs_truth(void **state)
{
    struct hf_rig_config config = rig_of(4, 4, 0);
    static struct notes notes;
    struct hf_rehearse_options options = options_of(&config, HF_METHOD_BISECT, 12, &notes);
    struct hf_rehearse_result result = rehearse(&options);
    int count, above = 0, certified = 0;
    const struct hf_load_slice *night_mix = hf_rig_night_mix(&count);
    double left = 0.0;

    (void)state;
    for (int i = 0; i < 12; i++) {
        const struct hf_rehearse_night *night = &notes.night[i];
        struct hf_error error = {0};
        struct hf_rig *rig;

        config.seed = night->seed;
        assert_int_equal(hf_rig_new(&config, &rig, &error), HF_OK);
        for (int g = 0; g < 4; g++)
            hf_rig_set_step(rig, g, night->true_limit[g]);
        for (int g = 0; g < 4; g++) { /* a fixed point: each at its limit with the others at theirs */
            int limit = night->true_limit[g];

            assert_true(hf_rig_true_rate_per_hour(rig, g, limit, night_mix, count) <= 1.0 / 168);
            assert_true(limit == 31 ||
                        hf_rig_true_rate_per_hour(rig, g, limit + 1, night_mix, count) > 1.0 / 168);
            above += night->chosen_step[g] > limit;
            left += limit - night->chosen_step[g];
            certified++;
        }
        hf_rig_free(rig);
    }
    assert_int_equal(certified, 48);
    assert_true(fabs(result.above_limit_rate - above / 48.0) < 1e-12);
    assert_true(fabs(result.steps_left_mean - left / 48.0) < 1e-9);
}

/* A weak soak lets false certificates through, and the score must see them; a strong one hardly any. */
static void test_false_claims_are_seen(void **state)
{
    struct hf_rig_config rig = rig_of(4, 2, 1);
    struct hf_plan_config plan;
    static struct notes notes;
    struct hf_rehearse_options options = options_of(&rig, HF_METHOD_BISECT, 40, &notes);
    struct hf_rehearse_result weak, strong;

    (void)state;
    hf_rehearse_plan_default(&rig, &plan);
    options.plan = &plan;
    plan.confidence = 0.5;
    plan.soak_s = 300;
    weak = rehearse(&options);
    notes.nights = 0;
    plan.confidence = 0.99;
    strong = rehearse(&options);
    assert_true(weak.false_claim_rate > 0.01);
    assert_true(strong.false_claim_rate < weak.false_claim_rate);
    assert_true(strong.false_claim_rate < 0.03);
}

static void test_resets(void **state)
{
    struct hf_rig_config rig = rig_of(4, 4, 1);
    static struct notes notes;
    struct hf_rehearse_options options = options_of(&rig, HF_METHOD_BISECT, 40, &notes);
    struct hf_rehearse_result result = rehearse(&options);
    int resets = 0;

    (void)state;
    for (int i = 0; i < notes.nights; i++)
        resets += notes.night[i].resets;
    assert_int_equal(resets, notes.resets);
    assert_true(fabs(result.resets_mean - resets / 40.0) < 1e-12);
    assert_true(resets > 60);
    /* 30 % of them name a CPU: within 4 sigma */
    assert_true(fabs(notes.named_resets - 0.3 * resets) < 4 * sqrt(0.3 * 0.7 * resets));
    assert_true(notes.fails[HF_CAUSE_MACHINE_RESET] > 0);
    assert_true(notes.fails[HF_CAUSE_WRONG_RESULT] > notes.fails[HF_CAUSE_STALL]);
    assert_true(notes.fails[HF_CAUSE_HARDWARE_ERROR] > 0 && notes.fails[HF_CAUSE_WORKER_DIED] > 0);

    options = options_of(&rig, HF_METHOD_BISECT, 5, &notes);
    options.named_reset_share = -1;
    (void)rehearse(&options);
    assert_int_equal(notes.named_resets, 0);
    assert_int_equal(notes.voids[HF_CAUSE_MACHINE_RESET], 0);
    options = options_of(&rig, HF_METHOD_BISECT, 5, &notes);
    options.named_reset_share = 1;
    (void)rehearse(&options);
    assert_true(notes.resets > 0);
    assert_int_equal(notes.named_resets, notes.resets);
}

/* A reset costs its time: with a costly one, the same number of resets makes a longer night. */
static void test_reset_costs_time(void **state)
{
    struct hf_rig_config rig = rig_of(2, 2, 1);
    struct hf_plan_config plan;
    static struct notes notes;
    struct hf_rehearse_options options = options_of(&rig, HF_METHOD_STEP_UP, 20, &notes);

    (void)state;
    hf_rehearse_plan_default(&rig, &plan);
    options.plan = &plan;
    plan.reset_cost_s = 3600;
    (void)rehearse(&options);
    for (int i = 0; i < 20; i++) {
        if (notes.night[i].outcome == HF_NIGHT_FINISHED)
            assert_true(notes.night[i].search_hours >= notes.night[i].resets);
    }
    assert_true(notes.resets > 0);
}

static void test_safety_net(void **state)
{
    struct hf_rig_config rig = rig_of(4, 2, 0);
    static struct notes notes;
    struct hf_rehearse_options options = options_of(&rig, HF_METHOD_STEP_UP, 3, &notes);
    struct hf_rehearse_result result;

    (void)state;
    options.events_max = 60;
    result = rehearse(&options);
    assert_int_equal(result.undecided, 3);
    assert_true(result.hours_median == 400.0); /* no certificate: not a quick night */
    assert_true(isnan(result.above_limit_rate) && isnan(result.false_claim_rate));
    for (int i = 0; i < 3; i++) {
        assert_int_equal(notes.night[i].outcome, HF_NIGHT_UNDECIDED);
        assert_true(notes.night[i].events <= 60 + 20);
        assert_int_equal(notes.night[i].chosen_step[0], -1);
    }
    options = options_of(&rig, HF_METHOD_STEP_UP, 2, &notes);
    options.hours_max = 3;
    result = rehearse(&options);
    assert_int_equal(result.undecided, 2);
    assert_true(result.hours_p90 == 3.0);
}

static void test_unstable_baseline_stops(void **state)
{
    struct hf_rig_config rig = rig_of(4, 2, 1);
    struct hf_plan_config plan;
    static struct notes notes;
    struct hf_rehearse_options options = options_of(&rig, HF_METHOD_BISECT, 4, &notes);
    struct hf_rehearse_result result;

    (void)state;
    hf_rehearse_plan_default(&rig, &plan);
    for (int g = 0; g < 4; g++)
        plan.group[g].baseline_step = 30;
    options.plan = &plan;
    result = rehearse(&options);
    assert_int_equal(result.undecided, 4);
    for (int i = 0; i < 4; i++) {
        assert_int_equal(notes.night[i].outcome, HF_NIGHT_STOPPED);
        assert_non_null(strstr(notes.night[i].reason, "baseline"));
    }
}

static void test_left_out_groups_rest(void **state)
{
    struct hf_rig_config rig = rig_of(4, 2, 1);
    struct hf_plan_config plan;
    static struct notes notes;
    struct hf_rehearse_options options = options_of(&rig, HF_METHOD_BISECT, 3, &notes);

    (void)state;
    hf_rehearse_plan_default(&rig, &plan);
    plan.group[1].left_out = 1;
    options.plan = &plan;
    (void)rehearse(&options);
    assert_int_equal(notes.begun_of_group[1], 0);
    assert_true(notes.begun_of_group[0] > 0 && notes.begun_of_group[2] > 0);
    for (int i = 0; i < 3; i++) {
        assert_int_equal(notes.night[i].outcome, HF_NIGHT_FINISHED);
        assert_int_equal(notes.night[i].groups, 3);
        assert_int_equal(notes.night[i].chosen_step[1], -1);
    }
}

static void test_oddities_become_voids(void **state)
{
    struct hf_rig_config rig = rig_of(4, 2, 0);
    static struct notes notes;
    struct hf_rehearse_options options = options_of(&rig, HF_METHOD_BISECT, 8, &notes);

    (void)state;
    options.hours_max = 60;
    rig.setting_lost_share = 1.0;
    (void)rehearse(&options);
    assert_true(notes.resets > 0);
    assert_true(notes.voids[HF_CAUSE_SETTING_LOST] > 0);
    assert_int_equal(notes.voids[HF_CAUSE_CLOCK_SHORTFALL], 0);
    rig = rig_of(4, 2, 0);
    rig.stretching = 1;
    options = options_of(&rig, HF_METHOD_BISECT, 8, &notes);
    options.hours_max = 60;
    (void)rehearse(&options);
    assert_true(notes.voids[HF_CAUSE_CLOCK_SHORTFALL] > 0);
    assert_int_equal(notes.voids[HF_CAUSE_SETTING_LOST], 0);
}

static void test_bad_options_are_refused(void **state)
{
    struct hf_rig_config rig = rig_of(2, 2, 0);
    static struct notes notes;
    struct hf_rehearse_options options = options_of(&rig, HF_METHOD_BISECT, 1, &notes);
    struct hf_plan_config plan;
    struct hf_rehearse_result result = {.rigs = 77};
    struct hf_error error = {0};

    (void)state;
    options.rigs = -1;
    assert_int_equal(hf_rehearse(&options, &result, &error), HF_E_RANGE);
    options.rigs = 1;
    options.groups = 65;
    hf_error_clear(&error);
    assert_int_equal(hf_rehearse(&options, &result, &error), HF_E_RANGE);
    options.groups = 0;
    hf_rehearse_plan_default(&rig, &plan);
    plan.step_mhz = 50; /* not the rig's grid */
    options.plan = &plan;
    hf_error_clear(&error);
    assert_int_equal(hf_rehearse(&options, &result, &error), HF_E_RANGE);
    options.plan = NULL;
    rig.slope_nats = -1;
    hf_error_clear(&error);
    assert_int_equal(hf_rehearse(&options, &result, &error), HF_E_RANGE);
    assert_int_equal(result.rigs, 77); /* untouched on failure */
}

/* The plan's costs, known from the profile alone, are the drivers' own and a second to begin a trial. */
static void test_costs_are_the_drivers(void **state)
{
    static struct hf_profile profile;

    (void)state;
    assert_true(hf_driver_count() >= 4);
    for (int i = 0; i < hf_driver_count(); i++) {
        const struct hf_driver_ops *driver = hf_driver_at(i);
        struct hf_driver_cost cost;
        struct hf_plan_costs costs;

        (void)snprintf(profile.driver, sizeof profile.driver, "%s", driver->name);
        profile.rig.clock_factor = 60.0;
        driver->cost(NULL, &cost);
        hf_plan_costs_of_profile(&profile, &costs);
        print_message("%s: %g s a change, %s\n", driver->name, costs.apply_s,
                      costs.needs_person ? "a person" : "by itself");
        assert_true(fabs(costs.apply_s - (1.0 + cost.apply_s)) < 1e-12);
        assert_int_equal(costs.needs_person, cost.needs_person);
        assert_true(fabs(costs.check_period_s - (driver->is_simulated ? 3.0 : 0.05)) < 1e-12);
    }
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(test_same_seed_same_events),   cmocka_unit_test(test_each_night_has_its_own_seed),
        cmocka_unit_test(test_simple_nights_finish),    cmocka_unit_test(test_score_is_the_rigs_truth),
        cmocka_unit_test(test_false_claims_are_seen),   cmocka_unit_test(test_resets),
        cmocka_unit_test(test_reset_costs_time),        cmocka_unit_test(test_safety_net),
        cmocka_unit_test(test_unstable_baseline_stops), cmocka_unit_test(test_left_out_groups_rest),
        cmocka_unit_test(test_oddities_become_voids),   cmocka_unit_test(test_bad_options_are_refused),
        cmocka_unit_test(test_costs_are_the_drivers),
    };

    return cmocka_run_group_tests(tests, NULL, NULL);
}
