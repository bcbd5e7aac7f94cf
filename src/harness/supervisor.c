/*
 * The supervisor's life:
 *
 *   STARTING --all workers ready--> PROVING --every planted error reported--> RUNNING --finish/fail--> ENDING
 *   (begin_session)                 (end_proof)                               (run_tick) (wind_down)
 *
 * hf_supervisor_finish() and hf_supervisor_fail() are the only ways to ENDING.
 */
#include "harness/supervisor.h"

#include <assert.h>
#include <math.h>
#include <signal.h>
#include <stdarg.h>
#include <stdio.h>
#include <string.h>
#include <unistd.h>

#include "base/memory.h"
#include "harness/fitness.h"
#include "harness/supervisor_private.h"
#include "holdfast/rehearse.h"
#include "holdfast/topology.h"

#define START_LIMIT_S 60.0 /* workers that are not ready by then never will be */

/* --- small helpers of all supervisor files ----------------------------------------------------------- */

void hf_supervisor_say(struct hf_supervisor *s, const char *format, ...)
{
    char line[1024];
    va_list arguments;

    if (s->options->say == NULL)
        return;
    va_start(arguments, format);
    (void)vsnprintf(line, sizeof line, format, arguments);
    va_end(arguments);
    s->options->say(s->options->say_context, line);
}

const char *hf_supervisor_group_name(const struct hf_supervisor *s, int group)
{
    return group >= 0 && group < s->profile->group_count ? s->profile->group[group].name : "all groups";
}

double hf_supervisor_now_s(const struct hf_supervisor *s)
{
    return hf_run_time_s(s->run, hf_clock_wall_ns(&hf_clock_real));
}

/* While a driver is still asked in its thread the tick goes on: the guardian must show that we are alive. */
void hf_supervisor_close_tick(struct hf_supervisor *s)
{
    if (!s->settings.busy && !uv_is_closing((uv_handle_t *)&s->tick))
        uv_close((uv_handle_t *)&s->tick, NULL);
}

/* Load away first: a stopped worker needs no more of our time than a signal. */
static void enter_ending(struct hf_supervisor *s)
{
    s->phase = HF_PHASE_ENDING;
    hf_pool_stop(s->pool);
    if (!s->loop_started)
        return;
    hf_supervisor_take_loop_back(s);
    hf_supervisor_close_tick(s);
    for (int i = 0; i < 3; i++) {
        if (!uv_is_closing((uv_handle_t *)&s->signals[i]))
            uv_close((uv_handle_t *)&s->signals[i], NULL);
    }
}

void hf_supervisor_fail(struct hf_supervisor *s, const struct hf_error *error)
{
    if (s->error.code == HF_OK)
        s->error = *error;
    if (s->phase != HF_PHASE_ENDING)
        enter_ending(s);
}

void hf_supervisor_finish(struct hf_supervisor *s, enum hf_supervisor_end end, const char *words)
{
    if (s->phase == HF_PHASE_ENDING)
        return;
    s->result->end = end;
    hf_text_clear(&s->result->words);
    hf_text_add_harmless(&s->result->words, words, 1);
    enter_ending(s);
}

int hf_supervisor_emit(struct hf_supervisor *s, const struct hf_event *event, const char *reason)
{
    struct hf_error error = {0};

    if (hf_run_add_event(s->run, event, reason, &error) != HF_OK)
        hf_supervisor_fail(s, &error);
    return error.code;
}

int hf_supervisor_commit(struct hf_supervisor *s)
{
    struct hf_error error = {0};

    if (hf_journal_commit(s->run->journal, &error) != HF_OK)
        hf_supervisor_fail(s, &error);
    return error.code;
}

void hf_supervisor_note(struct hf_supervisor *s, const char *format, ...)
{
    char line[1024];
    va_list arguments;
    struct hf_error error = {0};

    va_start(arguments, format);
    (void)vsnprintf(line, sizeof line, format, arguments);
    va_end(arguments);
    hf_supervisor_say(s, "%s", line);
    hf_json_string(hf_run_begin_record(s->run, HF_RECORD_NOTE), "text", line);
    if (hf_run_end_record(s->run, &error) != HF_OK)
        hf_supervisor_fail(s, &error);
}

/* One record with a single member of text. */
static int add_words(struct hf_supervisor *s, enum hf_record_type type, const char *key, const char *words)
{
    struct hf_error error = {0};

    hf_json_string(hf_run_begin_record(s->run, type), key, words);
    if (hf_run_end_record(s->run, &error) == HF_OK)
        (void)hf_journal_commit(s->run->journal, &error);
    if (error.code != HF_OK)
        hf_supervisor_fail(s, &error);
    return error.code;
}

/* --- set-up ------------------------------------------------------------------------------------------ */

static int find_cpus(struct hf_supervisor *s)
{
    struct hf_error *error = &s->error;

    if (hf_allowed_cpus(s->real_cpus, HF_CPUS_MAX, &s->real_cpu_count, error) != HF_OK)
        return error->code;
    if (s->options->driver->is_simulated)
        return HF_OK;
    for (int i = 0; i < s->profile->cpu_count; i++) {
        int found = 0;

        for (int k = 0; k < s->real_cpu_count; k++)
            found |= s->real_cpus[k] == s->profile->cpu[i];
        if (!found)
            return hf_fail(
                error, HF_E_MISSING,
                "the profile names CPU %d, which this process may not use or which does not exist; "
                "correct \"groups\" in the profile (holdfast survey shows the CPUs)",
                s->profile->cpu[i]);
    }
    return HF_OK;
}

/* A simulated machine's CPUs are laid over whatever CPUs exist; a real one's are its own. */
static int real_cpu_for(const struct hf_supervisor *s, int index)
{
    return s->options->driver->is_simulated ? s->real_cpus[index % s->real_cpu_count]
                                            : s->profile->cpu[index];
}

static int make_pool(struct hf_supervisor *s)
{
    struct hf_pool_place *places = hf_allocate((size_t)s->profile->cpu_count, sizeof *places);
    int count = 0;

    if (places == NULL)
        return hf_fail(&s->error, HF_E_MEMORY, "no memory for %d workers", s->profile->cpu_count);
    for (int g = 0; g < s->profile->group_count; g++) {
        const struct hf_profile_group *group = &s->profile->group[g];

        for (int rank = 0; rank < group->cpu_count && !group->left_out; rank++) {
            int index = group->cpu_first + rank;

            places[count++] = (struct hf_pool_place){.group = g,
                                                     .rank = rank,
                                                     .profile_cpu = s->profile->cpu[index],
                                                     .real_cpu = real_cpu_for(s, index)};
        }
    }
    s->sharing = s->options->driver->is_simulated ? (count + s->real_cpu_count - 1) / s->real_cpu_count : 1;
    (void)hf_pool_new(&s->loop, places, count, hf_watch_on_death, s, &s->pool, &s->error);
    hf_free(places);
    return s->error.code;
}

/* The driver's writes are journalled before they are made, and put back by the guardian. */
static int note_write(void *context, const char *file, const char *old, const char *value,
                      struct hf_error *error)
{
    return hf_guardian_note(context, file, old, value, error);
}

static int open_host(struct hf_supervisor *s)
{
    s->host = s->options->host;
    if (s->host != NULL)
        return HF_OK;
    s->host = &s->own_host;
    return hf_host_open(NULL, &s->own_host, &s->error);
}

static int open_driver(struct hf_supervisor *s)
{
    hf_rig_config_of_profile(s->profile, &s->rig_config);
    hf_fitness_driver_config(s->profile, s->host, s->driver_group, &s->driver_config);
    for (int g = 0; g < s->profile->group_count; g++)
        s->last_step[g] = (int16_t)(s->run->state.setting[g] - 1);
    s->driver_config.last_step = s->last_step;
    s->driver_config.note = note_write;
    s->driver_config.note_context = s;
    s->driver_config.rig = &s->rig_config;
    s->driver_config.run_directory = s->run->directory;
    s->driver_config.clock_factor = s->run->clock_factor;
    s->driver_config.run_time_s = s->run->state.last_time_s;
    return s->options->driver->open(&s->driver_config, &s->driver_state, &s->error);
}

static int begin_session(struct hf_supervisor *s)
{
    memcpy(s->boot_before, s->run->boot_before, sizeof s->boot_before);
    hf_asleep_begin(s);
    return hf_supervisor_journal_session(s);
}

/* --- proof ------------------------------------------------------------------------------------------- */

static int journal_proof(struct hf_supervisor *s, uint32_t planted, uint32_t reported)
{
    struct hf_json_writer *writer = hf_run_begin_record(s->run, HF_RECORD_PROOF);
    struct hf_error error = {0};

    hf_json_array_open(writer, "kernels");
    for (int i = 0; i < hf_kernel_count(); i++) {
        const struct hf_kernel *kernel = hf_kernel_at(i);
        char name[96];

        (void)snprintf(name, sizeof name, "%s %d %s", kernel->name, kernel->width_bits, kernel->isa);
        hf_json_string(writer, NULL, name);
    }
    hf_json_array_close(writer);
    hf_json_integer(writer, "workers", s->pool->worker_count);
    hf_json_integer(writer, "planted", (int64_t)planted);
    hf_json_integer(writer, "reported", (int64_t)reported);
    if (hf_run_end_record(s->run, &error) != HF_OK)
        hf_supervisor_fail(s, &error);
    return hf_supervisor_commit(s);
}

static void end_proof(struct hf_supervisor *s)
{
    uint32_t planted = 0;
    uint32_t reported = 0;
    struct hf_error error = {0};

    for (int i = 0; i < s->pool->worker_count; i++) {
        const struct hf_worker_slot *slot = hf_worker_slot_of(&s->pool->worker[i]);

        planted += atomic_load(&slot->planted);
        reported += atomic_load(&slot->reported);
        if (atomic_load(&slot->planted) != atomic_load(&slot->reported) && error.code == HF_OK)
            (void)hf_fail(
                &error, HF_E_REFUSED,
                "CPU %d did not report a planted wrong bit: its results cannot be trusted, so nothing "
                "can be proved on it",
                s->pool->worker[i].place.real_cpu);
    }
    if (journal_proof(s, planted, reported) != HF_OK)
        return;
    if (error.code != HF_OK || planted == 0) {
        hf_supervisor_fail(s, &error);
        return;
    }
    hf_supervisor_say(s, "proof: %u planted wrong bits, %u reported, on %d workers", planted, reported,
                      s->pool->worker_count);
    if (hf_pool_unconfined(s->pool) != NULL)
        hf_supervisor_say(s, "workers may make any system call: %s", hf_pool_unconfined(s->pool));
    hf_pool_command(s->pool, HF_GROUP_ALL, HF_WORKER_IDLE);
    s->phase = HF_PHASE_RUNNING;
}

/* Trials for which a person was asked to change settings before this session: are they in force now? */
static void begin_running(struct hf_supervisor *s)
{
    const struct hf_supervisor_options *options = s->options;
    struct hf_text page;

    hf_text_init(&page, 65536);
    if (hf_trials_requested_page(s, &page) == HF_OK && page.size > 0) {
        if (options->settings_applied ||
            (options->ask_applied != NULL && options->ask_applied(options->ask_context, page.bytes))) {
            (void)hf_trials_adopt_requested(s);
        } else {
            hf_text_add_string(&page,
                               "\nNothing was confirmed. Run the same command again with --applied when "
                               "these settings are in force.");
            hf_supervisor_finish(s, HF_END_REQUESTED, page.bytes);
        }
    }
    hf_text_release(&page);
}

/* --- the loop ---------------------------------------------------------------------------------------- */

/* The line goes to disk with the next commit: at most one exposure interval late. */
static void journal_slice(struct hf_supervisor *s)
{
    struct hf_json_writer *writer = hf_run_begin_record(s->run, HF_RECORD_SLICE);
    struct hf_error error = {0};

    hf_watch_write_slice(writer, &s->slice);
    if (s->slice.is_baseline)
        hf_json_string(writer, "mix", s->memory_mix.name);
    if (s->slice.company > 0)
        hf_json_string(writer, "company", hf_kernel_at(s->slice.company - 1)->name);
    hf_json_number(writer, "length_s", s->slice.length_s);
    if (hf_run_end_record(s->run, &error) != HF_OK)
        hf_supervisor_fail(s, &error);
}

static void turn_slice(struct hf_supervisor *s, int64_t now_ns)
{
    uint64_t lead_ticks = (uint64_t)(0.002 * hf_ticks_per_second());

    if (!hf_trial_any_open(s) || (s->has_slice && now_ns < s->slice_ends_ns))
        return;
    hf_baseline_next_slice(s);
    journal_slice(s);
    s->has_slice = 1;
    s->slice_ends_ns = now_ns + (int64_t)(s->slice.length_s * 1e9);
    hf_shared_publish(s->pool->shared, &s->slice, hf_ticks_now() + lead_ticks);
}

static void journal_exposure_if_due(struct hf_supervisor *s, int64_t now_ns)
{
    double every_s = HF_EXPOSURE_EVERY_S / s->run->clock_factor;

    if (every_s < HF_EXPOSURE_WALL_S)
        every_s = HF_EXPOSURE_WALL_S;
    if ((double)(now_ns - s->exposure_line_ns) * 1e-9 < every_s)
        return;
    s->exposure_line_ns = now_ns;
    hf_trials_journal_exposure(s);
}

static void run_tick(struct hf_supervisor *s, int64_t now_ns, double wall_s)
{
    turn_slice(s, now_ns);
    hf_sensing_tick(s, now_ns);
    hf_trials_look_for_lag(s, wall_s);
    hf_watch_machine(s, s->model_waits ? 0 : wall_s * s->run->clock_factor);
    hf_watch_results(s);
    hf_watch_progress(s, now_ns);
    if (s->phase != HF_PHASE_RUNNING)
        return;
    hf_trials_accrue(s, wall_s);
    journal_exposure_if_due(s, now_ns);
    if (s->phase == HF_PHASE_RUNNING)
        hf_settings_tick(s, now_ns);
    if (s->phase == HF_PHASE_RUNNING)
        hf_trials_close_served(s);
    if (s->phase == HF_PHASE_RUNNING)
        hf_trials_propose(s);
    hf_supervisor_choose_home(s);
}

static void wait_for_workers(struct hf_supervisor *s, int64_t now_ns)
{
    struct hf_error error = {0};

    if (s->phase == HF_PHASE_STARTING && hf_pool_all_in_state(s->pool, HF_GROUP_ALL, HF_STATE_READY)) {
        hf_pool_command(s->pool, HF_GROUP_ALL, HF_WORKER_PROVE);
        s->phase = HF_PHASE_PROVING;
    } else if (s->phase == HF_PHASE_PROVING && hf_pool_all_in_state(s->pool, HF_GROUP_ALL, HF_STATE_PROVED)) {
        end_proof(s);
        if (s->phase == HF_PHASE_RUNNING)
            begin_running(s);
    } else if ((double)(now_ns - s->started_ns) * 1e-9 > START_LIMIT_S) {
        (void)hf_fail(&error, HF_E_MISSING, "the workers were not ready within %.0f s", START_LIMIT_S);
        hf_supervisor_fail(s, &error);
    }
}

static void show_if_due(struct hf_supervisor *s, int64_t now_ns)
{
    struct hf_supervisor_view view;

    if (s->options->show == NULL || now_ns - s->shown_ns < INT64_C(1000000) * HF_VIEW_EVERY_MS)
        return;
    s->shown_ns = now_ns;
    hf_supervisor_view(s, &view);
    s->options->show(s->options->show_context, &view);
}

static void on_tick(uv_timer_t *timer)
{
    struct hf_supervisor *s = timer->data;
    int64_t now_ns = hf_clock_monotonic_ns(&hf_clock_real);
    double wall_s = fmin((double)(now_ns - s->last_tick_ns) * 1e-9, HF_TICK_SERVED_MAX_S);

    s->last_tick_ns = now_ns;
    hf_guardian_tick(s, now_ns);
    hf_asleep_tick(s);
    if (s->phase == HF_PHASE_RUNNING)
        run_tick(s, now_ns, wall_s);
    else if (s->phase != HF_PHASE_ENDING)
        wait_for_workers(s, now_ns);
    if (s->phase == HF_PHASE_RUNNING && s->options->wall_limit_s > 0 &&
        (double)(now_ns - s->started_ns) * 1e-9 >= s->options->wall_limit_s)
        hf_supervisor_finish(s, HF_END_INTERRUPTED, "the time given by --for is over");
    show_if_due(s, now_ns);
}

static void on_signal(uv_signal_t *handle, int signal_number)
{
    struct hf_supervisor *s = handle->data;
    char words[64];

    if (s->phase == HF_PHASE_RUNNING)
        hf_watch_results(s); /* a wrong result that has been posted is not lost */
    (void)snprintf(words, sizeof words, "stopped by signal %d, %s", signal_number, strsignal(signal_number));
    hf_supervisor_finish(s, HF_END_INTERRUPTED, words);
}

/* Under nohup a hang-up is ignored from the start, and must stay so. */
static int is_ignored(int signal_number)
{
    struct sigaction action;

    return sigaction(signal_number, NULL, &action) == 0 && action.sa_handler == SIG_IGN;
}

static int start_loop(struct hf_supervisor *s)
{
    static const int numbers[3] = {SIGINT, SIGTERM, SIGHUP};
    int result = 0;

    (void)uv_timer_init(&s->loop, &s->tick); /* cannot fail */
    s->tick.data = s;
    for (int i = 0; i < 3; i++) {
        (void)uv_signal_init(&s->loop, &s->signals[i]); /* fails only with the loop itself */
        s->signals[i].data = s;
    }
    s->loop_started = 1;
    for (int i = 0; i < 3 && result == 0; i++) {
        if (numbers[i] != SIGHUP || !is_ignored(SIGHUP))
            result = uv_signal_start(&s->signals[i], on_signal, numbers[i]);
    }
    if (result == 0)
        result = uv_timer_start(&s->tick, on_tick, HF_TICK_MS, HF_TICK_MS);
    if (result != 0)
        return hf_fail(&s->error, HF_E_IO, "cannot start the event loop: %s", uv_strerror(result));
    s->started_ns = hf_clock_monotonic_ns(&hf_clock_real);
    s->last_tick_ns = s->started_ns;
    s->exposure_line_ns = s->started_ns;
    return HF_OK;
}

/* --- the end ----------------------------------------------------------------------------------------- */

static void journal_end(struct hf_supervisor *s)
{
    static const char *const reasons[] = {
        [HF_END_FINISHED] = "finished",       [HF_END_STOPPED] = "stopped", [HF_END_UNDECIDED] = "undecided",
        [HF_END_INTERRUPTED] = "interrupted", [HF_END_PARKED] = "parked",   [HF_END_REQUESTED] = "requested"};
    struct hf_error error = {0};

    if (s->result->end == HF_END_FINISHED && s->director->write_finished != NULL) {
        s->director->write_finished(s->director->context, hf_run_begin_record(s->run, HF_RECORD_FINISHED));
        if (hf_run_end_record(s->run, &error) != HF_OK)
            hf_supervisor_fail(s, &error);
    }
    if (s->error.code == HF_OK)
        (void)add_words(s, HF_RECORD_SESSION_END, "reason", reasons[s->result->end]);
}

/* --- the way back to the baseline: a driver that waits is asked in a thread, and the guardian goes on
 * meanwhile --- */

struct way_back {
    struct hf_supervisor *s;
    struct hf_error error;
    uv_work_t work;
    uv_timer_t tick;
};

static void go_back(uv_work_t *work)
{
    struct way_back *way = work->data;
    struct hf_supervisor *s = way->s;

    (void)hf_driver_to_baseline(s->options->driver, s->driver_state, &s->driver_config, &way->error);
}

static void on_back(uv_work_t *work, int status)
{
    struct way_back *way = work->data;

    (void)status;
    uv_close((uv_handle_t *)&way->tick, NULL);
}

static void on_way_tick(uv_timer_t *timer)
{
    struct way_back *way = timer->data;

    hf_guardian_tick(way->s, hf_clock_monotonic_ns(&hf_clock_real));
}

static void go_back_waiting(struct hf_supervisor *s, struct way_back *way)
{
    *way = (struct way_back){.s = s};
    way->work.data = way->tick.data = way;
    if (s->options->driver->waits && uv_queue_work(&s->loop, &way->work, go_back, on_back) == 0) {
        (void)uv_timer_init(&s->loop, &way->tick);
        way->tick.data = way;
        (void)uv_timer_start(&way->tick, on_way_tick, 1000, 1000);
        (void)uv_run(&s->loop, UV_RUN_DEFAULT);
        return;
    }
    go_back(&way->work);
}

/* A group that could not be set does not make the night of the others fail: it has been named. Are all others
 * back? */
static int only_the_lost(struct hf_supervisor *s, struct way_back *way)
{
    int any = 0;

    for (int g = 0; g < s->profile->group_count; g++) {
        any |= s->settings.out[g];
        s->driver_group[g].left_out |= s->settings.out[g];
    }
    if (any)
        go_back_waiting(s, way);
    return any && way->error.code == HF_OK;
}

/* Every group back to baseline; a group that cannot be confirmed is named even when we end by a failure. */
static void to_baseline(struct hf_supervisor *s)
{
    struct way_back way;

    if (s->driver_state == NULL || s->result->end == HF_END_REQUESTED)
        return;
    go_back_waiting(s, &way);
    if (way.error.code == HF_OK)
        return;
    hf_supervisor_say(s, "%s", way.error.message);
    if (only_the_lost(s, &way))
        return;
    if (s->error.code == HF_OK && way.error.code != HF_E_UNPROVED) /* a person was told what to enter */
        s->error = way.error;
}

static void wind_down(struct hf_supervisor *s)
{
    (void)uv_run(&s->loop, UV_RUN_DEFAULT); /* the workers' ends and the closing handles */
    if (s->error.code == HF_OK && s->result->end != HF_END_REQUESTED)
        hf_trials_interrupt_all(s, s->result->words.bytes);
    if (s->error.code == HF_OK)
        journal_end(s);
    to_baseline(s);
    if (s->error.code == HF_OK)
        hf_settings_keep_words(s);
    s->result->blocks_checked = s->judge.blocks_checked;
    s->result->wall_s = (double)(hf_clock_monotonic_ns(&hf_clock_real) - s->started_ns) * 1e-9;
}

/* Which trial did it: its number is found in the report, with its load. */
static void describe_last_trial(const struct hf_supervisor *s, char *ret_words, size_t size)
{
    unsigned long long trial = s->run->state.last_reset_trial;

    if (trial == 0)
        (void)snprintf(ret_words, size, "no trial had begun");
    else if (s->reset_trial.trial != trial)
        (void)snprintf(ret_words, size, "trial %llu was the last", trial);
    else if (s->reset_trial.group == HF_GROUP_ALL)
        (void)snprintf(ret_words, size, "trial %llu, %s of all groups, was the last", trial,
                       hf_purpose_name(s->reset_trial.purpose));
    else
        (void)snprintf(ret_words, size, "trial %llu, %s at ratio %.2f, was the last", trial,
                       hf_supervisor_group_name(s, s->reset_trial.group),
                       hf_profile_ratio(s->profile, s->reset_trial.step));
}

/* Three resets without a judged trial between them: a person decides. */
static int park_if_fruitless(struct hf_supervisor *s)
{
    const struct hf_run_state *state = &s->run->state;
    char last[128];
    char words[256];

    if (s->options->unpark || (!state->parked && state->resets_without_verdict < HF_FRUITLESS_RESETS))
        return 0;
    describe_last_trial(s, last, sizeof last);
    (void)snprintf(words, sizeof words,
                   "%d resets without a judged trial between them; %s; look at the machine, then run search "
                   "--unpark",
                   state->resets_without_verdict, last);
    s->result->end = HF_END_PARKED;
    hf_text_add_string(&s->result->words, words);
    if (!state->parked)
        (void)add_words(s, HF_RECORD_PARKED, "reason", words);
    s->phase = HF_PHASE_ENDING;
    if (s->error.code == HF_OK)
        journal_end(s); /* in good order: the next boot must not count one more reset */
    to_baseline(s);
    return 1;
}

static int set_up(struct hf_supervisor *s)
{
    if (find_cpus(s) != HF_OK || hf_baseline_init(s) != HF_OK || make_pool(s) != HF_OK ||
        open_host(s) != HF_OK || open_driver(s) != HF_OK || begin_session(s) != HF_OK ||
        hf_guardian_begin(s) != HF_OK || hf_sensing_begin(s) != HF_OK)
        return s->error.code;
    s->judge = (struct hf_judge){.slice_source = hf_baseline_slice,
                                 .slice_context = s,
                                 .real_cpus = s->real_cpus,
                                 .real_cpu_count = s->real_cpu_count,
                                 .home_cpu = -1};
    hf_load_of_mix(s->options->mix, s->mix_load, &s->mix_load_count);
    return hf_resume_settle(s);
}

static void drive(struct hf_supervisor *s)
{
    if (set_up(s) != HF_OK || park_if_fruitless(s))
        return;
    if (hf_pool_spawn_all(s->pool, &s->error) == HF_OK && start_loop(s) == HF_OK) {
        hf_supervisor_lend_loop(s);
        (void)uv_run(&s->loop, UV_RUN_DEFAULT);
    }
    if (s->phase != HF_PHASE_ENDING)
        enter_ending(s);
    wind_down(s);
}

int hf_supervisor_run(const struct hf_supervisor_options *options, struct hf_supervisor_result *ret_result,
                      struct hf_error *error)
{
    struct hf_supervisor *s = hf_allocate(1, sizeof *s);
    int loop_made;

    *ret_result = (struct hf_supervisor_result){.end = HF_END_STOPPED};
    hf_text_init(&ret_result->words, 65536);
    if (s == NULL)
        return hf_fail(error, HF_E_MEMORY, "no memory for the supervisor");
    s->options = options;
    s->run = options->run;
    s->profile = options->run->profile;
    s->director = options->director;
    s->result = ret_result;
    hf_settings_init(&s->settings, &s->run->state);
    loop_made = hf_pool_loop_init(&s->loop, &s->error) == HF_OK;
    if (loop_made)
        drive(s);
    hf_guardian_end(s);
    if (s->driver_state != NULL)
        options->driver->close(s->driver_state);
    if (hf_sensing_end(s))
        hf_host_close(&s->own_host);
    hf_settings_release(&s->settings);
    hf_pool_free(s->pool);
    if (loop_made)
        (void)uv_loop_close(&s->loop);
    if (s->error.code != HF_OK)
        *error = s->error;
    hf_free(s);
    return error->code;
}

int hf_supervisor_boot_id(const struct hf_profile *profile, const char *run_directory,
                          char ret_id[HF_BOOT_ID_MAX], struct hf_error *error)
{
    uint64_t resets = 0;
    char kernel_id[HF_BOOT_ID_MAX];

    if (hf_boot_id(kernel_id, error) != HF_OK)
        return error->code;
    if (strcmp(profile->driver, "rig") == 0 && hf_rig_boot_count(run_directory, &resets, error) != HF_OK)
        return error->code;
    if (resets == 0)
        (void)snprintf(ret_id, HF_BOOT_ID_MAX, "%.40s", kernel_id);
    else
        (void)snprintf(ret_id, HF_BOOT_ID_MAX, "%.40s+%llu", kernel_id, (unsigned long long)resets);
    return HF_OK;
}
