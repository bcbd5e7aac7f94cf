/* On-off cycles below a microsecond: by counted steps and counted idle turns. See counted.c. */
#ifndef HOLDFAST_WORKLOADS_COUNTED_H
#define HOLDFAST_WORKLOADS_COUNTED_H

#include <stdint.h>

#include "holdfast/kernel.h"
#include "workloads/patterns/schedule.h"

#define HF_COUNTED_DRAWS 256

/* A kernel's and a core's measures, which outlive a block. */
struct hf_counted_tuning {
    uint64_t key;      /* of what it was measured for; 0: of nothing yet */
    uint64_t on;       /* steps, or stages when the kernel works in pulses, of the on part */
    double call_ticks; /* of a call of one step, and of each further step */
    double step_ticks;
    double idle_turns; /* of the off part, with its fraction */
    double turn_ticks; /* one idle turn */
    int corrections;   /* of idle_turns so far */
    int spoilt;        /* batches in a row that were three times too long */
};

struct hf_counted {
    const struct hf_kernel *kernel;
    void *state;
    double period_ticks;
    double duty;
    int is_random;                    /* telegraph */
    struct hf_counted_tuning *tuning; /* this thread's */
    uint64_t key;
    uint64_t steps; /* done so far, calibration included */
    double carry;   /* of fractions of idle turns */
    /* the last batch: cycles, ticks in all, and ticks that the work alone would have taken */
    uint64_t batch_cycles;
    double batch_ticks;
    double batch_work_ticks;
    unsigned draw;
    float on_draw[HF_COUNTED_DRAWS]; /* telegraph: lengths of on and off parts, mean 1 */
    float off_draw[HF_COUNTED_DRAWS];
};

void hf_counted_init(struct hf_counted *counted, const struct hf_timeline *timeline,
                     const struct hf_kernel *kernel, void *state);

/* Runs a batch of whole cycles that ends before `end`; returns how many. `now` is hf_ticks_now(). */
uint64_t hf_counted_run(struct hf_counted *counted, uint64_t now, uint64_t end);

/* The on part in stages that a kernel of pulses can make and that comes nearest to `wanted`: 1, 2, 3, or a
 * multiple of per_step. */
uint64_t hf_counted_on_stages(double wanted, unsigned per_step);

#endif
