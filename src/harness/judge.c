#include "harness/judge.h"

#include <assert.h>
#include <sched.h>

#include "holdfast/topology.h"

static const struct hf_slice *slice_of(struct hf_judge *judge, uint64_t number)
{
    if (!judge->has_cached || judge->cached.number != number) {
        judge->slice_source(judge->slice_context, number, &judge->cached);
        judge->has_cached = 1;
    }
    return &judge->cached;
}

/* The answer once more on another real CPU than the worker's; back home afterwards. */
static uint64_t second_opinion(const struct hf_judge *judge, const struct hf_worker *worker,
                               const struct hf_slice *slice, const struct hf_block *block, int *ret_cpu)
{
    struct hf_error ignored = {0}; /* without another CPU the opinion is formed where we are */
    cpu_set_t before;
    uint64_t expected;

    *ret_cpu = -1;
    if (sched_getaffinity(0, sizeof before, &before) != 0)
        return hf_block_expect(slice, block);
    for (int i = 0; i < judge->real_cpu_count && *ret_cpu < 0; i++) {
        if (judge->real_cpus[i] != worker->place.real_cpu &&
            hf_pin_to_cpu(judge->real_cpus[i], &ignored) == HF_OK)
            *ret_cpu = judge->real_cpus[i];
    }
    expected = hf_block_expect(slice, block);
    (void)sched_setaffinity(0, sizeof before, &before);
    return expected;
}

static void examine(struct hf_judge *judge, const struct hf_worker *worker, const struct hf_slice *slice,
                    const struct hf_block_record *record, struct hf_finding *finding)
{
    uint64_t expected = hf_block_expect(slice, &record->block);
    uint64_t again;
    int cpu;

    judge->blocks_checked++;
    if (expected == record->block.digest && record->worker_expected == expected)
        return;
    again = second_opinion(judge, worker, slice, &record->block, &cpu);
    *finding = (struct hf_finding){
        .kind = again != record->block.digest || again != record->worker_expected
                    ? HF_FINDING_WRONG_RESULT
                    : HF_FINDING_CHECKER_DOUBTED,
        .worker = worker,
        .slice = *slice,
        .record = *record,
        .expected = again,
        .recomputed_on = cpu,
    };
}

enum hf_finding_kind hf_judge_worker(struct hf_judge *judge, const struct hf_worker *worker,
                                     hf_block_visitor *visitor, void *context, struct hf_finding *ret_finding)
{
    struct hf_worker_slot *slot = hf_worker_slot_of(worker);
    uint64_t tail = atomic_load_explicit(&slot->ring_tail, memory_order_relaxed);
    uint64_t head = atomic_load_explicit(&slot->ring_head, memory_order_acquire);

    ret_finding->kind = HF_FINDING_NONE;
    if (head - tail > HF_RING_BLOCKS) /* a corrupted counter: nothing in the ring can be trusted */
        tail = head;
    for (; tail != head && ret_finding->kind == HF_FINDING_NONE; tail++) {
        struct hf_block_record record = slot->ring[tail % HF_RING_BLOCKS];
        const struct hf_slice *slice = slice_of(judge, record.slice_number);

        examine(judge, worker, slice, &record, ret_finding);
        if (ret_finding->kind == HF_FINDING_NONE)
            visitor(context, worker, slice, &record);
    }
    atomic_store_explicit(&slot->ring_tail, tail, memory_order_release);
    return ret_finding->kind;
}
