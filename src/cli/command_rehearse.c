/* holdfast rehearse: whole nights against the rig model in virtual time. */
#include <math.h>
#include <stdio.h>
#include <string.h>
#include <unistd.h>

#include "cli/options.h"
#include "holdfast/json.h"
#include "holdfast/plan_config.h"
#include "holdfast/profile.h"
#include "holdfast/rehearse.h"

#define OUTPUT_MAX     (64 * 1024)
#define APPLY_COST_S   1.0  /* what the rig driver needs for a change */
#define CHECK_PERIOD_S 0.02 /* a block of work */

static struct rehearse_settings {
    int rigs, groups, cores, json;
    uint64_t seed;
    const char *method, *profile;
} settings;

static const struct hf_option options[] = {
    {"rigs", HF_OPTION_INTEGER, &settings.rigs, "N", "so many nights, each with its own rig", 1, 100000},
    {"seed", HF_OPTION_U64, &settings.seed, "S", "of the first rig; the next have S+1, S+2, ...", 0, 0},
    {"method", HF_OPTION_STRING, &settings.method, "M", "step-up, bisect or belief; default: all three", 0,
     0},
    {"groups", HF_OPTION_INTEGER, &settings.groups, "G", "core groups of a rig", 1, HF_RIG_GROUPS_MAX},
    {"cores", HF_OPTION_INTEGER, &settings.cores, "C", "cores of a group", 1, HF_RIG_CORES_MAX},
    {"profile", HF_OPTION_STRING, &settings.profile, "FILE", "rig and search sections of this profile", 0, 0},
    {"json", HF_OPTION_FLAG, &settings.json, NULL, "one JSON document on standard output", 0, 0},
    {0}};

static const struct hf_usage usage = {
    "rehearse", "whole nights against simulated rigs, in virtual time", options,
    "Without a profile: 20 rigs of 8 groups of 8 cores, seed 1, at most one fault in\n"
    "168 h, a soak of 6 h. Every group under trial runs the night mix. No worker is\n"
    "started and no setting of this machine is touched. The same options give the\n"
    "same nights. Exit status: 0 done, 2 bad usage or input.\n"};

/* What the nights are made of. */
struct stage {
    struct hf_rig_config rig;
    struct hf_plan_config plan;
};

static void stage_of_defaults(struct stage *stage)
{
    stage->rig = (struct hf_rig_config){.group_count = settings.groups, .cores_per_group = settings.cores};
    hf_rig_config_default(&stage->rig);
    hf_rehearse_plan_default(&stage->rig, &stage->plan);
}

static int stage_of_profile(struct stage *stage, struct hf_error *error)
{
    const struct hf_plan_costs costs = {.apply_s = APPLY_COST_S, .check_period_s = CHECK_PERIOD_S};
    struct hf_profile *profile;
    enum hf_plan_method method;

    if (hf_profile_read(settings.profile, &profile, error) != HF_OK)
        return error->code;
    hf_rig_config_of_profile(profile, &stage->rig);
    (void)hf_plan_config_of_profile(profile, &costs, NULL, &stage->plan, &method, error);
    hf_profile_free(profile);
    if (settings.groups > 0)
        stage->rig.group_count = settings.groups;
    if (settings.cores > 0)
        stage->rig.cores_per_group = settings.cores;
    return error->code;
}

/* Shows a person at a terminal that something happens. */
static void show_progress(void *context, const struct hf_rehearse_night *night)
{
    const char *method = context;

    fprintf(stderr, "\r%s: night %d of %d\033[K", method, night->number + 1, settings.rigs);
    if (night->number + 1 == settings.rigs)
        fprintf(stderr, "\r\033[K");
}

static int rehearse_method(const struct stage *stage, enum hf_plan_method method,
                           struct hf_rehearse_result *ret_result, struct hf_error *error)
{
    struct hf_rehearse_options run = {
        .rigs = settings.rigs,
        .seed = settings.seed,
        .method = method,
        .groups = stage->rig.group_count,
        .cores = stage->rig.cores_per_group,
        .rig = &stage->rig,
        .plan = &stage->plan,
        .clock = &hf_clock_real,
        .context = (void *)(uintptr_t)hf_plan_method_name(method),
    };

    if (!settings.json && isatty(STDERR_FILENO))
        run.progress = show_progress;
    return hf_rehearse(&run, ret_result, error);
}

/* --- output --- */

static void write_members(struct hf_json_writer *writer, const struct stage *stage,
                          const struct hf_rehearse_result *result)
{
    hf_json_integer(writer, "rigs", result->rigs);
    hf_json_string(writer, "method", hf_plan_method_name(result->method));
    hf_json_number(writer, "soak_hours", result->soak_hours);
    hf_json_number(writer, "hours_median", result->hours_median);
    hf_json_number(writer, "hours_p90", result->hours_p90);
    hf_json_number(writer, "search_hours_median", result->search_hours_median);
    hf_json_number(writer, "resets_mean", result->resets_mean);
    hf_json_number(writer, "steps_left_mean", result->steps_left_mean);
    hf_json_number(writer, "above_limit_rate", result->above_limit_rate);
    hf_json_number(writer, "false_claim_rate", result->false_claim_rate);
    hf_json_number(writer, "decision_ms_p99", result->decision_ms_p99);
    hf_json_integer(writer, "undecided", result->undecided);
    hf_json_number(writer, "false_expected_rate", result->false_expected_rate);
    hf_json_integer(writer, "groups", stage->rig.group_count);
    hf_json_integer(writer, "cores", stage->rig.cores_per_group);
    hf_json_u64(writer, "seed", settings.seed);
}

static void write_json(const struct stage *stage, const struct hf_rehearse_result *results, int count,
                       struct hf_text *text)
{
    struct hf_json_writer writer;

    hf_json_begin(&writer, text, 2);
    hf_json_object_open(&writer, NULL);
    if (count == 1) {
        write_members(&writer, stage, results);
    } else {
        hf_json_array_open(&writer, "methods");
        for (int i = 0; i < count; i++) {
            hf_json_object_open(&writer, NULL);
            write_members(&writer, stage, &results[i]);
            hf_json_object_close(&writer);
        }
        hf_json_array_close(&writer);
    }
    hf_json_object_close(&writer);
    hf_text_add_string(text, "\n");
}

/* A number in a column, or a dash where there is none. */
static void add_cell(struct hf_text *text, int width, int digits, double value, const char *unit)
{
    if (isfinite(value))
        hf_text_addf(text, " %*.*f%s", width, digits, value, unit);
    else
        hf_text_addf(text, " %*s%*s", width, "-", (int)strlen(unit), "");
}

static void write_table(const struct stage *stage, const struct hf_rehearse_result *results, int count,
                        struct hf_text *text)
{
    hf_text_addf(text, "%d rigs of %d groups of %d cores, seed %llu, soak %.3g h\n\n", results[0].rigs,
                 stage->rig.group_count, stage->rig.cores_per_group, (unsigned long long)settings.seed,
                 results[0].soak_hours);
    hf_text_add_string(text,
                       "          night   night  search  resets  steps   groups  false  un-     decision\n"
                       "method    median  90 %    median  a night below   above   claims decided 99 %\n");
    for (int i = 0; i < count; i++) {
        const struct hf_rehearse_result *result = &results[i];

        hf_text_addf(text, "%-8s", hf_plan_method_name(result->method));
        add_cell(text, 5, 1, result->hours_median, " h");
        add_cell(text, 5, 1, result->hours_p90, " h");
        add_cell(text, 5, 1, result->search_hours_median, " h");
        add_cell(text, 6, 1, result->resets_mean, "");
        add_cell(text, 6, 2, result->steps_left_mean, "");
        add_cell(text, 5, 1, 100.0 * result->above_limit_rate, " %");
        add_cell(text, 5, 1, 100.0 * result->false_claim_rate, " %");
        hf_text_addf(text, " %4d  ", result->undecided);
        add_cell(text, 7, 3, result->decision_ms_p99, " ms");
        hf_text_add_string(text, "\n");
    }
    hf_text_add_string(text,
                       "\nnight: run time to the certificates; search: until the soak that passed began;\n"
                       "steps below: true limit minus certified ratio; groups above: certified above\n"
                       "their true limit; false claims: certificates whose demonstrated bound is below\n"
                       "the true rate. An undecided night counts as 400 h.\n");
}

static int print_results(const struct stage *stage, const struct hf_rehearse_result *results, int count,
                         struct hf_error *error)
{
    struct hf_text text;

    hf_text_init(&text, OUTPUT_MAX);
    if (settings.json)
        write_json(stage, results, count, &text);
    else
        write_table(stage, results, count, &text);
    if (text.overflowed)
        (void)hf_fail(error, HF_E_MEMORY, "no room for the output");
    else
        (void)fwrite(text.bytes, 1, text.size, stdout);
    hf_text_release(&text);
    return error->code;
}

/* --- the command --- */

static int run_methods(const struct stage *stage, struct hf_error *error)
{
    struct hf_rehearse_result results[HF_METHOD_COUNT];
    int only = settings.method != NULL ? hf_plan_method_of_name(settings.method) : -1;
    int count = 0;

    for (int method = 0; method < HF_METHOD_COUNT; method++) {
        if (only >= 0 && method != only)
            continue;
        if (rehearse_method(stage, (enum hf_plan_method)method, &results[count], error) != HF_OK)
            return error->code;
        count++;
    }
    return print_results(stage, results, count, error);
}

int hf_command_rehearse(int argc, char **argv)
{
    struct hf_error error = {0};
    struct stage stage;
    int status;

    settings = (struct rehearse_settings){.rigs = 20, .seed = 1};
    if (hf_options_parse(&usage, argc, argv, &status))
        return status;
    if (settings.method != NULL && hf_plan_method_of_name(settings.method) < 0)
        (void)hf_fail(&error, HF_E_USAGE,
                      "there is no method \"%.40s\"; choose one of step-up, bisect, belief", settings.method);
    else if (settings.profile != NULL)
        (void)stage_of_profile(&stage, &error);
    else
        stage_of_defaults(&stage);
    if (error.code == HF_OK)
        (void)run_methods(&stage, &error);
    if (error.code != HF_OK)
        return hf_command_fail("rehearse", &error);
    return hf_command_end("rehearse", 0);
}
