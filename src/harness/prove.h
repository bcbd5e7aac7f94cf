/*
 * The survey's proof: on every given CPU a worker plants one wrong bit in each kernel, and each must be
 * reported.
 */
#ifndef HOLDFAST_HARNESS_PROVE_H
#define HOLDFAST_HARNESS_PROVE_H

#include <stdint.h>

#include "holdfast/error.h"

struct hf_cpu_proof {
    int cpu;
    int planted;
    int reported;
    double start_ms;   /* from spawn to ready */
    char trouble[192]; /* why it could not be done here; "" when it was */
};

/* ret_proofs has room for count. HF_E_MISSING when the workers do not come up within 60 s. */
int hf_prove_cpus(const int16_t *cpus, int count, struct hf_cpu_proof *ret_proofs, struct hf_error *error);

#endif
