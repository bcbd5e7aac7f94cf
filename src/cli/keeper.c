/*
 * The keeper, on the supervisor's loop.
 *
 * Invariants
 *  1. Its handles do not keep the loop: timer, sockets and process are unreferenced until hf_keeper_end().
 *  2. At most one report is being written; the next begins REPORT_EVERY_S after the last began, at the
 * earliest.
 *  3. queue != NULL exactly while an upload is possible; uploader only then.
 */
#include <stdio.h>
#include <sys/resource.h>
#include <uv.h>

#include "base/memory.h"
#include "cli/sending.h"
#include "holdfast/clock.h"

#define TICK_MS        1000
#define REPORT_EVERY_S 10.0
#define REPORT_NICE    19 /* the cores are at work on something else */

struct hf_keeper {
    struct hf_keeper_options options;
    uv_loop_t *loop;
    uv_timer_t timer;
    uv_process_t process; /* writes the report */
    int begun;
    int writing; /* a report, until the process and its handle are gone */
    int report_due, upload_due;
    double report_s, upload_s; /* when each was last begun: monotonic */
    struct hf_upload_queue *queue;
    struct hf_uploader *uploader;
};

static double now_s(void)
{
    return (double)hf_clock_monotonic_ns(&hf_clock_real) * 1e-9;
}

struct hf_keeper *hf_keeper_new(const struct hf_keeper_options *options)
{
    struct hf_keeper *keeper = hf_allocate(1, sizeof *keeper);

    if (keeper != NULL)
        keeper->options = *options;
    return keeper;
}

void hf_keeper_free(struct hf_keeper *keeper)
{
    hf_free(keeper);
}

void hf_keeper_observe(struct hf_keeper *keeper, const struct hf_event *event)
{
    if (keeper == NULL || event->type != HF_EVENT_VERDICT)
        return;
    keeper->report_due = 1;
    keeper->upload_due = 1;
}

/* --- the report: another process writes it, so that the loop never waits for it --- */

static void on_gone(uv_handle_t *handle)
{
    struct hf_keeper *keeper = handle->data;

    keeper->writing = 0;
}

static void on_written(uv_process_t *process, int64_t status, int signal_number)
{
    (void)status; /* the run does not depend on it, and its end writes it again and tells */
    (void)signal_number;
    uv_close((uv_handle_t *)process, on_gone);
}

static void write_report(struct hf_keeper *keeper)
{
    char program[4096];
    char directory[4096];
    size_t size = sizeof program;
    char *arguments[] = {program, "report", "--run", directory, NULL};
    uv_stdio_container_t streams[3] = {{.flags = UV_IGNORE}, {.flags = UV_IGNORE}, {.flags = UV_IGNORE}};
    uv_process_options_t options = {
        .file = program, .args = arguments, .exit_cb = on_written, .stdio = streams, .stdio_count = 3};

    keeper->report_due = 0;
    keeper->report_s = now_s();
    if (uv_exepath(program, &size) != 0 ||
        snprintf(directory, sizeof directory, "%s", keeper->options.directory) >= (int)sizeof directory)
        return;
    keeper->process.data = keeper;
    keeper->writing = 1;
    if (uv_spawn(keeper->loop, &keeper->process, &options) != 0) {
        uv_close((uv_handle_t *)&keeper->process, on_gone);
        return;
    }
    uv_unref((uv_handle_t *)&keeper->process);
    (void)setpriority(PRIO_PROCESS, (id_t)uv_process_get_pid(&keeper->process), REPORT_NICE);
}

/* --- the upload --- */

static void say(void *context, const char *line)
{
    const struct hf_keeper *keeper = context;

    keeper->options.say(keeper->options.say_context, line);
}

static void say_error(struct hf_keeper *keeper, const struct hf_error *error)
{
    char line[sizeof error->message + 80];

    (void)snprintf(line, sizeof line, "upload: %s; the run goes on without it", error->message);
    say(keeper, line);
}

static void queue_run(struct hf_keeper *keeper)
{
    struct hf_error error = {0};

    keeper->upload_due = 0;
    keeper->upload_s = now_s();
    if (hf_upload_queue_add_run(keeper->queue, &error) != HF_OK)
        say_error(keeper, &error);
    else
        hf_uploader_wake(keeper->uploader);
}

static void begin_upload(struct hf_keeper *keeper)
{
    const struct hf_profile_upload *server = &keeper->options.profile->upload;
    struct hf_upload_options options = {.url = server->url,
                                        .token_file = server->token_file,
                                        .ca_file = server->ca_file,
                                        .silence_s = server->silence_s,
                                        .say = say,
                                        .context = keeper};
    struct hf_error error = {0};

    if (server->url[0] == '\0')
        return;
    if (hf_upload_queue_open(keeper->options.directory, 0, &keeper->queue, &error) == HF_OK &&
        hf_upload_queue_for(keeper->queue, server->url, &error) == HF_OK &&
        hf_uploader_new(keeper->loop, keeper->queue, &options, &keeper->uploader, &error) == HF_OK) {
        queue_run(keeper); /* there is no load yet: the time to read a long journal */
        return;
    }
    say_error(keeper, &error);
    hf_upload_queue_close(keeper->queue);
    keeper->queue = NULL;
}

/* --- the loop --- */

static void on_timer(uv_timer_t *timer)
{
    struct hf_keeper *keeper = timer->data;
    double now = now_s();

    if (keeper->report_due && !keeper->writing && now - keeper->report_s >= REPORT_EVERY_S)
        write_report(keeper);
    if (keeper->uploader != NULL && keeper->upload_due && !keeper->writing &&
        now - keeper->upload_s >= keeper->options.profile->upload.every_s)
        queue_run(keeper);
}

void hf_keeper_begin(void *context, struct uv_loop_s *loop)
{
    struct hf_keeper *keeper = context;

    keeper->loop = loop;
    keeper->begun = 1;
    keeper->report_s = now_s();
    (void)uv_timer_init(loop, &keeper->timer); /* cannot fail */
    keeper->timer.data = keeper;
    (void)uv_timer_start(&keeper->timer, on_timer, TICK_MS, TICK_MS);
    uv_unref((uv_handle_t *)&keeper->timer);
    begin_upload(keeper);
}

void hf_keeper_end(void *context)
{
    struct hf_keeper *keeper = context;

    if (!keeper->begun)
        return;
    keeper->begun = 0;
    uv_close((uv_handle_t *)&keeper->timer, NULL);
    hf_uploader_close(keeper->uploader);
    keeper->uploader = NULL;
    hf_upload_queue_close(keeper->queue);
    keeper->queue = NULL;
    if (keeper->writing && uv_is_active((uv_handle_t *)&keeper->process)) { /* the loop ends when it has */
        uv_ref((uv_handle_t *)&keeper->process);
        (void)uv_process_kill(&keeper->process, SIGKILL);
    }
}
