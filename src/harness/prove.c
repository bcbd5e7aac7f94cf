#include "harness/prove.h"

#include <stdio.h>
#include <string.h>

#include "base/memory.h"
#include "harness/pool.h"
#include "holdfast/clock.h"

#define POLL_MS   5
#define GIVE_UP_S 60.0

struct proving {
    uv_loop_t loop;
    uv_timer_t timer;
    struct hf_pool *pool;
    struct hf_cpu_proof *proofs;
    int64_t started_ns;
    int timed_out;
};

static void on_death(void *context, struct hf_worker *worker, int64_t exit_status, int signal_number)
{
    struct proving *proving = context;
    struct hf_cpu_proof *proof = &proving->proofs[worker->index];
    const struct hf_worker_slot *slot = hf_worker_slot_of(worker);

    if (atomic_load(&slot->state) == HF_STATE_REFUSED)
        (void)snprintf(proof->trouble, sizeof proof->trouble, "%.190s", slot->trouble);
    else
        (void)snprintf(proof->trouble, sizeof proof->trouble, "its worker left with status %d, signal %d",
                       (int)exit_status, signal_number);
}

static void note_ready(struct proving *proving, int64_t now_ns)
{
    for (int i = 0; i < proving->pool->worker_count; i++) {
        struct hf_worker *worker = &proving->pool->worker[i];
        uint32_t state = atomic_load(&hf_worker_slot_of(worker)->state);

        if (worker->ready_ns == 0 && (state == HF_STATE_READY || state == HF_STATE_PROVED)) {
            worker->ready_ns = now_ns;
            proving->proofs[i].start_ms = (double)(now_ns - worker->spawned_ns) * 1e-6;
            hf_shared_command(hf_worker_slot_of(worker), HF_WORKER_PROVE);
        }
    }
}

static void on_timer(uv_timer_t *timer)
{
    struct proving *proving = timer->data;
    int64_t now_ns = hf_clock_monotonic_ns(&hf_clock_real);

    note_ready(proving, now_ns);
    proving->timed_out = (double)(now_ns - proving->started_ns) * 1e-9 > GIVE_UP_S;
    if (!hf_pool_all_in_state(proving->pool, HF_GROUP_ALL, HF_STATE_PROVED) && !proving->timed_out)
        return;
    hf_pool_stop(proving->pool);
    uv_close((uv_handle_t *)timer, NULL);
}

static int prove(struct proving *proving, const int16_t *cpus, int count, struct hf_error *error)
{
    struct hf_pool_place *places = hf_allocate((size_t)count, sizeof *places);

    if (places == NULL)
        return hf_fail(error, HF_E_MEMORY, "no memory for %d workers", count);
    for (int i = 0; i < count; i++)
        places[i] = (struct hf_pool_place){.rank = i, .profile_cpu = cpus[i], .real_cpu = cpus[i]};
    (void)hf_pool_new(&proving->loop, places, count, on_death, proving, &proving->pool, error);
    hf_free(places);
    if (error->code != HF_OK)
        return error->code;
    (void)uv_timer_init(&proving->loop, &proving->timer); /* cannot fail */
    proving->timer.data = proving;
    proving->started_ns = hf_clock_monotonic_ns(&hf_clock_real);
    (void)uv_timer_start(&proving->timer, on_timer, 1, POLL_MS);
    if (hf_pool_spawn_all(proving->pool, error) != HF_OK) {
        hf_pool_stop(proving->pool);
        uv_close((uv_handle_t *)&proving->timer, NULL);
    }
    (void)uv_run(&proving->loop, UV_RUN_DEFAULT);
    if (error->code == HF_OK && proving->timed_out)
        return hf_fail(error, HF_E_MISSING, "the workers were not ready within %.0f s", GIVE_UP_S);
    return error->code;
}

int hf_prove_cpus(const int16_t *cpus, int count, struct hf_cpu_proof *ret_proofs, struct hf_error *error)
{
    struct proving proving = {.proofs = ret_proofs};

    for (int i = 0; i < count; i++)
        ret_proofs[i] = (struct hf_cpu_proof){.cpu = cpus[i]};
    if (hf_pool_loop_init(&proving.loop, error) != HF_OK)
        return error->code;
    (void)prove(&proving, cpus, count, error);
    for (int i = 0; proving.pool != NULL && i < count; i++) {
        const struct hf_worker_slot *slot = hf_worker_slot_of(&proving.pool->worker[i]);

        ret_proofs[i].planted = (int)atomic_load(&slot->planted);
        ret_proofs[i].reported = (int)atomic_load(&slot->reported);
    }
    hf_pool_free(proving.pool);
    (void)uv_loop_close(&proving.loop);
    return error->code;
}
