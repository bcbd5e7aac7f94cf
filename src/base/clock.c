#include "holdfast/clock.h"

#include <math.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <time.h>

#define DAY_S             86400
#define DURATION_MAX_DAYS 366

static int64_t clock_read_ns(clockid_t id)
{
    struct timespec now;

    (void)clock_gettime(id, &now); /* cannot fail for these ids on Linux */
    return (int64_t)now.tv_sec * 1000000000 + now.tv_nsec;
}

static int64_t real_wall_ns(void *context)
{
    (void)context;
    return clock_read_ns(CLOCK_REALTIME);
}

static int64_t real_monotonic_ns(void *context)
{
    (void)context;
    return clock_read_ns(CLOCK_MONOTONIC);
}

const struct hf_clock hf_clock_real = {real_wall_ns, real_monotonic_ns, NULL};

int64_t hf_clock_slept_ns(void)
{
    int64_t monotonic_ns = clock_read_ns(CLOCK_MONOTONIC);

    return clock_read_ns(CLOCK_BOOTTIME) - monotonic_ns;
}

void hf_time_format(int64_t wall_ns, char ret_text[HF_TIME_TEXT])
{
    time_t seconds = (time_t)(wall_ns / 1000000000);
    int milliseconds = (int)(wall_ns / 1000000 % 1000);
    struct tm parts;

    if (wall_ns < 0 || gmtime_r(&seconds, &parts) == NULL || parts.tm_year > 9999 - 1900) {
        (void)snprintf(ret_text, HF_TIME_TEXT, "1970-01-01T00:00:00.000Z");
        return;
    }
    (void)snprintf(ret_text, HF_TIME_TEXT, "%04u-%02u-%02uT%02u:%02u:%02u.%03uZ",
                   (unsigned)(parts.tm_year + 1900) % 10000u, (unsigned)(parts.tm_mon + 1) % 100u,
                   (unsigned)parts.tm_mday % 100u, (unsigned)parts.tm_hour % 100u,
                   (unsigned)parts.tm_min % 100u, (unsigned)parts.tm_sec % 100u,
                   (unsigned)milliseconds % 1000u);
}

/* Only what hf_time_format() would write is a time: 31 February, 99 seconds, blanks and signs are not. */
int hf_time_parse(const char *text, int64_t *ret_wall_ns, struct hf_error *error)
{
    struct tm parts = {0};
    char again[HF_TIME_TEXT];
    int milliseconds;
    int64_t wall_ns;

    if (sscanf(text, "%4d-%2d-%2dT%2d:%2d:%2d.%3dZ", &parts.tm_year, &parts.tm_mon, &parts.tm_mday,
               &parts.tm_hour, &parts.tm_min, &parts.tm_sec, &milliseconds) != 7)
        return hf_fail(error, HF_E_INPUT, "\"%.40s\" is not a time like 2026-11-25T09:27:31.123Z", text);
    parts.tm_year -= 1900;
    parts.tm_mon -= 1;
    wall_ns = (int64_t)timegm(&parts) * 1000000000 + (int64_t)milliseconds * 1000000;
    hf_time_format(wall_ns, again);
    if (strcmp(again, text) != 0)
        return hf_fail(error, HF_E_INPUT, "\"%.40s\" is not a time like 2026-11-25T09:27:31.123Z", text);
    *ret_wall_ns = wall_ns;
    return HF_OK;
}

static double unit_seconds(const char *unit)
{
    if (strcmp(unit, "s") == 0)
        return 1;
    if (strcmp(unit, "m") == 0)
        return 60;
    if (strcmp(unit, "h") == 0)
        return 3600;
    if (strcmp(unit, "d") == 0)
        return DAY_S;
    return 0;
}

int hf_duration_parse(const char *text, double *ret_seconds, struct hf_error *error)
{
    char *unit;
    double amount = strtod(text, &unit);
    size_t digits = strspn(text, "0123456789.");
    double scale = digits > 0 && digits == (size_t)(unit - text) ? unit_seconds(unit) : 0;

    if (scale == 0 || !isfinite(amount))
        return hf_fail(error, HF_E_USAGE, "\"%.40s\" is not a duration: write 90s, 20m, 6h or 2d", text);
    if (amount <= 0 || amount * scale > (double)DURATION_MAX_DAYS * DAY_S)
        return hf_fail(error, HF_E_RANGE,
                       "the duration %.40s is outside its range: more than 0s, at most %dd", text,
                       DURATION_MAX_DAYS);
    *ret_seconds = amount * scale;
    return HF_OK;
}

void hf_duration_format(double seconds, char ret_text[HF_TIME_TEXT])
{
    if (!(seconds >= 0))
        (void)snprintf(ret_text, HF_TIME_TEXT, "-");
    else if (seconds < 120)
        (void)snprintf(ret_text, HF_TIME_TEXT, "%.0f s", seconds);
    else if (seconds < 120 * 60)
        (void)snprintf(ret_text, HF_TIME_TEXT, "%.1f min", seconds / 60);
    else if (seconds < 72 * 3600)
        (void)snprintf(ret_text, HF_TIME_TEXT, "%.1f h", seconds / 3600);
    else
        (void)snprintf(ret_text, HF_TIME_TEXT, "%.1f d", seconds / DAY_S);
}
