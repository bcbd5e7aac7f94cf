/* branch: see kernels/reference/branch.c. */
#ifndef HOLDFAST_WORKLOADS_BRANCH_H
#define HOLDFAST_WORKLOADS_BRANCH_H

#include <stdint.h>

#define HF_BRANCH_WINDOWS     500
#define HF_BRANCH_WINDOW_SIZE 2000 /* numbers; 500 x 2000 = 10^6 */
#define HF_BRANCH_KEYS        64   /* sorted in every other step */

struct hf_branch_window {
    uint32_t count;
    uint32_t sum;
};

extern const struct hf_branch_window hf_branch_windows[HF_BRANCH_WINDOWS];

#endif
