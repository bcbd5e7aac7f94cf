/*
 * Hardware error reports under the supervisor, on a machine that is a folder: trace points in a tracing
 * instance of our own, whose pipe is a fifo that this test writes to, and a kernel's log that is closed to us
 * or says the same. Workers and their load are real.
 *
 * The lines have the form of Linux 6.1 (tried in an emulated machine).
 */
#include <errno.h>
#include <fcntl.h>

#include <sys/socket.h>

#include "holdfast/host.h"
#include "holdfast/topology.h"
#include "sim/scripted.h"

#define INSTANCE "/sys/kernel/tracing/instances/holdfast"
#define PIPE     INSTANCE "/trace_pipe"
#define TOLD_MAX 512

static char root[64];
static int cpu; /* the one that the worker runs on */
static int failed;

/* The tracing folder of this machine, and what is told in mid-trial. */
static struct {
    int refuses, has_no_events; /* what making the instance leads to */
    int log_is_closed;
    int told; /* lines have been written, once a session */
    const char *trace, *log;
    double loaded_s;
    int pipe; /* the writing end */
    int log_handle[2];
} machine;

static struct {
    enum hf_verdict verdict;
    enum hf_cause cause;
    int verdicts;
    char journal[1 << 18];
} seen;

static void expect(const char *what, int holds)
{
    printf("%-90s %s\n", what, holds ? "yes" : "NO");
    (void)fflush(stdout);
    failed |= !holds;
}

/* --- the machine ------------------------------------------------------------------------------------- */

static void path_of(const char *path, char *ret_path, size_t size)
{
    (void)snprintf(ret_path, size, "%s%s", root, path);
}

static void make_file(const char *path, const char *text)
{
    char whole[256];
    FILE *file;

    path_of(path, whole, sizeof whole);
    for (char *at = whole + strlen(root) + 1; (at = strchr(at, '/')) != NULL; at++) {
        *at = '\0';
        (void)mkdir(whole, 0755);
        *at = '/';
    }
    file = fopen(whole, "we");
    if (file == NULL || fputs(text, file) < 0 || fclose(file) != 0)
        exit(1);
}

static int file_is(const char *path, const char *text)
{
    char whole[256];
    char now[64] = "";
    FILE *file;

    path_of(path, whole, sizeof whole);
    file = fopen(whole, "re");
    if (file == NULL)
        return 0;
    now[fread(now, 1, sizeof now - 1, file)] = '\0';
    (void)fclose(file);
    return strcmp(now, text) == 0;
}

static int write_below(void *context, const char *path, const char *text)
{
    char whole[256];

    (void)context;
    path_of(path, whole, sizeof whole);
    if (access(whole, F_OK) != 0)
        return -errno;
    make_file(path, text);
    return 0;
}

/* As the kernel does: a folder made below "instances" is full at once, and goes as a whole. */
static int folder_below(void *context, const char *path, int wanted)
{
    char whole[300];

    (void)context;
    if (strcmp(path, INSTANCE) != 0)
        return -ENOENT;
    if (machine.refuses)
        return -EACCES;
    path_of(path, whole, sizeof whole);
    if (!wanted) {
        char command[320];

        (void)snprintf(command, sizeof command, "rm -rf %s", whole);
        return system(command) == 0 ? 0 : -EIO;
    }
    if (mkdir(whole, 0755) != 0)
        return -errno;
    path_of(PIPE, whole, sizeof whole);
    if (mkfifo(whole, 0600) != 0)
        return -errno;
    if (machine.has_no_events)
        return 0;
    make_file(INSTANCE "/events/mce/mce_record/enable", "0");
    make_file(INSTANCE "/events/ras/mc_event/enable", "0");
    return 0;
}

/* The pipe's other end stays open, so that an empty one is not at its end. */
static int log_open(void *context, const char *path)
{
    char whole[256];
    int fd;

    (void)context;
    if (strcmp(path, "/dev/kmsg") == 0)
        return machine.log_is_closed ? -EPERM : machine.log_handle[0];
    path_of(path, whole, sizeof whole);
    fd = open(whole, O_RDONLY | O_NONBLOCK | O_CLOEXEC);
    if (fd < 0)
        return -errno;
    machine.pipe = open(whole, O_WRONLY | O_NONBLOCK | O_CLOEXEC);
    return fd;
}

static int log_read(void *context, int handle, char *ret_bytes, size_t size)
{
    ssize_t got = read(handle, ret_bytes, size);

    (void)context;
    return got >= 0 ? (int)got : -errno;
}

static void log_close(void *context, int handle)
{
    (void)context;
    (void)close(handle);
}

static void tell(int handle, const char *text)
{
    char line[TOLD_MAX];
    int length = snprintf(line, sizeof line, text, cpu, cpu, cpu);

    if (handle < 0 || write(handle, line, (size_t)length) != length)
        exit(1);
}

/* The log tells records, one a read: a message socket keeps them apart. */
static int poll_and_tell(void *state, double run_seconds, struct hf_rig_fault *ret_damage)
{
    struct scripted *s = state;

    (void)ret_damage;
    machine.loaded_s += s->loaded[0] ? run_seconds : 0;
    if (machine.told || machine.loaded_s < 0.3)
        return 0;
    machine.told = 1;
    if (machine.trace != NULL)
        tell(machine.pipe, machine.trace);
    if (machine.log != NULL)
        tell(machine.log_handle[1], machine.log);
    return 0;
}

/* --- a session --------------------------------------------------------------------------------------- */

static int note(void *context, const struct hf_event *event, struct hf_error *error)
{
    (void)context;
    (void)error;
    if (event->type == HF_EVENT_TRIAL_LOADED)
        machine.loaded_s = 0;
    if (event->type == HF_EVENT_VERDICT && seen.verdicts++ == 0) {
        seen.verdict = event->verdict;
        seen.cause = event->cause;
    }
    return HF_OK;
}

static void read_journal(const char *directory)
{
    char path[320];
    FILE *file;

    (void)snprintf(path, sizeof path, "%s/journal.jsonl", directory);
    file = fopen(path, "re");
    if (file == NULL)
        exit(1);
    seen.journal[fread(seen.journal, 1, sizeof seen.journal - 1, file)] = '\0';
    (void)fclose(file);
}

static int says(const char *words)
{
    return strstr(seen.journal, words) != NULL;
}

static int count_of(const char *words)
{
    int count = 0;

    for (const char *at = seen.journal; (at = strstr(at, words)) != NULL; at++)
        count++;
    return count;
}

static void supervise(struct scripted_run *r, struct hf_host *host, struct hf_error *error)
{
    static const struct hf_log_ops ops = {log_open, log_read, log_close, NULL};
    struct hf_driver_ops driver = scripted_driver;
    struct hf_director director;
    struct hf_supervisor_result result;
    struct hf_supervisor_options options = {.run = r->run,
                                            .director = &director,
                                            .mix = &r->mix,
                                            .driver = &driver,
                                            .boot_id = "one-boot",
                                            .host = host,
                                            .log = &ops,
                                            .wall_limit_s = 30};

    driver.poll = poll_and_tell;
    r->fixed = (struct hf_fixed_director){.mix = &r->mix,
                                          .seed = 1,
                                          .purpose = HF_PURPOSE_VERIFY,
                                          .limit_s = 1.5,
                                          .group_count = 1,
                                          .target = {1}};
    r->fixed.step[0] = (int16_t)r->profile->group[0].baseline_step;
    r->started = 1;
    hf_fixed_director_start(&r->fixed, &director);
    (void)hf_supervisor_run(&options, &result, error);
    hf_text_release(&result.words);
}

static void run_one(const char *trace, const char *log)
{
    struct scripted_run r = {.visitor = note};
    struct hf_error error = {0};
    struct hf_host host;

    memset(&seen, 0, sizeof seen);
    scripted = (struct scripted){.cores = 1};
    machine.trace = trace;
    machine.log = log;
    machine.told = 0;
    machine.loaded_s = 0;
    machine.pipe = -1;
    if (socketpair(AF_UNIX, SOCK_SEQPACKET | SOCK_NONBLOCK | SOCK_CLOEXEC, 0, machine.log_handle) != 0 ||
        hf_host_open(root, &host, &error) != HF_OK)
        exit(1);
    host.write = write_below;
    host.folder = folder_below;
    scripted_directory(r.directory, sizeof r.directory, "reports");
    r.profile = scripted_profile(1, 1, "quick");
    if (scripted_open_run(&r, "one-boot", NULL, &error) == HF_OK)
        supervise(&r, &host, &error);
    if (error.code != HF_OK) {
        fprintf(stderr, "%s\n", error.message);
        exit(1);
    }
    hf_run_close(r.run);
    read_journal(r.directory);
    if (getenv("VERBOSE") != NULL)
        fputs(seen.journal, stderr);
    hf_profile_free(r.profile);
    hf_host_close(&host);
    scripted_remove(r.directory);
    (void)close(machine.log_handle[1]);
    if (machine.log_is_closed)
        (void)close(machine.log_handle[0]);
    if (machine.pipe >= 0)
        (void)close(machine.pipe);
}

/* --- what is tried ----------------------------------------------------------------------------------- */

static const char corrected_trace[] =
    "          <idle>-0       [%03d] d.h1.   123.456789: mce_record: CPU: %d, MCGc/s: 100010a/0, MC1: "
    "9c00000000010136, IPID: 0000000000000000, ADDR/MISC/SYND: 0000000012345000/000000000000008c/"
    "0000000000000000, RIP: 00:<0000000000000000>, TSC: 0, PROCESSOR: 0:50654, TIME: 1795591986, SOCKET: 0, "
    "APIC: %d\n";
static const char memory_trace[] =
    "     kworker/1:2-77      [%03d] .....   124.000001: mc_event: 1 Corrected error: memory read error on "
    "DIMM_A1 (mc:0 location:0:1:-1 address:0x12345000 grain:3 syndrome:0x00000000 )\n";
static const char corrected_log[] =
    "2,1,123456800,-;mce: [Hardware Error]: CPU %d: Machine Check: 0 Bank 1: 9c00000000010136\n";

static void try_trace_alone(void)
{
    machine.log_is_closed = 1;
    run_one(corrected_trace, NULL);
    expect("a corrected error told by a trace point only fails the trial of its core's group",
           seen.verdict == HF_VERDICT_FAIL && seen.cause == HF_CAUSE_HARDWARE_ERROR);
    expect("it is journalled once, with its source and its raw text",
           count_of("\"type\":\"hardware-error\"") == 1 && says("\"source\":\"trace\"") &&
               says("mce_record: CPU: "));
    expect("the closed log is named, with what to do, and that trace points are left",
           says("cannot read /dev/kmsg: run as root") && says("are seen by trace points only"));
    expect("the instance is gone at the end", !file_is(INSTANCE "/events/mce/mce_record/enable", "1"));
}

static void try_both(void)
{
    machine.log_is_closed = 0;
    run_one(corrected_trace, corrected_log);
    expect("what the log and the trace point both tell is one error",
           seen.verdict == HF_VERDICT_FAIL && count_of("\"type\":\"hardware-error\"") == 1);
}

static void try_memory(void)
{
    run_one(memory_trace, NULL);
    expect("an error of the memory is no group's: the trial passes, the report is kept as a note",
           seen.verdict == HF_VERDICT_PASS && says("mc_event: 1 Corrected error"));
}

static void try_refusals(void)
{
    machine.refuses = 1;
    run_one(NULL, corrected_log);
    machine.refuses = 0;
    expect("where tracing needs root that is said, and the log still tells",
           says("trace points of hardware errors are not read: trace points need root") &&
               seen.verdict == HF_VERDICT_FAIL && seen.cause == HF_CAUSE_HARDWARE_ERROR);
    machine.has_no_events = 1;
    run_one(NULL, NULL);
    machine.has_no_events = 0;
    expect("a kernel without these trace points is named, and the trial passes",
           says("no trace points for machine checks") && seen.verdict == HF_VERDICT_PASS);
}

/* A session that was killed leaves its instance behind, with what came after its end in it. */
static void try_left_behind(void)
{
    char whole[256];
    char line[TOLD_MAX];
    int keeps_it;

    (void)folder_below(NULL, INSTANCE, 1);
    path_of(PIPE, whole, sizeof whole);
    keeps_it = open(whole, O_RDWR | O_NONBLOCK | O_CLOEXEC);
    (void)snprintf(line, sizeof line, corrected_trace, cpu, cpu, cpu);
    tell(keeps_it, line);
    run_one(NULL, NULL);
    expect("what a killed session's instance still holds is not held against the next session's trial",
           seen.verdict == HF_VERDICT_PASS && says("are read from " PIPE) &&
               count_of("\"type\":\"hardware-error\"") == 0);
    (void)close(keeps_it);
}

int main(int argc, char **argv)
{
    int16_t allowed[HF_CPUS_MAX];
    struct hf_error error = {0};
    char command[128];
    int count;

    scripted_worker_main(argc, argv);
    if (hf_allowed_cpus(allowed, HF_CPUS_MAX, &count, &error) != HF_OK)
        return 1;
    cpu = allowed[0];
    (void)snprintf(root, sizeof root, "/tmp/holdfast-reports-XXXXXX");
    if (mkdtemp(root) == NULL)
        return 1;
    make_file("/sys/kernel/tracing/instances/none", "");
    try_trace_alone();
    try_both();
    try_memory();
    try_refusals();
    try_left_behind();
    (void)snprintf(command, sizeof command, "rm -rf %s", root);
    return system(command) != 0 || failed;
}
