/* What sysfs and procfs say in lists and numbers: CPU lists, topology numbers, facts, ticks, counters. */
#include "fuzz.h"
#include "holdfast/hardware_errors.h"
#include "holdfast/host.h"
#include "holdfast/text.h"
#include "holdfast/true_clock.h"
#include "machine/facts.h"
#include "machine/files.h"

#define CPUS 1024
#define APIC 512

/* limit and max: the machine's, and small ones, whose edges an engine can guess. */
static void check_cpu_list(const char *list, int limit, int max)
{
    struct hf_error error = {0};
    struct hf_text text;
    static int cpus[CPUS], again[CPUS];
    int count = -1;
    int count_again = -1;
    int in_order = 1;
    int code = hf_text_parse_cpu_list(list, limit, cpus, max, &count, &error);

    if (code != HF_OK) {
        MUST(count == -1);
        must_explain(code, &error, NULL);
        return;
    }
    MUST(count >= 0 && count <= max);
    for (int i = 0; i < count; i++) {
        MUST(cpus[i] >= 0 && cpus[i] < limit);
        in_order &= i == 0 || cpus[i] > cpus[i - 1];
    }
    if (!in_order) /* the kernel does not write such lists, a person may: they have no written form of ours */
        return;
    hf_text_init(&text, 65536);
    hf_text_add_cpu_list(&text, cpus, count);
    MUST(!text.overflowed);
    if (count > 0) {
        MUST(hf_text_parse_cpu_list(text.bytes, limit, again, max, &count_again, &error) == HF_OK);
        MUST(count_again == count && memcmp(cpus, again, (size_t)count * sizeof cpus[0]) == 0);
    }
    hf_text_release(&text);
}

static void check_facts(const char *bytes, size_t size)
{
    struct hf_machine_facts facts;
    char line[64];
    char id[64];

    hf_facts_init(&facts);
    hf_facts_parse_cpuinfo(bytes, size, &facts);
    hf_facts_parse_version(bytes, size, &facts);
    hf_facts_parse_meminfo(bytes, size, &facts);
    hf_facts_parse_smt_control(bytes, size, &facts);
    hf_facts_parse_smt_active(bytes, size, &facts);
    hf_facts_parse_governor(bytes, size, &facts);
    hf_facts_parse_governor(bytes, size, &facts);
    hf_text_line(bytes, size, line, sizeof line);
    MUST(strlen(line) < sizeof line && hf_text_is_utf8(line, strlen(line)));
    MUST(hf_boot_id_parse(bytes, size, id) == 0 || strlen(id) == 36);
}

static void check_numbers(const char *bytes, size_t size)
{
    int16_t cpu_of_apic[APIC];
    struct hf_cpu_ticks ticks;
    uint64_t reference, delivered, sum;
    int64_t value;

    (void)hf_host_parse_integer(bytes, size, &value);
    (void)hf_feedback_parse(bytes, size, &reference, &delivered);
    for (int cpu = 0; cpu < 3; cpu++) {
        if (hf_cpu_ticks_parse(bytes, size, cpu, &ticks) == 0)
            MUST(ticks.idle <= ticks.total && ticks.stolen <= ticks.total);
    }
    (void)hf_interrupts_parse(bytes, size, "MCE", &sum);
    hf_apic_map_parse(bytes, size, cpu_of_apic, APIC);
    for (int i = 0; i < APIC; i++)
        MUST(cpu_of_apic[i] >= -1);
    (void)hf_tsc_is_steady(bytes, size, "tsc");
}

int LLVMFuzzerTestOneInput(const uint8_t *bytes, size_t size)
{
    char *copy = exact_copy(bytes, size, 0);
    char *string = exact_copy(bytes, size, 1);

    check_cpu_list(string, CPUS, CPUS);
    check_cpu_list(string, 10, 4);
    check_facts(copy, size);
    check_numbers(copy, size);
    free(string);
    free(copy);
    return 0;
}
