/* bench: how hard each kernel works here against the core's own limit; how well the cores keep a pattern's
 * edges; how soon a planted error is reported and the load is gone after a stop. */
#include <stdio.h>
#include <string.h>
#include <time.h>

#include "base/memory.h"
#include "cli/bench_compare.h"
#include "cli/bench_edges.h"
#include "cli/options.h"
#include "holdfast/json.h"
#include "holdfast/kernel.h"
#include "holdfast/mix.h"
#include "holdfast/topology.h"
#include "workloads/sizes.h"

#define CHAIN_ADDS   2000000
#define BLOCK_S      0.005 /* as in a worker */
#define BLOCKS_TIMED 40
#define EDGES_S      0.3 /* for each period, unless --for is shorter */

static struct {
    const char *kernel, *compare;
    int json, cpu, every_entry;
    double for_s;
} settings;

static const struct hf_option options[] = {
    {"kernel", HF_OPTION_STRING, &settings.kernel, "NAME", "only this kernel", 0, 0},
    {"cpu", HF_OPTION_INTEGER, &settings.cpu, "N", "on this CPU (default: the first allowed)", 0, 8191},
    {"for", HF_OPTION_DURATION, &settings.for_s, "TIME", "time for each kernel (default 1s)", 0, 0},
    {"compare", HF_OPTION_STRING, &settings.compare, "PROGRAM", "and set beside what this one measures", 0,
     0},
    {"every-entry", HF_OPTION_FLAG, &settings.every_entry, NULL, "also those that a faster one replaces", 0,
     0},
    {"json", HF_OPTION_FLAG, &settings.json, NULL, "one JSON document on standard output", 0, 0},
    {0},
};

static const struct hf_usage usage = {
    "bench", "how hard each kernel works, and how well the cores keep time", options,
    "Run it on a quiet machine. The limit is a bare loop of the limiting instruction,\n"
    "measured in turns beside the kernel in the same process; figures are medians. A\n"
    "cycle is one of the core's clock as a chain of dependent additions shows it.\n"
    "Without --kernel also: edges of a square pattern on up to 8 CPUs (skew against\n"
    "the first; below 1 us edges are those of batches of 100 us, and periods are\n"
    "counted, not timed), the time from a planted wrong bit to its report, and from a\n"
    "stop to the end of the load. --compare runs a program that is built with\n"
    "-DHOLDFAST_COMPARE=ON and measures general-purpose libraries on this CPU.\n"};

struct result {
    const struct hf_kernel *kernel;
    double steps_per_s, limit_per_s, check_share, blocks_per_s;
    uint64_t wrong;
};

/* The core's clock: a chain of dependent additions runs at one a cycle; the fastest of several short runs,
 * because interruptions only lower it (common practice, no source). */
static double core_hz(void)
{
    double best = 0;

    for (int run = 0; run < 20; run++) {
        uint64_t sum = 1;
        uint64_t begin = hf_ticks_now();

        double hz;

        for (int i = 0; i < CHAIN_ADDS; i++) {
            sum += begin; /* a register, not a constant: constants may be added at rename */
            __asm__ volatile("" : "+r"(sum)); /* keeps every addition */
        }
        hz = CHAIN_ADDS * hf_ticks_per_second() / (double)(hf_ticks_now() - begin);
        if (hz > best)
            best = hz;
    }
    return best;
}

/* Blocks as a worker runs them, under the steady pattern: how many a second, and which share of the time goes
 * into comparing (the block's own digest, and the closed form) instead of work. */
static void measure_blocks(int index, void *states, struct result *result)
{
    struct hf_slice slice = {
        .seed = 1, .kernel = index, .solo_kernel = -1, .pattern = HF_PATTERN_STEADY, .length_s = 1e9};
    struct hf_place place = {.worker_count = 1, .group_size = 1, .epoch_ticks = hf_ticks_now()};
    volatile int never = 0;
    uint64_t begin = hf_ticks_now();
    uint64_t checking = 0;
    uint64_t wrong = 0;

    for (uint64_t i = 0; i < BLOCKS_TIMED; i++) {
        struct hf_block block;
        uint64_t before;

        hf_block_run(&slice, &place, hf_slice_block_seed(&slice, 0, i), BLOCK_S, states, &never, &block);
        before = hf_ticks_now();
        wrong += hf_block_expect(&slice, &block) != block.digest;
        wrong += hf_kernel_at(index)->digest(states) == 0; /* once more, alone, for its time */
        checking += hf_ticks_now() - before;
    }
    result->blocks_per_s = BLOCKS_TIMED * hf_ticks_per_second() / (double)(hf_ticks_now() - begin);
    result->check_share = (double)checking / (double)(hf_ticks_now() - begin);
    result->wrong = wrong;
}

/* The same of an entry that no slice asks for: with every block folded, or one that a faster one replaces. */
static void measure_other_blocks(const struct hf_kernel *kernel, void *states, struct result *result)
{
    uint64_t begin = hf_ticks_now();
    uint64_t checking = 0;

    result->wrong = 0;
    for (uint64_t seed = 0; seed < BLOCKS_TIMED; seed++) {
        uint64_t end = hf_ticks_now() + (uint64_t)(BLOCK_S * hf_ticks_per_second());
        uint64_t steps = 0;
        uint64_t before;

        kernel->start(states, HF_OPERANDS_FULL, seed);
        for (; hf_ticks_now() < end; steps += kernel->burst_steps)
            kernel->advance(states, kernel->burst_steps);
        before = hf_ticks_now();
        result->wrong += kernel->digest(states) != kernel->expect(HF_OPERANDS_FULL, seed, steps);
        checking += hf_ticks_now() - before;
    }
    result->blocks_per_s = BLOCKS_TIMED * hf_ticks_per_second() / (double)(hf_ticks_now() - begin);
    result->check_share = (double)checking / (double)(hf_ticks_now() - begin);
}

/* The kernel of that index, or another entry of it. */
static int measure(int index, const struct hf_kernel *kernel, struct result *ret_result,
                   struct hf_error *error)
{
    void *memory = hf_allocate(1, HF_BLOCK_STATES * hf_kernel_state_bytes_max() + 64);

    if (memory == NULL)
        return hf_fail(error, HF_E_MEMORY, "no memory for the state of %s", kernel->name);
    ret_result->kernel = kernel;
    if (kernel == hf_kernel_at(index))
        measure_blocks(index, (void *)(((uintptr_t)memory + 63) & ~(uintptr_t)63), ret_result);
    else
        measure_other_blocks(kernel, (void *)(((uintptr_t)memory + 63) & ~(uintptr_t)63), ret_result);
    hf_free(memory);
    if (ret_result->wrong > 0)
        return hf_fail(error, HF_E_UNPROVED,
                       "%s %d gave %llu wrong blocks: this core cannot be trusted as it is set", kernel->name,
                       kernel->width_bits, (unsigned long long)ret_result->wrong);
    return hf_kernel_measure(kernel, settings.for_s > 0 ? settings.for_s : 1, &ret_result->steps_per_s,
                             &ret_result->limit_per_s, error);
}

static const char *variant_of(const struct hf_kernel *kernel)
{
    return kernel->variant != NULL ? kernel->variant : "plain";
}

static void print_head(double hz)
{
    printf("core clock %.0f MHz\n%-16s %-7s %-10s %5s  %8s  %8s  %8s  %8s  %9s  limit\n", hz * 1e-6, "kernel",
           "variant", "isa", "width", "op/cycle", "limit", "of limit", "GFLOP/s", "checking");
}

static void print_row(const struct result *result, double hz)
{
    const struct hf_kernel *kernel = result->kernel;
    double operations = result->steps_per_s * kernel->operations_per_step;

    printf("%-16s %-7s %-10s %5d  %8.3f  ", kernel->name, variant_of(kernel), kernel->isa, kernel->width_bits,
           operations / hz);
    if (result->limit_per_s > 0)
        printf("%8.3f  %6.1f %%  ", result->limit_per_s / hz, 100 * operations / result->limit_per_s);
    else
        printf("%8s  %8s  ", "-", "-");
    if (kernel->flops_per_step > 0)
        printf("%8.1f  ", result->steps_per_s * kernel->flops_per_step * 1e-9);
    else
        printf("%8s  ", "-");
    printf("%7.3f %%  %s\n", 100 * result->check_share, kernel->limit);
}

static void write_row(struct hf_json_writer *writer, const struct result *result, double hz)
{
    const struct hf_kernel *kernel = result->kernel;
    double operations = result->steps_per_s * kernel->operations_per_step;

    hf_json_object_open(writer, NULL);
    hf_json_string(writer, "name", kernel->name);
    hf_json_string(writer, "variant", variant_of(kernel));
    hf_json_string(writer, "isa", kernel->isa);
    hf_json_integer(writer, "width_bits", kernel->width_bits);
    hf_json_number(writer, "ops_per_cycle", operations / hz);
    if (result->limit_per_s > 0) {
        hf_json_number(writer, "limit_per_cycle", result->limit_per_s / hz);
        hf_json_number(writer, "of_limit", operations / result->limit_per_s);
    }
    if (kernel->flops_per_step > 0)
        hf_json_number(writer, "gflops", result->steps_per_s * kernel->flops_per_step * 1e-9);
    hf_json_number(writer, "check_share", result->check_share);
    hf_json_number(writer, "blocks_per_s", result->blocks_per_s);
    hf_json_object_close(writer);
}

/* The best rates of this run, to set beside the libraries'. */
static struct hf_bench_own own;

static void note_best(const struct hf_kernel *kernel, const char *name, double rate, double *best)
{
    if (strcmp(kernel->name, name) == 0 && rate > *best)
        *best = rate;
}

static void note_own(const struct result *result)
{
    const struct hf_kernel *kernel = result->kernel;
    double gflops = result->steps_per_s * kernel->flops_per_step * 1e-9;
    double gbytes = result->steps_per_s * kernel->bytes_per_step * 1e-9;

    note_best(kernel, "fma-residue", gflops, &own.fma_gflops);
    note_best(kernel, "matrix", gflops, &own.matrix_gflops);
    note_best(kernel, "cipher", gbytes, &own.cipher_gbytes_per_s);
    note_best(kernel, "hash", gbytes, &own.hash_gbytes_per_s);
}

/* A kernel's best rate as a multiple of a library's; nothing where the kernel was not measured. */
static void compare_one(struct hf_json_writer *writer, const char *key, const char *words, double ours,
                        double theirs)
{
    if (ours <= 0)
        return;
    hf_json_number(writer, key, ours / theirs);
    if (!settings.json)
        printf("%s: %.2f\n", words, ours / theirs);
}

static int bench_compare(struct hf_json_writer *writer, struct hf_error *error)
{
    struct hf_bench_libraries libraries;

    if (hf_bench_libraries(settings.compare, &libraries, error) != HF_OK)
        return error->code;
    if (!settings.json)
        printf(
            "\nlibraries on this CPU: OpenBLAS dgemm %.1f GFLOP/s, OpenSSL AES-128 %.2f GB/s, SHA-256 %.2f "
            "GB/s\n",
            libraries.dgemm_gflops, libraries.aes128_gbytes_per_s, libraries.sha256_gbytes_per_s);
    hf_json_object_open(writer, "libraries");
    hf_json_number(writer, "dgemm_gflops", libraries.dgemm_gflops);
    hf_json_number(writer, "aes128_gbytes_per_s", libraries.aes128_gbytes_per_s);
    hf_json_number(writer, "sha256_gbytes_per_s", libraries.sha256_gbytes_per_s);
    compare_one(writer, "fma_residue_over_dgemm", "fma-residue over dgemm", own.fma_gflops,
                libraries.dgemm_gflops);
    compare_one(writer, "matrix_over_dgemm", "matrix over dgemm", own.matrix_gflops, libraries.dgemm_gflops);
    compare_one(writer, "cipher_over_aes128", "cipher over AES-128", own.cipher_gbytes_per_s,
                libraries.aes128_gbytes_per_s);
    compare_one(writer, "hash_over_sha256", "hash over SHA-256", own.hash_gbytes_per_s,
                libraries.sha256_gbytes_per_s);
    hf_json_object_close(writer);
    return HF_OK;
}

/* --- edges and reactions --- */

static void print_edges(const struct hf_bench_edges *row)
{
    printf("%12.0f  %12.1f  %6.2f %%  ", row->period_ns, row->produced_ns,
           row->produced_ns > 0 ? 100 * (row->produced_ns / row->period_ns - 1) : 0.0);
    if (row->counted)
        printf("%4.0f %%  ", 100 * row->work_share);
    else
        printf("%6s  ", "-");
    printf("%9llu  %8llu  ", (unsigned long long)row->met, (unsigned long long)row->missed);
    if (row->common > 0)
        printf("%6.0f  %6.0f  %6.0f\n", row->skew_ns_p50, row->skew_ns_p90, row->skew_ns_p99);
    else
        printf("%6s  %6s  %6s\n", "-", "-", "-");
}

static void write_edges(struct hf_json_writer *writer, const struct hf_bench_edges *row)
{
    hf_json_object_open(writer, NULL);
    hf_json_number(writer, "period_ns", row->period_ns);
    hf_json_number(writer, "produced_ns", row->produced_ns);
    hf_json_number(writer, "duty", row->duty);
    if (row->counted)
        hf_json_number(writer, "work_share", row->work_share);
    hf_json_string(writer, "timing", row->counted ? "counted" : "timed");
    hf_json_u64(writer, "met", row->met);
    hf_json_u64(writer, "missed", row->missed);
    hf_json_u64(writer, "common", row->common);
    if (row->common > 0) {
        hf_json_number(writer, "skew_ns_p50", row->skew_ns_p50);
        hf_json_number(writer, "skew_ns_p90", row->skew_ns_p90);
        hf_json_number(writer, "skew_ns_p99", row->skew_ns_p99);
    }
    hf_json_object_close(writer);
}

static int bench_edges(const int16_t *cpus, int cpu_count, struct hf_json_writer *writer,
                       struct hf_error *error)
{
    double seconds = settings.for_s > 0 && settings.for_s < EDGES_S ? settings.for_s : EDGES_S;
    struct hf_bench_edges rows[HF_BENCH_EDGES_MAX];
    int count = 0;

    if (hf_bench_edges(cpus, cpu_count, seconds, rows, &count, error) != HF_OK)
        return error->code;
    hf_json_array_open(writer, "edges");
    for (int i = 0; i < count; i++)
        write_edges(writer, &rows[i]);
    hf_json_array_close(writer);
    if (cpu_count < 2)
        hf_json_string(writer, "edges_note", "one CPU: there is no skew to measure");
    if (settings.json)
        return HF_OK;
    printf("\nedges of square, sync all, duty 50 %%, on %d CPUs\n%12s  %12s  %8s  %6s  %9s  %8s  %6s  %6s  "
           "%6s\n",
           cpu_count < HF_BENCH_CPUS_MAX ? cpu_count : HF_BENCH_CPUS_MAX, "period ns", "produced ns",
           "off by", "work", "met", "missed", "skew50", "skew90", "skew99");
    for (int i = 0; i < count; i++)
        print_edges(&rows[i]);
    if (cpu_count < 2)
        printf("one CPU: there is no skew to measure\n");
    return HF_OK;
}

static int bench_reaction(const int16_t *cpus, int cpu_count, struct hf_json_writer *writer,
                          struct hf_error *error)
{
    struct hf_bench_reaction reaction;

    if (hf_bench_reaction(cpus, cpu_count, &reaction, error) != HF_OK)
        return error->code;
    hf_json_object_open(writer, "planted_bits");
    hf_json_u64(writer, "planted", reaction.planted);
    hf_json_u64(writer, "reported", reaction.reported);
    hf_json_number(writer, "report_ms_p50", reaction.report_ms_p50);
    hf_json_number(writer, "report_ms_p99", reaction.report_ms_p99);
    hf_json_object_close(writer);
    hf_json_object_open(writer, "stops");
    hf_json_u64(writer, "count", reaction.stops);
    hf_json_number(writer, "stop_ms_p50", reaction.stop_ms_p50);
    hf_json_number(writer, "stop_ms_p99", reaction.stop_ms_p99);
    hf_json_number(writer, "stop_ms_max", reaction.stop_ms_max);
    hf_json_number(writer, "stop_worked_ms_max", reaction.stop_worked_ms_max);
    hf_json_object_close(writer);
    if (!settings.json)
        printf("\nplanted wrong bits: %llu of %llu reported, median %.1f ms, 99th percentile %.1f ms\n"
               "stops: load gone after %.2f ms (median of %llu), 99th percentile %.2f ms, longest %.2f ms,\n"
               "       of which at most %.2f ms at work\n",
               (unsigned long long)reaction.reported, (unsigned long long)reaction.planted,
               reaction.report_ms_p50, reaction.report_ms_p99, reaction.stop_ms_p50,
               (unsigned long long)reaction.stops, reaction.stop_ms_p99, reaction.stop_ms_max,
               reaction.stop_worked_ms_max);
    if (reaction.reported != reaction.planted)
        return hf_fail(error, HF_E_UNPROVED, "%llu of %llu planted wrong bits were not reported",
                       (unsigned long long)(reaction.planted - reaction.reported),
                       (unsigned long long)reaction.planted);
    return HF_OK;
}

/* --- all of it --- */

static int bench_entry(int index, const struct hf_kernel *kernel, double hz, struct hf_json_writer *writer,
                       struct hf_error *error)
{
    struct result result;

    if (measure(index, kernel, &result, error) != HF_OK)
        return error->code;
    note_own(&result);
    write_row(writer, &result, hz);
    if (!settings.json)
        print_row(&result, hz);
    return HF_OK;
}

/* An entry, and one more row for its folded blocks. */
static int bench_variants(int index, const struct hf_kernel *kernel, double hz, struct hf_json_writer *writer,
                          struct hf_error *error)
{
    if (bench_entry(index, kernel, hz, writer, error) == HF_OK && kernel->folded != NULL)
        (void)bench_entry(index, kernel->folded, hz, writer, error);
    return error->code;
}

/* The entry that runs here, or every one that could. */
static int bench_line(int index, double hz, struct hf_json_writer *writer, struct hf_error *error)
{
    const struct hf_kernel *entries[HF_KERNEL_ENTRIES_MAX] = {hf_kernel_at(index)};
    int count = settings.every_entry ? hf_kernel_entries(index, entries) : 1;

    for (int i = 0; i < count && error->code == HF_OK; i++)
        (void)bench_variants(index, entries[i], hz, writer, error);
    return error->code;
}

/* Rows of every kernel that was asked for. */
static int bench_kernels(double hz, struct hf_json_writer *writer, struct hf_error *error)
{
    int count = 0;

    hf_json_array_open(writer, "kernels");
    for (int i = 0; i < hf_kernel_count(); i++) {
        const struct hf_kernel *kernel = hf_kernel_at(i);

        if (settings.kernel != NULL && strcmp(kernel->name, settings.kernel) != 0)
            continue;
        if (!settings.json && count++ == 0)
            print_head(hz);
        if (bench_line(i, hz, writer, error) != HF_OK)
            return error->code;
    }
    hf_json_array_close(writer);
    return HF_OK;
}

static int bench(const int16_t *cpus, int cpu_count, struct hf_error *error)
{
    double hz = core_hz();
    struct hf_json_writer writer;
    struct hf_text text;

    if (settings.kernel != NULL && hf_kernel_index(settings.kernel, 0) < 0)
        return hf_fail(error, HF_E_NOT_FOUND, "there is no kernel \"%.40s\"", settings.kernel);
    hf_text_init(&text, 1024 * 1024);
    hf_json_begin(&writer, &text, 2);
    hf_json_object_open(&writer, NULL);
    hf_json_number(&writer, "core_mhz", hz * 1e-6);
    if (bench_kernels(hz, &writer, error) == HF_OK && settings.compare != NULL)
        (void)bench_compare(&writer, error);
    if (error->code == HF_OK && settings.kernel == NULL &&
        bench_edges(cpus, cpu_count, &writer, error) == HF_OK)
        (void)bench_reaction(cpus, cpu_count, &writer, error);
    if (error->code == HF_OK) {
        hf_json_object_close(&writer);
        if (settings.json)
            printf("%s\n", text.bytes);
    }
    hf_text_release(&text);
    return error->code;
}

/* The memory kernels work on what this machine's caches are. */
static int find_sizes(int cpu, struct hf_error *error)
{
    struct hf_sizes sizes;

    if (hf_sizes_find(NULL, cpu, 1, &sizes, error) == HF_OK)
        hf_sizes_set(&sizes);
    return error->code;
}

int hf_command_bench(int argc, char **argv)
{
    int16_t cpus[HF_CPUS_MAX];
    struct hf_error error = {0};
    int status;
    int count;

    settings.cpu = -1;
    if (hf_options_parse(&usage, argc, argv, &status))
        return status;
    if (hf_allowed_cpus(cpus, HF_CPUS_MAX, &count, &error) != HF_OK ||
        hf_pin_to_cpu(settings.cpu >= 0 ? settings.cpu : cpus[0], &error) != HF_OK ||
        find_sizes(settings.cpu >= 0 ? settings.cpu : cpus[0], &error) != HF_OK ||
        bench(cpus, count, &error) != HF_OK)
        return hf_command_fail("bench", &error);
    return hf_command_end("bench", 0);
}
