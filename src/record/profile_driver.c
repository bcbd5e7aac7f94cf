/* The profile's words about its setting driver: the program of the driver `command`, and what a failure ends.
 */
#include <cjson/cJSON.h>
#include <string.h>

#include "holdfast/profile.h"
#include "record/profile_keys.h"

static int read_failure(const struct hf_json_reader *top, struct hf_profile *profile, struct hf_error *error)
{
    char word[16];

    if (!hf_json_has(top, "driver_failure"))
        return HF_OK;
    if (hf_json_get_string(top, "driver_failure", word, sizeof word, error) != HF_OK)
        return error->code;
    profile->goes_on_without = strcmp(word, "leave-out") == 0;
    if (profile->goes_on_without || strcmp(word, "stop") == 0)
        return HF_OK;
    return hf_json_fail(top, "driver_failure", error, HF_E_INPUT, "must be \"stop\" or \"leave-out\"");
}

/* Words are kept one behind the other, each with its NUL. */
static int read_words(const struct hf_json_reader *command, struct hf_profile *profile,
                      struct hf_error *error)
{
    struct hf_json_reader list;
    size_t used = 0;
    int count;

    if (hf_json_get_array(command, "program", 1, HF_PROFILE_COMMAND_MAX, &list, &count, error) != HF_OK)
        return error->code;
    for (int i = 0; i < count; i++) {
        struct hf_json_reader item = hf_json_item(&list, i);
        const char *word = cJSON_GetStringValue(item.value);

        if (word == NULL)
            return hf_json_fail(&item, NULL, error, HF_E_INPUT, "must be a string");
        if (used + strlen(word) + 1 > sizeof profile->command_words)
            return hf_json_fail(&item, NULL, error, HF_E_RANGE,
                                "the words of the program have more than %zu bytes",
                                sizeof profile->command_words - 1);
        profile->command[i] = profile->command_words + used;
        memcpy(profile->command_words + used, word, strlen(word) + 1);
        used += strlen(word) + 1;
    }
    if (profile->command[0][0] != '/')
        return hf_json_fail(command, "program", error, HF_E_INPUT,
                            "begins with \"%.40s\"; the program needs its whole path, from / on",
                            profile->command[0]);
    profile->command_count = count;
    return HF_OK;
}

int hf_profile_read_driver(const struct hf_json_reader *top, struct hf_profile *profile,
                           struct hf_error *error)
{
    struct hf_json_reader command;
    int is_command = strcmp(profile->driver, "command") == 0;

    if (read_failure(top, profile, error) != HF_OK)
        return error->code;
    if (!hf_json_has(top, "command")) {
        if (!is_command)
            return HF_OK;
        return hf_json_fail(top, "command", error, HF_E_INPUT, "is missing: the driver \"command\" needs it");
    }
    if (hf_json_get_object(top, "command", &command, error) != HF_OK ||
        hf_json_only_keys(&command, hf_profile_keys[HF_PROFILE_COMMAND], error) != HF_OK ||
        hf_profile_read_numbers(&command, HF_PROFILE_COMMAND, profile, error) != HF_OK)
        return error->code;
    return read_words(&command, profile, error);
}

int hf_profile_read_rig_front(const struct hf_json_reader *rig, struct hf_profile *profile,
                              struct hf_error *error)
{
    struct hf_profile_rig *into = &profile->rig;

    if (!hf_json_has(rig, "set_by")) {
        if (hf_json_has(rig, "board"))
            return hf_json_fail(rig, "board", error, HF_E_INPUT, "means nothing without \"set_by\"");
        return HF_OK;
    }
    if (hf_json_get_string(rig, "set_by", into->set_by, sizeof into->set_by, error) != HF_OK ||
        hf_json_get_string(rig, "board", into->board, sizeof into->board, error) != HF_OK)
        return error->code;
    if (strcmp(into->set_by, "command") != 0 && strcmp(into->set_by, "sheet") != 0)
        return hf_json_fail(rig, "set_by", error, HF_E_INPUT, "must be \"command\" or \"sheet\"");
    if (strcmp(into->set_by, "command") == 0 && profile->command_count == 0)
        return hf_json_fail(rig, "set_by", error, HF_E_INPUT, "needs \"command\" beside \"rig\"");
    if (into->board[0] != '/')
        return hf_json_fail(rig, "board", error, HF_E_INPUT,
                            "begins with \"%.40s\"; the folder needs its whole path, from / on",
                            into->board);
    return HF_OK;
}
