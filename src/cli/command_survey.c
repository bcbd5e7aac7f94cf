/* survey: core groups, base facts, setting drivers, and the proof that every core reports a planted wrong
 * bit. */
#include <stdio.h>
#include <string.h>
#include <sys/stat.h>

#include "base/memory.h"
#include "cli/options.h"
#include "cli/survey.h"
#include "harness/prove.h"
#include "holdfast/driver.h"
#include "holdfast/json.h"
#include "holdfast/kernel.h"
#include "holdfast/profile.h"
#include "holdfast/recording.h"
#include "holdfast/topology.h"

static struct {
    const char *root, *write_profile, *record;
    int json, no_proof;
} settings;

static const struct hf_option options[] = {
    {"root", HF_OPTION_STRING, &settings.root, "DIR", "look at a recorded machine instead of this one", 0, 0},
    {"write-profile", HF_OPTION_STRING, &settings.write_profile, "FILE",
     "write a starting profile for this machine", 0, 0},
    {"record", HF_OPTION_STRING, &settings.record, "DIR", "save what is read to a new folder, for --root", 0,
     0},
    {"no-proof", HF_OPTION_FLAG, &settings.no_proof, NULL, "do not start workers to plant wrong bits", 0, 0},
    {"json", HF_OPTION_FLAG, &settings.json, NULL, "one JSON document on standard output", 0, 0},
    {0},
};

static const struct hf_usage usage = {
    "survey", "what this machine has, and what it lacks", options,
    "hwloc's environment variables (HWLOC_XMLFILE, HWLOC_SYNTHETIC, HWLOC_FSROOT with\n"
    "HWLOC_COMPONENTS) show other machines; nothing is proved or changed on those.\n"
    "A recording holds no serial numbers, names or addresses.\n"
    "Exit status: 0, 1 a planted error went unreported, 4 something is missing.\n"};

struct survey {
    struct hf_topology *topology;
    struct hf_machine_facts facts;
    struct hf_cpu_proof *proofs; /* NULL: none was made */
    const char *why_no_proof;
    struct hf_survey_machine *machine; /* NULL: the topology came from hwloc's environment */
};

static void group_cpus(const struct hf_topology *topology, int group, struct hf_text *text)
{
    const struct hf_topology_group *g = &topology->group[group];
    int list[HF_CPUS_MAX];

    for (int i = 0; i < g->cpu_count; i++)
        list[i] = topology->cpu[g->cpu_first + i];
    hf_text_add_cpu_list(text, list, g->cpu_count);
}

/* One CPU of each core: SMT siblings stay idle, as is usual for such loads (common practice, no source). */
static int one_per_core(const struct hf_topology *topology, int group, int *ret_list)
{
    const struct hf_topology_group *g = &topology->group[group];
    int count = 0;

    for (int i = g->cpu_first; i < g->cpu_first + g->cpu_count; i++) {
        if (topology->thread_of_core[i] == 0)
            ret_list[count++] = topology->cpu[i];
    }
    return count;
}

/* --- text ------------------------------------------------------------------------------------------- */

static void print_groups(const struct hf_topology *topology)
{
    hf_survey_say("core groups (cores that share a last-level cache)\n");
    for (int g = 0; g < topology->group_count; g++) {
        const struct hf_topology_group *group = &topology->group[g];
        struct hf_text cpus;

        hf_text_init(&cpus, 65536);
        group_cpus(topology, g, &cpus);
        hf_survey_say("  %-6s CPUs %-20s %3d cores  ", group->name, cpus.bytes, group->core_count);
        if (group->cpu_count > group->core_count)
            hf_survey_say("%d threads, ", group->cpu_count);
        if (group->cache_level > 0)
            hf_survey_say("%llu MiB, ", (unsigned long long)(group->cache_bytes >> 20));
        hf_survey_say("%s\n", group->source);
        hf_text_release(&cpus);
    }
    hf_survey_say(
        "  %d usable CPUs, %d offline, %d not allowed to this process; %d package(s), %d NUMA node(s), "
        "SMT %s\n",
        topology->cpu_count, topology->offline_count, topology->not_allowed_count, topology->package_count,
        topology->numa_count, topology->smt ? "in use" : "not in use");
    if (topology->notes[0] != '\0')
        hf_survey_say("  note: %s\n", topology->notes);
}

static const char *or_unknown(const char *text)
{
    return text[0] != '\0' ? text : "not readable here";
}

static void print_facts(const struct hf_machine_facts *facts)
{
    hf_survey_say("\nmachine\n  processor  %s (%s", or_unknown(facts->cpu_model),
                  or_unknown(facts->cpu_vendor));
    if (facts->cpu_family >= 0)
        hf_survey_say(", family %d, model %d, stepping %d", facts->cpu_family, facts->cpu_model_number,
                      facts->cpu_stepping);
    hf_survey_say("), microcode %s\n", or_unknown(facts->microcode));
    hf_survey_say("  kernel     %s%s\n", or_unknown(facts->kernel),
                  facts->virtual_machine == 1 ? "; a virtual machine: clocks and settings are the host's"
                                              : "");
    hf_survey_say("  firmware   %s %s %s\n", or_unknown(facts->firmware_vendor), facts->firmware_version,
                  facts->firmware_date);
    hf_survey_say("  governor   %s;  SMT %s;  memory %llu MiB\n", or_unknown(facts->governor),
                  or_unknown(facts->smt), (unsigned long long)(facts->memory_bytes >> 20));
}

static void print_drivers(const struct survey *survey)
{
    hf_survey_say("\nsetting drivers\n");
    for (int i = 0; i < hf_driver_count(); i++) {
        const struct hf_driver_ops *driver = hf_driver_at(i);
        char why[160];
        int works = hf_survey_driver_works(driver, survey->topology, survey->machine, why, sizeof why);

        hf_survey_say("  %-8s %s%s%s%s\n", driver->name, driver->sentence,
                      works ? "" : " (not here: ", works ? "" : why, works ? "" : ")");
    }
}

/* Each kernel once, with all its widths. */
static void print_kernels(void)
{
    int column = 0;

    for (int i = 0; i < hf_kernel_count(); i++) {
        int again = i > 0 && strcmp(hf_kernel_at(i)->name, hf_kernel_at(i - 1)->name) == 0;

        if (!again && column > 80) {
            printf(",\n");
            column = 0;
        }
        if (!again)
            column += printf("%s%s", column == 0 ? "  " : ", ", hf_kernel_at(i)->name);
        column += printf(" %d", hf_kernel_at(i)->width_bits);
    }
    printf("\n");
}

static int is_proved(const struct hf_cpu_proof *proof)
{
    return proof->trouble[0] == '\0' && proof->planted > 0 && proof->planted == proof->reported;
}

/* One line for all that is well, one for each CPU that is not. */
static void print_proof(const struct survey *survey)
{
    double slowest_ms = 0;
    int proved = 0;

    hf_survey_say("\nproof: one wrong bit planted in each kernel on each CPU\n");
    if (survey->proofs == NULL) {
        hf_survey_say("  not made: %s\n", survey->why_no_proof);
        return;
    }
    print_kernels();
    for (int i = 0; i < survey->topology->cpu_count; i++) {
        const struct hf_cpu_proof *proof = &survey->proofs[i];

        if (is_proved(proof)) {
            proved++;
            slowest_ms = proof->start_ms > slowest_ms ? proof->start_ms : slowest_ms;
            continue;
        }
        hf_survey_say("  CPU %-4d planted %d, reported %d%s%s\n", proof->cpu, proof->planted, proof->reported,
                      proof->trouble[0] ? ": " : "", proof->trouble);
    }
    hf_survey_say("  %d of %d CPUs reported every planted bit; slowest worker ready in %.1f ms\n", proved,
                  survey->topology->cpu_count, slowest_ms);
}

/* --- JSON ------------------------------------------------------------------------------------------- */

static void write_groups(struct hf_json_writer *writer, const struct hf_topology *topology)
{
    int list[HF_CPUS_MAX];

    hf_json_array_open(writer, "groups");
    for (int g = 0; g < topology->group_count; g++) {
        const struct hf_topology_group *group = &topology->group[g];
        struct hf_text cpus;

        hf_text_init(&cpus, 65536);
        group_cpus(topology, g, &cpus);
        hf_json_object_open(writer, NULL);
        hf_json_string(writer, "name", group->name);
        hf_json_string(writer, "cpus", cpus.bytes);
        hf_text_clear(&cpus);
        hf_text_add_cpu_list(&cpus, list, one_per_core(topology, g, list));
        hf_json_string(writer, "one_cpu_per_core", cpus.bytes);
        hf_json_integer(writer, "cores", group->core_count);
        hf_json_integer(writer, "cache_level", group->cache_level);
        hf_json_integer(writer, "cache_bytes", (int64_t)group->cache_bytes);
        hf_json_string(writer, "source", group->source);
        hf_json_object_close(writer);
        hf_text_release(&cpus);
    }
    hf_json_array_close(writer);
}

static void write_facts(struct hf_json_writer *writer, const struct hf_machine_facts *facts)
{
    hf_json_object_open(writer, "machine");
    hf_json_string(writer, "cpu_vendor", facts->cpu_vendor);
    hf_json_string(writer, "cpu_model", facts->cpu_model);
    hf_json_integer(writer, "family", facts->cpu_family);
    hf_json_integer(writer, "model", facts->cpu_model_number);
    hf_json_integer(writer, "stepping", facts->cpu_stepping);
    hf_json_string(writer, "microcode", facts->microcode);
    hf_json_string(writer, "kernel", facts->kernel);
    hf_json_string(writer, "governor", facts->governor);
    hf_json_string(writer, "smt", facts->smt);
    hf_json_u64(writer, "memory_bytes", facts->memory_bytes);
    hf_json_bool(writer, "virtual_machine", facts->virtual_machine == 1);
    hf_json_object_close(writer);
}

static void write_proof(struct hf_json_writer *writer, const struct survey *survey)
{
    if (survey->proofs == NULL) {
        hf_json_null(writer, "proof");
        return;
    }
    hf_json_array_open(writer, "proof");
    for (int i = 0; i < survey->topology->cpu_count; i++) {
        hf_json_object_open(writer, NULL);
        hf_json_integer(writer, "cpu", survey->proofs[i].cpu);
        hf_json_integer(writer, "planted", survey->proofs[i].planted);
        hf_json_integer(writer, "reported", survey->proofs[i].reported);
        hf_json_number(writer, "start_ms", survey->proofs[i].start_ms);
        hf_json_string(writer, "trouble", survey->proofs[i].trouble);
        hf_json_object_close(writer);
    }
    hf_json_array_close(writer);
}

static void write_drivers(struct hf_json_writer *writer, const struct survey *survey)
{
    hf_json_array_open(writer, "drivers");
    for (int i = 0; i < hf_driver_count(); i++)
        hf_json_string(writer, NULL, hf_driver_at(i)->name);
    hf_json_array_close(writer);
    hf_json_array_open(writer, "driver_details");
    for (int i = 0; i < hf_driver_count(); i++) {
        char why[160];
        int works =
            hf_survey_driver_works(hf_driver_at(i), survey->topology, survey->machine, why, sizeof why);

        hf_json_object_open(writer, NULL);
        hf_json_string(writer, "name", hf_driver_at(i)->name);
        hf_json_bool(writer, "works", works);
        hf_json_string(writer, "why", why);
        hf_json_object_close(writer);
    }
    hf_json_array_close(writer);
}

static void print_json(const struct survey *survey)
{
    const struct hf_topology *topology = survey->topology;
    struct hf_json_writer writer;
    struct hf_text text;

    hf_text_init(&text, 8 * 1024 * 1024);
    hf_json_begin(&writer, &text, 2);
    hf_json_object_open(&writer, NULL);
    hf_json_bool(&writer, "this_system", topology->is_this_system);
    write_groups(&writer, topology);
    hf_json_integer(&writer, "usable_cpus", topology->cpu_count);
    hf_json_integer(&writer, "offline_cpus", topology->offline_count);
    hf_json_integer(&writer, "not_allowed_cpus", topology->not_allowed_count);
    hf_json_bool(&writer, "smt_in_use", topology->smt);
    hf_json_string(&writer, "notes", topology->notes);
    write_facts(&writer, &survey->facts);
    write_drivers(&writer, survey);
    if (survey->machine != NULL)
        hf_survey_machine_write(survey->machine, topology, &writer);
    write_proof(&writer, survey);
    hf_json_object_close(&writer);
    printf("%s\n", text.bytes);
    hf_text_release(&text);
}

/* --- the work --------------------------------------------------------------------------------------- */

static int prove(struct survey *survey, struct hf_error *error)
{
    const struct hf_topology *topology = survey->topology;

    if (!topology->is_this_system)
        survey->why_no_proof = "this topology is not this machine's";
    else if (settings.no_proof)
        survey->why_no_proof = "--no-proof";
    if (survey->why_no_proof != NULL)
        return HF_OK;
    survey->proofs = hf_allocate((size_t)topology->cpu_count, sizeof *survey->proofs);
    if (survey->proofs == NULL)
        return hf_fail(error, HF_E_MEMORY, "no memory for the proof");
    return hf_prove_cpus(topology->cpu, topology->cpu_count, survey->proofs, error);
}

static int write_profile(const struct hf_topology *topology, struct hf_error *error)
{
    const char *names[HF_GROUPS_MAX];
    const int *cpus[HF_GROUPS_MAX];
    int counts[HF_GROUPS_MAX];
    int list[HF_CPUS_MAX];
    struct hf_profile_start start = {.name = "my-machine",
                                     .driver = "sheet",
                                     .group_count = topology->group_count,
                                     .group_names = names,
                                     .group_cpus = cpus,
                                     .group_cpu_counts = counts};
    struct hf_text text;
    struct stat status;

    if (stat(settings.write_profile, &status) == 0)
        return hf_fail(error, HF_E_REFUSED, "%s exists already; it is not overwritten",
                       settings.write_profile);
    for (int g = 0; g < topology->group_count; g++) {
        int *own = &list[topology->group[g].cpu_first];

        names[g] = topology->group[g].name;
        cpus[g] = own;
        counts[g] = one_per_core(topology, g, own);
    }
    hf_text_init(&text, HF_PROFILE_BYTES_MAX);
    hf_profile_write_start(&start, &text);
    (void)hf_text_write_file(&text, settings.write_profile, error);
    hf_text_release(&text);
    return error->code;
}

static int unreported(const struct survey *survey)
{
    for (int i = 0; survey->proofs != NULL && i < survey->topology->cpu_count; i++) {
        if (survey->proofs[i].trouble[0] != '\0')
            return 4;
        if (survey->proofs[i].planted == 0 || survey->proofs[i].planted != survey->proofs[i].reported)
            return 1;
    }
    return 0;
}

static int show(struct survey *survey, struct hf_error *error)
{
    if (prove(survey, error) != HF_OK)
        return hf_command_fail("survey", error);
    if (settings.write_profile != NULL && write_profile(survey->topology, error) != HF_OK)
        return hf_command_fail("survey", error);
    if (settings.json) {
        print_json(survey);
    } else {
        print_groups(survey->topology);
        print_facts(&survey->facts);
        if (survey->machine != NULL)
            hf_survey_machine_print(survey->machine, survey->topology);
        print_drivers(survey);
        print_proof(survey);
        if (survey->machine != NULL)
            hf_survey_missing_print(survey->machine);
        if (settings.write_profile != NULL)
            hf_survey_say("\nwrote %s: one CPU of each core%s; fill in the ratios before a search\n",
                          settings.write_profile, survey->topology->smt ? " (its siblings stay idle)" : "");
    }
    return unreported(survey);
}

static int record(const struct survey *survey, struct hf_error *error)
{
    struct hf_recording_totals totals;

    if (survey->machine == NULL)
        return hf_fail(error, HF_E_USAGE,
                       "--record saves this machine, or that of --root, not one of hwloc's "
                       "environment variables");
    if (hf_recording_save(&survey->machine->host, settings.record, &totals, error) != HF_OK)
        return error->code;
    if (!settings.json)
        hf_survey_say("recorded %d files in %s (%d were not readable); look at it with survey --root %s\n\n",
                      totals.files, settings.record, totals.unreadable, settings.record);
    return HF_OK;
}

/* A topology that came from hwloc's environment belongs to another machine than /proc and /sys here. */
static int read_machine(struct survey *survey, struct hf_error *error)
{
    if (!survey->topology->is_this_system && settings.root == NULL)
        return HF_OK;
    return hf_survey_machine_new(settings.root, survey->topology, &survey->facts, &survey->machine, error);
}

int hf_command_survey(int argc, char **argv)
{
    struct survey survey = {0};
    struct hf_error error = {0};
    int status;

    if (hf_options_parse(&usage, argc, argv, &status))
        return status;
    if (hf_topology_new(settings.root, &survey.topology, &error) != HF_OK)
        return hf_command_fail("survey", &error);
    hf_machine_facts_read(settings.root, &survey.facts);
    if (read_machine(&survey, &error) != HF_OK ||
        (settings.record != NULL && record(&survey, &error) != HF_OK))
        status = hf_command_fail("survey", &error);
    else
        status = show(&survey, &error);
    hf_survey_machine_free(survey.machine);
    hf_free(survey.proofs);
    hf_topology_free(survey.topology);
    return hf_command_end("survey", status);
}
