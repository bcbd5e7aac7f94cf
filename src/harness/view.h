/* What a person may see of a running supervisor: a snapshot, made from its state a few times a second. */
#ifndef HOLDFAST_HARNESS_VIEW_H
#define HOLDFAST_HARNESS_VIEW_H

#include <stdint.h>

#include "holdfast/event.h"

struct hf_supervisor;

#define HF_VIEW_EVERY_MS 200 /* at most five times a second */

struct hf_view_group {
    int step; /* in force or on trial; the baseline otherwise */
    const char *doing;
    double done_s, limit_s; /* 0: no trial */
    double celsius;         /* NAN: not readable */
};

struct hf_supervisor_view {
    int group_count;
    struct hf_view_group group[HF_GROUPS_MAX];
    uint64_t blocks; /* checked in this session */
    double now_s;    /* run time */
};

void hf_supervisor_view(const struct hf_supervisor *s, struct hf_supervisor_view *ret_view);

#endif
