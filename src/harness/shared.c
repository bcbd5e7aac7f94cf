#include "harness/shared.h"

#include <assert.h>
#include <errno.h>
#include <linux/futex.h>
#include <string.h>
#include <sys/mman.h>
#include <sys/stat.h>
#include <sys/syscall.h>
#include <unistd.h>

size_t hf_shared_bytes(uint32_t worker_count)
{
    return sizeof(struct hf_shared) +
           worker_count * (sizeof(struct hf_worker_slot) + sizeof(struct hf_team_pair));
}

struct hf_team_pair *hf_shared_pair(struct hf_shared *shared, int pair)
{
    assert(pair >= 0 && (uint32_t)pair < shared->worker_count);
    return (struct hf_team_pair *)(void *)&shared->slot[shared->worker_count] + pair;
}

int hf_shared_new(uint32_t worker_count, int *ret_fd, struct hf_shared **ret_shared, struct hf_error *error)
{
    size_t bytes = hf_shared_bytes(worker_count);
    struct hf_shared *shared;
    int fd = memfd_create("holdfast", MFD_CLOEXEC);

    assert(worker_count > 0 && worker_count <= HF_WORKERS_MAX);
    if (fd < 0)
        return hf_fail_errno(error, errno, "cannot make shared memory for the workers");
    if (ftruncate(fd, (off_t)bytes) != 0) {
        int reason = errno;

        (void)close(fd);
        return hf_fail_errno(error, reason, "cannot reserve %zu bytes of shared memory", bytes);
    }
    shared = mmap(NULL, bytes, PROT_READ | PROT_WRITE, MAP_SHARED, fd, 0);
    if (shared == MAP_FAILED) {
        int reason = errno;

        (void)close(fd);
        return hf_fail_errno(error, reason, "cannot map %zu bytes of shared memory", bytes);
    }
    shared->magic = HF_SHARED_MAGIC;
    shared->worker_count = worker_count;
    shared->slot_bytes = (uint32_t)sizeof(struct hf_worker_slot);
    shared->supervisor_pid = (int32_t)getpid();
    shared->ticks_per_second = hf_ticks_per_second();
    *ret_fd = fd;
    *ret_shared = shared;
    return HF_OK;
}

int hf_shared_attach(int fd, struct hf_shared **ret_shared, struct hf_error *error)
{
    struct hf_shared *shared;
    struct stat status;

    if (fstat(fd, &status) != 0 || status.st_size < (off_t)sizeof(struct hf_shared))
        return hf_fail(error, HF_E_USAGE,
                       "file descriptor %d is not a supervisor's shared memory: this command is internal",
                       fd);
    shared = mmap(NULL, (size_t)status.st_size, PROT_READ | PROT_WRITE, MAP_SHARED, fd, 0);
    if (shared == MAP_FAILED)
        return hf_fail_errno(error, errno, "cannot map the supervisor's shared memory");
    if (shared->magic != HF_SHARED_MAGIC || shared->slot_bytes != sizeof(struct hf_worker_slot) ||
        (size_t)status.st_size != hf_shared_bytes(shared->worker_count)) {
        (void)munmap(shared, (size_t)status.st_size);
        return hf_fail(error, HF_E_VERSION, "the shared memory is not of this version of holdfast");
    }
    *ret_shared = shared;
    return HF_OK;
}

void hf_shared_unmap(struct hf_shared *shared)
{
    if (shared != NULL)
        (void)munmap(shared, hf_shared_bytes(shared->worker_count));
}

void hf_shared_publish(struct hf_shared *shared, const struct hf_slice *slice, uint64_t epoch_ticks)
{
    uint32_t next = atomic_load_explicit(&shared->generation, memory_order_relaxed) + 1;

    if (next == 0)
        next = 2; /* 0 means: no slice yet */
    shared->slice[next % 2] = *slice;
    shared->epoch_ticks[next % 2] = epoch_ticks;
    atomic_store_explicit(&shared->generation, next, memory_order_release);
}

int hf_shared_present(const struct hf_shared *shared, struct hf_slice *ret_slice, uint64_t *ret_epoch_ticks)
{
    for (;;) {
        uint32_t before = atomic_load_explicit(&shared->generation, memory_order_acquire);

        if (before == 0)
            return 0;
        *ret_slice = shared->slice[before % 2];
        *ret_epoch_ticks = shared->epoch_ticks[before % 2];
        atomic_thread_fence(memory_order_acquire);
        if (atomic_load_explicit(&shared->generation, memory_order_relaxed) == before)
            return 1;
    }
}

void hf_shared_command(struct hf_worker_slot *slot, enum hf_worker_command command)
{
    if (command == HF_WORKER_RUN && atomic_load(&slot->command) != HF_WORKER_RUN)
        (void)atomic_fetch_add(&slot->run, 1);
    slot->stop = command != HF_WORKER_RUN;
    atomic_store_explicit(&slot->command, (uint32_t)command, memory_order_release);
    (void)syscall(SYS_futex, &slot->command, FUTEX_WAKE, 1, NULL, NULL, 0);
}

void hf_shared_wait(struct hf_worker_slot *slot, enum hf_worker_command seen)
{
    struct timespec second = {.tv_sec = 1};

    if (atomic_load_explicit(&slot->command, memory_order_acquire) == (uint32_t)seen)
        (void)syscall(SYS_futex, &slot->command, FUTEX_WAIT, (uint32_t)seen, &second, NULL, 0);
}
