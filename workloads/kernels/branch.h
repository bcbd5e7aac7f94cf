/* branch: see kernels/reference/branch.c. */
#ifndef HOLDFAST_WORKLOADS_BRANCH_H
#define HOLDFAST_WORKLOADS_BRANCH_H

#include <stdint.h>

#define HF_BRANCH_WINDOWS     500
#define HF_BRANCH_WINDOW_SIZE 2000 /* numbers; 500 x 2000 = 10^6 */
#define HF_BRANCH_KEYS        64   /* sorted at one position of four */
#define HF_BRANCH_BOARD       10   /* columns and rows of the queens' board */
#define HF_BRANCH_BOARDS      72   /* ways to place the first two of them */
#define HF_BRANCH_FLIGHTS     8    /* Collatz starts to a window */
#define HF_BRANCH_JOBS        4    /* sieve, sort, queens, flights, in turn */
#define HF_BRANCH_CYCLE       (HF_BRANCH_JOBS * HF_BRANCH_WINDOWS)

/* Known answers: the sum of the kernel's own code over a table is a published count. */
struct hf_branch_window {
    uint32_t count;
    uint32_t sum;
};

struct hf_branch_board {
    uint8_t first; /* column of the queen in the first row */
    uint8_t second;
    uint16_t solutions;
    uint64_t walk; /* hash of all queens placed after them */
};

struct hf_branch_flights {
    uint64_t steps; /* of all HF_BRANCH_FLIGHTS together */
    uint64_t sum;
};

extern const struct hf_branch_window hf_branch_windows[HF_BRANCH_WINDOWS];
extern const struct hf_branch_board hf_branch_boards[HF_BRANCH_BOARDS];
extern const struct hf_branch_flights hf_branch_flights[HF_BRANCH_WINDOWS];

/* Evenly over the window, and such that 837799 is one of them. */
static inline uint32_t hf_branch_flight_start(uint32_t window, uint32_t flight)
{
    return window * HF_BRANCH_WINDOW_SIZE + flight * (HF_BRANCH_WINDOW_SIZE / HF_BRANCH_FLIGHTS) + 49;
}

#endif
