/* Small steps for tests that tell a plan its history by hand. */
#ifndef TESTS_FOLD_H
#define TESTS_FOLD_H

#include <string.h>

#include "unit/plan/near.h"

#include "holdfast/plan.h"

struct fold {
    struct hf_plan *plan;
    double now_s;
    uint64_t trials;
    struct hf_error error;
};

static struct hf_plan_config fold_config(int groups)
{
    struct hf_plan_config config;

    memset(&config, 0, sizeof config);
    config.group_count = groups;
    config.step_count = 40;
    for (int g = 0; g < groups; g++) {
        config.group[g].baseline_step = 10;
        config.group[g].highest_step = 38;
    }
    return config;
}

static void fold_start(struct fold *fold, const struct hf_plan_config *config, enum hf_plan_method method)
{
    memset(fold, 0, sizeof *fold);
    assert_int_equal(hf_plan_new(config, method, &fold->plan, &fold->error), 0);
}

static int fold_event(struct fold *fold, struct hf_event event)
{
    hf_error_clear(&fold->error);
    event.time_s = fold->now_s;
    return hf_plan_observe(fold->plan, &event, &fold->error);
}

/* Begins and loads what was proposed; returns the trial's number. */
static uint64_t fold_begin(struct fold *fold, const struct hf_proposal *proposal)
{
    struct hf_event event = {.type = HF_EVENT_TRIAL_BEGIN, .trial = ++fold->trials};

    event.purpose = proposal->purpose;
    event.group = proposal->group;
    event.step = proposal->step;
    event.limit_s = proposal->limit_s;
    memcpy(event.joint_step, proposal->joint_step, sizeof event.joint_step);
    assert_int_equal(fold_event(fold, event), 0);
    fold->now_s += 1.0;
    assert_int_equal(
        fold_event(fold, (struct hf_event){.type = HF_EVENT_TRIAL_LOADED, .trial = fold->trials}), 0);
    return fold->trials;
}

static int fold_verdict(struct fold *fold, uint64_t trial, enum hf_verdict verdict, enum hf_cause cause,
                        int group, double exposure_s)
{
    struct hf_event event = {.type = HF_EVENT_VERDICT, .trial = trial, .verdict = verdict, .cause = cause};

    event.group = group;
    event.exposure_s = exposure_s;
    event.cpu = -1;
    fold->now_s += exposure_s;
    return fold_event(fold, event);
}

static struct hf_proposal fold_propose(const struct fold *fold, int group)
{
    struct hf_proposal first;
    struct hf_proposal second;

    memset(&first, 0x55, sizeof first);
    memset(&second, 0xaa, sizeof second);
    hf_plan_propose(fold->plan, group, fold->now_s, &first);
    hf_plan_propose(fold->plan, group, fold->now_s, &second);
    assert_int_equal(first.kind, second.kind); /* asking twice gives the same answer */
    assert_int_equal(first.step, second.step);
    assert_memory_equal(&first.limit_s, &second.limit_s, sizeof first.limit_s);
    assert_string_equal(first.reason, second.reason);
    assert_memory_equal(first.joint_step, second.joint_step, sizeof first.joint_step);
    return first;
}

static void fold_baseline(struct fold *fold)
{
    struct hf_proposal proposal = fold_propose(fold, 0);

    assert_int_equal(proposal.kind, HF_PROPOSAL_JOINT);
    assert_int_equal(proposal.purpose, HF_PURPOSE_BASELINE);
    assert_int_equal(fold_verdict(fold, fold_begin(fold, &proposal), HF_VERDICT_PASS, HF_CAUSE_TIME_SERVED,
                                  HF_GROUP_NONE, proposal.limit_s),
                     0);
}

#endif
