/* Mixes as mix files: the inverse of mix_parse.c. What has its default is left out. */
#include "holdfast/json.h"
#include "holdfast/mix.h"

/* Microseconds with twelve digits: what people wrote, without the rounding of seconds. */
static double microseconds(double seconds)
{
    char digits[40];

    (void)snprintf(digits, sizeof digits, "%.12g", seconds * 1e6);
    return strtod(digits, NULL);
}

static void write_entry(struct hf_json_writer *writer, const struct hf_mix_entry *entry)
{
    int has_period = entry->pattern == HF_PATTERN_SQUARE || entry->pattern == HF_PATTERN_TELEGRAPH ||
                     entry->pattern == HF_PATTERN_SWING;

    hf_json_object_open(writer, NULL);
    hf_json_string(writer, "kernel", entry->kernel);
    if (entry->width_bits != 0)
        hf_json_integer(writer, "width_bits", entry->width_bits);
    hf_json_string(writer, "pattern", hf_pattern_name(entry->pattern));
    if (entry->solo_kernel[0] != '\0')
        hf_json_string(writer, "solo_kernel", entry->solo_kernel);
    if (entry->stream_kernel[0] != '\0')
        hf_json_string(writer, "stream_kernel", entry->stream_kernel);
    if (entry->company[0] != '\0')
        hf_json_string(writer, "company", entry->company);
    if (has_period || entry->pattern == HF_PATTERN_WAKE)
        hf_json_string(writer, "sync", hf_sync_name(entry->sync));
    if (has_period) {
        hf_json_number(writer, "period_us", microseconds(entry->period_s));
        if (entry->period_high_s > entry->period_s)
            hf_json_number(writer, "period_high_us", microseconds(entry->period_high_s));
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
    hf_json_number(&writer, "slice_low_s", mix->slice_low_s);
    hf_json_number(&writer, "slice_high_s", mix->slice_high_s);
    hf_json_array_open(&writer, "entries");
    for (int i = 0; i < mix->entry_count; i++)
        write_entry(&writer, &mix->entry[i]);
    hf_json_array_close(&writer);
    hf_json_object_close(&writer);
    hf_text_add_string(text, "\n");
}
