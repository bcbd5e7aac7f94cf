/*
 * The fold: from records to the state of a run. A pure function: no clock, no file, no allocation.
 *
 * Invariants (state_check)
 *  1. records is the sequence number of the last record folded; the first is run-begin.
 *  2. Trials are numbered 1, 2, 3, ... in the order in which they begin; next_trial is the next one.
 *  3. A group has at most one open trial, in open[group]; a joint trial stands alone, in open[0] with
 *     HF_GROUP_ALL. open_count counts them. A closed slot is all zero bytes.
 *  4. Exposure and blocks of an open trial never shrink, and are 0 until it is loaded.
 *  5. last_time_s never goes back.
 *
 * A trial:  (none) --trial_begin--> intent --trial_loaded--> loaded --(exposure)*--> --trial_close--> (none)
 *                                     |  request: waits for a person                     ^
 *                                     +------------------ verdict -----------------------+
 * A run:    session-begin and session-end open and close sessions; parked until a session-begin with
 *           unpark; finished.
 */
#include <assert.h>
#include <cjson/cJSON.h>
#include <inttypes.h>
#include <math.h>
#include <stdio.h>
#include <string.h>

#include "record/record_private.h"

static void state_check(const struct hf_run_state *state)
{
    assert(state->records >= 1 && state->next_trial >= 1);
    assert(state->open_count >= 0 && state->open_count <= HF_GROUPS_MAX);
    assert(state->open[0].group != HF_GROUP_ALL || state->open_count == 1);
}

static int impossible(const struct hf_record *record, struct hf_error *error, const char *words,
                      uint64_t trial)
{
    return hf_fail(error, HF_E_DAMAGED, "%s: impossible history: %s (trial %" PRIu64 ")", record->data.source,
                   words, trial);
}

/* --- trials -------------------------------------------------------------------------------------------- */

static struct hf_run_trial *open_trial(struct hf_run_state *state, uint64_t number)
{
    int seen = 0;

    for (int slot = 0; slot < HF_GROUPS_MAX && seen < state->open_count; slot++) {
        if (state->open[slot].trial == 0)
            continue;
        if (state->open[slot].trial == number)
            return &state->open[slot];
        seen++;
    }
    return NULL;
}

static int trial_begin(struct hf_run_state *state, const struct hf_record *record,
                       const struct hf_event *event, struct hf_error *error)
{
    int joint = event->group == HF_GROUP_ALL;
    struct hf_run_trial *trial = &state->open[joint ? 0 : event->group];

    if (event->trial != state->next_trial)
        return impossible(record, error, "trials begin in order, and another number is next", event->trial);
    if (state->parked)
        return impossible(record, error, "a trial begins while the run is parked", event->trial);
    if (joint ? state->open_count > 0 : trial->trial != 0 || state->open[0].group == HF_GROUP_ALL)
        return impossible(record, error, "a trial begins while another one of the group is open",
                          event->trial);
    trial->trial = event->trial;
    trial->purpose = event->purpose;
    trial->group = event->group;
    trial->step = event->step;
    trial->limit_s = event->limit_s;
    memcpy(trial->joint_step, event->joint_step, sizeof trial->joint_step);
    (void)snprintf(trial->boot, sizeof trial->boot, "%s", record->boot);
    state->next_trial++;
    state->open_count++;
    return HF_OK;
}

static int trial_loaded(struct hf_run_trial *trial, const struct hf_record *record, struct hf_error *error)
{
    if (trial->loaded)
        return impossible(record, error, "it is loaded a second time", trial->trial);
    trial->loaded = 1;
    trial->requested = 0;
    return HF_OK;
}

/* exposure and blocks of an exposure record or a verdict */
static int trial_progress(struct hf_run_trial *trial, const struct hf_record *record,
                          const struct hf_event *event, struct hf_error *error)
{
    if (!trial->loaded && (event->exposure_s > 0 || event->blocks > 0))
        return impossible(record, error, "it has exposure before it was loaded", event->trial);
    if (event->exposure_s < trial->exposure_s || event->blocks < trial->blocks)
        return impossible(record, error, "its exposure shrinks", event->trial);
    trial->exposure_s = event->exposure_s;
    trial->blocks = event->blocks;
    return HF_OK;
}

/* A trial of one group indicts that group or nobody; only a reset may be another group's doing (and is then
 * void). */
static int indictment_is_sound(const struct hf_run_trial *trial, const struct hf_event *event)
{
    if (event->verdict != HF_VERDICT_FAIL || trial->group == HF_GROUP_ALL)
        return 1;
    return event->group == trial->group || event->group == HF_GROUP_NONE;
}

static int trial_close(struct hf_run_state *state, struct hf_run_trial *trial, const struct hf_record *record,
                       const struct hf_event *event, struct hf_error *error)
{
    if (trial_progress(trial, record, event, error) != HF_OK)
        return error->code;
    if (!indictment_is_sound(trial, event))
        return impossible(record, error, "its failure indicts a group that was not on trial", event->trial);
    if (event->verdict == HF_VERDICT_PASS && !trial->loaded)
        return impossible(record, error, "it passes without having been loaded", event->trial);
    if (hf_verdict_leaves_out(trial->purpose, event))
        state->left_out[event->group] = 1;
    state->verdicts[event->verdict]++;
    if (event->verdict == HF_VERDICT_PASS ||
        (event->verdict == HF_VERDICT_FAIL && event->cause != HF_CAUSE_MACHINE_RESET))
        state->resets_without_verdict = 0;
    memset(trial, 0, sizeof *trial);
    state->open_count--;
    return HF_OK;
}

/* A reset after a long stretch under load judged that trial as well as any other failure would (a soak that
 * is walked down ends so again and again): it is the machine that resets at once which must not go round all
 * night. */
#define LONG_SERVED_S 600.0

static void machine_reset(struct hf_run_state *state)
{
    uint64_t newest = 0;
    double longest_s = 0;

    for (int slot = 0; slot < HF_GROUPS_MAX; slot++) {
        if (state->open[slot].trial > newest)
            newest = state->open[slot].trial;
        if (state->open[slot].trial != 0 && state->open[slot].exposure_s > longest_s)
            longest_s = state->open[slot].exposure_s;
    }
    state->resets++;
    state->resets_without_verdict = longest_s >= LONG_SERVED_S ? 0 : state->resets_without_verdict + 1;
    if (newest != 0) /* else it reset between two trials: the one before stays the last */
        state->last_reset_trial = newest;
}

static int fold_event(struct hf_run_state *state, const struct hf_record *record,
                      const struct hf_event *event, struct hf_error *error)
{
    struct hf_run_trial *trial = open_trial(state, event->trial);

    if (event->type == HF_EVENT_TRIAL_BEGIN)
        return trial_begin(state, record, event, error);
    if (event->type == HF_EVENT_RESET) {
        machine_reset(state);
        return HF_OK;
    }
    if (event->type == HF_EVENT_HARDWARE_ERROR && event->trial == 0)
        return HF_OK;
    if (trial == NULL)
        return impossible(record, error, "it is not open", event->trial);
    if (event->type == HF_EVENT_TRIAL_LOADED)
        return trial_loaded(trial, record, error);
    if (event->type == HF_EVENT_EXPOSURE)
        return trial_progress(trial, record, event, error);
    if (event->type == HF_EVENT_VERDICT)
        return trial_close(state, trial, record, event, error);
    assert(event->type == HF_EVENT_HARDWARE_ERROR); /* changes nothing by itself: the plan counts it */
    return HF_OK;
}

/* --- the other records --------------------------------------------------------------------------------- */

static int run_begin(struct hf_run_state *state, const struct hf_record *record, struct hf_error *error)
{
    const struct hf_json_reader *data = &record->data;
    int64_t version;

    if (hf_json_get_integer(data, "version", 1, HF_JOURNAL_VERSION, &version, error) != HF_OK ||
        hf_json_get_string(data, "profile_digest", state->profile_digest, sizeof state->profile_digest,
                           error) != HF_OK ||
        hf_json_get_u64(data, "seed", &state->seed, error) != HF_OK ||
        hf_json_get_string(data, "method", state->method, sizeof state->method, error) != HF_OK ||
        hf_json_get_string(data, "tool", state->tool, sizeof state->tool, error) != HF_OK)
        return hf_as_damaged(error);
    if (strlen(state->profile_digest) != HF_SHA256_HEX - 1)
        return hf_fail(error, HF_E_DAMAGED, "%s: profile_digest must have 64 digits", data->source);
    state->version = (int)version;
    state->first_wall_ns = record->wall_ns;
    state->next_trial = 1;
    return HF_OK;
}

static int session_begin(struct hf_run_state *state, const struct hf_record *record, struct hf_error *error)
{
    int unpark = 0;

    if (hf_json_has(&record->data, "unpark") &&
        hf_json_get_bool(&record->data, "unpark", &unpark, error) != HF_OK)
        return hf_as_damaged(error);
    state->sessions++;
    state->session_open = 1;
    if (unpark) {
        state->parked = 0;
        state->resets_without_verdict = 0; /* a person has decided: the count begins anew */
    }
    return HF_OK;
}

/* The slice that begins now; the run goes on with the one after it. */
static int slice(struct hf_run_state *state, const struct hf_record *record, struct hf_error *error)
{
    uint64_t number;

    if (hf_json_get_u64(&record->data, "slice", &number, error) != HF_OK)
        return hf_as_damaged(error);
    if (number == UINT64_MAX)
        return hf_fail(error, HF_E_DAMAGED, "%s: slice: there is no slice after this one",
                       record->data.source);
    if (number + 1 > state->next_slice)
        state->next_slice = number + 1;
    return HF_OK;
}

static int request_of_trial(struct hf_run_state *state, const struct hf_record *record,
                            struct hf_error *error)
{
    struct hf_run_trial *trial;
    uint64_t number;

    if (hf_json_get_u64(&record->data, "trial", &number, error) != HF_OK)
        return hf_as_damaged(error);
    trial = open_trial(state, number);
    if (number == 0 || trial == NULL || trial->loaded)
        return impossible(record, error, "a change is asked for, but it does not wait for one", number);
    trial->requested = 1;
    return HF_OK;
}

static int request_of_groups(struct hf_run_state *state, const struct hf_record *record,
                             struct hf_error *error)
{
    struct hf_json_reader list;
    int64_t group;
    int count;

    if (hf_json_get_array(&record->data, "groups", 0, HF_GROUPS_MAX, &list, &count, error) != HF_OK)
        return hf_as_damaged(error);
    for (int i = 0; i < count; i++) {
        struct hf_json_reader item = hf_json_item(&list, i);
        struct hf_run_trial *trial = &state->open[0];

        if (hf_json_get_integer(&item, "group", 0, HF_GROUPS_MAX - 1, &group, error) != HF_OK)
            return hf_as_damaged(error);
        if (trial->group != HF_GROUP_ALL)
            trial = &state->open[group];
        if (trial->trial != 0 && !trial->loaded)
            trial->requested = 1;
    }
    return HF_OK;
}

/* A person is asked for something: the open trials it is about (by number, or by the groups to be changed)
 * wait. */
static int request(struct hf_run_state *state, const struct hf_record *record, struct hf_error *error)
{
    if (hf_json_has(&record->data, "trial") && request_of_trial(state, record, error) != HF_OK)
        return error->code;
    return hf_json_has(&record->data, "groups") ? request_of_groups(state, record, error) : HF_OK;
}

/* What was in force when it was looked at last: a page of settings shows it, and nothing else hangs on it, so
 * a record that does not say is passed over. */
static void setting(struct hf_run_state *state, const struct hf_record *record)
{
    struct hf_error ignored = {0};
    int64_t group, step;

    if (hf_json_get_integer(&record->data, "group", 0, HF_GROUPS_MAX - 1, &group, &ignored) == HF_OK &&
        hf_json_get_integer(&record->data, "read_back", -1, INT16_MAX - 1, &step, &ignored) == HF_OK)
        state->setting[group] = (int16_t)(step + 1);
}

static int fold_plain(struct hf_run_state *state, const struct hf_record *record, struct hf_error *error)
{
    switch (record->type) {
    case HF_RECORD_RUN_BEGIN:
        return run_begin(state, record, error);
    case HF_RECORD_SESSION_BEGIN:
        return session_begin(state, record, error);
    case HF_RECORD_SESSION_END:
        state->session_open = 0;
        return HF_OK;
    case HF_RECORD_PROOF:
        state->proofs++;
        return HF_OK;
    case HF_RECORD_SLICE:
        return slice(state, record, error);
    case HF_RECORD_REQUEST:
        return request(state, record, error);
    case HF_RECORD_PARKED:
        state->parked = 1;
        return HF_OK;
    case HF_RECORD_FINISHED:
        state->finished = 1;
        return HF_OK;
    case HF_RECORD_SETTING:
        setting(state, record);
        return HF_OK;
    default: /* mismatch, note: evidence, not state */
        return HF_OK;
    }
}

static int fold_events(struct hf_run_state *state, const struct hf_record *record, double clock_factor,
                       hf_event_visitor *visitor, void *context, struct hf_error *error)
{
    int count = hf_event_count(record);
    struct hf_event event;

    if (count == 0 && record->type == HF_RECORD_EXPOSURE)
        count = 1; /* decoding will say what is wrong */
    for (int i = 0; i < count; i++) {
        int code = hf_event_decode(record, i, state->first_wall_ns, clock_factor, &event, error);

        if (code == HF_OK)
            code = fold_event(state, record, &event, error);
        if (code == HF_OK && visitor != NULL)
            code = visitor(context, &event, error);
        if (code != HF_OK)
            return code;
    }
    return HF_OK;
}

int hf_run_fold_visiting(struct hf_run_state *state, const struct hf_record *record, double clock_factor,
                         hf_event_visitor *visitor, void *context, struct hf_error *error)
{
    double time_s;

    if (record->sequence != state->records + 1 ||
        (record->type == HF_RECORD_RUN_BEGIN) != (state->records == 0))
        return impossible(record, error, "the record is out of order", 0);
    if (fold_plain(state, record, error) != HF_OK ||
        fold_events(state, record, clock_factor, visitor, context, error) != HF_OK)
        return error->code;
    time_s = (double)(record->wall_ns - state->first_wall_ns) * 1e-9 * clock_factor;
    if (time_s > state->last_time_s)
        state->last_time_s = time_s;
    state->last_wall_ns = record->wall_ns;
    memcpy(state->last_boot, record->boot, sizeof state->last_boot);
    state->records = record->sequence;
    state_check(state);
    return HF_OK;
}

int hf_run_fold(struct hf_run_state *state, const struct hf_record *record, double clock_factor,
                struct hf_error *error)
{
    return hf_run_fold_visiting(state, record, clock_factor, NULL, NULL, error);
}
