/* What a plan accepts as history, what it refuses, and what it makes of voids, baselines and soaks. */
#include "unit/plan/fold.h"

static const enum hf_plan_method all_methods[] = {HF_METHOD_STEP_UP, HF_METHOD_BISECT, HF_METHOD_BELIEF};

static void refuses_configs(void **state)
{
    struct hf_plan_config good = fold_config(2);
    struct hf_plan_config bad;
    struct hf_plan *plan = NULL;
    struct hf_error error = {0};

    (void)state;
#define BAD(change, word)                                                                                    \
    do {                                                                                                     \
        bad = good;                                                                                          \
        change;                                                                                              \
        hf_error_clear(&error);                                                                              \
        assert_int_equal(hf_plan_new(&bad, HF_METHOD_BELIEF, &plan, &error), HF_E_RANGE);                    \
        assert_non_null(strstr(error.message, word));                                                        \
        assert_null(plan);                                                                                   \
    } while (0)
    BAD(bad.group_count = 0, "group_count");
    BAD(bad.group_count = HF_GROUPS_MAX + 1, "group_count");
    BAD(bad.step_count = 1, "step_count");
    BAD(bad.confidence = 1.0, "confidence");
    BAD(bad.soak_s = -1.0, "soak_s");
    BAD(bad.claim_hours = NAN, "claim_hours");
    BAD(bad.group[1].baseline_step = 40, "baseline_step");
    BAD(bad.group[1].highest_step = 9, "highest_step");
    BAD((bad.group[0].pinned = 1, bad.group[0].pinned_step = 39), "pinned_step");
    BAD((bad.group[0].left_out = 1, bad.group[1].left_out = 1), "left_out");
#undef BAD
    assert_int_equal(hf_plan_method_of_name("bisect"), HF_METHOD_BISECT);
    assert_int_equal(hf_plan_method_of_name("Bisect"), -1);
    assert_string_equal(hf_plan_method_name(HF_METHOD_STEP_UP), "step-up");
    hf_plan_free(NULL);
}

static void refuses_illegal_events(void **state)
{
    struct hf_plan_config config = fold_config(2);
    struct hf_plan_view before;
    struct hf_plan_view after;
    struct fold fold;
    struct hf_proposal proposal;
    uint64_t trial;

    (void)state;
    fold_start(&fold, &config, HF_METHOD_BELIEF);
    fold_baseline(&fold);
    proposal = fold_propose(&fold, 0);
    trial = fold_begin(&fold, &proposal);
    hf_plan_view(fold.plan, 0, &before);
#define REFUSED(...) assert_int_equal(fold_event(&fold, (struct hf_event){__VA_ARGS__}), HF_E_MISMATCH)
    REFUSED(.type = HF_EVENT_VERDICT, .trial = 77, .verdict = HF_VERDICT_PASS, .cause = HF_CAUSE_TIME_SERVED);
    REFUSED(.type = HF_EVENT_VERDICT, .trial = trial, .verdict = HF_VERDICT_PASS, .cause = HF_CAUSE_STALL);
    REFUSED(.type = HF_EVENT_VERDICT, .trial = trial, .verdict = HF_VERDICT_FAIL, .cause = HF_CAUSE_STALL,
            .group = 1);
    REFUSED(.type = HF_EVENT_VERDICT, .trial = trial, .verdict = HF_VERDICT_FAIL,
            .cause = HF_CAUSE_MACHINE_RESET, .group = HF_GROUP_NONE);
    REFUSED(.type = HF_EVENT_TRIAL_LOADED, .trial = trial);
    REFUSED(.type = HF_EVENT_EXPOSURE, .trial = trial, .exposure_s = NAN);
    REFUSED(.type = HF_EVENT_EXPOSURE, .trial = 99, .exposure_s = 1.0);
    REFUSED(.type = HF_EVENT_TRIAL_BEGIN, .trial = trial, .purpose = HF_PURPOSE_EDGE, .group = 1, .step = 12,
            .limit_s = 10);
    REFUSED(.type = HF_EVENT_TRIAL_BEGIN, .trial = trial + 1, .purpose = HF_PURPOSE_EDGE, .group = 0,
            .step = 12, .limit_s = 10);
    REFUSED(.type = HF_EVENT_TRIAL_BEGIN, .trial = trial + 1, .purpose = HF_PURPOSE_EDGE, .group = 1,
            .step = 39, .limit_s = 10);
    REFUSED(.type = HF_EVENT_TRIAL_BEGIN, .trial = trial + 1, .purpose = HF_PURPOSE_EDGE, .group = 2,
            .step = 12, .limit_s = 10);
    REFUSED(.type = HF_EVENT_TRIAL_BEGIN, .trial = trial + 1, .purpose = HF_PURPOSE_EDGE, .group = 1,
            .step = 12, .limit_s = 0);
    REFUSED(.type = HF_EVENT_TRIAL_BEGIN, .trial = trial + 1, .purpose = HF_PURPOSE_SOAK,
            .group = HF_GROUP_ALL, .limit_s = 10);
    REFUSED(.type = HF_EVENT_RESET, .group = 2);
    REFUSED(.type = HF_EVENT_HARDWARE_ERROR, .group = -1);
    REFUSED(.type = (enum hf_event_type)99);
    fold.now_s -= 1.0;
    REFUSED(.type = HF_EVENT_EXPOSURE, .trial = trial, .exposure_s = 1.0);
    fold.now_s += 1.0;
    hf_plan_view(fold.plan, 0, &after);
    assert_memory_equal(&before, &after, sizeof before); /* state unchanged */

    assert_int_equal(
        fold_event(&fold, (struct hf_event){.type = HF_EVENT_EXPOSURE, .trial = trial, .exposure_s = 7}), 0);
    REFUSED(.type = HF_EVENT_EXPOSURE, .trial = trial, .exposure_s = 6);
    assert_int_equal(fold_event(&fold, (struct hf_event){.type = HF_EVENT_RESET, .group = 1}), 0);
    REFUSED(.type = HF_EVENT_EXPOSURE, .trial = trial, .exposure_s = 8);
    REFUSED(.type = HF_EVENT_VERDICT, .trial = trial, .verdict = HF_VERDICT_PASS,
            .cause = HF_CAUSE_TIME_SERVED, .exposure_s = 8);
    REFUSED(.type = HF_EVENT_VERDICT, .trial = trial, .verdict = HF_VERDICT_FAIL,
            .cause = HF_CAUSE_MACHINE_RESET, .exposure_s = 8,
            .group = HF_GROUP_NONE); /* group 1 was named, this is group 0's */
    assert_int_equal(fold_verdict(&fold, trial, HF_VERDICT_VOID, HF_CAUSE_MACHINE_RESET, HF_GROUP_NONE, 8),
                     0);
    hf_plan_view(fold.plan, 0, &after);
    assert_int_equal(after.resets, 0);
    assert_int_equal(after.failures, 0);
    hf_plan_free(fold.plan);
#undef REFUSED
}

static void baseline_failure_stops(void **state)
{
    (void)state;
    for (int m = 0; m < 3; m++) {
        struct hf_plan_config config = fold_config(3);
        struct hf_proposal proposal;
        struct fold fold;

        fold_start(&fold, &config, all_methods[m]);
        proposal = fold_propose(&fold, 0);
        assert_int_equal(
            fold_verdict(&fold, fold_begin(&fold, &proposal), HF_VERDICT_FAIL, HF_CAUSE_STALL, 2, 55), 0);
        proposal = fold_propose(&fold, 0);
        assert_int_equal(proposal.kind, HF_PROPOSAL_STOP);
        assert_non_null(strstr(proposal.reason, "your baseline is not stable: group 2"));
        hf_plan_free(fold.plan);
    }
}

static void voids_teach_nothing_but_clean_exposure(void **state)
{
    struct hf_plan_config config = fold_config(2);
    struct hf_proposal first;
    struct hf_proposal again;
    struct hf_plan_view view;
    double band_before[3];
    double band_after[3];
    struct fold fold;

    (void)state;
    fold_start(&fold, &config, HF_METHOD_BELIEF);
    fold_baseline(&fold);
    first = fold_propose(&fold, 0);
    hf_plan_rate_band(fold.plan, 0, 20, band_before);
    assert_int_equal(fold_verdict(&fold, fold_begin(&fold, &first), HF_VERDICT_VOID,
                                  HF_CAUSE_OVER_TEMPERATURE, HF_GROUP_NONE, 30),
                     0);
    again = fold_propose(&fold, 0);
    assert_int_equal(again.step, first.step);
    hf_plan_rate_band(fold.plan, 0, 20, band_after);
    assert_memory_equal(band_before, band_after, sizeof band_before);
    hf_plan_view(fold.plan, 0, &view);
    assert_near(view.exposure_s, 600.0, 1e-9);
    assert_int_equal(fold_verdict(&fold, fold_begin(&fold, &again), HF_VERDICT_VOID, HF_CAUSE_INTERRUPTED,
                                  HF_GROUP_NONE, 30),
                     0);
    hf_plan_view(fold.plan, 0, &view);
    assert_near(view.exposure_s, 630.0, 1e-9);
    assert_int_equal(view.highest_pass_step, 10);
    hf_plan_free(fold.plan);
}

static void five_voids_leave_a_group_alone(void **state)
{
    (void)state;
    for (int m = 0; m < 3; m++) {
        struct hf_plan_config config = fold_config(2);
        struct hf_proposal proposal;
        struct hf_plan_view view;
        struct fold fold;

        fold_start(&fold, &config, all_methods[m]);
        fold_baseline(&fold);
        for (int n = 0; n < 5; n++) {
            hf_plan_view(fold.plan, 0, &view);
            assert_int_equal(view.left_alone, 0);
            proposal = fold_propose(&fold, 0);
            assert_int_equal(proposal.kind, HF_PROPOSAL_TRIAL);
            assert_int_equal(fold_verdict(&fold, fold_begin(&fold, &proposal), HF_VERDICT_VOID,
                                          HF_CAUSE_SETTING_LOST, HF_GROUP_NONE, 1),
                             0);
        }
        hf_plan_view(fold.plan, 0, &view);
        assert_int_equal(view.left_alone, 1);
        assert_int_equal(view.left_alone_cause, HF_CAUSE_SETTING_LOST);
        assert_int_equal(view.chosen_step, 10);
        proposal = fold_propose(&fold, 0);
        assert_int_equal(proposal.kind, HF_PROPOSAL_WAIT);
        assert_non_null(strstr(proposal.reason, "void"));
        proposal = fold_propose(&fold, 1); /* the other goes on */
        assert_int_equal(proposal.kind, HF_PROPOSAL_TRIAL);
        hf_plan_free(fold.plan);
    }
}

/* Nothing to search: straight from the baseline to the soak. */
static struct hf_proposal pinned_to_soak(struct fold *fold, double soak_s)
{
    struct hf_plan_config config = fold_config(2);
    struct hf_proposal proposal;

    config.soak_s = soak_s;
    config.group[0].pinned = 1;
    config.group[0].pinned_step = 20;
    config.group[1].left_out = 1;
    fold_start(fold, &config, HF_METHOD_BELIEF);
    fold_baseline(fold);
    proposal = fold_propose(fold, 1);
    assert_int_equal(proposal.kind, HF_PROPOSAL_JOINT);
    assert_int_equal(proposal.purpose, HF_PURPOSE_SOAK);
    assert_int_equal(proposal.joint_step[0], 20);
    assert_int_equal(proposal.joint_step[1], -1);
    assert_near(proposal.limit_s, soak_s, 1e-6);
    return proposal;
}

static void pinned_group_is_soaked_not_searched(void **state)
{
    struct hf_plan_soak soak;
    struct hf_proposal proposal;
    struct fold fold;

    (void)state;
    proposal = pinned_to_soak(&fold, 1000);
    /* an interruption does not end an attempt: its clean exposure stays */
    assert_int_equal(fold_verdict(&fold, fold_begin(&fold, &proposal), HF_VERDICT_VOID, HF_CAUSE_INTERRUPTED,
                                  HF_GROUP_NONE, 400),
                     0);
    proposal = fold_propose(&fold, 0);
    assert_near(proposal.limit_s, 600, 1e-6);
    assert_int_equal(fold_verdict(&fold, fold_begin(&fold, &proposal), HF_VERDICT_PASS, HF_CAUSE_TIME_SERVED,
                                  HF_GROUP_NONE, 600),
                     0);
    hf_plan_soak(fold.plan, &soak);
    assert_int_equal(soak.passed, 1);
    assert_int_equal(soak.attempts, 2);
    assert_near(soak.served_s, 1000, 1e-6);
    assert_near(soak.confidence_spent, 0.05, 1e-12);
    assert_int_equal(fold_propose(&fold, 0).kind, HF_PROPOSAL_FINISHED);
    hf_plan_free(fold.plan);

    proposal = pinned_to_soak(&fold, 1000);
    assert_int_equal(
        fold_verdict(&fold, fold_begin(&fold, &proposal), HF_VERDICT_FAIL, HF_CAUSE_WRONG_RESULT, 0, 4), 0);
    proposal = fold_propose(&fold, 0);
    assert_int_equal(proposal.kind, HF_PROPOSAL_STOP);
    assert_non_null(strstr(proposal.reason, "pinned"));
    hf_plan_free(fold.plan);
}

/* Time that passed without the work being done proves nothing, however much of it there was. */
static void too_few_blocks_serve_no_soak(void **state)
{
    struct hf_plan_soak soak;
    struct hf_proposal proposal;
    struct fold fold;

    (void)state;
    proposal = pinned_to_soak(&fold, 1000);
    for (int n = 0; n < 2; n++) {
        assert_int_equal(fold_verdict(&fold, fold_begin(&fold, &proposal), HF_VERDICT_VOID,
                                      HF_CAUSE_TOO_FEW_BLOCKS, HF_GROUP_NONE, 1000),
                         0);
        hf_plan_soak(fold.plan, &soak);
        assert_int_equal(soak.passed, 0);
        assert_near(soak.served_s, 0, 1e-12);
        proposal = fold_propose(&fold, 0);
        assert_int_equal(proposal.purpose, HF_PURPOSE_SOAK);
        assert_near(proposal.limit_s, 1000, 1e-6);
    }
    hf_plan_free(fold.plan);
}

/* A soak that cannot be judged ends the search, but nothing has failed. */
static void five_void_soaks_leave_it_undecided(void **state)
{
    struct hf_proposal proposal;
    struct fold fold;

    (void)state;
    proposal = pinned_to_soak(&fold, 1000);
    for (int n = 0; n < 5; n++) {
        assert_int_equal(proposal.kind, HF_PROPOSAL_JOINT);
        assert_int_equal(fold_verdict(&fold, fold_begin(&fold, &proposal), HF_VERDICT_VOID,
                                      HF_CAUSE_TOO_FEW_BLOCKS, HF_GROUP_NONE, 1000),
                         0);
        proposal = fold_propose(&fold, 0);
    }
    assert_int_equal(proposal.kind, HF_PROPOSAL_STOP);
    assert_int_equal(proposal.undecided, 1);
    assert_non_null(strstr(proposal.reason, "5 times"));
    hf_plan_free(fold.plan);
    proposal = pinned_to_soak(&fold, 1000);
    assert_int_equal(
        fold_verdict(&fold, fold_begin(&fold, &proposal), HF_VERDICT_FAIL, HF_CAUSE_WRONG_RESULT, 0, 4), 0);
    proposal = fold_propose(&fold, 0);
    assert_int_equal(proposal.kind, HF_PROPOSAL_STOP);
    assert_int_equal(proposal.undecided, 0);
    hf_plan_free(fold.plan);
}

static void same_set_again_needs_longer(void **state)
{
    struct hf_plan_soak soak;
    struct hf_proposal proposal;
    struct fold fold;

    (void)state;
    proposal = pinned_to_soak(&fold, 1000);
    assert_int_equal(fold_begin(&fold, &proposal), 2);
    assert_int_equal(fold_event(&fold, (struct hf_event){.type = HF_EVENT_RESET, .group = HF_GROUP_NONE}), 0);
    assert_int_equal(fold_propose(&fold, 1).kind, HF_PROPOSAL_WAIT);
    assert_int_equal(fold_verdict(&fold, 2, HF_VERDICT_FAIL, HF_CAUSE_MACHINE_RESET, HF_GROUP_NONE, 90), 0);
    proposal = fold_propose(&fold, 0); /* nobody to lower: the same set, second try: ln(2/0.05)/ln(1/0.05) */
    assert_int_equal(proposal.kind, HF_PROPOSAL_JOINT);
    assert_near(proposal.limit_s, 1000.0 * log(2 / 0.05) / log(1 / 0.05), 1e-6);
    assert_int_equal(fold_verdict(&fold, fold_begin(&fold, &proposal), HF_VERDICT_PASS, HF_CAUSE_TIME_SERVED,
                                  HF_GROUP_NONE, proposal.limit_s),
                     0);
    hf_plan_soak(fold.plan, &soak);
    assert_int_equal(soak.passed, 1);
    assert_int_equal(soak.repeats_of_same_set, 1);
    assert_near(soak.confidence_spent, 0.05 + 0.025, 1e-12);
    hf_plan_free(fold.plan);
}

static void hardware_error_spoils_a_soak(void **state)
{
    struct hf_plan_soak soak;
    struct hf_proposal proposal;
    struct fold fold;

    (void)state;
    proposal = pinned_to_soak(&fold, 1000);
    assert_int_equal(fold_begin(&fold, &proposal), 2);
    assert_int_equal(fold_event(&fold, (struct hf_event){.type = HF_EVENT_HARDWARE_ERROR,
                                                         .trial = 2,
                                                         .group = 0,
                                                         .cpu = 1,
                                                         .exposure_s = 5,
                                                         .corrected = 1}),
                     0);
    assert_int_equal(fold_verdict(&fold, 2, HF_VERDICT_PASS, HF_CAUSE_TIME_SERVED, HF_GROUP_NONE, 1000), 0);
    hf_plan_soak(fold.plan, &soak);
    assert_int_equal(soak.passed, 0);
    assert_int_equal(fold_propose(&fold, 0).kind, HF_PROPOSAL_STOP); /* it is pinned */
    hf_plan_free(fold.plan);
}

/* The record of an error, then the verdict it caused: one fault, not two. */
static void hardware_error_counts_once(void **state)
{
    struct hf_plan_config config = fold_config(2);
    struct hf_proposal proposal;
    struct hf_plan_view view;
    struct fold fold;
    uint64_t trial;

    (void)state;
    fold_start(&fold, &config, HF_METHOD_BELIEF);
    fold_baseline(&fold);
    for (int n = 0; n < 2; n++) {
        proposal = fold_propose(&fold, 0);
        trial = fold_begin(&fold, &proposal);
        assert_int_equal(fold_event(&fold, (struct hf_event){.type = HF_EVENT_HARDWARE_ERROR,
                                                             .trial = trial,
                                                             .group = 0,
                                                             .cpu = 1,
                                                             .exposure_s = 5}),
                         0);
        if (n == 0)
            assert_int_equal(fold_verdict(&fold, trial, HF_VERDICT_FAIL, HF_CAUSE_HARDWARE_ERROR, 0, 5), 0);
        else /* outlived: the trial did not pass all the same */
            assert_int_equal(fold_verdict(&fold, trial, HF_VERDICT_PASS, HF_CAUSE_TIME_SERVED, 0, 40), 0);
        hf_plan_view(fold.plan, 0, &view);
        assert_int_equal(view.failures, n + 1);
        assert_int_equal(view.highest_pass_step, 10);
    }
    hf_plan_free(fold.plan);
}

static void deadline_ends_the_search_then_the_run(void **state)
{
    struct hf_plan_config config = fold_config(2);
    struct hf_proposal proposal;
    struct fold fold;

    (void)state;
    config.deadline_s = 600 + 21600 + 200;
    fold_start(&fold, &config, HF_METHOD_BELIEF);
    fold_baseline(&fold);
    proposal = fold_propose(&fold, 0);
    assert_int_equal(proposal.kind, HF_PROPOSAL_TRIAL);
    assert_true(proposal.limit_s <= 200);
    fold.now_s += 150;
    assert_int_equal(fold_event(&fold, (struct hf_event){.type = HF_EVENT_RESET, .group = HF_GROUP_NONE}), 0);
    proposal = fold_propose(&fold, 0);
    assert_int_equal(proposal.kind, HF_PROPOSAL_JOINT);
    assert_int_equal(proposal.purpose, HF_PURPOSE_SOAK);
    fold.now_s += 100;
    proposal = fold_propose(&fold, 0);
    assert_int_equal(proposal.kind, HF_PROPOSAL_STOP);
    assert_non_null(strstr(proposal.reason, "deadline"));
    hf_plan_free(fold.plan);
}

/* Begins the proposed trials of all groups, lets the machine reset under them, and returns the steps they
 * had. */
static void reset_under_all(struct fold *fold, int groups, int *ret_steps)
{
    uint64_t trial[HF_GROUPS_MAX];

    for (int g = 0; g < groups; g++) {
        struct hf_proposal proposal = fold_propose(fold, g);

        assert_int_equal(proposal.kind, HF_PROPOSAL_TRIAL);
        ret_steps[g] = proposal.step;
        trial[g] = fold_begin(fold, &proposal);
    }
    assert_int_equal(
        fold_event(fold, (struct hf_event){.type = HF_EVENT_RESET, .group = HF_GROUP_NONE, .cpu = -1}), 0);
    for (int g = 0; g < groups; g++)
        assert_int_equal(
            fold_verdict(fold, trial[g], HF_VERDICT_FAIL, HF_CAUSE_MACHINE_RESET, HF_GROUP_NONE, 0), 0);
}

/* Three resets with nothing judged between them would park the run: after the first that names nobody the
 * belief alone decides, after the second everybody goes three steps lower, until something has been judged.
 */
static void backs_off_after_resets(void **state)
{
    struct hf_plan_config config = fold_config(2);
    struct hf_proposal proposal;
    struct fold fold;
    int first[2];
    int second[2];

    (void)state;
    fold_start(&fold, &config, HF_METHOD_BELIEF);
    fold_baseline(&fold);
    for (int pass = 0; pass < 4; pass++) {
        for (int g = 0; g < 2; g++) {
            proposal = fold_propose(&fold, g);
            assert_int_equal(fold_verdict(&fold, fold_begin(&fold, &proposal), HF_VERDICT_PASS,
                                          HF_CAUSE_TIME_SERVED, HF_GROUP_NONE, proposal.limit_s),
                             0);
        }
    }
    reset_under_all(&fold, 2, first);
    reset_under_all(&fold, 2, second);
    for (int g = 0; g < 2; g++) {
        assert_true(second[g] <= first[g]);
        assert_true(second[g] > 13);
        proposal = fold_propose(&fold, g);
        assert_int_equal(proposal.kind, HF_PROPOSAL_TRIAL);
        assert_true(proposal.step <= second[g] - 3);
    }
    proposal = fold_propose(&fold, 0); /* judged: the cap is gone for this group, not for the other */
    assert_int_equal(fold_verdict(&fold, fold_begin(&fold, &proposal), HF_VERDICT_PASS, HF_CAUSE_TIME_SERVED,
                                  HF_GROUP_NONE, proposal.limit_s),
                     0);
    assert_true(fold_propose(&fold, 0).step > proposal.step);
    assert_true(fold_propose(&fold, 1).step <= second[1] - 3);
    hf_plan_free(fold.plan);
}

/* A reset that names nobody came from a load: a trial whose load had not begun is no suspect, unless all are
 * so. */
static void unloaded_trials_are_no_suspects(void **state)
{
    struct hf_plan_config config = fold_config(2);
    struct hf_proposal proposal[2];
    struct hf_plan_view view[2];
    struct fold fold;

    (void)state;
    for (int loaded = 1; loaded >= 0; loaded--) {
        uint64_t trial[2];

        fold_start(&fold, &config, HF_METHOD_BELIEF);
        fold_baseline(&fold);
        for (int g = 0; g < 2; g++) {
            struct hf_event begin = {
                .type = HF_EVENT_TRIAL_BEGIN, .trial = trial[g] = ++fold.trials, .group = g};

            proposal[g] = fold_propose(&fold, g);
            begin.purpose = proposal[g].purpose;
            begin.step = proposal[g].step;
            begin.limit_s = proposal[g].limit_s;
            assert_int_equal(fold_event(&fold, begin), 0);
        }
        if (loaded)
            assert_int_equal(
                fold_event(&fold, (struct hf_event){.type = HF_EVENT_TRIAL_LOADED, .trial = trial[0]}), 0);
        fold.now_s += 5;
        assert_int_equal(
            fold_event(&fold, (struct hf_event){.type = HF_EVENT_RESET, .group = HF_GROUP_NONE, .cpu = -1}),
            0);
        for (int g = 0; g < 2; g++) {
            assert_int_equal(
                fold_verdict(&fold, trial[g], HF_VERDICT_FAIL, HF_CAUSE_MACHINE_RESET, HF_GROUP_NONE, 0), 0);
        }
        for (int g = 0; g < 2; g++)
            hf_plan_view(fold.plan, g, &view[g]);
        assert_int_equal(view[0].resets, 1);
        assert_int_equal(view[1].resets, !loaded);
        hf_plan_free(fold.plan);
    }
}

static uint64_t lose_at_baseline(struct fold *fold, int lost, int with)
{
    struct hf_proposal proposal = fold_propose(fold, 1);
    uint64_t trial;

    assert_int_equal(proposal.purpose, HF_PURPOSE_BASELINE);
    assert_int_equal(proposal.joint_step[with], 10);
    trial = fold_begin(fold, &proposal);
    assert_int_equal(fold_verdict(fold, trial, HF_VERDICT_VOID, HF_CAUSE_SETTING_LOST, lost, 0), 0);
    return trial;
}

/* A group whose ratio cannot be set, not even the first baseline: the verdict names it, and all that follows
 * does without it. A plan that is told the same stands where this one stands. */
static void baseline_leaves_out_whom_it_names(void **state)
{
    (void)state;
    for (size_t m = 0; m < sizeof all_methods / sizeof all_methods[0]; m++) {
        struct hf_plan_config config = fold_config(3);
        struct hf_proposal proposal[2], other[2];
        struct fold fold[2];

        for (int i = 0; i < 2; i++) {
            fold_start(&fold[i], &config, all_methods[m]);
            (void)lose_at_baseline(&fold[i], 0, 2);
            proposal[i] = fold_propose(&fold[i], 0);
            assert_int_equal(proposal[i].purpose, HF_PURPOSE_BASELINE);
            assert_int_equal(proposal[i].joint_step[0], -1);
            assert_int_equal(proposal[i].joint_step[1], 10);
            assert_int_equal(fold_verdict(&fold[i], fold_begin(&fold[i], &proposal[i]), HF_VERDICT_PASS,
                                          HF_CAUSE_TIME_SERVED, HF_GROUP_NONE, proposal[i].limit_s),
                             0);
            assert_int_equal(fold_propose(&fold[i], 0).kind, HF_PROPOSAL_WAIT);
            proposal[i] = fold_propose(&fold[i], 1);
            assert_int_equal(proposal[i].kind, HF_PROPOSAL_TRIAL);
            other[i] = fold_propose(&fold[i], 2);
        }
        assert_memory_equal(&proposal[0], &proposal[1], sizeof proposal[0]);
        assert_memory_equal(&other[0], &other[1], sizeof other[0]);
        hf_plan_free(fold[0].plan);
        hf_plan_free(fold[1].plan);
    }
}

/* Only a baseline does so, only whom it covered, and not everybody. */
static void nobody_else_is_left_out(void **state)
{
    struct hf_plan_config config = fold_config(2);
    struct hf_proposal proposal;
    struct fold fold;
    uint64_t trial;

    (void)state;
    fold_start(&fold, &config, HF_METHOD_BELIEF);
    proposal = fold_propose(&fold, 0);
    trial = fold_begin(&fold, &proposal);
    assert_int_equal(fold_verdict(&fold, trial, HF_VERDICT_VOID, HF_CAUSE_SETTING_LOST, 2, 0), HF_E_MISMATCH);
    assert_int_equal(fold_verdict(&fold, trial, HF_VERDICT_VOID, HF_CAUSE_SETTING_LOST, 1, 0), 0);
    proposal = fold_propose(&fold, 0);
    trial = fold_begin(&fold, &proposal);
    assert_int_equal(fold_verdict(&fold, trial, HF_VERDICT_VOID, HF_CAUSE_SETTING_LOST, 1, 0), HF_E_MISMATCH);
    assert_int_equal(fold_verdict(&fold, trial, HF_VERDICT_VOID, HF_CAUSE_SETTING_LOST, HF_GROUP_NONE, 0), 0);
    assert_int_equal(fold_propose(&fold, 0).joint_step[0], 10);
    (void)lose_at_baseline(&fold, 0, 0);
    proposal = fold_propose(&fold, 0);
    assert_int_equal(proposal.kind, HF_PROPOSAL_STOP);
    assert_non_null(strstr(proposal.reason, "no group's ratio can be set"));
    hf_plan_free(fold.plan);

    proposal = pinned_to_soak(&fold, 1000); /* a soak that loses a setting names nobody for good */
    assert_int_equal(
        fold_verdict(&fold, fold_begin(&fold, &proposal), HF_VERDICT_VOID, HF_CAUSE_SETTING_LOST, 0, 0), 0);
    assert_int_equal(fold_propose(&fold, 0).joint_step[0], 20);
    hf_plan_free(fold.plan);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(unloaded_trials_are_no_suspects),
        cmocka_unit_test(backs_off_after_resets),
        cmocka_unit_test(refuses_configs),
        cmocka_unit_test(refuses_illegal_events),
        cmocka_unit_test(baseline_failure_stops),
        cmocka_unit_test(voids_teach_nothing_but_clean_exposure),
        cmocka_unit_test(five_voids_leave_a_group_alone),
        cmocka_unit_test(five_void_soaks_leave_it_undecided),
        cmocka_unit_test(pinned_group_is_soaked_not_searched),
        cmocka_unit_test(too_few_blocks_serve_no_soak),
        cmocka_unit_test(baseline_leaves_out_whom_it_names),
        cmocka_unit_test(nobody_else_is_left_out),
        cmocka_unit_test(same_set_again_needs_longer),
        cmocka_unit_test(hardware_error_spoils_a_soak),
        cmocka_unit_test(hardware_error_counts_once),
        cmocka_unit_test(deadline_ends_the_search_then_the_run),
    };

    return cmocka_run_group_tests(tests, NULL, NULL);
}
