/* verify: one group, or all, at its certified, present or a given ratio, after a change. */
#include <math.h>
#include <stdio.h>
#include <string.h>

#include "cli/options.h"
#include "cli/session.h"
#include "holdfast/clock.h"
#include "holdfast/statistics.h"

static struct {
    const char *profile, *run, *group;
    int json, accept;
    double ratio, for_s, hours, confidence;
} settings;

static const struct hf_option options[] = {
    {"profile", HF_OPTION_STRING, &settings.profile, "FILE", "the machine's profile", 0, 0},
    {"run", HF_OPTION_STRING, &settings.run, "DIR", "the run's directory (default: by the profile's name)", 0,
     0},
    {"group", HF_OPTION_STRING, &settings.group, "NAME", "the group to judge (default: all)", 0, 0},
    {"ratio", HF_OPTION_NUMBER, &settings.ratio, "R", "at this ratio (default: as proved)", 1, 500},
    {"for", HF_OPTION_DURATION, &settings.for_s, "TIME",
     "exposure without a fault that accepts (default 20m)", 0, 0},
    {"claim-hours", HF_OPTION_NUMBER, &settings.hours, "H", "or: at most one fault in H hours", 0.001,
     100000},
    {"confidence", HF_OPTION_NUMBER, &settings.confidence, "C", "confidence of the claim (default 0.95)", 0.5,
     0.9999},
    {"i-accept-the-risk", HF_OPTION_FLAG, &settings.accept, NULL, "needed to change a real machine", 0, 0},
    {"json", HF_OPTION_FLAG, &settings.json, NULL, "one JSON document on standard output", 0, 0},
    {0},
};

static const struct hf_usage usage = {
    "verify", "one group, or all, after a change: accept or reject the claim", options,
    "The other groups keep it company. Ratios are those proved by the run, else the\n"
    "baselines.\n"
    "Times are run time: with a rig model they pass as fast as its clock.\n"
    "Exit status: 0 accepted, 1 a fault, 3 undecided (stopped, or void).\n"};

/* Exposure without a fault that proves the claim (NIST/SEMATECH e-Handbook 8.3.1): -ln(1-C) x hours. */
static double exposure_wanted_s(void)
{
    if (settings.hours > 0)
        return hf_exposure_needed(1 / settings.hours, settings.confidence) * 3600;
    return settings.for_s > 0 ? settings.for_s : 1200;
}

/* Proved by the run when its soak passed; else the baseline. */
static int step_of_group(const struct hf_session *session, int group)
{
    struct hf_plan_soak soak;

    hf_plan_soak(session->plan, &soak);
    if (session->run->state.finished && soak.step[group] >= 0)
        return soak.step[group];
    return session->profile->group[group].baseline_step;
}

static int choose_targets(const struct hf_session *session, struct hf_fixed_director *fixed,
                          struct hf_error *error)
{
    int wanted = HF_GROUP_ALL;
    int step = -1;

    if (settings.group != NULL &&
        hf_profile_group_of(session->profile, settings.group, &wanted, error) != HF_OK)
        return error->code;
    if (settings.ratio > 0 && hf_profile_step(session->profile, settings.ratio, &step, error) != HF_OK)
        return error->code;
    for (int g = 0; g < session->profile->group_count; g++) {
        const struct hf_profile_group *group = &session->profile->group[g];

        fixed->target[g] = (wanted == HF_GROUP_ALL || wanted == g) && !group->left_out;
        fixed->step[g] = group->left_out ? -1 : (int16_t)step_of_group(session, g);
        if (fixed->target[g] && step >= 0)
            fixed->step[g] = (int16_t)step;
        if (fixed->step[g] > group->highest_step)
            return hf_fail(
                error, HF_E_RANGE, "--ratio %.2f is above the highest ratio of %s in the profile, %.2f",
                settings.ratio, group->name, hf_profile_ratio(session->profile, group->highest_step));
    }
    return HF_OK;
}

static int status_of(const struct hf_fixed_director *fixed)
{
    int status = 0;

    for (int g = 0; g < fixed->group_count; g++) {
        if (fixed->target[g] && fixed->verdict[g] == HF_VERDICT_FAIL)
            return 1;
        if (fixed->target[g] && fixed->verdict[g] != HF_VERDICT_PASS)
            status = 3;
    }
    return status;
}

static void print_group(const struct hf_session *session, const struct hf_fixed_director *fixed, int g,
                        struct hf_json_writer *writer)
{
    double hours = fixed->exposure_s[g] / 3600;
    double limit =
        fixed->verdict[g] == HF_VERDICT_PASS ? hf_rate_upper_limit(0, hours, settings.confidence) : NAN;
    char served[HF_TIME_TEXT];
    char per_fault[HF_TIME_TEXT];

    hf_duration_format(fixed->exposure_s[g], served);
    hf_duration_format(3600 / limit, per_fault);
    if (!settings.json) {
        printf("%-10s ratio %.2f: %s, %s after %s", session->profile->group[g].name,
               hf_profile_ratio(session->profile, fixed->step[g]), hf_verdict_name(fixed->verdict[g]),
               hf_cause_name(fixed->cause[g]), served);
        if (fixed->verdict[g] == HF_VERDICT_PASS)
            printf("; at most one fault in %s, %.4g %% confidence", per_fault, settings.confidence * 100);
        printf("\n");
        return;
    }
    hf_json_object_open(writer, NULL);
    hf_json_string(writer, "name", session->profile->group[g].name);
    hf_json_number(writer, "ratio", hf_profile_ratio(session->profile, fixed->step[g]));
    hf_json_string(writer, "verdict", hf_verdict_name(fixed->verdict[g]));
    hf_json_string(writer, "cause", hf_cause_name(fixed->cause[g]));
    hf_json_number(writer, "exposure_s", fixed->exposure_s[g]);
    hf_json_number(writer, "rate_at_most_per_hour", limit);
    hf_json_number(writer, "confidence", settings.confidence);
    hf_json_object_close(writer);
}

static void print_result(const struct hf_session *session, const struct hf_fixed_director *fixed)
{
    struct hf_json_writer writer;
    struct hf_text text;

    hf_text_init(&text, 1024 * 1024);
    hf_json_begin(&writer, &text, 2);
    hf_json_object_open(&writer, NULL);
    hf_json_string(&writer, "run", session->directory);
    hf_json_array_open(&writer, "groups");
    for (int g = 0; g < session->profile->group_count; g++) {
        if (fixed->target[g])
            print_group(session, fixed, g, &writer);
    }
    hf_json_array_close(&writer);
    hf_json_object_close(&writer);
    if (settings.json)
        printf("%s\n", text.bytes);
    hf_text_release(&text);
}

static int verify(struct hf_session *session, struct hf_fixed_director *fixed, struct hf_error *error)
{
    struct hf_supervisor_result result;
    int status;

    if (choose_targets(session, fixed, error) != HF_OK)
        return hf_command_fail("verify", error);
    if (hf_session_run_fixed(session, fixed, &result, error) != HF_OK) {
        status = hf_command_fail("verify", error);
    } else {
        status = status_of(fixed);
        print_result(session, fixed);
        if (result.end != HF_END_FINISHED)
            fprintf(stderr, "holdfast verify: %s\n", result.words.bytes);
    }
    hf_text_release(&result.words);
    return status;
}

int hf_command_verify(int argc, char **argv)
{
    struct hf_fixed_director fixed;
    struct hf_session *session;
    struct hf_error error = {0};
    int status;

    settings.confidence = 0.95;
    if (hf_options_parse(&usage, argc, argv, &status))
        return status;
    if (hf_session_open(&(struct hf_session_options){.command = "verify",
                                                     .profile_path = settings.profile,
                                                     .run_directory = settings.run,
                                                     .accept_the_risk = settings.accept,
                                                     .json = settings.json},
                        &session, &error) != HF_OK)
        return hf_command_fail("verify", &error);
    fixed = (struct hf_fixed_director){.mix = &session->mix,
                                       .seed = session->profile->seed,
                                       .purpose = HF_PURPOSE_VERIFY,
                                       .limit_s = exposure_wanted_s(),
                                       .group_count = session->profile->group_count};
    status = verify(session, &fixed, &error);
    hf_session_close(session);
    return hf_command_end("verify", status);
}
