/* What a verdict's record says beyond its event: the load by kernel, temperatures, power, the true clock. */
#include <math.h>

#include "harness/supervisor_private.h"

static void write_load(struct hf_json_writer *writer, const char *name, int width_bits,
                       enum hf_pattern pattern, const struct hf_load_share *share)
{
    const struct hf_kernel *kernel = hf_kernel_find(name, width_bits);

    if (share->exposure_s <= 0 && share->blocks == 0)
        return;
    hf_json_object_open(writer, NULL);
    hf_json_string(writer, "kernel", name);
    hf_json_integer(writer, "width", kernel != NULL ? kernel->width_bits : 0);
    hf_json_string(writer, "pattern", hf_pattern_name(pattern));
    hf_json_number(writer, "exposure_s", share->exposure_s);
    hf_json_u64(writer, "blocks", share->blocks);
    hf_json_object_close(writer);
}

static void write_mix_load(struct hf_json_writer *writer, const struct hf_mix *mix,
                           const struct hf_load_share *share)
{
    for (int i = 0; i < mix->entry_count; i++)
        write_load(writer, mix->entry[i].kernel, mix->entry[i].width_bits, mix->entry[i].pattern, &share[i]);
}

/* A real machine's clock: the mean over the cores of their medians, and the core that was furthest below. */
static void write_clock(const struct hf_supervisor *s, const struct hf_trial *trial,
                        struct hf_json_writer *writer)
{
    double mhz = hf_sensing_mean_mhz(s, trial);
    struct hf_clock_verdict worst;
    double asked = 0;
    int groups = 0;

    (void)hf_sensing_clock(s, trial, &worst);
    if (worst.cpu < 0 || isnan(mhz))
        return;
    for (int g = 0; g < s->profile->group_count; g++) {
        if (!hf_trial_covers(trial, g))
            continue;
        asked += hf_profile_mhz(s->profile, hf_trial_step_of(trial, g));
        groups++;
    }
    hf_json_number(writer, "mhz_asked", asked / groups);
    hf_json_number(writer, "mhz_measured", mhz);
    hf_json_object_open(writer, "clock");
    hf_json_string(writer, "method", hf_clock_method_name(worst.method));
    hf_json_integer(writer, "worst_cpu", worst.cpu);
    hf_json_number(writer, "worst_mhz", worst.judgement.median_mhz);
    hf_json_number(writer, "worst_asked_mhz", worst.asked_mhz);
    hf_json_integer(writer, "believed", worst.judgement.believed);
    hf_json_integer(writer, "stolen", worst.judgement.stolen);
    hf_json_bool(writer, "throttled", worst.judgement.throttled);
    hf_json_object_close(writer);
}

/* Of the package. Energy over time is exact however unevenly it was read; a mean of readings is what is left
 * where there are only power sensors. */
static void write_power(const struct hf_trial *trial, struct hf_json_writer *writer)
{
    double seconds = (double)(trial->joules_to_ns - trial->joules_from_ns) * 1e-9;
    double joules = trial->joules_to - trial->joules_from;

    if (trial->watts_samples == 0)
        return;
    if (trial->joules_from_ns != 0 && seconds > 1 && joules > 0) {
        hf_json_number(writer, "joules", joules);
        hf_json_number(writer, "watts_mean", joules / seconds);
    } else {
        hf_json_number(writer, "watts_mean", trial->watts_sum / (double)trial->watts_samples);
    }
    hf_json_number(writer, "watts_highest", trial->watts_highest);
}

/* The hottest sensor of each role, by name. */
static void write_hottest(const struct hf_trial *trial, struct hf_json_writer *writer)
{
    int any = 0;

    for (int role = 0; role < HF_ROLE_COUNT; role++) {
        if (trial->hottest[role].sensor == NULL)
            continue;
        if (!any++)
            hf_json_array_open(writer, "hottest");
        hf_json_object_open(writer, NULL);
        hf_json_string(writer, "role", hf_sensor_role_name((enum hf_sensor_role)role));
        hf_json_string(writer, "sensor", trial->hottest[role].sensor);
        hf_json_number(writer, "celsius", trial->hottest[role].celsius);
        hf_json_object_close(writer);
    }
    if (any)
        hf_json_array_close(writer);
}

/* The verdict's payload beyond the event: load by kernel, temperatures, clock. */
void hf_verdict_write_detail(void *context, struct hf_json_writer *writer)
{
    const struct hf_verdict_detail *detail = context;
    const struct hf_trial *trial = detail->trial;

    hf_json_array_open(writer, "load");
    write_mix_load(writer, detail->mix, trial->share);
    for (int i = 0; i < detail->mix->entry_count; i++)
        write_load(writer, detail->mix->entry[i].company, 0, HF_PATTERN_STEADY, &trial->company[i]);
    write_mix_load(writer, detail->memory_mix, trial->memory);
    hf_json_array_close(writer);
    hf_json_u64(writer, "slice", detail->slice_number);
    if (trial->samples > 0) {
        hf_json_number(writer, "celsius_highest", trial->celsius_highest);
        hf_json_number(writer, "celsius_mean", trial->celsius_sum / (double)trial->samples);
        if (trial->mhz_asked_sum > 0) {
            hf_json_number(writer, "mhz_asked", trial->mhz_asked_sum / (double)trial->samples);
            hf_json_number(writer, "mhz_measured", trial->mhz_sum / (double)trial->samples);
        }
    }
    write_power(trial, writer);
    write_hottest(trial, writer);
    write_clock(detail->supervisor, trial, writer);
    if (detail->words != NULL && detail->words[0] != '\0')
        hf_json_string(writer, "detail", detail->words);
}
