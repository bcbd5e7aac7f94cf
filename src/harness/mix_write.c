#include "harness/mix_write.h"

#include "holdfast/json.h"

/* Only the keys that the entry's pattern has a use for: the parser refuses others. */
static void write_entry(struct hf_json_writer *writer, const struct hf_mix_entry *entry)
{
    hf_json_object_open(writer, NULL);
    hf_json_string(writer, "kernel", entry->kernel);
    if (entry->width_bits != 0)
        hf_json_integer(writer, "width_bits", entry->width_bits);
    hf_json_string(writer, "pattern", hf_pattern_name(entry->pattern));
    if (entry->solo_kernel[0] != '\0')
        hf_json_string(writer, "solo_kernel", entry->solo_kernel);
    else if (entry->pattern != HF_PATTERN_STEADY)
        hf_json_string(writer, "sync", hf_sync_name(entry->sync));
    if (entry->stream_kernel[0] != '\0')
        hf_json_string(writer, "stream_kernel", entry->stream_kernel);
    if (entry->company[0] != '\0')
        hf_json_string(writer, "company", entry->company);
    if (entry->period_s > 0) {
        hf_json_number(writer, "period_us", entry->period_s * 1e6);
        if (entry->period_high_s > entry->period_s)
            hf_json_number(writer, "period_high_us", entry->period_high_s * 1e6);
        hf_json_number(writer, "duty", entry->duty);
    }
    hf_json_number(writer, "weight", entry->weight);
    hf_json_object_close(writer);
}

void hf_mix_write(const struct hf_mix *mix, struct hf_text *text)
{
    struct hf_json_writer writer;

    hf_json_begin(&writer, text, 2);
    hf_json_object_open(&writer, NULL);
    hf_json_string(&writer, "name", mix->name);
    if (mix->slice_low_s > 0)
        hf_json_number(&writer, "slice_low_s", mix->slice_low_s);
    if (mix->slice_high_s > 0)
        hf_json_number(&writer, "slice_high_s", mix->slice_high_s);
    hf_json_array_open(&writer, "entries");
    for (int i = 0; i < mix->entry_count; i++)
        write_entry(&writer, &mix->entry[i]);
    hf_json_array_close(&writer);
    hf_json_object_close(&writer);
    hf_text_add_string(text, "\n");
}
