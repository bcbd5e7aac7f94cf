/*
 * Kernels: compute loops with a known answer.
 *
 * A kernel advances a state by a number of steps. The state after n steps from (operand set, seed) is known
 * another way: by a closed form in integer arithmetic, or by a published value. Nothing is forgotten: each step is
 * a bijection of the whole live state (or a strong hash of it), so one wrong bit at any moment is still wrong in
 * the digest. Results never become addresses, loop counts or branches that could leave the state's own buffer.
 *
 * Calling order for one block:
 *   kernel->start(state, operands, seed);
 *   kernel->advance(state, steps);         any number of times: bursts of a pattern; no system call, no allocation
 *   digest = kernel->digest(state);
 *   expected = kernel->expect(operands, seed, total_steps);   in the worker, and again in the supervisor
 * A state is state_bytes of memory, aligned to 64 bytes, and is the caller's.
 *
 * The registry holds one entry per kernel and width; each starts as the reference entry and is replaced by a
 * faster one when the CPU and the operating system allow it. Every entry gives the same digests as its reference.
 */
#ifndef HOLDFAST_KERNEL_H
#define HOLDFAST_KERNEL_H

#include <stddef.h>
#include <stdint.h>

#include "holdfast/error.h"
#include "holdfast/event.h"

/* Operand range alone changed error rates up to 245 times (Wang et al. 2023): slices rotate the sets. */
enum hf_operands {
    HF_OPERANDS_FULL,    /* full range */
    HF_OPERANDS_BOUNDED, /* small values */
    HF_OPERANDS_SPARSE,  /* few bits set */
    HF_OPERANDS_CARRY,   /* long carry chains */
    HF_OPERANDS_COUNT
};

const char *hf_operands_name(enum hf_operands operands); /* "full", "bounded", "sparse", "carry" */
int hf_operands_of_name(const char *name);

/* Where one lane of the state differs from what it must be: for the mismatch record. */
struct hf_lane_report {
    int lane;          /* -1: no lane differs */
    uint64_t expected;
    uint64_t got;
};

/* What a strike may damage so that it hits live state (src/harness/strike.c). */
enum hf_live_state {
    HF_LIVE_VECTOR = 1,  /* vector registers */
    HF_LIVE_GENERAL = 2, /* general registers that hold data */
    HF_LIVE_MEMORY = 4   /* the state buffer */
};

struct hf_kernel {
    const char *name;      /* "fma-residue" */
    const char *isa;       /* "reference", "avx2+fma", "avx512" */
    int width_bits;        /* 64 for scalar */
    int load_class;        /* enum hf_load_class of rig.h, as int: kernels know nothing of the rig */
    size_t state_bytes;
    unsigned live_state;   /* enum hf_live_state */
    uint64_t burst_steps;  /* steps that take roughly 20 us on a current core: the natural burst */
    double operations_per_step; /* of the limiting instruction, all lanes: for bench */
    const char *limit;     /* what bounds it: "multiply-add issue", ... */
    void (*start)(void *state, enum hf_operands operands, uint64_t seed);
    void (*advance)(void *state, uint64_t steps);
    uint64_t (*digest)(const void *state);
    uint64_t (*expect)(enum hf_operands operands, uint64_t seed, uint64_t steps);
    /* After a mismatch: finds the first lane that is wrong. May be slow. */
    void (*locate)(const void *state, enum hf_operands operands, uint64_t seed, uint64_t steps,
                   struct hf_lane_report *ret_report);
    /* Flips bit number `bit` (modulo the number of live bits) of the live state between two bursts. */
    void (*plant)(void *state, uint64_t bit);
};

/* All entries that can run on this CPU, best first choice for each (name, width). Index 0 .. count-1; the order
 * is the same in every process on one machine and CPU. */
int hf_kernel_count(void);
const struct hf_kernel *hf_kernel_at(int index);

/* The chosen entry for name (width_bits 0: the widest that runs here); NULL when there is none. */
const struct hf_kernel *hf_kernel_find(const char *name, int width_bits);

/* The plain C entry for a (name, width): always there for every kernel of the registry. */
const struct hf_kernel *hf_kernel_reference(const char *name, int width_bits);

/* Largest state_bytes over the registry. */
size_t hf_kernel_state_bytes_max(void);

/* Runs `steps` steps in two bursts, plants one wrong bit between them, and checks that digest and expect then
 * differ, and that they agree without the plant. 1: the kernel reports planted errors here. */
int hf_kernel_proof(const struct hf_kernel *kernel, void *state, uint64_t seed, uint64_t bit);

/* Forces the reference entries (tests, and HOLDFAST_KERNELS=reference in the environment of the tests). */
void hf_kernel_force_reference(int on);

#endif
