/*
 * A night in virtual time against the plainest processor: each group faults with rate exp(b (step - theta)) a
 * minute, nothing else. Written apart from src/rig on purpose: a plan tested only against its sibling's model
 * would share its mistakes. Optional: a run-to-run shift of theta by shift_sd steps, one draw a trial.
 *
 * Reset shares by distance above the edge are engineering judgement, no source.
 */
#ifndef TESTS_SIMPLE_RIG_H
#define TESTS_SIMPLE_RIG_H

#include <math.h>
#include <stdint.h>
#include <stdio.h>
#include <string.h>

#include "holdfast/plan.h"
#include "holdfast/random.h"

struct night_config {
    int groups;
    int steps_min, steps_max; /* ratios of the grid, drawn between them */
    double claim_hours, soak_s, reset_cost_s, baseline_s;
    double slope_sd_chip, slope_sd_group;
    double shift_sd;      /* run to run, steps */
    double named_share;   /* of resets whose record names the group */
    double flat_per_hour; /* oddity of group 0: faults that do not depend on the ratio */
    uint64_t seed;
};

static const struct night_config night_default = {
    .groups = 8,
    .steps_min = 32,
    .steps_max = 57,
    .claim_hours = 168,
    .soak_s = 6 * 3600.0,
    .reset_cost_s = 180,
    .baseline_s = 600,
    .slope_sd_chip = 0.25,
    .slope_sd_group = 0.10,
    .shift_sd = 0.0,
    .named_share = 0.3,
};

struct night_rig {
    int groups;
    int steps;
    int baseline;
    double theta[HF_GROUPS_MAX];
    double slope[HF_GROUPS_MAX];
    double flat_per_hour[HF_GROUPS_MAX];
    int limit[HF_GROUPS_MAX]; /* the highest step that keeps the claim */
    struct hf_random random;
};

struct night_result {
    int finished; /* the soak passed */
    int stopped;
    int above, below;  /* groups above their true limit; steps left below it, summed over the others */
    int covered;       /* groups whose true rate at the choice is within the 95 % upper bound */
    int alarms;        /* groups whose model check failed */
    int first_alarmed; /* group 0 was among them */
    int resets, failures, trials, soaks;
    double hours, search_hours;
};

static void night_draw_groups(struct night_rig *rig, const struct night_config *config)
{
    double chip_slope = 1.5 * exp(config->slope_sd_chip * hf_random_normal(&rig->random));
    double middle = (0.45 + 0.25 * hf_random_uniform(&rig->random)) * rig->steps;

    for (int g = 0; g < rig->groups; g++) {
        double limit = middle + 1.9 * hf_random_normal(&rig->random);

        rig->slope[g] = chip_slope * exp(config->slope_sd_group * hf_random_normal(&rig->random));
        rig->theta[g] = limit + log(60.0 * config->claim_hours) / rig->slope[g];
        rig->limit[g] = (int)floor(limit);
    }
}

/* Draws until every limit is above the baseline and below the ceiling: what a user who set them sees. */
static void night_draw(struct night_rig *rig, const struct night_config *config, uint64_t night)
{
    int bad = 1;

    memset(rig, 0, sizeof *rig);
    hf_random_init(&rig->random, config->seed, night);
    rig->groups = config->groups;
    rig->flat_per_hour[0] = config->flat_per_hour;
    while (bad) {
        rig->steps =
            config->steps_min +
            (int)hf_random_below(&rig->random, (uint64_t)(config->steps_max - config->steps_min + 1));
        rig->baseline = rig->steps / 4;
        night_draw_groups(rig, config);
        bad = 0;
        for (int g = 0; g < rig->groups; g++)
            bad |= rig->limit[g] <= rig->baseline || rig->limit[g] >= rig->steps - 1;
    }
}

static double night_rate_per_s(const struct night_rig *rig, int group, double step)
{
    double rate = exp(rig->slope[group] * (step - rig->theta[group])) / 60.0;

    return fmin(rate + rig->flat_per_hour[group] / 3600.0, 20.0);
}

static double night_reset_share(const struct night_rig *rig, int group, int step)
{
    double above = step - rig->theta[group];

    return above < 0 ? 0.12 : above < 2 ? 0.20 : above < 4 ? 0.35 : 0.60;
}

struct night_trial {
    uint64_t number;
    enum hf_purpose purpose;
    int step;
    int told;
    double loaded_s, fault_s, end_s; /* run times */
    double limit_s;
};

struct night {
    struct hf_plan *plan;
    struct night_rig *rig;
    const struct night_config *config;
    double now_s;
    uint64_t trials;
    struct night_trial trial[HF_GROUPS_MAX];
    struct night_trial joint;
    int16_t joint_step[HF_GROUPS_MAX];
    double joint_fault_s[HF_GROUPS_MAX];
    void (*saw_event)(void *context, const struct hf_event *event); /* may be NULL */
    void (*saw_proposal)(void *context, const struct hf_plan *plan, const struct hf_proposal *proposal,
                         int group);
    void *context;
    struct night_result *result;
};

static int night_observe(struct night *night, struct hf_event *event)
{
    struct hf_error error = {0};

    event->time_s = night->now_s;
    if (event->type != HF_EVENT_HARDWARE_ERROR)
        event->cpu = -1;
    if (hf_plan_observe(night->plan, event, &error) < 0) {
        fprintf(stderr, "the plan refused an event: %s\n", error.message);
        return -1;
    }
    if (night->saw_event)
        night->saw_event(night->context, event);
    return 0;
}

static double night_fault_after(struct night *night, int group, int step)
{
    double shift = night->config->shift_sd * hf_random_normal(&night->rig->random);

    return hf_random_exponential(&night->rig->random) / night_rate_per_s(night->rig, group, step - shift);
}

static int night_begin(struct night *night, const struct hf_proposal *proposal)
{
    int joint = proposal->kind == HF_PROPOSAL_JOINT;
    struct night_trial *trial = joint ? &night->joint : &night->trial[proposal->group];
    struct hf_event event = {.type = HF_EVENT_TRIAL_BEGIN, .trial = ++night->trials};

    event.purpose = proposal->purpose;
    event.group = proposal->group;
    event.step = proposal->step;
    event.limit_s = proposal->limit_s;
    memcpy(event.joint_step, proposal->joint_step, sizeof event.joint_step);
    if (night_observe(night, &event) < 0)
        return -1;
    *trial =
        (struct night_trial){.number = night->trials, .purpose = proposal->purpose, .step = proposal->step};
    trial->limit_s = proposal->limit_s;
    trial->loaded_s = night->now_s + 1.0;
    trial->end_s = trial->loaded_s + proposal->limit_s;
    trial->fault_s = INFINITY;
    if (!joint) {
        trial->fault_s = trial->loaded_s + night_fault_after(night, proposal->group, proposal->step);
        return 0;
    }
    memcpy(night->joint_step, proposal->joint_step, sizeof night->joint_step);
    for (int g = 0; g < night->rig->groups; g++) {
        night->joint_fault_s[g] = INFINITY;
        if (night->joint_step[g] >= 0)
            night->joint_fault_s[g] = trial->loaded_s + night_fault_after(night, g, night->joint_step[g]);
        trial->fault_s = fmin(trial->fault_s, night->joint_fault_s[g]);
    }
    return 0;
}

static int night_close(struct night *night, struct night_trial *trial, enum hf_verdict verdict,
                       enum hf_cause cause, int group)
{
    struct hf_event event = {
        .type = HF_EVENT_VERDICT, .trial = trial->number, .verdict = verdict, .cause = cause};

    event.group = group;
    event.exposure_s = fmin(fmax(night->now_s - trial->loaded_s, 0.0), trial->limit_s);
    trial->number = 0;
    return night_observe(night, &event);
}

/* LOADED is told late, just before the next thing that happens: legal, and simpler. */
static int night_load_all(struct night *night)
{
    for (int g = -1; g < night->rig->groups; g++) {
        struct night_trial *trial = g < 0 ? &night->joint : &night->trial[g];
        struct hf_event event = {.type = HF_EVENT_TRIAL_LOADED, .trial = trial->number};

        if (trial->number == 0 || trial->told || trial->loaded_s > night->now_s)
            continue;
        trial->told = 1;
        if (night_observe(night, &event) < 0)
            return -1;
    }
    return 0;
}

static int night_reset(struct night *night, int group)
{
    int named = hf_random_uniform(&night->rig->random) < night->config->named_share ? group : HF_GROUP_NONE;
    struct hf_event event = {.type = HF_EVENT_RESET, .group = named};

    night->result->resets++;
    if (night_observe(night, &event) < 0)
        return -1;
    for (int g = -1; g < night->rig->groups; g++) {
        struct night_trial *trial = g < 0 ? &night->joint : &night->trial[g];
        int hit = named == HF_GROUP_NONE || g < 0 || g == named;

        if (trial->number != 0 && night_close(night, trial, hit ? HF_VERDICT_FAIL : HF_VERDICT_VOID,
                                              HF_CAUSE_MACHINE_RESET, hit ? named : HF_GROUP_NONE) < 0)
            return -1;
    }
    night->now_s += night->config->reset_cost_s;
    return 0;
}

static int night_fault(struct night *night, int group, int step, struct night_trial *trial)
{
    if (hf_random_uniform(&night->rig->random) < night_reset_share(night->rig, group, step))
        return night_reset(night, group);
    night->result->failures++;
    return night_close(night, trial, HF_VERDICT_FAIL, HF_CAUSE_WRONG_RESULT, group);
}

/* Moves to the next fault or end of a trial and tells it. */
static int night_advance(struct night *night)
{
    struct night_trial *next = NULL;
    int group = -1;
    int step;
    double at = INFINITY;

    for (int g = -1; g < night->rig->groups; g++) {
        struct night_trial *trial = g < 0 ? &night->joint : &night->trial[g];

        if (trial->number != 0 && fmin(trial->fault_s, trial->end_s) < at) {
            at = fmin(trial->fault_s, trial->end_s);
            next = trial;
            group = g;
        }
    }
    if (!next)
        return -1;
    night->now_s = fmax(night->now_s, at);
    if (night_load_all(night) < 0)
        return -1;
    if (next->fault_s > next->end_s)
        return night_close(night, next, HF_VERDICT_PASS, HF_CAUSE_TIME_SERVED, group);
    step = next->step;
    for (int g = 0; group < 0 && g < night->rig->groups; g++) {
        if (night->joint_fault_s[g] <= at) {
            group = g;
            step = night->joint_step[g];
        }
    }
    return night_fault(night, group, step, next);
}

/* Asks every group without a trial. 1: go on, 0: the night is over. */
static int night_ask(struct night *night)
{
    struct hf_proposal proposal;

    for (int g = 0; g < night->rig->groups && night->joint.number == 0; g++) {
        if (night->trial[g].number != 0)
            continue;
        hf_plan_propose(night->plan, g, night->now_s, &proposal);
        if (night->saw_proposal)
            night->saw_proposal(night->context, night->plan, &proposal, g);
        if (proposal.kind == HF_PROPOSAL_FINISHED || proposal.kind == HF_PROPOSAL_STOP) {
            night->result->finished = proposal.kind == HF_PROPOSAL_FINISHED;
            night->result->stopped = proposal.kind == HF_PROPOSAL_STOP;
            return 0;
        }
        if (proposal.kind == HF_PROPOSAL_WAIT)
            continue;
        if (proposal.purpose == HF_PURPOSE_SOAK && night->result->soaks++ == 0)
            night->result->search_hours = night->now_s / 3600.0;
        night->result->trials++;
        if (night_begin(night, &proposal) < 0)
            return 0;
    }
    return 1;
}

static void night_score(struct night *night)
{
    struct night_result *result = night->result;
    struct hf_plan_view view;
    int alarmed;

    result->hours = night->now_s / 3600.0;
    for (int g = 0; g < night->rig->groups; g++) {
        hf_plan_view(night->plan, g, &view);
        if (view.chosen_step > night->rig->limit[g])
            result->above++;
        else
            result->below += night->rig->limit[g] - view.chosen_step;
        result->covered +=
            3600.0 * night_rate_per_s(night->rig, g, view.chosen_step) <= view.rate_at_choice_upper_per_hour;
        alarmed = !view.model_check_passed || view.defect_probability > 0.5;
        result->alarms += alarmed;
        result->first_alarmed |= g == 0 && alarmed;
    }
}

static void night_plan_config(const struct night_config *config, const struct night_rig *rig,
                              struct hf_plan_config *ret_config)
{
    memset(ret_config, 0, sizeof *ret_config);
    ret_config->group_count = rig->groups;
    ret_config->step_count = rig->steps;
    for (int g = 0; g < rig->groups; g++) {
        ret_config->group[g].baseline_step = rig->baseline;
        ret_config->group[g].highest_step = rig->steps - 1;
    }
    ret_config->claim_hours = config->claim_hours;
    ret_config->soak_s = config->soak_s;
    ret_config->reset_cost_s = config->reset_cost_s;
    ret_config->baseline_s = config->baseline_s;
}

/* One night. `night` brings saw_event, saw_proposal and context; the rest is filled in. 0 when it ran to an
 * end. */
static int night_run(const struct night_config *config, enum hf_plan_method method, uint64_t number,
                     struct night *night, struct night_rig *rig, struct night_result *ret_result)
{
    struct hf_plan_config plan_config;
    struct hf_error error = {0};
    int going = 1;

    memset(ret_result, 0, sizeof *ret_result);
    night_draw(rig, config, number);
    night_plan_config(config, rig, &plan_config);
    night->rig = rig;
    night->config = config;
    night->result = ret_result;
    if (hf_plan_new(&plan_config, method, &night->plan, &error) < 0)
        return -1;
    for (int n = 0; n < 200000 && going; n++) {
        going = night_ask(night);
        if (going && night_advance(night) < 0)
            break;
    }
    night_score(night);
    hf_plan_free(night->plan);
    night->plan = NULL;
    return going ? -1 : 0;
}

#endif
