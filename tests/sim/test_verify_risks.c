/*
 * verify's sequential test: its risks over thousands of virtual verifications, its director, its tallies.
 *
 * Wald 1947: Sequential Analysis; Ville 1939 for the bounds that hold exactly. MIL-HDBK-781A for the usual
 * plans, which tests/standards/plan evaluates.
 */
#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>
#include <stdint.h>

#include <cmocka.h>

#include <math.h>
#include <stdio.h>
#include <string.h>

#include "harness/sequential.h"
#include "holdfast/random.h"
#include "holdfast/rig.h"

enum {
    DRAWS = 4096,
    SEEDS = 20
};

/* A test of the claim "one fault in theta1_s". */
static struct hf_sequential_rule rule_for(double theta1_s, double discrimination, double risk, double at_most)
{
    struct hf_sequential_rule rule = {.has_test = 1};

    hf_sequential_claim(discrimination * theta1_s, theta1_s, risk, risk, &rule.test);
    rule.served_max = at_most * hf_sequential_accept_s(theta1_s, discrimination, risk);
    return rule;
}

static struct hf_sequential_rule rule_of(double discrimination, double risk, double at_most)
{
    return rule_for(3600, discrimination, risk, at_most);
}

/* How many of SEEDS x DRAWS tests of a group with this mean time ended in the state. */
static int count_of(const struct hf_sequential_rule *rule, double theta_s, int state)
{
    int count = 0;

    for (uint64_t seed = 1; seed <= SEEDS; seed++) {
        struct hf_sequential_forecast forecast;

        hf_sequential_forecast(rule, theta_s, DRAWS, seed, &forecast);
        assert_int_equal(forecast.states[HF_TEST_GOING_ON], 0);
        count += forecast.states[state];
    }
    return count;
}

/* A share that should be at most `risk`, with four standard deviations of the simulation. */
static void check_share(const char *what, int count, int of, double risk)
{
    double share = (double)count / of, sd = sqrt(risk * (1 - risk) / of);

    if (!(share <= risk + 4 * sd))
        fail_msg("%s: %.4f of %d, nominal %.4f", what, share, of, risk);
}

/* A bad group (one fault in the claim's time) is accepted, a good one rejected, no more often than nominal.
 */
static void test_risks_are_nominal(void **state)
{
    const double discriminations[] = {3, 10, 100}, risks[] = {0.05, 0.10, 0.01};

    (void)state;
    for (int d = 0; d < 3; d++) {
        for (int r = 0; r < 3; r++) {
            struct hf_sequential_rule rule = rule_of(discriminations[d], risks[r], 1000);
            double bad = 3600, good = bad * discriminations[d];
            int accepted = count_of(&rule, bad, HF_TEST_ACCEPTED);
            int rejected = count_of(&rule, good, HF_TEST_REJECTED);

            printf("ratio %3.0f, risk %.2f: bad accepted %.4f, good rejected %.4f of %d\n",
                   discriminations[d], risks[r], (double)accepted / (SEEDS * DRAWS),
                   (double)rejected / (SEEDS * DRAWS), SEEDS * DRAWS);
            check_share("bad accepted", accepted, SEEDS * DRAWS, risks[r]);
            check_share("good rejected", rejected, SEEDS * DRAWS, risks[r]);
        }
    }
}

/* The test can fail: without a rule worth its name (accept after a third of the exposure) the bad are
 * accepted. */
static void test_a_bad_rule_would_show(void **state)
{
    struct hf_sequential_rule rule = rule_of(10, 0.05, 1000);
    struct hf_sequential_forecast bad;

    (void)state;
    rule.credit_s = 0.67 * rule.test.accept_intercept; /* old evidence for a group that is not what it was */
    hf_sequential_forecast(&rule, 3600, DRAWS, 7, &bad);
    assert_true(bad.states[HF_TEST_ACCEPTED] > 0.2 * DRAWS);
}

/* Worse than bad is accepted less often still, better than good rejected less often. */
static void test_risks_fall_outward(void **state)
{
    struct hf_sequential_rule rule = rule_of(10, 0.05, 1000);
    struct hf_sequential_forecast forecast;

    (void)state;
    hf_sequential_forecast(&rule, 1800, DRAWS, 3, &forecast);
    check_share("twice as bad accepted", forecast.states[HF_TEST_ACCEPTED], DRAWS, 0.01);
    hf_sequential_forecast(&rule, 3600 * 50, DRAWS, 3, &forecast);
    check_share("five times as good rejected", forecast.states[HF_TEST_REJECTED], DRAWS, 0.01);
}

/* The certificate's soak as credit, nothing having changed: a bad group has to pass the soak and then the
 * shorter test. Both together happen no more often than nominal: the credit is at most what the soak served.
 */
static void test_credit_of_an_unchanged_machine(void **state)
{
    struct hf_random random;
    int accepted = 0;

    (void)state;
    hf_random_init(&random, 9, 9);
    for (int i = 0; i < 40000; i++) {
        struct hf_sequential_rule rule = rule_of(10, 0.05, 1000);
        double accept_s = hf_sequential_accept_s(3600, 10, 0.05), soak_s = accept_s;
        struct hf_sequential_forecast forecast;

        if (3600 * hf_random_exponential(&random) < soak_s)
            continue; /* the soak failed: no certificate */
        rule.credit_s = 0.5 * soak_s;
        hf_sequential_forecast(&rule, 3600, 2, (uint64_t)i, &forecast);
        accepted += forecast.states[HF_TEST_ACCEPTED] > 0 ? forecast.states[HF_TEST_ACCEPTED] : 0;
    }
    printf("bad, certified and accepted: %.5f\n", accepted / 80000.0);
    check_share("bad, certified and accepted", accepted, 80000, 0.05);
}

/* What verify promises at its start: half of the tests end by the median, nine of ten by the other. The draws
 * of another seed stand for the tests to come. */
static void test_forecast_holds(void **state)
{
    struct hf_sequential_rule rule = rule_of(10, 0.05, 3);
    struct hf_sequential_forecast said, come;

    (void)state;
    hf_sequential_forecast(&rule, 36000, DRAWS, 1, &said);
    hf_sequential_forecast(&rule, 36000, DRAWS, 2, &come);
    assert_true(said.median_s >= hf_sequential_accept_s(3600, 10, 0.05) - 1e-6);
    assert_true(fabs(said.median_s - come.median_s) <= 0.1 * said.median_s);
    assert_true(fabs(said.p90_s - come.p90_s) <= 0.1 * said.p90_s);
    assert_true(said.p90_s > said.median_s);
    assert_int_equal(said.states[HF_TEST_UNDECIDED], 0);
}

/* Exposure without a fault that accepts, and the claim that so much proves, are inverses; without a belief in
 * a finite mean time the first is the rule of three (NIST/SEMATECH e-Handbook 8.4.5.1). */
static void test_accept_and_claim(void **state)
{
    struct hf_sequential_rule rule = rule_of(10, 0.05, 1000);
    struct hf_sequential_tally tally = {0};

    (void)state;
    assert_true(fabs(hf_sequential_accept_s(1, 1e12, 0.05) - 2.995732274) < 1e-9);
    assert_true(fabs(hf_sequential_theta1_s(hf_sequential_accept_s(3600, 7, 0.1), 7, 0.1) - 3600) < 1e-9);
    assert_true(fabs(hf_sequential_left_s(&rule, &tally) - hf_sequential_accept_s(3600, 10, 0.05)) < 1e-6);
    tally.served_s = hf_sequential_left_s(&rule, &tally);
    assert_int_equal(hf_sequential_state(&rule, &tally), HF_TEST_ACCEPTED);
    tally.faults = 1;
    assert_int_equal(hf_sequential_state(&rule, &tally), HF_TEST_GOING_ON);
}

/* --- tallies and director ----------------------------------------------------------------------------- */

static void tell(struct hf_sequential_director *director, enum hf_event_type type, uint64_t trial, int group,
                 enum hf_verdict verdict, enum hf_cause cause, double exposure_s)
{
    struct hf_event event = {.type = type,
                             .purpose = HF_PURPOSE_VERIFY,
                             .trial = trial,
                             .group = group,
                             .verdict = verdict,
                             .cause = cause,
                             .cpu = -1,
                             .exposure_s = exposure_s};
    struct hf_error error = {0};

    assert_int_equal(hf_sequential_director_observe(director, &event, &error), HF_OK);
}

static struct hf_sequential_director two_groups(void)
{
    struct hf_sequential_director director = {
        .purpose = HF_PURPOSE_VERIFY, .group_count = 3, .stop_at_reject = 1};

    director.target[0] = 1;
    director.step[0] = director.step[1] = 4;
    director.step[2] = -1;
    director.rule[0] = rule_of(100, 0.05, 3);
    return director;
}

static struct hf_proposal ask(struct hf_director *director, int group)
{
    struct hf_proposal proposal;

    director->propose(director->context, group, 0, &proposal);
    return proposal;
}

/* A fault ends a trial and not the test; void exposure counts for nothing; the limit is what is left. */
static void test_director_goes_on(void **state)
{
    struct hf_sequential_director sequential = two_groups();
    struct hf_director director;
    double accept_s = hf_sequential_accept_s(3600, 100, 0.05);

    (void)state;
    hf_sequential_director_start(&sequential, &director);
    assert_int_equal(ask(&director, 0).kind, HF_PROPOSAL_TRIAL);
    assert_true(fabs(ask(&director, 0).limit_s - accept_s) < 1e-6);
    assert_int_equal(ask(&director, 1).kind, HF_PROPOSAL_TRIAL); /* company */
    assert_int_equal(ask(&director, 2).kind, HF_PROPOSAL_WAIT);  /* not loaded */
    tell(&sequential, HF_EVENT_TRIAL_BEGIN, 1, 0, HF_VERDICT_NONE, HF_CAUSE_NONE, 0);
    assert_int_equal(ask(&director, 0).kind, HF_PROPOSAL_WAIT);
    tell(&sequential, HF_EVENT_VERDICT, 1, -2, HF_VERDICT_VOID, HF_CAUSE_SETTING_LOST, 500);
    assert_true(fabs(ask(&director, 0).limit_s - accept_s) < 1e-6);
    tell(&sequential, HF_EVENT_TRIAL_BEGIN, 2, 0, HF_VERDICT_NONE, HF_CAUSE_NONE, 0);
    tell(&sequential, HF_EVENT_VERDICT, 2, 0, HF_VERDICT_FAIL, HF_CAUSE_WRONG_RESULT, 9000);
    assert_true(sequential.tally[0].faults == 1 && sequential.tally[0].served_s == 9000);
    assert_int_equal(ask(&director, 0).kind, HF_PROPOSAL_TRIAL);
    assert_true(ask(&director, 0).limit_s > accept_s - 9000); /* the fault has to be paid for */
    tell(&sequential, HF_EVENT_TRIAL_BEGIN, 3, 0, HF_VERDICT_NONE, HF_CAUSE_NONE, 0);
    tell(&sequential, HF_EVENT_VERDICT, 3, -2, HF_VERDICT_FAIL, HF_CAUSE_MACHINE_RESET, 10);
    assert_int_equal(sequential.tally[0].resets, 1);
    assert_int_equal(ask(&director, 1).kind, HF_PROPOSAL_FINISHED);
    assert_int_equal(hf_sequential_state(&sequential.rule[0], &sequential.tally[0]), HF_TEST_REJECTED);
}

static void test_director_gives_up_on_voids(void **state)
{
    struct hf_sequential_director sequential = two_groups();
    struct hf_director director;

    (void)state;
    hf_sequential_director_start(&sequential, &director);
    for (uint64_t trial = 1; trial <= HF_SEQUENTIAL_VOIDS_MAX; trial++) {
        assert_int_equal(ask(&director, 0).kind, HF_PROPOSAL_TRIAL);
        tell(&sequential, HF_EVENT_TRIAL_BEGIN, trial, 0, HF_VERDICT_NONE, HF_CAUSE_NONE, 0);
        tell(&sequential, HF_EVENT_VERDICT, trial, -2, HF_VERDICT_VOID, HF_CAUSE_CLOCK_SHORTFALL, 60);
    }
    assert_int_equal(ask(&director, 0).kind, HF_PROPOSAL_FINISHED);
    assert_int_equal(hf_sequential_state(&sequential.rule[0], &sequential.tally[0]), HF_TEST_UNDECIDED);
}

/* Cores that are left out idle; all others work. */
static void test_cores_of_the_director(void **state)
{
    struct hf_sequential_director sequential = two_groups();
    struct hf_director director;

    (void)state;
    sequential.cores[0] = 0x5;
    hf_sequential_director_start(&sequential, &director);
    assert_int_equal(director.core_works(director.context, 0, 0), 1);
    assert_int_equal(director.core_works(director.context, 0, 1), 0);
    assert_int_equal(director.core_works(director.context, 0, 2), 1);
    assert_int_equal(director.core_works(director.context, 1, 1), 1);
}

/* --- the rig ------------------------------------------------------------------------------------------ */

/* Carries a test out on the rig's one group, in virtual time. */
static enum hf_sequential_state verify_on_rig(struct hf_rig *rig, const struct hf_sequential_rule *rule)
{
    struct hf_sequential_tally tally = {0};

    while (hf_sequential_state(rule, &tally) == HF_TEST_GOING_ON) {
        struct hf_rig_fault fault;

        tally.served_s += hf_rig_advance(rig, hf_sequential_left_s(rule, &tally), &fault);
        tally.faults += fault.kind != HF_DAMAGE_NONE;
    }
    return hf_sequential_state(rule, &tally);
}

/* Verifications of groups whose truth is known: of the claim that they just miss, and of one that they keep
 * ten times over. A simple rig, so that its truth is exact at any moment. */
static void test_on_the_rig(void **state)
{
    static const struct hf_load_slice steady = {{HF_LOAD_FMA_512, 1, 0, 0}, 1};
    enum {
        RIGS = 4000
    };
    int bad_accepted = 0, good_rejected = 0;

    (void)state;
    for (uint64_t seed = 1; seed <= RIGS; seed++) {
        struct hf_rig_config config = {.group_count = 1, .cores_per_group = 2};
        struct hf_sequential_rule rule;
        struct hf_rig *rig;
        struct hf_error error = {0};
        double mean_s;

        hf_rig_config_default(&config);
        config.simple = 1;
        config.seed = seed;
        assert_int_equal(hf_rig_new(&config, &rig, &error), HF_OK);
        assert_int_equal(hf_rig_set_load(rig, 0, &steady, 1, &error), HF_OK);
        for (int step = 1; step < 32 && hf_rig_present_rate_per_hour(rig, 0) < 1; step++)
            hf_rig_set_step(rig, 0, step); /* the lowest step with a fault an hour: nobody waits for years */
        mean_s = 3600 / hf_rig_present_rate_per_hour(rig, 0);
        rule = rule_for(mean_s, 10, 0.05, 1000);
        bad_accepted += verify_on_rig(rig, &rule) == HF_TEST_ACCEPTED;
        rule = rule_for(mean_s / 10, 10, 0.05, 1000);
        good_rejected += verify_on_rig(rig, &rule) == HF_TEST_REJECTED;
        hf_rig_free(rig);
    }
    printf("on the rig, of %d: bad accepted %d, good rejected %d\n", RIGS, bad_accepted, good_rejected);
    assert_true(bad_accepted > 0);
    check_share("bad accepted", bad_accepted, RIGS, 0.05);
    check_share("good rejected", good_rejected, RIGS, 0.05);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(test_risks_are_nominal),     cmocka_unit_test(test_a_bad_rule_would_show),
        cmocka_unit_test(test_risks_fall_outward),    cmocka_unit_test(test_credit_of_an_unchanged_machine),
        cmocka_unit_test(test_forecast_holds),        cmocka_unit_test(test_accept_and_claim),
        cmocka_unit_test(test_director_goes_on),      cmocka_unit_test(test_director_gives_up_on_voids),
        cmocka_unit_test(test_cores_of_the_director), cmocka_unit_test(test_on_the_rig),
    };

    return cmocka_run_group_tests(tests, NULL, NULL);
}
