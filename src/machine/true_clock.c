/*
 * Which method measures a core's clock, and its samples.
 *
 * Invariants:
 *  1. A core clock keeps one method from opening to closing: its samples can be compared.
 *  2. The first sample, and every sample after counters that went backwards, has no clock: it marks the
 * begin.
 *  3. /proc/stat is read at most every STAT_PAUSE_NS, whatever the number of cores.
 */
#include "holdfast/true_clock.h"

#include <assert.h>
#include <errno.h>
#include <math.h>
#include <stdio.h>
#include <string.h>

#include "base/memory.h"
#include "holdfast/event.h"
#include "holdfast/text.h"

#define CALIBRATION_NS  INT64_C(20000000)
#define MARK_TRIES      16
#define STAT_PAUSE_NS   INT64_C(50000000)
#define STAT_LINE_BYTES 256
#define BUSY_NEEDED     0.995 /* cycles over wall time are a clock only when the core was never idle */
#define MSR_PMU         "/sys/bus/event_source/devices/msr"
#define MSR_APERF       1 /* config of the msr PMU's events: arch/x86/events/msr.c */
#define MSR_MPERF       2
#define PERF_HARDWARE   0 /* perf_event_open(2): PERF_TYPE_HARDWARE and its configs */
#define PERF_CYCLES     0
#define PERF_REF_CYCLES 9

struct hf_clock_source {
    const struct hf_host *host;
    const struct hf_clock_counters *counters;
    double tsc_hz;
    int64_t msr_type; /* -1: no msr PMU */
    int has_performance_events;
    int stat_handle;
    int64_t stat_ns;
    struct hf_text stat; /* /proc/stat as last read, in a buffer that grows with the highest CPU */
    int stat_size;
    int highest_cpu;
    char reasons[512];
};

struct hf_core_clock {
    struct hf_clock_source *source;
    int cpu;
    enum hf_clock_method method;
    int leader, follower; /* counters; -1 */
    int feedback;         /* handle of feedback_ctrs; -1 */
    double feedback_mhz;  /* at equal counts */
    int throttle[2];      /* handles; -1 */
    int has_last, has_ticks;
    uint64_t last[2];
    int64_t last_ns;
    struct hf_cpu_ticks last_ticks;
    int64_t last_throttles; /* -1: not told */
};

/* --- the source ------------------------------------------------------------------------------------- */

/* The tightest of several tries: an interrupt between the readings makes a mark wide. */
static struct hf_tsc_mark mark_tsc(const struct hf_clock_counters *counters)
{
    struct hf_tsc_mark best = {0, INT64_MAX, 0};

    for (int i = 0; i < MARK_TRIES; i++) {
        struct hf_tsc_mark mark;

        mark.before_ns = counters->raw_ns(counters->context);
        mark.tsc = counters->tsc(counters->context);
        mark.after_ns = counters->raw_ns(counters->context);
        if (mark.after_ns - mark.before_ns < best.after_ns - best.before_ns)
            best = mark;
    }
    return best;
}

/* Spins, since the wait is short and sleeping needs a loop: 20 ms once a session. */
static double calibrate(const struct hf_clock_counters *counters)
{
    struct hf_tsc_mark first = mark_tsc(counters);
    struct hf_tsc_mark last;
    double largest_error = 1;
    double hz;

    if (first.tsc == 0)
        return 0;
    do {
        last = mark_tsc(counters);
    } while (last.before_ns - first.before_ns < CALIBRATION_NS);
    hz = hf_tsc_hz(&first, &last, &largest_error);
    return largest_error < 0.0005 ? hz : 0;
}

static int tsc_is_steady(const struct hf_host *host)
{
    char clocksource[32];
    char cpuinfo[16384];
    int count = hf_host_bytes(host, "/proc/cpuinfo", cpuinfo, sizeof cpuinfo);

    (void)hf_host_line(host, "/sys/devices/system/clocksource/clocksource0/current_clocksource", clocksource,
                       sizeof clocksource);
    return count > 0 && hf_tsc_is_steady(cpuinfo, (size_t)count, clocksource);
}

int hf_clock_source_open(const struct hf_host *host, const struct hf_clock_counters *counters,
                         struct hf_clock_source **ret_source, struct hf_error *error)
{
    struct hf_clock_source *source = hf_allocate(1, sizeof *source);

    if (source == NULL)
        return hf_fail(error, HF_E_MEMORY, "no memory for measuring the clock");
    source->host = host;
    source->counters = counters;
    source->stat_handle = -1;
    hf_text_init(&source->stat, (size_t)(HF_CPUS_MAX + 2) * STAT_LINE_BYTES);
    if (hf_host_integer(host, MSR_PMU "/type", &source->msr_type) != 0)
        source->msr_type = -1;
    source->has_performance_events =
        hf_host_has(host, MSR_PMU "/events/aperf") && hf_host_has(host, MSR_PMU "/events/mperf");
    if (host->is_live && tsc_is_steady(host))
        source->tsc_hz = calibrate(counters);
    *ret_source = source;
    return HF_OK;
}

void hf_clock_source_close(struct hf_clock_source *source)
{
    if (source == NULL)
        return;
    if (source->stat_handle >= 0)
        source->host->close(source->host->context, source->stat_handle);
    hf_text_release(&source->stat);
    hf_free(source);
}

double hf_clock_source_tsc_hz(const struct hf_clock_source *source)
{
    return source->tsc_hz;
}

const char *hf_clock_source_reasons(const struct hf_clock_source *source)
{
    return source->reasons;
}

/* Each reason once, whatever the number of cores. */
static void add_reason(struct hf_clock_source *source, const char *reason)
{
    size_t used = strlen(source->reasons);

    if (strstr(source->reasons, reason) == NULL)
        (void)snprintf(source->reasons + used, sizeof source->reasons - used, "%s%s", used > 0 ? "; " : "",
                       reason);
}

/* --- choosing a method ------------------------------------------------------------------------------ */

static const char *reason_of_errno(int wrong)
{
    switch (-wrong) {
    case EACCES:
    case EPERM:
        return "perf counters of a CPU need root, CAP_PERFMON, or kernel.perf_event_paranoid = 0";
    case ENOENT:
    case EOPNOTSUPP:
    case EINVAL:
    case ENODEV:
        return "this processor, or its hypervisor, shows no such performance counters";
    default:
        return "the kernel refuses performance counters";
    }
}

static int open_pair(struct hf_core_clock *core, uint32_t type, uint64_t first, uint64_t second)
{
    const struct hf_clock_counters *counters = core->source->counters;
    int leader = counters->open(counters->context, type, first, core->cpu, -1);
    int follower;

    if (leader < 0)
        return leader;
    follower = counters->open(counters->context, type, second, core->cpu, leader);
    if (follower < 0) {
        counters->close(counters->context, leader);
        return follower;
    }
    core->leader = leader;
    core->follower = follower;
    return 0;
}

static int try_tsc_counters(struct hf_core_clock *core)
{
    struct hf_clock_source *source = core->source;
    int wrong;

    if (source->msr_type < 0)
        add_reason(source, "the kernel was built without its msr counters");
    else if (source->tsc_hz <= 0)
        add_reason(source, "the TSC is not steady or not the kernel's clock source");
    else if (!source->has_performance_events)
        add_reason(source, "the processor, or its hypervisor, hides its APERF and MPERF counters");
    else if ((wrong = open_pair(core, (uint32_t)source->msr_type, MSR_APERF, MSR_MPERF)) != 0)
        add_reason(source, reason_of_errno(wrong));
    return core->leader >= 0;
}

/* f at equal counts = nominal frequency x reference performance / nominal performance (ACPI 6.5, 8.4.6.1). */
static int try_feedback(struct hf_core_clock *core)
{
    const struct hf_host *host = core->source->host;
    int64_t reference = 0, nominal = 0, nominal_mhz = 0;
    char folder[64];
    char path[HF_HOST_PATH_MAX];
    char bytes[96];
    uint64_t ignored[2];
    int count;

    (void)snprintf(folder, sizeof folder, "/sys/devices/system/cpu/cpu%d/acpi_cppc", core->cpu);
    (void)snprintf(path, sizeof path, "%s/nominal_freq", folder);
    if (hf_host_integer(host, path, &nominal_mhz) != 0 || nominal_mhz <= 0)
        return 0;
    (void)snprintf(path, sizeof path, "%s/reference_perf", folder);
    (void)hf_host_integer(host, path, &reference);
    (void)snprintf(path, sizeof path, "%s/nominal_perf", folder);
    (void)hf_host_integer(host, path, &nominal);
    (void)snprintf(path, sizeof path, "%s/feedback_ctrs", folder);
    count = hf_host_bytes(host, path, bytes, sizeof bytes);
    if (count <= 0 || reference <= 0 || nominal <= 0 ||
        hf_feedback_parse(bytes, (size_t)count, &ignored[0], &ignored[1]) != 0)
        return 0;
    core->feedback = host->open(host->context, path);
    core->feedback_mhz = (double)nominal_mhz * (double)reference / (double)nominal;
    return core->feedback >= 0;
}

/* On machines with two kinds of core the event's upper half names the kind's own unit. */
static uint64_t kind_of_cpu(const struct hf_core_clock *core)
{
    static const char *const units[] = {"cpu_core", "cpu_atom"};
    const struct hf_host *host = core->source->host;

    for (size_t i = 0; i < sizeof units / sizeof units[0]; i++) {
        struct hf_error ignored = {0};
        char path[HF_HOST_PATH_MAX];
        char text[4096];
        int *list = hf_allocate(HF_CPUS_MAX, sizeof *list);
        int64_t type = 0;
        int count = 0;
        int here = 0;

        (void)snprintf(path, sizeof path, "/sys/bus/event_source/devices/%s/cpus", units[i]);
        if (list != NULL && hf_host_line(host, path, text, sizeof text) > 0 &&
            hf_text_parse_cpu_list(text, HF_CPUS_MAX, list, HF_CPUS_MAX, &count, &ignored) == HF_OK) {
            for (int at = 0; at < count; at++)
                here |= list[at] == core->cpu;
        }
        hf_free(list);
        (void)snprintf(path, sizeof path, "/sys/bus/event_source/devices/%s/type", units[i]);
        if (here && hf_host_integer(host, path, &type) == 0 && type > 0)
            return (uint64_t)type << 32;
    }
    return 0;
}

static int try_cycles(struct hf_core_clock *core)
{
    const struct hf_clock_counters *counters = core->source->counters;
    uint64_t kind = kind_of_cpu(core);
    int wrong = -EINVAL;

    if (core->source->tsc_hz > 0)
        wrong = open_pair(core, PERF_HARDWARE, kind | PERF_CYCLES, kind | PERF_REF_CYCLES);
    if (wrong != 0) {
        core->leader = counters->open(counters->context, PERF_HARDWARE, kind | PERF_CYCLES, core->cpu, -1);
        wrong = core->leader < 0 ? core->leader : 0;
    }
    if (wrong != 0)
        add_reason(core->source, reason_of_errno(wrong));
    return wrong == 0;
}

/* A recorded machine has no counters of its own, and this machine's are not its. */
static enum hf_clock_method choose_method(struct hf_core_clock *core)
{
    int counts = core->source->host->is_live || core->source->counters->of_host;

    if (counts) {
        if (try_tsc_counters(core))
            return HF_CLOCK_COUNTERS_TSC;
        core->leader = core->follower = -1;
    }
    if (try_feedback(core))
        return HF_CLOCK_COUNTERS_ACPI;
    if (counts && try_cycles(core))
        return HF_CLOCK_CYCLES;
    core->leader = core->follower = -1;
    if (!core->source->host->is_live) {
        add_reason(core->source, "a recording has no counters of its own");
        return HF_CLOCK_NONE;
    }
    return hf_chain_exists() ? HF_CLOCK_CHAIN : HF_CLOCK_NONE;
}

/* --- one core --------------------------------------------------------------------------------------- */

int hf_core_clock_open(struct hf_clock_source *source, int cpu, struct hf_core_clock **ret_core,
                       struct hf_error *error)
{
    static const char *const counts[] = {"core_throttle_count", "package_throttle_count"};
    struct hf_core_clock *core = hf_allocate(1, sizeof *core);
    char path[HF_HOST_PATH_MAX];

    assert(cpu >= 0 && cpu < HF_CPUS_MAX);
    if (core == NULL)
        return hf_fail(error, HF_E_MEMORY, "no memory for the clock of CPU %d", cpu);
    core->source = source;
    core->cpu = cpu;
    core->leader = core->follower = core->feedback = -1;
    core->last_throttles = -1;
    if (cpu > source->highest_cpu)
        source->highest_cpu = cpu;
    core->method = choose_method(core);
    for (int i = 0; i < 2; i++) {
        (void)snprintf(path, sizeof path, "/sys/devices/system/cpu/cpu%d/thermal_throttle/%s", cpu,
                       counts[i]);
        core->throttle[i] = source->host->open(source->host->context, path);
    }
    *ret_core = core;
    return HF_OK;
}

void hf_core_clock_close(struct hf_core_clock *core)
{
    if (core == NULL)
        return;
    if (core->follower >= 0)
        core->source->counters->close(core->source->counters->context, core->follower);
    if (core->leader >= 0)
        core->source->counters->close(core->source->counters->context, core->leader);
    for (int i = 0; i < 2; i++) {
        if (core->throttle[i] >= 0)
            core->source->host->close(core->source->host->context, core->throttle[i]);
    }
    if (core->feedback >= 0)
        core->source->host->close(core->source->host->context, core->feedback);
    hf_free(core);
}

enum hf_clock_method hf_core_clock_method(const struct hf_core_clock *core)
{
    return core->method;
}

/* --- samples ---------------------------------------------------------------------------------------- */

/* The two counts of the method, first over second; 0, or negative. */
static int read_counts(const struct hf_core_clock *core, uint64_t ret_counts[2])
{
    const struct hf_clock_counters *counters = core->source->counters;
    const struct hf_host *host = core->source->host;
    char bytes[96];
    int count;

    ret_counts[0] = ret_counts[1] = 0;
    switch (core->method) {
    case HF_CLOCK_COUNTERS_TSC:
    case HF_CLOCK_CYCLES:
        count = counters->read(counters->context, core->leader, ret_counts, 2);
        return count == (core->follower >= 0 ? 2 : 1) ? 0 : -EIO;
    case HF_CLOCK_COUNTERS_ACPI:
        count = host->read(host->context, core->feedback, bytes, sizeof bytes);
        return count > 0 ? hf_feedback_parse(bytes, (size_t)count, &ret_counts[1], &ret_counts[0]) : -EIO;
    case HF_CLOCK_NONE:
    case HF_CLOCK_CHAIN:
    case HF_CLOCK_METHOD_COUNT:
        break;
    }
    return -ENOTSUP;
}

static double clock_of(const struct hf_core_clock *core, const uint64_t now[2],
                       const struct hf_clock_sample *sample)
{
    double first, second;

    if (now[0] < core->last[0] || now[1] < core->last[1])
        return (double)NAN;
    first = (double)(now[0] - core->last[0]);
    second = (double)(now[1] - core->last[1]);
    if (core->method == HF_CLOCK_CYCLES && core->follower < 0)
        return sample->seconds > 0 && sample->busy >= BUSY_NEEDED ? first * 1e-6 / sample->seconds
                                                                  : (double)NAN;
    if (second <= 0 || first <= 0)
        return (double)NAN;
    if (core->method == HF_CLOCK_COUNTERS_ACPI)
        return core->feedback_mhz * first / second;
    return core->source->tsc_hz * 1e-6 * first / second;
}

/* Fills source->stat when it is old. */
static void refresh_stat(struct hf_clock_source *source)
{
    const struct hf_host *host = source->host;
    int64_t now = hf_host_monotonic_ns(host);
    size_t wanted = (size_t)(source->highest_cpu + 2) * STAT_LINE_BYTES;

    if (source->stat_ns != 0 && now - source->stat_ns < STAT_PAUSE_NS && source->stat.size >= wanted)
        return;
    while (source->stat.size < wanted && !source->stat.overflowed)
        hf_text_add(&source->stat, "        ", 8);
    if (source->stat_handle < 0)
        source->stat_handle = host->open(host->context, "/proc/stat");
    source->stat_size = 0;
    if (source->stat_handle >= 0)
        source->stat_size =
            host->read(host->context, source->stat_handle, source->stat.bytes, source->stat.size);
    source->stat_ns = now;
}

static void sample_ticks(struct hf_core_clock *core, struct hf_clock_sample *sample)
{
    struct hf_clock_source *source = core->source;
    struct hf_cpu_ticks now;
    uint64_t total;

    refresh_stat(source);
    if (source->stat_size <= 0 ||
        hf_cpu_ticks_parse(source->stat.bytes, (size_t)source->stat_size, core->cpu, &now) != 0) {
        core->has_ticks = 0;
        return;
    }
    total = now.total - core->last_ticks.total;
    if (core->has_ticks && now.total > core->last_ticks.total && now.idle >= core->last_ticks.idle &&
        now.stolen >= core->last_ticks.stolen) {
        sample->busy = 1.0 - (double)(now.idle - core->last_ticks.idle) / (double)total;
        sample->stolen = (double)(now.stolen - core->last_ticks.stolen) / (double)total;
    }
    core->last_ticks = now;
    core->has_ticks = 1;
}

static void sample_throttles(struct hf_core_clock *core, struct hf_clock_sample *sample)
{
    const struct hf_host *host = core->source->host;
    int64_t sum = 0;
    int told = 0;

    for (int i = 0; i < 2; i++) {
        char bytes[32];
        int64_t value;
        int count =
            core->throttle[i] < 0 ? -1 : host->read(host->context, core->throttle[i], bytes, sizeof bytes);

        if (count > 0 && hf_host_parse_integer(bytes, (size_t)count, &value) == 0 && value >= 0) {
            sum += value;
            told = 1;
        }
    }
    if (told && core->last_throttles >= 0 && sum >= core->last_throttles)
        sample->throttles = sum - core->last_throttles;
    core->last_throttles = told ? sum : -1;
}

void hf_core_clock_sample(struct hf_core_clock *core, struct hf_clock_sample *ret_sample)
{
    struct hf_clock_sample sample = {core->method, (double)NAN, 0, (double)NAN, (double)NAN, -1};
    int64_t now_ns = core->source->counters->raw_ns(core->source->counters->context);
    uint64_t now[2];
    int there = read_counts(core, now) == 0;

    if (core->last_ns != 0)
        sample.seconds = (double)(now_ns - core->last_ns) * 1e-9;
    sample_ticks(core, &sample);
    sample_throttles(core, &sample);
    if (there && core->has_last)
        sample.mhz = clock_of(core, now, &sample);
    core->has_last = there;
    core->last[0] = now[0];
    core->last[1] = now[1];
    core->last_ns = now_ns;
    *ret_sample = sample;
}
