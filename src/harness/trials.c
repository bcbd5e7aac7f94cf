/*
 * Trials from intent to their last second. How they end: trials_end.c.
 *
 *   propose -> [intent on disk] -> apply -> read back -> workers run -> loaded -> exposure ... -> drain ->
 * verdict
 *
 * hf_trials_propose() takes new trials from the director and carries them to `workers run`;
 * hf_trials_accrue() marks them loaded and counts; hf_trials_close_served() drains and passes those that
 * served their time; everything else that ends a trial calls hf_trial_close().
 */
#include <assert.h>
#include <math.h>
#include <stdio.h>
#include <string.h>

#include "harness/supervisor_private.h"
#include "workloads/answers.h"

struct hf_trial *hf_trial_of_group(struct hf_supervisor *s, int group)
{
    if (s->joint.open)
        return &s->joint;
    return s->trial[group].open ? &s->trial[group] : NULL;
}

int hf_trial_any_open(const struct hf_supervisor *s)
{
    int any = s->joint.open;

    for (int g = 0; g < s->profile->group_count; g++)
        any |= s->trial[g].open;
    return any;
}

int hf_trial_covers(const struct hf_trial *trial, int group)
{
    return trial->group == group || (trial->group == HF_GROUP_ALL && trial->joint_step[group] >= 0);
}

int hf_trial_step_of(const struct hf_trial *trial, int group)
{
    return trial->group == HF_GROUP_ALL ? trial->joint_step[group] : trial->step;
}

/* --- intent ----------------------------------------------------------------------------------------- */

static struct hf_trial *open_trial(struct hf_supervisor *s, const struct hf_proposal *proposal, uint64_t id)
{
    struct hf_trial *trial = proposal->kind == HF_PROPOSAL_JOINT ? &s->joint : &s->trial[proposal->group];

    assert(!trial->open && !s->joint.open);
    *trial = (struct hf_trial){
        .open = 1,
        .id = id,
        .purpose = proposal->purpose,
        .group = proposal->kind == HF_PROPOSAL_JOINT ? HF_GROUP_ALL : proposal->group,
        .step = proposal->step,
        .limit_s = proposal->limit_s,
    };
    memcpy(trial->joint_step, proposal->joint_step, sizeof trial->joint_step);
    return trial;
}

static int journal_intent(struct hf_supervisor *s, const struct hf_proposal *proposal,
                          struct hf_trial **ret_trial)
{
    struct hf_event event = {
        .type = HF_EVENT_TRIAL_BEGIN,
        .trial = s->run->state.next_trial,
        .purpose = proposal->purpose,
        .group = proposal->kind == HF_PROPOSAL_JOINT ? HF_GROUP_ALL : proposal->group,
        .step = proposal->step,
        .limit_s = proposal->limit_s,
        .cpu = -1,
        .time_s = hf_supervisor_now_s(s),
    };

    if (event.trial == 0)
        event.trial = 1;
    memcpy(event.joint_step, proposal->joint_step, sizeof event.joint_step);
    if (hf_supervisor_emit(s, &event, proposal->reason) != HF_OK)
        return s->error.code;
    *ret_trial = open_trial(s, proposal, event.trial);
    return HF_OK;
}

/* --- settings --------------------------------------------------------------------------------------- */

static int journal_setting(struct hf_supervisor *s, int group, int asked, int read_back)
{
    struct hf_json_writer *writer = hf_run_begin_record(s->run, HF_RECORD_SETTING);
    struct hf_error error = {0};

    hf_json_integer(writer, "group", group);
    hf_json_integer(writer, "asked", asked);
    hf_json_integer(writer, "read_back", read_back);
    if (hf_run_end_record(s->run, &error) != HF_OK)
        hf_supervisor_fail(s, &error);
    return error.code;
}

static void run_group(struct hf_supervisor *s, int group)
{
    const struct hf_driver_ops *driver = s->options->driver;
    struct hf_error error = {0};

    s->running[group] = 1;
    hf_answers_drop(); /* this CPU may belong to the group: no answer of another setting is trusted */
    if (driver->prepare != NULL &&
        driver->prepare(s->driver_state, group, s->mix_load, s->mix_load_count, &error) != HF_OK)
        hf_supervisor_fail(s, &error);
    s->run_ticks[group] = hf_ticks_now();
    hf_watch_run_started(s, group, s->last_tick_ns);
    for (int i = 0; i < s->pool->worker_count; i++) {
        struct hf_worker *worker = &s->pool->worker[i];

        if (worker->place.group == group && hf_supervisor_core_works(s, worker))
            hf_pool_command_one(worker, HF_WORKER_RUN);
    }
}

void hf_trial_idle_group(struct hf_supervisor *s, int group)
{
    struct hf_error error = {0};

    hf_pool_command(s->pool, group, HF_WORKER_IDLE);
    s->running[group] = 0;
    if (s->options->driver->load != NULL &&
        s->options->driver->load(s->driver_state, group, NULL, 0, &error) != HF_OK)
        hf_supervisor_fail(s, &error);
}

int hf_trial_settings_in_force(struct hf_supervisor *s, struct hf_trial *trial, int journal_them)
{
    char detail[128];

    for (int g = 0; g < s->profile->group_count; g++) {
        struct hf_error error = {0};
        int read_back = -1;

        if (!hf_trial_covers(trial, g))
            continue;
        if (s->options->driver->read_back(s->driver_state, g, &read_back, &error) != HF_OK) {
            hf_supervisor_fail(s, &error);
            return 0;
        }
        if (journal_them && journal_setting(s, g, hf_trial_step_of(trial, g), read_back) != HF_OK)
            return 0;
        if (read_back == hf_trial_step_of(trial, g))
            continue;
        (void)snprintf(detail, sizeof detail, "%s reads back ratio %.2f instead of %.2f",
                       hf_supervisor_group_name(s, g),
                       read_back < 0 ? NAN : hf_profile_ratio(s->profile, read_back),
                       hf_profile_ratio(s->profile, hf_trial_step_of(trial, g)));
        hf_trial_close(s, trial, HF_VERDICT_VOID, HF_CAUSE_SETTING_LOST, HF_GROUP_NONE, -1, detail);
        return 0;
    }
    return 1;
}

void hf_trial_run(struct hf_supervisor *s, const struct hf_trial *trial)
{
    for (int g = 0; g < s->profile->group_count; g++) {
        if (hf_trial_covers(trial, g))
            run_group(s, g);
    }
}

static void load_trial(struct hf_supervisor *s, struct hf_trial *trial)
{
    if (hf_trial_settings_in_force(s, trial, 1))
        hf_trial_run(s, trial);
}

/* A person has to act, most likely by a reboot: the request is on disk before anybody is asked, so that the
 * boot is not taken for a reset. */
static int journal_request(struct hf_supervisor *s, const int16_t *wanted, const struct hf_text *page)
{
    struct hf_json_writer *writer = hf_run_begin_record(s->run, HF_RECORD_REQUEST);
    struct hf_error error = {0};

    hf_json_array_open(writer, "groups");
    for (int g = 0; g < s->profile->group_count; g++) {
        if (wanted[g] < 0)
            continue;
        hf_json_object_open(writer, NULL);
        hf_json_integer(writer, "group", g);
        hf_json_integer(writer, "step", wanted[g]);
        hf_json_object_close(writer);
    }
    hf_json_array_close(writer);
    hf_json_string(writer, "text", page->bytes);
    if (hf_run_end_record(s->run, &error) != HF_OK)
        hf_supervisor_fail(s, &error);
    return hf_supervisor_commit(s);
}

static void ask_person(struct hf_supervisor *s, const int16_t *wanted, const struct hf_text *page)
{
    const struct hf_supervisor_options *options = s->options;

    if (journal_request(s, wanted, page) != HF_OK)
        return;
    if (options->ask_applied != NULL && options->ask_applied(options->ask_context, page->bytes))
        (void)hf_trials_adopt_requested(s);
    else
        hf_supervisor_finish(s, HF_END_REQUESTED, page->bytes);
}

static void apply_wanted(struct hf_supervisor *s, const int16_t *wanted, struct hf_trial **trials, int count)
{
    enum hf_apply_result result;
    struct hf_error error = {0};
    struct hf_text page;

    hf_text_init(&page, 65536);
    if (s->options->driver->apply(s->driver_state, wanted, &result, &page, &error) != HF_OK) {
        hf_supervisor_fail(s, &error);
    } else if (result == HF_APPLY_REQUESTED) {
        ask_person(s, wanted, &page);
    } else {
        for (int i = 0; i < count && s->phase == HF_PHASE_RUNNING; i++)
            load_trial(s, trials[i]);
        (void)hf_supervisor_commit(s);
    }
    hf_text_release(&page);
}

/* --- proposals -------------------------------------------------------------------------------------- */

static void announce(struct hf_supervisor *s, const struct hf_trial *trial, const char *reason)
{
    char limit[HF_TIME_TEXT];

    hf_duration_format(trial->limit_s, limit);
    if (trial->group == HF_GROUP_ALL)
        hf_supervisor_say(s, "trial %llu: %s of all groups together, up to %s (%s)",
                          (unsigned long long)trial->id, hf_purpose_name(trial->purpose), limit, reason);
    else
        hf_supervisor_say(s, "trial %llu: %s at ratio %.2f, %s, up to %s (%s)", (unsigned long long)trial->id,
                          hf_supervisor_group_name(s, trial->group),
                          hf_profile_ratio(s->profile, trial->step), hf_purpose_name(trial->purpose), limit,
                          reason);
}

/* The soak, and the baseline's proof, need every group. */
static int lacks_a_group(struct hf_supervisor *s, const struct hf_proposal *proposal)
{
    for (int g = 0; g < s->profile->group_count; g++) {
        if (proposal->kind == HF_PROPOSAL_JOINT && s->settings.out[g] && proposal->joint_step[g] >= 0)
            return 1;
    }
    return 0;
}

static void finish_without(struct hf_supervisor *s)
{
    struct hf_text words;

    hf_text_init(&words, 4096);
    hf_text_add_string(&words, "what could be found without");
    for (int g = 0; g < s->profile->group_count; g++) {
        if (s->settings.out[g] && !s->run->state.left_out[g])
            hf_text_addf(&words, " %s", hf_supervisor_group_name(s, g));
    }
    hf_text_add_string(
        &words, " has been found. Mend its settings and run the same command again, or begin a new run with "
                "\"left_out\": true for it in the profile");
    hf_supervisor_finish(s, HF_END_INTERRUPTED, words.bytes);
    hf_text_release(&words);
}

/* 1 when the proposal became an open trial whose setting is wanted. */
static int take_proposal(struct hf_supervisor *s, const struct hf_proposal *proposal, int16_t *wanted,
                         struct hf_trial **ret_trial)
{
    switch (proposal->kind) {
    case HF_PROPOSAL_FINISHED:
        hf_supervisor_finish(s, HF_END_FINISHED, proposal->reason);
        return 0;
    case HF_PROPOSAL_STOP:
        hf_supervisor_finish(s, proposal->undecided ? HF_END_UNDECIDED : HF_END_STOPPED, proposal->reason);
        return 0;
    case HF_PROPOSAL_WAIT:
        return 0;
    case HF_PROPOSAL_TRIAL:
    case HF_PROPOSAL_JOINT:
        break;
    }
    if (lacks_a_group(s, proposal)) {
        finish_without(s);
        return 0;
    }
    if (journal_intent(s, proposal, ret_trial) != HF_OK)
        return 0;
    for (int g = 0; g < s->profile->group_count; g++) {
        if (hf_trial_covers(*ret_trial, g))
            wanted[g] = (int16_t)hf_trial_step_of(*ret_trial, g);
    }
    announce(s, *ret_trial, proposal->reason);
    return 1;
}

static int any_cooling(const struct hf_supervisor *s)
{
    int any = 0;

    for (int g = 0; g < s->profile->group_count; g++)
        any |= s->cooling[g] && !s->settings.out[g];
    return any;
}

static int may_be_asked(struct hf_supervisor *s, int group)
{
    return !s->profile->group[group].left_out && !s->settings.out[group] && !s->trial[group].open &&
           !hf_watch_is_cooling(s, group);
}

static int take_one_by_one(struct hf_supervisor *s, int16_t *wanted, struct hf_trial **trials)
{
    int count = 0;

    for (int g = 0; g < s->profile->group_count && s->phase == HF_PHASE_RUNNING && !s->joint.open; g++) {
        struct hf_proposal proposal;

        if (!may_be_asked(s, g))
            continue;
        s->director->propose(s->director->context, g, s->run->state.last_time_s, &proposal);
        count += take_proposal(s, &proposal, wanted, &trials[count]);
    }
    return count;
}

/* One boot for all: the director says what it is to tell of every group, and for how long. */
static int take_round(struct hf_supervisor *s, int16_t *wanted, struct hf_trial **trials)
{
    struct hf_proposal round[HF_GROUPS_MAX];
    int proposals = s->director->propose_round(s->director->context, s->run->state.last_time_s, round);
    int count = 0;

    for (int i = 0; i < proposals && s->phase == HF_PHASE_RUNNING; i++) {
        if (round[i].kind != HF_PROPOSAL_TRIAL || may_be_asked(s, round[i].group))
            count += take_proposal(s, &round[i], wanted, &trials[count]);
    }
    return count;
}

/* A person sets all groups in one go. Those without a trial in this round go to their baseline: nothing runs
 * at a ratio that is not proved when nobody watches it. */
static void rest_of_the_round(const struct hf_supervisor *s, int16_t *wanted)
{
    for (int g = 0; g < s->profile->group_count; g++) {
        if (wanted[g] < 0 && !s->profile->group[g].left_out)
            wanted[g] = (int16_t)s->profile->group[g].baseline_step;
    }
}

void hf_trials_propose(struct hf_supervisor *s)
{
    struct hf_driver_cost cost;
    struct hf_trial *trials[HF_GROUPS_MAX];
    int16_t wanted[HF_GROUPS_MAX];
    int count = 0;

    s->options->driver->cost(s->driver_state, &cost);
    if ((cost.needs_person && hf_trial_any_open(s)) || hf_settings_busy(s))
        return; /* a round at a time: a change would need a reboot under the trials that still run */
    memset(wanted, 0xff, sizeof wanted);
    if (cost.needs_person && s->director->propose_round != NULL)
        count = take_round(s, wanted, trials);
    else
        count = take_one_by_one(s, wanted, trials);
    if (s->phase == HF_PHASE_RUNNING && count == 0 && s->settings.lacks_one && !hf_trial_any_open(s) &&
        !any_cooling(s))
        finish_without(s); /* the others wait for a group that will not come */
    if (count == 0 || s->phase != HF_PHASE_RUNNING || hf_supervisor_commit(s) != HF_OK)
        return;
    if (cost.needs_person)
        rest_of_the_round(s, wanted);
    if (hf_supervisor_sets_at_once(s))
        apply_wanted(s, wanted, trials, count);
    else
        hf_settings_apply(s, wanted);
}

/* The page that a person was given before this session, once more; empty when nobody was asked for anything.
 */
int hf_trials_requested_page(struct hf_supervisor *s, struct hf_text *page)
{
    int16_t wanted[HF_GROUPS_MAX];
    struct hf_driver_cost cost;
    enum hf_apply_result result;
    struct hf_error error = {0};
    int count = 0;

    memset(wanted, 0xff, sizeof wanted);
    for (int g = 0; g < s->profile->group_count; g++) {
        const struct hf_run_trial *trial = &s->run->state.open[g];

        for (int k = 0; k < s->profile->group_count && trial->trial != 0 && !trial->loaded; k++) {
            if (trial->group != HF_GROUP_ALL && trial->group != k)
                continue;
            wanted[k] = (int16_t)(trial->group == HF_GROUP_ALL ? trial->joint_step[k] : trial->step);
            count++;
        }
    }
    if (count == 0)
        return HF_OK;
    s->options->driver->cost(s->driver_state, &cost);
    if (cost.needs_person)
        rest_of_the_round(s, wanted);
    if (s->options->driver->apply(s->driver_state, wanted, &result, page, &error) != HF_OK)
        hf_supervisor_fail(s, &error);
    return error.code;
}

static void restore_trial(struct hf_supervisor *s, const struct hf_run_trial *from)
{
    struct hf_trial *trial = from->group == HF_GROUP_ALL ? &s->joint : &s->trial[from->group];

    *trial = (struct hf_trial){.open = 1,
                               .id = from->trial,
                               .purpose = from->purpose,
                               .group = from->group,
                               .step = from->step,
                               .limit_s = from->limit_s};
    memcpy(trial->joint_step, from->joint_step, sizeof trial->joint_step);
}

/* Trials that a person was asked to set up, now or before a boot: confirm them to the driver and load them.
 */
int hf_trials_adopt_requested(struct hf_supervisor *s)
{
    for (int g = 0; g < s->profile->group_count; g++) {
        const struct hf_run_trial *from = &s->run->state.open[g];

        if (from->trial != 0 && !from->loaded && hf_trial_of_group(s, g) == NULL)
            restore_trial(s, from);
    }
    for (int g = 0; g < s->profile->group_count; g++) {
        struct hf_trial *trial = hf_trial_of_group(s, g);
        struct hf_error error = {0};
        int step = s->profile->group[g].baseline_step; /* rest_of_the_round() */

        if (trial != NULL && hf_trial_covers(trial, g))
            step = hf_trial_step_of(trial, g);
        else if (s->profile->group[g].left_out)
            continue;
        assert(s->options->driver->confirm != NULL);
        if (s->options->driver->confirm(s->driver_state, g, step, &error) != HF_OK) {
            hf_supervisor_fail(s, &error);
            return error.code;
        }
        if ((trial == NULL || !hf_trial_covers(trial, g)) && journal_setting(s, g, step, step) != HF_OK)
            return s->error.code;
    }
    if (s->joint.open)
        load_trial(s, &s->joint);
    for (int g = 0; g < s->profile->group_count && !s->joint.open; g++) {
        if (s->trial[g].open)
            load_trial(s, &s->trial[g]);
    }
    return hf_supervisor_commit(s);
}

/* --- exposure --------------------------------------------------------------------------------------- */

static int all_blocks_begun(const struct hf_supervisor *s, const struct hf_trial *trial)
{
    for (int i = 0; i < s->pool->worker_count; i++) {
        if (hf_trial_covers(trial, s->pool->worker[i].place.group) && s->watch[i].blocks_in_trial == 0 &&
            hf_supervisor_core_works(s, &s->pool->worker[i]))
            return 0;
    }
    return 1;
}

static void tell_driver_cores(struct hf_supervisor *s, int group)
{
    uint32_t cores = 0;

    if (s->options->driver->cores == NULL)
        return;
    for (int core = 0; core < HF_RIG_CORES_MAX; core++) {
        if (s->director->core_works == NULL || s->director->core_works(s->director->context, group, core))
            cores |= UINT32_C(1) << core;
    }
    s->options->driver->cores(s->driver_state, group, cores);
}

/* A simulated processor feels the load from the moment it counts as exposure, and not before. */
static int tell_driver_loaded(struct hf_supervisor *s, const struct hf_trial *trial)
{
    struct hf_error error = {0};

    for (int g = 0; g < s->profile->group_count && error.code == HF_OK; g++) {
        if (!hf_trial_covers(trial, g) || s->options->driver->load == NULL)
            continue;
        tell_driver_cores(s, g);
        if (s->options->driver->begin_run != NULL)
            s->options->driver->begin_run(s->driver_state, g);
        (void)s->options->driver->load(s->driver_state, g, s->mix_load, s->mix_load_count, &error);
    }
    if (error.code != HF_OK)
        hf_supervisor_fail(s, &error);
    return error.code;
}

static void mark_loaded(struct hf_supervisor *s, struct hf_trial *trial)
{
    struct hf_event event = {.type = HF_EVENT_TRIAL_LOADED,
                             .trial = trial->id,
                             .group = trial->group,
                             .cpu = -1,
                             .time_s = hf_supervisor_now_s(s)};

    trial->loaded = 1;
    for (int i = 0; i < s->pool->worker_count; i++) {
        if (hf_trial_covers(trial, s->pool->worker[i].place.group))
            s->watch[i].blocks_in_trial = 0; /* what came before the exposure speaks for none of it */
    }
    if (tell_driver_loaded(s, trial) != HF_OK)
        return;
    if (hf_supervisor_emit(s, &event, NULL) == HF_OK)
        (void)hf_supervisor_commit(s);
}

/* Time is counted for what the trial's group runs; in a joint trial for what most of them do. */
static struct hf_load_share *share_of_slice(struct hf_supervisor *s, struct hf_trial *trial)
{
    struct hf_slice slice = s->slice;

    if (trial->group != HF_GROUP_ALL)
        hf_slice_for_group(&s->slice, trial->group, s->pool->group_count, &slice);
    return hf_baseline_share(trial, &slice);
}

/* Until its settings are in force a trial's workers idle, and what they did was another trial's. */
static int is_running(const struct hf_supervisor *s, const struct hf_trial *trial)
{
    int running = 1;

    for (int g = 0; g < s->profile->group_count; g++)
        running &= !hf_trial_covers(trial, g) || s->running[g];
    return running;
}

/* What a simulated machine has done is being noticed: that takes the wall's time, not the model's. */
static int stands_still(const struct hf_supervisor *s)
{
    const struct hf_driver_ops *driver = s->options->driver;

    return driver->is_waiting != NULL && driver->is_waiting(s->driver_state);
}

/* A simulated machine has one time for all: it stands still while any core lags behind. */
void hf_trials_look_for_lag(struct hf_supervisor *s, double wall_s)
{
    int behind = 0;

    for (int g = -1; g < s->profile->group_count; g++) {
        const struct hf_trial *trial = g < 0 ? &s->joint : &s->trial[g];

        behind |= trial->open && trial->loaded && !trial->draining && hf_trial_is_behind(s, trial, wall_s);
    }
    s->model_waits = behind && s->options->driver->is_simulated && !stands_still(s);
}

static void accrue(struct hf_supervisor *s, struct hf_trial *trial, double wall_s)
{
    double left_s = (trial->limit_s - trial->exposure_s) / s->run->clock_factor;

    if (!trial->open || trial->draining || (trial->loaded && stands_still(s)))
        return;
    if (!trial->loaded) {
        if (is_running(s, trial) && all_blocks_begun(s, trial))
            mark_loaded(s, trial);
        return;
    }
    if (s->model_waits || (!s->options->driver->is_simulated && hf_trial_is_behind(s, trial, wall_s))) {
        hf_trial_wait_for_blocks(s, trial, wall_s);
        return;
    }
    if (wall_s >= left_s) {
        wall_s = left_s;
        trial->exposure_s = trial->limit_s;
    } else {
        trial->exposure_s += wall_s * s->run->clock_factor;
    }
    trial->wall_exposure_s += wall_s;
    if (s->has_slice)
        share_of_slice(s, trial)->exposure_s += wall_s * s->run->clock_factor;
}

void hf_trials_accrue(struct hf_supervisor *s, double wall_s)
{
    accrue(s, &s->joint, wall_s);
    for (int g = 0; g < s->profile->group_count; g++)
        accrue(s, &s->trial[g], wall_s);
}

static struct hf_event exposure_event(const struct hf_supervisor *s, const struct hf_trial *trial)
{
    return (struct hf_event){.type = HF_EVENT_EXPOSURE,
                             .trial = trial->id,
                             .group = trial->group,
                             .cpu = -1,
                             .exposure_s = trial->exposure_s,
                             .blocks = trial->blocks,
                             .time_s = hf_supervisor_now_s(s)};
}

void hf_trials_journal_exposure(struct hf_supervisor *s)
{
    struct hf_event *events = s->exposure_events;
    struct hf_error error = {0};
    int count = 0;

    for (int g = -1; g < s->profile->group_count; g++) {
        struct hf_trial *trial = g < 0 ? &s->joint : &s->trial[g];

        if (!trial->open || !trial->loaded || trial->exposure_s <= trial->journalled_s)
            continue;
        events[count++] = exposure_event(s, trial);
        trial->journalled_s = trial->exposure_s;
    }
    if (count == 0)
        return;
    if (hf_run_add_exposure(s->run, events, count, &error) != HF_OK)
        hf_supervisor_fail(s, &error);
    else
        (void)hf_supervisor_commit(s);
}
