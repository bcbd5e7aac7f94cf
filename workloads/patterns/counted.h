/* On-off cycles below a microsecond: by counted steps and counted idle turns. See counted.c. */
#ifndef HOLDFAST_WORKLOADS_COUNTED_H
#define HOLDFAST_WORKLOADS_COUNTED_H

#include <stdint.h>

#include "holdfast/kernel.h"

struct hf_counted {
    const struct hf_kernel *kernel;
    void *state;
    double period_ticks;
    double duty;
    uint64_t on_steps; /* 0: not calibrated yet */
    double idle_turns; /* of the off part, with its fraction */
    double turn_ticks; /* one idle turn */
    int corrections;   /* of idle_turns so far */
    uint64_t steps;    /* done so far, calibration included */
};

void hf_counted_init(struct hf_counted *counted, const struct hf_kernel *kernel, void *state,
                     double period_ticks, double duty);

/* Runs a batch of whole cycles that ends before `end`; returns how many. `now` is hf_ticks_now(). */
uint64_t hf_counted_run(struct hf_counted *counted, uint64_t now, uint64_t end);

#endif
