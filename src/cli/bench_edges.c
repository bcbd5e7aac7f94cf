#include "cli/bench_edges.h"

#include <assert.h>
#include <math.h>
#include <pthread.h>
#include <stdlib.h>
#include <time.h>

#include "base/memory.h"
#include "holdfast/kernel.h"
#include "holdfast/mix.h"
#include "holdfast/random.h"
#include "holdfast/topology.h"

#define BLOCK_S      0.005 /* as in a worker */
#define LEAD_S       0.005 /* from making the threads to the slice's epoch */
#define LOG_MAX      200000
#define BATCHES_MAX  20000
#define STOPS        40
#define STOP_LOW_NS  5000000
#define STOP_SPAN_NS 20000000
#define PLANTS       4 /* in each kernel */

/* One core's share of a measurement. */
struct core {
    int cpu;
    int index, count; /* among the cores */
    struct hf_slice slice;
    uint64_t epoch_ticks, end_ticks;
    const volatile int *stop;
    void *memory, *states;
    struct hf_edge_log log;
    uint64_t met, missed, wrong;
    uint64_t returned_ticks; /* of the last block */
    double returned_cpu_ms;  /* of its thread, then */
    struct hf_error error;
};

static int compare_doubles(const void *left, const void *right)
{
    double a = *(const double *)left;
    double b = *(const double *)right;

    return (a > b) - (a < b);
}

/* Sorts; 0 when there is nothing. */
static double quantile(double *values, uint64_t count, double share)
{
    if (count == 0)
        return 0;
    qsort(values, count, sizeof values[0], compare_doubles);
    return values[(uint64_t)(share * (double)(count - 1) + 0.5)];
}

static int core_init(struct core *core, int cpu, int index, int count, struct hf_error *error)
{
    size_t bytes = HF_BLOCK_STATES * hf_kernel_state_bytes_max();

    *core = (struct core){.cpu = cpu, .index = index, .count = count};
    core->memory = hf_allocate(1, bytes + 64);
    core->log.number = hf_allocate(LOG_MAX, sizeof core->log.number[0]);
    core->log.ticks = hf_allocate(LOG_MAX, sizeof core->log.ticks[0]);
    core->log.batch_period_ticks = hf_allocate(BATCHES_MAX, sizeof(double));
    core->log.batch_work_share = hf_allocate(BATCHES_MAX, sizeof(double));
    if (core->memory == NULL || core->log.number == NULL || core->log.ticks == NULL ||
        core->log.batch_period_ticks == NULL || core->log.batch_work_share == NULL)
        return hf_fail(error, HF_E_MEMORY, "no memory to measure edges");
    core->states = (void *)(((uintptr_t)core->memory + 63) & ~(uintptr_t)63);
    core->log.max = LOG_MAX;
    core->log.batch_max = BATCHES_MAX;
    return HF_OK;
}

static void core_release(struct core *core)
{
    hf_free(core->memory);
    hf_free(core->log.number);
    hf_free(core->log.ticks);
    hf_free(core->log.batch_period_ticks);
    hf_free(core->log.batch_work_share);
}

static double cpu_ms(clockid_t clock)
{
    struct timespec now = {0};

    (void)clock_gettime(clock, &now);
    return 1e3 * (double)now.tv_sec + 1e-6 * (double)now.tv_nsec;
}

static void run_blocks(struct core *core)
{
    struct hf_place place = {.worker = core->index,
                             .worker_count = core->count,
                             .group = core->index,
                             .group_size = 1,
                             .epoch_ticks = core->epoch_ticks};

    for (uint64_t i = 0; hf_ticks_now() < core->end_ticks && *core->stop == 0; i++) {
        struct hf_block block;

        hf_block_run(&core->slice, &place, hf_slice_block_seed(&core->slice, core->index, i), BLOCK_S,
                     core->states, core->stop, &block);
        core->returned_ticks = hf_ticks_now();
        core->returned_cpu_ms = cpu_ms(CLOCK_THREAD_CPUTIME_ID);
        core->wrong += hf_block_expect(&core->slice, &block) != block.digest;
        core->met += block.edges_met;
        core->missed += block.edges_missed;
    }
}

static void *core_main(void *opaque_core)
{
    struct core *core = opaque_core;

    if (hf_pin_to_cpu(core->cpu, &core->error) != HF_OK)
        return NULL;
    core->log.count = core->log.batch_count = 0;
    hf_edge_log_set(&core->log);
    run_blocks(core);
    hf_edge_log_set(NULL);
    return NULL;
}

static int run_cores(struct core *cores, int count, struct hf_error *error)
{
    pthread_t threads[HF_BENCH_CPUS_MAX];
    int started = 0;

    while (started < count && pthread_create(&threads[started], NULL, core_main, &cores[started]) == 0)
        started++;
    for (int i = 0; i < started; i++)
        (void)pthread_join(threads[i], NULL);
    if (started < count)
        return hf_fail(error, HF_E_MISSING, "cannot start a thread for each CPU");
    for (int i = 0; i < count; i++) {
        if (cores[i].error.code != HF_OK) {
            *error = cores[i].error;
            return error->code;
        }
        if (cores[i].wrong > 0)
            return hf_fail(error, HF_E_UNPROVED,
                           "CPU %d gave %llu wrong blocks while edges were measured: it cannot be trusted as "
                           "it is set",
                           cores[i].cpu, (unsigned long long)cores[i].wrong);
    }
    return HF_OK;
}

/* --- edges --- */

/* Distances in ns between the first core's edges and another's, of those that both met. Both logs are in
 * order. */
static uint64_t common_edges(const struct core *first, const struct core *other, double *ret_skews)
{
    double ns = 1e9 / hf_ticks_per_second();
    uint64_t count = 0;
    size_t j = 0;

    for (size_t i = 0; i < first->log.count; i++) {
        while (j < other->log.count && other->log.number[j] < first->log.number[i])
            j++;
        if (j < other->log.count && other->log.number[j] == first->log.number[i])
            ret_skews[count++] = ns * fabs((double)(int64_t)(first->log.ticks[i] - other->log.ticks[j]));
    }
    return count;
}

/* The periods that the cores made: of each counted batch, or from each timed edge to the next. */
static uint64_t periods_of(const struct core *core, double *ret_ticks)
{
    const struct hf_edge_log *log = &core->log;
    uint64_t count = 0;

    for (size_t i = 0; i < log->batch_count; i++)
        ret_ticks[count++] = log->batch_period_ticks[i];
    for (size_t i = 1; i < log->count && log->batch_count == 0; i++) {
        if (log->number[i] == log->number[i - 1] + 1)
            ret_ticks[count++] = (double)(log->ticks[i] - log->ticks[i - 1]);
    }
    return count;
}

static void summarise(struct core *cores, int count, double *scratch, struct hf_bench_edges *row)
{
    double ns = 1e9 / hf_ticks_per_second();
    uint64_t values = 0;

    for (int i = 0; i < count; i++) {
        row->met += cores[i].met;
        row->missed += cores[i].missed;
        for (size_t b = 0; b < cores[i].log.batch_count; b++)
            scratch[values++] = cores[i].log.batch_work_share[b];
    }
    row->work_share = quantile(scratch, values, 0.5);
    values = 0;
    for (int i = 0; i < count; i++)
        values += periods_of(&cores[i], scratch + values);
    row->produced_ns = ns * quantile(scratch, values, 0.5);
    for (int i = 1; i < count; i++)
        row->common += common_edges(&cores[0], &cores[i], scratch + row->common);
    row->skew_ns_p50 = quantile(scratch, row->common, 0.5);
    row->skew_ns_p90 = quantile(scratch, row->common, 0.9);
    row->skew_ns_p99 = quantile(scratch, row->common, 0.99);
}

static int measure_period(struct core *cores, int count, double period_s, double seconds, double *scratch,
                          struct hf_bench_edges *ret_row, struct hf_error *error)
{
    static const volatile int never;
    double rate = hf_ticks_per_second();
    uint64_t epoch = hf_ticks_now() + (uint64_t)(LEAD_S * rate);
    int counted = period_s < 1e-6;

    for (int i = 0; i < count; i++) {
        struct core *core = &cores[i];

        core->slice = (struct hf_slice){.seed = 1,
                                        .kernel = hf_kernel_index(counted ? "pulse" : "fma-residue", 0),
                                        .solo_kernel = -1,
                                        .stream_kernel = -1,
                                        .pattern = HF_PATTERN_SQUARE,
                                        .sync = HF_SYNC_ALL,
                                        .period_s = period_s,
                                        .duty = 0.5,
                                        .length_s = 1e9};
        core->epoch_ticks = epoch;
        core->end_ticks = epoch + (uint64_t)(seconds * rate);
        core->stop = &never;
        core->met = core->missed = core->wrong = 0;
    }
    *ret_row = (struct hf_bench_edges){.period_ns = period_s * 1e9, .duty = 0.5, .counted = counted};
    if (run_cores(cores, count, error) != HF_OK)
        return error->code;
    summarise(cores, count, scratch, ret_row);
    return HF_OK;
}

int hf_bench_edges(const int16_t *cpus, int cpu_count, double seconds,
                   struct hf_bench_edges ret_rows[HF_BENCH_EDGES_MAX], int *ret_count, struct hf_error *error)
{
    static const double periods_s[] = {5e-9,   7e-9,   10e-9, 20e-9, 40e-9, 80e-9,  100e-9, 200e-9,
                                       400e-9, 700e-9, 2e-6,  5e-6,  20e-6, 100e-6, 1e-3,   10e-3};
    struct core cores[HF_BENCH_CPUS_MAX] = {{0}};
    int count = cpu_count < HF_BENCH_CPUS_MAX ? cpu_count : HF_BENCH_CPUS_MAX;
    int periods = (int)(sizeof periods_s / sizeof periods_s[0]);
    double *scratch = hf_allocate((size_t)count * LOG_MAX, sizeof scratch[0]);

    assert(cpu_count >= 1 && periods <= HF_BENCH_EDGES_MAX);
    if (scratch == NULL)
        (void)hf_fail(error, HF_E_MEMORY, "no memory to measure edges");
    for (int i = 0; i < count && error->code == HF_OK; i++)
        (void)core_init(&cores[i], cpus[i], i, count, error);
    for (int p = 0; p < periods && error->code == HF_OK; p++)
        (void)measure_period(cores, count, periods_s[p], seconds, scratch, &ret_rows[p], error);
    for (int i = 0; i < count; i++)
        core_release(&cores[i]);
    hf_free(scratch);
    *ret_count = periods;
    return error->code;
}

/* --- reactions --- */

/* One bit, at a random moment of a block: milliseconds from the flip to the comparison that shows it, or -1
 * when none did. */
static double report_ms(struct core *core, int kernel, struct hf_random *random)
{
    volatile int never = 0;
    struct hf_slice slice = {.seed = hf_random_u64(random),
                             .kernel = kernel,
                             .solo_kernel = -1,
                             .stream_kernel = -1,
                             .operands = (int32_t)hf_random_below(random, HF_OPERANDS_COUNT),
                             .pattern = HF_PATTERN_STEADY,
                             .length_s = 1e9};
    struct hf_place place = {.worker_count = 1, .group_size = 1, .epoch_ticks = hf_ticks_now()};
    struct hf_planting planting = {.bit = hf_random_u64(random)};
    struct hf_block block;
    int wrong;

    planting.after_ticks = (uint64_t)(0.9 * BLOCK_S * hf_random_uniform(random) * hf_ticks_per_second());
    hf_planting_set(&planting);
    hf_block_run(&slice, &place, slice.seed, BLOCK_S, core->states, &never, &block);
    hf_planting_set(NULL);
    if (planting.planted_ticks == 0)
        return NAN; /* away for the rest of the block: nothing was planted */
    wrong = hf_block_expect(&slice, &block) != block.digest;
    return wrong ? 1e3 * (double)(hf_ticks_now() - planting.planted_ticks) / hf_ticks_per_second() : -1;
}

static void measure_reports(struct core *core, double *times, struct hf_bench_reaction *reaction)
{
    struct hf_random random;

    hf_random_init(&random, hf_ticks_now(), 1);
    for (int kernel = 0; kernel < hf_kernel_count(); kernel++) {
        for (int i = 0; i < PLANTS; i++) {
            double milliseconds = report_ms(core, kernel, &random);

            if (isnan(milliseconds))
                continue;
            reaction->planted++;
            if (milliseconds >= 0)
                times[reaction->reported++] = milliseconds;
        }
    }
    reaction->report_ms_p50 = quantile(times, reaction->reported, 0.5);
    reaction->report_ms_p99 = quantile(times, reaction->reported, 0.99);
}

/* Milliseconds from the stop to the end of the block that it met, and how many of them its thread worked: the
 * rest it waited for a CPU that others had. */
static int stop_ms(struct core *core, int pattern, struct hf_random *random, double *ret_ms,
                   double *ret_worked_ms, struct hf_error *error)
{
    const struct timespec wait = {.tv_nsec = STOP_LOW_NS + (long)hf_random_below(random, STOP_SPAN_NS)};
    volatile int stop = 0;
    uint64_t stopped;
    double cpu_stopped_ms = 0;
    clockid_t clock;
    pthread_t thread;

    core->slice = (struct hf_slice){.seed = hf_random_u64(random),
                                    .kernel = hf_kernel_index("fma-residue", 0),
                                    .solo_kernel = -1,
                                    .stream_kernel = -1,
                                    .pattern = pattern,
                                    .sync = HF_SYNC_ALL,
                                    .period_s = 1,
                                    .duty = 0.5,
                                    .length_s = 1e9};
    core->epoch_ticks = hf_ticks_now();
    core->end_ticks = UINT64_MAX;
    core->stop = &stop;
    if (pthread_create(&thread, NULL, core_main, core) != 0)
        return hf_fail(error, HF_E_MISSING, "cannot start a thread");
    (void)clock_nanosleep(CLOCK_MONOTONIC, 0, &wait, NULL);
    if (pthread_getcpuclockid(thread, &clock) == 0)
        cpu_stopped_ms = cpu_ms(clock);
    stopped = hf_ticks_now();
    __atomic_store_n((volatile int *)&stop, 1, __ATOMIC_RELEASE);
    (void)pthread_join(thread, NULL);
    *ret_ms = core->returned_ticks > stopped
                  ? 1e3 * (double)(core->returned_ticks - stopped) / hf_ticks_per_second()
                  : 0; /* it was between two blocks */
    *ret_worked_ms = *ret_ms > 0 ? core->returned_cpu_ms - cpu_stopped_ms : 0;
    *error = core->error;
    return error->code;
}

static int measure_stops(struct core *core, double *times, struct hf_bench_reaction *reaction,
                         struct hf_error *error)
{
    static const int patterns[] = {HF_PATTERN_STEADY, HF_PATTERN_SQUARE};
    struct hf_random random;

    hf_random_init(&random, hf_ticks_now(), 2);
    while (reaction->stops < STOPS) {
        double worked_ms = 0;

        if (stop_ms(core, patterns[reaction->stops % 2], &random, &times[reaction->stops], &worked_ms,
                    error) != HF_OK)
            return error->code;
        if (worked_ms > reaction->stop_worked_ms_max)
            reaction->stop_worked_ms_max = worked_ms;
        reaction->stops++;
    }
    reaction->stop_ms_p50 = quantile(times, reaction->stops, 0.5);
    reaction->stop_ms_p99 = quantile(times, reaction->stops, 0.99);
    reaction->stop_ms_max = times[reaction->stops - 1]; /* sorted by now */
    return HF_OK;
}

int hf_bench_reaction(const int16_t *cpus, int cpu_count, struct hf_bench_reaction *ret_reaction,
                      struct hf_error *error)
{
    double *times = hf_allocate((size_t)hf_kernel_count() * PLANTS + STOPS, sizeof times[0]);
    struct core core = {0};

    *ret_reaction = (struct hf_bench_reaction){0};
    if (times == NULL)
        (void)hf_fail(error, HF_E_MEMORY, "no memory to measure reactions");
    /* the one that stops is on the first CPU, the one that works on the last */
    else if (core_init(&core, cpus[cpu_count - 1], 0, 1, error) == HF_OK) {
        measure_reports(&core, times, ret_reaction);
        (void)measure_stops(&core, times, ret_reaction, error);
    }
    core_release(&core);
    hf_free(times);
    return error->code;
}
