#include "harness/directors.h"

#include <math.h>
#include <stdio.h>
#include <string.h>

#define VOIDS_MAX 3 /* tries of a fixed trial before it stays undecided */

/* --- search ----------------------------------------------------------------------------------------- */

int hf_search_director_observe(void *context, const struct hf_event *event, struct hf_error *error)
{
    struct hf_search_director *search = context;

    return hf_plan_observe(search->plan, event, error);
}

static void search_propose(void *context, int group, double now_s, struct hf_proposal *ret_proposal)
{
    const struct hf_search_director *search = context;

    hf_plan_propose(search->plan, group, now_s, ret_proposal);
}

static int search_propose_round(void *context, double now_s, struct hf_proposal *ret_proposals)
{
    const struct hf_search_director *search = context;

    return hf_plan_propose_round(search->plan, now_s, ret_proposals);
}

static void search_slice(void *context, uint64_t number, struct hf_slice *ret_slice)
{
    const struct hf_search_director *search = context;

    hf_mix_slice(search->mix, search->seed, number, ret_slice);
}

void hf_search_write_deadline(const struct hf_plan *plan, struct hf_json_writer *writer)
{
    struct hf_plan_deadline deadline;

    hf_plan_deadline(plan, &deadline);
    if (!deadline.set)
        return;
    hf_json_number(writer, "deadline_s", deadline.deadline_s);
    hf_json_bool(writer, "deadline_ended_search", deadline.ended_search);
    if (deadline.ended_search && isfinite(deadline.steps_lost))
        hf_json_number(writer, "deadline_steps_lost", deadline.steps_lost);
}

static void search_write_finished(void *context, struct hf_json_writer *writer)
{
    const struct hf_search_director *search = context;
    struct hf_plan_soak soak;

    hf_plan_soak(search->plan, &soak);
    hf_json_integer(writer, "attempt", soak.attempts);
    hf_json_number(writer, "served_s", soak.served_s);
    hf_json_number(writer, "required_s", soak.required_s);
    hf_json_number(writer, "confidence_spent", soak.confidence_spent);
    hf_json_array_open(writer, "steps");
    for (int g = 0; g < search->group_count; g++)
        hf_json_integer(writer, NULL, soak.step[g]);
    hf_json_array_close(writer);
    hf_search_write_deadline(search->plan, writer);
}

void hf_search_director_init(struct hf_search_director *search, struct hf_plan *plan, int group_count,
                             const struct hf_mix *mix, uint64_t seed, struct hf_director *ret_director)
{
    *search = (struct hf_search_director){.plan = plan, .group_count = group_count, .mix = mix, .seed = seed};
    *ret_director = (struct hf_director){.context = search,
                                         .propose = search_propose,
                                         .propose_round = search_propose_round,
                                         .slice = search_slice,
                                         .slice_context = search,
                                         .write_finished = search_write_finished};
}

/* --- fixed ------------------------------------------------------------------------------------------ */

static int group_of_trial(const struct hf_fixed_director *fixed, uint64_t trial)
{
    for (int g = 0; g < fixed->group_count; g++) {
        if (fixed->open_trial[g] == trial)
            return g;
    }
    return -1;
}

int hf_fixed_director_observe(void *context, const struct hf_event *event, struct hf_error *error)
{
    struct hf_fixed_director *fixed = context;
    int group;

    (void)error;
    if (event->type == HF_EVENT_TRIAL_BEGIN && event->group >= 0)
        fixed->open_trial[event->group] = event->trial;
    if (event->type != HF_EVENT_VERDICT)
        return HF_OK;
    group = group_of_trial(fixed, event->trial);
    if (group < 0)
        return HF_OK; /* an intent of an earlier session, settled now */
    fixed->open_trial[group] = 0;
    fixed->exposure_s[group] = event->exposure_s;
    fixed->cause[group] = event->cause;
    if (event->verdict != HF_VERDICT_VOID || ++fixed->voids[group] >= VOIDS_MAX)
        fixed->verdict[group] = event->verdict;
    return HF_OK;
}

void hf_fixed_director_adopt(struct hf_fixed_director *fixed, const struct hf_run_state *state)
{
    for (int g = 0; g < fixed->group_count; g++) {
        const struct hf_run_trial *trial = &state->open[g];

        if (fixed->target[g] && trial->trial != 0 && trial->purpose == fixed->purpose &&
            trial->step == fixed->step[g])
            fixed->open_trial[g] = trial->trial;
    }
}

int hf_fixed_director_decided(const struct hf_fixed_director *fixed)
{
    int all = 1;

    for (int g = 0; g < fixed->group_count; g++) {
        if (!fixed->target[g])
            continue;
        if (fixed->verdict[g] == HF_VERDICT_FAIL)
            return 1;
        all &= fixed->verdict[g] != HF_VERDICT_NONE;
    }
    return all;
}

static void fixed_propose(void *context, int group, double now_s, struct hf_proposal *ret_proposal)
{
    const struct hf_fixed_director *fixed = context;

    (void)now_s;
    *ret_proposal = (struct hf_proposal){.kind = HF_PROPOSAL_WAIT, .group = group};
    if (hf_fixed_director_decided(fixed)) {
        ret_proposal->kind = HF_PROPOSAL_FINISHED;
        (void)snprintf(ret_proposal->reason, sizeof ret_proposal->reason, "decided");
        return;
    }
    if (fixed->step[group] < 0 || fixed->open_trial[group] != 0 ||
        (fixed->target[group] && fixed->verdict[group] != HF_VERDICT_NONE))
        return;
    ret_proposal->kind = HF_PROPOSAL_TRIAL;
    ret_proposal->purpose = fixed->purpose;
    ret_proposal->step = fixed->step[group];
    ret_proposal->limit_s = fixed->limit_s;
    (void)snprintf(ret_proposal->reason, sizeof ret_proposal->reason, "%s",
                   fixed->target[group] ? "judged" : "company");
}

static void fixed_slice(void *context, uint64_t number, struct hf_slice *ret_slice)
{
    const struct hf_fixed_director *fixed = context;

    hf_mix_slice(fixed->mix, fixed->seed, fixed->replay ? fixed->replay_slice : number, ret_slice);
    ret_slice->number = number; /* workers and judge tell slices apart by it; the load is the replayed one */
}

void hf_fixed_director_start(struct hf_fixed_director *fixed, struct hf_director *ret_director)
{
    *ret_director = (struct hf_director){
        .context = fixed, .propose = fixed_propose, .slice = fixed_slice, .slice_context = fixed};
}
