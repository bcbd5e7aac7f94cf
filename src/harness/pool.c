#include "harness/pool.h"

#include <assert.h>
#include <errno.h>
#include <fcntl.h>
#include <signal.h>
#include <stdio.h>
#include <string.h>
#include <unistd.h>

#include "base/memory.h"
#include "harness/confine.h"
#include "holdfast/clock.h"

#define LOOP_DESCRIPTORS 12 /* epoll, event counter, signal pipes; and those of one process that is started  \
                             */

static void fill_places(struct hf_pool *pool, const struct hf_pool_place *places)
{
    int group_size[HF_GROUPS_MAX] = {0};

    for (int i = 0; i < pool->worker_count; i++) {
        assert(places[i].group >= 0 && places[i].group < HF_GROUPS_MAX);
        group_size[places[i].group]++;
        if (places[i].group >= pool->group_count)
            pool->group_count = places[i].group + 1;
    }
    for (int i = 0; i < pool->worker_count; i++) {
        pool->worker[i] = (struct hf_worker){.pool = pool, .index = i, .place = places[i]};
        pool->shared->place[i] = (struct hf_place){
            .worker = i,
            .worker_count = pool->worker_count,
            .group = places[i].group,
            .rank = places[i].rank,
            .group_size = group_size[places[i].group],
            .group_count = pool->group_count,
        };
    }
}

/* Who hands over to whom. */
static int plan_teams(struct hf_pool *pool, struct hf_error *error)
{
    int *group = hf_allocate((size_t)pool->worker_count * 2, sizeof *group);

    if (group == NULL)
        return hf_fail(error, HF_E_MEMORY, "no memory to pair %d workers", pool->worker_count);
    for (int i = 0; i < pool->worker_count; i++) {
        group[i] = pool->worker[i].place.group;
        group[pool->worker_count + i] = pool->worker[i].place.rank;
    }
    (void)hf_team_plan(group, group + pool->worker_count, pool->worker_count, pool->shared->seat);
    hf_free(group);
    return HF_OK;
}

static int most_on_one_cpu(const struct hf_pool_place *places, int count)
{
    int most = 1;

    for (int i = 0; i < count; i++) {
        int here = 0;

        for (int k = 0; k < count; k++)
            here += places[k].real_cpu == places[i].real_cpu;
        most = here > most ? here : most;
    }
    return most;
}

/* Found once, here; a replay has set the sizes of its journal before. */
static int find_sizes(struct hf_pool *pool, const struct hf_pool_place *places, struct hf_error *error)
{
    struct hf_sizes sizes = *hf_sizes_get();

    if (sizes.source != HF_SIZES_GIVEN &&
        hf_sizes_find(NULL, places[0].real_cpu, pool->worker_count, &sizes, error) != HF_OK)
        return error->code;
    if (sizes.source != HF_SIZES_GIVEN)
        hf_sizes_divide(&sizes, most_on_one_cpu(places, pool->worker_count));
    hf_sizes_set(&sizes);
    pool->shared->sizes = sizes;
    return HF_OK;
}

static int find_program(struct hf_pool *pool, struct hf_error *error)
{
    size_t size = sizeof pool->program;
    int result = uv_exepath(pool->program, &size);

    if (result != 0)
        return hf_fail(error, HF_E_IO, "cannot find the path of this program: %s", uv_strerror(result));
    return HF_OK;
}

static int check_descriptors(struct hf_error *error)
{
    int held[LOOP_DESCRIPTORS];
    int count = 0;
    int reason = 0;

    while (count < LOOP_DESCRIPTORS && reason == 0) {
        held[count] = fcntl(STDERR_FILENO, F_DUPFD_CLOEXEC, 0);
        if (held[count] >= 0)
            count++;
        else
            reason = errno;
    }
    for (int i = 0; i < count; i++)
        (void)close(held[i]);
    if (reason == 0 || reason == EBADF) /* no standard error: there is nothing to try it with */
        return HF_OK;
    return hf_fail(
        error, HF_E_MISSING,
        "there are only %d file descriptors left of the %d that an event loop needs: raise the limit "
        "of open files (ulimit -n)",
        count, LOOP_DESCRIPTORS);
}

int hf_pool_loop_init(uv_loop_t *ret_loop, struct hf_error *error)
{
    int result;

    if (check_descriptors(error) != HF_OK)
        return error->code;
    result = uv_loop_init(ret_loop);
    if (result != 0)
        return hf_fail(error, HF_E_MISSING, "cannot make an event loop: %s", uv_strerror(result));
    return HF_OK;
}

int hf_pool_new(uv_loop_t *loop, const struct hf_pool_place *places, int count, hf_pool_on_death *on_death,
                void *context, struct hf_pool **ret_pool, struct hf_error *error)
{
    struct hf_pool *pool;

    if (count < 1 || count > HF_WORKERS_MAX)
        return hf_fail(error, HF_E_RANGE, "%d workers are wanted; allowed: 1 to %d", count, HF_WORKERS_MAX);
    pool = hf_allocate(1, sizeof *pool);
    if (pool == NULL)
        return hf_fail(error, HF_E_MEMORY, "no memory for the worker pool");
    *pool = (struct hf_pool){
        .loop = loop, .shared_fd = -1, .worker_count = count, .on_death = on_death, .context = context};
    pool->worker = hf_allocate((size_t)count, sizeof *pool->worker);
    if (pool->worker == NULL)
        (void)hf_fail(error, HF_E_MEMORY, "no memory for %d workers", count);
    else if (find_program(pool, error) == HF_OK &&
             hf_shared_new((uint32_t)count, &pool->shared_fd, &pool->shared, error) == HF_OK &&
             find_sizes(pool, places, error) == HF_OK) {
        fill_places(pool, places);
        (void)plan_teams(pool, error);
    }
    if (error->code != HF_OK) {
        hf_pool_free(pool);
        return error->code;
    }
    *ret_pool = pool;
    return HF_OK;
}

void hf_pool_free(struct hf_pool *pool)
{
    if (pool == NULL)
        return;
    assert(hf_pool_live(pool) == 0);
    hf_shared_unmap(pool->shared);
    if (pool->shared_fd >= 0)
        (void)close(pool->shared_fd);
    hf_free(pool->worker);
    hf_free(pool);
}

/* A fresh process must not find its predecessor's words. */
static void reset_slot(struct hf_worker *worker)
{
    struct hf_worker_slot *slot = hf_worker_slot_of(worker);

    atomic_store(&slot->ring_tail, 0);
    atomic_store(&slot->ring_head, 0);
    atomic_store(&slot->progress, 0);
    atomic_store(&slot->strike, HF_STRIKE_NONE);
    atomic_store(&slot->state, HF_STATE_STARTING);
    atomic_store(&slot->planted, 0);
    atomic_store(&slot->reported, 0);
    hf_shared_command(slot, (enum hf_worker_command)worker->wanted_command);
}

static void on_closed(uv_handle_t *handle)
{
    struct hf_worker *worker = handle->data;
    struct hf_error error = {0};

    worker->closing = 0;
    if (worker->respawn_wanted && !worker->pool->stopping) {
        worker->respawn_wanted = 0;
        /* A failure is seen by the supervisor: the worker stays without a process and its trial stalls. */
        (void)hf_pool_respawn(worker->pool, worker, &error);
    }
}

static void on_process_exit(uv_process_t *process, int64_t exit_status, int signal_number)
{
    struct hf_worker *worker = process->data;

    worker->pid = 0;
    worker->closing = 1;
    uv_close((uv_handle_t *)process, on_closed);
    if (!worker->pool->stopping)
        worker->pool->on_death(worker->pool->context, worker, exit_status, signal_number);
}

static int spawn(struct hf_worker *worker, struct hf_error *error)
{
    struct hf_pool *pool = worker->pool;
    char index[16];
    char cpu[16];
    char *arguments[] = {pool->program, "worker", "--index", index, "--cpu", cpu, NULL};
    uv_stdio_container_t streams[4] = {{.flags = UV_IGNORE},
                                       {.flags = UV_IGNORE},
                                       {.flags = UV_INHERIT_FD, .data.fd = 2},
                                       {.flags = UV_INHERIT_FD, .data.fd = pool->shared_fd}};
    uv_process_options_t options = {.file = pool->program,
                                    .args = arguments,
                                    .exit_cb = on_process_exit,
                                    .stdio = streams,
                                    .stdio_count = 4};
    int result;

    (void)snprintf(index, sizeof index, "%d", worker->index);
    (void)snprintf(cpu, sizeof cpu, "%d", worker->place.real_cpu);
    reset_slot(worker);
    worker->process.data = worker;
    worker->spawned_ns = hf_clock_monotonic_ns(&hf_clock_real);
    worker->ready_ns = 0;
    worker->killed = 0;
    result = uv_spawn(pool->loop, &worker->process, &options);
    if (result != 0) {
        worker->closing = 1;
        uv_close((uv_handle_t *)&worker->process, on_closed);
        return hf_fail(error, HF_E_IO, "cannot start worker %d on CPU %d: %s", worker->index,
                       worker->place.real_cpu, uv_strerror(result));
    }
    worker->pid = uv_process_get_pid(&worker->process);
    return HF_OK;
}

int hf_pool_spawn_all(struct hf_pool *pool, struct hf_error *error)
{
    for (int i = 0; i < pool->worker_count; i++) {
        if (spawn(&pool->worker[i], error) != HF_OK)
            return error->code;
    }
    return HF_OK;
}

int hf_pool_respawn(struct hf_pool *pool, struct hf_worker *worker, struct hf_error *error)
{
    assert(worker->pool == pool);
    if (worker->pid > 0)
        return HF_OK;
    if (worker->closing) {
        worker->respawn_wanted = 1; /* on_closed goes on */
        return HF_OK;
    }
    return spawn(worker, error);
}

void hf_pool_command_one(struct hf_worker *worker, enum hf_worker_command command)
{
    worker->wanted_command = (int)command;
    hf_shared_command(hf_worker_slot_of(worker), command);
}

void hf_pool_command(struct hf_pool *pool, int group, enum hf_worker_command command)
{
    for (int i = 0; i < pool->worker_count; i++) {
        if (hf_worker_in_group(&pool->worker[i], group))
            hf_pool_command_one(&pool->worker[i], command);
    }
}

int hf_pool_all_in_state(const struct hf_pool *pool, int group, enum hf_worker_state state)
{
    for (int i = 0; i < pool->worker_count; i++) {
        const struct hf_worker *worker = &pool->worker[i];

        if (hf_worker_in_group(worker, group) && worker->pid > 0 &&
            atomic_load_explicit(&hf_worker_slot_of(worker)->state, memory_order_acquire) != (uint32_t)state)
            return 0;
    }
    return 1;
}

int hf_pool_strike_pending(const struct hf_pool *pool, int group)
{
    for (int i = 0; i < pool->worker_count; i++) {
        const struct hf_worker *worker = &pool->worker[i];

        if (hf_worker_in_group(worker, group) && worker->pid > 0 &&
            atomic_load(&hf_worker_slot_of(worker)->strike) != HF_STRIKE_NONE)
            return 1;
    }
    return 0;
}

void hf_pool_kill(struct hf_worker *worker)
{
    if (worker->pid <= 0)
        return;
    worker->killed = 1;
    (void)uv_process_kill(&worker->process, SIGKILL);
}

void hf_pool_stop(struct hf_pool *pool)
{
    pool->stopping = 1;
    for (int i = 0; i < pool->worker_count; i++)
        hf_pool_kill(&pool->worker[i]);
}

int hf_pool_live(const struct hf_pool *pool)
{
    int live = 0;

    for (int i = 0; i < pool->worker_count; i++)
        live += pool->worker[i].pid > 0 || pool->worker[i].closing;
    return live;
}

const char *hf_pool_unconfined(const struct hf_pool *pool)
{
    for (int i = 0; i < pool->worker_count; i++) {
        const struct hf_worker_slot *slot = hf_worker_slot_of(&pool->worker[i]);

        if (slot->confined == HF_UNCONFINED && slot->unconfined_reason[0] != '\0')
            return slot->unconfined_reason;
    }
    return NULL;
}
