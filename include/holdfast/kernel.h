/*
 * Kernels: compute loops with a known answer.
 *
 * A kernel advances a state by a number of steps. The state after n steps from (operand set, seed) is known
 * another way: by a closed form in integer arithmetic, or by a published value. Nothing is forgotten: each
 * step is a bijection of the whole live state (or a strong hash of it), so one wrong bit at any moment is
 * still wrong in the digest. Results never become addresses, loop counts or branches that could leave the
 * state's own buffer.
 *
 * Calling order for one block:
 *   kernel->start(state, operands, seed);
 *   kernel->advance(state, steps);         any number of times: bursts of a pattern; no system call
 *   digest = kernel->digest(state);
 *   expected = kernel->expect(operands, seed, total_steps);   in the worker, and again in the supervisor
 * A state is state_bytes of memory, aligned to 64 bytes, and is the caller's.
 *
 * The registry holds one entry per kernel and width; each starts as the reference entry and is replaced by a
 * faster one when the CPU and the operating system allow it. Every entry gives the same digests as its
 * reference.
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
    int lane; /* -1: no lane differs */
    uint64_t expected;
    uint64_t got;
};

/* What a strike may damage so that it hits live state (src/harness/strike.c). */
enum hf_kernel_live {
    HF_LIVE_VECTOR = 1,  /* vector registers */
    HF_LIVE_GENERAL = 2, /* general registers that hold data */
    HF_LIVE_MEMORY = 4   /* the state buffer */
};

struct hf_kernel {
    const char *name;    /* "fma-residue" */
    const char *variant; /* "plain", "folded"; NULL: plain */
    /* The same entry with every block folded, for bench and tests; in the entry itself the seed says which
     * blocks are. NULL: none. */
    const struct hf_kernel *folded;
    const char *isa;            /* "reference", "avx2+fma", "avx512" */
    unsigned needs;             /* what CPU and system must have: bits of workloads/features.h; 0: nothing */
    int width_bits;             /* 64 for scalar */
    int load_class;             /* enum hf_load_class (event.h) */
    size_t state_bytes;         /* a multiple of 64 */
    int level;                  /* memory kernels: 1 to 3 the cache of that level, 4 memory; 0: others */
    int arena;                  /* enum hf_arena_kind (workloads/arena.h); 0: the state is all it works on */
    uint64_t words_per_step;    /* of the arena: all its words are visited in words / this many steps */
    unsigned live_state;        /* enum hf_kernel_live */
    uint64_t live_bits;         /* bits that plant() can flip: all that a later step or the digest uses */
    uint64_t burst_steps;       /* steps that take roughly 20 us on a current core: the natural burst */
    double operations_per_step; /* limiting instructions; one vector instruction counts as one */
    double flops_per_step;      /* floating-point operations, all lanes; 0 where that means nothing */
    double bytes_per_step;      /* that are enciphered or hashed, all lanes; 0 where that means nothing */
    const char *limit;          /* what bounds it: "multiply-add issue", ... */
    /* A bare loop of independent limiting instructions, `rounds` times round; returns how many it issued.
     * NULL: none known. Not kernel code: it has no answer. */
    uint64_t (*limit_loop)(uint64_t rounds);
    void (*start)(void *state, enum hf_operands operands, uint64_t seed);
    void (*advance)(void *state, uint64_t steps);
    uint64_t (*digest)(const void *state);
    uint64_t (*expect)(enum hf_operands operands, uint64_t seed, uint64_t steps);
    /* After a mismatch: finds the first lane that is wrong. May be slow. */
    void (*locate)(const void *state, enum hf_operands operands, uint64_t seed, uint64_t steps,
                   struct hf_lane_report *ret_report);
    /* Flips bit number `bit` (modulo live_bits) of the live state between two bursts. */
    void (*plant)(void *state, uint64_t bit);
    /* Kernels that work with a partner (handoff): how many exchanges it took part in, and bits that it left
     * wrong, neither of them in the digest. A block without an exchange proves nothing. NULL: no partner. */
    void (*partnered)(const void *state, uint64_t *ret_met, uint64_t *ret_foreign);
    int scope; /* enum hf_scope (workloads/team.h): where its partner is */
    /* Pulsed work, for on-off periods too short for calls and clocks; NULL in most kernels. Advances by
     * `steps` steps, a step being stages_per_step stages: every on_stages of them (1, 2, 3, or a multiple of
     * stages_per_step) make a pulse, which begins `turns` turns of a chain of dependent additions, one a
     * cycle, after the one before. The answer depends on `steps` alone. */
    unsigned stages_per_step;
    void (*pulse)(void *state, uint64_t steps, uint64_t on_stages, uint64_t turns);
};

/* One entry per (name, width) of the registry: the fastest that can run on this CPU, the reference entry
 * where there is none. Index 0 .. count-1; the order is the same in every process, whatever the CPU. */
int hf_kernel_count(void);
const struct hf_kernel *hf_kernel_at(int index);

/* The index of a (name, width); width_bits 0: the widest that has a fast entry here (the narrowest when none
 * has). -1 when there is no such kernel. */
int hf_kernel_index(const char *name, int width_bits);

/* The chosen entry for name and width, as hf_kernel_index() finds it; NULL when there is none. */
const struct hf_kernel *hf_kernel_find(const char *name, int width_bits);

/* The plain C entry for a (name, width): always there for every kernel of the registry. */
const struct hf_kernel *hf_kernel_reference(const char *name, int width_bits);

/* Every entry of that index that can run on this CPU, the reference first, the fastest last; returns how
 * many. For tests and benchmarks: what is forced does not matter. */
#define HF_KERNEL_ENTRIES_MAX 8

int hf_kernel_entries(int index, const struct hf_kernel *ret_entries[HF_KERNEL_ENTRIES_MAX]);

/* 1 when the (name, width) of that index runs here in hardware of its width, 0 when plain C stands in for it.
 * A kernel that has plain C only is always native. */
int hf_kernel_is_native(int index);

/* Largest state_bytes over the registry. */
size_t hf_kernel_state_bytes_max(void);

/* For every operand set: runs two bursts and checks that digest and expect agree; runs them again with one
 * wrong bit planted between the bursts and checks that they then differ. 1: the kernel is right and reports
 * planted errors here. `state` holds state_bytes, aligned to 64. */
int hf_kernel_proof(const struct hf_kernel *kernel, void *state, uint64_t seed, uint64_t bit);

/* Forces the reference entries (tests, and HOLDFAST_KERNELS=reference in the environment of the tests). */
void hf_kernel_force_reference(int on);

/* 1 when the program counter lies in kernel code (the section "hf_kernels" that holds every advance()): only
 * then do the registers hold live state. Safe in a signal handler. */
int hf_kernel_owns_address(const void *program_counter);

/* Steps a second of the kernel, and beside it the rate of its bare limit loop in operations a second (0
 * when it has none): `seconds` in all, in short turns one after the other, medians of both. So steps_per_s
 * x operations_per_step / limit_operations_per_s is the share of the limit that was reached. Meant for a
 * quiet machine; HF_E_MEMORY is the only failure. */
int hf_kernel_measure(const struct hf_kernel *kernel, double seconds, double *ret_steps_per_s,
                      double *ret_limit_operations_per_s, struct hf_error *error);

#endif
