/* One night of a rehearsal: the plan against one rig, event by event. Used by rehearse.c only. */
#ifndef HOLDFAST_HARNESS_REHEARSE_NIGHT_H
#define HOLDFAST_HARNESS_REHEARSE_NIGHT_H

#include "holdfast/rehearse.h"

/* How long decisions took, in buckets of 2 %: bucket i ends at 1.02^i microseconds. */
#define HF_DECISION_BUCKETS 1200

struct hf_decision_times {
    uint64_t count[HF_DECISION_BUCKETS];
    uint64_t total;
};

/* Options with every default filled in, and what belongs to this night. */
struct hf_night_setup {
    const struct hf_rehearse_options *options;
    struct hf_rig_config rig;   /* with the night's seed */
    struct hf_plan_config plan; /* with the night's seed */
    int number;
};

/* Runs the night to its end. Fills what belongs to its course (outcome, hours, counts, chosen steps; the
 * extrapolation's 95 % bounds go to ret_upper_per_hour, NAN where there is none), nothing of the truth. */
int hf_night_run(const struct hf_night_setup *setup, struct hf_decision_times *times,
                 struct hf_rehearse_night *ret_night, double ret_upper_per_hour[HF_RIG_GROUPS_MAX],
                 struct hf_error *error);

#endif
