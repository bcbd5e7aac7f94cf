#include "harness/error_watch.h"

#include <inttypes.h>
#include <stdio.h>
#include <string.h>

#include "base/memory.h"
#include "harness/store_watch.h"
#include "harness/supervisor_private.h"

#define READ_EVERY_NS    INT64_C(200000000)
#define RECORDS_AT_ONCE  1000
#define PAST_RECORDS_MAX 1000000 /* of a boot: far more than the kernel keeps */
#define APIC_MAX         4096
#define POLLING_FILE     "/sys/devices/system/machinecheck/machinecheck0/check_interval"
#define PRINT_ALL_FILE   "/sys/devices/system/machinecheck/machinecheck0/print_all"

struct hf_error_watch {
    struct hf_supervisor *s;
    const struct hf_host *host;
    struct hf_error_joiner *joiner;
    struct hf_log_reader *log;
    struct hf_log_reader *trace; /* trace points: a complete line an event, where they may be used */
    int traces;                  /* an instance of ours is to be removed at the end */
    int16_t group_of_cpu[HF_CPUS_MAX];
    int16_t cpu_of_apic[APIC_MAX];
    struct hf_memory_count counts[HF_MEMORY_COUNTS_MAX];
    int count_count;
    int polls;                               /* the kernel looks for corrected errors every HF_ERROR_POLL_S */
    int new_boot;                            /* the run's last session was of another boot */
    enum hf_error_severity culprit_severity; /* of the worst report about the boot before */
    int culprit_group;
    int culprit_cpu;
    int64_t next_ns;
};

/* --- what an event does ------------------------------------------------------------------------------------
 */

static void write_report(struct hf_json_writer *writer, const struct hf_hardware_error *event)
{
    hf_json_string(writer, "source", hf_error_source_name(event->source));
    hf_json_string(writer, "kind", hf_error_kind_name(event->kind));
    hf_json_string(writer, "severity", hf_error_severity_name(event->severity));
    hf_json_u64(writer, "count", event->count);
    if (event->bank >= 0)
        hf_json_integer(writer, "bank", event->bank);
    if (event->has & HF_HAS_STATUS)
        hf_json_hex64(writer, "status", event->status);
    hf_json_string(writer, "text", event->text);
}

static void write_extra(void *context, struct hf_json_writer *writer)
{
    write_report(writer, context);
}

/* Journals one record that is no event of the plan: what a boot reports, or an error that names no group. */
static void journal_report(struct hf_error_watch *watch, enum hf_record_type type,
                           const struct hf_hardware_error *event)
{
    struct hf_json_writer *writer = hf_run_begin_record(watch->s->run, type);
    struct hf_error error = {0};

    write_report(writer, event);
    if (event->cpu >= 0)
        hf_json_integer(writer, "cpu", event->cpu);
    if (event->group >= 0)
        hf_json_integer(writer, "group", event->group);
    if (hf_run_end_record(watch->s->run, &error) != HF_OK)
        hf_supervisor_fail(watch->s, &error);
    (void)hf_supervisor_commit(watch->s);
}

/* The profile's number of a CPU of this machine, and -1 where the workers of several share it. */
static int profile_cpu(const struct hf_error_watch *watch, int cpu)
{
    int found = -1;

    for (int i = 0; i < watch->s->pool->worker_count; i++) {
        const struct hf_pool_place *place = &watch->s->pool->worker[i].place;

        if (place->real_cpu == cpu)
            found = found == -1 ? place->profile_cpu : -2;
    }
    return found >= 0 ? found : -1;
}

static void journal_event(struct hf_error_watch *watch, const struct hf_trial *trial,
                          const struct hf_hardware_error *report)
{
    struct hf_event event = {
        .type = HF_EVENT_HARDWARE_ERROR,
        .trial = trial != NULL ? trial->id : 0,
        .group = report->group,
        .cpu = profile_cpu(watch, report->cpu),
        .exposure_s = trial != NULL ? trial->exposure_s : 0,
        .corrected = report->severity == HF_SEVERITY_CORRECTED,
        .time_s = hf_supervisor_now_s(watch->s),
    };
    struct hf_hardware_error copy = *report;
    struct hf_error error = {0};

    if (hf_run_add_event_with(watch->s->run, &event, NULL, write_extra, &copy, &error) != HF_OK)
        hf_supervisor_fail(watch->s, &error);
    (void)hf_supervisor_commit(watch->s);
}

/* The trial that a report is about: of its group, under load. */
static void take_present(struct hf_error_watch *watch, const struct hf_hardware_error *report)
{
    struct hf_supervisor *s = watch->s;
    struct hf_trial *trial = hf_trial_of_group(s, report->group);
    char detail[128];

    if (trial != NULL && (!trial->loaded || s->phase != HF_PHASE_RUNNING))
        trial = NULL;
    journal_event(watch, trial, report);
    (void)snprintf(detail, sizeof detail, "%s error, %s, reported for CPU %d by %s",
                   hf_error_severity_name(report->severity), hf_error_kind_name(report->kind), report->cpu,
                   hf_error_source_name(report->source));
    hf_supervisor_say(s, "%s: %s", hf_supervisor_group_name(s, report->group), detail);
    if (trial != NULL)
        hf_trial_close(s, trial, HF_VERDICT_FAIL, HF_CAUSE_HARDWARE_ERROR, report->group,
                       profile_cpu(watch, report->cpu), detail);
}

/* Of several reports about the last boot's end the worst names the culprit: an exception that goes to all
 * CPUs leaves lesser records on the others. Two groups named by equally bad ones: nobody. A memory error is
 * nobody's ratio. */
static void indict(struct hf_error_watch *watch, const struct hf_hardware_error *report)
{
    if (report->group < 0 || report->severity < HF_SEVERITY_UNCORRECTED || report->kind == HF_KIND_MEMORY ||
        report->severity < watch->culprit_severity)
        return;
    if (report->severity == watch->culprit_severity) {
        if (report->group != watch->culprit_group)
            watch->culprit_group = HF_GROUP_NONE;
        return;
    }
    watch->culprit_severity = report->severity;
    watch->culprit_group = report->group;
    watch->culprit_cpu = profile_cpu(watch, report->cpu);
}

static void take_past(struct hf_error_watch *watch, const struct hf_hardware_error *report)
{
    if (!watch->new_boot || (!report->previous_boot && report->kind != HF_KIND_RESET_REASON))
        return;
    journal_report(watch, HF_RECORD_BOOT_REPORT, report);
    hf_supervisor_say(watch->s, "of the boot before: %s, %s, CPU %d%s", hf_error_kind_name(report->kind),
                      hf_error_severity_name(report->severity), report->cpu,
                      report->group >= 0 ? ", a core under trial" : "");
    indict(watch, report);
}

static void take(void *argument, const struct hf_hardware_error *report)
{
    struct hf_error_watch *watch = argument;

    if (report->previous_boot || report->earlier)
        take_past(watch, report);
    else if (hf_hardware_error_is_evidence(report) && report->group >= 0)
        take_present(watch, report);
    else if (report->severity > HF_SEVERITY_NOTICE && !report->repeats)
        journal_report(watch, HF_RECORD_NOTE, report);
}

/* --- opening
 * ------------------------------------------------------------------------------------------------- */

/* A CPU on which workers of several groups share their time (a simulated machine) indicts none of them. */
static void map_cpus(struct hf_error_watch *watch)
{
    for (int cpu = 0; cpu < HF_CPUS_MAX; cpu++)
        watch->group_of_cpu[cpu] = -1;
    for (int i = 0; i < watch->s->pool->worker_count; i++) {
        const struct hf_pool_place *place = &watch->s->pool->worker[i].place;
        int16_t *group = &watch->group_of_cpu[place->real_cpu];

        *group = (int16_t)(*group == -1 || *group == place->group ? place->group : -2);
    }
}

static void map_apics(struct hf_error_watch *watch)
{
    size_t size = 4 * 1024 * 1024;
    char *bytes = hf_allocate(1, size);
    int count = bytes != NULL ? hf_host_bytes(watch->host, "/proc/cpuinfo", bytes, size) : -1;

    hf_apic_map_parse(bytes, count > 0 ? (size_t)count : 0, watch->cpu_of_apic, APIC_MAX);
    hf_free(bytes);
}

/* Corrected errors show only when the kernel looks for them: every five minutes unless told otherwise. */
static int shorten_polling(struct hf_error_watch *watch, struct hf_undo *undo)
{
    struct hf_error_polling polling;
    struct hf_error error = {0};
    char value[16];

    hf_polling_read(watch->host, &polling);
    if (!polling.is_there) {
        hf_supervisor_say(watch->s,
                          "this kernel reports no machine checks: errors that were corrected stay unseen");
        return HF_OK;
    }
    if (hf_polling_blindness(&polling) != NULL)
        hf_supervisor_say(watch->s, "%s", hf_polling_blindness(&polling));
    (void)snprintf(value, sizeof value, "%d", HF_ERROR_POLL_S);
    if (hf_undo_write(undo, POLLING_FILE, value, &error) == HF_OK) {
        watch->polls = 1;
        if (polling.prints_all >= 0)
            (void)hf_undo_write(undo, PRINT_ALL_FILE, "1", &error);
    }
    if (error.code != HF_OK)
        hf_supervisor_say(watch->s, "corrected errors may be reported up to %" PRId64 " s late: %s",
                          polling.check_interval_s, error.message);
    if (hf_journal_failed(watch->s->run->journal))
        return hf_fail(&watch->s->error, error.code, "%s", error.message);
    return HF_OK;
}

/* One that cannot be read any more is given up, and said once. */
static void drain(struct hf_error_watch *watch, struct hf_log_reader **reader, int64_t now_ns, int max,
                  const char *lost)
{
    struct hf_error error = {0};

    if (*reader == NULL || hf_log_reader_drain(*reader, now_ns, max, &error) >= 0)
        return;
    hf_supervisor_note(watch->s, "%s: from here on %s", error.message, lost);
    hf_log_reader_close(*reader);
    *reader = NULL;
}

static void drain_both(struct hf_error_watch *watch, int64_t now_ns, int max)
{
    drain(watch, &watch->trace, now_ns, max, "trace points are not read");
    drain(watch, &watch->log, now_ns, max,
          watch->trace != NULL ? "hardware errors are seen by trace points only"
                               : "hardware errors cannot be seen");
}

/* Beside the log: it may be closed to us, lose records in a storm, or hold only a decoder's words. The joiner
 * knows what both tell. */
static void open_trace(struct hf_error_watch *watch, const struct hf_log_ops *ops)
{
    struct hf_error error = {0};
    char path[HF_HOST_PATH_MAX];

    if (hf_trace_begin(watch->host, path, &error) == HF_OK) {
        watch->traces = 1;
        if (hf_log_reader_open(ops, HF_LOG_TRACE, path, watch->joiner, &watch->trace, &error) == HF_OK) {
            hf_supervisor_note(watch->s, "trace points of hardware errors are read from %s", path);
            return;
        }
    }
    hf_supervisor_note(watch->s, "trace points of hardware errors are not read: %s", error.message);
}

static void open_log(struct hf_error_watch *watch, const struct hf_log_ops *ops)
{
    struct hf_error error = {0};

    if (hf_log_reader_open(ops, HF_LOG_KERNEL, NULL, watch->joiner, &watch->log, &error) == HF_OK)
        return;
    hf_supervisor_note(watch->s, "%s: hardware errors %s", error.message,
                       watch->trace != NULL ? "are seen by trace points only" : "cannot be seen");
}

/* Trace points first: while the log's past is read nothing of the present is missed. */
static int read_past(struct hf_error_watch *watch)
{
    const struct hf_log_ops *ops = watch->s->options->log != NULL ? watch->s->options->log : &hf_log_real;
    int64_t now_ns = hf_clock_monotonic_ns(&hf_clock_real);

    open_trace(watch, ops);
    open_log(watch, ops);
    drain_both(watch, now_ns, PAST_RECORDS_MAX);
    (void)hf_store_watch_read(watch->s, watch->host, watch->new_boot, watch->joiner, now_ns);
    hf_error_joiner_flush(watch->joiner, now_ns);
    watch->count_count = hf_memory_counts_read(watch->host, watch->counts, HF_MEMORY_COUNTS_MAX);
    return watch->s->error.code;
}

int hf_error_watch_new(struct hf_supervisor *s, const struct hf_host *host, struct hf_undo *undo,
                       struct hf_error_watch **ret_watch)
{
    struct hf_error_watch *watch = hf_allocate(1, sizeof *watch);
    struct hf_error_joiner_config config;

    if (watch == NULL)
        return hf_fail(&s->error, HF_E_MEMORY, "no memory for the hardware error reports");
    *ret_watch = watch;
    watch->s = s;
    watch->host = host;
    watch->culprit_group = HF_GROUP_NONE;
    watch->culprit_cpu = -1;
    watch->new_boot = hf_resume_is_new_boot(s);
    map_cpus(watch);
    map_apics(watch);
    config = (struct hf_error_joiner_config){.group_of_cpu = watch->group_of_cpu,
                                             .cpu_limit = HF_CPUS_MAX,
                                             .cpu_of_apic = watch->cpu_of_apic,
                                             .apic_limit = APIC_MAX,
                                             .take = take,
                                             .argument = watch};
    if (hf_error_joiner_new(&config, &watch->joiner, &s->error) != HF_OK ||
        shorten_polling(watch, undo) != HF_OK)
        return s->error.code;
    return read_past(watch);
}

void hf_error_watch_free(struct hf_error_watch *watch)
{
    if (watch == NULL)
        return;
    hf_log_reader_close(watch->log);
    hf_log_reader_close(watch->trace);
    if (watch->traces)
        hf_trace_end(watch->host);
    hf_error_joiner_free(watch->joiner);
    hf_free(watch);
}

/* --- while it runs
 * --------------------------------------------------------------------------------------------- */

static void compare_counts(struct hf_error_watch *watch, int64_t now_ns)
{
    static struct hf_memory_count now[HF_MEMORY_COUNTS_MAX];
    int count;

    if (watch->count_count <= 0)
        return;
    count = hf_memory_counts_read(watch->host, now, HF_MEMORY_COUNTS_MAX);
    hf_memory_counts_compare(watch->counts, watch->count_count, now, count, watch->joiner, now_ns);
    memcpy(watch->counts, now, sizeof now[0] * (size_t)(count > 0 ? count : 0));
    watch->count_count = count;
}

void hf_error_watch_tick(struct hf_error_watch *watch, int64_t now_ns)
{
    if (now_ns < watch->next_ns)
        return;
    watch->next_ns = now_ns + READ_EVERY_NS;
    drain_both(watch, now_ns, RECORDS_AT_ONCE);
    compare_counts(watch, now_ns);
    hf_error_joiner_tick(watch->joiner, now_ns);
}

double hf_error_watch_drain_s(const struct hf_error_watch *watch)
{
    return watch->polls && (watch->log != NULL || watch->trace != NULL) ? HF_ERROR_POLL_S + 0.5 : 0;
}

int hf_error_watch_culprit(const struct hf_error_watch *watch, int *ret_cpu)
{
    *ret_cpu = watch->culprit_group != HF_GROUP_NONE ? watch->culprit_cpu : -1;
    return watch->culprit_group;
}
