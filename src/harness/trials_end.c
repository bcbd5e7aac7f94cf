/*
 * How trials end: the verdict, its record, and what must be true before time served is a pass.
 *
 * Exposure is time under load. On a crowded machine time passes without load: so a trial's exposure stands
 * still (accrue() in trials.c) while any core of it has finished less than a fifth of the blocks that its
 * exposure stands for, and a simulated machine's time with it. A trial that mostly waits is void.
 */
#include <assert.h>
#include <stdio.h>

#include "harness/supervisor_private.h"

#define BLOCKS_EXPECTED_SHARE 0.2  /* of the blocks that fair sharing of the CPUs would give */
#define BEHIND_MIN_S          15.0 /* by the wall's clock: so long, and */
#define BEHIND_MOST           4.0  /* times its exposure a trial waits for blocks; engineering judgement */

/* --- verdicts --------------------------------------------------------------------------------------- */

static void stop_load(struct hf_supervisor *s, const struct hf_trial *trial)
{
    for (int g = 0; g < s->profile->group_count; g++) {
        if (hf_trial_covers(trial, g) && s->running[g])
            hf_trial_idle_group(s, g);
    }
}

static void announce_verdict(struct hf_supervisor *s, const struct hf_trial *trial,
                             const struct hf_event *event, const char *detail)
{
    char served[HF_TIME_TEXT];
    char core[24] = "";

    hf_duration_format(event->exposure_s, served);
    if (event->cpu >= 0)
        (void)snprintf(core, sizeof core, " on CPU %d", event->cpu);
    hf_supervisor_say(s, "trial %llu: %s %s, %s%s after %s%s%s", (unsigned long long)trial->id,
                      trial->group == HF_GROUP_ALL ? hf_purpose_name(trial->purpose)
                                                   : hf_supervisor_group_name(s, trial->group),
                      hf_verdict_name(event->verdict), hf_cause_name(event->cause), core, served,
                      detail != NULL ? ": " : "", detail != NULL ? detail : "");
}

void hf_trial_close(struct hf_supervisor *s, struct hf_trial *trial, enum hf_verdict verdict,
                    enum hf_cause cause, int group, int cpu, const char *detail)
{
    struct hf_verdict_detail extra = {.supervisor = s,
                                      .trial = trial,
                                      .mix = s->options->mix,
                                      .memory_mix = &s->memory_mix,
                                      .words = detail,
                                      .slice_number = s->slice.number};
    struct hf_event event = {.type = HF_EVENT_VERDICT,
                             .trial = trial->id,
                             .verdict = verdict,
                             .cause = cause,
                             .exposure_s = trial->exposure_s,
                             .blocks = trial->blocks,
                             .group = group,
                             .cpu = cpu};
    struct hf_error error = {0};

    assert(trial->open && hf_cause_fits(verdict, cause));
    stop_load(s, trial);
    hf_trials_journal_exposure(s);
    if (s->phase == HF_PHASE_ENDING && s->error.code != HF_OK)
        return;
    event.time_s = hf_supervisor_now_s(s);
    if (hf_run_add_event_with(s->run, &event, NULL, hf_verdict_write_detail, &extra, &error) != HF_OK) {
        hf_supervisor_fail(s, &error);
        return;
    }
    announce_verdict(s, trial, &event, detail);
    if (verdict == HF_VERDICT_FAIL)
        hf_baseline_failed(s, trial);
    trial->open = 0;
    (void)hf_supervisor_commit(s);
}

/* --- blocks ----------------------------------------------------------------------------------------- */

/* Has every core done its share for so much exposure, by the wall's clock? The absence of a failure is no
 * proof. */
static int enough_blocks(const struct hf_supervisor *s, const struct hf_trial *trial, double wall_s,
                         int *ret_cpu)
{
    double expected = BLOCKS_EXPECTED_SHARE * wall_s / (HF_BLOCK_S * (double)s->sharing);

    for (int i = 0; i < s->pool->worker_count; i++) {
        if (hf_trial_covers(trial, s->pool->worker[i].place.group) &&
            hf_supervisor_core_works(s, &s->pool->worker[i]) &&
            (double)s->watch[i].blocks_in_trial < expected) {
            *ret_cpu = s->pool->worker[i].place.profile_cpu;
            return 0;
        }
    }
    return 1;
}

/* By the wall's clock: the tick, or what is left of the trial. */
static double wall_with_tick(const struct hf_supervisor *s, const struct hf_trial *trial, double wall_s)
{
    double left_s = (trial->limit_s - trial->exposure_s) / s->run->clock_factor;

    return trial->wall_exposure_s + (left_s < wall_s ? left_s : wall_s);
}

int hf_trial_is_behind(const struct hf_supervisor *s, const struct hf_trial *trial, double wall_s)
{
    int cpu;

    return !enough_blocks(s, trial, wall_with_tick(s, trial, wall_s), &cpu);
}

void hf_trial_wait_for_blocks(struct hf_supervisor *s, struct hf_trial *trial, double wall_s)
{
    int cpu = -1;

    if (enough_blocks(s, trial, wall_with_tick(s, trial, wall_s), &cpu))
        return; /* it is another trial's core that the model waits for */
    trial->behind_s += wall_s;
    if (trial->behind_s > BEHIND_MIN_S + BEHIND_MOST * trial->wall_exposure_s)
        hf_trial_close(s, trial, HF_VERDICT_VOID, HF_CAUSE_TOO_FEW_BLOCKS, HF_GROUP_NONE, cpu,
                       "too few blocks were finished to prove anything");
}

/* --- time served ------------------------------------------------------------------------------------ */

static int drained(const struct hf_supervisor *s, const struct hf_trial *trial)
{
    for (int i = 0; i < s->pool->worker_count; i++) {
        const struct hf_worker *worker = &s->pool->worker[i];
        const struct hf_worker_slot *slot = hf_worker_slot_of(worker);

        if (!hf_trial_covers(trial, worker->place.group) || worker->pid == 0)
            continue;
        if (atomic_load(&slot->state) == HF_STATE_RUNNING ||
            atomic_load(&slot->ring_head) != atomic_load(&slot->ring_tail))
            return 0;
    }
    return 1;
}

/* The kernel finds corrected errors by polling: one of this trial may still be on its way. */
static int errors_are_told(const struct hf_supervisor *s, const struct hf_trial *trial)
{
    double wait_s = s->options->driver->is_simulated ? 0 : hf_guardian_drain_s(s);

    return (double)(s->last_tick_ns - trial->served_ns) * 1e-9 >= wait_s;
}

/* A setting can be lost at any time: no pass without it. 0: it was lost, or it is not known yet. */
static int setting_held(struct hf_supervisor *s, struct hf_trial *trial)
{
    if (hf_supervisor_sets_at_once(s))
        return hf_trial_settings_in_force(s, trial, 0);
    return hf_settings_ask(s, trial) == 1;
}

static void close_if_served(struct hf_supervisor *s, struct hf_trial *trial)
{
    int cpu = -1;
    int pending = 0;

    if (!trial->open || !trial->loaded || trial->exposure_s < trial->limit_s)
        return;
    for (int g = 0; g < s->profile->group_count; g++)
        pending |= hf_trial_covers(trial, g) && hf_pool_strike_pending(s->pool, g);
    if (pending)
        return; /* damage is on its way: it belongs to this trial */
    if (!trial->draining) {
        trial->draining = 1;
        trial->served_ns = s->last_tick_ns;
        stop_load(s, trial);
        return;
    }
    if (!drained(s, trial) || !errors_are_told(s, trial))
        return;
    if (!setting_held(s, trial) || hf_watch_clock_fell_short(s, trial))
        return;
    if (enough_blocks(s, trial, trial->wall_exposure_s, &cpu))
        hf_trial_close(s, trial, HF_VERDICT_PASS, HF_CAUSE_TIME_SERVED, HF_GROUP_NONE, -1, NULL);
    else
        hf_trial_close(s, trial, HF_VERDICT_VOID, HF_CAUSE_TOO_FEW_BLOCKS, HF_GROUP_NONE, cpu,
                       "too few blocks were finished to prove anything");
}

void hf_trials_close_served(struct hf_supervisor *s)
{
    close_if_served(s, &s->joint);
    for (int g = 0; g < s->profile->group_count; g++)
        close_if_served(s, &s->trial[g]);
}

void hf_trials_interrupt_all(struct hf_supervisor *s, const char *detail)
{
    for (int g = -1; g < s->profile->group_count && s->error.code == HF_OK; g++) {
        struct hf_trial *trial = g < 0 ? &s->joint : &s->trial[g];

        if (trial->open)
            hf_trial_close(s, trial, HF_VERDICT_VOID, HF_CAUSE_INTERRUPTED, HF_GROUP_NONE, -1, detail);
    }
}
