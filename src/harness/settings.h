/*
 * Settings of a real machine: applied group by group, read back, and what happens when a group cannot be set.
 *
 * Invariants
 *  1. One call of the driver at a time. A driver that waits (driver.h) is called from a thread; until its
 * answers have been taken by hf_settings_tick() nothing else is asked of it.
 *  2. A group's load begins only after its read-back has shown the step that was asked for.
 *  3. A group that could not be set, or whose setting something else keeps changing, is brought to its
 * baseline before anything else happens to it; then the run ends, or goes on without the group
 * ("driver_failure").
 *
 *     idle --hf_settings_apply--> busy --(thread)--> answered --hf_settings_tick--> idle
 *          --hf_settings_ask---->
 */
#ifndef HOLDFAST_HARNESS_SETTINGS_H
#define HOLDFAST_HARNESS_SETTINGS_H

#include <stdint.h>
#include <uv.h>

#include "holdfast/driver.h"

struct hf_run_state;
struct hf_supervisor;
struct hf_trial;

#define HF_SETTINGS_LOST_MAX 3 /* so often in a row lost under load: something else changes it */

struct hf_settings {
    uv_work_t work;
    int busy, answered;
    int applies;                   /* apply, then read back; else read back only */
    int16_t wanted[HF_GROUPS_MAX]; /* -1: not asked */
    int read_back[HF_GROUPS_MAX];
    struct hf_error error[HF_GROUPS_MAX];
    struct hf_text words; /* of the driver */
    /* --- kept between jobs --- */
    int out[HF_GROUPS_MAX];            /* the run goes on without it */
    int needs_baseline[HF_GROUPS_MAX]; /* and it still has to be brought there */
    int losses[HF_GROUPS_MAX];
    int lacks_one; /* the plan knows nothing of it: the others will wait for one that is out */
    int64_t next_check_ns;
};

/* Groups that the run goes on without are out from the start. */
void hf_settings_init(struct hf_settings *settings, const struct hf_run_state *state);
void hf_settings_release(struct hf_settings *settings);

/* Applies the steps of the groups with wanted[group] >= 0; the trials open for them begin to work when they
 * are in force. */
void hf_settings_apply(struct hf_supervisor *s, const int16_t *wanted);

/* Is the trial's setting still in force? 1 yes; 0 not known yet, ask again with the next tick; -1 no, and the
 * trial has been closed. */
int hf_settings_ask(struct hf_supervisor *s, struct hf_trial *trial);

void hf_settings_tick(struct hf_supervisor *s, int64_t now_ns);

/* What the driver had to say goes to the journal line by line, and to the person. Not while it is busy. */
void hf_settings_keep_words(struct hf_supervisor *s);

/* 1 while the driver is busy: no new settings can be asked for. */
int hf_settings_busy(const struct hf_supervisor *s);

#endif
