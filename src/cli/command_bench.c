/* bench: how hard each kernel works here against the core's own limit. */
#include <stdio.h>
#include <time.h>

#include "base/memory.h"
#include "cli/options.h"
#include "holdfast/json.h"
#include "holdfast/kernel.h"
#include "holdfast/mix.h"
#include "holdfast/topology.h"

#define CHAIN_ADDS   2000000
#define BLOCK_S      0.005 /* as in a worker */
#define BLOCKS_TIMED 40

static struct {
    const char *kernel;
    int json, cpu;
    double for_s;
} settings;

static const struct hf_option options[] = {
    {"kernel", HF_OPTION_STRING, &settings.kernel, "NAME", "only this kernel", 0, 0},
    {"cpu", HF_OPTION_INTEGER, &settings.cpu, "N", "on this CPU (default: the first allowed)", 0, 8191},
    {"for", HF_OPTION_DURATION, &settings.for_s, "TIME", "time for each kernel (default 1s)", 0, 0},
    {"json", HF_OPTION_FLAG, &settings.json, NULL, "one JSON document on standard output", 0, 0},
    {0},
};

static const struct hf_usage usage = {
    "bench", "how hard each kernel works here against the core's own limit", options,
    "Run it on a quiet machine. The limit is a bare loop of the limiting instruction,\n"
    "measured in turns beside the kernel in the same process; figures are medians. A\n"
    "cycle is one of the core's clock as a chain of dependent additions shows it.\n"};

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

static int measure(int index, struct result *ret_result, struct hf_error *error)
{
    const struct hf_kernel *kernel = hf_kernel_at(index);
    void *memory = hf_allocate(1, 2 * hf_kernel_state_bytes_max() + 64);

    if (memory == NULL)
        return hf_fail(error, HF_E_MEMORY, "no memory for the state of %s", kernel->name);
    ret_result->kernel = kernel;
    measure_blocks(index, (void *)(((uintptr_t)memory + 63) & ~(uintptr_t)63), ret_result);
    hf_free(memory);
    if (ret_result->wrong > 0)
        return hf_fail(error, HF_E_UNPROVED,
                       "%s %d gave %llu wrong blocks: this core cannot be trusted as it is set", kernel->name,
                       kernel->width_bits, (unsigned long long)ret_result->wrong);
    return hf_kernel_measure(kernel, settings.for_s > 0 ? settings.for_s : 1, &ret_result->steps_per_s,
                             &ret_result->limit_per_s, error);
}

static void print_head(double hz)
{
    printf("core clock %.0f MHz\n%-14s %-10s %5s  %8s  %8s  %8s  %8s  %9s  limit\n", hz * 1e-6, "kernel",
           "isa", "width", "op/cycle", "limit", "of limit", "GFLOP/s", "checking");
}

static void print_row(const struct result *result, double hz)
{
    const struct hf_kernel *kernel = result->kernel;
    double operations = result->steps_per_s * kernel->operations_per_step;

    printf("%-14s %-10s %5d  %8.3f  ", kernel->name, kernel->isa, kernel->width_bits, operations / hz);
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
    hf_json_string(writer, "variant", "plain");
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

static int bench(struct hf_error *error)
{
    double hz = core_hz();
    struct hf_json_writer writer;
    struct hf_text text;
    int count = 0;

    hf_text_init(&text, 1024 * 1024);
    hf_json_begin(&writer, &text, 2);
    hf_json_object_open(&writer, NULL);
    hf_json_number(&writer, "core_mhz", hz * 1e-6);
    hf_json_array_open(&writer, "kernels");
    for (int i = 0; i < hf_kernel_count() && error->code == HF_OK; i++) {
        struct result result;

        if (settings.kernel != NULL &&
            hf_kernel_find(settings.kernel, hf_kernel_at(i)->width_bits) != hf_kernel_at(i))
            continue;
        if (measure(i, &result, error) != HF_OK)
            break;
        count++;
        write_row(&writer, &result, hz);
        if (!settings.json && count == 1)
            print_head(hz);
        if (!settings.json)
            print_row(&result, hz);
    }
    hf_json_array_close(&writer);
    hf_json_object_close(&writer);
    if (settings.json && error->code == HF_OK)
        printf("%s\n", text.bytes);
    hf_text_release(&text);
    if (error->code == HF_OK && count == 0)
        return hf_fail(error, HF_E_NOT_FOUND, "there is no kernel \"%.40s\"", settings.kernel);
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
        hf_pin_to_cpu(settings.cpu >= 0 ? settings.cpu : cpus[0], &error) != HF_OK || bench(&error) != HF_OK)
        return hf_command_fail("bench", &error);
    return hf_command_end("bench", 0);
}
