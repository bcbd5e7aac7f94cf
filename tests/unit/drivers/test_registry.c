/* The registry, the gate on wanted steps, and the way back to baseline with drivers that misbehave. */
#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>
#include <stdint.h>
#include <stdio.h>
#include <string.h>

#include <cmocka.h>

#include "drivers/drivers.h"

#define GROUPS 3

static const int16_t cpus[GROUPS][2] = {{0, 1}, {2, 3}, {4, 5}};
static const struct hf_driver_group groups[GROUPS] = {
    {"A", cpus[0], 2, 2, 9, 0}, {"B", cpus[1], 2, 3, 9, 0}, {"C", cpus[2], 2, 2, 5, 0}};
static const struct hf_driver_config config = {.group_count = GROUPS,
                                               .groups = groups,
                                               .base_clock_mhz = 100,
                                               .ratio_lowest = 36,
                                               .ratio_step = 0.25,
                                               .step_count = 10};

static void test_names(void **state)
{
    (void)state;
    assert_int_equal(hf_driver_count(), 4);
    for (int i = 0; i < hf_driver_count(); i++) {
        const struct hf_driver_ops *ops = hf_driver_at(i);

        assert_ptr_equal(hf_driver_find(ops->name), ops);
        assert_true(strlen(ops->sentence) > 20);
        assert_non_null(ops->open);
        assert_non_null(ops->close);
        assert_non_null(ops->cost);
        assert_non_null(ops->apply);
        assert_non_null(ops->read_back);
        /* the simulated machine is whole, or not there at all */
        assert_int_equal(ops->is_simulated, ops->poll != NULL);
        assert_int_equal(ops->is_simulated, ops->reset != NULL);
        assert_int_equal(ops->is_simulated, ops->load != NULL);
        assert_int_equal(ops->is_simulated, ops->begin_run != NULL);
        assert_int_equal(ops->is_simulated, ops->boot_count != NULL);
        assert_int_equal(ops->is_simulated, ops->group_celsius != NULL);
        assert_int_equal(ops->is_simulated, ops->group_mhz != NULL);
    }
    assert_true(hf_driver_find("rig")->is_simulated);
    assert_false(hf_driver_find("sheet")->is_simulated);
    assert_null(hf_driver_find("Rig"));
    assert_null(hf_driver_find(""));
    assert_ptr_equal(hf_driver_rig_set_by(""), hf_driver_find("rig"));
    assert_true(hf_driver_rig_set_by("command")->is_simulated && hf_driver_rig_set_by("sheet")->is_simulated);
    assert_null(hf_driver_rig_set_by("rig"));
}

static void test_gate(void **state)
{
    int16_t wanted[GROUPS] = {-1, 9, 5};
    struct hf_error error = {0};

    (void)state;
    assert_int_equal(hf_driver_check_wanted(&config, wanted, &error), HF_OK);
    wanted[2] = 6;
    assert_int_equal(hf_driver_check_wanted(&config, wanted, &error), HF_E_REFUSED);
    assert_string_equal(error.message,
                        "group C: ratio 37.50 is above its highest, 37.25; nothing was changed");
    hf_error_clear(&error);
    wanted[2] = -2;
    assert_int_equal(hf_driver_check_wanted(&config, wanted, &error), HF_E_RANGE);
}

/* The drivers that need nothing of a machine; the others' own tests have the same. */
static void test_every_driver_has_the_gate(void **state)
{
    static const struct hf_driver_ops *const alone[] = {&hf_driver_rig, &hf_driver_sheet};

    (void)state;
    for (size_t i = 0; i < sizeof alone / sizeof alone[0]; i++) {
        const struct hf_driver_ops *ops = alone[i];
        int16_t wanted[GROUPS] = {9, 9, 6};
        struct hf_rig_config rig = {.group_count = GROUPS, .cores_per_group = 2};
        struct hf_driver_config with_rig = config;
        enum hf_apply_result result = HF_APPLY_DONE;
        struct hf_error error = {0};
        struct hf_text page;
        void *opened = NULL;
        int before = -9;
        int after = -8;

        hf_rig_config_default(&rig);
        rig.group_count = GROUPS;
        rig.cores_per_group = 2;
        with_rig.rig = &rig;
        hf_text_init(&page, 65536);
        assert_int_equal(ops->open(&with_rig, &opened, &error), HF_OK);
        assert_int_equal(ops->read_back(opened, 0, &before, &error), HF_OK);
        assert_int_equal(ops->apply(opened, wanted, &result, &page, &error), HF_E_REFUSED);
        hf_error_clear(&error);
        assert_int_equal(ops->read_back(opened, 0, &after, &error), HF_OK);
        assert_int_equal(before, after); /* group A was allowed to rise, but all or nothing */
        assert_int_equal(page.size, 0);
        ops->close(opened);
        hf_text_release(&page);
    }
}

static void test_bad_configurations(void **state)
{
    static const struct hf_driver_group odd[][1] = {
        {{"A", cpus[0], 2, -1, 5, 0}}, {{"A", cpus[0], 2, 6, 5, 0}}, {{"A", cpus[0], 2, 2, 10, 0}}};

    (void)state;
    for (size_t i = 0; i < sizeof odd / sizeof odd[0]; i++) {
        struct hf_driver_config bad = config;
        struct hf_error error = {0};
        void *opened = NULL;

        bad.group_count = 1;
        bad.groups = odd[i];
        assert_int_equal(hf_driver_sheet.open(&bad, &opened, &error), HF_E_RANGE);
        assert_non_null(strstr(error.message, "group A"));
        assert_null(opened);
        hf_error_clear(&error);
        assert_int_equal(hf_driver_rig.open(&bad, &opened, &error), HF_E_RANGE);
        assert_null(opened);
    }
}

/* --- a driver whose faults are scripted --------------------------------------------------------------- */

struct scripted {
    int step[GROUPS];
    int refuses;  /* this group makes any apply that names it fail */
    int ignores;  /* this group says done and does nothing */
    int silent;   /* this group cannot be read back */
    int requests; /* everything needs a person */
    int applies;
};

static int scripted_apply(void *opaque, const int16_t *wanted, enum hf_apply_result *ret_result,
                          struct hf_text *request, struct hf_error *error)
{
    struct scripted *s = opaque;

    (void)request;
    s->applies++;
    if (s->refuses >= 0 && wanted[s->refuses] >= 0)
        return hf_fail(error, HF_E_PERMISSION, "group %d is stuck", s->refuses);
    for (int i = 0; i < GROUPS; i++) {
        if (wanted[i] >= 0 && i != s->ignores && !s->requests)
            s->step[i] = wanted[i];
    }
    *ret_result = s->requests ? HF_APPLY_REQUESTED : HF_APPLY_DONE;
    return HF_OK;
}

static int scripted_read_back(void *opaque, int group, int *ret_step, struct hf_error *error)
{
    struct scripted *s = opaque;

    if (group == s->silent)
        return hf_fail(error, HF_E_IO, "group %d does not answer", group);
    *ret_step = s->requests ? -1 : s->step[group];
    return HF_OK;
}

static const struct hf_driver_ops scripted_ops = {
    .name = "scripted", .apply = scripted_apply, .read_back = scripted_read_back};

static struct scripted scripted_new(void)
{
    return (struct scripted){.step = {7, 8, 5}, .refuses = -1, .ignores = -1, .silent = -1};
}

static void test_to_baseline(void **state)
{
    struct scripted s = scripted_new();
    struct hf_error error = {0};

    (void)state;
    assert_int_equal(hf_driver_to_baseline(&scripted_ops, &s, &config, &error), HF_OK);
    assert_int_equal(s.step[0], 2);
    assert_int_equal(s.step[1], 3);
    assert_int_equal(s.step[2], 2);
    assert_int_equal(s.applies, 1);
}

static void test_one_stuck_group_does_not_keep_the_others_up(void **state)
{
    struct scripted s = scripted_new();
    struct hf_error error = {0};

    (void)state;
    s.refuses = 1;
    assert_int_equal(hf_driver_to_baseline(&scripted_ops, &s, &config, &error), HF_E_MISMATCH);
    assert_string_equal(error.message,
                        "the return to baseline cannot be confirmed for B (ratio 36.75): group 1 is stuck");
    assert_int_equal(s.step[0], 2);
    assert_int_equal(s.step[1], 8);
    assert_int_equal(s.step[2], 2);
}

static void test_liars_are_named(void **state)
{
    struct scripted s = scripted_new();
    struct hf_error error = {0};

    (void)state;
    s.ignores = 0;
    s.silent = 2;
    assert_int_equal(hf_driver_to_baseline(&scripted_ops, &s, &config, &error), HF_E_MISMATCH);
    assert_string_equal(error.message,
                        "the return to baseline cannot be confirmed for A (ratio 36.50), C (ratio 36.50)");
    hf_error_clear(&error);
    s = scripted_new();
    s.requests = 1;
    assert_int_equal(hf_driver_to_baseline(&scripted_ops, &s, &config, &error), HF_E_UNPROVED);
    assert_non_null(strstr(error.message, "A (ratio 36.50), B (ratio 36.75), C (ratio 36.50)"));
    assert_non_null(strstr(error.message, "firmware setup"));
}

static void test_refusal_without_effect_is_fine(void **state)
{
    struct scripted s = scripted_new();
    struct hf_error error = {0};

    (void)state;
    s.refuses = 1;
    s.step[1] = 3; /* stuck, but at its baseline */
    assert_int_equal(hf_driver_to_baseline(&scripted_ops, &s, &config, &error), HF_OK);
    assert_int_equal(error.code, HF_OK);
}

static void test_ratio_texts(void **state)
{
    char text[HF_RATIO_TEXT];

    (void)state;
    hf_driver_ratio_format(41.25, text);
    assert_string_equal(text, "41.25");
    hf_driver_ratio_format(41, text);
    assert_string_equal(text, "41.00");
    hf_driver_ratio_format(41.125, text);
    assert_string_equal(text, "41.1250");
    hf_driver_ratio_format(36 + 33 * 0.1, text);
    assert_string_equal(text, "39.30");
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(test_names),
        cmocka_unit_test(test_gate),
        cmocka_unit_test(test_every_driver_has_the_gate),
        cmocka_unit_test(test_bad_configurations),
        cmocka_unit_test(test_to_baseline),
        cmocka_unit_test(test_one_stuck_group_does_not_keep_the_others_up),
        cmocka_unit_test(test_liars_are_named),
        cmocka_unit_test(test_refusal_without_effect_is_fine),
        cmocka_unit_test(test_ratio_texts),
    };

    return cmocka_run_group_tests(tests, NULL, NULL);
}
