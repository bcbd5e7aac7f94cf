/*
 * A whole night in virtual time, written into a real run directory through the record library: the plan
 * proposes, a plain exponential rig answers (each group faults with rate exp(b (step - theta)) a minute), and
 * the journal gets what a harness would write. What the reports must say can then be computed apart from
 * them.
 */
#ifndef HOLDFAST_TESTS_OUTPUT_FIXTURE_H
#define HOLDFAST_TESTS_OUTPUT_FIXTURE_H

#include <math.h>

#include "../record/record_fixture.h"
#include "holdfast/evidence.h"
#include "holdfast/plan_config.h"
#include "holdfast/random.h"

struct night {
    int groups;
    uint64_t seed;
    double soak_hours;
    const char *method;    /* NULL: belief */
    double factor;         /* clock factor of the rig driver; 0: the sheet driver */
    const char *hostile;   /* NULL, or a string that turns up wherever a string may */
    int stop_after;        /* verdicts, then the journal ends; 0: to the end */
    int without_proof;     /* 1: no proof record */
    int exposure_lines;    /* so many exposure records per trial; 0: 3 */
    double mismatch_share; /* of failures that are wrong results; 0: 0.6 */
    int hardware_error_in_soak;
    const char *name;      /* of the machine; NULL: heron */
    double voltage_mv;     /* as entered; 0: 1150 */
    double theta_shift;    /* steps that every edge lies higher */
    uint64_t play_seed;    /* of what happens; 0: as the machine's */
    int day;               /* the run begins so many days later */
    const char *microcode; /* NULL: the usual one */
    int left_out;          /* group that is left out, -1 none: 0 means none here as well; give index + 1 */
    /* results */
    int true_limit[HF_GROUPS_MAX];
    double theta[HF_GROUPS_MAX];
    double slope;
    double soak_served_s;
    int failures, resets, verdicts, finished;
    uint64_t finished_records;
};

struct night_trial {
    uint64_t trial; /* 0: none open */
    struct hf_event begin;
    double begin_s, fault_s; /* exposure at which it fails; INFINITY */
    int victim;              /* group */
    int lines;
};

struct night_state {
    struct night *night;
    struct hf_run *run;
    struct hf_plan *plan;
    struct test_clock clock_state;
    struct hf_random random;
    struct night_trial open[HF_GROUPS_MAX];
    struct night_trial joint;
    uint64_t next_trial;
    double now_s;
    struct hf_error error;
};

/* A profile may hold no control characters; the journal may. */
static const char *night_profile_words(const struct night *night, const char *words)
{
    static char safe[200];
    size_t used = 0;

    if (night->hostile == NULL)
        return words;
    for (const char *at = night->hostile; *at != '\0' && used + 1 < sizeof safe; at++) {
        if ((unsigned char)*at >= 0x20 && *at != 0x7f)
            safe[used++] = *at;
    }
    safe[used] = '\0';
    return safe;
}

__attribute__((unused)) static void night_profile(const struct night *night, struct hf_text *text)
{
    struct hf_json_writer writer;

    hf_text_init(text, 200000);
    hf_json_begin(&writer, text, 1);
    hf_json_object_open(&writer, NULL);
    hf_json_integer(&writer, "format", 1);
    hf_json_string(&writer, "name", night->name ? night->name : "heron");
    hf_json_string(&writer, "description",
                   night_profile_words(night, "forecasting workstation of the tide office"));
    hf_json_object_open(&writer, "ratio");
    hf_json_number(&writer, "lowest", 34);
    hf_json_number(&writer, "highest", 48);
    hf_json_number(&writer, "step", 0.25);
    hf_json_number(&writer, "baseline", 36);
    hf_json_object_close(&writer);
    hf_json_array_open(&writer, "groups");
    for (int g = 0; g < night->groups; g++) {
        char words[32];

        hf_json_object_open(&writer, NULL);
        (void)snprintf(words, sizeof words, "g%d", g);
        hf_json_string(&writer, "name", words);
        (void)snprintf(words, sizeof words, "%d-%d", g * 4, g * 4 + 3);
        hf_json_string(&writer, "cpus", words);
        if (night->left_out == g + 1)
            hf_json_bool(&writer, "left_out", 1);
        hf_json_object_close(&writer);
    }
    hf_json_array_close(&writer);
    hf_json_string(&writer, "driver", night->factor > 0 ? "rig" : "sheet");
    hf_json_object_open(&writer, "search");
    hf_json_number(&writer, "soak_hours", night->soak_hours);
    hf_json_string(&writer, "method", night->method ? night->method : "belief");
    hf_json_u64(&writer, "seed", night->seed);
    hf_json_object_close(&writer);
    hf_json_object_open(&writer, "conditions");
    hf_json_number(&writer, "voltage_mv", night->voltage_mv > 0 ? night->voltage_mv : 1150);
    hf_json_number(&writer, "ambient_c", 21.5);
    hf_json_string(&writer, "note", night_profile_words(night, "side panel closed"));
    hf_json_object_close(&writer);
    if (night->factor > 0) {
        hf_json_object_open(&writer, "rig");
        hf_json_u64(&writer, "seed", 7);
        hf_json_number(&writer, "clock_factor", night->factor);
        hf_json_object_close(&writer);
    }
    hf_json_object_close(&writer);
}

__attribute__((unused)) static const char *night_words(const struct night *night, const char *words)
{
    return night->hostile ? night->hostile : words;
}

static double night_factor(const struct night *night)
{
    return night->factor > 0 ? night->factor : 1;
}

static int64_t night_first_ns(const struct night *night)
{
    return FIRST_WALL_NS + night->day * INT64_C(86400000000000);
}

/* The wall moves to the run time; the journal keeps milliseconds. */
static void night_clock(struct night_state *state)
{
    state->clock_state.wall_ns =
        night_first_ns(state->night) + (int64_t)(state->now_s / night_factor(state->night) * 1e9);
}

static int night_observe(void *context, const struct hf_event *event, struct hf_error *error)
{
    struct night_state *state = context;

    return hf_plan_observe(state->plan, event, error);
}

static void night_commit(struct night_state *state)
{
    struct hf_error error = state->error;

    assert_ok(hf_journal_commit(state->run->journal, &error));
}

static void night_event(struct night_state *state, const struct hf_event *event)
{
    struct hf_error error = {0};

    night_clock(state);
    assert_ok(hf_run_add_event(state->run, event, NULL, &error));
}

/* Two packages, the caches of 32 MiB; that of the last group is not told. */
__attribute__((unused)) static void night_places(const struct night *night, struct hf_json_writer *writer)
{
    static const char *const names[3] = {"package", "cache_level", "cache_bytes"};

    hf_json_object_open(writer, "places");
    for (int column = 0; column < 3; column++) {
        hf_json_array_open(writer, names[column]);
        for (int g = 0; g < night->groups; g++) {
            int told = g < night->groups - 1 || g == 0;

            if (column == 0)
                hf_json_integer(writer, NULL, 2 * g >= night->groups);
            else if (column == 1)
                hf_json_integer(writer, NULL, told ? 3 : 0);
            else
                hf_json_u64(writer, NULL, told ? 33554432 : 0);
        }
        hf_json_array_close(writer);
    }
    hf_json_object_close(writer);
}

__attribute__((unused)) static void night_boot_report(const struct night *night, struct night_state *state)
{
    struct hf_error error = {0};
    struct hf_json_writer *writer = hf_run_begin_record(state->run, HF_RECORD_BOOT_REPORT);

    hf_json_string(writer, "source", "firmware");
    hf_json_string(writer, "severity", "fatal");
    hf_json_integer(writer, "group", 0);
    hf_json_integer(writer, "cpu", 2);
    hf_json_string(writer, "text", night->hostile ? night->hostile : "cache error, level 2");
    assert_ok(hf_run_end_record(state->run, &error));
}

static void night_session(struct night_state *state)
{
    const struct night *night = state->night;
    struct hf_error error = {0};
    struct hf_json_writer *writer = hf_run_begin_record(state->run, HF_RECORD_SESSION_BEGIN);

    hf_json_u64(writer, "session", 1);
    hf_json_string(writer, "driver", night->factor > 0 ? "rig" : "sheet");
    hf_json_number(writer, "clock_factor", night_factor(night));
    hf_json_integer(writer, "workers", night->groups * 4);
    hf_json_string(writer, "cpus", "0-15");
    hf_json_object_open(writer, "conditions");
    hf_json_string(writer, "cpu_vendor", night_words(night, "InventedVendor"));
    hf_json_string(writer, "cpu_model", night_words(night, "Invented processor"));
    hf_json_integer(writer, "family", 25);
    hf_json_integer(writer, "model", 97);
    hf_json_integer(writer, "stepping", 2);
    hf_json_string(writer, "microcode", night->microcode ? night->microcode : "0xa601206");
    hf_json_string(writer, "kernel", "Linux 6.1");
    hf_json_string(writer, "smt", "off");
    hf_json_string(writer, "governor", "performance");
    hf_json_u64(writer, "memory_bytes", UINT64_C(68719476736));
    hf_json_string(writer, "firmware_version", "F.21");
    hf_json_bool(writer, "virtual_machine", 0);
    hf_json_string(writer, "build", "gcc 12.2.0, x86-64");
    hf_json_object_close(writer);
    if (night->factor <= 0)
        night_places(night, writer);
    assert_ok(hf_run_end_record(state->run, &error));
    if (night->factor <= 0)
        night_boot_report(night, state);
    if (night->without_proof)
        return;
    writer = hf_run_begin_record(state->run, HF_RECORD_PROOF);
    hf_json_string(writer, "cpus", "0-15");
    hf_json_integer(writer, "planted", night->groups * 4 * 11);
    hf_json_integer(writer, "reported", night->groups * 4 * 11);
    assert_ok(hf_run_end_record(state->run, &error));
    night_commit(state);
}

static double night_rate_per_s(const struct night *night, int group, int step)
{
    return exp(night->slope * (step - night->theta[group])) / 60;
}

static void night_begin(struct night_state *state, struct night_trial *trial,
                        const struct hf_proposal *proposal)
{
    struct night *night = state->night;

    *trial = (struct night_trial){.trial = state->next_trial++, .fault_s = INFINITY, .victim = HF_GROUP_NONE};
    trial->begin = (struct hf_event){
        .type = HF_EVENT_TRIAL_BEGIN,
        .trial = trial->trial,
        .purpose = proposal->purpose,
        .group = proposal->kind == HF_PROPOSAL_JOINT ? HF_GROUP_ALL : proposal->group,
        .step = proposal->step,
        .limit_s = proposal->limit_s,
        .cpu = -1,
    };
    memcpy(trial->begin.joint_step, proposal->joint_step, sizeof trial->begin.joint_step);
    for (int g = 0; g < night->groups; g++) {
        int step = trial->begin.group == HF_GROUP_ALL ? trial->begin.joint_step[g]
                   : trial->begin.group == g          ? trial->begin.step
                                                      : -1;
        double at;

        if (step < 0)
            continue;
        at = hf_random_exponential(&state->random) / night_rate_per_s(night, g, step);
        if (at < trial->fault_s) {
            trial->fault_s = at;
            trial->victim = g;
        }
    }
    if (trial->fault_s > trial->begin.limit_s)
        trial->fault_s = INFINITY;
    night_event(state, &trial->begin);
    state->now_s += 1;
    night_event(state, &(struct hf_event){.type = HF_EVENT_TRIAL_LOADED, .trial = trial->trial, .cpu = -1});
    night_commit(state);
    trial->begin_s = state->now_s;
}

struct night_verdict {
    const struct night *night;
    const struct night_trial *trial;
    double exposure_s;
    uint64_t blocks;
};

static const char *const night_kernels[] = {"fma-residue", "multiply", "aes-chain", "gather", "branch"};
static const int night_widths[] = {512, 64, 128, 256, 64};

static void night_verdict_detail(void *context, struct hf_json_writer *writer)
{
    const struct night_verdict *verdict = context;

    hf_json_array_open(writer, "load");
    for (int i = 0; i < 5; i++) {
        hf_json_object_open(writer, NULL);
        hf_json_string(writer, "kernel", i == 4 ? night_words(verdict->night, "branch") : night_kernels[i]);
        hf_json_integer(writer, "width", night_widths[i]);
        hf_json_string(writer, "pattern", i % 2 ? "square" : "steady");
        hf_json_number(writer, "exposure_s", verdict->exposure_s / 5);
        hf_json_u64(writer, "blocks", verdict->blocks / 5);
        hf_json_object_close(writer);
    }
    hf_json_array_close(writer);
    hf_json_number(writer, "celsius_highest", 71 + (double)(verdict->trial->trial % 7));
    hf_json_number(writer, "celsius_mean", 68.25);
    hf_json_number(writer, "mhz_asked", 4000);
    hf_json_number(writer, "mhz_measured", 3999.5);
    hf_json_object_open(writer, "clock");
    hf_json_string(writer, "method", "counters-acpi");
    hf_json_object_close(writer);
    hf_json_number(writer, "watts_mean", 180);
    hf_json_number(writer, "watts_highest", 200 + (double)(verdict->trial->trial % 7));
    hf_json_array_open(writer, "hottest");
    for (int i = 0; i < 2; i++) {
        hf_json_object_open(writer, NULL);
        hf_json_string(writer, "role", i == 0 ? "package" : "supply");
        hf_json_string(writer, "sensor",
                       i == 0 ? night_words(verdict->night, "coretemp@coretemp.0/temp1")
                              : "boardchip@boardchip.656/temp2");
        hf_json_number(writer, "celsius", (i == 0 ? 71 : 80) + (double)(verdict->trial->trial % 7));
        hf_json_object_close(writer);
    }
    hf_json_array_close(writer);
    hf_json_string(writer, "detail", night_words(verdict->night, "one sentence"));
}

static void night_mismatch(struct night_state *state, const struct night_trial *trial, double exposure_s)
{
    struct hf_error error = {0};
    struct hf_json_writer *writer = hf_run_begin_record(state->run, HF_RECORD_MISMATCH);
    int kernel = (int)(hf_random_uniform(&state->random) * 2.5);

    hf_json_u64(writer, "trial", trial->trial);
    hf_json_integer(writer, "group", trial->victim);
    hf_json_integer(writer, "cpu", trial->victim * 4 + 2);
    hf_json_integer(writer, "worker", trial->victim * 4 + 2);
    hf_json_u64(writer, "slice", (uint64_t)exposure_s);
    hf_json_string(writer, "kernel", night_kernels[kernel]);
    hf_json_integer(writer, "width", night_widths[kernel]);
    hf_json_string(writer, "isa", "reference");
    hf_json_string(writer, "operands", "full");
    hf_json_string(writer, "pattern", night_words(state->night, "square"));
    hf_json_string(writer, "sync", "all");
    hf_json_hex64(writer, "slice_seed", 0x1234567890abcdef);
    hf_json_u64(writer, "block", 17);
    hf_json_hex64(writer, "expected", 0xff00ff00ff00ff00);
    hf_json_hex64(writer, "got", 0xff00ff00ff40ff00);
    hf_json_hex64(writer, "xor", 0x400000);
    hf_json_integer(writer, "lane", 3);
    hf_json_bool(writer, "agreed", 1);
    assert_ok(hf_run_end_record(state->run, &error));
}

static void night_close(struct night_state *state, struct night_trial *trial, enum hf_verdict verdict,
                        enum hf_cause cause, int indicted)
{
    struct night *night = state->night;
    double served_s = fmin(state->now_s - trial->begin_s, trial->begin.limit_s);
    struct hf_event event = {.type = HF_EVENT_VERDICT,
                             .trial = trial->trial,
                             .verdict = verdict,
                             .cause = cause,
                             .group = indicted,
                             .cpu = -1,
                             .exposure_s = served_s,
                             .blocks = (uint64_t)(served_s * 50)};
    struct night_verdict detail = {night, trial, served_s, event.blocks};
    struct hf_error error = {0};

    night_clock(state);
    if (verdict == HF_VERDICT_FAIL && cause != HF_CAUSE_MACHINE_RESET) {
        event.cpu = trial->victim * 4 + 2;
        if (cause == HF_CAUSE_WRONG_RESULT)
            night_mismatch(state, trial, served_s);
    }
    if (verdict == HF_VERDICT_PASS && trial->begin.purpose == HF_PURPOSE_SOAK)
        night->soak_served_s = served_s;
    assert_ok(hf_run_add_event_with(state->run, &event, NULL, night_verdict_detail, &detail, &error));
    night->failures += verdict == HF_VERDICT_FAIL;
    night->verdicts++;
    trial->trial = 0;
    night_commit(state);
}

static void night_reset(struct night_state *state)
{
    night_event(state, &(struct hf_event){.type = HF_EVENT_RESET, .group = HF_GROUP_NONE, .cpu = -1});
    state->night->resets++;
    for (int g = -1; g < state->night->groups; g++) {
        struct night_trial *trial = g < 0 ? &state->joint : &state->open[g];

        if (trial->trial != 0)
            night_close(state, trial, HF_VERDICT_FAIL, HF_CAUSE_MACHINE_RESET, HF_GROUP_NONE);
    }
    state->now_s += 180;
}

/* What becomes due next: a fault, a served trial or an exposure line. Returns 0 when nothing is open. */
static int night_advance(struct night_state *state)
{
    struct night_trial *next = NULL;
    double when = INFINITY;
    int lines = state->night->exposure_lines ? state->night->exposure_lines : 3;
    int is_line = 0;

    for (int g = -1; g < state->night->groups; g++) {
        struct night_trial *trial = g < 0 ? &state->joint : &state->open[g];
        double ends = trial->begin_s + fmin(trial->fault_s, trial->begin.limit_s);
        double line = trial->begin_s + trial->begin.limit_s * (trial->lines + 1) / (lines + 1);

        if (trial->trial == 0)
            continue;
        if (trial->lines < lines && line < ends)
            ends = line;
        if (ends < when) {
            when = ends;
            next = trial;
            is_line = trial->lines < lines && ends == line;
        }
    }
    if (next == NULL)
        return 0;
    state->now_s = fmax(when, state->now_s);
    if (is_line) {
        double served_s = fmin(state->now_s - next->begin_s, next->begin.limit_s);
        struct hf_event event = progress_of(next->trial, served_s, (uint64_t)(served_s * 50));
        struct hf_error error = {0};

        next->lines++;
        night_clock(state);
        assert_ok(hf_run_add_exposure(state->run, &event, 1, &error));
        if (next->lines % 500 == 0)
            night_commit(state);
        return 1;
    }
    if (isinf(next->fault_s)) {
        if (state->night->hardware_error_in_soak && next->begin.purpose == HF_PURPOSE_SOAK) {
            state->night->hardware_error_in_soak = 0;
            night_event(state, &(struct hf_event){.type = HF_EVENT_HARDWARE_ERROR,
                                                  .trial = next->trial,
                                                  .group = 0,
                                                  .cpu = 1,
                                                  .corrected = 1,
                                                  .exposure_s = 1});
        }
        night_close(state, next, HF_VERDICT_PASS, HF_CAUSE_TIME_SERVED, HF_GROUP_NONE);
    } else {
        double kind = hf_random_uniform(&state->random);
        double wrong = state->night->mismatch_share > 0 ? state->night->mismatch_share : 0.6;

        if (kind < wrong)
            night_close(state, next, HF_VERDICT_FAIL, HF_CAUSE_WRONG_RESULT, next->victim);
        else if (kind < wrong + (1 - wrong) * 0.6)
            night_close(state, next, HF_VERDICT_FAIL, HF_CAUSE_WORKER_DIED, next->victim);
        else
            night_reset(state);
    }
    return 1;
}

static void night_finish(struct night_state *state)
{
    struct hf_json_writer *writer;
    struct hf_error error = {0};

    night_clock(state);
    writer = hf_run_begin_record(state->run, HF_RECORD_FINISHED);
    hf_json_integer(writer, "attempt", 1);
    assert_ok(hf_run_end_record(state->run, &error));
    night_commit(state);
    state->night->finished = 1;
    state->night->finished_records = state->run->state.records;
    writer = hf_run_begin_record(state->run, HF_RECORD_SESSION_END);
    hf_json_string(writer, "reason", night_words(state->night, "finished"));
    assert_ok(hf_run_end_record(state->run, &error));
    night_commit(state);
}

/* One round of proposals; 0 when the night is over. */
static int night_propose(struct night_state *state)
{
    for (int g = 0; g < state->night->groups && state->joint.trial == 0; g++) {
        struct hf_proposal proposal;

        if (state->open[g].trial != 0 || state->night->left_out == g + 1)
            continue;
        hf_plan_propose(state->plan, g, state->run->state.last_time_s, &proposal);
        if (proposal.kind == HF_PROPOSAL_FINISHED) {
            night_finish(state);
            return 0;
        }
        if (proposal.kind == HF_PROPOSAL_STOP)
            return 0;
        if (proposal.kind == HF_PROPOSAL_JOINT)
            night_begin(state, &state->joint, &proposal);
        else if (proposal.kind == HF_PROPOSAL_TRIAL)
            night_begin(state, &state->open[g], &proposal);
    }
    return 1;
}

__attribute__((unused)) static void night_truth(struct night *night)
{
    struct hf_random random;

    hf_random_init(&random, night->seed, 1);
    night->slope = 1.5;
    for (int g = 0; g < night->groups; g++) {
        night->theta[g] = 24 + 8 * hf_random_uniform(&random) + night->theta_shift;
        night->true_limit[g] = (int)floor(night->theta[g] + log(1 / (168 * 60.0)) / night->slope);
    }
}

/* Writes the night's run into the directory (which exists). */
__attribute__((unused)) static void night_write(struct night *night, const char *directory)
{
    struct night_state *state = calloc(1, sizeof *state);
    struct hf_plan_config *config = calloc(1, sizeof *config);
    struct hf_journal_file_ops ops = quick_ops();
    struct hf_clock clock = {test_wall_ns, test_monotonic_ns, &state->clock_state};
    struct hf_plan_costs costs = {.apply_s = night->factor > 0 ? 1 : 300,
                                  .needs_person = night->factor <= 0,
                                  .check_period_s = 0.05 * (night->factor > 0 ? night->factor : 1)};
    struct hf_error error = {0};
    struct hf_profile *profile = NULL;
    enum hf_plan_method method;
    struct hf_text document;
    struct hf_run_options options;

    assert_non_null(state);
    assert_non_null(config);
    night_truth(night);
    night_profile(night, &document);
    assert_ok(hf_profile_parse(document.bytes, document.size, "night.json", &profile, &error));
    hf_text_release(&document);
    state->night = night;
    state->next_trial = 1;
    state->clock_state.wall_ns = night_first_ns(night);
    hf_random_init(&state->random, night->play_seed ? night->play_seed : night->seed, 2);
    assert_ok(hf_plan_config_of_profile(profile, &costs, NULL, config, &method, &error));
    assert_ok(hf_plan_new(config, method, &state->plan, &error));
    options = (struct hf_run_options){
        .profile = profile,
        .journal = {.clock = &clock,
                    .file_ops = &ops,
                    .boot_id = BOOT_A,
                    .salt = FIXED_SALT + night->seed + 1000 * night->play_seed,
                    .reserve_bytes = 1 << 20},
        .event_visitor = night_observe,
        .event_context = state,
        .observe_live = 1,
    };
    assert_ok(hf_run_open(directory, &options, &state->run, &error));
    night_session(state);
    while ((night->stop_after == 0 || night->verdicts < night->stop_after) && night_propose(state)) {
        if (!night_advance(state))
            break;
    }
    night_commit(state);
    hf_run_close(state->run);
    hf_plan_free(state->plan);
    hf_profile_free(profile);
    free(config);
    free(state);
}

#endif
