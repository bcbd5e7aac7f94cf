/* The record session-begin: who is about to work, and on what machine. */
#include <stdio.h>

#include "base/build.h"
#include "harness/supervisor_private.h"
#include "holdfast/topology.h"

static void write_conditions(struct hf_json_writer *writer)
{
    struct hf_machine_facts facts;

    hf_machine_facts_read(NULL, &facts);
    hf_json_object_open(writer, "conditions");
    hf_json_string(writer, "cpu_vendor", facts.cpu_vendor);
    hf_json_string(writer, "cpu_model", facts.cpu_model);
    hf_json_integer(writer, "family", facts.cpu_family);
    hf_json_integer(writer, "model", facts.cpu_model_number);
    hf_json_integer(writer, "stepping", facts.cpu_stepping);
    hf_json_string(writer, "microcode", facts.microcode);
    hf_json_string(writer, "kernel", facts.kernel);
    hf_json_string(writer, "smt", facts.smt);
    hf_json_string(writer, "governor", facts.governor);
    hf_json_u64(writer, "memory_bytes", facts.memory_bytes);
    hf_json_string(writer, "firmware_vendor", facts.firmware_vendor);
    hf_json_string(writer, "firmware_version", facts.firmware_version);
    hf_json_string(writer, "firmware_date", facts.firmware_date);
    hf_json_bool(writer, "virtual_machine", facts.virtual_machine);
    hf_json_string(writer, "build", hf_build_words());
    hf_json_object_close(writer);
}

/* What the memory kernels work on: their answers depend on it. */
static void write_sizes(struct hf_json_writer *writer, const struct hf_sizes *sizes)
{
    hf_json_object_open(writer, "arena_bytes");
    for (int level = 1; level < HF_LEVELS; level++)
        hf_json_u64(writer, hf_level_name(level), sizes->arena_bytes[level]);
    hf_json_object_close(writer);
    hf_json_string(writer, "caches", hf_sizes_source_name(sizes->source));
}

/* The machine's group that the profile's group lies in, by its first CPU; NULL: its CPUs are not there. */
static const struct hf_topology_group *place_of(const struct hf_topology *topology,
                                                const struct hf_profile *profile, int group)
{
    int cpu = profile->cpu[profile->group[group].cpu_first];

    for (int i = 0; i < topology->group_count; i++) {
        const struct hf_topology_group *there = &topology->group[i];

        for (int j = 0; j < there->cpu_count; j++) {
            if (topology->cpu[there->cpu_first + j] == cpu)
                return there;
        }
    }
    return NULL;
}

/* Package and last-level cache of each group of the profile, for the report's map; three short arrays, since
 * a line has its limit. A machine that cannot be read has none: the run does not depend on it. */
static void write_places(struct hf_json_writer *writer, const struct hf_profile *profile)
{
    struct hf_topology *topology = NULL;
    struct hf_error error = {0};

    if (hf_topology_new(NULL, &topology, &error) != HF_OK)
        return;
    hf_json_object_open(writer, "places");
    for (int column = 0; column < 3; column++) {
        static const char *const names[3] = {"package", "cache_level", "cache_bytes"};

        hf_json_array_open(writer, names[column]);
        for (int group = 0; group < profile->group_count; group++) {
            const struct hf_topology_group *place = place_of(topology, profile, group);

            if (column == 0)
                hf_json_integer(writer, NULL, place != NULL ? place->package : -1);
            else if (column == 1)
                hf_json_integer(writer, NULL, place != NULL ? place->cache_level : 0);
            else
                hf_json_u64(writer, NULL, place != NULL ? place->cache_bytes : 0);
        }
        hf_json_array_close(writer);
    }
    hf_json_object_close(writer);
    hf_topology_free(topology);
}

int hf_supervisor_journal_session(struct hf_supervisor *s)
{
    struct hf_json_writer *writer = hf_run_begin_record(s->run, HF_RECORD_SESSION_BEGIN);
    struct hf_text cpus;
    int list[HF_CPUS_MAX];

    for (int i = 0; i < s->real_cpu_count; i++)
        list[i] = s->real_cpus[i];
    hf_text_init(&cpus, 65536);
    hf_text_add_cpu_list(&cpus, list, s->real_cpu_count);
    hf_json_u64(writer, "session", s->run->state.sessions + 1);
    hf_json_string(writer, "driver", s->options->driver->name);
    hf_json_number(writer, "clock_factor", s->run->clock_factor);
    hf_json_integer(writer, "workers", s->pool->worker_count);
    hf_json_string(writer, "cpus", cpus.bytes);
    if (s->options->unpark)
        hf_json_bool(writer, "unpark", 1);
    write_sizes(writer, &s->pool->shared->sizes);
    write_conditions(writer);
    if (!s->options->driver->is_simulated)
        write_places(writer, s->profile);
    hf_text_release(&cpus);
    if (hf_run_end_record(s->run, &s->error) != HF_OK)
        return s->error.code;
    return hf_journal_commit(s->run->journal, &s->error);
}
