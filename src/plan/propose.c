/*
 * The phases of a night.
 *
 *   baseline --passed--> search --nobody searches, no trial open--> soak --passed--> proved
 *      |                                                              |  ^
 *      | failed                                              failed: lower, once more
 *      v                                                              v
 *    stopped  <--- the baseline or a pinned ratio fails, or a joint trial is void five times
 *
 * Transitions happen in history.c, when events are observed; here the state is only read.
 */
#include <assert.h>
#include <math.h>
#include <stdarg.h>
#include <stdio.h>
#include <string.h>

#include "holdfast/statistics.h"
#include "plan/plan_internal.h"

void plan_propose_trial(struct hf_proposal *ret_proposal, int group, enum hf_purpose purpose, int step,
                        double limit_s, const char *format, ...)
{
    va_list arguments;

    memset(ret_proposal, 0, sizeof *ret_proposal);
    ret_proposal->kind = HF_PROPOSAL_TRIAL;
    ret_proposal->purpose = purpose;
    ret_proposal->group = group;
    ret_proposal->step = step;
    ret_proposal->limit_s = limit_s;
    va_start(arguments, format);
    (void)vsnprintf(ret_proposal->reason, sizeof ret_proposal->reason, format, arguments);
    va_end(arguments);
}

static void propose_plain(struct hf_proposal *ret_proposal, enum hf_proposal_kind kind, int group,
                          const char *reason)
{
    memset(ret_proposal, 0, sizeof *ret_proposal);
    ret_proposal->kind = kind;
    ret_proposal->group = group;
    (void)snprintf(ret_proposal->reason, sizeof ret_proposal->reason, "%s", reason);
}

void plan_propose_wait(struct hf_proposal *ret_proposal, int group, const char *reason)
{
    propose_plain(ret_proposal, HF_PROPOSAL_WAIT, group, reason);
}

void plan_stop(struct hf_plan *plan, const char *format, ...)
{
    va_list arguments;

    if (plan->stopped)
        return;
    plan->stopped = 1;
    va_start(arguments, format);
    (void)vsnprintf(plan->stop_reason, sizeof plan->stop_reason, format, arguments);
    va_end(arguments);
}

void plan_soak_set(const struct hf_plan *plan, int16_t *ret_set)
{
    for (int g = 0; g < HF_GROUPS_MAX; g++) {
        int in = g < plan->config.group_count && !plan->config.group[g].left_out;

        ret_set[g] = (int16_t)(in ? plan->group[g].chosen : -1);
    }
}

static int is_last_set(const struct hf_plan *plan, const int16_t *set)
{
    return plan->soak_begun && memcmp(set, plan->soak.step, sizeof plan->soak.step) == 0;
}

double plan_soak_remaining_s(const struct hf_plan *plan, const int16_t *set)
{
    const struct hf_plan_config *config = &plan->config;
    double excluded = hf_exposure_needed(1.0, config->confidence) / config->soak_s;
    int same = is_last_set(plan, set);
    int attempt = same ? plan->soak.same_set_failed + 1 : 1;
    double needed = hf_exposure_needed_at_attempt(excluded, config->confidence, attempt);

    return same ? fmax(needed - plan->soak.served_s, 1.0) : needed;
}

double plan_time_scale(const struct hf_plan *plan)
{
    return fmin(fmax(plan->config.soak_s / (6.0 * 3600.0), 0.05), 4.0);
}

/* --- the search --- */

/* The search ends when what is left before the deadline is the soak, and a little to begin it. */
static double search_time_s(const struct hf_plan *plan)
{
    const double margin_s = 60.0 * plan_time_scale(plan);

    if (plan->config.deadline_s <= 0.0)
        return INFINITY;
    return plan->config.deadline_s - plan->time_s - plan->config.soak_s - margin_s;
}

int plan_is_searching(const struct hf_plan *plan, int group)
{
    return !plan->soak_begun && search_time_s(plan) > PLAN_HOLD_MIN_S * plan_time_scale(plan) &&
           plan_is_searched(plan, group) && plan->method->searching(plan, group);
}

int plan_is_cut_short(const struct hf_plan *plan)
{
    if (plan->soak_begun || search_time_s(plan) > PLAN_HOLD_MIN_S * plan_time_scale(plan))
        return 0;
    for (int g = 0; g < plan->config.group_count; g++) {
        if (plan_is_searched(plan, g) && plan->method->searching(plan, g))
            return 1;
    }
    return 0;
}

static int anybody_searching(const struct hf_plan *plan)
{
    for (int g = 0; g < plan->config.group_count; g++) {
        if (plan_is_searching(plan, g))
            return 1;
    }
    return 0;
}

/* How long the longest trial of the groups that still search can last. */
static double longest_remaining_s(const struct hf_plan *plan)
{
    double longest = 0.0;

    for (int g = 0; g < plan->config.group_count; g++) {
        const struct plan_trial *trial = &plan->trial[g];

        if (!plan_is_searching(plan, g))
            continue;
        if (trial->number == 0)
            longest = fmax(longest, PLAN_HOLD_MIN_S * plan_time_scale(plan));
        else
            longest = fmax(longest, trial->limit_s - (plan->time_s - trial->begin_s));
    }
    return longest;
}

/* About as long as the others still need, so that all end together. */
static double company_s(const struct hf_plan *plan)
{
    double scale = plan_time_scale(plan);

    return fmin(fmax(longest_remaining_s(plan), PLAN_HOLD_MIN_S * scale), PLAN_HOLD_MAX_S * scale);
}

void plan_propose_hold(const struct hf_plan *plan, int group, struct hf_proposal *ret_proposal)
{
    plan_propose_trial(ret_proposal, group, HF_PURPOSE_HOLD, plan->group[group].chosen, company_s(plan),
                       "under load at its present choice, as company for the groups that still search");
}

static void propose_company(const struct hf_plan *plan, int group, struct hf_proposal *ret_proposal)
{
    const struct plan_method *method = plan->method;

    if (!plan_is_searched(plan, group) || !method->company || !method->company(plan, group, ret_proposal))
        plan_propose_hold(plan, group, ret_proposal);
    else
        ret_proposal->limit_s = fmin(ret_proposal->limit_s, company_s(plan));
}

/* A trial short and low enough to be judged, where the machine reset last time. */
static void heed_reset(const struct hf_plan *plan, int group, struct hf_proposal *proposal)
{
    const int baseline = plan->config.group[group].baseline_step;
    const int cap = plan->group[group].reset_cap > baseline ? plan->group[group].reset_cap : baseline;

    if (proposal->kind != HF_PROPOSAL_TRIAL || proposal->step <= cap || plan->config.group[group].pinned)
        return;
    plan_propose_trial(proposal, group, proposal->purpose, cap,
                       fmin(proposal->limit_s, PLAN_HOLD_MIN_S * plan_time_scale(plan)),
                       "lower and short: the machine reset while it was on trial, %d time(s) in a row",
                       plan->fruitless_resets);
}

static void propose_search(const struct hf_plan *plan, int group, double now_s,
                           struct hf_proposal *ret_proposal)
{
    const struct plan_group *own = &plan->group[group];
    double time_s = search_time_s(plan);

    if (own->left_alone) {
        plan_propose_wait(ret_proposal, group, "left where it is after five void trials in a row");
        return;
    }
    if (own->hot_until_s > fmax(now_s, plan->time_s) && plan->open_count > 0) {
        plan_propose_wait(ret_proposal, group, "it was too hot: rests while the others work");
        return;
    }
    if (!plan_is_searching(plan, group)) {
        propose_company(plan, group, ret_proposal);
        heed_reset(plan, group, ret_proposal);
        return;
    }
    plan->method->propose(plan, group, ret_proposal);
    assert(ret_proposal->kind == HF_PROPOSAL_TRIAL || ret_proposal->kind == HF_PROPOSAL_WAIT);
    heed_reset(plan, group, ret_proposal);
    if (ret_proposal->kind == HF_PROPOSAL_TRIAL && ret_proposal->limit_s > time_s)
        ret_proposal->limit_s = time_s;
}

/* --- joint trials --- */

static void propose_joint(const struct hf_plan *plan, enum hf_purpose purpose, double limit_s,
                          struct hf_proposal *ret_proposal)
{
    propose_plain(ret_proposal, HF_PROPOSAL_JOINT, HF_GROUP_ALL, "");
    ret_proposal->purpose = purpose;
    ret_proposal->limit_s = limit_s;
    plan_soak_set(plan, ret_proposal->joint_step);
}

static void propose_baseline(const struct hf_plan *plan, struct hf_proposal *ret_proposal)
{
    propose_joint(plan, HF_PURPOSE_BASELINE, plan->config.baseline_s, ret_proposal);
    for (int g = 0; g < plan->config.group_count; g++) {
        if (ret_proposal->joint_step[g] >= 0)
            ret_proposal->joint_step[g] = (int16_t)plan->config.group[g].baseline_step;
    }
    (void)snprintf(ret_proposal->reason, sizeof ret_proposal->reason,
                   "every group at its baseline, all together, before anything is raised");
}

static void say_cut_short(const struct hf_plan *plan, double needed_s, struct hf_proposal *proposal)
{
    double lost = plan->method->steps_to_win ? plan->method->steps_to_win(plan) : NAN;

    if (isnan(lost))
        (void)snprintf(proposal->reason, sizeof proposal->reason,
                       "soak 1: for %.2f h without a fault; the deadline ended the search",
                       needed_s / 3600.0);
    else
        (void)snprintf(proposal->reason, sizeof proposal->reason,
                       "soak 1: for %.2f h without a fault; the deadline ended the search, which costs about "
                       "%.1f steps a group",
                       needed_s / 3600.0, lost);
}

/* They are on the rail with the others, so they are loaded; but whoever reads the journal should not wait for
 * their claim. */
static void say_unsafe(const struct hf_plan *plan, struct hf_proposal *proposal)
{
    size_t used = strlen(proposal->reason);
    char more[24] = "";
    int first = -1;
    int count = 0;

    for (int g = 0; g < plan->config.group_count; g++) {
        if (!plan_is_unsafe_at_baseline(plan, g))
            continue;
        first = first < 0 ? g : first;
        count++;
    }
    if (count == 0)
        return;
    if (count > 1)
        (void)snprintf(more, sizeof more, " and %d more", count - 1);
    (void)snprintf(proposal->reason + used, sizeof proposal->reason - used,
                   "; no claim for group %d%s, unsafe at baseline", first, more);
}

static void propose_soak(const struct hf_plan *plan, double now_s, struct hf_proposal *ret_proposal)
{
    int16_t set[HF_GROUPS_MAX];
    double needed_s;

    plan_soak_set(plan, set);
    needed_s = plan_soak_remaining_s(plan, set);
    if (plan->config.deadline_s > 0.0 && fmax(now_s, plan->time_s) + needed_s > plan->config.deadline_s) {
        propose_plain(ret_proposal, HF_PROPOSAL_STOP, HF_GROUP_ALL, "");
        ret_proposal->undecided = 1;
        (void)snprintf(ret_proposal->reason, sizeof ret_proposal->reason,
                       "the soak needs %.0f s more than the deadline leaves: %.0f of %.0f s",
                       fmax(now_s, plan->time_s) + needed_s - plan->config.deadline_s,
                       fmax(plan->config.deadline_s - fmax(now_s, plan->time_s), 0.0), needed_s);
        return;
    }
    propose_joint(plan, HF_PURPOSE_SOAK, needed_s, ret_proposal);
    (void)snprintf(ret_proposal->reason, sizeof ret_proposal->reason,
                   "soak %d: the chosen ratios together for %.2f h without a fault", plan->soak.begun + 1,
                   needed_s / 3600.0);
    if (plan_is_cut_short(plan))
        say_cut_short(plan, needed_s, ret_proposal);
    say_unsafe(plan, ret_proposal);
}

/*
 * One proposal for every group without an open trial. When a change needs a person, a round is one boot:
 * trials begin together, and each lasts as long as the longest, because a shorter one would only wait for it.
 */
int hf_plan_propose_round(const struct hf_plan *plan, double now_s, struct hf_proposal *ret_proposals)
{
    double longest = 0.0;
    int count = 0;

    for (int g = 0; g < plan->config.group_count; g++) {
        struct hf_proposal *proposal = &ret_proposals[count];

        if (plan->trial[g].number != 0)
            continue;
        hf_plan_propose(plan, g, now_s, proposal);
        count++;
        if (proposal->kind != HF_PROPOSAL_TRIAL && proposal->kind != HF_PROPOSAL_WAIT) {
            ret_proposals[0] = *proposal; /* it speaks for all groups */
            return 1;
        }
        if (proposal->kind == HF_PROPOSAL_TRIAL)
            longest = fmax(longest, proposal->limit_s);
    }
    for (int i = 0; i < count && plan->config.change_needs_person; i++)
        ret_proposals[i].limit_s = ret_proposals[i].kind == HF_PROPOSAL_TRIAL ? longest : 0.0;
    return count;
}

void hf_plan_propose(const struct hf_plan *plan, int group, double now_s, struct hf_proposal *ret_proposal)
{
    assert(group >= 0 && group < plan->config.group_count);
    assert(plan->trial[group].number == 0);
    if (plan->stopped) {
        propose_plain(ret_proposal, HF_PROPOSAL_STOP, HF_GROUP_ALL, plan->stop_reason);
        ret_proposal->undecided = plan->joint_voids_in_row >= PLAN_VOIDS_MAX;
    } else if (plan->soak.passed) {
        propose_plain(ret_proposal, HF_PROPOSAL_FINISHED, HF_GROUP_ALL, "the soak passed");
    } else if (plan->reset_pending) {
        plan_propose_wait(ret_proposal, group, "the verdicts of a reset's other trials are missing");
    } else if (plan->joint.number != 0) {
        plan_propose_wait(ret_proposal, group, "a joint trial is running");
    } else if (plan->baseline_passed && anybody_searching(plan)) {
        if (plan->config.group[group].left_out)
            plan_propose_wait(ret_proposal, group, "left out: stays at its baseline");
        else
            propose_search(plan, group, now_s, ret_proposal);
    } else if (plan->open_count > 0) {
        plan_propose_wait(ret_proposal, group, "the joint trial begins when the last open trial has ended");
    } else if (!plan->baseline_passed) {
        propose_baseline(plan, ret_proposal);
    } else {
        propose_soak(plan, now_s, ret_proposal);
    }
}
