/*
 * The true clock: what a core really ran at, as opposed to what it was asked for.
 *
 * A setting that reads back as 4.2 GHz proves nothing: firmware may stretch the clock. So the clock is
 * measured by the best method that this machine allows, and the method's name goes into the evidence:
 *   counters-tsc   APERF and MPERF through the kernel's msr PMU: f = TSC rate x dAPERF / dMPERF, while not
 * idle counters-acpi  ACPI collaborative performance counters (ACPI 6.5, 8.4.6.1): f = nominal x
 * reference/nominal performance x d delivered / d reference; a plain file, no rights needed cycles perf's
 * cycle counter over reference cycles, or over wall time when the core was never idle chain dependent
 * additions, one cycle each: time them on the core itself; works without any rights and in virtual machines,
 * but needs the core for a millisecond
 *
 * Calling order:
 *   hf_clock_source_open(&host, &hf_clock_counters_real, &source, &error);   once
 *   hf_core_clock_open(source, cpu, &core, &error);       for each CPU under test; picks the method
 *   hf_core_clock_sample(core, &sample);                  once a second or so; the first one only marks the
 * begin hf_core_clock_close(core); hf_clock_source_close(source); hf_clock_judge(samples, count, asked_mhz,
 * HF_CLOCK_TOLERANCE, &judgement);   at the trial's end With method `chain` a sample has no clock: the worker
 * on that CPU calls hf_chain_measure() itself when hf_clock_budget_take() allows it, and fills in `mhz`.
 *
 * Cost: a sample of the counter methods is two or three reads; the chain's budget keeps it below 0.1 % of the
 * time.
 */
#ifndef HOLDFAST_TRUE_CLOCK_H
#define HOLDFAST_TRUE_CLOCK_H

#include <stddef.h>
#include <stdint.h>

#include "holdfast/error.h"
#include "holdfast/host.h"

#define HF_CLOCK_TOLERANCE                                                                                   \
    0.007 /* a median more than this share below the clock asked for is a shortfall                          \
           */

#define HF_CLOCK_METHOD_LIST(X)                                                                              \
    X(HF_CLOCK_NONE, "none", "no method works here")                                                         \
    X(HF_CLOCK_COUNTERS_TSC, "counters-tsc", "actual and maximum performance counters, scaled by the TSC")   \
    X(HF_CLOCK_COUNTERS_ACPI, "counters-acpi", "ACPI performance feedback counters")                         \
    X(HF_CLOCK_CYCLES, "cycles", "cycle counter")                                                            \
    X(HF_CLOCK_CHAIN, "chain", "timed chain of dependent additions, run on the core itself")

enum hf_clock_method {
#define HF_CLOCK_METHOD_ENUM(code, name, sentence) code,
    HF_CLOCK_METHOD_LIST(HF_CLOCK_METHOD_ENUM)
#undef HF_CLOCK_METHOD_ENUM
    HF_CLOCK_METHOD_COUNT
};

const char *hf_clock_method_name(enum hf_clock_method method);
const char *hf_clock_method_sentence(enum hf_clock_method method);

/* --- the seam: performance counters and the two clocks ---------------------------------------------- */

struct hf_clock_counters {
    /* Opens a counter of one CPU (perf_event_open: type, config), group -1 or the leader's handle; a handle
     * or -errno. */
    int (*open)(void *context, uint32_t type, uint64_t config, int cpu, int group);
    /* Values of the leader and its followers, in order of opening; how many, or -errno. */
    int (*read)(void *context, int handle, uint64_t *ret_values, int max);
    void (*close)(void *context, int handle);
    uint64_t (*tsc)(void *context);   /* 0: there is none */
    int64_t (*raw_ns)(void *context); /* CLOCK_MONOTONIC_RAW: not steered by time synchronisation */
    void *context;
    int of_host; /* 1: they belong to the host that is read, though it is not live (scripted ones) */
};

extern const struct hf_clock_counters hf_clock_counters_real;

/* --- a source: what this machine allows ------------------------------------------------------------- */

struct hf_clock_source;

/* Calibrates the TSC (20 ms) when there is one. host and counters must outlive the source. HF_E_MEMORY. */
int hf_clock_source_open(const struct hf_host *host, const struct hf_clock_counters *counters,
                         struct hf_clock_source **ret_source, struct hf_error *error);
void hf_clock_source_close(struct hf_clock_source *source); /* NULL is allowed; after its core clocks */

double hf_clock_source_tsc_hz(const struct hf_clock_source *source); /* 0: no TSC, or not trustworthy */
/* Why the better methods were not taken, and what would help: "the msr PMU is missing: ...". "" when the best
 * one works. Valid after the first hf_core_clock_open(). */
const char *hf_clock_source_reasons(const struct hf_clock_source *source);

struct hf_core_clock;

struct hf_clock_sample {
    enum hf_clock_method method;
    double mhz;        /* NAN: not known (first sample, idle, counters went backwards, chain) */
    double seconds;    /* since the sample before */
    double busy;       /* share of the time that the CPU was not idle, by /proc/stat; NAN: not told */
    double stolen;     /* share of the time that the hypervisor gave to others; NAN: not told */
    int64_t throttles; /* new entries of the kernel's throttle counters; -1: not told */
};

/* Picks the best method for the CPU; hf_core_clock_method() says which. Never fails for lack of rights: the
 * chain is always there on architectures we have it for. HF_E_MEMORY. */
int hf_core_clock_open(struct hf_clock_source *source, int cpu, struct hf_core_clock **ret_core,
                       struct hf_error *error);
void hf_core_clock_close(struct hf_core_clock *core); /* NULL is allowed */
enum hf_clock_method hf_core_clock_method(const struct hf_core_clock *core);
void hf_core_clock_sample(struct hf_core_clock *core, struct hf_clock_sample *ret_sample);

/* --- the chain -------------------------------------------------------------------------------------- */

/* 1 when this architecture has a chain. */
int hf_chain_exists(void);

/* Times `runs` chains of about run_ns each on the CPU that the caller is pinned to, and takes the fastest:
 * interrupts and stolen time only slow a run down. Runs during which the thread moved do not count. An idle
 * core needs about 10 ms of load before its clock has risen: warm_up_ns; 0 on a core that is under load.
 * Returns 0 and MHz, or -1: no chain here, or no run counted. counters: its raw_ns. */
int hf_chain_measure(const struct hf_clock_counters *counters, int64_t warm_up_ns, int64_t run_ns, int runs,
                     double *ret_mhz);

/* The same on another CPU: the calling thread moves there and back to where it was allowed. */
int hf_chain_measure_on(int cpu, const struct hf_clock_counters *counters, int64_t warm_up_ns, int64_t run_ns,
                        int runs, double *ret_mhz);

/* The same with 3-cycle multiplications instead of 1-cycle additions: a second route for tests. -1 elsewhere.
 */
int hf_chain_measure_multiply(const struct hf_clock_counters *counters, int64_t warm_up_ns, int64_t run_ns,
                              int runs, double *ret_mhz);

/* Keeps a measurement that costs cost_ns at or below `share` of the time. Zeroed: nothing spent. 1: measure
 * now. */
struct hf_clock_budget {
    int64_t next_ns;
};

int hf_clock_budget_take(struct hf_clock_budget *budget, int64_t now_ns, int64_t cost_ns, double share);

/* --- the judgement ---------------------------------------------------------------------------------- */

enum hf_clock_finding {
    HF_CLOCK_HELD,      /* the core ran at the clock asked for */
    HF_CLOCK_SHORTFALL, /* its median is too low: a pass at this ratio proves nothing */
    HF_CLOCK_UNDECIDED  /* too few samples that can be believed */
};

struct hf_clock_judgement {
    enum hf_clock_finding finding;
    double median_mhz; /* of the believed samples; NAN: none */
    double lowest_mhz;
    int believed, stolen, unknown; /* samples */
    int throttled;   /* 1: the kernel counted throttling meanwhile: heat or power, not stretching */
    const char *why; /* words for a person */
};

/* Samples of a core's trial. Fewer than three believed ones decide nothing. A chain's sample counts only
 * while less than 1 % was stolen: a virtual machine that waits for its host looks like a stretched clock. */
void hf_clock_judge(const struct hf_clock_sample *samples, int count, double asked_mhz, double tolerance,
                    struct hf_clock_judgement *ret_judgement);

/* --- pure parts ------------------------------------------------------------------------------------- */

/* A reading of the TSC between two readings of the clock. */
struct hf_tsc_mark {
    int64_t before_ns, after_ns;
    uint64_t tsc;
};

/* Hz from two marks; *ret_error is its largest relative error, from the width of the marks. 0: no time
 * between. */
double hf_tsc_hz(const struct hf_tsc_mark *first, const struct hf_tsc_mark *last, double *ret_error);

/* /proc/cpuinfo and current_clocksource: 1 when the TSC runs at one rate, never stops, and the kernel trusts
 * it. */
int hf_tsc_is_steady(const char *cpuinfo, size_t size, const char *clocksource);

/* "ref:76423111270 del:128822815644"; 0, or -1 when it is something else. */
int hf_feedback_parse(const char *bytes, size_t size, uint64_t *ret_reference, uint64_t *ret_delivered);

/* The line of a CPU in /proc/stat, in clock ticks: proc(5). 0, or -1: not there. */
struct hf_cpu_ticks {
    uint64_t total, idle, stolen;
};

int hf_cpu_ticks_parse(const char *bytes, size_t size, int cpu, struct hf_cpu_ticks *ret_ticks);

#endif
