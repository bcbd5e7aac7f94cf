/*
 * Evidence: the fold of a journal into what people look at.
 *
 * Invariants, checked by check():
 *  1. trials[] is in order of trial number, each number once; end_sequence is 0 exactly while verdict is
 * NONE.
 *  2. A joint trial has group_count steps from joint_first on; a single trial has none.
 *  3. failures[] holds the indices of the trials with a fail verdict, in the order of their verdicts.
 *  4. `records` is the number of records taken into account; nothing later than that is in any array.
 *
 * Events and records of the same line may be visited in either order: the visitors do not rely on it. The
 * trial itself is always there, because its trial-begin stands on an earlier line.
 */
#include <assert.h>
#include <cjson/cJSON.h>
#include <inttypes.h>
#include <limits.h>
#include <math.h>
#include <stdio.h>
#include <string.h>

#include "base/memory.h"
#include "holdfast/journal.h"
#include "holdfast/plan_config.h"
#include "holdfast/run.h"
#include "output/output_private.h"

#define TRIALS_MAX          1000000
#define RESETS_MAX          100000
#define HARDWARE_ERRORS_MAX 1000000
#define WORDS_BYTES_MAX     (64u * 1024 * 1024)

static const char *const condition_keys[] = {
#define HF_CONDITION_KEY(name, key, kind) key,
    HF_CONDITION_LIST(HF_CONDITION_KEY)
#undef HF_CONDITION_KEY
};

const char *hf_condition_key(enum hf_condition condition)
{
    assert((unsigned)condition < HF_CONDITION_COUNT);
    return condition_keys[condition];
}

/* --- growing arrays ---------------------------------------------------------------------------------- */

void *hf_evidence_grow(void **array, size_t *count, size_t *capacity, size_t item_size, size_t max,
                       const char *what, struct hf_error *error)
{
    if (*count == max) {
        (void)hf_fail(error, HF_E_RANGE, "the run has more than %zu %s; that is more than this program reads",
                      max, what);
        return NULL;
    }
    if (*count == *capacity) {
        size_t wanted = *capacity ? *capacity * 2 : 64;
        void *bigger = hf_reallocate(*array, wanted * item_size);

        if (bigger == NULL) {
            (void)hf_fail(error, HF_E_MEMORY, "no memory for %zu %s", wanted, what);
            return NULL;
        }
        *array = bigger;
        *capacity = wanted;
    }
    memset((char *)*array + *count * item_size, 0, item_size);
    return (char *)*array + (*count)++ * item_size;
}

#define GROW(evidence, array, count, max, what, error)                                                       \
    hf_evidence_grow((void **)&(evidence)->array, &(evidence)->count##_count, &(evidence)->count##_capacity, \
                     sizeof *(evidence)->array, max, what, error)

size_t hf_evidence_keep_words(struct hf_evidence *evidence, const char *string)
{
    size_t offset = evidence->words.size;

    hf_text_add(&evidence->words, string, strlen(string) + 1);
    return evidence->words.overflowed ? HF_EVIDENCE_NOTHING : offset;
}

const char *hf_evidence_words(const struct hf_evidence *evidence, size_t offset)
{
    return offset < evidence->words.size ? evidence->words.bytes + offset : "";
}

double hf_evidence_time_s(const struct hf_evidence *evidence, int64_t wall_ns)
{
    /* the same expression as for an event's time, so that both compare equal */
    return (double)(wall_ns - evidence->first_wall_ns) * 1e-9 * evidence->clock_factor;
}

/* --- trials ------------------------------------------------------------------------------------------ */

struct hf_evidence_trial *hf_evidence_find_trial(struct hf_evidence *evidence, uint64_t trial)
{
    size_t low = 0;
    size_t high = evidence->trial_count;

    if (trial > 0 && trial <= high && evidence->trials[trial - 1].trial == trial)
        return &evidence->trials[trial - 1]; /* the usual case: numbers without gaps */
    while (low < high) {
        size_t middle = low + (high - low) / 2;

        if (evidence->trials[middle].trial == trial)
            return &evidence->trials[middle];
        if (evidence->trials[middle].trial < trial)
            low = middle + 1;
        else
            high = middle;
    }
    return NULL;
}

static int keep_joint_steps(struct hf_evidence *evidence, struct hf_evidence_trial *trial,
                            const struct hf_event *event, struct hf_error *error)
{
    size_t first = evidence->joint_step_count;

    for (int group = 0; group < evidence->profile->group_count; group++) {
        int16_t *step =
            GROW(evidence, joint_steps, joint_step, (size_t)TRIALS_MAX * 16, "joint steps", error);

        if (step == NULL)
            return error->code;
        *step = event->joint_step[group];
    }
    trial->joint_first = first;
    return HF_OK;
}

static int take_begin(struct hf_evidence *evidence, const struct hf_event *event, struct hf_error *error)
{
    struct hf_evidence_trial *trial = GROW(evidence, trials, trial, TRIALS_MAX, "trials", error);
    int joint = event->group == HF_GROUP_ALL;

    if (trial == NULL)
        return error->code;
    *trial = (struct hf_evidence_trial){
        .trial = event->trial,
        .begin_sequence = event->sequence,
        .purpose = event->purpose,
        .group = event->group,
        .indicted = HF_GROUP_NONE,
        .step = joint ? -1 : event->step,
        .cpu = -1,
        .company = event->trial == evidence->company_trial,
        .joint_first = HF_EVIDENCE_NOTHING,
        .load_first = evidence->load_count,
        .mismatch = HF_EVIDENCE_NOTHING,
        .detail = HF_EVIDENCE_NOTHING,
        .begin_s = event->time_s,
        .loaded_s = NAN,
        .end_s = NAN,
        .limit_s = event->limit_s,
        .celsius_highest = NAN,
        .celsius_mean = NAN,
        .mhz_asked = NAN,
        .mhz_measured = NAN,
    };
    hf_evidence_meters_init(&trial->meters);
    return joint ? keep_joint_steps(evidence, trial, event, error) : HF_OK;
}

static int take_verdict(struct hf_evidence *evidence, struct hf_evidence_trial *trial,
                        const struct hf_event *event, struct hf_error *error)
{
    size_t *failure;

    trial->end_sequence = event->sequence;
    trial->verdict = event->verdict;
    trial->cause = event->cause;
    trial->indicted = event->group;
    trial->cpu = event->cpu;
    trial->exposure_s = event->exposure_s;
    trial->blocks = event->blocks;
    trial->end_s = event->time_s;
    if (hf_verdict_leaves_out(trial->purpose, event) && hf_evidence_covers(evidence, trial, event->group))
        evidence->profile->group[event->group].left_out = evidence->left_out_by_run[event->group] = 1;
    if (event->verdict != HF_VERDICT_FAIL)
        return HF_OK;
    failure = GROW(evidence, failures, failure, TRIALS_MAX, "failures", error);
    if (failure == NULL)
        return error->code;
    *failure = (size_t)(trial - evidence->trials);
    return HF_OK;
}

static int take_reset(struct hf_evidence *evidence, const struct hf_event *event, struct hf_error *error)
{
    struct hf_evidence_reset *reset = GROW(evidence, resets, reset, RESETS_MAX, "resets", error);

    if (reset == NULL)
        return error->code;
    *reset = (struct hf_evidence_reset){
        .sequence = event->sequence, .time_s = event->time_s, .group = event->group};
    return HF_OK;
}

static int take_hardware_error(struct hf_evidence *evidence, struct hf_evidence_trial *trial,
                               const struct hf_event *event, struct hf_error *error)
{
    struct hf_evidence_hardware_error *entry =
        GROW(evidence, hardware_errors, hardware_error, HARDWARE_ERRORS_MAX, "hardware errors", error);

    if (entry == NULL)
        return error->code;
    *entry = (struct hf_evidence_hardware_error){
        .sequence = event->sequence,
        .trial = event->trial,
        .time_s = event->time_s,
        .group = event->group,
        .cpu = event->cpu,
        .corrected = event->corrected,
    };
    if (trial != NULL && hf_evidence_covers(evidence, trial, event->group))
        trial->hardware_errors++;
    return HF_OK;
}

static int take_event(struct hf_evidence *evidence, const struct hf_event *event, struct hf_error *error)
{
    struct hf_evidence_trial *trial = hf_evidence_find_trial(evidence, event->trial);

    switch (event->type) {
    case HF_EVENT_TRIAL_BEGIN:
        return take_begin(evidence, event, error);
    case HF_EVENT_RESET:
        return take_reset(evidence, event, error);
    case HF_EVENT_HARDWARE_ERROR:
        return take_hardware_error(evidence, trial, event, error);
    case HF_EVENT_TRIAL_LOADED:
        if (trial != NULL)
            trial->loaded_s = event->time_s;
        return HF_OK;
    case HF_EVENT_EXPOSURE:
        if (trial != NULL) {
            trial->exposure_s = event->exposure_s;
            trial->blocks = event->blocks;
        }
        return HF_OK;
    case HF_EVENT_VERDICT:
        return trial != NULL ? take_verdict(evidence, trial, event, error) : HF_OK;
    }
    return HF_OK;
}

/* --- the plan ---------------------------------------------------------------------------------------- */

/* A report is always possible: a plan that cannot be replayed is named, not fatal. */
static void lose_plan(struct hf_evidence *evidence, const struct hf_error *error)
{
    (void)snprintf(evidence->plan_problem, sizeof evidence->plan_problem, "%s", error->message);
    hf_plan_free(evidence->plan);
    evidence->plan = NULL;
}

static void make_plan(struct hf_evidence *evidence)
{
    struct hf_plan_config *config = hf_allocate(1, sizeof *config);
    enum hf_plan_method method;
    struct hf_error error = {0};

    if (config == NULL) {
        (void)hf_fail(&error, HF_E_MEMORY, "no memory for the plan");
        lose_plan(evidence, &error);
        return;
    }
    if (hf_plan_config_of_profile(evidence->profile, NULL, evidence->method, config, &method, &error) ==
        HF_OK) {
        config->seed = evidence->seed;
        (void)hf_plan_new(config, method, &evidence->plan, &error);
    }
    if (error.code != HF_OK)
        lose_plan(evidence, &error);
    hf_free(config);
}

/* --- reading ----------------------------------------------------------------------------------------- */

struct reading {
    struct hf_evidence *evidence;
    uint64_t limit; /* 0: none */
    int bare;       /* 1: no plan is wanted */
};

static void check(const struct hf_evidence *evidence)
{
    const struct hf_evidence_trial *last =
        evidence->trial_count ? &evidence->trials[evidence->trial_count - 1] : NULL;

    assert(evidence->failure_count <= evidence->trial_count);
    assert(last == NULL || (last->verdict == HF_VERDICT_NONE) == (last->end_sequence == 0));
    assert(last == NULL || (last->group == HF_GROUP_ALL) == (last->joint_first != HF_EVIDENCE_NOTHING));
    assert(evidence->records <= evidence->journal_records);
}

static int visit_event(void *context, const struct hf_event *event, struct hf_error *error)
{
    struct reading *reading = context;
    struct hf_error plan_error = {0};

    if (reading->limit != 0 && event->sequence > reading->limit)
        return HF_OK;
    if (reading->evidence->plan != NULL &&
        hf_plan_observe(reading->evidence->plan, event, &plan_error) != HF_OK)
        lose_plan(reading->evidence, &plan_error);
    return take_event(reading->evidence, event, error);
}

static int visit_record(void *context, const struct hf_record *record, struct hf_error *error)
{
    struct reading *reading = context;
    struct hf_evidence *evidence = reading->evidence;

    evidence->journal_records = record->sequence;
    if (reading->limit != 0 && record->sequence > reading->limit)
        return HF_OK;
    evidence->records = record->sequence;
    evidence->last_crc = record->crc;
    if (record->type == HF_RECORD_RUN_BEGIN)
        evidence->first_wall_ns = record->wall_ns;
    evidence->last_s = fmax(evidence->last_s, hf_evidence_time_s(evidence, record->wall_ns));
    if (hf_evidence_take_record(evidence, record, error) != HF_OK)
        return error->code;
    if (record->type == HF_RECORD_RUN_BEGIN && !reading->bare)
        make_plan(evidence);
    return HF_OK;
}

static char *copy_string(const char *string)
{
    size_t size = strlen(string) + 1;
    char *copy = hf_allocate(1, size);

    if (copy != NULL)
        memcpy(copy, string, size);
    return copy;
}

static int read_profile(struct hf_evidence *evidence, struct hf_error *error)
{
    char path[PATH_MAX];

    if (snprintf(path, sizeof path, "%s/profile.json", evidence->directory) >= (int)sizeof path)
        return hf_fail(error, HF_E_INPUT, "the path %.60s... is too long", evidence->directory);
    if (hf_profile_read(path, &evidence->profile, error) != HF_OK) {
        hf_error_context(error, "no run can be read here");
        return error->code;
    }
    return HF_OK;
}

static int read_run(struct reading *reading, struct hf_error *error)
{
    struct hf_evidence *evidence = reading->evidence;
    struct hf_run_options options = {
        .read_only = 1,
        .journal = {.read_only = 1},
        .event_visitor = visit_event,
        .event_context = reading,
        .record_visitor = visit_record,
        .record_context = reading,
    };
    struct hf_run *run = NULL;

    if (hf_run_open(evidence->directory, &options, &run, error) != HF_OK)
        return error->code;
    evidence->torn = run->opening.torn;
    if (run->clock_factor != evidence->clock_factor) /* times were computed while reading: they must agree */
        (void)hf_fail(error, HF_E_MISMATCH, "the run's clock factor is %g, the profile's is %g",
                      run->clock_factor, evidence->clock_factor);
    hf_run_close(run);
    return error->code;
}

static int evidence_new(const char *directory, struct hf_evidence **ret_evidence, struct hf_error *error)
{
    struct hf_evidence *evidence = hf_allocate(1, sizeof *evidence);

    if (evidence == NULL)
        return hf_fail(error, HF_E_MEMORY, "no memory for the evidence of %s", directory);
    hf_text_init(&evidence->words, WORDS_BYTES_MAX);
    evidence->directory = copy_string(directory);
    evidence->clock_factor = 1;
    if (evidence->directory == NULL) {
        hf_evidence_free(evidence);
        return hf_fail(error, HF_E_MEMORY, "no memory for the evidence of %s", directory);
    }
    *ret_evidence = evidence;
    return HF_OK;
}

static int open_reading(struct reading *reading, const char *directory, struct hf_error *error)
{
    struct hf_evidence *evidence = NULL;

    if (evidence_new(directory, &evidence, error) != HF_OK)
        return error->code;
    reading->evidence = evidence;
    if (read_profile(evidence, error) != HF_OK)
        return error->code;
    if (hf_is_simulated(evidence) && evidence->profile->has_rig)
        evidence->clock_factor = evidence->profile->rig.clock_factor;
    if (read_run(reading, error) != HF_OK)
        return error->code;
    if (reading->limit > evidence->journal_records)
        return hf_fail(error, HF_E_RANGE, "%s: the journal has %" PRIu64 " records, not %" PRIu64, directory,
                       evidence->journal_records, reading->limit);
    check(evidence);
    return HF_OK;
}

static int open_evidence(const char *directory, uint64_t limit, int bare, struct hf_evidence **ret_evidence,
                         struct hf_error *error)
{
    struct reading reading = {.limit = limit, .bare = bare};

    if (open_reading(&reading, directory, error) != HF_OK) {
        hf_evidence_free(reading.evidence);
        return error->code;
    }
    *ret_evidence = reading.evidence;
    return HF_OK;
}

int hf_evidence_open_at(const char *directory, uint64_t records, struct hf_evidence **ret_evidence,
                        struct hf_error *error)
{
    return open_evidence(directory, records, 0, ret_evidence, error);
}

int hf_evidence_open(const char *directory, struct hf_evidence **ret_evidence, struct hf_error *error)
{
    return open_evidence(directory, 0, 0, ret_evidence, error);
}

int hf_evidence_open_bare(const char *directory, struct hf_evidence **ret_evidence, struct hf_error *error)
{
    return open_evidence(directory, 0, 1, ret_evidence, error);
}

void hf_evidence_free(struct hf_evidence *evidence)
{
    if (evidence == NULL)
        return;
    hf_plan_free(evidence->plan);
    hf_profile_free(evidence->profile);
    hf_text_release(&evidence->words);
    hf_free(evidence->directory);
    hf_free(evidence->trials);
    hf_free(evidence->joint_steps);
    hf_free(evidence->loads);
    hf_free(evidence->mismatches);
    hf_free(evidence->resets);
    hf_free(evidence->hardware_errors);
    hf_free(evidence->boot_reports);
    hf_free(evidence->settings);
    hf_free(evidence->sessions);
    hf_free(evidence->failures);
    hf_free(evidence);
}
