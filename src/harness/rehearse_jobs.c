/*
 * Nights shared among processes, not threads: the plan and the rig need not care.
 *
 * Each child has a pipe of its own, written a message at a time and read to its end by the parent, which
 * waits in poll(). A message is a struct message whole; a child ends with kind LAST (its decision times) or
 * FAILED. End of file without either means that the child died.
 */
#include "harness/rehearse_jobs.h"

#include <assert.h>
#include <errno.h>
#include <fcntl.h>
#include <poll.h>
#include <signal.h>
#include <string.h>
#include <sys/wait.h>
#include <unistd.h>

#include "base/memory.h"

enum message_kind {
    MESSAGE_NIGHT,
    MESSAGE_LAST,
    MESSAGE_FAILED
};

struct message {
    enum message_kind kind;
    union {
        struct hf_rehearse_night night;
        struct hf_decision_times times;
        struct hf_error error;
    };
};

struct child {
    pid_t pid; /* 0: never started, or reaped */
    int fd;    /* -1: ended */
};

struct share {
    int rigs, jobs;
    hf_night_job *job;
    hf_night_taker *take;
    void *context;
    struct hf_decision_times *times;
    struct hf_error *error;
    struct child child[HF_JOBS_MAX];
    struct message message; /* in the parent the one just read, in a child the one being written */
};

/* --- the child --------------------------------------------------------------------------------------- */

/* 0: the parent has gone. */
static int send_message(int fd, const struct message *message)
{
    const char *at = (const char *)message;
    size_t left = sizeof *message;

    while (left > 0) {
        ssize_t wrote = write(fd, at, left);

        if (wrote < 0 && errno == EINTR)
            continue;
        if (wrote <= 0)
            return 0;
        at += wrote;
        left -= (size_t)wrote;
    }
    return 1;
}

static void child_main(struct share *share, int j, int fd)
{
    struct message *message = &share->message;
    struct hf_error error = {0};

    memset(share->times, 0, sizeof *share->times);
    for (int number = j; number < share->rigs; number += share->jobs) {
        memset(message, 0, sizeof *message);
        message->kind = MESSAGE_NIGHT;
        if (share->job(share->context, number, share->times, &message->night, &error) != HF_OK)
            break;
        if (!send_message(fd, message))
            return;
    }
    memset(message, 0, sizeof *message);
    message->kind = error.code == HF_OK ? MESSAGE_LAST : MESSAGE_FAILED;
    if (error.code == HF_OK)
        message->times = *share->times;
    else
        message->error = error;
    (void)send_message(fd, message);
}

static int start_child(struct share *share, int j)
{
    int ends[2];
    pid_t pid;

    if (pipe2(ends, O_CLOEXEC) != 0)
        return hf_fail_errno(share->error, errno, "rehearsal: no pipe for job %d", j + 1);
    pid = fork();
    if (pid < 0) {
        (void)hf_fail_errno(share->error, errno, "rehearsal: cannot start job %d", j + 1);
        (void)close(ends[0]);
        (void)close(ends[1]);
        return share->error->code;
    }
    if (pid == 0) {
        for (int i = 0; i < j; i++)
            (void)close(share->child[i].fd);
        (void)close(ends[0]);
        child_main(share, j, ends[1]);
        _exit(0); /* nothing of the parent's is flushed or freed here */
    }
    (void)close(ends[1]);
    share->child[j] = (struct child){.pid = pid, .fd = ends[0]};
    return HF_OK;
}

/* --- the parent -------------------------------------------------------------------------------------- */

/* 1: a whole message; 0: the child has gone. Once a message has begun the rest follows at once. */
static int receive_message(int fd, struct message *message)
{
    char *at = (char *)message;
    size_t left = sizeof *message;

    while (left > 0) {
        ssize_t got = read(fd, at, left);

        if (got < 0 && errno == EINTR)
            continue;
        if (got <= 0)
            return 0;
        at += got;
        left -= (size_t)got;
    }
    return 1;
}

static void add_times(struct hf_decision_times *sum, const struct hf_decision_times *times)
{
    for (int i = 0; i < HF_DECISION_BUCKETS; i++)
        sum->count[i] += times->count[i];
    sum->total += times->total;
}

static void end_child(struct child *child)
{
    (void)close(child->fd);
    child->fd = -1;
}

static void take_message(struct share *share, int j)
{
    if (!receive_message(share->child[j].fd, &share->message)) {
        (void)hf_fail(share->error, HF_E_IO, "rehearsal: job %d died", j + 1);
        end_child(&share->child[j]);
        return;
    }
    switch (share->message.kind) {
    case MESSAGE_NIGHT:
        share->take(share->context, &share->message.night);
        return;
    case MESSAGE_LAST:
        add_times(share->times, &share->message.times);
        break;
    case MESSAGE_FAILED:
        (void)hf_fail(share->error, share->message.error.code, "%s", share->message.error.message);
        break;
    }
    end_child(&share->child[j]);
}

static void read_children(struct share *share)
{
    struct pollfd polled[HF_JOBS_MAX];
    int of[HF_JOBS_MAX];

    while (share->error->code == HF_OK) {
        nfds_t count = 0;

        for (int j = 0; j < share->jobs; j++) {
            if (share->child[j].fd < 0)
                continue;
            of[count] = j;
            polled[count++] = (struct pollfd){.fd = share->child[j].fd, .events = POLLIN};
        }
        if (count == 0)
            return;
        if (poll(polled, count, -1) < 0 && errno != EINTR) {
            (void)hf_fail_errno(share->error, errno, "rehearsal: cannot wait for the jobs");
            return;
        }
        for (nfds_t i = 0; i < count && share->error->code == HF_OK; i++) {
            if (polled[i].revents != 0)
                take_message(share, of[i]);
        }
    }
}

/* No child outlives the call, whatever happened. */
static void reap_children(struct share *share)
{
    for (int j = 0; j < share->jobs; j++) {
        struct child *child = &share->child[j];

        if (child->pid == 0)
            continue;
        if (child->fd >= 0) { /* it still works: only after a failure */
            (void)kill(child->pid, SIGKILL);
            end_child(child);
        }
        while (waitpid(child->pid, NULL, 0) < 0 && errno == EINTR)
            continue;
        child->pid = 0;
    }
}

static int run_here(struct share *share)
{
    for (int number = 0; number < share->rigs; number++) {
        if (share->job(share->context, number, share->times, &share->message.night, share->error) != HF_OK)
            break;
        share->take(share->context, &share->message.night);
    }
    return share->error->code;
}

int hf_nights_share(int rigs, int jobs, hf_night_job *job, hf_night_taker *take, void *context,
                    struct hf_decision_times *times, struct hf_error *error)
{
    struct share *share = hf_allocate(1, sizeof *share);

    assert(jobs >= 1 && jobs <= HF_JOBS_MAX);
    if (share == NULL)
        return hf_fail(error, HF_E_MEMORY, "rehearsal: no memory for %d jobs", jobs);
    share->rigs = rigs;
    share->jobs = jobs < rigs ? jobs : rigs;
    share->job = job;
    share->take = take;
    share->context = context;
    share->times = times;
    share->error = error;
    if (share->jobs == 1) {
        (void)run_here(share);
    } else {
        for (int j = 0; j < share->jobs; j++)
            share->child[j].fd = -1;
        for (int j = 0; j < share->jobs && start_child(share, j) == HF_OK; j++)
            continue;
        read_children(share);
        reap_children(share);
    }
    hf_free(share);
    return error->code;
}
