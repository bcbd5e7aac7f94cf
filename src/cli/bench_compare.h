/* bench --compare: what general-purpose libraries reach on this CPU, as a program of its own measures it
 * (tests/bench/compare.c). The program is given no arguments and prints one JSON object. */
#ifndef HOLDFAST_CLI_BENCH_COMPARE_H
#define HOLDFAST_CLI_BENCH_COMPARE_H

#include "holdfast/error.h"

/* Of the kernels, in this run; 0: not measured. */
struct hf_bench_own {
    double fma_gflops;
    double matrix_gflops; /* in double precision */
    double cipher_gbytes_per_s, hash_gbytes_per_s;
};

struct hf_bench_libraries {
    double dgemm_gflops;
    double aes128_gbytes_per_s;
    double sha256_gbytes_per_s;
};

/* Runs the program, which inherits this thread's CPU, and reads its figures. HF_E_NOT_FOUND when it cannot be
 * started, HF_E_INPUT when it prints something else. */
int hf_bench_libraries(const char *program, struct hf_bench_libraries *ret_libraries, struct hf_error *error);

#endif
