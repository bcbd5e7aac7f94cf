/*
 * reproduce --narrow: carries out what the narrowing (harness/narrow.h) asks, one session a question.
 *
 * The journal frames it with notes: "narrow begins: trial N", then "narrow question K: ..." before each, and
 * "narrow ends: ..." at last. The same command after a reset or a stop reads the answers of the questions
 * that stand in the journal, learns them again, and goes on within the last question. Trials have the purpose
 * reproduce.
 */
#include "cli/reproduce.h"

#include <inttypes.h>
#include <limits.h>
#include <math.h>
#include <stdio.h>
#include <string.h>

#include "base/memory.h"
#include "cli/options.h"
#include "cli/session.h"
#include "harness/narrow.h"
#include "holdfast/clock.h"
#include "holdfast/evidence.h"
#include "holdfast/mix.h"
#include "holdfast/plan_config.h"

#define BEGINS   "narrow begins: "
#define QUESTION "narrow question "
#define ENDS     "narrow ends: "
#define NOTE_MAX 400

struct narrowing {
    const struct hf_narrow_options *options;
    const struct hf_recorded *recorded;
    struct hf_session *session;
    struct hf_narrow search;
    struct hf_sequential_director director; /* of the present question; its tally sees every event */
    struct hf_mix mix;                      /* of the present question */
    int is_open;                            /* the journal has been read */
    int has_begun;                          /* the journal holds an unfinished narrowing of this trial */
    int asked;                              /* questions noted; answers[0 .. asked - 2] are complete */
    struct hf_sequential_tally answers[HF_NARROW_TRIES_MAX + 4];
    char path[PATH_MAX]; /* of the mix file */
};

/* --- the journal ------------------------------------------------------------------------------------- */

static void begin_question(struct narrowing *n)
{
    struct hf_sequential_tally *tally = n->director.tally;

    if (n->asked > 0)
        n->answers[n->asked - 1] = tally[n->recorded->group];
    n->asked++;
    memset(tally, 0, sizeof n->director.tally);
}

/* A note too long for us is none of ours. */
static int see_record(void *context, const struct hf_record *record, struct hf_error *error)
{
    struct narrowing *n = context;
    struct hf_error ignored = {0};
    char text[NOTE_MAX], begins[64];

    (void)error;
    if (n->is_open || record->type != HF_RECORD_NOTE ||
        hf_json_get_string(&record->data, "text", text, sizeof text, &ignored) != HF_OK)
        return HF_OK;
    (void)snprintf(begins, sizeof begins, BEGINS "trial %" PRIu64, n->recorded->trial);
    if (strncmp(text, BEGINS, strlen(BEGINS)) == 0 || strncmp(text, ENDS, strlen(ENDS)) == 0) {
        n->has_begun = strcmp(text, begins) == 0;
        n->asked = 0;
    } else if (strncmp(text, QUESTION, strlen(QUESTION)) == 0 && n->asked < HF_NARROW_TRIES_MAX + 4) {
        begin_question(n);
    }
    return HF_OK;
}

static int see_event(void *context, const struct hf_event *event, struct hf_error *error)
{
    struct narrowing *n = context;

    (void)error;
    hf_sequential_tally_observe(n->director.tally, HF_GROUPS_MAX, HF_PURPOSE_REPRODUCE, event);
    return HF_OK;
}

/* --- words ------------------------------------------------------------------------------------------- */

static int slice_entry(const struct narrowing *n)
{
    struct hf_slice slice;

    if (!n->recorded->has_slice)
        return -1;
    hf_mix_slice(&n->session->mix, n->session->profile->seed, n->recorded->slice, &slice);
    return slice.entry;
}

/* "fma-residue square + branch" */
static void add_entries(const struct narrowing *n, const struct hf_narrow_load *load, struct hf_text *text)
{
    const struct hf_mix *mix = &n->session->mix;
    const char *between = "";

    for (int i = 0; i < mix->entry_count; i++) {
        if (!load->entry[i])
            continue;
        hf_text_addf(text, "%s%s %s", between, mix->entry[i].kernel,
                     hf_pattern_name(load->pattern[i] ? mix->entry[i].pattern : HF_PATTERN_STEADY));
        between = " + ";
    }
}

static void add_company(const struct narrowing *n, const struct hf_narrow_load *load, struct hf_text *text)
{
    const char *between = "";

    for (int g = 0; g < n->session->profile->group_count; g++) {
        if (!load->company[g])
            continue;
        hf_text_addf(text, "%s%s", between, n->session->profile->group[g].name);
        between = ",";
    }
    if (between[0] == '\0')
        hf_text_add_string(text, "none");
}

static void add_cpus(const struct narrowing *n, const struct hf_narrow_load *load, struct hf_text *text)
{
    const struct hf_profile *profile = n->session->profile;
    const struct hf_profile_group *group = &profile->group[n->recorded->group];
    int list[HF_NARROW_CORES_MAX];
    int count = 0;

    for (int core = 0; core < group->cpu_count && core < HF_NARROW_CORES_MAX; core++) {
        if (load->core[core])
            list[count++] = profile->cpu[group->cpu_first + core];
    }
    for (int i = 0; i < count; i++)
        hf_text_addf(text, "%s%d", i > 0 ? "," : "", list[i]);
}

static void add_load(const struct narrowing *n, const struct hf_narrow_load *load, struct hf_text *text)
{
    if (hf_narrow_size(load, HF_NARROW_ENTRIES) <= 3)
        add_entries(n, load, text);
    else
        hf_text_addf(text, "%d entries of the mix", hf_narrow_size(load, HF_NARROW_ENTRIES));
    hf_text_add_string(text, ", CPU ");
    add_cpus(n, load, text);
    hf_text_add_string(text, ", company ");
    add_company(n, load, text);
}

/* --- one question ------------------------------------------------------------------------------------ */

static void make_mix(struct narrowing *n, const struct hf_narrow_load *load)
{
    const struct hf_mix *whole = &n->session->mix;

    n->mix = *whole;
    n->mix.entry_count = 0;
    (void)snprintf(n->mix.name, sizeof n->mix.name, "narrow-%" PRIu64, n->recorded->trial);
    for (int i = 0; i < whole->entry_count; i++) {
        struct hf_mix_entry entry = whole->entry[i];

        if (!load->entry[i])
            continue;
        if (!load->pattern[i]) {
            entry.pattern = HF_PATTERN_STEADY;
            entry.sync = HF_SYNC_FREE;
            entry.period_s = entry.period_high_s = entry.duty = 0;
            entry.solo_kernel[0] = entry.stream_kernel[0] = '\0';
        }
        n->mix.entry[n->mix.entry_count++] = entry;
    }
}

static void make_director(struct narrowing *n, const struct hf_narrow_trial *trial)
{
    struct hf_sequential_director *director = &n->director;
    const struct hf_narrow_load *load = &trial->load;
    int target = n->recorded->group;

    director->mix = &n->mix;
    director->replay_mix = trial->kind == HF_NARROW_REPLAY ? &n->session->mix : NULL;
    director->replay_slice = n->recorded->slice;
    director->seed = n->session->profile->seed;
    director->purpose = HF_PURPOSE_REPRODUCE;
    director->group_count = n->session->profile->group_count;
    memset(director->cores, 0, sizeof director->cores);
    for (int g = 0; g < director->group_count; g++) {
        director->target[g] = g == target;
        director->step[g] = g == target || load->company[g] ? n->recorded->step[g] : -1;
    }
    for (int core = 0; core < HF_NARROW_CORES_MAX; core++)
        director->cores[target] |= (uint32_t)load->core[core] << core;
    director->rule[target] = trial->rule;
}

static int note_question(struct narrowing *n, const struct hf_narrow_trial *trial, struct hf_error *error)
{
    struct hf_text text;

    begin_question(n);
    hf_text_init(&text, NOTE_MAX - 1);
    hf_text_addf(&text, QUESTION "%d: %s, ", n->asked, hf_narrow_kind_name(trial->kind));
    add_load(n, &trial->load, &text);
    hf_session_say(n->session, text.bytes);
    (void)hf_session_note(n->session, text.bytes, error);
    hf_text_release(&text);
    return error->code;
}

static const char *answer_words(const struct hf_narrow_trial *trial, const struct hf_sequential_tally *tally)
{
    switch (hf_sequential_state(&trial->rule, tally)) {
    case HF_TEST_ACCEPTED:
        return "it holds";
    case HF_TEST_REJECTED:
        return "it still fails";
    case HF_TEST_UNDECIDED:
        return "too many void trials";
    case HF_TEST_STOPPED:
    case HF_TEST_GOING_ON:
        break;
    }
    return trial->kind == HF_NARROW_TRY ? "undecided, taken as holding" : "measured";
}

static void say_answer(const struct narrowing *n, const struct hf_narrow_trial *trial,
                       const struct hf_sequential_tally *tally)
{
    char served[HF_TIME_TEXT], line[200];

    hf_duration_format(tally->served_s, served);
    (void)snprintf(line, sizeof line, "answer %d: %s, %d %s in %s", n->asked, answer_words(trial, tally),
                   tally->faults, tally->faults == 1 ? "fault" : "faults", served);
    hf_session_say(n->session, line);
}

/* Returns 1 when it was answered; 0: stopped on the way, or an error. */
static int ask(struct narrowing *n, const struct hf_narrow_trial *trial, struct hf_error *error)
{
    struct hf_supervisor_result result;
    struct hf_director director;
    int answered = 0;

    make_mix(n, &trial->load);
    make_director(n, trial);
    hf_sequential_director_start(&n->director, &director);
    if (hf_session_run_director(n->session, &director, &n->mix, &result, error) == HF_OK) {
        answered = hf_sequential_director_decided(&n->director);
        if (!answered)
            fprintf(stderr, "holdfast reproduce: %s\n", result.words.bytes);
    }
    hf_text_release(&result.words);
    if (answered)
        say_answer(n, trial, &n->director.tally[n->recorded->group]);
    return answered;
}

/* --- the search -------------------------------------------------------------------------------------- */

static void make_config(const struct narrowing *n, struct hf_narrow_config *ret_config)
{
    const struct hf_profile *profile = n->session->profile;
    const struct hf_mix *mix = &n->session->mix;
    struct hf_plan_costs costs;

    hf_plan_costs_of_profile(profile, &costs);
    *ret_config = (struct hf_narrow_config){.slice_entry = slice_entry(n),
                                            .recorded_s = n->recorded->exposure_s,
                                            .replay_s = n->options->replay_s,
                                            .floor_s = fmax(1, 2 * costs.check_period_s)};
    for (int i = 0; i < mix->entry_count; i++) {
        ret_config->whole.entry[i] = 1;
        ret_config->whole.pattern[i] = mix->entry[i].pattern != HF_PATTERN_STEADY;
    }
    for (int g = 0; g < profile->group_count; g++)
        ret_config->whole.company[g] = g != n->recorded->group && n->recorded->step[g] >= 0;
    for (int core = 0; core < profile->group[n->recorded->group].cpu_count && core < HF_NARROW_CORES_MAX;
         core++)
        ret_config->whole.core[core] = 1;
}

static int begin(struct narrowing *n, struct hf_error *error)
{
    struct hf_narrow_config config;
    char note[64];

    make_config(n, &config);
    hf_narrow_init(&n->search, &config);
    if (n->has_begun) { /* the answers that stand in the journal; the last question may not be over */
        for (int i = 0; i + 1 < n->asked && n->search.outcome == HF_NARROW_SEARCHING; i++)
            hf_narrow_learn(&n->search, &n->answers[i]);
        return HF_OK;
    }
    memset(n->director.tally, 0, sizeof n->director.tally);
    n->asked = 0;
    (void)snprintf(note, sizeof note, BEGINS "trial %" PRIu64, n->recorded->trial);
    return hf_session_note(n->session, note, error);
}

/* 1 when the search came to its end. */
static int search(struct narrowing *n, struct hf_error *error)
{
    struct hf_narrow_trial trial;
    int taken_up = n->has_begun && n->asked > 0;

    while (hf_narrow_next(&n->search, &trial)) {
        if (!taken_up && note_question(n, &trial, error) != HF_OK)
            return 0;
        taken_up = 0;
        if (!ask(n, &trial, error))
            return 0;
        hf_narrow_learn(&n->search, &n->director.tally[n->recorded->group]);
    }
    return 1;
}

/* --- the result -------------------------------------------------------------------------------------- */

static int write_mix(struct narrowing *n, struct hf_error *error)
{
    struct hf_text text;

    if (snprintf(n->path, sizeof n->path, "%s/narrow-%" PRIu64 ".json", n->session->directory,
                 n->recorded->trial) >= (int)sizeof n->path)
        return hf_fail(error, HF_E_RANGE, "the path of the mix file is too long");
    make_mix(n, &n->search.load);
    hf_text_init(&text, HF_MIX_BYTES_MAX);
    hf_mix_write(&n->mix, &text);
    (void)hf_text_write_private(&text, n->path, error);
    hf_text_release(&text);
    return error->code;
}

/* The verify command that runs the smallest load. */
static void add_command(const struct narrowing *n, struct hf_text *text)
{
    const struct hf_profile *profile = n->session->profile;
    int group = n->recorded->group;

    hf_text_addf(text, "holdfast verify --run %s --group %s --ratio %.2f --mix %s --company ",
                 n->session->directory, profile->group[group].name,
                 hf_profile_ratio(profile, n->recorded->step[group]), n->path);
    add_company(n, &n->search.load, text);
    hf_text_add_string(text, " --cpus ");
    add_cpus(n, &n->search.load, text);
}

static const char *outcome_words(enum hf_narrow_outcome outcome)
{
    switch (outcome) {
    case HF_NARROW_FOUND:
        return "found";
    case HF_NARROW_NOT_REPRODUCED:
        return "not-reproduced";
    case HF_NARROW_NOT_CONFIRMED:
        return "not-confirmed";
    case HF_NARROW_SEARCHING:
        break;
    }
    return "undecided";
}

static void print_found(const struct narrowing *n, struct hf_text *text)
{
    const struct hf_sequential_tally *last = &n->search.last;
    char mean[HF_TIME_TEXT], low[HF_TIME_TEXT], high[HF_TIME_TEXT];
    double mean_s, low_s, high_s;

    hf_narrow_mean(&n->search, &mean_s, &low_s, &high_s);
    hf_duration_format(mean_s, mean);
    hf_duration_format(low_s, low);
    hf_duration_format(high_s, high);
    hf_text_addf(text, "the smallest load that still fails: ");
    add_load(n, &n->search.load, text);
    hf_text_addf(text, "\nmean time to a fault %s (90 %% interval %s to %s, %d faults)", mean, low, high,
                 last->faults);
    if (last->cpu_known)
        hf_text_addf(text, "; CPU %d had %d of them", last->cpu, last->cpu_faults);
    hf_text_addf(text, "\nmix file: %s\nrun it: ", n->path);
    add_command(n, text);
    hf_text_add_string(text, "\n");
}

static void print_text(const struct narrowing *n, struct hf_text *text)
{
    const struct hf_sequential_tally *last = &n->search.last;
    char served[HF_TIME_TEXT], at_least[HF_TIME_TEXT];

    if (n->search.outcome == HF_NARROW_FOUND) {
        print_found(n, text);
        return;
    }
    hf_duration_format(last->served_s, served);
    hf_duration_format(last->served_s * 3600 / 3600 / fmax(1e-9, hf_rate_upper_limit(last->faults, 1, 0.95)),
                       at_least);
    if (n->search.outcome == HF_NARROW_NOT_REPRODUCED)
        hf_text_addf(text,
                     "trial %" PRIu64
                     " could not be reproduced: %d fault(s) in %s under everything that ran then; "
                     "at most one fault in %s, 95 %% confidence\n",
                     n->recorded->trial, last->faults, served, at_least);
    else
        hf_text_addf(text,
                     "the smallest load did not fail again when it was run anew (%d fault(s) in %s): "
                     "an answer on the way was wrong, or the failure comes and goes\n",
                     last->faults, served);
}

static void write_load(const struct narrowing *n, struct hf_json_writer *writer)
{
    struct hf_text text;

    hf_text_init(&text, 65536);
    add_entries(n, &n->search.load, &text);
    hf_json_string(writer, "load", text.bytes);
    hf_text_clear(&text);
    add_cpus(n, &n->search.load, &text);
    hf_json_string(writer, "cpus", text.bytes);
    hf_text_clear(&text);
    add_company(n, &n->search.load, &text);
    hf_json_string(writer, "company", text.bytes);
    hf_text_clear(&text);
    add_command(n, &text);
    hf_json_string(writer, "command", text.bytes);
    hf_text_release(&text);
    hf_evidence_write_path(writer, "mix", n->path);
}

static void print_json(const struct narrowing *n, struct hf_text *text)
{
    struct hf_json_writer writer;

    hf_json_begin(&writer, text, 2);
    hf_json_object_open(&writer, NULL);
    hf_json_u64(&writer, "trial", n->recorded->trial);
    hf_json_string(&writer, "group", n->session->profile->group[n->recorded->group].name);
    hf_json_string(&writer, "outcome", outcome_words(n->search.outcome));
    hf_json_integer(&writer, "questions", n->asked);
    if (n->search.outcome == HF_NARROW_FOUND) {
        double mean_s, low_s, high_s;

        hf_narrow_mean(&n->search, &mean_s, &low_s, &high_s);
        write_load(n, &writer);
        hf_json_number(&writer, "mean_s", mean_s);
        hf_json_number(&writer, "mean_s_low", low_s);
        hf_json_number(&writer, "mean_s_high", high_s);
        hf_json_number(&writer, "confidence", 0.90);
        hf_json_integer(&writer, "faults", n->search.last.faults);
        if (n->search.last.cpu_known) {
            hf_json_integer(&writer, "cpu", n->search.last.cpu);
            hf_json_integer(&writer, "cpu_faults", n->search.last.cpu_faults);
        }
    }
    hf_json_object_close(&writer);
    hf_text_add_string(text, "\n");
}

static int finish(struct narrowing *n, struct hf_error *error)
{
    static const int statuses[] = {[HF_NARROW_SEARCHING] = 3,
                                   [HF_NARROW_FOUND] = 1,
                                   [HF_NARROW_NOT_REPRODUCED] = 0,
                                   [HF_NARROW_NOT_CONFIRMED] = 3};
    char note[NOTE_MAX];
    struct hf_text text;

    if (n->search.outcome == HF_NARROW_FOUND && write_mix(n, error) != HF_OK)
        return hf_command_fail("reproduce", error);
    (void)snprintf(note, sizeof note, ENDS "trial %" PRIu64 ", %s", n->recorded->trial,
                   outcome_words(n->search.outcome));
    if (hf_session_note(n->session, note, error) != HF_OK)
        return hf_command_fail("reproduce", error);
    hf_text_init(&text, 65536);
    if (n->options->json)
        print_json(n, &text);
    else
        print_text(n, &text);
    (void)fwrite(text.bytes, 1, text.size, stdout);
    hf_text_release(&text);
    return statuses[n->search.outcome];
}

static int narrow_in_session(struct narrowing *n, struct hf_error *error)
{
    int status = 3;

    n->is_open = 1;
    if (begin(n, error) == HF_OK && search(n, error))
        status = finish(n, error);
    else if (error->code != HF_OK)
        status = hf_command_fail("reproduce", error);
    else if (n->options->json)
        printf("{\"trial\": \"%" PRIu64 "\", \"outcome\": \"undecided\", \"questions\": %d}\n",
               n->recorded->trial, n->asked);
    else
        printf("stopped; the same command goes on\n");
    return status;
}

int hf_reproduce_narrow(const struct hf_narrow_options *options, const struct hf_recorded *recorded,
                        struct hf_error *error)
{
    struct narrowing *n = hf_allocate(1, sizeof *n);
    int status;

    if (n == NULL) {
        (void)hf_fail(error, HF_E_MEMORY, "no memory for the narrowing");
        return hf_command_fail("reproduce", error);
    }
    n->options = options;
    n->recorded = recorded;
    if (hf_session_open(&(struct hf_session_options){.command = "reproduce",
                                                     .run_directory = options->directory,
                                                     .accept_the_risk = options->accept_the_risk,
                                                     .json = options->json,
                                                     .unpark = 1, /* a person asked for failures */
                                                     .observer = see_event,
                                                     .record_observer = see_record,
                                                     .observer_context = n},
                        &n->session, error) == HF_OK) {
        status = narrow_in_session(n, error);
        hf_session_close(n->session);
    } else {
        status = hf_command_fail("reproduce", error);
    }
    hf_free(n);
    return status;
}
