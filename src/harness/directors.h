/*
 * Directors: who decides what the supervisor tries next.
 *   search     the plan of a run (src/plan): to a finished joint soak
 *   fixed      given groups at given steps for a given exposure (verify, reproduce), others as company
 */
#ifndef HOLDFAST_HARNESS_DIRECTORS_H
#define HOLDFAST_HARNESS_DIRECTORS_H

#include "harness/supervisor.h"
#include "holdfast/plan.h"

/* --- search --- */
struct hf_search_director {
    struct hf_plan *plan;
    int group_count;
    const struct hf_mix *mix;
    uint64_t seed;
};

/* The plan must outlive the director. */
void hf_search_director_init(struct hf_search_director *search, struct hf_plan *plan, int group_count,
                             const struct hf_mix *mix, uint64_t seed, struct hf_director *ret_director);

/* Feeds one event of the journal to the plan (which passes over trials of verify and reproduce: they belong
 * to other commands). An hf_event_visitor with a struct hf_search_director as context. */
int hf_search_director_observe(void *context, const struct hf_event *event, struct hf_error *error);

/* What the deadline did, as keys of the open object: deadline_s, deadline_ended_search and, when the method
 * can say, deadline_steps_lost (a group, on average). None without a deadline. */
void hf_search_write_deadline(const struct hf_plan *plan, struct hf_json_writer *writer);

/* --- fixed --- */
struct hf_fixed_director {
    const struct hf_mix *mix;
    uint64_t seed;
    int replay; /* 1: every slice is slice number replay_slice */
    uint64_t replay_slice;
    enum hf_purpose purpose; /* verify or reproduce */
    double limit_s;          /* exposure wanted of each target */
    int group_count;
    int target[HF_GROUPS_MAX];   /* 1: judged; 0: company, or not loaded when its step is -1 */
    int16_t step[HF_GROUPS_MAX]; /* -1: not loaded */
    /* what came of it */
    uint64_t open_trial[HF_GROUPS_MAX];
    enum hf_verdict verdict[HF_GROUPS_MAX];
    enum hf_cause cause[HF_GROUPS_MAX];
    double exposure_s[HF_GROUPS_MAX];
    int voids[HF_GROUPS_MAX];
};

/* An hf_event_visitor with a struct hf_fixed_director as context. Only events of this session may reach it.
 */
int hf_fixed_director_observe(void *context, const struct hf_event *event, struct hf_error *error);

/* Takes over targets that an earlier session of the same command left open: when the machine reset under one,
 * that is its verdict, and trying again would only hide it. */
void hf_fixed_director_adopt(struct hf_fixed_director *fixed, const struct hf_run_state *state);

void hf_fixed_director_start(struct hf_fixed_director *fixed, struct hf_director *ret_director);

/* 1 when every target has its verdict (pass or fail; void after three tries), or one has failed. */
int hf_fixed_director_decided(const struct hf_fixed_director *fixed);

#endif
