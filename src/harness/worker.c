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

#include "harness/shared.h"
#include "harness/strike.h"
#include "holdfast/random.h"
#include "holdfast/topology.h"

struct worker {
    struct hf_shared *shared;
    struct hf_worker_slot *slot;
    struct hf_place place;
    void *states; /* two kernel states */
    uint64_t slice_number;
    uint64_t block_index;
};

static void *map_states(void)
{
    size_t bytes = HF_BLOCK_STATES * hf_kernel_state_bytes_max();
    void *states = mmap(NULL, bytes, PROT_READ | PROT_WRITE, MAP_PRIVATE | MAP_ANONYMOUS, -1, 0);

    return states == MAP_FAILED ? NULL : states;
}

/* A worker must not outlive its supervisor, leave core files, or be paged out. */
static void settle(struct hf_worker_slot *slot)
{
    struct rlimit no_core = {0, 0};

    (void)prctl(PR_SET_PDEATHSIG, SIGKILL);
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
static void post(struct hf_worker_slot *slot, const struct hf_block_record *record)
{
    uint64_t head = atomic_load_explicit(&slot->ring_head, memory_order_relaxed);

    while (head - atomic_load_explicit(&slot->ring_tail, memory_order_acquire) >= HF_RING_BLOCKS) {
        if (atomic_load(&slot->command) == HF_WORKER_QUIT)
            return;
        nap_ms(1);
    }
    slot->ring[head % HF_RING_BLOCKS] = *record;
    atomic_store_explicit(&slot->ring_head, head + 1, memory_order_release);
    (void)atomic_fetch_add_explicit(&slot->progress, 1, memory_order_release);
}

static void run_block(struct worker *worker)
{
    struct hf_slice slice;
    struct hf_block_record record = {.lane = {.lane = -1}};
    uint64_t seed;
    int right;

    if (!hf_shared_present(worker->shared, &slice, &worker->place.epoch_ticks)) {
        nap_ms(1);
        return;
    }
    if (slice.number != worker->slice_number) {
        worker->slice_number = slice.number;
        worker->block_index = 0;
    }
    seed = hf_slice_block_seed(&slice, worker->place.worker, worker->block_index);
    record.began_ticks = hf_ticks_now();
    hf_strike_block_begin(&slice);
    hf_block_run(&slice, &worker->place, seed, HF_BLOCK_S, worker->states, &worker->slot->stop,
                 &record.block);
    record.worker_expected = hf_block_expect(&slice, &record.block);
    right = record.worker_expected == record.block.digest;
    if (!right)
        hf_block_locate(&slice, &record.block, worker->states, &record.lane);
    hf_strike_block_end(right);
    record.slice_number = slice.number;
    record.block_index = worker->block_index++;
    (void)atomic_fetch_add(&worker->slot->edges_met, record.block.edges_met);
    (void)atomic_fetch_add(&worker->slot->edges_missed, record.block.edges_missed);
    post(worker->slot, &record);
}

/* Plants one wrong bit in every kernel on this core; each must be reported. */
static void prove(struct worker *worker)
{
    struct hf_random random;
    uint32_t planted = 0;
    uint32_t reported = 0;

    hf_random_init(&random, (uint64_t)worker->place.worker, (uint64_t)hf_ticks_now());
    for (int i = 0; i < hf_kernel_count(); i++) {
        planted++;
        reported += (uint32_t)hf_kernel_proof(hf_kernel_at(i), worker->states, hf_random_u64(&random),
                                              hf_random_u64(&random));
    }
    atomic_store(&worker->slot->planted, planted);
    atomic_store(&worker->slot->reported, reported);
    atomic_store_explicit(&worker->slot->state, HF_STATE_PROVED, memory_order_release);
}

static void work(struct worker *worker)
{
    for (;;) {
        uint32_t command = atomic_load_explicit(&worker->slot->command, memory_order_acquire);

        switch (command) {
        case HF_WORKER_RUN:
            atomic_store_explicit(&worker->slot->state, HF_STATE_RUNNING, memory_order_release);
            run_block(worker);
            break;
        case HF_WORKER_PROVE:
            if (atomic_load(&worker->slot->state) != HF_STATE_PROVED)
                prove(worker);
            hf_shared_wait(worker->slot, HF_WORKER_PROVE);
            break;
        case HF_WORKER_QUIT:
            return;
        default:
            atomic_store_explicit(&worker->slot->state, HF_STATE_READY, memory_order_release);
            hf_shared_wait(worker->slot, HF_WORKER_IDLE);
            if (getppid() != worker->shared->supervisor_pid)
                return; /* it died before this process could ask to die with it */
            break;
        }
    }
}

static int refuse(struct hf_worker_slot *slot, const char *trouble)
{
    (void)snprintf(slot->trouble, sizeof slot->trouble, "%s", trouble);
    atomic_store_explicit(&slot->state, HF_STATE_REFUSED, memory_order_release);
    return 4;
}

int hf_worker_main(int index, int cpu)
{
    struct hf_error error = {0};
    struct worker worker = {.slice_number = UINT64_MAX};

    if (hf_shared_attach(HF_SHARED_FD, &worker.shared, &error) != HF_OK || index < 0 ||
        (uint32_t)index >= worker.shared->worker_count) {
        fprintf(stderr, "holdfast worker: %s\n", error.code ? error.message : "there is no such worker");
        return 2;
    }
    worker.slot = &worker.shared->slot[index];
    worker.place = worker.shared->place[index];
    hf_ticks_set_rate(worker.shared->ticks_per_second);
    if (hf_pin_to_cpu(cpu, &error) != HF_OK)
        return refuse(worker.slot, error.message);
    worker.states = map_states();
    if (worker.states == NULL)
        return refuse(worker.slot, "no memory for the kernels' state");
    settle(worker.slot);
    hf_strike_install(worker.slot, worker.states, hf_ticks_now() ^ (uint64_t)index);
    work(&worker);
    return 0;
}
