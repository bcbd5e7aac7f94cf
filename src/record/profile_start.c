/*
 * A starting profile: what a survey found, conservative values, and null where only a person can know. The
 * parser refuses null, naming the key, so a profile that nobody has completed cannot start anything.
 */
#include <assert.h>
#include <string.h>

#include "holdfast/json.h"
#include "holdfast/profile.h"

static void write_ratio(struct hf_json_writer *writer, int is_rig)
{
    hf_json_object_open(writer, "ratio");
    if (is_rig) {
        hf_json_number(writer, "lowest", 34);
        hf_json_number(writer, "highest", 48);
    } else {
        hf_json_null(writer, "lowest");
        hf_json_null(writer, "highest");
    }
    hf_json_number(writer, "step", 0.25);
    if (is_rig)
        hf_json_number(writer, "baseline", 36);
    else
        hf_json_null(writer, "baseline");
    hf_json_object_close(writer);
}

static void write_groups(struct hf_json_writer *writer, const struct hf_profile_start *start)
{
    struct hf_text list;

    hf_json_array_open(writer, "groups");
    for (int group = 0; group < start->group_count; group++) {
        hf_text_init(&list, 65536);
        hf_text_add_cpu_list(&list, start->group_cpus[group], start->group_cpu_counts[group]);
        hf_json_object_open(writer, NULL);
        hf_json_string(writer, "name", start->group_names[group]);
        hf_json_string(writer, "cpus", list.bytes);
        hf_json_object_close(writer);
        hf_text_release(&list);
    }
    hf_json_array_close(writer);
}

static void write_search(struct hf_json_writer *writer)
{
    hf_json_object_open(writer, "search");
    hf_json_string(writer, "method", "belief");
    hf_json_number(writer, "claim_hours", 168);
    hf_json_number(writer, "confidence", 0.95);
    hf_json_number(writer, "soak_hours", 6);
    hf_json_object_close(writer);
}

void hf_profile_write_start(const struct hf_profile_start *start, struct hf_text *text)
{
    int is_rig = strcmp(start->driver, "rig") == 0;
    struct hf_json_writer writer;

    assert(start->group_count >= 1 && start->group_count <= HF_GROUPS_MAX);
    hf_json_begin(&writer, text, 2);
    hf_json_object_open(&writer, NULL);
    hf_json_integer(&writer, "format", 1);
    hf_json_string(&writer, "name", start->name);
    hf_json_string(
        &writer, "description",
        is_rig ? "a simulated processor on this machine's core groups"
               : "Fill in ratio: lowest and baseline known to hold, highest never to be passed (see the "
                 "maker's limits). Read the cautions first: heat, data loss, warranty.");
    hf_json_number(&writer, "base_clock_mhz", 100);
    write_ratio(&writer, is_rig);
    write_groups(&writer, start);
    hf_json_string(&writer, "driver", start->driver);
    if (!is_rig)
        hf_json_bool(&writer, "accept_the_risk", 0);
    hf_json_object_open(&writer, "temperature");
    hf_json_number(&writer, "limit_c", is_rig ? 95 : 85);
    hf_json_object_close(&writer);
    hf_json_string(&writer, "mix", "night");
    write_search(&writer);
    if (is_rig) {
        hf_json_object_open(&writer, "rig");
        hf_json_u64(&writer, "seed", 1);
        hf_json_object_close(&writer);
    }
    hf_json_object_close(&writer);
    hf_text_add_string(text, "\n");
}
