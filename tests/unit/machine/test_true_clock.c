/* The true clock: which method is taken, samples of scripted counters, the judgement, and this machine's own
 * chain. */
#include "scripted_host.h"

#include <math.h>
#include <time.h>

#include "holdfast/topology.h"
#include "holdfast/true_clock.h"

#define SECOND INT64_C(1000000000)
#define TSC_HZ 2.1e9

/* --- scripted counters ------------------------------------------------------------------------------ */

struct counters {
    int64_t now_ns;
    int64_t step_ns; /* how far each look at the clock moves it */
    int refuse_msr, refuse_cycles, refuse_reference;
    int next, open;
    uint64_t config[16];
    int leader[16];
    uint64_t value[2][8]; /* by msr/hardware and config */
    uint32_t type[16];
};

#define MSR_TYPE 9

static uint64_t *value_of(struct counters *counters, int handle)
{
    return &counters->value[counters->type[handle] == MSR_TYPE][counters->config[handle] & 7];
}

static int counters_open(void *context, uint32_t type, uint64_t config, int cpu, int group)
{
    struct counters *counters = context;

    assert_true(cpu >= 0);
    if (type == MSR_TYPE && counters->refuse_msr != 0)
        return -counters->refuse_msr;
    if (type == 0 && counters->refuse_cycles != 0)
        return -counters->refuse_cycles;
    if (type == 0 && (config & 0xff) == 9 && counters->refuse_reference != 0)
        return -counters->refuse_reference;
    assert_true(counters->next < 16);
    counters->type[counters->next] = type;
    counters->config[counters->next] = config;
    counters->leader[counters->next] = group;
    counters->open++;
    return counters->next++;
}

static int counters_read(void *context, int handle, uint64_t *ret_values, int max)
{
    struct counters *counters = context;
    int count = 0;

    ret_values[count++] = *value_of(counters, handle);
    for (int i = 0; i < counters->next && count < max; i++) {
        if (counters->leader[i] == handle)
            ret_values[count++] = *value_of(counters, i);
    }
    return count;
}

static void counters_close(void *context, int handle)
{
    (void)handle;
    ((struct counters *)context)->open--;
}

static uint64_t counters_tsc(void *context)
{
    return (uint64_t)((double)((struct counters *)context)->now_ns * (TSC_HZ * 1e-9));
}

static int64_t counters_raw_ns(void *context)
{
    struct counters *counters = context;

    counters->now_ns += counters->step_ns;
    return counters->now_ns;
}

static struct hf_clock_counters counters_ops(struct counters *counters)
{
    *counters = (struct counters){.now_ns = SECOND, .step_ns = 50};
    return (struct hf_clock_counters){counters_open, counters_read,   counters_close,
                                      counters_tsc,  counters_raw_ns, counters, 0};
}

static const char steady[] = "processor\t: 0\nflags\t\t: fpu tsc constant_tsc nonstop_tsc aperfmperf\n";

static void make_steady(struct script *script)
{
    script_set(script, "/proc/cpuinfo", steady);
    script_set(script, "/sys/devices/system/clocksource/clocksource0/current_clocksource", "tsc\n");
    script_number(script, "/sys/bus/event_source/devices/msr/type", MSR_TYPE);
    script_set(script, "/sys/bus/event_source/devices/msr/events/aperf", "event=0x01\n");
    script_set(script, "/sys/bus/event_source/devices/msr/events/mperf", "event=0x02\n");
}

static void make_feedback(struct script *script, const char *counts)
{
    script_number(script, "/sys/devices/system/cpu/cpu3/acpi_cppc/nominal_freq", 2000);
    script_number(script, "/sys/devices/system/cpu/cpu3/acpi_cppc/reference_perf", 30);
    script_number(script, "/sys/devices/system/cpu/cpu3/acpi_cppc/nominal_perf", 20);
    script_set(script, "/sys/devices/system/cpu/cpu3/acpi_cppc/feedback_ctrs", counts);
}

struct setting {
    struct hf_host host;
    struct script *script;
    struct counters counters;
    struct hf_clock_counters ops;
    struct hf_clock_source *source;
    struct hf_core_clock *core;
};

static void setting_begin(struct setting *setting)
{
    setting->script = script_new(&setting->host);
    setting->ops = counters_ops(&setting->counters);
    setting->source = NULL;
    setting->core = NULL;
}

static void setting_open(struct setting *setting)
{
    struct hf_error error = {0};

    assert_int_equal(hf_clock_source_open(&setting->host, &setting->ops, &setting->source, &error), HF_OK);
    assert_int_equal(hf_core_clock_open(setting->source, 3, &setting->core, &error), HF_OK);
}

static void setting_end(struct setting *setting)
{
    hf_core_clock_close(setting->core);
    hf_clock_source_close(setting->source);
    assert_int_equal(setting->counters.open, 0);
    assert_int_equal(setting->script->opened, 0);
    free(setting->script);
}

/* --- methods ---------------------------------------------------------------------------------------- */

static void test_counters_by_tsc(void **state)
{
    struct setting s;
    struct hf_clock_sample sample;
    double hz;

    (void)state;
    setting_begin(&s);
    make_steady(s.script);
    setting_open(&s);
    hz = hf_clock_source_tsc_hz(s.source);
    assert_true(fabs(hz / TSC_HZ - 1) < 1e-4);
    assert_int_equal(hf_core_clock_method(s.core), HF_CLOCK_COUNTERS_TSC);
    assert_string_equal(hf_clock_source_reasons(s.source), "");
    hf_core_clock_sample(s.core, &sample);
    assert_true(isnan(sample.mhz));
    s.counters.value[1][1] += 4200000; /* twice as fast as the TSC, and half of the time idle */
    s.counters.value[1][2] += 2100000;
    s.counters.now_ns += 2000000;
    hf_core_clock_sample(s.core, &sample);
    assert_true(fabs(sample.mhz - hz * 2e-6) < 1e-6);
    assert_true(fabs(sample.seconds - 0.002) < 1e-6);
    hf_core_clock_sample(s.core, &sample); /* not a cycle since */
    assert_true(isnan(sample.mhz));
    s.counters.value[1][1] = 5; /* after a suspend the counters begin anew */
    s.counters.value[1][2] = 5;
    hf_core_clock_sample(s.core, &sample);
    assert_true(isnan(sample.mhz));
    s.counters.value[1][1] += 3000;
    s.counters.value[1][2] += 2000;
    hf_core_clock_sample(s.core, &sample);
    assert_true(fabs(sample.mhz - hz * 1.5e-6) < 1e-6);
    setting_end(&s);
}

static void test_feedback_counters(void **state)
{
    struct setting s;
    struct hf_clock_sample sample;

    (void)state;
    setting_begin(&s);
    make_steady(s.script);
    s.counters.refuse_msr = EACCES;
    make_feedback(s.script, "ref:76423111270 del:128822815644\n");
    setting_open(&s);
    assert_int_equal(hf_core_clock_method(s.core), HF_CLOCK_COUNTERS_ACPI);
    assert_non_null(strstr(hf_clock_source_reasons(s.source), "perf_event_paranoid"));
    hf_core_clock_sample(s.core, &sample);
    script_set(s.script, "/sys/devices/system/cpu/cpu3/acpi_cppc/feedback_ctrs",
               "ref:76423112270 del:128822817044\n");
    hf_core_clock_sample(s.core, &sample);
    /* nominal 2000 MHz at performance 20, the reference counts at 30: 3000 MHz; 1.4 times as many delivered
     */
    assert_true(fabs(sample.mhz - 4200) < 1e-9);
    script_set(s.script, "/sys/devices/system/cpu/cpu3/acpi_cppc/feedback_ctrs", "ref:x\n");
    hf_core_clock_sample(s.core, &sample);
    assert_true(isnan(sample.mhz));
    setting_end(&s);
}

static void test_cycles(void **state)
{
    struct setting s;
    struct hf_clock_sample sample;

    (void)state;
    setting_begin(&s);
    make_steady(s.script);
    s.counters.refuse_msr = EINVAL;
    setting_open(&s);
    assert_int_equal(hf_core_clock_method(s.core), HF_CLOCK_CYCLES);
    hf_core_clock_sample(s.core, &sample);
    s.counters.value[0][0] += 3000;
    s.counters.value[0][1] += 2000; /* config 9 & 7 */
    hf_core_clock_sample(s.core, &sample);
    assert_true(fabs(sample.mhz - hf_clock_source_tsc_hz(s.source) * 1.5e-6) < 1e-6);
    setting_end(&s);
}

static void set_stat(struct script *script, unsigned long long user, unsigned long long idle,
                     unsigned long long stolen)
{
    char text[256];

    snprintf(text, sizeof text,
             "cpu  9 9 9 9 9 9 9 9 0 0\ncpu0 1 1 1 1 1 1 1 1 0 0\ncpu3 %llu 0 0 %llu 0 0 0 %llu 0 0\n", user,
             idle, stolen);
    script_set(script, "/proc/stat", text);
}

/* Without reference cycles the wall's time is taken, and only from a core that was never idle. */
static void test_cycles_over_wall_time(void **state)
{
    struct setting s;
    struct hf_clock_sample sample;

    (void)state;
    setting_begin(&s);
    s.counters.refuse_reference = ENOENT;
    set_stat(s.script, 100, 50, 0);
    setting_open(&s);
    assert_int_equal(hf_core_clock_method(s.core), HF_CLOCK_CYCLES);
    assert_true(hf_clock_source_tsc_hz(s.source) == 0);
    hf_core_clock_sample(s.core, &sample);
    s.counters.now_ns += SECOND - 50;
    s.script->now_ns += SECOND;
    s.counters.value[0][0] += 4200000000;
    set_stat(s.script, 200, 50, 0);
    hf_core_clock_sample(s.core, &sample);
    assert_true(fabs(sample.mhz - 4200) < 1e-6);
    assert_true(sample.busy == 1);
    s.counters.now_ns += SECOND;
    s.script->now_ns += SECOND;
    s.counters.value[0][0] += 2100000000;
    set_stat(s.script, 250, 90, 10);
    hf_core_clock_sample(s.core, &sample);
    assert_true(isnan(sample.mhz));
    assert_true(fabs(sample.busy - 0.6) < 1e-12 && fabs(sample.stolen - 0.1) < 1e-12);
    setting_end(&s);
}

static void test_nothing_but_the_chain(void **state)
{
    struct setting s;
    struct hf_clock_sample sample;

    (void)state;
    setting_begin(&s);
    s.counters.refuse_cycles = ENOENT;
    script_number(s.script, "/sys/devices/system/cpu/cpu3/thermal_throttle/core_throttle_count", 7);
    setting_open(&s);
    assert_int_equal(hf_core_clock_method(s.core), hf_chain_exists() ? HF_CLOCK_CHAIN : HF_CLOCK_NONE);
    assert_true(strlen(hf_clock_source_reasons(s.source)) > 0);
    hf_core_clock_sample(s.core, &sample);
    assert_int_equal(sample.throttles, -1);
    script_number(s.script, "/sys/devices/system/cpu/cpu3/thermal_throttle/core_throttle_count", 9);
    hf_core_clock_sample(s.core, &sample);
    assert_true(isnan(sample.mhz));
    assert_int_equal(sample.throttles, 2);
    setting_end(&s);
}

/* A machine with two kinds of core: the cycles of a CPU are counted by its own kind's unit. */
static void test_two_kinds_of_core(void **state)
{
    struct setting s;

    (void)state;
    setting_begin(&s);
    script_set(s.script, "/sys/bus/event_source/devices/cpu_core/cpus", "0-1\n");
    script_number(s.script, "/sys/bus/event_source/devices/cpu_core/type", 4);
    script_set(s.script, "/sys/bus/event_source/devices/cpu_atom/cpus", "2-5\n");
    script_number(s.script, "/sys/bus/event_source/devices/cpu_atom/type", 10);
    setting_open(&s);
    assert_int_equal(hf_core_clock_method(s.core), HF_CLOCK_CYCLES);
    assert_true(s.counters.config[0] >> 32 == 10);
    setting_end(&s);
}

/* A recorded machine has no counters: this machine's are not shown in their place. */
static void test_recorded_machine(void **state)
{
    struct setting s;

    (void)state;
    setting_begin(&s);
    make_steady(s.script);
    s.host.is_live = 0;
    make_feedback(s.script, "ref:1 del:2\n");
    setting_open(&s);
    assert_int_equal(hf_core_clock_method(s.core), HF_CLOCK_COUNTERS_ACPI);
    assert_int_equal(s.counters.next, 0);
    setting_end(&s);
    setting_begin(&s);
    s.host.is_live = 0;
    setting_open(&s);
    assert_int_equal(hf_core_clock_method(s.core), HF_CLOCK_NONE);
    setting_end(&s);
}

/* --- parsers ---------------------------------------------------------------------------------------- */

static void test_feedback_parser(void **state)
{
    static const char *const bad[] = {"",
                                      "ref:",
                                      "ref:1",
                                      "ref:1 del:",
                                      "ref:-1 del:2",
                                      "ref:1  del:2",
                                      "ref:1 del:2x",
                                      "REF:1 del:2",
                                      "ref:99999999999999999999 del:1"};
    uint64_t reference = 0, delivered = 0;

    (void)state;
    assert_int_equal(hf_feedback_parse("ref:18446744073709551615 del:7\n", 31, &reference, &delivered), 0);
    assert_true(reference == UINT64_MAX && delivered == 7);
    for (size_t i = 0; i < sizeof bad / sizeof bad[0]; i++)
        assert_int_equal(hf_feedback_parse(bad[i], strlen(bad[i]), &reference, &delivered), -1);
    assert_true(reference == UINT64_MAX && delivered == 7);
}

/* Fields as in proc(5): user nice system idle iowait irq softirq steal guest guest_nice. */
static void test_ticks_parser(void **state)
{
    static const char stat[] = "cpu  1 1 1 1 1 1 1 1 1 1\ncpu1 10 20 30 400 50 6 7 8 9 9\ncpu12 1 2 3 4 5\n";
    struct hf_cpu_ticks ticks = {0};

    (void)state;
    assert_int_equal(hf_cpu_ticks_parse(stat, sizeof stat - 1, 1, &ticks), 0);
    assert_int_equal(ticks.total, 531);
    assert_int_equal(ticks.idle, 450);
    assert_int_equal(ticks.stolen, 8);
    assert_int_equal(hf_cpu_ticks_parse(stat, sizeof stat - 1, 12, &ticks), 0);
    assert_int_equal(ticks.total, 15);
    assert_int_equal(ticks.stolen, 0);
    assert_int_equal(hf_cpu_ticks_parse(stat, sizeof stat - 1, 2, &ticks), -1);
    assert_int_equal(hf_cpu_ticks_parse("cpu2 1 2 x", 10, 2, &ticks), -1);
    assert_int_equal(hf_cpu_ticks_parse("", 0, 2, &ticks), -1);
}

static void test_steady_tsc(void **state)
{
    static const char lame[] = "flags : fpu tsc constant_tsc not_nonstop_tsc\n";

    (void)state;
    assert_int_equal(hf_tsc_is_steady(steady, sizeof steady - 1, "tsc"), 1);
    assert_int_equal(hf_tsc_is_steady(steady, sizeof steady - 1, "kvm-clock"), 1);
    assert_int_equal(hf_tsc_is_steady(steady, sizeof steady - 1, "hpet"), 0);
    assert_int_equal(hf_tsc_is_steady(lame, sizeof lame - 1, "tsc"), 0);
    assert_int_equal(hf_tsc_is_steady("", 0, "tsc"), 0);
}

static void test_tsc_rate(void **state)
{
    struct hf_tsc_mark first = {1000, 1100, 5000};
    struct hf_tsc_mark last = {1000 + 20000000, 1100 + 20000000, 5000 + 42000000};
    double error = 0;

    (void)state;
    assert_true(fabs(hf_tsc_hz(&first, &last, &error) - 2.1e9) < 1);
    assert_true(fabs(error - 5e-6) < 1e-9);
    assert_true(hf_tsc_hz(&first, &first, &error) == 0);
    assert_true(hf_tsc_hz(&last, &first, &error) == 0);
}

/* --- the judgement ---------------------------------------------------------------------------------- */

static struct hf_clock_sample sample_of(enum hf_clock_method method, double mhz, double stolen)
{
    return (struct hf_clock_sample){method, mhz, 1, 1, stolen, 0};
}

static void test_judgement(void **state)
{
    struct hf_clock_sample samples[100];
    struct hf_clock_judgement judgement;

    (void)state;
    for (int i = 0; i < 100; i++)
        samples[i] = sample_of(HF_CLOCK_COUNTERS_TSC, 4200, 0);
    hf_clock_judge(samples, 100, 4200, HF_CLOCK_TOLERANCE, &judgement);
    assert_int_equal(judgement.finding, HF_CLOCK_HELD);
    hf_clock_judge(samples, 100, 4229.6, HF_CLOCK_TOLERANCE, &judgement); /* 0.69982 % below */
    assert_int_equal(judgement.finding, HF_CLOCK_HELD);
    hf_clock_judge(samples, 100, 4229.7, HF_CLOCK_TOLERANCE, &judgement); /* 0.70217 % below */
    assert_int_equal(judgement.finding, HF_CLOCK_SHORTFALL);
    assert_non_null(strstr(judgement.why, "stretched"));
    samples[17].throttles = 1;
    hf_clock_judge(samples, 100, 4300, HF_CLOCK_TOLERANCE, &judgement);
    assert_int_equal(judgement.finding, HF_CLOCK_SHORTFALL);
    assert_non_null(strstr(judgement.why, "throttled"));
    for (int i = 0; i < 49; i++) /* a median is not moved by less than half */
        samples[i].mhz = 800;
    hf_clock_judge(samples, 100, 4200, HF_CLOCK_TOLERANCE, &judgement);
    assert_int_equal(judgement.finding, HF_CLOCK_HELD);
    assert_true(judgement.lowest_mhz == 800 && judgement.median_mhz == 4200);
    samples[49].mhz = samples[50].mhz = 800;
    hf_clock_judge(samples, 100, 4200, HF_CLOCK_TOLERANCE, &judgement);
    assert_int_equal(judgement.finding, HF_CLOCK_SHORTFALL);
}

static void test_judgement_without_evidence(void **state)
{
    struct hf_clock_sample samples[10] = {0};
    struct hf_clock_judgement judgement;

    (void)state;
    hf_clock_judge(samples, 0, 4200, HF_CLOCK_TOLERANCE, &judgement);
    assert_int_equal(judgement.finding, HF_CLOCK_UNDECIDED);
    assert_true(isnan(judgement.median_mhz));
    for (int i = 0; i < 10; i++)
        samples[i] = sample_of(HF_CLOCK_CHAIN, 3000, 0.3);
    hf_clock_judge(samples, 10, 4200, HF_CLOCK_TOLERANCE,
                   &judgement); /* a busy host, not a stretched clock */
    assert_int_equal(judgement.finding, HF_CLOCK_UNDECIDED);
    assert_int_equal(judgement.stolen, 10);
    assert_non_null(strstr(judgement.why, "hypervisor"));
    for (int i = 0; i < 10; i++) /* the counters do not count what is stolen */
        samples[i] = sample_of(HF_CLOCK_COUNTERS_TSC, 3000, 0.3);
    hf_clock_judge(samples, 10, 4200, HF_CLOCK_TOLERANCE, &judgement);
    assert_int_equal(judgement.finding, HF_CLOCK_SHORTFALL);
    for (int i = 0; i < 10; i++)
        samples[i] = sample_of(HF_CLOCK_CHAIN, i < 2 ? 4200 : (double)NAN, (double)NAN);
    hf_clock_judge(samples, 10, 4200, HF_CLOCK_TOLERANCE, &judgement);
    assert_int_equal(judgement.finding, HF_CLOCK_UNDECIDED);
    assert_int_equal(judgement.unknown, 8);
    samples[2].mhz = 4200;
    hf_clock_judge(samples, 10, 4200, HF_CLOCK_TOLERANCE, &judgement);
    assert_int_equal(judgement.finding, HF_CLOCK_HELD);
}

static void test_budget(void **state)
{
    struct hf_clock_budget budget = {0};
    int64_t now = 0;
    int64_t spent = 0;

    (void)state;
    while (now < 3600 * SECOND) { /* an hour of asking every 10 ms for 1 ms */
        if (hf_clock_budget_take(&budget, now, 1000000, 0.001))
            spent += 1000000;
        now += 10000000;
    }
    assert_true(spent <= 3600 * SECOND / 1000 + 1000000);
    assert_true(spent >= 3600 * SECOND / 1000 * 98 / 100);
}

/* --- this machine ----------------------------------------------------------------------------------- */

/* Two routes to the same clock: one-cycle additions and three-cycle multiplications. Runs are short and the
 * best of many is taken, so that a busy machine does not decide; under an emulator both are meaningless. */
static void test_chain_two_routes(void **state)
{
    struct hf_error error = {0};
    double by_adding = 0, by_multiplying = 0;
    int16_t cpu;
    int count;

    (void)state;
    if (!hf_chain_exists())
        skip();
    assert_int_equal(hf_allowed_cpus(&cpu, 1, &count, &error) == HF_OK || error.code == HF_E_RANGE, 1);
    error.code = 0;
    assert_int_equal(hf_pin_to_cpu(cpu, &error), HF_OK);
    assert_int_equal(hf_chain_measure(&hf_clock_counters_real, 10000000, 1000000, 40, &by_adding), 0);
    assert_true(by_adding > 200 && by_adding < 10000);
    if (hf_chain_measure_multiply(&hf_clock_counters_real, 10000000, 1000000, 40, &by_multiplying) != 0)
        skip();
    print_message("chain: %.1f MHz by additions, %.1f MHz by multiplications\n", by_adding, by_multiplying);
    assert_true(fabs(by_adding / by_multiplying - 1) < 0.05);
}

static int64_t later(void *context)
{
    static int64_t now_ns;

    (void)context;
    now_ns += SECOND; /* so that every sample reads everything anew */
    return now_ns;
}

/* What a sample of a core costs: at most 0.1 % of the time at one a second. */
static void test_cost_of_a_sample(void **state)
{
    struct hf_clock_source *source = NULL;
    struct hf_core_clock *core = NULL;
    struct hf_error error = {0};
    struct hf_clock_sample sample;
    struct timespec begin, end;
    struct hf_host host;
    double each;

    (void)state;
    assert_int_equal(hf_host_open(NULL, &host, &error), HF_OK);
    host.monotonic_ns = later;
    assert_int_equal(hf_clock_source_open(&host, &hf_clock_counters_real, &source, &error), HF_OK);
    assert_int_equal(hf_core_clock_open(source, 0, &core, &error), HF_OK);
    (void)clock_gettime(CLOCK_THREAD_CPUTIME_ID, &begin);
    for (int i = 0; i < 2000; i++)
        hf_core_clock_sample(core, &sample);
    (void)clock_gettime(CLOCK_THREAD_CPUTIME_ID, &end);
    each = ((double)(end.tv_sec - begin.tv_sec) + (double)(end.tv_nsec - begin.tv_nsec) * 1e-9) / 2000;
    print_message("method %s (%s), TSC %.0f MHz: %.1f us a sample\n",
                  hf_clock_method_name(hf_core_clock_method(core)), hf_clock_source_reasons(source),
                  hf_clock_source_tsc_hz(source) * 1e-6, each * 1e6);
    assert_true(each < 0.001);
    hf_core_clock_close(core);
    hf_clock_source_close(source);
    hf_host_close(&host);
}

/* --- hostile bytes ---------------------------------------------------------------------------------- */

static void test_parsers_on_mutations(void **state)
{
    static const char *const samples[] = {"ref:76423111270 del:128822815644\n",
                                          "cpu  1 1 1 1\ncpu3 10 20 30 400 50 6 7 8 9 9\n",
                                          "flags : fpu constant_tsc nonstop_tsc\n"};
    uint64_t random = 99;

    (void)state;
    for (int round = 0; round < 30000; round++) {
        const char *sample = samples[round % 3];
        size_t size = strlen(sample);
        char *bytes = malloc(size + 1);
        struct hf_cpu_ticks ticks;
        uint64_t a, b;

        assert_non_null(bytes);
        memcpy(bytes, sample, size);
        for (int change = 0; change < 1 + round % 4; change++) {
            random = random * UINT64_C(6364136223846793005) + 1442695040888963407u;
            bytes[(random >> 33) % size] = (char)(random >> 20);
        }
        size = (random >> 40) % 3 == 0 ? (random >> 45) % (size + 1) : size;
        bytes = realloc(bytes, size > 0 ? size : 1); /* so that the sanitizer sees every byte too many */
        assert_non_null(bytes);
        (void)hf_feedback_parse(bytes, size, &a, &b);
        (void)hf_cpu_ticks_parse(bytes, size, 3, &ticks);
        (void)hf_tsc_is_steady(bytes, size, "tsc");
        free(bytes);
    }
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(test_counters_by_tsc),
        cmocka_unit_test(test_feedback_counters),
        cmocka_unit_test(test_cycles),
        cmocka_unit_test(test_cycles_over_wall_time),
        cmocka_unit_test(test_nothing_but_the_chain),
        cmocka_unit_test(test_two_kinds_of_core),
        cmocka_unit_test(test_recorded_machine),
        cmocka_unit_test(test_feedback_parser),
        cmocka_unit_test(test_ticks_parser),
        cmocka_unit_test(test_steady_tsc),
        cmocka_unit_test(test_tsc_rate),
        cmocka_unit_test(test_judgement),
        cmocka_unit_test(test_judgement_without_evidence),
        cmocka_unit_test(test_budget),
        cmocka_unit_test(test_chain_two_routes),
        cmocka_unit_test(test_cost_of_a_sample),
        cmocka_unit_test(test_parsers_on_mutations),
    };

    return cmocka_run_group_tests(tests, NULL, NULL);
}
