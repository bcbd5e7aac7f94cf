#include "harness/guardian.h"

#include <assert.h>
#include <errno.h>
#include <inttypes.h>
#include <stdio.h>
#include <string.h>
#include <unistd.h>

#include "base/memory.h"
#include "harness/error_watch.h"
#include "harness/supervisor_private.h"
#include "harness/undo.h"
#include "holdfast/kernel_settings.h"
#include "holdfast/notify.h"
#include "holdfast/watchdog.h"

#define WATCHDOG_TIMEOUT_S 30
#define STANDSTILL_S       20.0 /* a busy worker without progress for so long: the machine is half dead */
#define NO_WAY_OUT_FILE    "/sys/class/watchdog/watchdog0/nowayout"
#define BOOT_STATUS_FILE   "/sys/class/watchdog/watchdog0/bootstatus"
#define STATUS_EVERY_NS    INT64_C(1000000000)

struct hf_guardian {
    struct hf_undo *undo;
    struct hf_error_watch *errors;
    struct hf_watchdog watchdog;
    struct hf_notify notify;
    int has_watchdog;
    int said_standstill;
    int64_t next_pet_ns;
    int64_t next_status_ns;
};

/* --- settings ------------------------------------------------------------------------------------------ */

static int adjust_kernel(struct hf_supervisor *s, struct hf_guardian *guardian)
{
    struct hf_kernel_setting settings[HF_KERNEL_SETTINGS];
    int changed = 0;

    hf_kernel_settings_survey(s->host, settings);
    for (int i = 0; i < HF_KERNEL_SETTINGS; i++) {
        struct hf_error error = {0};
        char value[24];

        if (settings[i].satisfied || settings[i].trouble == -ENOENT)
            continue;
        (void)snprintf(value, sizeof value, "%" PRId64, settings[i].wanted);
        if (hf_undo_write(guardian->undo, settings[i].file, value, &error) == HF_OK) {
            changed++;
            hf_supervisor_say(s, "%s: %" PRId64 " until the end instead of %" PRId64 ": %s", settings[i].file,
                              settings[i].wanted, settings[i].found, settings[i].reason);
        } else if (hf_journal_failed(s->run->journal))
            return hf_fail(&s->error, error.code, "%s", error.message);
        else
            hf_supervisor_say(s, "%s (wanted: %s)", error.message, settings[i].reason);
    }
    if (changed > 0)
        hf_supervisor_say(
            s, "%d kernel setting(s) changed so that a hang ends in a reset; put back at the end", changed);
    return HF_OK;
}

/* --- watchdogs -------------------------------------------------------------------------------------------
 */

static void start_watchdog(struct hf_supervisor *s, struct hf_guardian *guardian)
{
    const struct hf_watchdog_device *device =
        s->options->watchdog != NULL ? s->options->watchdog : &hf_watchdog_device_live;
    int64_t no_way_out = 0;
    struct hf_error error = {0};

    if (hf_watchdog_open(&guardian->watchdog, device, NULL, WATCHDOG_TIMEOUT_S, &error) != HF_OK) {
        hf_supervisor_say(s, "no hardware watchdog: %s; a machine that hangs stays hung", error.message);
        return;
    }
    guardian->has_watchdog = 1;
    if (hf_host_integer(s->host, NO_WAY_OUT_FILE, &no_way_out) == 0 && no_way_out == 1)
        guardian->watchdog.can_stop = 0; /* the kernel would ignore the magic close */
    hf_supervisor_say(s, "watchdog %s: the machine resets after %d s without a sign of life%s",
                      guardian->watchdog.identity, guardian->watchdog.timeout_s,
                      guardian->watchdog.can_stop ? "" : ", and it cannot be stopped again");
}

/* What the watchdog's driver knows of the end of the boot before; also when another program holds the device.
 */
static int64_t boot_status(const struct hf_supervisor *s, const struct hf_guardian *guardian)
{
    int64_t status = 0;

    if (guardian->has_watchdog)
        return (int64_t)guardian->watchdog.boot_status;
    if (hf_host_integer(s->host, BOOT_STATUS_FILE, &status) != 0)
        return 0;
    return status;
}

/* Invariant 3. */
static void report_watchdog(struct hf_supervisor *s, const struct hf_guardian *guardian)
{
    int64_t status = boot_status(s, guardian);
    struct hf_json_writer *writer;
    struct hf_error error = {0};
    char text[128];

    if (!hf_resume_is_new_boot(s) || status == 0)
        return;
    (void)snprintf(text, sizeof text, "%s%s%sboot status 0x%" PRIx64,
                   status & HF_WATCHDOG_BOOT_RESET ? "the last boot was made by the watchdog; " : "",
                   status & HF_WATCHDOG_BOOT_OVERHEAT ? "the machine was too hot; " : "",
                   status & HF_WATCHDOG_BOOT_POWER_UNDER ? "the supply was too low; " : "", (uint64_t)status);
    hf_supervisor_say(s, "%s", text);
    writer = hf_run_begin_record(s->run, HF_RECORD_BOOT_REPORT);
    hf_json_string(writer, "source", "watchdog");
    hf_json_string(writer, "kind", hf_error_kind_name(HF_KIND_RESET_REASON));
    hf_json_string(writer, "severity", hf_error_severity_name(HF_SEVERITY_NOTICE));
    hf_json_string(writer, "text", text);
    if (hf_run_end_record(s->run, &error) != HF_OK)
        hf_supervisor_fail(s, &error);
    (void)hf_supervisor_commit(s);
}

/* The worker that has stood still for longest, of those that ought to move. */
static double standstill_s(const struct hf_supervisor *s, int64_t now_ns)
{
    double longest = 0;

    for (int i = 0; i < s->pool->worker_count; i++) {
        const struct hf_worker *worker = &s->pool->worker[i];
        double still = (double)(now_ns - s->watch[i].progress_ns) * 1e-9;

        if (s->running[worker->place.group] && hf_supervisor_core_works(s, worker) && still > longest)
            longest = still;
    }
    return longest;
}

static void pet(struct hf_supervisor *s, struct hf_guardian *guardian, int64_t now_ns)
{
    struct hf_error error = {0};

    if (hf_watchdog_pet(&guardian->watchdog, &error) != HF_OK)
        hf_supervisor_say(s, "%s", error.message);
    guardian->next_pet_ns = now_ns + (int64_t)hf_watchdog_interval_s(&guardian->watchdog) * 1000000000;
}

static void tell_manager(const struct hf_supervisor *s, struct hf_guardian *guardian, int64_t now_ns)
{
    double every_s = guardian->notify.watchdog_s > 0 ? guardian->notify.watchdog_s / 3 : 1;
    char lines[200];

    if (guardian->notify.fd < 0 || now_ns < guardian->next_status_ns)
        return;
    guardian->next_status_ns =
        now_ns + (int64_t)(every_s * 1e9 < 1e9 ? every_s * 1e9 : (double)STATUS_EVERY_NS);
    (void)snprintf(lines, sizeof lines,
                   "WATCHDOG=1\nSTATUS=%s: %" PRIu64 " trials judged, %" PRIu64 " resets", s->profile->name,
                   s->run->state.verdicts[HF_VERDICT_PASS] + s->run->state.verdicts[HF_VERDICT_FAIL] +
                       s->run->state.verdicts[HF_VERDICT_VOID],
                   s->run->state.resets);
    (void)hf_notify_send(&guardian->notify, lines);
}

/* --- begin, tick, end --------------------------------------------------------------------------------------
 */

static int open_parts(struct hf_supervisor *s, struct hf_guardian *guardian)
{
    struct hf_error error = {0};

    if (hf_notify_open(&guardian->notify, getpid(), &error) != HF_OK) {
        hf_supervisor_say(s, "the service manager is not told how the search goes: %s", error.message);
        hf_error_clear(&error);
    }
    (void)hf_notify_send(&guardian->notify, "READY=1\nSTATUS=reading what the last boot left");
    if (!s->options->guard && s->options->log == NULL && s->options->driver->is_simulated)
        return HF_OK;
    if (hf_undo_new(s->run, s->host, s->options->boot_id, &guardian->undo, &s->error) != HF_OK)
        return s->error.code;
    if (hf_undo_count(guardian->undo) > 0)
        hf_supervisor_say(s,
                          "%d setting(s) that an earlier session left changed are known and will be put back",
                          hf_undo_count(guardian->undo));
    if (!s->options->guard && s->options->log == NULL)
        return HF_OK;
    if (hf_error_watch_new(s, s->host, guardian->undo, &guardian->errors) != HF_OK)
        return s->error.code;
    if (!s->options->guard)
        return HF_OK;
    start_watchdog(s, guardian);
    report_watchdog(s, guardian);
    return adjust_kernel(s, guardian);
}

int hf_guardian_begin(struct hf_supervisor *s)
{
    s->guardian = hf_allocate(1, sizeof *s->guardian);
    if (s->guardian == NULL)
        return hf_fail(&s->error, HF_E_MEMORY, "no memory for the guardian");
    *s->guardian = (struct hf_guardian){.notify = {.fd = -1}, .watchdog = {.fd = -1}};
    return open_parts(s, s->guardian);
}

void hf_guardian_tick(struct hf_supervisor *s, int64_t now_ns)
{
    struct hf_guardian *guardian = s->guardian;
    double still;

    if (guardian == NULL)
        return;
    if (guardian->errors != NULL)
        hf_error_watch_tick(guardian->errors, now_ns);
    still = s->phase == HF_PHASE_RUNNING ? standstill_s(s, now_ns) : 0;
    if (still > STANDSTILL_S) { /* invariant 1: nobody is told that all is well */
        if (!guardian->said_standstill)
            hf_supervisor_say(s, "a worker has stood still for %.0f s: the watchdog is left to act", still);
        guardian->said_standstill = 1;
        return;
    }
    guardian->said_standstill = 0;
    if (guardian->has_watchdog && now_ns >= guardian->next_pet_ns)
        pet(s, guardian, now_ns);
    tell_manager(s, guardian, now_ns);
}

void hf_guardian_end(struct hf_supervisor *s)
{
    struct hf_guardian *guardian = s->guardian;
    struct hf_error error = {0};

    if (guardian == NULL)
        return;
    (void)hf_notify_send(&guardian->notify, "STOPPING=1");
    hf_notify_close(&guardian->notify);
    hf_error_watch_free(guardian->errors);
    if (guardian->undo != NULL && hf_undo_all(guardian->undo, &error) != HF_OK)
        hf_supervisor_say(s, "%s; it goes back to its default with the next boot", error.message);
    hf_error_clear(&error);
    if (guardian->has_watchdog && hf_watchdog_close(&guardian->watchdog, &error) != HF_OK)
        hf_supervisor_say(s, "%s", error.message);
    hf_undo_free(guardian->undo);
    hf_free(guardian);
    s->guardian = NULL;
}

int hf_guardian_note(struct hf_supervisor *s, const char *file, const char *old, const char *value,
                     struct hf_error *error)
{
    assert(s->guardian != NULL &&
           s->guardian->undo != NULL); /* a driver writes after the session has begun */
    if (hf_undo_knows(s->guardian->undo, file))
        return HF_OK; /* also when the journal has failed since: the way to the baseline must stay open */
    return hf_undo_note(s->guardian->undo, file, old, value, error);
}

int hf_guardian_culprit(const struct hf_supervisor *s, int *ret_cpu)
{
    if (s->guardian == NULL || s->guardian->errors == NULL) {
        *ret_cpu = -1;
        return HF_GROUP_NONE;
    }
    return hf_error_watch_culprit(s->guardian->errors, ret_cpu);
}

double hf_guardian_drain_s(const struct hf_supervisor *s)
{
    if (s->guardian == NULL || s->guardian->errors == NULL)
        return 0;
    return hf_error_watch_drain_s(s->guardian->errors);
}
