/* reproduce: replays the failing slice of a recorded trial, with the same seed, ratio and company. */
#include <cjson/cJSON.h>
#include <stdio.h>
#include <string.h>

#include "base/memory.h"
#include "cli/options.h"
#include "cli/reproduce.h"
#include "cli/session.h"
#include "holdfast/clock.h"
#include "workloads/sizes.h"

static struct {
    const char *run, *profile;
    int json, accept, narrow;
    uint64_t trial;
    double for_s;
} settings;

static const struct hf_option options[] = {
    {"run", HF_OPTION_STRING, &settings.run, "DIR", "the run's directory", 0, 0},
    {"profile", HF_OPTION_STRING, &settings.profile, "FILE",
     "or the profile whose default directory holds it", 0, 0},
    {"trial", HF_OPTION_U64, &settings.trial, "N", "the failed trial (default: the last one that failed)", 0,
     0},
    {"for", HF_OPTION_DURATION, &settings.for_s, "TIME",
     "give up after this exposure (default: 3 times the old)", 0, 0},
    {"narrow", HF_OPTION_FLAG, &settings.narrow, NULL, "then find the smallest load that still fails", 0, 0},
    {"i-accept-the-risk", HF_OPTION_FLAG, &settings.accept, NULL, "needed to change a real machine", 0, 0},
    {"json", HF_OPTION_FLAG, &settings.json, NULL, "one JSON document on standard output", 0, 0},
    {0},
};

static const struct hf_usage usage = {
    "reproduce", "replays the failing slice of a recorded trial", options,
    "Group, ratio, company, kernel, pattern, operands and seeds are as recorded.\n"
    "--narrow takes kernels, company, cores and patterns away, as long as it fails\n"
    "as often, and writes what is left as a mix for verify --mix. After a reset the\n"
    "same command goes on.\n"
    "Exit status: 1 it failed again, 0 it held this time, 3 undecided.\n"};

static void note_begin(struct hf_recorded *recorded, const struct hf_event *event, int group_count)
{
    for (int g = 0; g < group_count; g++) {
        if (event->group != HF_GROUP_ALL && event->group != g)
            continue;
        recorded->trial_of[g] = event->trial;
        recorded->is_replay[g] = event->purpose == HF_PURPOSE_REPRODUCE;
        recorded->running[g] = event->group == HF_GROUP_ALL ? event->joint_step[g] : (int16_t)event->step;
    }
}

/* A trial of this very command: not what is meant by the last failure. */
static int is_replay(const struct hf_recorded *recorded, const struct hf_event *event, int group_count)
{
    int replay = 0;

    for (int g = 0; g < group_count; g++)
        replay |= recorded->trial_of[g] == event->trial && recorded->is_replay[g];
    return replay;
}

static void note_verdict(struct hf_recorded *recorded, const struct hf_event *event, int group_count)
{
    int ours =
        recorded->wanted != 0 ? event->trial == recorded->wanted : !is_replay(recorded, event, group_count);

    if (ours && event->verdict == HF_VERDICT_FAIL) {
        recorded->trial = event->trial;
        recorded->exposure_s = event->exposure_s;
        recorded->slice =
            recorded->mismatch_trial == event->trial ? recorded->mismatch_slice : recorded->last_slice;
        recorded->has_slice = 1;
        recorded->group = event->group;
        for (int g = 0; g < group_count && recorded->group < 0; g++) {
            if (recorded->trial_of[g] == event->trial)
                recorded->group = g; /* a reset names nobody: the trial's own, or the first of a joint one */
        }
        memcpy(recorded->step, recorded->running, sizeof recorded->step);
    }
    for (int g = 0; g < group_count; g++) {
        if (recorded->trial_of[g] == event->trial) {
            recorded->trial_of[g] = 0;
            recorded->running[g] = -1;
        }
    }
}

/* A reset hits all that ran: their verdicts follow one by one, and each had the others for company. */
static int replays_memory; /* the slice is of the mix `memory`, not of the run's own */

#define SLICES_KEPT 64 /* a mismatch is of one of the last slices */

struct reading {
    struct hf_recorded *recorded;
    int group_count;
    int in_reset;
    int16_t at_reset[HF_GROUPS_MAX];
    struct hf_sizes sizes;             /* of the session so far */
    uint64_t from_memory[SLICES_KEPT]; /* by number modulo their count: 1 + number of a slice of `memory` */
};

static int read_event(void *context, const struct hf_event *event, struct hf_error *error)
{
    struct reading *reading = context;

    (void)error;
    if (event->type == HF_EVENT_RESET) {
        reading->in_reset = 1;
        memcpy(reading->at_reset, reading->recorded->running, sizeof reading->at_reset);
    }
    if (event->type == HF_EVENT_TRIAL_BEGIN) {
        reading->in_reset = 0;
        note_begin(reading->recorded, event, reading->group_count);
    }
    if (event->type == HF_EVENT_VERDICT) {
        uint64_t before = reading->recorded->trial;

        note_verdict(reading->recorded, event, reading->group_count);
        if (reading->recorded->trial == event->trial && before != event->trial &&
            reading->sizes.source == HF_SIZES_GIVEN)
            hf_sizes_set(&reading->sizes); /* the pool takes given ones as they are */
        if (reading->recorded->trial == event->trial && before != event->trial)
            replays_memory =
                reading->from_memory[reading->recorded->slice % SLICES_KEPT] == 1 + reading->recorded->slice;
        if (reading->in_reset && reading->recorded->trial == event->trial && before != event->trial)
            memcpy(reading->recorded->step, reading->at_reset, sizeof reading->at_reset);
    }
    return HF_OK;
}

/* What the memory kernels of that session worked on; older journals do not say. */
static int read_sizes(struct reading *reading, const struct hf_json_reader *data, struct hf_error *error)
{
    struct hf_json_reader object;

    reading->sizes = *hf_sizes_get();
    if (!hf_json_has(data, "arena_bytes"))
        return HF_OK;
    if (hf_json_get_object(data, "arena_bytes", &object, error) != HF_OK)
        return error->code;
    for (int level = 1; level < HF_LEVELS; level++) {
        if (hf_json_get_u64(&object, hf_level_name(level), &reading->sizes.arena_bytes[level], error) !=
            HF_OK)
            return error->code;
    }
    reading->sizes.source = HF_SIZES_GIVEN;
    if (!hf_sizes_are_valid(&reading->sizes))
        return hf_json_fail(data, "arena_bytes", error, HF_E_RANGE,
                            "are no sizes that a memory kernel can have");
    return HF_OK;
}

/* Slices of a baseline's proof come from another mix than the run's: their records name it. */
static int read_slice(struct reading *reading, const struct hf_json_reader *data, struct hf_error *error)
{
    uint64_t *last = &reading->recorded->last_slice;

    if (hf_json_get_u64(data, "slice", last, error) == HF_OK)
        reading->from_memory[*last % SLICES_KEPT] = hf_json_has(data, "mix") ? 1 + *last : 0;
    return error->code;
}

static int read_record(void *context, const struct hf_record *record, struct hf_error *error)
{
    struct reading *reading = context;
    struct hf_recorded *recorded = reading->recorded;

    if (record->type == HF_RECORD_SESSION_BEGIN)
        return read_sizes(reading, &record->data, error);
    if (record->type == HF_RECORD_SLICE)
        return read_slice(reading, &record->data, error);
    if (record->type == HF_RECORD_MISMATCH &&
        hf_json_get_u64(&record->data, "trial", &recorded->mismatch_trial, error) == HF_OK)
        return hf_json_get_u64(&record->data, "slice", &recorded->mismatch_slice, error);
    return error->code;
}

static int read_journal(struct hf_recorded *recorded, const char *directory, struct hf_error *error)
{
    struct reading reading = {.recorded = recorded, .group_count = HF_GROUPS_MAX};
    struct hf_run_options run_options = {.read_only = 1,
                                         .event_visitor = read_event,
                                         .event_context = &reading,
                                         .record_visitor = read_record,
                                         .record_context = &reading};
    struct hf_run *run;

    memset(recorded->running, 0xff, sizeof recorded->running);
    if (hf_run_open(directory, &run_options, &run, error) != HF_OK)
        return error->code;
    hf_run_close(run);
    if (recorded->trial == 0 && recorded->wanted != 0)
        return hf_fail(error, HF_E_NOT_FOUND, "trial %llu did not fail or does not exist in this run",
                       (unsigned long long)recorded->wanted);
    if (recorded->trial == 0)
        return hf_fail(error, HF_E_NOT_FOUND,
                       "no trial of this run has failed: there is nothing to reproduce");
    return HF_OK;
}

static void print_result(const struct hf_session *session, const struct hf_recorded *recorded,
                         const struct hf_fixed_director *fixed)
{
    int g = recorded->group;
    struct hf_slice slice;
    struct hf_json_writer writer;
    struct hf_text text;

    hf_mix_slice(&session->mix, session->profile->seed, recorded->slice, &slice);
    if (!settings.json) {
        char served[HF_TIME_TEXT];

        hf_duration_format(fixed->exposure_s[g], served);
        printf("trial %llu again: %s at ratio %.2f, slice %llu (%s, %s): %s, %s after %s\n",
               (unsigned long long)recorded->trial, session->profile->group[g].name,
               hf_profile_ratio(session->profile, fixed->step[g]), (unsigned long long)recorded->slice,
               hf_kernel_at(slice.kernel)->name, hf_pattern_name((enum hf_pattern)slice.pattern),
               hf_verdict_name(fixed->verdict[g]), hf_cause_name(fixed->cause[g]), served);
        return;
    }
    hf_text_init(&text, 65536);
    hf_json_begin(&writer, &text, 2);
    hf_json_object_open(&writer, NULL);
    hf_json_u64(&writer, "trial", recorded->trial);
    hf_json_string(&writer, "group", session->profile->group[g].name);
    hf_json_number(&writer, "ratio", hf_profile_ratio(session->profile, fixed->step[g]));
    hf_json_u64(&writer, "slice", recorded->slice);
    hf_json_string(&writer, "kernel", hf_kernel_at(slice.kernel)->name);
    hf_json_string(&writer, "pattern", hf_pattern_name((enum hf_pattern)slice.pattern));
    hf_json_string(&writer, "verdict", hf_verdict_name(fixed->verdict[g]));
    hf_json_string(&writer, "cause", hf_cause_name(fixed->cause[g]));
    hf_json_number(&writer, "exposure_s", fixed->exposure_s[g]);
    hf_json_number(&writer, "recorded_exposure_s", recorded->exposure_s);
    hf_json_object_close(&writer);
    printf("%s\n", text.bytes);
    hf_text_release(&text);
}

static int replay(struct hf_session *session, const struct hf_recorded *recorded, struct hf_error *error)
{
    double limit_s = settings.for_s > 0 ? settings.for_s : 3 * recorded->exposure_s + 60;
    struct hf_fixed_director fixed = {.mix = &session->mix,
                                      .seed = session->profile->seed,
                                      .replay = 1,
                                      .replay_slice = recorded->slice,
                                      .purpose = HF_PURPOSE_REPRODUCE,
                                      .limit_s = limit_s,
                                      .group_count = session->profile->group_count};
    struct hf_supervisor_result result;
    int status;

    memcpy(fixed.step, recorded->step, sizeof fixed.step);
    fixed.target[recorded->group] = 1;
    if (hf_session_run_fixed(session, &fixed, &result, error) != HF_OK) {
        status = hf_command_fail("reproduce", error);
    } else {
        enum hf_verdict verdict = fixed.verdict[recorded->group];

        print_result(session, recorded, &fixed);
        status = verdict == HF_VERDICT_FAIL ? 1 : verdict == HF_VERDICT_PASS ? 0 : 3;
    }
    hf_text_release(&result.words);
    return status;
}

static int reproduce(struct hf_recorded *recorded, struct hf_error *error)
{
    char directory[PATH_MAX];
    struct hf_session *session;
    int status;

    recorded->wanted = settings.trial;
    if (hf_session_directory(settings.run, settings.profile, directory, sizeof directory, error) != HF_OK ||
        read_journal(recorded, directory, error) != HF_OK)
        return hf_command_fail("reproduce", error);
    if (replays_memory)
        recorded->has_slice = 0; /* the narrowing knows the run's own mix only */
    if (settings.narrow)
        return hf_reproduce_narrow(&(struct hf_narrow_options){.directory = directory,
                                                               .accept_the_risk = settings.accept,
                                                               .json = settings.json,
                                                               .replay_s = settings.for_s},
                                   recorded, error);
    if (hf_session_open(&(struct hf_session_options){.command = "reproduce",
                                                     .run_directory = directory,
                                                     .accept_the_risk = settings.accept,
                                                     .json = settings.json},
                        &session, error) != HF_OK)
        return hf_command_fail("reproduce", error);
    if (replays_memory && hf_mix_builtin("memory", &session->mix, error) != HF_OK)
        status = hf_command_fail("reproduce", error);
    else
        status = replay(session, recorded, error);
    hf_session_close(session);
    return status;
}

int hf_command_reproduce(int argc, char **argv)
{
    struct hf_recorded *recorded;
    struct hf_error error = {0};
    int status;

    if (hf_options_parse(&usage, argc, argv, &status))
        return status;
    recorded = hf_allocate(1, sizeof *recorded);
    if (recorded == NULL) {
        (void)hf_fail(&error, HF_E_MEMORY, "no memory to read the journal");
        return hf_command_fail("reproduce", &error);
    }
    status = reproduce(recorded, &error);
    hf_free(recorded);
    return hf_command_end("reproduce", status);
}
