/*
 * Chains of dependent instructions with a known latency, timed: the clock without counters or rights.
 *
 * An addition of two registers takes one cycle on every x86-64 and Arm core, and a chain of them cannot
 * overlap (latency tables: Fog, "Instruction tables", 2023; Arm's software optimisation guides). Additions of
 * a small constant will not do: some cores fold those away when they rename registers. 64-bit multiplications
 * take three cycles on current x86 cores (same tables); on others they are not used.
 */
#include <math.h>
#include <sched.h>

#include "holdfast/event.h"
#include "holdfast/topology.h"
#include "holdfast/true_clock.h"

#define LINKS       64 /* instructions a turn: the loop's own overhead runs beside the chain */
#define TURNS_FIRST 2000
#define TURNS_MAX   INT64_C(100000000)
#define PROBE_NS    INT64_C(100000) /* long enough to tell how long a turn takes */

#define TIMES4(x)  x x x x
#define TIMES64(x) TIMES4(TIMES4(TIMES4(x)))

#if defined(__x86_64__)
#define HAS_CHAIN    1
#define HAS_MULTIPLY 1

static void run_additions(int64_t turns)
{
    uint64_t sum = 1;
    uint64_t step = 3;

    __asm__ volatile("1:\n\t" TIMES64("addq %2, %0\n\t") "subq $1, %1\n\tjnz 1b"
                     : "+r"(sum), "+r"(turns)
                     : "r"(step)
                     : "cc");
}

static void run_multiplications(int64_t turns)
{
    uint64_t product = 1;
    uint64_t factor = 3;

    __asm__ volatile("1:\n\t" TIMES64("imulq %2, %0\n\t") "subq $1, %1\n\tjnz 1b"
                     : "+r"(product), "+r"(turns)
                     : "r"(factor)
                     : "cc");
}

#elif defined(__aarch64__)
#define HAS_CHAIN    1
#define HAS_MULTIPLY 0

static void run_additions(int64_t turns)
{
    uint64_t sum = 1;
    uint64_t step = 3;

    __asm__ volatile("1:\n\t" TIMES64("add %0, %0, %2\n\t") "subs %1, %1, #1\n\tb.ne 1b"
                     : "+r"(sum), "+r"(turns)
                     : "r"(step)
                     : "cc");
}

#else
#define HAS_CHAIN    0
#define HAS_MULTIPLY 0
#endif

int hf_chain_exists(void)
{
    return HAS_CHAIN;
}

#if HAS_CHAIN

static int cpu_now(void)
{
    unsigned cpu;

    return getcpu(&cpu, NULL) == 0 ? (int)cpu : -1;
}

/* One run's nanoseconds; -1 when the thread was moved or the clock did not go on. */
static int64_t time_run(const struct hf_clock_counters *counters, void (*run)(int64_t turns), int64_t turns)
{
    int cpu = cpu_now();
    int64_t begin = counters->raw_ns(counters->context);
    int64_t passed;

    run(turns);
    passed = counters->raw_ns(counters->context) - begin;
    return cpu >= 0 && cpu_now() == cpu && passed > 0 ? passed : -1;
}

/* Runs until the core has been busy for the warm-up, doubling; the turns that then take about run_ns. */
static int64_t find_turns(const struct hf_clock_counters *counters, void (*run)(int64_t turns),
                          int64_t warm_up_ns, int64_t run_ns)
{
    int64_t turns = TURNS_FIRST;
    int64_t spent = 0;
    double fastest = INFINITY; /* ns a turn */

    for (int round = 0; round < 64 && (spent < warm_up_ns || !isfinite(fastest)); round++) {
        int64_t passed = time_run(counters, run, turns);

        if (passed <= 0)
            continue;
        spent += passed;
        if ((double)passed / (double)turns < fastest)
            fastest = (double)passed / (double)turns;
        if (passed < PROBE_NS || passed < warm_up_ns / 8)
            turns *= 2;
    }
    if (!isfinite(fastest))
        return -1;
    turns = (int64_t)((double)run_ns / fastest);
    return turns < 1 ? 1 : turns > TURNS_MAX ? TURNS_MAX : turns;
}

static int measure(const struct hf_clock_counters *counters, void (*run)(int64_t turns), double cycles_a_link,
                   int64_t warm_up_ns, int64_t run_ns, int runs, double *ret_mhz)
{
    int64_t turns = find_turns(counters, run, warm_up_ns, run_ns);
    double best = 0;

    for (int i = 0; turns > 0 && i < runs; i++) {
        int64_t passed = time_run(counters, run, turns);
        double mhz = passed > 0 ? (double)turns * LINKS * cycles_a_link * 1e3 / (double)passed : 0;

        best = mhz > best ? mhz : best;
    }
    if (best <= 0)
        return -1;
    *ret_mhz = best;
    return 0;
}

#endif

int hf_chain_measure(const struct hf_clock_counters *counters, int64_t warm_up_ns, int64_t run_ns, int runs,
                     double *ret_mhz)
{
#if HAS_CHAIN
    return measure(counters, run_additions, 1, warm_up_ns, run_ns, runs, ret_mhz);
#else
    (void)counters;
    (void)warm_up_ns;
    (void)run_ns;
    (void)runs;
    (void)ret_mhz;
    return -1;
#endif
}

int hf_chain_measure_multiply(const struct hf_clock_counters *counters, int64_t warm_up_ns, int64_t run_ns,
                              int runs, double *ret_mhz)
{
#if HAS_MULTIPLY
    return measure(counters, run_multiplications, 3, warm_up_ns, run_ns, runs, ret_mhz);
#else
    (void)counters;
    (void)warm_up_ns;
    (void)run_ns;
    (void)runs;
    (void)ret_mhz;
    return -1;
#endif
}

int hf_chain_measure_on(int cpu, const struct hf_clock_counters *counters, int64_t warm_up_ns, int64_t run_ns,
                        int runs, double *ret_mhz)
{
    union {
        cpu_set_t set;
        unsigned char bytes[HF_CPUS_MAX / 8];
    } before;
    struct hf_error ignored = {0};
    int result = -1;

    if (sched_getaffinity(0, sizeof before, &before.set) != 0)
        return -1;
    if (hf_pin_to_cpu(cpu, &ignored) == HF_OK)
        result = hf_chain_measure(counters, warm_up_ns, run_ns, runs, ret_mhz);
    (void)sched_setaffinity(0, sizeof before, &before.set);
    return result;
}
