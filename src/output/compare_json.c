/*
 * Many runs side by side as one JSON document:
 *   document "holdfast comparison", format, runs [{number, machine, directory, begun, state, simulated,
 * demonstrated {machine_hours, hours_per_fault} or null, trials, failed_trials, resets, conditions {...},
 * groups [{name, ratio, mhz, edge_ratio, edge_ratio_low, edge_ratio_high, hours_per_fault_lower, moved {from,
 * to, beyond_chance} or null, outlier}], against (a run's number, or null), changed {condition: {before,
 * now}}}], spread {...}. Runs are numbered from 1 in the order of machine and date. Unknown is null.
 */
#include <math.h>
#include <string.h>

#include "holdfast/clock.h"
#include "output/compare.h"

static void write_group(const struct hf_compare *compare, size_t run, int group,
                        struct hf_json_writer *writer)
{
    const struct compare_group *own = &compare->runs[run].group[group];
    struct compare_move move;

    hf_json_object_open(writer, NULL);
    hf_json_string(writer, "name", own->name);
    hf_json_number(writer, "ratio", own->ratio);
    hf_json_number(writer, "mhz", own->mhz);
    hf_json_number(writer, "edge_ratio", own->edge);
    hf_json_number(writer, "edge_ratio_low", own->edge_low);
    hf_json_number(writer, "edge_ratio_high", own->edge_high);
    hf_json_number(writer, "hours_per_fault_lower", own->hours_lower);
    if (compare_moved(compare, run, group, &move)) {
        hf_json_object_open(writer, "moved");
        hf_json_number(writer, "from", move.from);
        hf_json_number(writer, "to", move.to);
        if (move.beyond_chance < 0)
            hf_json_null(writer, "beyond_chance");
        else
            hf_json_bool(writer, "beyond_chance", move.beyond_chance);
        hf_json_object_close(writer);
    } else {
        hf_json_null(writer, "moved");
    }
    hf_json_bool(writer, "outlier",
                 compare_is_newest(compare, run) && compare_is_outlier(&compare->spread, own->ratio));
    hf_json_object_close(writer);
}

static void write_facts(const struct compare_run *run, struct hf_json_writer *writer)
{
    hf_json_object_open(writer, "conditions");
    for (int i = 0; i < compare_fact_count(); i++) {
        if (run->fact[i].words[0] != '\0')
            hf_json_string(writer, compare_fact_name(i), run->fact[i].words);
        else
            hf_json_null(writer, compare_fact_name(i));
    }
    hf_json_object_close(writer);
}

static void write_changes(const struct hf_compare *compare, size_t index, struct hf_json_writer *writer)
{
    const struct compare_run *run = &compare->runs[index];

    hf_json_object_open(writer, "changed");
    for (int i = 0; run->before != HF_EVIDENCE_NOTHING && i < compare_fact_count(); i++) {
        const char *before = compare->runs[run->before].fact[i].words;

        if (strcmp(before, run->fact[i].words) == 0)
            continue;
        hf_json_object_open(writer, compare_fact_name(i));
        hf_json_string(writer, "before", before);
        hf_json_string(writer, "now", run->fact[i].words);
        hf_json_object_close(writer);
    }
    hf_json_object_close(writer);
}

static void write_run(const struct hf_compare *compare, size_t index, struct hf_json_writer *writer)
{
    const struct compare_run *run = &compare->runs[index];
    char begun[HF_TIME_TEXT];

    hf_time_format(run->begun_wall_ns, begun);
    hf_json_object_open(writer, NULL);
    hf_json_integer(writer, "number", (int64_t)index + 1);
    hf_json_string(writer, "machine", run->machine);
    hf_evidence_write_path(writer, "directory", run->directory);
    hf_json_string(writer, "begun", begun);
    hf_json_string(writer, "state", run->spoiled ? "spoiled" : run->proved ? "proved" : "no proof");
    hf_json_bool(writer, "simulated", run->simulated);
    if (run->proved) {
        hf_json_object_open(writer, "demonstrated");
        hf_json_number(writer, "machine_hours", run->shown_hours);
        hf_json_number(writer, "hours_per_fault", run->hours_per_fault);
        hf_json_object_close(writer);
    } else {
        hf_json_null(writer, "demonstrated");
    }
    hf_json_integer(writer, "trials", run->trials);
    hf_json_integer(writer, "failed_trials", run->failures);
    hf_json_integer(writer, "resets", run->resets);
    write_facts(run, writer);
    hf_json_array_open(writer, "groups");
    for (int group = 0; group < run->group_count; group++)
        write_group(compare, index, group, writer);
    hf_json_array_close(writer);
    if (run->before == HF_EVIDENCE_NOTHING)
        hf_json_null(writer, "against");
    else
        hf_json_integer(writer, "against", (int64_t)run->before + 1);
    write_changes(compare, index, writer);
    hf_json_object_close(writer);
}

static void write_spread(const struct compare_spread *spread, struct hf_json_writer *writer)
{
    hf_json_object_open(writer, "spread");
    hf_json_integer(writer, "machines", spread->machines);
    hf_json_integer(writer, "limits", spread->count);
    hf_json_number(writer, "lowest", spread->lowest);
    hf_json_number(writer, "quarter", spread->quarter);
    hf_json_number(writer, "median", spread->median);
    hf_json_number(writer, "three_quarters", spread->three_quarters);
    hf_json_number(writer, "highest", spread->highest);
    hf_json_number(writer, "fence_low", spread->fence_low);
    hf_json_number(writer, "fence_high", spread->fence_high);
    hf_json_object_close(writer);
}

void hf_compare_json(const struct hf_compare *compare, struct hf_text *text)
{
    struct hf_json_writer writer;

    hf_json_begin(&writer, text, 2);
    hf_json_object_open(&writer, NULL);
    hf_json_string(&writer, "document", "holdfast comparison");
    hf_json_integer(&writer, "format", 1);
    hf_json_array_open(&writer, "runs");
    for (size_t i = 0; i < compare->run_count; i++)
        write_run(compare, i, &writer);
    hf_json_array_close(&writer);
    write_spread(&compare->spread, &writer);
    hf_json_object_close(&writer);
    hf_text_add_string(text, "\n");
}
