/* search: the unattended night. Starts a run or resumes it; ends with certificates and a report. */
#include <math.h>
#include <stdio.h>
#include <string.h>
#include <unistd.h>

#include "cli/dry_run.h"
#include "cli/options.h"
#include "cli/screen.h"
#include "cli/sending.h"
#include "cli/service.h"
#include "cli/session.h"
#include "cli/true_limits.h"
#include "holdfast/clock.h"
#include "holdfast/evidence.h"
#include "holdfast/notify.h"

#define SEND_REST_S 30.0 /* uploads after the end of the run */
#define DEFECT_TOLD 0.5  /* chance of a core that fails at any ratio from which on it is told */

static struct {
    const char *profile, *run, *method, *by, *guard, *root;
    int json, lines, accept, applied, unpark, salvage, dry_run, install_service, remove_service;
    double for_s;
} settings;

static const struct hf_option options[] = {
    {"profile", HF_OPTION_STRING, &settings.profile, "FILE",
     "the machine's profile; frozen when the run starts", 0, 0},
    {"run", HF_OPTION_STRING, &settings.run, "DIR", "the run's directory (default: by the profile's name)", 0,
     0},
    {"method", HF_OPTION_CHOICE, &settings.method, "belief|bisect|step-up", "(default: the profile's)", 0, 0},
    {"by", HF_OPTION_STRING, &settings.by, "HH:MM", "done by then, if need be with lower ratios", 0, 0},
    {"for", HF_OPTION_DURATION, &settings.for_s, "TIME", "stop after so much wall time: 90s, 20m, 6h", 0, 0},
    {"applied", HF_OPTION_FLAG, &settings.applied, NULL, "the settings asked for by the sheet are in force",
     0, 0},
    {"guard", HF_OPTION_CHOICE, &settings.guard, "auto|on|off", "watchdog, error reports (default: auto)", 0,
     0},
    {"dry-run", HF_OPTION_FLAG, &settings.dry_run, NULL,
     "show what the driver would write where, and do nothing", 0, 0},
    {"root", HF_OPTION_STRING, &settings.root, "DIR", "with --dry-run: a recorded machine's sys and proc", 0,
     0},
    {"install-service", HF_OPTION_FLAG, &settings.install_service, NULL,
     "go on with the run at every boot; nothing starts now", 0, 0},
    {"remove-service", HF_OPTION_FLAG, &settings.remove_service, NULL, "no longer at boot", 0, 0},
    {"unpark", HF_OPTION_FLAG, &settings.unpark, NULL, "go on with a run that was parked after resets", 0, 0},
    {"salvage", HF_OPTION_FLAG, &settings.salvage, NULL, "keep what is provably good of a damaged journal", 0,
     0},
    {"i-accept-the-risk", HF_OPTION_FLAG, &settings.accept, NULL, "needed to change a real machine", 0, 0},
    {"lines", HF_OPTION_FLAG, &settings.lines, NULL, "a line per event, on a terminal too", 0, 0},
    {"json", HF_OPTION_FLAG, &settings.json, NULL, "one document at the end; progress on standard error", 0,
     0},
    {0},
};

static const struct hf_usage usage = {
    "search", "the unattended night: starts or resumes a run, to certificate", options,
    "The same command goes on after a stop, a crash or a reset. Ctrl-C stops the load\n"
    "at once, sets every group back to its baseline and keeps what was learned.\n"
    "Exit status 3: stopped before the end.\n"};

/* --- the summary ------------------------------------------------------------------------------------- */

static const char *end_name(enum hf_supervisor_end end)
{
    static const char *const names[] = {
        [HF_END_FINISHED] = "finished",       [HF_END_STOPPED] = "stopped", [HF_END_UNDECIDED] = "undecided",
        [HF_END_INTERRUPTED] = "interrupted", [HF_END_PARKED] = "parked",   [HF_END_REQUESTED] = "requested"};

    return names[end];
}

static void print_group(const struct hf_session *session, int group)
{
    struct hf_plan_view view;

    hf_plan_view(session->plan, group, &view);
    printf("  %-10s ratio %6.2f  %7.1f MHz  %d failure(s), %.1f h under load\n",
           session->profile->group[group].name, hf_profile_ratio(session->profile, view.chosen_step),
           hf_profile_mhz(session->profile, view.chosen_step), view.failures, view.exposure_s / 3600);
    if (view.defect_probability < DEFECT_TOLD || isnan(view.defect_probability))
        return;
    printf("  %-10s has a core that fails at any ratio, about once in %.2g h of load", "",
           1 / view.defect_rate_per_hour);
    if (view.defect_cpu >= 0)
        printf(": CPU %d, the one that failed last", view.defect_cpu);
    printf("\n");
}

/* What being done in time has cost, or would: nothing without a deadline. */
static void print_deadline(const struct hf_session *session, enum hf_supervisor_end end)
{
    struct hf_plan_deadline deadline;

    hf_plan_deadline(session->plan, &deadline);
    if (!deadline.set)
        return;
    printf("deadline %.2f h after the start: ", session->profile->deadline_s / 3600);
    if (!deadline.ended_search)
        printf(end == HF_END_FINISHED ? "it cost nothing\n" : "it has cost nothing so far\n");
    else if (isnan(deadline.steps_lost))
        printf("it ended the search\n");
    else
        printf("it ended the search, which cost about %.1f step(s) a group\n", deadline.steps_lost);
}

static void print_summary(const struct hf_session *session, const struct hf_supervisor_result *result)
{
    printf("\n%s: %s\n", end_name(result->end), result->words.bytes);
    if (result->end == HF_END_REQUESTED)
        return;
    for (int g = 0; g < session->profile->group_count; g++)
        print_group(session, g);
    print_deadline(session, result->end);
    printf("%llu blocks checked, %llu reset(s) so far\n", (unsigned long long)result->blocks_checked,
           (unsigned long long)session->run->state.resets);
}

static void print_json(const struct hf_session *session, const struct hf_supervisor_result *result)
{
    struct hf_json_writer writer;
    struct hf_text text;

    hf_text_init(&text, 1024 * 1024);
    hf_json_begin(&writer, &text, 2);
    hf_json_object_open(&writer, NULL);
    hf_json_string(&writer, "run", session->directory);
    hf_json_string(&writer, "end", end_name(result->end));
    hf_json_string(&writer, "words", result->words.bytes);
    hf_json_u64(&writer, "blocks_checked", result->blocks_checked);
    hf_json_u64(&writer, "resets", session->run->state.resets);
    hf_json_array_open(&writer, "groups");
    for (int g = 0; g < session->profile->group_count; g++) {
        struct hf_plan_view view;

        hf_plan_view(session->plan, g, &view);
        hf_json_object_open(&writer, NULL);
        hf_json_string(&writer, "name", session->profile->group[g].name);
        hf_json_number(&writer, "ratio", hf_profile_ratio(session->profile, view.chosen_step));
        hf_json_number(&writer, "mhz", hf_profile_mhz(session->profile, view.chosen_step));
        hf_json_integer(&writer, "failures", view.failures);
        hf_json_number(&writer, "exposure_s", view.exposure_s);
        hf_json_number(&writer, "defect_probability", view.defect_probability);
        hf_json_object_close(&writer);
    }
    hf_json_array_close(&writer);
    hf_search_write_deadline(session->plan, &writer);
    hf_json_object_close(&writer);
    printf("%s\n", text.bytes);
    hf_text_release(&text);
}

/* --- the night --------------------------------------------------------------------------------------- */

/* Certificates when the soak passed, a report in any case. The run is closed first: that gives back the space
 * reserved for the night, and nothing here can undo what the journal holds. Returns the exit status: what was
 * proved but could not be written is no success. */
static int write_evidence(struct hf_session *session, enum hf_supervisor_end end, int status)
{
    struct hf_error error = {0};
    int truth[HF_GROUPS_MAX];
    int has_truth = hf_true_limits_of_profile(session->profile, truth);
    int failed;

    hf_run_close(session->run);
    session->run = NULL;
    if (end == HF_END_FINISHED &&
        hf_certificates_write(session->directory, HF_GROUP_ALL, NULL, &error) != HF_OK)
        status = hf_command_fail("search", &error);
    hf_error_clear(&error);
    if (hf_report_write(session->directory, has_truth ? truth : NULL, &error) == HF_OK)
        return status;
    failed = hf_command_fail("search", &error);
    return status == 0 ? failed : status;
}

static int ask_applied(void *context, const char *page)
{
    char answer[16] = "";

    (void)context;
    printf("%s\nType yes when these settings are in force, anything else when not: ", page);
    (void)fflush(stdout);
    return fgets(answer, sizeof answer, stdin) != NULL &&
           (strcmp(answer, "yes\n") == 0 || strcmp(answer, "yes") == 0);
}

static int exit_status_of(const struct hf_supervisor_result *result)
{
    switch (result->end) {
    case HF_END_FINISHED:
        return 0;
    case HF_END_STOPPED:
        return 1; /* the plan cannot go on: the baseline itself fails */
    case HF_END_UNDECIDED:
    case HF_END_INTERRUPTED:
    case HF_END_PARKED:
    case HF_END_REQUESTED:
        break;
    }
    return 3;
}

static int is_guarded(const struct hf_driver_ops *driver)
{
    if (settings.guard == NULL || strcmp(settings.guard, "auto") == 0)
        return !driver->is_simulated;
    return strcmp(settings.guard, "on") == 0;
}

/* --- the screen ---------------------------------------------------------------------------------------- */

/* Who sees the events beside the plan; either may be NULL. */
struct onlookers {
    struct hf_screen *screen;
    struct hf_keeper *keeper;
};

static int observe(void *context, const struct hf_event *event, struct hf_error *error)
{
    const struct onlookers *onlookers = context;

    (void)error;
    if (onlookers->screen != NULL)
        hf_screen_observe(onlookers->screen, event);
    hf_keeper_observe(onlookers->keeper, event);
    return HF_OK;
}

static void say_on_screen(void *context, const char *line)
{
    hf_screen_say(context, line);
}

struct watcher {
    struct hf_screen *screen;
    const struct hf_plan *plan;
};

static void show(void *context, const struct hf_supervisor_view *view)
{
    const struct watcher *watcher = context;

    hf_screen_show(watcher->screen, view, watcher->plan);
}

/* What is left goes out after the run, which nobody waits for long: the rest stays queued. */
static void send_rest(struct hf_session *session)
{
    struct hf_sending sending = {.directory = session->directory,
                                 .server = session->profile->upload,
                                 .limit_s = SEND_REST_S,
                                 .say = hf_session_say,
                                 .say_context = session};
    struct hf_error error = {0};
    char line[sizeof error.message + 80];

    if (sending.server.url[0] == '\0' || hf_send(&sending, &error) == HF_OK)
        return;
    (void)snprintf(line, sizeof line, "upload: %s", error.message);
    hf_session_say(session, line);
}

static int run(struct hf_session *session, const struct onlookers *onlookers)
{
    struct hf_screen *screen = onlookers->screen;
    struct watcher watcher = {screen, session->plan};
    struct hf_supervisor_options supervisor = {
        .run = session->run,
        .director = &session->director,
        .mix = &session->mix,
        .driver = session->driver,
        .boot_id = session->boot_id,
        .settings_applied = settings.applied,
        .unpark = settings.unpark,
        .guard = is_guarded(session->driver),
        .wall_limit_s = settings.for_s,
        .ask_applied = isatty(0) && isatty(1) && !settings.json ? ask_applied : NULL,
        .show = screen != NULL ? show : NULL,
        .show_context = &watcher,
        .loop_begin = onlookers->keeper != NULL ? hf_keeper_begin : NULL,
        .loop_end = hf_keeper_end,
        .loop_context = onlookers->keeper,
        .say = hf_session_say,
        .say_context = session,
    };
    struct hf_supervisor_result result;
    struct hf_error error = {0};
    int status;

    (void)hf_supervisor_run(&supervisor, &result, &error);
    if (screen != NULL)
        hf_screen_end(screen);
    session->options.say = NULL;
    if (error.code != HF_OK) {
        status = hf_command_fail("search", &error);
    } else {
        if (settings.json)
            print_json(session, &result);
        else
            print_summary(session, &result);
        status = write_evidence(session, result.end, exit_status_of(&result));
        send_rest(session);
    }
    hf_text_release(&result.words);
    return status;
}

/* A service manager that waits for us learns that all is well and that nothing will follow. */
static void tell_finished(void)
{
    struct hf_notify notify;
    struct hf_error error = {0};

    if (hf_notify_open(&notify, getpid(), &error) == HF_OK)
        (void)hf_notify_send(&notify, "READY=1\nSTATUS=the search is finished\nSTOPPING=1");
    hf_notify_close(&notify);
}

/* A finished run stays as it is: its evidence is written again and its end told. */
static int show_finished(struct hf_session *session)
{
    struct hf_supervisor_result result = {.end = HF_END_FINISHED};

    tell_finished();
    hf_session_say(session,
                   "this run is finished; holdfast certify and holdfast report show it, verify checks it "
                   "again; a new search needs a new --run directory");
    hf_text_init(&result.words, 256);
    hf_text_add_string(&result.words, "the soak passed in an earlier session");
    if (settings.json)
        print_json(session, &result);
    hf_text_release(&result.words);
    return write_evidence(session, HF_END_FINISHED, 0);
}

static int search(struct hf_session *session, struct onlookers *onlookers)
{
    struct hf_screen *screen = onlookers->screen;
    struct hf_keeper_options keeper = {.directory = session->directory,
                                       .profile = session->profile,
                                       .say = hf_session_say,
                                       .say_context = session};
    char line[PATH_MAX + 64];

    if (session->run->state.finished) {
        session->options.say = NULL;
        return show_finished(session);
    }
    if (screen != NULL)
        hf_screen_use(screen, session->profile);
    (void)snprintf(line, sizeof line, "%s: %s, session %llu", session->profile->name, session->directory,
                   (unsigned long long)session->run->state.sessions + 1);
    hf_session_say(session, line);
    onlookers->keeper = hf_keeper_new(&keeper);
    return run(session, onlookers);
}

static int change_service(void)
{
    struct hf_service_request request = {
        .root = settings.root, .accept_the_risk = settings.accept, .guard = settings.guard};
    struct hf_error error = {0};
    char directory[PATH_MAX];

    if (settings.install_service && settings.remove_service)
        (void)hf_fail(&error, HF_E_USAGE, "--install-service or --remove-service, not both");
    else
        (void)hf_session_directory(settings.run, settings.profile, directory, sizeof directory, &error);
    if (error.code != HF_OK)
        return hf_command_fail("search", &error);
    request.run = directory;
    return settings.install_service ? hf_service_install(&request) : hf_service_remove(&request);
}

int hf_command_search(int argc, char **argv)
{
    struct hf_session_options wanted;
    struct hf_session *session;
    struct onlookers onlookers = {0};
    struct hf_screen *screen;
    struct hf_error error = {0};
    int status;

    if (hf_options_parse(&usage, argc, argv, &status))
        return status;
    if (settings.install_service || settings.remove_service)
        return change_service();
    if (settings.dry_run)
        return hf_dry_run(settings.profile, settings.root);
    if (settings.root != NULL)
        return hf_dry_run_refuse_root(settings.root);
    screen = onlookers.screen = settings.json || settings.lines ? NULL : hf_screen_new();
    wanted = (struct hf_session_options){.command = "search",
                                         .profile_path = settings.profile,
                                         .run_directory = settings.run,
                                         .method = settings.method,
                                         .by = settings.by,
                                         .accept_the_risk = settings.accept,
                                         .salvage = settings.salvage,
                                         .json = settings.json,
                                         .say = screen != NULL ? say_on_screen : NULL,
                                         .say_context = screen,
                                         .observer = observe,
                                         .observer_context = &onlookers};
    if (hf_session_open(&wanted, &session, &error) != HF_OK) {
        hf_screen_free(screen);
        return hf_command_fail("search", &error);
    }
    status = search(session, &onlookers);
    hf_session_close(session);
    hf_keeper_free(onlookers.keeper);
    hf_screen_free(screen);
    return hf_command_end("search", status);
}
