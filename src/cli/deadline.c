#include "cli/deadline.h"

#include <limits.h>
#include <math.h>
#include <stdio.h>
#include <string.h>
#include <time.h>
#include <unistd.h>

#include <cjson/cJSON.h>

#include "holdfast/json.h"

int hf_deadline_parse(const char *text, int64_t now_wall_ns, double *ret_seconds, struct hf_error *error)
{
    time_t now = (time_t)(now_wall_ns / 1000000000), then;
    struct tm parts;
    int hour, minute, length = 0;

    if (sscanf(text, "%2d:%2d%n", &hour, &minute, &length) != 2 || text[length] != '\0' || hour < 0 ||
        hour > 23 || minute < 0 || minute > 59)
        return hf_fail(error, HF_E_USAGE, "--by %.20s: a time of day, HH:MM, 00:00 to 23:59", text);
    for (int day = 0; day < 2; day++) {
        if (localtime_r(&now, &parts) == NULL)
            break;
        parts.tm_mday += day;
        parts.tm_hour = hour;
        parts.tm_min = minute;
        parts.tm_sec = 0;
        parts.tm_isdst = -1;
        then = mktime(&parts);
        if (then > now) {
            *ret_seconds = (double)(then - now);
            return HF_OK;
        }
    }
    return hf_fail(error, HF_E_RANGE, "--by %s: the clock of this machine cannot be read", text);
}

/* The same document with this deadline in its search section. The same document and deadline give the same
 * bytes, so that the digest of a run's profile can be met again. */
static int with_deadline(const struct hf_profile *profile, double deadline_s, struct hf_profile **ret_profile,
                         struct hf_error *error)
{
    char hours[40];
    struct cJSON *document, *search;
    char *text = NULL;

    if (hf_json_parse(profile->document.bytes, profile->document.size, "profile", &document, error) != HF_OK)
        return error->code;
    (void)snprintf(hours, sizeof hours, "%.4f", deadline_s / 3600.0);
    search = cJSON_GetObjectItemCaseSensitive(document, "search");
    if (search == NULL)
        search = cJSON_AddObjectToObject(document, "search");
    cJSON_DeleteItemFromObjectCaseSensitive(search, "deadline_hours");
    if (search != NULL && cJSON_AddRawToObject(search, "deadline_hours", hours) != NULL)
        text = cJSON_Print(document);
    if (text == NULL)
        (void)hf_fail(error, HF_E_MEMORY, "no memory for the profile");
    else
        (void)hf_profile_parse(text, strlen(text), "the profile with its deadline", ret_profile, error);
    cJSON_free(text);
    hf_json_document_free(document);
    return error->code;
}

static int check_room(double deadline_s, const struct hf_profile *profile, struct hf_error *error)
{
    double needed_s = profile->baseline_s + profile->soak_s;

    if (deadline_s > needed_s)
        return HF_OK;
    return hf_fail(error, HF_E_RANGE,
                   "--by leaves %.2f h of run time; the baseline's proof and the soak alone take %.2f h",
                   deadline_s / 3600.0, needed_s / 3600.0);
}

static int replace_by(struct hf_profile **profile, double deadline_s, const char *wanted_digest,
                      struct hf_error *error)
{
    struct hf_profile *patched = NULL;

    if (with_deadline(*profile, deadline_s, &patched, error) != HF_OK)
        return error->code;
    if (wanted_digest != NULL && strcmp(patched->digest, wanted_digest) != 0) {
        hf_profile_free(patched); /* another profile altogether: opening the run will say so */
        return HF_OK;
    }
    hf_profile_free(*profile);
    *profile = patched;
    return HF_OK;
}

int hf_deadline_settle(const char *directory, double wanted_s, struct hf_profile **profile,
                       struct hf_error *error)
{
    char path[PATH_MAX];
    struct hf_profile *frozen = NULL;
    int code = HF_OK;

    if (snprintf(path, sizeof path, "%s/profile.json", directory) >= (int)sizeof path)
        return hf_fail(error, HF_E_RANGE, "--run: the path is too long");
    if (access(path, F_OK) == 0) {
        if (hf_profile_read(path, &frozen, error) != HF_OK)
            return error->code;
        if (!isnan(frozen->deadline_s) && strcmp(frozen->digest, (*profile)->digest) != 0)
            code = replace_by(profile, frozen->deadline_s, frozen->digest, error);
        hf_profile_free(frozen);
        return code;
    }
    if (wanted_s <= 0.0)
        return HF_OK;
    if (check_room(wanted_s, *profile, error) != HF_OK)
        return error->code;
    return replace_by(profile, wanted_s, NULL, error);
}
