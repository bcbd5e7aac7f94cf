/* holdfast rehearse: whole nights against the rig model in virtual time. */
#include <assert.h>
#include <math.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <unistd.h>

#include "cli/options.h"
#include "harness/rehearse_jobs.h"
#include "harness/supervisor_private.h"
#include "holdfast/clock.h"
#include "holdfast/json.h"
#include "holdfast/plan_config.h"
#include "holdfast/profile.h"
#include "holdfast/rehearse.h"

#define OUTPUT_MAX (64 * 1024)
#define EDGE_SHARE                                                                                           \
    0.6                  /* without a rig section: where edges are taken to lie between baseline and highest \
                          */
#define STEEP_NATS   2.3 /* per 25 MHz: the ends of what is plausible (docs/rig-model.md) */
#define SHALLOW_NATS 0.9
#define BAR_CELLS    24
#define REDRAW_NS    INT64_C(200000000)

static struct rehearse_settings {
    int rigs, groups, cores, jobs, json, worst;
    uint64_t seed;
    const char *method, *profile, *family, *oddities;
} settings;

static const struct hf_option options[] = {
    {"rigs", HF_OPTION_INTEGER, &settings.rigs, "N", "so many nights, each with its own rig", 1, 100000},
    {"seed", HF_OPTION_U64, &settings.seed, "S", "of the first rig; the next have S+1, S+2, ...", 0, 0},
    {"method", HF_OPTION_CHOICE, &settings.method, "step-up|bisect|belief", "(default: all three)", 0, 0},
    {"groups", HF_OPTION_INTEGER, &settings.groups, "G", "core groups of a rig", 1, HF_RIG_GROUPS_MAX},
    {"cores", HF_OPTION_INTEGER, &settings.cores, "C", "cores of a group", 1, HF_RIG_CORES_MAX},
    {"family", HF_OPTION_CHOICE, &settings.family, "steep|shallow", "2.3 or 0.9 nats a step, not 1.5", 0, 0},
    {"oddities", HF_OPTION_STRING, &settings.oddities, "LIST", "comma separated, or all; see below", 0, 0},
    {"profile", HF_OPTION_STRING, &settings.profile, "FILE", "the nights of this machine, in words", 0, 0},
    {"jobs", HF_OPTION_INTEGER, &settings.jobs, "J", "processes that share the nights", 1, HF_JOBS_MAX},
    {"worst", HF_OPTION_FLAG, &settings.worst, NULL, "show the worst night and how to replay it", 0, 0},
    {"json", HF_OPTION_FLAG, &settings.json, NULL, "one JSON document on standard output", 0, 0},
    {0}};

static const struct hf_usage usage = {
    "rehearse", "whole nights against simulated rigs, in virtual time", options,
    "Without a profile: 20 rigs of 8 groups of 8 cores, seed 1, at most one fault in\n"
    "168 h, a soak of 6 h; groups under trial run the night mix. With one: its\n"
    "groups, ratios, mix, claim, soak and method. No worker is started, no setting of\n"
    "this machine touched. The same options give the same nights, whatever --jobs.\n"
    "Oddities: hot-cores, flat-cores, weak-units, stretching, settings-lost.\n"
    "Exit status: 0 done, 2 bad usage or input.\n"};

/* What the nights are made of. */
struct stage {
    struct hf_rig_config rig;
    struct hf_plan_config plan;
    struct hf_load_slice mix[HF_MIX_ENTRIES_MAX]; /* of the profile */
    int mix_count;                                /* 0: the rig's night mix */
    int only;                                     /* the one method, or -1: all */
    int edge_assumed;                             /* the profile has no rig section */
    char name[HF_NAME_MAX];                       /* of the profile's machine */
};

/* --- the stage --- */

static void stage_of_defaults(struct stage *stage)
{
    stage->rig = (struct hf_rig_config){.group_count = settings.groups, .cores_per_group = settings.cores};
    hf_rig_config_default(&stage->rig);
    hf_rehearse_plan_default(&stage->rig, &stage->plan);
}

static int mix_of_profile(struct stage *stage, const struct hf_profile *profile, struct hf_error *error)
{
    struct hf_mix mix;

    if (profile->mix[0] != '\0')
        (void)hf_mix_builtin(profile->mix, &mix, error);
    else
        (void)hf_mix_parse(profile->mix_document.bytes, profile->mix_document.size, "the profile's mix", &mix,
                           error);
    if (error->code == HF_OK)
        hf_load_of_mix(&mix, stage->mix, &stage->mix_count);
    return error->code;
}

static void rig_of_profile(struct stage *stage, const struct hf_profile *profile)
{
    double low_mhz = hf_profile_mhz(profile, profile->group[0].baseline_step);
    double high_mhz = hf_profile_mhz(profile, profile->group[0].highest_step);

    hf_rig_config_of_profile(profile, &stage->rig);
    stage->edge_assumed = !profile->has_rig;
    if (stage->edge_assumed)
        stage->rig.edge_mhz = low_mhz + EDGE_SHARE * (high_mhz - low_mhz);
    if (settings.groups > 0)
        stage->rig.group_count = settings.groups;
    if (settings.cores > 0)
        stage->rig.cores_per_group = settings.cores;
}

static int stage_of_profile(struct stage *stage, struct hf_error *error)
{
    struct hf_profile *profile;
    enum hf_plan_method method;

    if (hf_profile_read(settings.profile, &profile, error) != HF_OK)
        return error->code;
    rig_of_profile(stage, profile);
    (void)snprintf(stage->name, sizeof stage->name, "%s", profile->name);
    if (mix_of_profile(stage, profile, error) == HF_OK &&
        hf_plan_config_of_profile(profile, NULL, settings.method, &stage->plan, &method, error) == HF_OK)
        stage->only = (int)method;
    hf_profile_free(profile);
    return error->code;
}

static void set_family(struct hf_rig_config *rig)
{
    if (settings.family != NULL)
        rig->slope_nats = strcmp(settings.family, "steep") == 0 ? STEEP_NATS : SHALLOW_NATS;
}

static int set_oddity(struct hf_rig_config *rig, const char *name, size_t length)
{
    static const char *const names[] = {"hot-cores", "flat-cores", "weak-units", "stretching",
                                        "settings-lost"};
    int all = length == 3 && strncmp(name, "all", 3) == 0;
    int known = all;

    for (int i = 0; i < 5; i++) {
        if (!all && (strlen(names[i]) != length || strncmp(names[i], name, length) != 0))
            continue;
        known = 1;
        rig->hot_cores = i == 0 ? 1 : rig->hot_cores;
        rig->flat_cores = i == 1 ? 1 : rig->flat_cores;
        rig->weak_units = i == 2 ? 1 : rig->weak_units;
        rig->stretching = i == 3 ? 1 : rig->stretching;
        rig->setting_lost_share = i == 4 ? HF_RIG_SETTING_LOST_SHARE : rig->setting_lost_share;
    }
    return known;
}

static int set_oddities(struct hf_rig_config *rig, struct hf_error *error)
{
    const char *at = settings.oddities;

    while (at != NULL) {
        size_t length = strcspn(at, ",");

        if (!set_oddity(rig, at, length))
            return hf_fail(error, HF_E_USAGE,
                           "there is no oddity \"%.*s\"; choose of hot-cores, flat-cores, weak-units, "
                           "stretching, settings-lost, or all",
                           (int)(length < 40 ? length : 40), at);
        at = at[length] == ',' ? at + length + 1 : NULL;
    }
    return HF_OK;
}

static int make_stage(struct stage *stage, struct hf_error *error)
{
    memset(stage, 0, sizeof *stage);
    stage->only = settings.method != NULL ? hf_plan_method_of_name(settings.method) : -1;
    assert(settings.method == NULL || stage->only >= 0);
    if (settings.profile == NULL)
        stage_of_defaults(stage);
    else if (stage_of_profile(stage, error) != HF_OK)
        return error->code;
    set_family(&stage->rig);
    return set_oddities(&stage->rig, error);
}

/* --- the nights --- */

struct progress {
    const char *method;
    int done;
    int64_t began_ns, drawn_ns;
};

/* For a person at a terminal: how far, and how much longer. */
static void show_progress(void *context, const struct hf_rehearse_night *night)
{
    struct progress *progress = context;
    int64_t now_ns = hf_clock_monotonic_ns(&hf_clock_real);
    char bar[BAR_CELLS + 1], left[HF_TIME_TEXT];
    int filled;

    (void)night;
    progress->done++;
    if (now_ns - progress->drawn_ns < REDRAW_NS && progress->done < settings.rigs)
        return;
    progress->drawn_ns = now_ns;
    filled = (int)((int64_t)BAR_CELLS * progress->done / settings.rigs);
    memset(bar, '.', BAR_CELLS);
    memset(bar, '#', (size_t)filled);
    bar[BAR_CELLS] = '\0';
    hf_duration_format((double)(now_ns - progress->began_ns) * 1e-9 / progress->done *
                           (settings.rigs - progress->done),
                       left);
    fprintf(stderr, "\r%-8s [%s] night %d of %d, %s left\033[K", progress->method, bar, progress->done,
            settings.rigs, left);
    if (progress->done == settings.rigs)
        fprintf(stderr, "\r\033[K");
}

static int rehearse_method(const struct stage *stage, enum hf_plan_method method,
                           struct hf_rehearse_result *ret_result, struct hf_error *error)
{
    struct progress progress = {.method = hf_plan_method_name(method),
                                .began_ns = hf_clock_monotonic_ns(&hf_clock_real)};
    struct hf_rehearse_options run = {
        .rigs = settings.rigs,
        .seed = settings.seed,
        .method = method,
        .groups = stage->rig.group_count,
        .cores = stage->rig.cores_per_group,
        .rig = &stage->rig,
        .plan = &stage->plan,
        .mix = stage->mix_count > 0 ? stage->mix : NULL,
        .mix_count = stage->mix_count,
        .jobs = settings.jobs,
        .clock = &hf_clock_real,
        .context = &progress,
    };

    if (isatty(STDERR_FILENO))
        run.progress = show_progress;
    return hf_rehearse(&run, ret_result, error);
}

/* --- output --- */

/* The command that replays the worst night: night number n of seed S is night 0 of seed S + n. */
static void add_replay(struct hf_text *text, const struct hf_rehearse_result *result)
{
    hf_text_addf(text, "holdfast rehearse --rigs 1 --seed %llu --method %s",
                 (unsigned long long)result->worst.seed, hf_plan_method_name(result->method));
    if (settings.profile != NULL)
        hf_text_addf(text, " --profile %s", settings.profile);
    if (settings.groups > 0)
        hf_text_addf(text, " --groups %d", settings.groups);
    if (settings.cores > 0)
        hf_text_addf(text, " --cores %d", settings.cores);
    if (settings.family != NULL)
        hf_text_addf(text, " --family %s", settings.family);
    if (settings.oddities != NULL)
        hf_text_addf(text, " --oddities %s", settings.oddities);
}

static const char *outcome_name(enum hf_night_outcome outcome)
{
    return outcome == HF_NIGHT_FINISHED ? "finished" : outcome == HF_NIGHT_STOPPED ? "stopped" : "undecided";
}

static void write_worst(struct hf_json_writer *writer, const struct hf_rehearse_result *result)
{
    struct hf_text text;

    hf_text_init(&text, 8192);
    add_replay(&text, result);
    hf_json_object_open(writer, "worst");
    hf_json_integer(writer, "night", result->worst.number);
    hf_json_u64(writer, "seed", result->worst.seed);
    hf_json_string(writer, "outcome", outcome_name(result->worst.outcome));
    hf_json_number(writer, "hours", result->worst.hours);
    hf_json_integer(writer, "resets", result->worst.resets);
    hf_json_integer(writer, "steps_left", result->worst.steps_left);
    hf_json_string(writer, "command", text.bytes);
    hf_json_object_close(writer);
    hf_text_release(&text);
}

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
    hf_json_number(writer, "resets_p90", result->resets_p90);
    hf_json_integer(writer, "nights_above", result->nights_above);
    hf_json_integer(writer, "nights_false", result->nights_false);
    if (settings.worst)
        write_worst(writer, result);
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

static void write_worst_words(const struct hf_rehearse_result *results, int count, struct hf_text *text)
{
    for (int i = 0; i < count; i++) {
        const struct hf_rehearse_result *result = &results[i];

        hf_text_addf(text, "\nworst night of %s: %s after %.1f h, %d reset(s)",
                     hf_plan_method_name(result->method), outcome_name(result->worst.outcome),
                     result->worst.hours, result->worst.resets);
        if (result->worst.outcome == HF_NIGHT_FINISHED)
            hf_text_addf(text, ", worst group %d step(s) %s its true limit", abs(result->worst.steps_left),
                         result->worst.steps_left < 0 ? "above" : "below");
        hf_text_add_string(text, "\n  ");
        add_replay(text, result);
        hf_text_add_string(text, "\n");
    }
}

/* What somebody wants to know before the night: how long, how many resets, how good. */
static void write_words(const struct stage *stage, const struct hf_rehearse_result *result,
                        struct hf_text *text)
{
    const char *method = hf_plan_method_name(result->method);

    hf_text_addf(text, "Nights of %s with the method %s, rehearsed %d times on simulated rigs:\n\n",
                 stage->name, method, result->rigs);
    hf_text_addf(
        text,
        "How long?     %.1f h in half of the nights, %.1f h in nine of ten; the soak alone is %.1f h.\n",
        result->hours_median, result->hours_p90, result->soak_hours);
    hf_text_addf(text, "Resets?       %.1f a night, %.0f or fewer in nine of ten.\n", result->resets_mean,
                 floor(result->resets_p90));
    hf_text_addf(text,
                 "How close?    %.1f steps of %g MHz below the true limit on average; %.1f %% of the groups "
                 "above it.\n",
                 result->steps_left_mean, stage->rig.step_mhz, 100.0 * result->above_limit_rate);
    hf_text_addf(text, "How sure?     %.1f %% of the certificates claimed more than is true.\n",
                 100.0 * result->false_claim_rate);
    hf_text_addf(text, "Without one?  %d of %d nights ended without certificates%s.\n", result->undecided,
                 result->rigs, result->undecided > 0 ? "; they count as 400 h above" : "");
    if (stage->edge_assumed)
        hf_text_addf(text,
                     "\nThe profile says nothing of the chip (no \"rig\" section): edges are taken to lie "
                     "around %.0f MHz,\n"
                     "spread as the model's defaults are. A real chip's lie where they lie.\n",
                     stage->rig.edge_mhz);
}

static int print_results(const struct stage *stage, const struct hf_rehearse_result *results, int count,
                         struct hf_error *error)
{
    struct hf_text text;

    hf_text_init(&text, OUTPUT_MAX);
    if (settings.json)
        write_json(stage, results, count, &text);
    else if (settings.profile != NULL && count == 1)
        write_words(stage, results, &text);
    else
        write_table(stage, results, count, &text);
    if (settings.worst && !settings.json)
        write_worst_words(results, count, &text);
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
    int count = 0;

    for (int method = 0; method < HF_METHOD_COUNT; method++) {
        if (stage->only >= 0 && method != stage->only)
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

    settings = (struct rehearse_settings){.rigs = 20, .seed = 1, .jobs = 1};
    if (hf_options_parse(&usage, argc, argv, &status))
        return status;
    if (make_stage(&stage, &error) == HF_OK)
        (void)run_methods(&stage, &error);
    if (error.code != HF_OK)
        return hf_command_fail("rehearse", &error);
    return hf_command_end("rehearse", 0);
}
