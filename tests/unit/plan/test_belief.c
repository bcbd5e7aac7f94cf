/* The belief method told its history by hand: blame, background, short clocks, heat, deadlines, rounds. */
#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>
#include <stdint.h>

#include <cmocka.h>

#include "unit/plan/fold.h"

static void run_trial(struct fold *fold, int group, int step, double limit_s, int fails, double exposure_s)
{
    struct hf_proposal proposal = {.kind = HF_PROPOSAL_TRIAL, .purpose = HF_PURPOSE_EDGE, .group = group};
    uint64_t trial;

    proposal.step = step;
    proposal.limit_s = limit_s;
    trial = fold_begin(fold, &proposal);
    if (fails)
        assert_int_equal(fold_verdict(fold, trial, HF_VERDICT_FAIL, HF_CAUSE_WRONG_RESULT, group, exposure_s),
                         0);
    else
        assert_int_equal(
            fold_verdict(fold, trial, HF_VERDICT_PASS, HF_CAUSE_TIME_SERVED, HF_GROUP_NONE, limit_s), 0);
}

/* Trials of all groups at these steps, a reset under them after so many seconds that names nobody. */
static void reset_at(struct fold *fold, const int *steps, int groups, double after_s)
{
    struct hf_event reset = {.type = HF_EVENT_RESET, .group = HF_GROUP_NONE, .cpu = -1};
    uint64_t trial[4];

    for (int g = 0; g < groups; g++) {
        struct hf_proposal proposal = {.kind = HF_PROPOSAL_TRIAL, .purpose = HF_PURPOSE_EDGE, .group = g};

        proposal.step = steps[g];
        proposal.limit_s = 600.0;
        trial[g] = fold_begin(fold, &proposal);
    }
    fold->now_s += after_s;
    for (int g = 0; g < groups; g++) {
        struct hf_event exposure = {.type = HF_EVENT_EXPOSURE, .trial = trial[g], .exposure_s = after_s};

        assert_int_equal(fold_event(fold, exposure), 0);
    }
    fold->now_s += 180.0;
    assert_int_equal(fold_event(fold, reset), 0);
    for (int g = 0; g < groups; g++) {
        struct hf_event verdict = {.type = HF_EVENT_VERDICT,
                                   .trial = trial[g],
                                   .verdict = HF_VERDICT_FAIL,
                                   .cause = HF_CAUSE_MACHINE_RESET,
                                   .group = HF_GROUP_NONE,
                                   .exposure_s = after_s};

        verdict.cpu = -1;
        assert_int_equal(fold_event(fold, verdict), 0);
    }
}

static struct hf_plan_view view_of(const struct fold *fold, int group)
{
    struct hf_plan_view view;

    hf_plan_view(fold->plan, group, &view);
    return view;
}

/* Both groups know their edges, near 24. */
static void teach_edges(struct fold *fold, int groups)
{
    for (int n = 0; n < 4; n++) {
        for (int g = 0; g < groups; g++) {
            run_trial(fold, g, 20, 300.0, 0, 300.0);
            run_trial(fold, g, 24, 300.0, 1, 40.0 + 15.0 * n);
        }
    }
}

/* The same reset, at 24 and at 14: it is laid to the one that stood at its edge; and when both stood ten
 * steps below theirs, to nobody: a crash that has nothing to do with ratios moves no edge. */
static void resets_are_laid_where_they_belong(void **state)
{
    struct hf_plan_config config = fold_config(2);
    struct hf_plan_view before[2], after[2];
    struct fold fold;
    static const int apart[2] = {26, 14}, low[2] = {13, 13};

    (void)state;
    fold_start(&fold, &config, HF_METHOD_BELIEF);
    fold_baseline(&fold);
    teach_edges(&fold, 2);
    for (int g = 0; g < 2; g++)
        before[g] = view_of(&fold, g);
    reset_at(&fold, low, 2, 300.0);
    for (int g = 0; g < 2; g++) {
        after[g] = view_of(&fold, g);
        print_message("unrelated crash: edge of group %d %.3f, then %.3f\n", g, before[g].edge_step_median,
                      after[g].edge_step_median);
        assert_near(after[g].edge_step_median, before[g].edge_step_median, 0.1);
        before[g] = after[g];
    }
    reset_at(&fold, apart, 2, 5.0);
    after[0] = view_of(&fold, 0);
    after[1] = view_of(&fold, 1);
    print_message("edge trial: group 0 %.3f, then %.3f; bystander %.3f, then %.3f\n",
                  before[0].edge_step_median, after[0].edge_step_median, before[1].edge_step_median,
                  after[1].edge_step_median);
    assert_true(fabs(after[0].edge_step_median - before[0].edge_step_median) > 0.02);
    assert_near(after[1].edge_step_median, before[1].edge_step_median, 0.1);
    hf_plan_free(fold.plan);
}

/* "It was 0 or 1": later one of them proves sound far above where it stood, or a third group does, which was
 * never under suspicion. Only in the first case does the blame go over to group 1, which has seen nothing new
 * itself. */
static double edge_of_other(int cleared)
{
    struct hf_plan_config config = fold_config(3);
    struct fold fold;
    static const int together[3] = {23, 23, 12};
    double edge;

    fold_start(&fold, &config, HF_METHOD_BELIEF);
    fold_baseline(&fold);
    teach_edges(&fold, 3);
    reset_at(&fold, together, 3, 20.0);
    for (int n = 0; n < 4; n++) {
        run_trial(&fold, cleared, 26, 600.0, 0, 600.0);
        run_trial(&fold, cleared, 31, 600.0, 1, 20.0);
    }
    edge = view_of(&fold, 1).edge_step_median;
    hf_plan_free(fold.plan);
    return edge;
}

static void blame_moves_when_one_is_cleared(void **state)
{
    double with_alibi = edge_of_other(0), without = edge_of_other(2);

    (void)state;
    print_message("edge of group 1: %.3f while group 0 is suspect too, %.3f once it is cleared\n", without,
                  with_alibi);
    assert_true(with_alibi < without - 0.02);
}

/* Several groups stand 6 steps higher while this one is tried: its trial was as hard as one a little higher.
 */
static void others_load_counts(void **state)
{
    double edge[2];

    (void)state;
    for (int high = 0; high < 2; high++) {
        struct hf_plan_config config = fold_config(4);
        struct fold fold;
        struct hf_proposal proposal = {.kind = HF_PROPOSAL_TRIAL, .purpose = HF_PURPOSE_EDGE};
        uint64_t trial[4];

        fold_start(&fold, &config, HF_METHOD_BELIEF);
        fold_baseline(&fold);
        teach_edges(&fold, 4);
        for (int n = 0; n < 6; n++) {
            for (int g = 0; g < 4; g++) {
                proposal.group = g;
                proposal.step = g == 0 ? 22 : high ? 30 : 14;
                proposal.limit_s = 3600.0;
                trial[g] = fold_begin(&fold, &proposal);
            }
            assert_int_equal(fold_verdict(&fold, trial[0], HF_VERDICT_FAIL, HF_CAUSE_WRONG_RESULT, 0, 600.0),
                             0);
            for (int g = 1; g < 4; g++)
                assert_int_equal(
                    fold_verdict(&fold, trial[g], HF_VERDICT_VOID, HF_CAUSE_INTERRUPTED, HF_GROUP_NONE, 0.0),
                    0);
        }
        edge[high] = view_of(&fold, 0).edge_step_median;
        hf_plan_free(fold.plan);
    }
    print_message("edge %.3f beside low groups, %.3f beside high ones\n", edge[0], edge[1]);
    assert_true(edge[1] > edge[0] + 0.2);
}

static void short_clock_is_not_asked_again(void **state)
{
    struct hf_plan_config config = fold_config(1);
    struct hf_proposal proposal;
    struct fold fold;
    int short_step = 38;

    (void)state;
    fold_start(&fold, &config, HF_METHOD_BELIEF);
    fold_baseline(&fold);
    for (int n = 0; n < 200; n++) {
        uint64_t trial;
        int falls_short;

        proposal = fold_propose(&fold, 0);
        if (proposal.kind != HF_PROPOSAL_TRIAL)
            break;
        assert_true(proposal.step < short_step && proposal.limit_s > 0.0);
        trial = fold_begin(&fold, &proposal);
        falls_short = proposal.step > 20;
        if (falls_short && proposal.step < short_step)
            short_step = proposal.step;
        assert_int_equal(fold_verdict(&fold, trial, falls_short ? HF_VERDICT_VOID : HF_VERDICT_PASS,
                                      falls_short ? HF_CAUSE_CLOCK_SHORTFALL : HF_CAUSE_TIME_SERVED,
                                      HF_GROUP_NONE, falls_short ? 5.0 : proposal.limit_s),
                         0);
    }
    assert_int_equal(proposal.kind, HF_PROPOSAL_JOINT);
    assert_true(short_step <= 22);
    assert_true(view_of(&fold, 0).chosen_step <= 20);
    assert_int_equal(view_of(&fold, 0).left_alone, 0);
    hf_plan_free(fold.plan);
}

static void hot_group_waits_while_others_work(void **state)
{
    struct hf_plan_config config = fold_config(2);
    struct hf_proposal proposal;
    struct fold fold;
    uint64_t hot;

    (void)state;
    fold_start(&fold, &config, HF_METHOD_BELIEF);
    fold_baseline(&fold);
    proposal = fold_propose(&fold, 0);
    hot = fold_begin(&fold, &proposal);
    assert_int_equal(fold_verdict(&fold, hot, HF_VERDICT_VOID, HF_CAUSE_OVER_TEMPERATURE, HF_GROUP_NONE, 3.0),
                     0);
    assert_int_equal(fold_propose(&fold, 0).kind,
                     HF_PROPOSAL_TRIAL); /* nobody else works: nothing to wait for */
    proposal = fold_propose(&fold, 1);
    (void)fold_begin(&fold, &proposal);
    assert_int_equal(fold_propose(&fold, 0).kind, HF_PROPOSAL_WAIT);
    fold.now_s += 61.0;
    assert_int_equal(fold_propose(&fold, 0).kind, HF_PROPOSAL_TRIAL);
    hf_plan_free(fold.plan);
}

/* A search that the deadline ends says what that costs; one that ended by itself says nothing. */
static void deadline_says_what_it_costs(void **state)
{
    struct hf_plan_config config = fold_config(2);
    struct hf_plan_deadline deadline;
    struct hf_proposal proposal;
    struct fold fold;

    (void)state;
    config.deadline_s = 600 + 21600 + 5000;
    fold_start(&fold, &config, HF_METHOD_BELIEF);
    fold_baseline(&fold);
    teach_edges(&fold, 2);
    hf_plan_deadline(fold.plan, &deadline);
    assert_true(deadline.set && !deadline.ended_search);
    assert_int_equal(fold_propose(&fold, 0).kind, HF_PROPOSAL_TRIAL);
    fold.now_s = 600 + 4990;
    assert_int_equal(fold_event(&fold, (struct hf_event){.type = HF_EVENT_RESET, .group = HF_GROUP_NONE}), 0);
    hf_plan_deadline(fold.plan, &deadline);
    assert_true(deadline.set && deadline.ended_search);
    print_message("the deadline costs %.2f steps a group\n", deadline.steps_lost);
    assert_true(deadline.steps_lost > 0.05 && deadline.steps_lost < 5.0);
    proposal = fold_propose(&fold, 0);
    assert_int_equal(proposal.kind, HF_PROPOSAL_JOINT);
    assert_non_null(strstr(proposal.reason, "deadline"));
    (void)fold_begin(&fold, &proposal);
    hf_plan_deadline(fold.plan, &deadline); /* still known afterwards */
    assert_true(deadline.ended_search && deadline.steps_lost > 0.05);
    hf_plan_free(fold.plan);
}

/* A round says for each group what it would be told alone; with a person, all trials last equally long. */
static void rounds_are_the_single_answers(void **state)
{
    for (int person = 0; person < 2; person++) {
        struct hf_plan_config config = fold_config(3);
        struct hf_proposal round[HF_GROUPS_MAX], alone;
        struct fold fold;
        int count;

        (void)state;
        config.change_needs_person = person;
        fold_start(&fold, &config, HF_METHOD_BELIEF);
        assert_int_equal(hf_plan_propose_round(fold.plan, 0.0, round), 1);
        assert_int_equal(round[0].kind, HF_PROPOSAL_JOINT);
        fold_baseline(&fold);
        teach_edges(&fold, 2);
        count = hf_plan_propose_round(fold.plan, fold.now_s, round);
        assert_int_equal(count, 3);
        for (int g = 0; g < 3; g++) {
            alone = fold_propose(&fold, g);
            assert_int_equal(round[g].group, g);
            assert_int_equal(round[g].kind, alone.kind);
            assert_int_equal(round[g].step, alone.step);
            if (!person)
                assert_true(round[g].limit_s == alone.limit_s);
            else
                assert_true(round[g].limit_s == round[0].limit_s && round[g].limit_s >= alone.limit_s);
        }
        hf_plan_free(fold.plan);
    }
}

/* A person's quarter of an hour for each change: longer trials, and fewer. */
static void costs_change_the_trials(void **state)
{
    double limit_s[2];

    (void)state;
    for (int person = 0; person < 2; person++) {
        struct hf_plan_config config = fold_config(2);
        struct fold fold;

        config.change_needs_person = person;
        fold_start(&fold, &config, HF_METHOD_BELIEF);
        fold_baseline(&fold);
        teach_edges(&fold, 2);
        limit_s[person] = fold_propose(&fold, 0).limit_s;
        hf_plan_free(fold.plan);
    }
    assert_true(limit_s[1] > limit_s[0]);
}

static void discounted_plan_knows_less(void **state)
{
    struct hf_plan_config config = fold_config(2);
    struct hf_plan_view before, after;
    struct fold fold;

    (void)state;
    fold_start(&fold, &config, HF_METHOD_BELIEF);
    fold_baseline(&fold);
    teach_edges(&fold, 2);
    before = view_of(&fold, 0);
    hf_plan_discount(fold.plan, 0.5);
    after = view_of(&fold, 0);
    assert_true(after.edge_step_high - after.edge_step_low >
                1.2 * (before.edge_step_high - before.edge_step_low));
    assert_true(after.rate_at_choice_upper_per_hour > 0.0);
    hf_plan_free(fold.plan);
}

/* --- a core that fails at any ratio --- */

static void fail_at(struct fold *fold, int group, int step, double exposure_s, int cpu)
{
    struct hf_proposal proposal = {.kind = HF_PROPOSAL_TRIAL, .purpose = HF_PURPOSE_HOLD, .group = group};
    struct hf_event verdict = {
        .type = HF_EVENT_VERDICT, .verdict = HF_VERDICT_FAIL, .cause = HF_CAUSE_WRONG_RESULT};

    proposal.step = step;
    proposal.limit_s = 3600.0;
    verdict.trial = fold_begin(fold, &proposal);
    verdict.group = group;
    verdict.cpu = cpu;
    verdict.exposure_s = exposure_s;
    fold->now_s += exposure_s;
    assert_int_equal(fold_event(fold, verdict), 0);
}

/* Faults ten steps and more below a known edge, as often at 12 as at 15: the first is a surprise, the third
 * makes a defect of all; the edge is where it was, the core is named, the rate about one in 20 min. A
 * neighbour that fails only near its edge stays sound. */
static void defect_does_not_pull_the_edge(void **state)
{
    static const int step[] = {14, 12, 15, 13};
    static const double after_s[] = {900.0, 1500.0, 700.0, 1800.0};
    struct hf_plan_config config = fold_config(2);
    struct hf_plan_view before, after;
    struct fold fold;

    (void)state;
    fold_start(&fold, &config, HF_METHOD_BELIEF);
    fold_baseline(&fold);
    teach_edges(&fold, 2);
    before = view_of(&fold, 0);
    assert_true(before.defect_probability < 0.01);
    for (int n = 0; n < 4; n++) {
        fail_at(&fold, 0, step[n], after_s[n], 5);
        after = view_of(&fold, 0);
        print_message("fault %d: edge %.3f, before %.3f; defect %.4f, %.2f an hour\n", n + 1,
                      after.edge_step_median, before.edge_step_median, after.defect_probability,
                      after.defect_rate_per_hour);
    }
    assert_true(after.defect_probability > 0.95);
    assert_int_equal(after.defect_cpu, 5);
    assert_true(after.defect_rate_per_hour > 1.0 && after.defect_rate_per_hour < 9.0);
    assert_near(after.edge_step_median, before.edge_step_median, 0.5);
    assert_true(after.rate_at_choice_median_per_hour >
                1.0); /* the defect is part of what is to be expected */
    assert_true(view_of(&fold, 1).defect_probability < 0.01);
    hf_plan_free(fold.plan);
}

/* An edge five steps lower than believed (a core that fails when hot): faults at once where it should hold,
 * the more the higher, none below. That is no defect: the edge moves. */
static void lower_edge_is_no_defect(void **state)
{
    struct hf_plan_config config = fold_config(2);
    struct hf_plan_view before, after;
    struct fold fold;

    (void)state;
    fold_start(&fold, &config, HF_METHOD_BELIEF);
    fold_baseline(&fold);
    teach_edges(&fold, 2);
    before = view_of(&fold, 0);
    fail_at(&fold, 0, 19, 60.0, 5);
    run_trial(&fold, 0, 16, 600.0, 0, 600.0);
    fail_at(&fold, 0, 18, 250.0, 5);
    run_trial(&fold, 0, 16, 600.0, 0, 600.0);
    fail_at(&fold, 0, 20, 15.0, 5);
    after = view_of(&fold, 0);
    print_message("edge %.3f, before %.3f; defect %.4f\n", after.edge_step_median, before.edge_step_median,
                  after.defect_probability);
    assert_true(after.defect_probability < 0.5);
    assert_true(after.edge_step_median < before.edge_step_median - 0.2);
    assert_true(after.slope_median < before.slope_median);
    hf_plan_free(fold.plan);
}

/* Carries out what is proposed, edges at 24, 1.5 nats a step, until a joint trial is. */
static void search_to_soak(struct fold *fold, int groups)
{
    for (int n = 0; n < 400; n++) {
        struct hf_proposal proposal = fold_propose(fold, n % groups);
        double fault_s;

        if (proposal.kind == HF_PROPOSAL_JOINT)
            return;
        assert_int_equal(proposal.kind, HF_PROPOSAL_TRIAL);
        fault_s = 0.7 * 60.0 * exp(1.5 * (24 - proposal.step));
        run_trial(fold, n % groups, proposal.step, proposal.limit_s, fault_s < proposal.limit_s, fault_s);
    }
    fail_msg("no soak after 400 trials");
}

/* The same defect in the soak: no ratio mends it, and the plan says so instead of walking down for ever. */
static void defect_ends_the_soak(void **state)
{
    struct hf_plan_config config = fold_config(2);
    struct hf_proposal proposal;
    struct fold fold;
    int failed = 0;

    (void)state;
    fold_start(&fold, &config, HF_METHOD_BELIEF);
    fold_baseline(&fold);
    teach_edges(&fold, 2);
    for (int n = 0; n < 3; n++)
        fail_at(&fold, 0, 12 + n, 1000.0 + 100.0 * n, 5);
    search_to_soak(&fold, 2);
    for (proposal = fold_propose(&fold, 0); proposal.kind == HF_PROPOSAL_JOINT && failed < 8; failed++) {
        struct hf_event verdict = {
            .type = HF_EVENT_VERDICT, .verdict = HF_VERDICT_FAIL, .cause = HF_CAUSE_WRONG_RESULT, .cpu = 5};

        verdict.trial = fold_begin(&fold, &proposal);
        verdict.exposure_s = 900.0;
        fold.now_s += 900.0;
        assert_int_equal(fold_event(&fold, verdict), 0);
        proposal = fold_propose(&fold, 0);
    }
    print_message("after %d soak(s): %s\n", failed, proposal.reason);
    assert_int_equal(proposal.kind, HF_PROPOSAL_STOP);
    assert_non_null(strstr(proposal.reason, "CPU 5"));
    assert_non_null(strstr(proposal.reason, "any ratio"));
    assert_true(failed >= 1 && failed <= 3);
    hf_plan_free(fold.plan);
}

/* Edge believed after a reset that names the group, where records of its exposure came so far apart. */
static double edge_with_records(double apart_s, uint64_t sequence)
{
    struct hf_plan_config config = fold_config(1);
    struct hf_proposal proposal = {
        .kind = HF_PROPOSAL_TRIAL, .purpose = HF_PURPOSE_EDGE, .step = 22, .limit_s = 1000};
    struct hf_plan_view view;
    struct fold fold;
    uint64_t trial;

    fold_start(&fold, &config, HF_METHOD_BELIEF);
    fold_baseline(&fold);
    trial = fold_begin(&fold, &proposal);
    for (int i = 1; i <= 3; i++) {
        struct hf_event record = {.type = HF_EVENT_EXPOSURE, .trial = trial, .exposure_s = i * apart_s};

        record.sequence = sequence > 0 ? sequence + (uint64_t)i : 0;
        fold.now_s += apart_s;
        assert_int_equal(fold_event(&fold, record), 0);
    }
    fold.now_s += 200.0; /* the boot */
    assert_int_equal(fold_event(&fold, (struct hf_event){.type = HF_EVENT_RESET, .group = 0, .cpu = -1}), 0);
    assert_int_equal(fold_event(&fold, (struct hf_event){.type = HF_EVENT_VERDICT,
                                                         .trial = trial,
                                                         .verdict = HF_VERDICT_FAIL,
                                                         .cause = HF_CAUSE_MACHINE_RESET,
                                                         .exposure_s = 3 * apart_s,
                                                         .cpu = -1}),
                     0);
    hf_plan_view(fold.plan, 0, &view);
    hf_plan_free(fold.plan);
    return view.edge_step_median;
}

/* What a reset took with it is as much as records came apart, of late, in this journal. */
static void late_records_hide_exposure(void **state)
{
    double on_time = edge_with_records(5, 100), late = edge_with_records(60, 100),
           told_late = edge_with_records(60, 0);

    (void)state;
    print_message("edge after a reset with records 5 s apart %.2f, 60 s apart %.2f, rehearsed %.2f\n",
                  on_time, late, told_late);
    assert_true(late >
                told_late + 0.01); /* the fault may have come much later than 5 s after the last record */
}

/* Faults far more often than the claim allows, down to the baseline: it stays there, and cannot be certified.
 */
static void baseline_too_high_is_said(void **state)
{
    struct hf_plan_config config = fold_config(2);
    struct hf_plan_view view[2];
    struct fold fold;

    (void)state;
    fold_start(&fold, &config, HF_METHOD_BELIEF);
    fold_baseline(&fold);
    for (int g = 0; g < 2; g++)
        hf_plan_view(fold.plan, g, &view[g]);
    assert_false(view[0].unsafe_at_baseline); /* nothing is known against it */
    for (int step = 20; step <= 24; step += 2) {
        run_trial(&fold, 1, step, 300, 0, 0);
        run_trial(&fold, 1, step, 300, 0, 0);
    }
    for (int i = 0; i < 4; i++) {
        run_trial(&fold, 0, 13, 600, 1, 20);
        run_trial(&fold, 0, 12, 600, 1, 60);
        run_trial(&fold, 0, 11, 600, 1, 300);
    }
    for (int g = 0; g < 2; g++)
        hf_plan_view(fold.plan, g, &view[g]);
    print_message("one fault in %.1f h expected at the baseline\n",
                  1.0 / view[0].rate_at_choice_median_per_hour);
    assert_int_equal(view[0].chosen_step, 10);
    assert_true(view[0].unsafe_at_baseline);
    assert_false(view[1].unsafe_at_baseline);
    hf_plan_free(fold.plan);
}

/* The soak is proposed in the last two minutes before the deadline leaves no time for it. */
static struct hf_proposal soak_at_the_deadline(int fails_in_group_1)
{
    struct hf_plan_config config = fold_config(3);
    struct hf_proposal proposal;
    struct fold fold;

    config.deadline_s = 20000.0 + 6 * 3600.0;
    config.soak_s = 6 * 3600.0;
    fold_start(&fold, &config, HF_METHOD_BELIEF);
    fold_baseline(&fold);
    for (int i = 0; i < 4; i++) {
        for (int g = 0; g <= fails_in_group_1; g++) {
            run_trial(&fold, g, 13, 600, 1, 20);
            run_trial(&fold, g, 12, 600, 1, 60);
            run_trial(&fold, g, 11, 600, 1, 300);
        }
        run_trial(&fold, 2, 24, 300, 0, 0);
        run_trial(&fold, 2, 26, 300, 1, 20);
    }
    run_trial(&fold, 2, 12, 20000.0 - 91.0 - fold.now_s, 0, 0);
    proposal = fold_propose(&fold, 0);
    hf_plan_free(fold.plan);
    return proposal;
}

/* Before a soak that cannot prove a group the journal says so, whole: beside all else that stands there. */
static void soak_says_who_gets_no_claim(void **state)
{
    struct hf_proposal one = soak_at_the_deadline(0), two = soak_at_the_deadline(1);

    (void)state;
    assert_int_equal(one.kind, HF_PROPOSAL_JOINT);
    assert_int_equal(one.purpose, HF_PURPOSE_SOAK);
    assert_int_equal(one.joint_step[0], 10); /* loaded: it is on the rail with the others */
    assert_non_null(strstr(one.reason, "deadline"));
    assert_non_null(strstr(one.reason, "; no claim for group 0, unsafe at baseline"));
    print_message("%s\n", two.reason);
    assert_non_null(strstr(two.reason, "; no claim for group 0 and 1 more, unsafe at baseline"));
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(late_records_hide_exposure),
        cmocka_unit_test(baseline_too_high_is_said),
        cmocka_unit_test(soak_says_who_gets_no_claim),
        cmocka_unit_test(resets_are_laid_where_they_belong),
        cmocka_unit_test(blame_moves_when_one_is_cleared),
        cmocka_unit_test(others_load_counts),
        cmocka_unit_test(short_clock_is_not_asked_again),
        cmocka_unit_test(hot_group_waits_while_others_work),
        cmocka_unit_test(deadline_says_what_it_costs),
        cmocka_unit_test(rounds_are_the_single_answers),
        cmocka_unit_test(costs_change_the_trials),
        cmocka_unit_test(discounted_plan_knows_less),
        cmocka_unit_test(defect_does_not_pull_the_edge),
        cmocka_unit_test(lower_edge_is_no_defect),
        cmocka_unit_test(defect_ends_the_soak),
    };

    return cmocka_run_group_tests(tests, NULL, NULL);
}
