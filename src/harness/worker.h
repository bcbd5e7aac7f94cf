/* One worker: a process pinned to one logical CPU that runs blocks and posts what came out. */
#ifndef HOLDFAST_HARNESS_WORKER_H
#define HOLDFAST_HARNESS_WORKER_H

#include <stdint.h>

/* Runs as worker number `index` on `cpu` until told to quit or the supervisor dies. Returns the exit status.
 */
int hf_worker_main(int index, int cpu);

#endif
