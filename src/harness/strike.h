/*
 * Strikes: the simulated processor's damage done to a real worker. Only the rig driver asks for them.
 *
 * A flip changes one bit of state that is live at a random moment: a vector register, a general register that
 * holds data, or the kernel's buffer, whichever the running kernel declares (struct hf_kernel.live_state).
 * The signal handler changes the saved registers in its ucontext, and the change is in force when it returns.
 * It strikes only while the interrupted program counter lies in kernel code, and again until the judge's
 * digest comes out wrong, or until HF_STRIKES_MASKED_MAX strikes had no effect, which counts as masked.
 *
 * Register layout: x86-64 signal frames carry the standard (not compacted) XSAVE area; component offsets from
 * CPUID leaf 0xD (Intel SDM volume 1, chapter 13). Other architectures strike the buffer only.
 */
#ifndef HOLDFAST_HARNESS_STRIKE_H
#define HOLDFAST_HARNESS_STRIKE_H

#include <stdint.h>

#include "harness/shared.h"

#define HF_STRIKES_MASKED_MAX 400

enum hf_strike_kind {
    HF_STRIKE_NONE,
    HF_STRIKE_FLIP,  /* one bit of live state */
    HF_STRIKE_CRASH, /* a real segmentation fault */
    HF_STRIKE_HANG   /* the worker stops itself */
};

/* Worker side: installs the handlers. `states` are the two kernel states of hf_block_run. */
void hf_strike_install(struct hf_worker_slot *slot, void *states, uint64_t seed);

/* Worker side, around each block: which kernels run in it; afterwards, whether its digest was right. */
void hf_strike_block_begin(const struct hf_slice *slice);
void hf_strike_block_end(int digest_was_right);

/* Supervisor side: asks for a strike and prods the worker. */
void hf_strike_request(struct hf_worker_slot *slot, int pid, enum hf_strike_kind kind);

#endif
