/*
 * What bench measures beside the kernels: how well the cores keep the edges of a square pattern, how soon a
 * planted error is reported, and how soon the load is gone after a stop. All of it by threads that run real
 * blocks, pinned to the CPUs given.
 */
#ifndef HOLDFAST_CLI_BENCH_EDGES_H
#define HOLDFAST_CLI_BENCH_EDGES_H

#include <stdint.h>

#include "holdfast/error.h"
#include "holdfast/json.h"

#define HF_BENCH_CPUS_MAX  8
#define HF_BENCH_EDGES_MAX 24

/* One period of square, sync all. */
struct hf_bench_edges {
    double period_ns;
    double produced_ns; /* what the cores made of it: the median of counted batches' mean periods, or of the
                           times from one timed edge to the next; 0: nothing ran */
    double duty;        /* asked */
    double work_share;  /* counted periods: what the work alone takes, over the period; else 0 */
    int counted;        /* 1: below a microsecond; edges and skew are those of whole batches */
    uint64_t met, missed;
    uint64_t common;                              /* edges that a core met together with the first one */
    double skew_ns_p50, skew_ns_p90, skew_ns_p99; /* over these; 0 when there is none */
};

struct hf_bench_reaction {
    uint64_t planted, reported; /* single bits, in turn in every kernel */
    double report_ms_p50, report_ms_p99;
    uint64_t stops;
    double stop_ms_p50, stop_ms_p99, stop_ms_max;
    double stop_worked_ms_max; /* of the CPU, after the stop: what is left of the load */
};

/* seconds: for each period. At least one CPU; with one there are no common edges. HF_E_UNPROVED when a block
 * came out wrong. */
int hf_bench_edges(const int16_t *cpus, int cpu_count, double seconds,
                   struct hf_bench_edges ret_rows[HF_BENCH_EDGES_MAX], int *ret_count,
                   struct hf_error *error);

int hf_bench_reaction(const int16_t *cpus, int cpu_count, struct hf_bench_reaction *ret_reaction,
                      struct hf_error *error);

#endif
