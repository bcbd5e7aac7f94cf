/* Conditions of a certificate beside those of now: every change is named, and counts for what it is. */
#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>
#include <stdint.h>

#include <cmocka.h>

#include <math.h>
#include <stdio.h>
#include <string.h>

#include "cli/conditions.c" /* of the command line: there is no library to link */

static struct hf_machine_facts facts_of_heron(void)
{
    struct hf_machine_facts facts = {.cpu_family = 25,
                                     .cpu_model_number = 33,
                                     .cpu_stepping = 2,
                                     .memory_bytes = 68719476736,
                                     .virtual_machine = 0};

    (void)snprintf(facts.cpu_vendor, sizeof facts.cpu_vendor, "vendor");
    (void)snprintf(facts.cpu_model, sizeof facts.cpu_model, "model of heron");
    (void)snprintf(facts.microcode, sizeof facts.microcode, "0xa201");
    (void)snprintf(facts.kernel, sizeof facts.kernel, "6.1.0");
    (void)snprintf(facts.smt, sizeof facts.smt, "off");
    (void)snprintf(facts.governor, sizeof facts.governor, "performance");
    (void)snprintf(facts.firmware_vendor, sizeof facts.firmware_vendor, "board");
    (void)snprintf(facts.firmware_version, sizeof facts.firmware_version, "7.10");
    (void)snprintf(facts.firmware_date, sizeof facts.firmware_date, "01/02/2026");
    return facts;
}

static struct hf_condition_change changes[HF_CONDITION_CHANGES_MAX];

/* The session of then is that of heron; now is `facts`. */
static int compare(const struct hf_machine_facts *facts, double voltage_mv, double memory_mts)
{
    const struct hf_machine_facts heron = facts_of_heron();
    const struct hf_conditions_entered entered = {voltage_mv, memory_mts};
    static struct hf_evidence_session session;
    static struct hf_profile profile;
    char now[HF_CONDITION_COUNT][HF_CONDITION_TEXT_MAX];

    profile.voltage_mv = 1200;
    profile.memory_mts = 3200;
    hf_conditions_of_facts(&heron, session.condition);
    hf_conditions_of_facts(facts, now);
    return hf_conditions_compare(&session, &profile, now, &entered, changes);
}

static void test_nothing_changed(void **state)
{
    struct hf_machine_facts facts = facts_of_heron();

    (void)state;
    assert_int_equal(compare(&facts, NAN, NAN), 0);
    assert_int_equal(compare(&facts, 1200, 3200), 0);
    assert_true(hf_conditions_credit(changes, 0) == 0.5);
}

static void check_one(const struct hf_machine_facts *facts, double voltage_mv, double memory_mts,
                      const char *name, const char *before, const char *now, double credit)
{
    assert_int_equal(compare(facts, voltage_mv, memory_mts), 1);
    assert_string_equal(changes[0].name, name);
    assert_string_equal(changes[0].before, before);
    assert_string_equal(changes[0].now, now);
    assert_true(hf_conditions_credit(changes, 1) == credit);
}

static void test_each_change_is_named(void **state)
{
    struct hf_machine_facts facts = facts_of_heron();

    (void)state;
    (void)snprintf(facts.microcode, sizeof facts.microcode, "0xa20f");
    check_one(&facts, NAN, NAN, "microcode", "0xa201", "0xa20f", 0);
    facts = facts_of_heron();
    (void)snprintf(facts.firmware_version, sizeof facts.firmware_version, "7.20");
    check_one(&facts, NAN, NAN, "firmware_version", "7.10", "7.20", 0);
    facts = facts_of_heron();
    (void)snprintf(facts.smt, sizeof facts.smt, "on");
    check_one(&facts, NAN, NAN, "smt", "off", "on", 0);
    facts = facts_of_heron();
    (void)snprintf(facts.kernel, sizeof facts.kernel, "6.6.0");
    check_one(&facts, NAN, NAN, "kernel", "6.1.0", "6.6.0", 0.25);
    facts = facts_of_heron();
    (void)snprintf(facts.governor, sizeof facts.governor, "powersave");
    check_one(&facts, NAN, NAN, "governor", "performance", "powersave", 0.25);
    facts = facts_of_heron();
    check_one(&facts, 1180, NAN, "voltage_mv", "1200", "1180", 0);
    check_one(&facts, NAN, 3600, "memory_mts", "3200", "3600", 0);
}

static void test_changes_add_up(void **state)
{
    struct hf_machine_facts facts = facts_of_heron();

    (void)state;
    (void)snprintf(facts.kernel, sizeof facts.kernel, "6.6.0");
    (void)snprintf(facts.governor, sizeof facts.governor, "powersave");
    assert_int_equal(compare(&facts, NAN, NAN), 2);
    assert_true(hf_conditions_credit(changes, 2) == 0.125);
    assert_int_equal(compare(&facts, 1100, NAN), 3);
    assert_true(hf_conditions_credit(changes, 3) == 0);
}

/* What cannot be read now, or could not then, is no change. */
static void test_unknown_is_no_change(void **state)
{
    struct hf_machine_facts facts = facts_of_heron();

    (void)state;
    facts.microcode[0] = '\0';
    facts.cpu_stepping = -1;
    assert_int_equal(compare(&facts, NAN, NAN), 0);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(test_nothing_changed),
        cmocka_unit_test(test_each_change_is_named),
        cmocka_unit_test(test_changes_add_up),
        cmocka_unit_test(test_unknown_is_no_change),
    };

    return cmocka_run_group_tests(tests, NULL, NULL);
}
