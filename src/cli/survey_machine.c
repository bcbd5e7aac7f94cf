/* Reading the machine for the survey: clocks, sensors, error sources, and what is missing. */
#include <errno.h>
#include <math.h>
#include <stdio.h>
#include <string.h>
#include <unistd.h>

#include "base/memory.h"
#include "cli/survey.h"
#include "holdfast/text.h"

#define POLICIES_MAX    HF_CPUS_MAX
#define READ_LIMIT_NS   INT64_C(500000000)
#define LOG_RECORDS_MAX 1000000 /* more than any kernel's log holds */
#define CHAINS_MAX      16      /* groups whose clock is measured: 15 ms each */
#define CPUS            "/sys/devices/system/cpu"

static int is_root(void)
{
    return geteuid() == 0;
}

__attribute__((format(printf, 3, 4))) static void add_missing(struct hf_survey_machine *machine,
                                                              const char *mend, const char *format, ...)
{
    struct hf_survey_missing *missing = &machine->missing[machine->missing_count];
    va_list arguments;

    if (machine->missing_count == HF_SURVEY_MISSING_MAX)
        return;
    machine->missing_count++;
    va_start(arguments, format);
    (void)vsnprintf(missing->what, sizeof missing->what, format, arguments);
    va_end(arguments);
    (void)snprintf(missing->mend, sizeof missing->mend, "%s", mend);
}

/* --- clocks ----------------------------------------------------------------------------------------- */

static void take_policy(struct hf_survey_machine *machine, const char *folder)
{
    struct hf_survey_clock *clock = &machine->clock;
    char path[HF_HOST_PATH_MAX];
    int64_t khz;

    (void)snprintf(path, sizeof path, "%s/cpuinfo_max_freq", folder);
    if (hf_host_integer(&machine->host, path, &khz) != 0)
        return;
    clock->policies++;
    if ((double)khz * 1e-3 > clock->highest_mhz)
        clock->highest_mhz = (double)khz * 1e-3;
    (void)snprintf(path, sizeof path, "%s/cpuinfo_min_freq", folder);
    if (hf_host_integer(&machine->host, path, &khz) == 0 &&
        (clock->lowest_mhz == 0 || (double)khz * 1e-3 < clock->lowest_mhz))
        clock->lowest_mhz = (double)khz * 1e-3;
    if (clock->policies > 1)
        return;
    (void)snprintf(path, sizeof path, "%s/scaling_driver", folder);
    (void)hf_host_line(&machine->host, path, clock->frequency_driver, sizeof clock->frequency_driver);
    (void)snprintf(path, sizeof path, "%s/scaling_available_governors", folder);
    (void)hf_host_line(&machine->host, path, clock->governors, sizeof clock->governors);
}

/* Policies in their common folder; on older kernels and recordings in each CPU's own. */
static void read_policies(struct hf_survey_machine *machine, const struct hf_topology *topology)
{
    int *numbers = hf_allocate(POLICIES_MAX, sizeof *numbers);
    char folder[96];
    int count = 0;

    if (numbers != NULL)
        count = hf_host_numbers(&machine->host, CPUS "/cpufreq", "policy", numbers, POLICIES_MAX);
    for (int i = 0; i < count; i++) {
        (void)snprintf(folder, sizeof folder, CPUS "/cpufreq/policy%d", numbers[i]);
        take_policy(machine, folder);
    }
    for (int i = 0; count <= 0 && i < topology->cpu_count; i++) {
        (void)snprintf(folder, sizeof folder, CPUS "/cpu%d/cpufreq", topology->cpu[i]);
        take_policy(machine, folder);
    }
    hf_free(numbers);
}

static void measure_groups(struct hf_survey_machine *machine, const struct hf_topology *topology)
{
    struct hf_survey_clock *clock = &machine->clock;

    for (int group = 0; group < topology->group_count && group < CHAINS_MAX; group++) {
        int cpu = topology->cpu[topology->group[group].cpu_first];
        double mhz;

        if (hf_chain_measure_on(cpu, &hf_clock_counters_real, 10000000, 1000000, 4, &mhz) != 0)
            continue;
        clock->measured[clock->measured_count].group = group;
        clock->measured[clock->measured_count].cpu = cpu;
        clock->measured[clock->measured_count++].mhz = mhz;
    }
}

static int read_clock(struct hf_survey_machine *machine, const struct hf_topology *topology,
                      struct hf_error *error)
{
    struct hf_clock_source *source = NULL;
    struct hf_core_clock *core = NULL;

    if (hf_clock_source_open(&machine->host, &hf_clock_counters_real, &source, error) != HF_OK)
        return error->code;
    if (hf_core_clock_open(source, topology->cpu[0], &core, error) == HF_OK) {
        machine->clock.method = hf_core_clock_method(core);
        machine->clock.tsc_mhz = hf_clock_source_tsc_hz(source) * 1e-6;
        (void)snprintf(machine->clock.reasons, sizeof machine->clock.reasons, "%s",
                       hf_clock_source_reasons(source));
    }
    hf_core_clock_close(core);
    hf_clock_source_close(source);
    read_policies(machine, topology);
    if (topology->is_this_system && machine->host.is_live)
        measure_groups(machine, topology);
    return error->code;
}

/* --- sensors ---------------------------------------------------------------------------------------- */

static int read_sensors(struct hf_survey_machine *machine, const struct hf_topology *topology,
                        struct hf_error *error)
{
    int16_t *group_of_cpu = hf_allocate(HF_CPUS_MAX, sizeof *group_of_cpu);
    int count;

    if (group_of_cpu == NULL)
        return hf_fail(error, HF_E_MEMORY, "no memory for the survey");
    for (int cpu = 0; cpu < HF_CPUS_MAX; cpu++)
        group_of_cpu[cpu] = -1;
    for (int group = 0; group < topology->group_count; group++) {
        for (int i = 0; i < topology->group[group].cpu_count; i++)
            group_of_cpu[topology->cpu[topology->group[group].cpu_first + i]] = (int16_t)group;
    }
    if (hf_sensors_new(&machine->host, &machine->sensors, error) == HF_OK) {
        hf_sensors_roles_by_topology(machine->sensors, group_of_cpu, HF_CPUS_MAX);
        count = hf_sensors_count(machine->sensors);
        machine->readings = hf_allocate(count > 0 ? (size_t)count : 1, sizeof machine->readings[0]);
        if (machine->readings == NULL)
            (void)hf_fail(error, HF_E_MEMORY, "no memory for the survey");
        else
            (void)hf_sensors_read(machine->sensors, 0, hf_host_monotonic_ns(&machine->host) + READ_LIMIT_NS,
                                  machine->readings);
    }
    hf_free(group_of_cpu);
    return error->code;
}

/* --- error sources ---------------------------------------------------------------------------------- */

static void take_event(void *argument, const struct hf_hardware_error *event)
{
    struct hf_survey_errors *errors = argument;

    if (event->previous_boot) {
        errors->previous_boot++;
    } else if (event->kind != HF_KIND_STORM) { /* what a storm held down is in the joiner's totals */
        errors->by_severity[event->severity]++;
    }
    if (event->severity == HF_SEVERITY_NOTICE)
        return;
    if (errors->latest_count == HF_SURVEY_LATEST_MAX) {
        (void)memmove(&errors->latest[0], &errors->latest[1],
                      (HF_SURVEY_LATEST_MAX - 1) * sizeof errors->latest[0]);
        errors->latest_count--;
    }
    errors->latest[errors->latest_count++] = *event;
}

static void read_log(struct hf_survey_machine *machine, struct hf_error_joiner *joiner)
{
    struct hf_survey_errors *errors = &machine->errors;
    struct hf_log_reader *reader = NULL;
    struct hf_error why = {0};
    int64_t now_ns = hf_host_monotonic_ns(&machine->host);

    if (!machine->host.is_live) {
        (void)snprintf(errors->log_trouble, sizeof errors->log_trouble, "a recording holds no log");
        return;
    }
    if (hf_log_reader_open(&hf_log_real, HF_LOG_KERNEL, NULL, joiner, &reader, &why) == HF_OK) {
        errors->log_readable = hf_log_reader_drain(reader, now_ns, LOG_RECORDS_MAX, &why) >= 0;
        hf_log_reader_totals(reader, &errors->log);
        hf_log_reader_close(reader);
    }
    hf_error_joiner_flush(joiner, now_ns);
    if (!errors->log_readable)
        (void)snprintf(errors->log_trouble, sizeof errors->log_trouble, "%s", why.message);
}

static int trace_points(const struct hf_host *host)
{
    static const char path[] = "/sys/kernel/tracing/events/mce/mce_record/enable";
    char text[16];
    int result = hf_host_line(host, path, text, sizeof text);

    if (result > 0)
        return 1;
    return result == -EACCES || result == -EPERM ? -1 : 0;
}

static int read_errors(struct hf_survey_machine *machine, struct hf_error *error)
{
    struct hf_survey_errors *errors = &machine->errors;
    struct hf_error_joiner_config config = {.take = take_event, .argument = errors};
    struct hf_error_joiner *joiner = NULL;
    struct hf_error_totals totals;
    int dumps;

    if (hf_error_joiner_new(&config, &joiner, error) != HF_OK)
        return error->code;
    read_log(machine, joiner);
    hf_polling_read(&machine->host, &errors->polling);
    errors->memory_count = hf_memory_counts_read(&machine->host, errors->memory, HF_MEMORY_COUNTS_MAX);
    errors->trace_points = trace_points(&machine->host);
    hf_error_joiner_totals(joiner, &totals);
    for (int severity = 0; severity < HF_ERROR_SEVERITY_COUNT; severity++)
        errors->by_severity[severity] += totals.held_by_severity[severity];
    dumps = hf_store_read(&machine->host, NULL, NULL, NULL, 0);
    errors->dumps = dumps < 0 ? -1 : dumps;
    hf_error_joiner_free(joiner);
    return HF_OK;
}

/* --- what is missing -------------------------------------------------------------------------------- */

static int believed_temperatures(const struct hf_survey_machine *machine)
{
    int count = 0;

    for (int i = 0; i < hf_sensors_count(machine->sensors); i++) {
        const struct hf_sensor *sensor = hf_sensors_at(machine->sensors, i);

        count += sensor->kind == HF_SENSOR_TEMPERATURE && machine->readings[i].trouble == HF_SENSOR_GOOD;
    }
    return count;
}

static int counts_denied(const struct hf_survey_machine *machine)
{
    for (int i = 0; i < hf_sensors_count(machine->sensors); i++) {
        if (machine->readings[i].trouble == HF_SENSOR_DENIED)
            return 1;
    }
    return 0;
}

static void find_missing(struct hf_survey_machine *machine, const struct hf_machine_facts *facts)
{
    const char *blindness = hf_polling_blindness(&machine->errors.polling);
    const char *mend = hf_polling_mend(&machine->errors.polling);
    int64_t paranoid;

    if (believed_temperatures(machine) == 0)
        add_missing(
            machine,
            facts->virtual_machine == 1
                ? "a virtual machine has none; \"temperature\": \"unwatched\" in the profile accepts that"
                : "modprobe coretemp, or modprobe k10temp, and the board's own hwmon module",
            "no temperature can be read: a real setting driver will not start");
    if (machine->clock.method >= HF_CLOCK_CYCLES &&
        hf_host_integer(&machine->host, "/proc/sys/kernel/perf_event_paranoid", &paranoid) == 0 &&
        paranoid > 0 && !is_root())
        add_missing(machine, "sysctl kernel.perf_event_paranoid=0, or run as root",
                    "the processor's counters may not be read (perf_event_paranoid is %d)", (int)paranoid);
    if (machine->host.is_live && !machine->errors.log_readable)
        add_missing(machine, "run as root, or sysctl kernel.dmesg_restrict=0", "%s",
                    machine->errors.log_trouble);
    if (blindness != NULL)
        add_missing(machine,
                    mend != NULL                  ? mend
                    : facts->virtual_machine == 1 ? "nothing to be done in a virtual machine"
                                                  : "remove mce=off from the kernel's command line",
                    "%s", blindness);
    if (machine->errors.memory_count == 0)
        add_missing(machine, "modprobe the EDAC module of this memory controller, if the memory has ECC",
                    "no memory controller counts its errors");
    if (counts_denied(machine))
        add_missing(machine, "run as root", "energy counters may only be read by root");
    if (machine->errors.trace_points < 0)
        add_missing(machine, "run as root", "trace points of machine checks may only be used by root");
    if (machine->clock.policies == 0)
        add_missing(machine,
                    facts->virtual_machine == 1
                        ? "nothing to be done in a virtual machine"
                        : "modprobe acpi-cpufreq, or switch the firmware's own control off",
                    "the kernel controls no clocks here (no cpufreq policy)");
}

/* --- the whole -------------------------------------------------------------------------------------- */

int hf_survey_machine_new(const char *root, const struct hf_topology *topology,
                          const struct hf_machine_facts *facts, struct hf_survey_machine **ret_machine,
                          struct hf_error *error)
{
    struct hf_survey_machine *machine = hf_allocate(1, sizeof *machine);

    if (machine == NULL)
        return hf_fail(error, HF_E_MEMORY, "no memory for the survey");
    if (hf_host_open(root, &machine->host, error) != HF_OK || read_clock(machine, topology, error) != HF_OK ||
        read_sensors(machine, topology, error) != HF_OK || read_errors(machine, error) != HF_OK) {
        hf_survey_machine_free(machine);
        return error->code;
    }
    find_missing(machine, facts);
    *ret_machine = machine;
    return HF_OK;
}

void hf_survey_machine_free(struct hf_survey_machine *machine)
{
    if (machine == NULL)
        return;
    hf_free(machine->readings);
    hf_sensors_free(machine->sensors);
    hf_host_close(&machine->host);
    hf_free(machine);
}

/* --- drivers ---------------------------------------------------------------------------------------- */

int hf_survey_driver_works(const struct hf_driver_ops *driver, const struct hf_topology *topology,
                           const struct hf_survey_machine *machine, char *ret_why, size_t size)
{
    int works = 0;
    const char *why;

    if (driver->is_simulated) {
        works = 1;
        why = "simulated: works everywhere";
    } else if (!topology->is_this_system) {
        why = "this topology is not this machine's";
    } else if (strcmp(driver->name, "cpufreq") != 0) {
        works = 1;
        why = "needs nothing of the kernel";
    } else if (machine == NULL || machine->clock.policies == 0) {
        why = "the kernel controls no clocks here (no cpufreq policy)";
    } else if (!is_root()) {
        why = "needs root to write the clocks' limits";
    } else {
        works = 1;
        why = "the kernel's policies can be written";
    }
    (void)snprintf(ret_why, size, "%s", why);
    return works;
}
