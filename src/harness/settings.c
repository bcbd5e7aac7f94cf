#include "harness/settings.h"

#include <assert.h>
#include <math.h>
#include <stdio.h>
#include <string.h>

#include "harness/supervisor_private.h"

#define WORDS_MAX 65536
#define CHECK_EVERY_NS                                                                                       \
    INT64_C(5000000000) /* a setting under load is looked at so often, where that costs nothing */

void hf_settings_init(struct hf_settings *settings, const struct hf_run_state *state)
{
    hf_text_init(&settings->words, WORDS_MAX);
    memcpy(settings->out, state->left_out, sizeof settings->out);
}

void hf_settings_release(struct hf_settings *settings)
{
    assert(!settings->busy);
    hf_text_release(&settings->words);
}

int hf_settings_busy(const struct hf_supervisor *s)
{
    return s->settings.busy || s->settings.answered;
}

/* --- the job: in the driver's thread, or in the loop's ----------------------------------------------------
 */

static void set_one(struct hf_supervisor *s, int group)
{
    const struct hf_driver_ops *driver = s->options->driver;
    struct hf_settings *job = &s->settings;
    enum hf_apply_result result = HF_APPLY_DONE;
    int16_t wanted[HF_GROUPS_MAX];
    struct hf_text page;

    memset(wanted, 0xff, sizeof wanted);
    wanted[group] = job->wanted[group];
    hf_text_init(&page, WORDS_MAX);
    if (!job->applies || driver->apply(s->driver_state, wanted, &result, &page, &job->error[group]) == HF_OK)
        (void)driver->read_back(s->driver_state, group, &job->read_back[group], &job->error[group]);
    hf_text_release(&page);
}

static void do_job(struct hf_supervisor *s)
{
    struct hf_settings *job = &s->settings;

    for (int g = 0; g < s->profile->group_count; g++) {
        job->read_back[g] = -1;
        hf_error_clear(&job->error[g]);
        if (job->wanted[g] >= 0)
            set_one(s, g);
    }
}

static void on_work(uv_work_t *work)
{
    do_job(work->data);
}

static void on_done(uv_work_t *work, int status)
{
    struct hf_supervisor *s = work->data;

    (void)status; /* nobody cancels it */
    s->settings.busy = 0;
    s->settings.answered = 1;
    if (s->phase == HF_PHASE_ENDING)
        hf_supervisor_close_tick(s);
}

static void start(struct hf_supervisor *s, const int16_t *wanted, int applies)
{
    struct hf_settings *job = &s->settings;
    struct hf_error error = {0};
    int result;

    assert(!hf_settings_busy(s));
    memcpy(job->wanted, wanted, sizeof job->wanted);
    job->applies = applies;
    if (!s->options->driver->waits) {
        do_job(s);
        job->answered = 1;
        return;
    }
    job->work.data = s;
    result = uv_queue_work(&s->loop, &job->work, on_work, on_done);
    job->busy = result == 0;
    if (result != 0) {
        (void)hf_fail(&error, HF_E_IO, "cannot start a thread for the driver: %s", uv_strerror(result));
        hf_supervisor_fail(s, &error);
    }
}

/* --- answers ---------------------------------------------------------------------------------------------
 */

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

void hf_settings_keep_words(struct hf_supervisor *s)
{
    struct hf_text *words = &s->settings.words;
    char *line;

    if (s->driver_state != NULL && s->options->driver->take_words != NULL)
        s->options->driver->take_words(s->driver_state, words);
    line = words->bytes;

    while (words->size > 0 && line != NULL && *line != '\0') {
        char *end = strchr(line, '\n');

        if (end != NULL)
            *end = '\0';
        if (*line != '\0')
            hf_supervisor_note(s, "%s says: %.400s", s->options->driver->name, line);
        line = end != NULL ? end + 1 : NULL;
    }
    hf_text_clear(words);
}

static void ratio_words(const struct hf_supervisor *s, int step, char *ret_words, size_t size)
{
    if (step < 0)
        (void)snprintf(ret_words, size, "a ratio that cannot be told");
    else
        (void)snprintf(ret_words, size, "ratio %.2f", hf_profile_ratio(s->profile, step));
}

static int others_remain(const struct hf_supervisor *s, int group)
{
    int others = 0;

    for (int g = 0; g < s->profile->group_count; g++)
        others += g != group && !s->profile->group[g].left_out && !s->run->state.left_out[g];
    return others > 0;
}

/* A group that cannot be trusted any more: invariant 3. Before the baseline is proved the verdict names it,
 * and from then on the plan does without it; later the others go as far as they come. */
static void give_up(struct hf_supervisor *s, struct hf_trial *trial, int group, const struct hf_error *why)
{
    struct hf_settings *settings = &s->settings;
    int goes_on = s->profile->goes_on_without && others_remain(s, group);
    int named = goes_on && trial->purpose == HF_PURPOSE_BASELINE;

    if (trial->open)
        hf_trial_close(s, trial, HF_VERDICT_VOID, HF_CAUSE_SETTING_LOST, named ? group : HF_GROUP_NONE, -1,
                       why->message);
    if (!goes_on) {
        hf_supervisor_fail(s, why); /* every group goes to its baseline at the end */
        return;
    }
    settings->out[group] = settings->needs_baseline[group] = 1;
    settings->lacks_one |= !named;
    hf_supervisor_note(s, "the run goes on without %s: %s", hf_supervisor_group_name(s, group), why->message);
}

static void check_baseline(struct hf_supervisor *s, int group)
{
    struct hf_settings *job = &s->settings;
    int baseline = s->profile->group[group].baseline_step;

    job->needs_baseline[group] = 0;
    if (job->error[group].code == HF_OK && job->read_back[group] == baseline)
        hf_supervisor_note(s, "%s is back at its baseline", hf_supervisor_group_name(s, group));
    else
        hf_supervisor_note(
            s,
            "the return of %s to its baseline, ratio %.2f, CANNOT BE CONFIRMED (%s): it is not loaded, "
            "but set it by hand",
            hf_supervisor_group_name(s, group), hf_profile_ratio(s->profile, baseline),
            job->error[group].code != HF_OK ? job->error[group].message : "it reads back otherwise");
}

/* What was read back for one group of a trial: 1 when it is what the trial needs. */
static int take_group(struct hf_supervisor *s, struct hf_trial *trial, int group)
{
    struct hf_settings *job = &s->settings;
    int step = hf_trial_step_of(trial, group);
    struct hf_error error = job->error[group];
    char there[48];

    if (job->applies && journal_setting(s, group, step, job->read_back[group]) != HF_OK)
        return 0;
    if (error.code == HF_OK && job->read_back[group] == step)
        return 1;
    ratio_words(s, job->read_back[group], there, sizeof there);
    if (error.code == HF_OK && (job->applies || ++job->losses[group] >= HF_SETTINGS_LOST_MAX))
        (void)hf_fail(
            &error, HF_E_REFUSED,
            job->applies
                ? "%s reads back %s instead of %.2f right after it was set: the firmware, the kernel or "
                  "another program limits it; lower \"highest\" in the profile, or stop that program"
                : "%s reads back %s instead of %.2f under load, again and again: something else keeps "
                  "changing it. Stop the service that manages clocks or power profiles, then start again",
            hf_supervisor_group_name(s, group), there, hf_profile_ratio(s->profile, step));
    if (error.code != HF_OK) {
        give_up(s, trial, group, &error);
        return 0;
    }
    (void)hf_fail(&error, HF_E_MISMATCH, "%s reads back %s instead of %.2f",
                  hf_supervisor_group_name(s, group), there, hf_profile_ratio(s->profile, step));
    hf_trial_close(s, trial, HF_VERDICT_VOID, HF_CAUSE_SETTING_LOST, HF_GROUP_NONE, -1, error.message);
    return 0;
}

/* The trial's groups that were asked about; the first that fails closes the trial. */
static void take_trial(struct hf_supervisor *s, struct hf_trial *trial)
{
    struct hf_settings *job = &s->settings;
    int asked = 0;
    int good = 1;

    for (int g = 0; g < s->profile->group_count; g++) {
        if (!trial->open || !hf_trial_covers(trial, g) || job->wanted[g] < 0 || job->needs_baseline[g])
            continue;
        asked = 1;
        good &= take_group(s, trial, g);
    }
    if (!asked || !trial->open || !good || s->phase != HF_PHASE_RUNNING)
        return;
    if (job->applies) {
        hf_trial_run(s, trial);
        return;
    }
    trial->setting_confirmed = 1;
    for (int g = 0; g < s->profile->group_count; g++) {
        if (hf_trial_covers(trial, g))
            job->losses[g] = 0;
    }
}

static void take_answers(struct hf_supervisor *s)
{
    struct hf_settings *job = &s->settings;
    int was_baseline[HF_GROUPS_MAX];

    job->answered = 0;
    hf_settings_keep_words(s);
    memcpy(was_baseline, job->needs_baseline, sizeof was_baseline);
    if (s->joint.open)
        take_trial(s, &s->joint);
    for (int g = 0; g < s->profile->group_count && s->phase == HF_PHASE_RUNNING; g++) {
        if (was_baseline[g] && job->applies && job->wanted[g] >= 0)
            check_baseline(s, g);
        else if (s->trial[g].open)
            take_trial(s, &s->trial[g]);
    }
    if (s->phase == HF_PHASE_RUNNING)
        (void)hf_supervisor_commit(s);
}

/* --- asking ----------------------------------------------------------------------------------------------
 */

void hf_settings_apply(struct hf_supervisor *s, const int16_t *wanted)
{
    start(s, wanted, 1);
    if (s->settings.answered)
        take_answers(s);
}

static void wanted_of(const struct hf_supervisor *s, const struct hf_trial *trial, int16_t *ret_wanted)
{
    memset(ret_wanted, 0xff, HF_GROUPS_MAX * sizeof *ret_wanted);
    for (int g = 0; g < s->profile->group_count; g++) {
        if (hf_trial_covers(trial, g))
            ret_wanted[g] = (int16_t)hf_trial_step_of(trial, g);
    }
}

int hf_settings_ask(struct hf_supervisor *s, struct hf_trial *trial)
{
    int16_t wanted[HF_GROUPS_MAX];

    if (trial->setting_confirmed)
        return 1;
    if (hf_settings_busy(s))
        return 0;
    wanted_of(s, trial, wanted);
    start(s, wanted, 0);
    if (s->settings.answered)
        take_answers(s);
    if (!trial->open || s->phase != HF_PHASE_RUNNING)
        return -1;
    return trial->setting_confirmed;
}

static void baseline_of_the_lost(struct hf_supervisor *s)
{
    int16_t wanted[HF_GROUPS_MAX];
    int count = 0;

    memset(wanted, 0xff, sizeof wanted);
    for (int g = 0; g < s->profile->group_count; g++) {
        if (!s->settings.needs_baseline[g])
            continue;
        wanted[g] = (int16_t)s->profile->group[g].baseline_step;
        count++;
    }
    if (count > 0)
        hf_settings_apply(s, wanted);
}

/* In mid-trial, where it costs nothing: the sooner a loss is seen, the less time is wasted. */
static void check_running(struct hf_supervisor *s, int64_t now_ns)
{
    if (s->options->driver->waits || now_ns < s->settings.next_check_ns)
        return;
    s->settings.next_check_ns = now_ns + CHECK_EVERY_NS;
    for (int g = -1; g < s->profile->group_count && s->phase == HF_PHASE_RUNNING; g++) {
        struct hf_trial *trial = g < 0 ? &s->joint : &s->trial[g];

        if (!trial->open || !trial->loaded || trial->draining)
            continue;
        if (hf_settings_ask(s, trial) == 1)
            trial->setting_confirmed = 0; /* for now: it is asked again before the pass */
    }
}

void hf_settings_tick(struct hf_supervisor *s, int64_t now_ns)
{
    if (hf_supervisor_sets_at_once(s))
        return;
    if (s->settings.answered)
        take_answers(s);
    if (s->phase == HF_PHASE_RUNNING && !hf_settings_busy(s))
        baseline_of_the_lost(s);
    if (s->phase == HF_PHASE_RUNNING && !hf_settings_busy(s))
        check_running(s, now_ns);
}
