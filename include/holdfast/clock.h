/*
 * Time: one seam for every clock the program reads, and the forms in which people write time.
 *
 * Code that needs the time takes a `const struct hf_clock *`; hf_clock_real is the machine's, tests and
 * rehearsals bring their own. src/plan and src/rig take times as plain arguments and have no clock at all.
 */
#ifndef HOLDFAST_CLOCK_H
#define HOLDFAST_CLOCK_H

#include <stddef.h>
#include <stdint.h>

#include "holdfast/error.h"

struct hf_clock {
    int64_t (*wall_ns)(void *context);      /* CLOCK_REALTIME, nanoseconds since 1970 */
    int64_t (*monotonic_ns)(void *context); /* CLOCK_MONOTONIC, never goes back within one boot */
    void *context;
};

extern const struct hf_clock hf_clock_real;

static inline int64_t hf_clock_wall_ns(const struct hf_clock *clock)
{
    return clock->wall_ns(clock->context);
}

static inline int64_t hf_clock_monotonic_ns(const struct hf_clock *clock)
{
    return clock->monotonic_ns(clock->context);
}

/* How long this boot has been asleep (CLOCK_BOOTTIME less CLOCK_MONOTONIC): what the machine did meanwhile
 * was nothing. */
int64_t hf_clock_slept_ns(void);

#define HF_TIME_TEXT 32 /* bytes that hold any text made here, with its NUL */

/* ISO 8601 in UTC with milliseconds: 2026-11-25T09:27:31.123Z */
void hf_time_format(int64_t wall_ns, char ret_text[HF_TIME_TEXT]);

/* The inverse; 0, or HF_E_INPUT. */
int hf_time_parse(const char *text, int64_t *ret_wall_ns, struct hf_error *error);

/* "90s", "20m", "6h", "2d", "1.5h" to seconds; more than 0, at most 366 d; HF_E_RANGE or HF_E_USAGE. */
int hf_duration_parse(const char *text, double *ret_seconds, struct hf_error *error);

/* 42 s, 3.5 min, 2.7 h, 6.1 d: short, for people. */
void hf_duration_format(double seconds, char ret_text[HF_TIME_TEXT]);

#endif
