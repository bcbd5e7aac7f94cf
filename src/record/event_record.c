/*
 * Events to records and back. The payloads (64-bit numbers as strings, everything else as JSON values):
 *   trial-begin     trial, purpose, limit_s; group (number) and step,
 *                   or group "all" and steps [..] (-1: left out)
 *   trial-loaded    trial
 *   exposure        trials [{trial, exposure_s, blocks}, ...]: 1 to HF_EXPOSURE_TRIALS_MAX of them
 *   reset           group (number or "none")
 *   verdict         trial, verdict, cause, group (number, "all" or "none"), cpu (absent: not known),
 *                   exposure_s, blocks
 *   hardware-error  trial ("0": none was open), group, cpu, exposure_s, corrected
 * Further keys (reason, ...) are allowed and not read here. The same check (event_fault) stands before
 * writing and after reading.
 */
#include <assert.h>
#include <cjson/cJSON.h>
#include <inttypes.h>
#include <math.h>
#include <string.h>

#include "record/record_private.h"

#define STEP_MAX       511  /* a profile has at most 512 steps */
#define SECONDS_MAX    1e10 /* three centuries of run time */
#define GROUP_WORD_MAX 8

/* --- what makes an event legal by itself --------------------------------------------------------------- */

static int seconds_are_sound(double seconds)
{
    return isfinite(seconds) && seconds >= 0 && seconds <= SECONDS_MAX;
}

static const char *begin_fault(const struct hf_event *event)
{
    if ((unsigned)event->purpose >= HF_PURPOSE_COUNT)
        return "it has no purpose";
    if (!(event->limit_s > 0) || !seconds_are_sound(event->limit_s))
        return "limit_s must be more than 0 and at most 1e10";
    if (event->group != HF_GROUP_ALL) {
        if (hf_purpose_is_joint(event->purpose))
            return "baseline and soak cover all groups";
        return event->step < 0 || event->step > STEP_MAX ? "step must be 0 to 511" : NULL;
    }
    for (int group = 0; group < HF_GROUPS_MAX; group++) {
        if (event->joint_step[group] < -1 || event->joint_step[group] > STEP_MAX)
            return "every step must be -1 to 511";
    }
    return NULL;
}

static const char *verdict_fault(const struct hf_event *event)
{
    if (event->verdict < HF_VERDICT_PASS || event->verdict > HF_VERDICT_VOID)
        return "the verdict must be pass, fail or void";
    if (!hf_cause_fits(event->verdict, event->cause))
        return "the cause does not fit the verdict";
    return NULL;
}

/* Which groups an event may name. */
static int group_is_sound(const struct hf_event *event)
{
    int all = event->type == HF_EVENT_TRIAL_BEGIN || event->type == HF_EVENT_VERDICT;
    int none = event->type == HF_EVENT_RESET || event->type == HF_EVENT_VERDICT;

    if (event->type == HF_EVENT_TRIAL_LOADED || event->type == HF_EVENT_EXPOSURE)
        return 1;
    return (event->group >= 0 && event->group < HF_GROUPS_MAX) || (all && event->group == HF_GROUP_ALL) ||
           (none && event->group == HF_GROUP_NONE);
}

static int has_exposure(enum hf_event_type type)
{
    return type == HF_EVENT_EXPOSURE || type == HF_EVENT_VERDICT || type == HF_EVENT_HARDWARE_ERROR;
}

static int names_cpu(enum hf_event_type type)
{
    return type == HF_EVENT_VERDICT || type == HF_EVENT_HARDWARE_ERROR;
}

/* NULL, or what is wrong. */
static const char *event_fault(const struct hf_event *event)
{
    if ((unsigned)event->type > HF_EVENT_HARDWARE_ERROR)
        return "there is no such type of event";
    if (event->trial == 0 && event->type != HF_EVENT_RESET && event->type != HF_EVENT_HARDWARE_ERROR)
        return "trials are numbered from 1";
    if (!group_is_sound(event))
        return "it names no group it may name";
    if (names_cpu(event->type) && (event->cpu < -1 || event->cpu >= HF_CPUS_MAX))
        return "cpu must be 0 to 8191, or be left out";
    if (has_exposure(event->type) && !seconds_are_sound(event->exposure_s))
        return "exposure_s must be 0 to 1e10";
    if (event->type == HF_EVENT_TRIAL_BEGIN)
        return begin_fault(event);
    return event->type == HF_EVENT_VERDICT ? verdict_fault(event) : NULL;
}

/* --- writing ------------------------------------------------------------------------------------------- */

static const enum hf_record_type record_of_event[] = {
    [HF_EVENT_TRIAL_BEGIN] = HF_RECORD_TRIAL_BEGIN, [HF_EVENT_TRIAL_LOADED] = HF_RECORD_TRIAL_LOADED,
    [HF_EVENT_EXPOSURE] = HF_RECORD_EXPOSURE,       [HF_EVENT_RESET] = HF_RECORD_RESET,
    [HF_EVENT_VERDICT] = HF_RECORD_VERDICT,         [HF_EVENT_HARDWARE_ERROR] = HF_RECORD_HARDWARE_ERROR,
};

static void write_group(struct hf_json_writer *writer, int group)
{
    if (group >= 0)
        hf_json_integer(writer, "group", group);
    else
        hf_json_string(writer, "group", group == HF_GROUP_ALL ? "all" : "none");
}

static void write_begin(struct hf_json_writer *writer, const struct hf_event *event)
{
    int count = HF_GROUPS_MAX;

    hf_json_string(writer, "purpose", hf_purpose_name(event->purpose));
    write_group(writer, event->group);
    hf_json_number(writer, "limit_s", event->limit_s);
    if (event->group != HF_GROUP_ALL) {
        hf_json_integer(writer, "step", event->step);
        return;
    }
    while (count > 0 && event->joint_step[count - 1] == -1)
        count--;
    hf_json_array_open(writer, "steps");
    for (int group = 0; group < count; group++)
        hf_json_integer(writer, NULL, event->joint_step[group]);
    hf_json_array_close(writer);
}

static void write_progress(struct hf_json_writer *writer, const struct hf_event *event)
{
    hf_json_number(writer, "exposure_s", event->exposure_s);
    if (event->type != HF_EVENT_HARDWARE_ERROR)
        hf_json_u64(writer, "blocks", event->blocks);
}

static void write_payload(struct hf_json_writer *writer, const struct hf_event *event)
{
    if (event->type != HF_EVENT_RESET)
        hf_json_u64(writer, "trial", event->trial);
    if (event->type == HF_EVENT_TRIAL_BEGIN)
        write_begin(writer, event);
    if (event->type == HF_EVENT_VERDICT) {
        hf_json_string(writer, "verdict", hf_verdict_name(event->verdict));
        hf_json_string(writer, "cause", hf_cause_name(event->cause));
    }
    if (names_cpu(event->type) || event->type == HF_EVENT_RESET)
        write_group(writer, event->group);
    if (names_cpu(event->type) && event->cpu >= 0)
        hf_json_integer(writer, "cpu", event->cpu);
    if (has_exposure(event->type))
        write_progress(writer, event);
    if (event->type == HF_EVENT_HARDWARE_ERROR)
        hf_json_bool(writer, "corrected", event->corrected);
}

static int refuse_event(const struct hf_event *event, const char *fault, struct hf_error *error)
{
    return hf_fail(error, HF_E_RANGE, "the event of trial %" PRIu64 " cannot be recorded: %s", event->trial,
                   fault);
}

int hf_exposure_write(struct hf_journal *journal, const struct hf_event *events, int count,
                      struct hf_error *error)
{
    struct hf_json_writer *writer;

    assert(count >= 1 && count <= HF_EXPOSURE_TRIALS_MAX);
    for (int i = 0; i < count; i++) {
        const char *fault =
            events[i].type == HF_EVENT_EXPOSURE ? event_fault(&events[i]) : "it is no exposure";

        if (fault != NULL)
            return refuse_event(&events[i], fault, error);
    }
    writer = hf_journal_begin(journal, HF_RECORD_EXPOSURE);
    hf_json_array_open(writer, "trials");
    for (int i = 0; i < count; i++) {
        hf_json_object_open(writer, NULL);
        write_payload(writer, &events[i]);
        hf_json_object_close(writer);
    }
    hf_json_array_close(writer);
    return hf_journal_end(journal, error);
}

int hf_event_write(struct hf_journal *journal, const struct hf_event *event, const char *reason,
                   struct hf_error *error)
{
    return hf_event_write_with(journal, event, reason, NULL, NULL, error);
}

int hf_event_write_with(struct hf_journal *journal, const struct hf_event *event, const char *reason,
                        hf_payload_writer *extra, void *context, struct hf_error *error)
{
    const char *fault = event_fault(event);
    struct hf_json_writer *writer;

    if (fault != NULL)
        return refuse_event(event, fault, error);
    if (event->type == HF_EVENT_EXPOSURE)
        return hf_exposure_write(journal, event, 1, error);
    writer = hf_journal_begin(journal, record_of_event[event->type]);
    write_payload(writer, event);
    if (reason != NULL)
        hf_json_string(writer, "reason", reason);
    if (extra != NULL)
        extra(context, writer);
    return hf_journal_end(journal, error);
}

/* --- reading ------------------------------------------------------------------------------------------- */

static int event_type_of(enum hf_record_type type)
{
    for (int i = 0; i <= HF_EVENT_HARDWARE_ERROR; i++) {
        if (record_of_event[i] == type)
            return i;
    }
    return -1;
}

static const cJSON *exposure_list(const struct hf_record *record)
{
    const cJSON *list = cJSON_GetObjectItemCaseSensitive(record->data.value, "trials");

    return cJSON_IsArray(list) ? list : NULL;
}

int hf_event_count(const struct hf_record *record)
{
    if (record->type == HF_RECORD_EXPOSURE)
        return cJSON_GetArraySize(exposure_list(record)); /* 0 for NULL: hf_event_decode() then says why */
    return event_type_of(record->type) >= 0;
}

static int read_group(const struct hf_json_reader *data, int *ret_group, struct hf_error *error)
{
    const cJSON *item = cJSON_GetObjectItemCaseSensitive(data->value, "group");
    char word[GROUP_WORD_MAX];
    int64_t number;

    if (!cJSON_IsString(item)) {
        if (hf_json_get_integer(data, "group", 0, HF_GROUPS_MAX - 1, &number, error) != HF_OK)
            return error->code;
        *ret_group = (int)number;
        return HF_OK;
    }
    if (hf_json_get_string(data, "group", word, sizeof word, error) != HF_OK)
        return error->code;
    if (strcmp(word, "all") != 0 && strcmp(word, "none") != 0)
        return hf_json_fail(data, "group", error, HF_E_INPUT, "must be a number, \"all\" or \"none\"");
    *ret_group = strcmp(word, "all") == 0 ? HF_GROUP_ALL : HF_GROUP_NONE;
    return HF_OK;
}

static int read_word(const struct hf_json_reader *data, const char *key, int (*of_name)(const char *),
                     int *ret_code, struct hf_error *error)
{
    char word[HF_NAME_MAX];
    int code;

    if (hf_json_get_string(data, key, word, sizeof word, error) != HF_OK)
        return error->code;
    code = of_name(word);
    if (code < 0)
        return hf_json_fail(data, key, error, HF_E_INPUT, "\"%s\" is not a known word", word);
    *ret_code = code;
    return HF_OK;
}

static int read_steps(const struct hf_json_reader *data, struct hf_event *event, struct hf_error *error)
{
    struct hf_json_reader list;
    const cJSON *item;
    int count;
    int at = 0;

    if (hf_json_get_array(data, "steps", 0, HF_GROUPS_MAX, &list, &count, error) != HF_OK)
        return error->code;
    cJSON_ArrayForEach(item, list.value)
    {
        if (!cJSON_IsNumber(item) || !(item->valuedouble >= -1 && item->valuedouble <= STEP_MAX) ||
            item->valuedouble != floor(item->valuedouble))
            return hf_json_fail(&list, NULL, error, HF_E_INPUT, "item %d must be a whole number, -1 to %d",
                                at, STEP_MAX);
        event->joint_step[at++] = (int16_t)item->valuedouble;
    }
    while (at < HF_GROUPS_MAX)
        event->joint_step[at++] = -1;
    return HF_OK;
}

static int read_begin(const struct hf_json_reader *data, struct hf_event *event, struct hf_error *error)
{
    int64_t step = 0;
    int purpose = 0;

    if (read_word(data, "purpose", hf_purpose_of_name, &purpose, error) != HF_OK)
        return error->code;
    event->purpose = (enum hf_purpose)purpose;
    if (hf_json_get_number(data, "limit_s", 0, SECONDS_MAX, &event->limit_s, error) != HF_OK)
        return error->code;
    if (event->group == HF_GROUP_ALL)
        return read_steps(data, event, error);
    if (hf_json_get_integer(data, "step", 0, STEP_MAX, &step, error) != HF_OK)
        return error->code;
    event->step = (int)step;
    return HF_OK;
}

static int read_verdict(const struct hf_json_reader *data, struct hf_event *event, struct hf_error *error)
{
    int verdict = 0;
    int cause = 0;

    if (read_word(data, "verdict", hf_verdict_of_name, &verdict, error) != HF_OK ||
        read_word(data, "cause", hf_cause_of_name, &cause, error) != HF_OK)
        return error->code;
    event->verdict = (enum hf_verdict)verdict;
    event->cause = (enum hf_cause)cause;
    return HF_OK;
}

static int read_cpu(const struct hf_json_reader *data, struct hf_event *event, struct hf_error *error)
{
    int64_t cpu = -1;

    if (hf_json_has(data, "cpu") &&
        hf_json_get_integer(data, "cpu", 0, HF_CPUS_MAX - 1, &cpu, error) != HF_OK)
        return error->code;
    event->cpu = (int)cpu;
    return HF_OK;
}

static int read_progress(const struct hf_json_reader *data, struct hf_event *event, struct hf_error *error)
{
    if (hf_json_get_number(data, "exposure_s", 0, SECONDS_MAX, &event->exposure_s, error) != HF_OK)
        return error->code;
    if (event->type == HF_EVENT_HARDWARE_ERROR)
        return hf_json_get_bool(data, "corrected", &event->corrected, error);
    return hf_json_get_u64(data, "blocks", &event->blocks, error);
}

static int read_payload(const struct hf_json_reader *data, struct hf_event *event, struct hf_error *error)
{
    const char *fault;
    int code = HF_OK;

    if (event->type != HF_EVENT_RESET)
        code = hf_json_get_u64(data, "trial", &event->trial, error);
    if (code == HF_OK && event->type != HF_EVENT_TRIAL_LOADED && event->type != HF_EVENT_EXPOSURE)
        code = read_group(data, &event->group, error);
    if (code == HF_OK && event->type == HF_EVENT_TRIAL_BEGIN)
        code = read_begin(data, event, error);
    if (code == HF_OK && event->type == HF_EVENT_VERDICT)
        code = read_verdict(data, event, error);
    if (code == HF_OK && names_cpu(event->type))
        code = read_cpu(data, event, error);
    if (code == HF_OK && has_exposure(event->type))
        code = read_progress(data, event, error);
    if (code != HF_OK)
        return code;
    fault = event_fault(event);
    return fault ? hf_json_fail(data, NULL, error, HF_E_INPUT, "%s", fault) : HF_OK;
}

/* Item `index` of an exposure record, without spelling out its path: that is only wanted for a message. */
static int exposure_item(const struct hf_record *record, int index, struct hf_json_reader *ret_item,
                         struct hf_error *error)
{
    const cJSON *list = exposure_list(record);
    const cJSON *item = cJSON_GetArrayItem(list, index);

    if (item == NULL || index >= HF_EXPOSURE_TRIALS_MAX)
        return hf_json_fail(&record->data, "trials", error, HF_E_INPUT, "must be an array of 1 to %d trials",
                            HF_EXPOSURE_TRIALS_MAX);
    if (!cJSON_IsObject(item))
        return hf_json_fail(&record->data, "trials", error, HF_E_INPUT, "item %d must be an object", index);
    ret_item->source = record->data.source;
    ret_item->value = item;
    ret_item->path[0] = '\0';
    return HF_OK;
}

int hf_event_decode(const struct hf_record *record, int index, int64_t first_wall_ns, double clock_factor,
                    struct hf_event *ret_event, struct hf_error *error)
{
    struct hf_event event = {.group = HF_GROUP_NONE, .cpu = -1};
    int type = event_type_of(record->type);
    struct hf_json_reader item;
    int code;

    assert(index >= 0 && (index == 0 || record->type == HF_RECORD_EXPOSURE));
    if (type < 0)
        return hf_fail(error, HF_E_DAMAGED, "%s: a %s record holds no event", record->data.source,
                       hf_record_type_name(record->type));
    event.type = (enum hf_event_type)type;
    event.sequence = record->sequence;
    event.time_s = (double)(record->wall_ns - first_wall_ns) * 1e-9 * clock_factor;
    if (event.time_s < 0)
        event.time_s = 0;
    code = record->type != HF_RECORD_EXPOSURE ? read_payload(&record->data, &event, error)
                                              : exposure_item(record, index, &item, error);
    if (code == HF_OK && record->type == HF_RECORD_EXPOSURE)
        code = read_payload(&item, &event, error);
    if (code != HF_OK)
        return hf_as_damaged(error);
    *ret_event = event;
    return HF_OK;
}
