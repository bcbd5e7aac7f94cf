/*
 * Invariant: no worker outlives its supervisor. Two ways, so that one may fail:
 *   1. the kernel ends a worker when the thread that forked it, the supervisor's loop, dies. A worker asks
 *      for that in settle(), and looks at once whether it was too late: the signal is sent at the moment of
 *      death only. It also gets lost in a change of credentials, or where a security module refuses it.
 *   2. work() looks whether its parent still is the supervisor, before every block (at most 0.1 s, whatever
 *      the pattern), and so does what waits or works for longer. The longest piece without a look is the
 *      filling of one arena.
 */
#include "harness/worker.h"

#include <errno.h>
#include <signal.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/mman.h>
#include <sys/prctl.h>
#include <sys/resource.h>
#include <time.h>
#include <unistd.h>

#include "harness/confine.h"
#include "harness/shared.h"
#include "harness/strike.h"
#include "holdfast/random.h"
#include "holdfast/topology.h"
#include "holdfast/true_clock.h"
#include "workloads/answers.h"
#include "workloads/arena.h"

#define CHAIN_RUN_NS 1000000

struct worker {
    struct hf_shared *shared;
    struct hf_worker_slot *slot;
    struct hf_place place;
    pid_t supervisor;
    void *states;          /* HF_BLOCK_STATES kernel states */
    struct hf_slice slice; /* as this worker's group runs it; number UINT64_MAX: none yet */
    uint64_t block_index;
    uint64_t began_ticks; /* of the last block */
    uint32_t run;         /* the slot's run that the arenas were looked through for */
};

static void *map_states(void)
{
    size_t bytes = HF_BLOCK_STATES * hf_kernel_state_bytes_max();
    void *states = mmap(NULL, bytes, PROT_READ | PROT_WRITE, MAP_PRIVATE | MAP_ANONYMOUS, -1, 0);

    return states == MAP_FAILED ? NULL : states;
}

/* A process whose parent dies gets another parent in the same moment. */
static int is_orphan(const struct worker *worker)
{
    return getppid() != worker->supervisor;
}

/* A worker must not outlive its supervisor, leave core files, or be paged out. */
static void settle(const struct worker *worker)
{
    struct hf_worker_slot *slot = worker->slot;
    struct rlimit no_core = {0, 0};

    (void)prctl(PR_SET_PDEATHSIG, SIGKILL);
    if (is_orphan(worker))
        exit(0); /* it died before it could be asked for that; there is nobody to tell */
    (void)setrlimit(RLIMIT_CORE, &no_core);
    (void)prctl(PR_SET_DUMPABLE, 0);
    slot->locked_memory = mlockall(MCL_CURRENT | MCL_FUTURE) == 0;
    (void)signal(SIGINT, SIG_IGN); /* Ctrl-C is the supervisor's to handle */
}

static void nap_ms(long milliseconds)
{
    struct timespec nap = {.tv_nsec = milliseconds * 1000000};

    (void)clock_nanosleep(CLOCK_MONOTONIC, 0, &nap, NULL);
}

/* Invariant 3 of shared.h: wait for room, write, then move the head. */
static void post(const struct worker *worker, const struct hf_block_record *record)
{
    struct hf_worker_slot *slot = worker->slot;
    uint64_t head = atomic_load_explicit(&slot->ring_head, memory_order_relaxed);

    while (head - atomic_load_explicit(&slot->ring_tail, memory_order_acquire) >= HF_RING_BLOCKS) {
        if (atomic_load(&slot->command) == HF_WORKER_QUIT || is_orphan(worker))
            return;
        nap_ms(1);
    }
    slot->ring[head % HF_RING_BLOCKS] = *record;
    atomic_store_explicit(&slot->ring_head, head + 1, memory_order_release);
    (void)atomic_fetch_add_explicit(&slot->progress, 1, memory_order_release);
}

static int refuse(struct hf_worker_slot *slot, const char *trouble)
{
    (void)snprintf(slot->trouble, sizeof slot->trouble, "%s", trouble);
    atomic_store_explicit(&slot->state, HF_STATE_REFUSED, memory_order_release);
    return 4;
}

/* --- the memory kernels' arenas --------------------------------------------------------------------- */

/* What the blocks of a slice wrote last and did not come back to is looked at once more; it is put right, so
 * that the next slice, or the next trial, is not blamed for it. A wrong word is posted as a block of its own,
 * of no step. */
static void scrub(struct worker *worker)
{
    struct hf_block_record record = {.slice_number = worker->slice.number,
                                     .began_ticks = worker->began_ticks,
                                     .epoch_ticks = worker->began_ticks,
                                     .from = -1};

    if (!hf_arena_any())
        return;
    (void)atomic_fetch_add(&worker->slot->scrubs, 1);
    if (hf_arena_scrub(&record.lane) == 0) {
        hf_arena_tick();
        return;
    }
    record.block_index = worker->block_index++;
    record.block.seed = hf_slice_block_seed(&worker->slice, worker->place.worker, record.block_index);
    record.worker_expected = hf_block_expect(&worker->slice, &record.block);
    record.block.digest = ~record.worker_expected;
    post(worker, &record);
}

static const struct hf_kernel *kernel_or_none(int32_t index)
{
    return index >= 0 ? hf_kernel_at(index) : NULL;
}

/* Memory is mapped before the first block, and not kept for slices that have no use for it. Without memory
 * there is nothing to work on: the process leaves and says why. */
static void reserve(struct worker *worker)
{
    const struct hf_kernel *kernels[] = {hf_kernel_at(worker->slice.kernel),
                                         kernel_or_none(worker->slice.solo_kernel),
                                         kernel_or_none(worker->slice.stream_kernel)};
    struct hf_error error = {0};

    hf_arena_keep(kernels, 3);
    for (int i = 0; i < 3; i++) {
        if (kernels[i] != NULL && hf_arena_reserve(kernels[i], &error) != HF_OK)
            exit(refuse(worker->slot, error.message));
    }
}

/* --- blocks ------------------------------------------------------------------------------------------ */

/* The slice to run now; 0 when there is none yet. */
static int take_slice(struct worker *worker)
{
    uint32_t run = atomic_load(&worker->slot->run);
    struct hf_slice slice;

    if (!hf_shared_present(worker->shared, &slice, &worker->place.epoch_ticks))
        return 0;
    if (run != worker->run || slice.number != worker->slice.number)
        scrub(worker);
    if (run != worker->run)
        hf_answers_drop(); /* none that was worked out at another setting is trusted at this one */
    worker->run = run;
    if (slice.number != worker->slice.number) {
        hf_slice_for_group(&slice, worker->place.group, worker->place.group_count, &worker->slice);
        worker->block_index = 0;
        reserve(worker);
    }
    return 1;
}

/* The lane that is wrong; when the arena is, its first wrong word. What is wrong in it must not fail later
 * blocks. */
static void locate(struct worker *worker, struct hf_block_record *record)
{
    struct hf_lane_report in_arena;

    hf_block_locate(&worker->slice, &record->block, worker->states, &record->lane);
    if (hf_arena_any() && hf_arena_scrub(&in_arena) > 0)
        record->lane = in_arena;
}

/* What a kernel with a partner has to say beside its digest. */
static void ask_partnered(const struct worker *worker, struct hf_block_record *record)
{
    const struct hf_kernel *kernel = hf_kernel_at(worker->slice.kernel);
    uint64_t met;

    record->from = -1;
    if (kernel->partnered == NULL)
        return;
    kernel->partnered(worker->states, &met, &record->foreign);
    record->alone = met == 0;
    if (record->foreign != 0)
        record->from = worker->shared->seat[worker->place.worker][kernel->scope].partner;
}

/* The clock under load, where the supervisor has no counters to tell it: two ms between two blocks. */
static void measure_clock(struct hf_worker_slot *slot)
{
    double mhz;

    if (atomic_exchange(&slot->chain_wanted, 0) == 0 ||
        hf_chain_measure(&hf_clock_counters_real, 0, CHAIN_RUN_NS, 2, &mhz) != 0)
        return;
    atomic_store(&slot->chain_mhz, mhz);
    (void)atomic_fetch_add_explicit(&slot->chain_count, 1, memory_order_release);
}

static void run_block(struct worker *worker)
{
    const struct hf_slice *slice = &worker->slice;
    struct hf_block_record record = {.lane = {.lane = -1}};
    uint64_t seed;
    int right;

    if (!take_slice(worker)) {
        nap_ms(1);
        return;
    }
    seed = hf_slice_block_seed(slice, worker->place.worker, worker->block_index);
    worker->began_ticks = record.began_ticks = hf_ticks_now();
    record.epoch_ticks = worker->place.epoch_ticks;
    hf_strike_block_begin(slice);
    hf_block_run(slice, &worker->place, seed, HF_BLOCK_S, worker->states, &worker->slot->stop, &record.block);
    record.worker_expected = hf_block_expect(slice, &record.block);
    right = record.worker_expected == record.block.digest;
    hf_strike_block_end(right);
    if (!right)
        locate(worker, &record);
    ask_partnered(worker, &record);
    record.slice_number = slice->number;
    record.block_index = worker->block_index++;
    (void)atomic_fetch_add(&worker->slot->edges_met, record.block.edges_met);
    (void)atomic_fetch_add(&worker->slot->edges_missed, record.block.edges_missed);
    post(worker, &record);
}

/* Plants one wrong bit in every kernel on this core, and one in its arena; each must be reported. The kernels
 * of all levels are proved on little memory: the code is the same, and hundreds of workers start at once. */
static void prove(struct worker *worker)
{
    struct hf_sizes little;
    struct hf_random random;
    uint32_t planted = 0;
    uint32_t reported = 0;

    hf_sizes_small(&little);
    for (int level = 1; level < HF_LEVELS; level++)
        little.arena_bytes[level] = HF_ARENA_BYTES_MIN;
    hf_sizes_set(&little);
    hf_random_init(&random, (uint64_t)worker->place.worker, (uint64_t)hf_ticks_now());
    for (int i = 0; i < hf_kernel_count() && !is_orphan(worker); i++) {
        planted++;
        reported += (uint32_t)hf_kernel_proof(hf_kernel_at(i), worker->states, hf_random_u64(&random),
                                              hf_random_u64(&random));
    }
    hf_arena_drop();
    hf_sizes_set(&worker->shared->sizes);
    atomic_store(&worker->slot->planted, planted);
    atomic_store(&worker->slot->reported, reported);
    atomic_store_explicit(&worker->slot->state, HF_STATE_PROVED, memory_order_release);
}

static void work(struct worker *worker)
{
    while (!is_orphan(worker)) {
        uint32_t command = atomic_load_explicit(&worker->slot->command, memory_order_acquire);

        switch (command) {
        case HF_WORKER_RUN:
            atomic_store_explicit(&worker->slot->state, HF_STATE_RUNNING, memory_order_release);
            run_block(worker);
            measure_clock(worker->slot);
            break;
        case HF_WORKER_PROVE:
            if (atomic_load(&worker->slot->state) != HF_STATE_PROVED)
                prove(worker);
            hf_shared_wait(worker->slot, HF_WORKER_PROVE);
            break;
        case HF_WORKER_QUIT:
            return;
        default:
            if (atomic_load(&worker->slot->state) == HF_STATE_RUNNING)
                scrub(worker);
            atomic_store_explicit(&worker->slot->state, HF_STATE_READY, memory_order_release);
            hf_shared_wait(worker->slot, HF_WORKER_IDLE);
            break;
        }
    }
}

static void join_teams(struct worker *worker)
{
    for (int scope = 0; scope < HF_SCOPES; scope++) {
        const struct hf_team_seat *seat = &worker->shared->seat[worker->place.worker][scope];

        hf_team_join((enum hf_scope)scope,
                     seat->pair >= 0 ? hf_shared_pair(worker->shared, seat->pair) : NULL, seat->side);
    }
}

int hf_worker_main(int index, int cpu)
{
    struct hf_error error = {0};
    struct worker worker = {.slice = {.number = UINT64_MAX}};

    if (hf_shared_attach(HF_SHARED_FD, &worker.shared, &error) != HF_OK || index < 0 ||
        (uint32_t)index >= worker.shared->worker_count) {
        fprintf(stderr, "holdfast worker: %s\n", error.code ? error.message : "there is no such worker");
        return 2;
    }
    worker.slot = &worker.shared->slot[index];
    worker.place = worker.shared->place[index];
    worker.supervisor = (pid_t)worker.shared->supervisor_pid;
    hf_ticks_set_rate(worker.shared->ticks_per_second);
    if (hf_pin_to_cpu(cpu, &error) != HF_OK)
        return refuse(worker.slot, error.message);
    worker.states = map_states();
    if (worker.states == NULL)
        return refuse(worker.slot, "no memory for the kernels' state");
    settle(&worker);
    hf_sizes_set(&worker.shared->sizes);
    hf_arena_progress = &worker.slot->progress; /* filling a large one must not look like standing still */
    join_teams(&worker);
    hf_strike_install(worker.slot, worker.states, hf_ticks_now() ^ (uint64_t)index);
    (void)close(HF_SHARED_FD); /* the mapping stays */
    worker.slot->confined = hf_confine(worker.slot->unconfined_reason, sizeof worker.slot->unconfined_reason);
    work(&worker);
    return 0;
}
