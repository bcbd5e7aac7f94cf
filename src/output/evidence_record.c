/*
 * Records that carry no event, and what records say beyond their event: sessions with their conditions,
 * proofs, settings, mismatches, the load and temperatures of a verdict.
 *
 * The journal's checksums stand for its bytes, so a key that is missing or of another type here was written
 * by another version: it counts as unknown instead of making a report impossible. Strings are cut to their
 * place at a character's boundary; what is dangerous in them is made harmless where it is shown.
 */
#include <cjson/cJSON.h>
#include <errno.h>
#include <math.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#include "holdfast/journal.h"
#include "output/output_private.h"

#define LOADS_MAX        4000000
#define MISMATCHES_MAX   200000
#define SETTINGS_MAX     4000000
#define SESSIONS_MAX     20000
#define BOOT_REPORTS_MAX 100000

/* --- values that may be missing ----------------------------------------------------------------------- */

static const cJSON *member(const cJSON *object, const char *key)
{
    return cJSON_GetObjectItemCaseSensitive(object, key);
}

/* Copies at most size - 1 bytes and never half a character. */
static void cut_string(const char *from, char *ret_text, size_t size)
{
    size_t length = strlen(from);

    if (length >= size) {
        length = size - 1;
        while (length > 0 && ((unsigned char)from[length] & 0xc0) == 0x80)
            length--;
    }
    memcpy(ret_text, from, length);
    ret_text[length] = '\0';
}

static void get_string(const cJSON *object, const char *key, char *ret_text, size_t size)
{
    const cJSON *item = member(object, key);

    ret_text[0] = '\0';
    if (cJSON_IsString(item))
        cut_string(item->valuestring, ret_text, size);
}

static double get_number(const cJSON *object, const char *key)
{
    const cJSON *item = member(object, key);

    return cJSON_IsNumber(item) ? item->valuedouble : NAN;
}

static int get_integer(const cJSON *object, const char *key, int fallback)
{
    double value = get_number(object, key);

    return value >= -1e9 && value <= 1e9 ? (int)value : fallback;
}

static int get_bool(const cJSON *object, const char *key)
{
    return cJSON_IsTrue(member(object, key));
}

/* A 64-bit number in a string, decimal or after 0x; 0 when there is none. */
static uint64_t get_u64(const cJSON *object, const char *key)
{
    const cJSON *item = member(object, key);

    if (!cJSON_IsString(item) || item->valuestring[0] < '0' || item->valuestring[0] > '9')
        return 0;
    return strtoull(item->valuestring, NULL, strncmp(item->valuestring, "0x", 2) == 0 ? 16 : 10);
}

/* Any plain value as text: conditions are compared and shown, not computed with. */
static void get_as_text(const cJSON *object, const char *key, char *ret_text, size_t size)
{
    const cJSON *item = member(object, key);

    ret_text[0] = '\0';
    if (cJSON_IsString(item))
        cut_string(item->valuestring, ret_text, size);
    else if (cJSON_IsNumber(item))
        (void)snprintf(ret_text, size, "%.15g", item->valuedouble);
    else if (cJSON_IsBool(item))
        (void)snprintf(ret_text, size, "%s", cJSON_IsTrue(item) ? "true" : "false");
}

#define GROW(evidence, array, count, max, what, error)                                                       \
    hf_evidence_grow((void **)&(evidence)->array, &(evidence)->count##_count, &(evidence)->count##_capacity, \
                     sizeof *(evidence)->array, max, what, error)

/* --- record by record --------------------------------------------------------------------------------- */

static void take_run_begin(struct hf_evidence *evidence, const cJSON *data)
{
    get_string(data, "salt", evidence->salt, sizeof evidence->salt);
    get_string(data, "method", evidence->method, sizeof evidence->method);
    get_string(data, "tool", evidence->tool, sizeof evidence->tool);
    evidence->seed = get_u64(data, "seed");
}

static void take_places(struct hf_evidence *evidence, const cJSON *places)
{
    const cJSON *package = member(places, "package");
    const cJSON *level = member(places, "cache_level");
    const cJSON *bytes = member(places, "cache_bytes");
    int count = evidence->profile->group_count;

    if (cJSON_GetArraySize(package) != count || cJSON_GetArraySize(level) != count ||
        cJSON_GetArraySize(bytes) != count)
        return;
    evidence->has_places = 1;
    for (int group = 0; group < count; group++) {
        const cJSON *p = cJSON_GetArrayItem(package, group), *l = cJSON_GetArrayItem(level, group);
        const char *b = cJSON_GetStringValue(cJSON_GetArrayItem(bytes, group));

        evidence->package[group] = cJSON_IsNumber(p) && p->valuedouble >= 0 && p->valuedouble < HF_CPUS_MAX
                                       ? (int16_t)p->valuedouble
                                       : -1;
        evidence->cache_level[group] =
            cJSON_IsNumber(l) && l->valuedouble >= 0 && l->valuedouble < 10 ? (int16_t)l->valuedouble : 0;
        evidence->cache_bytes[group] = b != NULL ? strtoull(b, NULL, 10) : 0;
    }
}

static int take_session_begin(struct hf_evidence *evidence, const struct hf_record *record, const cJSON *data,
                              struct hf_error *error)
{
    struct hf_evidence_session *session = GROW(evidence, sessions, session, SESSIONS_MAX, "sessions", error);

    if (session == NULL)
        return error->code;
    session->sequence = record->sequence;
    session->wall_ns = record->wall_ns;
    session->begin_s = hf_evidence_time_s(evidence, record->wall_ns);
    session->end_s = NAN;
    get_string(data, "driver", session->driver, sizeof session->driver);
    session->clock_factor = get_number(data, "clock_factor");
    session->workers = get_integer(data, "workers", 0);
    get_string(data, "cpus", session->cpus, sizeof session->cpus);
    for (int i = 0; i < HF_CONDITION_COUNT; i++)
        get_as_text(member(data, "conditions"), hf_condition_key((enum hf_condition)i), session->condition[i],
                    sizeof session->condition[i]);
    if (member(data, "places") != NULL)
        take_places(evidence, member(data, "places"));
    if (get_bool(data, "unpark")) /* a person has decided; else it still waits, whoever asked */
        evidence->parked = 0;
    return HF_OK;
}

static void take_session_end(struct hf_evidence *evidence, const struct hf_record *record, const cJSON *data)
{
    struct hf_evidence_session *session;

    if (evidence->session_count == 0)
        return;
    session = &evidence->sessions[evidence->session_count - 1];
    session->end_s = hf_evidence_time_s(evidence, record->wall_ns);
    get_string(data, "reason", session->end_reason, sizeof session->end_reason);
}

static void take_proof(struct hf_evidence *evidence, const cJSON *data)
{
    double planted = get_number(data, "planted");
    double reported = get_number(data, "reported");

    struct hf_evidence_session *session;

    if (evidence->session_count == 0 || !(planted >= 0 && planted < 1e15) ||
        !(reported >= 0 && reported < 1e15))
        return;
    session = &evidence->sessions[evidence->session_count - 1];
    session->proofs++;
    session->planted += (uint64_t)planted;
    session->reported += (uint64_t)reported;
}

static int take_setting(struct hf_evidence *evidence, const struct hf_record *record, const cJSON *data,
                        struct hf_error *error)
{
    struct hf_evidence_setting *setting = GROW(evidence, settings, setting, SETTINGS_MAX, "settings", error);

    if (setting == NULL)
        return error->code;
    setting->sequence = record->sequence;
    setting->group = get_integer(data, "group", HF_GROUP_NONE);
    setting->asked = get_integer(data, "asked", -1);
    setting->read_back = get_integer(data, "read_back", -1);
    return HF_OK;
}

static void fill_mismatch(struct hf_evidence_mismatch *mismatch, const cJSON *data)
{
    mismatch->trial = get_u64(data, "trial");
    mismatch->slice = get_u64(data, "slice");
    mismatch->slice_seed = get_u64(data, "slice_seed");
    mismatch->block = get_u64(data, "block");
    mismatch->block_seed = get_u64(data, "block_seed");
    mismatch->steps = get_u64(data, "steps");
    mismatch->expected = get_u64(data, "expected");
    mismatch->got = get_u64(data, "got");
    mismatch->xor_mask = get_u64(data, "xor");
    mismatch->group = get_integer(data, "group", HF_GROUP_NONE);
    mismatch->cpu = get_integer(data, "cpu", -1);
    mismatch->worker = get_integer(data, "worker", -1);
    mismatch->width_bits = get_integer(data, "width", 0);
    mismatch->lane = get_integer(data, "lane", -1);
    mismatch->agreed = get_bool(data, "agreed");
    mismatch->celsius = get_number(data, "celsius");
    mismatch->mhz = get_number(data, "mhz");
    get_string(data, "kernel", mismatch->kernel, sizeof mismatch->kernel);
    get_string(data, "isa", mismatch->isa, sizeof mismatch->isa);
    get_string(data, "operands", mismatch->operands, sizeof mismatch->operands);
    get_string(data, "pattern", mismatch->pattern, sizeof mismatch->pattern);
    get_string(data, "sync", mismatch->sync, sizeof mismatch->sync);
}

static int take_mismatch(struct hf_evidence *evidence, const struct hf_record *record, const cJSON *data,
                         struct hf_error *error)
{
    size_t index = evidence->mismatch_count;
    struct hf_evidence_mismatch *mismatch =
        GROW(evidence, mismatches, mismatch, MISMATCHES_MAX, "wrong results", error);
    struct hf_evidence_trial *trial;

    if (mismatch == NULL)
        return error->code;
    mismatch->sequence = record->sequence;
    fill_mismatch(mismatch, data);
    trial = hf_evidence_find_trial(evidence, mismatch->trial);
    if (trial == NULL)
        return HF_OK;
    trial->mismatches++;
    if (trial->mismatch == HF_EVIDENCE_NOTHING)
        trial->mismatch = index;
    return HF_OK;
}

static int take_load(struct hf_evidence *evidence, struct hf_evidence_trial *trial, const cJSON *list,
                     struct hf_error *error)
{
    const cJSON *item;

    trial->load_first = evidence->load_count;
    cJSON_ArrayForEach(item, list)
    {
        struct hf_evidence_load *load = GROW(evidence, loads, load, LOADS_MAX, "shares of load", error);
        double exposure_s;

        if (load == NULL)
            return error->code;
        exposure_s = get_number(item, "exposure_s");
        get_string(item, "kernel", load->kernel, sizeof load->kernel);
        get_string(item, "pattern", load->pattern, sizeof load->pattern);
        load->width_bits = get_integer(item, "width", 0);
        load->exposure_s = exposure_s > 0 ? exposure_s : 0;
        load->blocks = get_u64(item, "blocks");
        trial->load_count++;
    }
    return HF_OK;
}

static int take_verdict_detail(struct hf_evidence *evidence, const struct hf_record *record,
                               const cJSON *data, struct hf_error *error)
{
    struct hf_evidence_trial *trial = hf_evidence_find_trial(evidence, get_u64(data, "trial"));
    const cJSON *detail = member(data, "detail");

    if (trial == NULL)
        return HF_OK;
    trial->end_wall_ns = record->wall_ns;
    trial->celsius_highest = get_number(data, "celsius_highest");
    trial->celsius_mean = get_number(data, "celsius_mean");
    trial->mhz_asked = get_number(data, "mhz_asked");
    trial->mhz_measured = get_number(data, "mhz_measured");
    hf_evidence_meters_take(evidence, data, &trial->meters);
    if (!cJSON_IsString(detail))
        detail = member(data, "reason");
    if (cJSON_IsString(detail) && detail->valuestring[0] != '\0')
        trial->detail = hf_evidence_keep_words(evidence, detail->valuestring);
    return take_load(evidence, trial, member(data, "load"), error);
}

/* The director of a fixed test says of each group's trial why it runs: "judged", "company", ... */
static void take_trial_begin(struct hf_evidence *evidence, const cJSON *data)
{
    uint64_t number = get_u64(data, "trial");
    struct hf_evidence_trial *trial = hf_evidence_find_trial(evidence, number);
    char reason[16];

    get_string(data, "reason", reason, sizeof reason);
    if (strcmp(reason, "company") != 0)
        return;
    evidence->company_trial = number;
    if (trial != NULL)
        trial->company = 1;
}

static int take_boot_report(struct hf_evidence *evidence, const struct hf_record *record, const cJSON *data,
                            struct hf_error *error)
{
    struct hf_evidence_boot_report *report =
        GROW(evidence, boot_reports, boot_report, BOOT_REPORTS_MAX, "boot reports", error);
    const cJSON *text = member(data, "text");

    if (report == NULL)
        return error->code;
    report->sequence = record->sequence;
    report->time_s = hf_evidence_time_s(evidence, record->wall_ns);
    report->group = get_integer(data, "group", HF_GROUP_NONE);
    report->cpu = get_integer(data, "cpu", -1);
    get_string(data, "source", report->source, sizeof report->source);
    get_string(data, "severity", report->severity, sizeof report->severity);
    report->text = hf_evidence_keep_words(evidence, cJSON_IsString(text) ? text->valuestring : "");
    return HF_OK;
}

static void take_parked(struct hf_evidence *evidence, const cJSON *data)
{
    evidence->parked = 1;
    get_string(data, "reason", evidence->parked_reason, sizeof evidence->parked_reason);
}

static void take_finished(struct hf_evidence *evidence, const struct hf_record *record)
{
    evidence->finished = (struct hf_evidence_finished){
        .sequence = record->sequence,
        .wall_ns = record->wall_ns,
        .time_s = hf_evidence_time_s(evidence, record->wall_ns),
        .crc = record->crc,
    };
}

int hf_evidence_take_record(struct hf_evidence *evidence, const struct hf_record *record,
                            struct hf_error *error)
{
    const cJSON *data = record->data.value;

    switch (record->type) {
    case HF_RECORD_RUN_BEGIN:
        take_run_begin(evidence, data);
        return HF_OK;
    case HF_RECORD_SESSION_BEGIN:
        return take_session_begin(evidence, record, data, error);
    case HF_RECORD_SESSION_END:
        take_session_end(evidence, record, data);
        return HF_OK;
    case HF_RECORD_PROOF:
        take_proof(evidence, data);
        return HF_OK;
    case HF_RECORD_SETTING:
        return take_setting(evidence, record, data, error);
    case HF_RECORD_MISMATCH:
        return take_mismatch(evidence, record, data, error);
    case HF_RECORD_VERDICT:
        return take_verdict_detail(evidence, record, data, error);
    case HF_RECORD_PARKED:
        take_parked(evidence, data);
        return HF_OK;
    case HF_RECORD_FINISHED:
        take_finished(evidence, record);
        return HF_OK;
    case HF_RECORD_TRIAL_BEGIN:
        take_trial_begin(evidence, data);
        return HF_OK;
    case HF_RECORD_BOOT_REPORT:
        return take_boot_report(evidence, record, data, error);
    case HF_RECORD_TRIAL_LOADED:
    case HF_RECORD_SLICE:
    case HF_RECORD_EXPOSURE:
    case HF_RECORD_RESET:
    case HF_RECORD_HARDWARE_ERROR:
    case HF_RECORD_REQUEST:
    case HF_RECORD_NOTE:
    case HF_RECORD_WRITTEN:
    case HF_RECORD_RESTORED:
    case HF_RECORD_COUNT:
        break; /* events (visited as such), or nothing that is shown */
    }
    return HF_OK;
}
