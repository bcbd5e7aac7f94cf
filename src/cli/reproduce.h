/* What the files of `holdfast reproduce` share: the recorded failure, and its narrowing. */
#ifndef HOLDFAST_CLI_REPRODUCE_H
#define HOLDFAST_CLI_REPRODUCE_H

#include <stdint.h>

#include "holdfast/error.h"
#include "holdfast/event.h"

/* What the journal says of the trial. */
struct hf_recorded {
    uint64_t wanted; /* 0: the last that failed */
    uint64_t trial;  /* the one found; 0: none */
    int group;
    double exposure_s;
    uint64_t slice; /* running when it failed */
    int has_slice;
    uint64_t last_slice;     /* the latest slice record so far */
    uint64_t mismatch_trial; /* of the latest mismatch record, and its slice */
    uint64_t mismatch_slice;
    int16_t step[HF_GROUPS_MAX];    /* of the groups that ran beside it, -1 idle */
    int16_t running[HF_GROUPS_MAX]; /* now, while the journal is read */
    uint64_t trial_of[HF_GROUPS_MAX];
    int is_replay[HF_GROUPS_MAX]; /* the open trial is itself one of this command's */
};

struct hf_narrow_options {
    const char *directory;
    int accept_the_risk;
    int json;
    double replay_s; /* --for; 0: by the recorded exposure */
};

/* Shrinks the recorded failure to the smallest load that still fails, and writes it as a mix file beside the
 * journal. Returns the exit status: 1 found, 0 it does not fail any more, 3 undecided. */
int hf_reproduce_narrow(const struct hf_narrow_options *options, const struct hf_recorded *recorded,
                        struct hf_error *error);

#endif
