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

static uint64_t expected_by(const struct hf_judge *judge, int is_second, const struct hf_slice *slice,
                            const struct hf_block *block)
{
    uint64_t expected = hf_block_expect(slice, block);

    if (judge->spoil != NULL)
        judge->spoil(is_second, &expected);
    return expected;
}

/* 1 when the CPU belongs to the group of the worker. */
static int is_of_group(const struct hf_worker *worker, int cpu)
{
    const struct hf_pool *pool = worker->pool;

    for (int i = 0; i < pool->worker_count; i++) {
        if (pool->worker[i].place.group == worker->place.group && pool->worker[i].place.real_cpu == cpu)
            return 1;
    }
    return 0;
}

/* The CPU for a second opinion: neither the worker's nor the one where the first was formed; of another group
 * than the worker's when there is one (its settings are others); -1 when there is none. */
static int second_cpu(const struct hf_judge *judge, const struct hf_worker *worker, int first_cpu)
{
    int best = -1;
    int best_rank = 0;

    for (int i = 0; i < judge->real_cpu_count; i++) {
        int cpu = judge->real_cpus[i];
        int rank = 1 + (cpu != first_cpu) + 2 * !is_of_group(worker, cpu);

        if (cpu != worker->place.real_cpu && rank > best_rank) {
            best = cpu;
            best_rank = rank;
        }
    }
    return best;
}

/* The answer once more on another real CPU than the worker's; back home afterwards. */
static uint64_t second_opinion(const struct hf_judge *judge, const struct hf_worker *worker,
                               const struct hf_slice *slice, const struct hf_block *block, int *ret_cpu)
{
    struct hf_error ignored = {0}; /* without another CPU the opinion is formed where we are */
    int cpu = second_cpu(judge, worker, sched_getcpu());
    cpu_set_t before;
    uint64_t expected;

    *ret_cpu = -1;
    if (sched_getaffinity(0, sizeof before, &before) != 0)
        return expected_by(judge, 1, slice, block);
    if (cpu >= 0 && hf_pin_to_cpu(cpu, &ignored) == HF_OK)
        *ret_cpu = cpu;
    expected = expected_by(judge, 1, slice, block);
    (void)sched_setaffinity(0, sizeof before, &before);
    return expected;
}

static void examine(struct hf_judge *judge, const struct hf_worker *worker, const struct hf_slice *slice,
                    const struct hf_block_record *record, struct hf_finding *finding)
{
    const struct hf_pool *pool = worker->pool;
    uint64_t expected = expected_by(judge, 0, slice, &record->block);
    int handed = record->from >= 0 && record->from < pool->worker_count;

    judge->blocks_checked++;
    if (expected == record->block.digest && record->worker_expected == expected && !handed)
        return;
    *finding = (struct hf_finding){.worker = worker, .blamed = worker, .slice = *slice, .record = *record};
    finding->expected = second_opinion(judge, worker, slice, &record->block, &finding->recomputed_on);
    if (finding->expected != record->block.digest || finding->expected != record->worker_expected)
        finding->kind = HF_FINDING_WRONG_RESULT;
    else if (handed)
        finding->kind = HF_FINDING_WRONG_HANDOFF;
    else
        finding->kind = HF_FINDING_CHECKER_DOUBTED;
    if (finding->kind == HF_FINDING_WRONG_HANDOFF)
        finding->blamed = &pool->worker[record->from];
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
        struct hf_slice slice;

        hf_slice_for_group(slice_of(judge, record.slice_number), worker->place.group,
                           worker->pool->group_count, &slice);
        examine(judge, worker, &slice, &record, ret_finding);
        if (ret_finding->kind == HF_FINDING_NONE)
            visitor(context, worker, &slice, &record);
    }
    atomic_store_explicit(&slot->ring_tail, tail, memory_order_release);
    return ret_finding->kind;
}
