/*
 * The judge: compares every block with the answer it must have.
 *
 * Worker and supervisor both compare; both must agree. When a digest is wrong the supervisor recomputes the
 * answer while pinned to a CPU of another group before it says wrong-result: the checker's own core may be
 * bad. No allocation. The judge knows nothing of trials: it hands findings to the supervisor.
 */
#ifndef HOLDFAST_HARNESS_JUDGE_H
#define HOLDFAST_HARNESS_JUDGE_H

#include <stdint.h>

#include "harness/pool.h"
#include "holdfast/mix.h"

enum hf_finding_kind {
    HF_FINDING_NONE,
    HF_FINDING_WRONG_RESULT,  /* the worker's result, or its own idea of the answer, is not the second opinion
                               */
    HF_FINDING_WRONG_HANDOFF, /* the worker's result is right, but what another one handed to it was wrong in
                                 memory */
    HF_FINDING_CHECKER_DOUBTED /* the second opinion agrees with the worker: the supervisor's core went wrong
                                */
};

struct hf_finding {
    enum hf_finding_kind kind;
    const struct hf_worker *worker;
    const struct hf_worker *blamed; /* the same, but for a wrong handoff: who handed over */
    struct hf_slice slice;          /* as the worker's group ran it */
    struct hf_block_record record;
    uint64_t expected; /* by the supervisor */
    int recomputed_on; /* CPU of the second opinion, of another group if there is one; -1: there was only one
                          CPU */
};

/* Slice number n of what is running: the programme, or a replayed slice. */
typedef void hf_slice_source(void *context, uint64_t number, struct hf_slice *ret_slice);

struct hf_judge {
    hf_slice_source *slice_source;
    void *slice_context;
    struct hf_slice cached; /* the slice looked up last */
    int has_cached;
    uint64_t blocks_checked;
    const int16_t *real_cpus; /* CPUs for a second opinion */
    int real_cpu_count;
    int home_cpu; /* where the supervisor lives; -1: not pinned */
    /* Called before the supervisor's own answer and before the second opinion (1); NULL but in tests, which
     * let a core compute wrongly. */
    void (*spoil)(int is_second, uint64_t *expected);
};

/* Called for each judged block: the slice's mix entry, so that exposure per kernel can be counted. */
typedef void hf_block_visitor(void *context, const struct hf_worker *worker, const struct hf_slice *slice,
                              const struct hf_block_record *record);

/* Judges everything in the worker's ring up to the first finding, which is returned (kind NONE: all was
 * well). */
enum hf_finding_kind hf_judge_worker(struct hf_judge *judge, const struct hf_worker *worker,
                                     hf_block_visitor *visitor, void *context,
                                     struct hf_finding *ret_finding);

#endif
