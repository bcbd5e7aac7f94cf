/*
 * A machine that is a folder: its clock limits, its temperatures and its performance counters are files,
 * which a thread of the test ("the world") changes as a machine would. Workers and their load are real.
 *
 * ACPI's counters give the clock: nominal frequency x reference / nominal performance x d delivered / d
 * reference (ACPI 6.5, 8.4.6.1).
 *
 * A test calls folder_machine_main() first thing in main(), then calm_world() and run() as often as it likes,
 * then folder_machine_end().
 */
#ifndef HOLDFAST_TESTS_SIM_FOLDER_MACHINE_H
#define HOLDFAST_TESTS_SIM_FOLDER_MACHINE_H

#pragma GCC diagnostic ignored "-Wunused-function" /* no test uses all of it */

#include <errno.h>
#include <fcntl.h>
#include <math.h>
#include <pthread.h>
#include <sched.h>
#include <signal.h>
#include <sys/wait.h>
#include <time.h>

#include "holdfast/topology.h"
#include "sim/scripted.h"

#define VERDICTS_MAX 16
#define CPUS         "sys/devices/system/cpu"
#define MIN_KHZ      "800000"
#define MAX_KHZ      "4600000"
#define BASELINE     32 /* ratio */

extern const struct hf_driver_ops hf_driver_cpufreq;
extern const struct hf_driver_ops hf_driver_command;

static char root[64];
static cpu_set_t everywhere; /* the supervisor moves to one CPU */
static int16_t allowed[HF_CPUS_MAX];
static int allowed_count;
static int failed;

static struct {
    pthread_t thread;
    volatile int stop, loaded;
    volatile double celsius,
        hot_celsius; /* hot_celsius: 0.3 s after the load began, until 1.2 s after that was noticed */
    volatile int64_t over_ns; /* when a trial was ended for it */
    volatile int sensor_goes; /* 0.3 s after the load began */
    volatile double mhz;
    volatile long revert_khz; /* 0.3 s after it was set last the upper limit becomes this; 0: never */
    volatile double throttles_a_s, stolen_share, watts;
    int counts_cycles; /* by a counter of its own, over wall time; else ACPI's counters tell the clock */
    volatile double cycles;
} world;

static struct {
    enum hf_verdict verdict[VERDICTS_MAX];
    enum hf_cause cause[VERDICTS_MAX];
    int group[VERDICTS_MAX];
    double verdict_s[VERDICTS_MAX], begin_s[VERDICTS_MAX];
    int verdicts, begins;
} seen;

static int expect(const char *what, int holds)
{
    printf("%-90s %s\n", what, holds ? "yes" : "NO");
    (void)fflush(stdout);
    failed |= !holds;
    return holds;
}

/* --- the machine -----------------------------------------------------------------------------------------
 */

static void path_of(char *ret_path, size_t size, const char *file)
{
    (void)snprintf(ret_path, size, "%s/%s", root, file);
}

/* In place, with one write: whoever has the file open sees the new content. */
static int put(const char *file, const char *text)
{
    char path[512];
    int fd;
    ssize_t written;

    path_of(path, sizeof path, file);
    for (char *at = path + strlen(root) + 1; (at = strchr(at, '/')) != NULL; at++) {
        *at = '\0';
        (void)mkdir(path, 0755);
        *at = '/';
    }
    fd = open(path, O_WRONLY | O_CREAT | O_CLOEXEC, 0644);
    if (fd < 0)
        return -1;
    written = write(fd, text, strlen(text));
    if (ftruncate(fd, (off_t)strlen(text)) != 0)
        written = -1;
    (void)close(fd);
    return written == (ssize_t)strlen(text) ? 0 : -1;
}

static void get(const char *file, char *ret_text, size_t size)
{
    char path[512];
    FILE *stream;

    path_of(path, sizeof path, file);
    stream = fopen(path, "re");
    ret_text[0] = '\0';
    if (stream == NULL)
        return;
    ret_text[fread(ret_text, 1, size - 1, stream)] = '\0';
    ret_text[strcspn(ret_text, "\n")] = '\0';
    (void)fclose(stream);
}

static void cpu_file(char *ret_file, size_t size, const char *format, int index)
{
    (void)snprintf(ret_file, size, format, allowed[index]);
}

static void put_cpu(const char *format, int index, const char *text)
{
    char file[160];

    cpu_file(file, sizeof file, format, index);
    if (put(file, text) != 0)
        exit(1);
}

static int holds(const char *format, int index, const char *text)
{
    char file[160];
    char now[64];

    cpu_file(file, sizeof file, format, index);
    get(file, now, sizeof now);
    if (strcmp(now, text) != 0)
        printf("%s holds %s\n", file, now);
    return strcmp(now, text) == 0;
}

static void build_machine(void)
{
    char cpu[16];

    for (int i = 0; i < 2 && i < allowed_count; i++) {
        (void)snprintf(cpu, sizeof cpu, "%d\n", allowed[i]);
        put_cpu(CPUS "/cpufreq/policy%d/affected_cpus", i, cpu);
        put_cpu(CPUS "/cpufreq/policy%d/scaling_available_governors", i, "performance powersave\n");
        put_cpu(CPUS "/cpufreq/policy%d/scaling_governor", i, "powersave\n");
        put_cpu(CPUS "/cpufreq/policy%d/scaling_setspeed", i, "<unsupported>\n");
        put_cpu(CPUS "/cpufreq/policy%d/scaling_min_freq", i, MIN_KHZ "\n");
        put_cpu(CPUS "/cpufreq/policy%d/scaling_max_freq", i, MAX_KHZ "\n");
        put_cpu(CPUS "/cpufreq/policy%d/cpuinfo_max_freq", i, MAX_KHZ "\n");
        put_cpu(CPUS "/cpu%d/acpi_cppc/nominal_freq", i, world.counts_cycles ? "none\n" : "1000\n");
        put_cpu(CPUS "/cpu%d/acpi_cppc/reference_perf", i, "10\n");
        put_cpu(CPUS "/cpu%d/acpi_cppc/nominal_perf", i, "10\n");
        put_cpu(CPUS "/cpu%d/acpi_cppc/feedback_ctrs", i, "ref:0000000000001 del:0000000000001\n");
    }
    (void)put("sys/class/hwmon/hwmon0/name", "coretemp\n");
    (void)put("sys/class/hwmon/hwmon0/temp1_label", "Package id 0\n");
    (void)put("sys/class/hwmon/hwmon0/temp1_input", "60000\n");
    (void)put("sys/class/powercap/intel-rapl:0/name", "package-0\n");
    (void)put("sys/class/powercap/intel-rapl:0/max_energy_range_uj", "300000000\n");
    (void)put("sys/class/powercap/intel-rapl:0/energy_uj", "0\n");
}

static int64_t now_ns(void)
{
    return hf_clock_monotonic_ns(&hf_clock_real);
}

static void turn_clocks(double seconds, double counted[2])
{
    char text[80];

    counted[0] += seconds * 1e9;
    counted[1] += seconds * 1e6 * world.mhz;
    (void)snprintf(text, sizeof text, "ref:%013.0f del:%013.0f\n", counted[0], counted[1]);
    for (int i = 0; i < 2 && i < allowed_count; i++)
        put_cpu(CPUS "/cpu%d/acpi_cppc/feedback_ctrs", i, text);
}

/* 100 ticks a second and CPU, all of them busy, some of them stolen: proc(5). Heat or power counters, and the
 * energy of the package. */
static void turn_counts(double seconds)
{
    static double busy, stolen, throttles, microjoules;
    char text[512];
    size_t used = 0;

    busy += seconds * 100 * (1 - world.stolen_share);
    stolen += seconds * 100 * world.stolen_share;
    throttles += seconds * world.throttles_a_s;
    microjoules += seconds * 1e6 * world.watts;
    world.cycles = world.cycles + seconds * 1e6 * world.mhz;
    for (int i = 0; i < 2 && i < allowed_count; i++)
        used += (size_t)snprintf(text + used, sizeof text - used, "cpu%d %.0f 0 0 0 0 0 0 %.0f 0 0\n",
                                 allowed[i], busy, stolen);
    (void)put("proc/stat", text);
    (void)snprintf(text, sizeof text, "%.0f\n", throttles);
    for (int i = 0; i < 2 && i < allowed_count; i++)
        put_cpu(CPUS "/cpu%d/thermal_throttle/core_throttle_count", i, text);
    (void)snprintf(text, sizeof text, "%.0f\n", fmod(microjoules, 300e6)); /* wraps */
    (void)put("sys/class/powercap/intel-rapl:0/energy_uj", text);
}

static void turn_sensor(double loaded_s)
{
    char text[32];
    int hot = world.hot_celsius > 0 && loaded_s > 0.3 &&
              (world.over_ns == 0 || (double)(now_ns() - world.over_ns) * 1e-9 < 1.2);

    if (world.sensor_goes && loaded_s > 0.3) {
        (void)put("sys/class/hwmon/hwmon0/temp1_input",
                  "gone\n"); /* to whoever has it open an unlinked file stays */
        return;
    }
    (void)snprintf(text, sizeof text, "%.0f\n", 1000 * (hot ? world.hot_celsius : world.celsius));
    (void)put("sys/class/hwmon/hwmon0/temp1_input", text);
}

static void turn_limits(int64_t *set_ns, char last[64])
{
    char file[160];
    char now[64];
    char text[32];

    cpu_file(file, sizeof file, CPUS "/cpufreq/policy%d/scaling_max_freq", 0);
    get(file, now, sizeof now);
    if (strcmp(now, last) != 0) {
        *set_ns = now_ns();
        (void)snprintf(last, 64, "%s", now);
    }
    if (world.revert_khz == 0 || atol(now) == world.revert_khz || now_ns() - *set_ns < INT64_C(300000000))
        return;
    (void)snprintf(text, sizeof text, "%ld\n", (long)world.revert_khz);
    (void)put(file, text);
}

static void *turn_world(void *argument)
{
    double counted[2] = {1, 1};
    int64_t last_ns = now_ns();
    int64_t load_ns = 0;
    int64_t set_ns = 0;
    char last[64] = "";

    while (!world.stop) {
        static const struct timespec nap = {0, 50000000};
        int64_t at_ns;

        (void)nanosleep(&nap, NULL);
        at_ns = now_ns();
        turn_clocks((double)(at_ns - last_ns) * 1e-9, counted);
        turn_counts((double)(at_ns - last_ns) * 1e-9);
        last_ns = at_ns;
        if (world.loaded && load_ns == 0)
            load_ns = at_ns;
        turn_sensor(load_ns == 0 ? 0 : (double)(at_ns - load_ns) * 1e-9);
        turn_limits(&set_ns, last);
    }
    return argument;
}

static int write_below(void *context, const char *path, const char *text)
{
    char line[128];

    (void)context;
    (void)snprintf(line, sizeof line, "%s\n", text);
    return put(path + 1, line) == 0 ? 0 : -EIO;
}

/* One counter: cycles, whatever CPU it is opened on. */
static int count_open(void *context, uint32_t type, uint64_t config, int cpu, int group)
{
    (void)context;
    (void)cpu;
    return world.counts_cycles && type == 0 && config == 0 && group < 0 ? 1 : -ENOENT;
}

static int count_read(void *context, int handle, uint64_t *ret_values, int max)
{
    (void)context;
    (void)handle;
    if (max < 1)
        return -EINVAL;
    ret_values[0] = (uint64_t)world.cycles;
    return 1;
}

static void count_close(void *context, int handle)
{
    (void)context;
    (void)handle;
}

static uint64_t no_tsc(void *context)
{
    (void)context;
    return 0;
}

static int64_t count_ns(void *context)
{
    (void)context;
    return now_ns();
}

static const struct hf_clock_counters counters = {.open = count_open,
                                                  .read = count_read,
                                                  .close = count_close,
                                                  .tsc = no_tsc,
                                                  .raw_ns = count_ns,
                                                  .of_host = 1};

/* --- a session -------------------------------------------------------------------------------------------
 */

struct session {
    const struct hf_driver_ops *driver;
    const char *extra; /* of the profile: ",\"key\":value" */
    int groups;
    int steps_up; /* above the baseline */
    double limit_s, wall_limit_s;
    const char *boot_id;
    const char *directory; /* NULL: a new one, removed afterwards */
};

struct outcome {
    int code;
    char message[768];
    enum hf_supervisor_end end;
    char words[512];
    char journal[1 << 20];
};

static struct outcome outcome;

static int watch(void *context, const struct hf_event *event, struct hf_error *error)
{
    (void)context;
    (void)error;
    if (event->type == HF_EVENT_TRIAL_LOADED)
        world.loaded = 1;
    if (event->type == HF_EVENT_VERDICT && event->cause == HF_CAUSE_OVER_TEMPERATURE)
        world.over_ns = now_ns();
    if (event->type == HF_EVENT_TRIAL_BEGIN && seen.begins < VERDICTS_MAX)
        seen.begin_s[seen.begins++] = event->time_s;
    if (event->type == HF_EVENT_VERDICT && seen.verdicts < VERDICTS_MAX) {
        seen.verdict[seen.verdicts] = event->verdict;
        seen.cause[seen.verdicts] = event->cause;
        seen.verdict_s[seen.verdicts++] = event->time_s;
    }
    return HF_OK;
}

static struct hf_profile *make_profile(const struct session *session)
{
    struct hf_profile *profile;
    struct hf_error error = {0};
    struct hf_text text;

    hf_text_init(&text, 65536);
    hf_text_addf(&text,
                 "{\"format\":1,\"name\":\"folder\",\"ratio\":{\"lowest\":30,\"highest\":40,\"step\":0.25,"
                 "\"baseline\":%d},\"mix\":\"quick\",\"driver\":\"%s\",\"temperature\":{\"limit_c\":90}%s,"
                 "\"groups\":[",
                 BASELINE, session->driver->name, session->extra != NULL ? session->extra : "");
    for (int g = 0; g < session->groups; g++)
        hf_text_addf(&text, "%s{\"name\":\"g%d\",\"cpus\":\"%d\"}", g > 0 ? "," : "", g, allowed[g]);
    hf_text_add_string(&text, "]}");
    if (hf_profile_parse(text.bytes, text.size, "profile", &profile, &error) != HF_OK) {
        fprintf(stderr, "%s\n", error.message);
        exit(1);
    }
    hf_text_release(&text);
    return profile;
}

static void say(void *context, const char *line)
{
    (void)context;
    if (getenv("VERBOSE") != NULL)
        fprintf(stderr, "  %s\n", line);
}

static void read_journal(const char *directory)
{
    char path[320];
    FILE *file;

    (void)snprintf(path, sizeof path, "%s/journal.jsonl", directory);
    file = fopen(path, "re");
    outcome.journal[0] = '\0';
    if (file == NULL)
        return;
    outcome.journal[fread(outcome.journal, 1, sizeof outcome.journal - 1, file)] = '\0';
    (void)fclose(file);
}

static void supervise(struct scripted_run *r, const struct session *session, const struct hf_host *host,
                      struct hf_error *error)
{
    struct hf_supervisor_result result;
    struct hf_director director;
    struct hf_supervisor_options options = {.run = r->run,
                                            .director = &director,
                                            .mix = &r->mix,
                                            .driver = session->driver,
                                            .boot_id = session->boot_id,
                                            .host = host,
                                            .counters = &counters,
                                            .say = say,
                                            .wall_limit_s = session->wall_limit_s};

    r->fixed = (struct hf_fixed_director){.mix = &r->mix,
                                          .seed = 1,
                                          .purpose = HF_PURPOSE_VERIFY,
                                          .limit_s = session->limit_s,
                                          .group_count = session->groups};
    for (int g = 0; g < session->groups; g++) {
        r->fixed.target[g] = 1;
        r->fixed.step[g] = (int16_t)(r->profile->group[g].baseline_step + session->steps_up);
    }
    r->started = 1;
    hf_fixed_director_start(&r->fixed, &director);
    (void)hf_supervisor_run(&options, &result, error);
    outcome.end = result.end;
    (void)snprintf(outcome.words, sizeof outcome.words, "%.500s",
                   result.words.bytes != NULL ? result.words.bytes : "");
    hf_text_release(&result.words);
}

static void run(const struct session *session)
{
    struct scripted_run r = {.visitor = watch};
    struct hf_error error = {0};
    struct hf_host host;

    (void)sched_setaffinity(0, sizeof everywhere, &everywhere);
    memset(&seen, 0, sizeof seen);
    memset(&outcome, 0, sizeof outcome);
    if (hf_host_open(root, &host, &error) != HF_OK)
        exit(1);
    host.write = write_below;
    if (session->directory != NULL)
        (void)snprintf(r.directory, sizeof r.directory, "%s", session->directory);
    else
        scripted_directory(r.directory, sizeof r.directory, "real");
    r.profile = make_profile(session);
    world.loaded = world.stop = 0;
    world.over_ns = 0;
    if (pthread_create(&world.thread, NULL, turn_world, NULL) != 0)
        exit(1);
    if (scripted_open_run(&r, session->boot_id, NULL, &error) == HF_OK)
        supervise(&r, session, &host, &error);
    world.stop = 1;
    (void)pthread_join(world.thread, NULL);
    outcome.code = error.code;
    (void)snprintf(outcome.message, sizeof outcome.message, "%s", error.message);
    if (error.code != HF_OK && getenv("VERBOSE") != NULL)
        fprintf(stderr, "  %s\n", error.message);
    read_journal(r.directory);
    hf_run_close(r.run);
    hf_profile_free(r.profile);
    hf_host_close(&host);
    if (session->directory == NULL)
        scripted_remove(r.directory);
}

static int first_is(enum hf_verdict verdict, enum hf_cause cause)
{
    if (seen.verdicts > 0 && (seen.verdict[0] != verdict || seen.cause[0] != cause))
        printf("the first verdict is %s, %s\n", hf_verdict_name(seen.verdict[0]),
               hf_cause_name(seen.cause[0]));
    return seen.verdicts > 0 && seen.verdict[0] == verdict && seen.cause[0] == cause;
}

/* On a machine that others use as well a trial may finish too few blocks; it is tried again. */
static int passed_from(int first)
{
    int good = seen.verdicts > first && seen.verdict[seen.verdicts - 1] == HF_VERDICT_PASS;

    for (int i = first; good && i < seen.verdicts - 1; i++)
        good = seen.verdict[i] == HF_VERDICT_VOID && seen.cause[i] == HF_CAUSE_TOO_FEW_BLOCKS;
    return good;
}

static int says(const char *words)
{
    return strstr(outcome.journal, words) != NULL;
}

static void calm_world(void)
{
    world.celsius = 75;
    world.hot_celsius = 0;
    world.sensor_goes = 0;
    world.mhz = 100 * BASELINE;
    world.revert_khz = 0;
    world.throttles_a_s = world.stolen_share = 0;
    world.watts = 120;
    world.counts_cycles = 0;
    build_machine();
}

/* --- the frame -------------------------------------------------------------------------------------------
 */

static int folder_machine_main(int argc, char **argv)
{
    struct hf_error error = {0};

    scripted_worker_main(argc, argv);
    (void)sched_getaffinity(0, sizeof everywhere, &everywhere);
    if (hf_allowed_cpus(allowed, HF_CPUS_MAX, &allowed_count, &error) != HF_OK)
        return 1;
    (void)snprintf(root, sizeof root, "%s",
                   access("/dev/shm", W_OK | X_OK) == 0 ? "/dev/shm/holdfast-real-XXXXXX"
                                                        : "/tmp/holdfast-real-XXXXXX");
    return mkdtemp(root) == NULL;
}

static int folder_machine_end(void)
{
    char command[128];

    (void)snprintf(command, sizeof command, "rm -rf %s", root);
    return system(command) != 0 || failed;
}

#endif
