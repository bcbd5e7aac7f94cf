/* Which system calls are failed, each with an error that the kernel really gives. */
#ifndef HOLDFAST_TESTS_FAILING_CALLS_H
#define HOLDFAST_TESTS_FAILING_CALLS_H

#include <errno.h>
#include <stddef.h>
#include <sys/syscall.h>

static const struct call {
    long number;
    const char *name;
    int error;
} calls[] = {
    {SYS_read, "read", EIO},
    {SYS_write, "write", ENOSPC},
    {SYS_writev, "writev", EIO},
    {SYS_pread64, "pread64", EIO},
    {SYS_pwrite64, "pwrite64", ENOSPC},
    {SYS_openat, "openat", EMFILE},
    {SYS_newfstatat, "newfstatat", EIO},
    {SYS_fstat, "fstat", EIO},
    {SYS_access, "access", EACCES},
    {SYS_lseek, "lseek", EIO},
    {SYS_fsync, "fsync", EIO},
    {SYS_fdatasync, "fdatasync", EIO},
    {SYS_ftruncate, "ftruncate", EIO},
    {SYS_fallocate, "fallocate", ENOSPC},
    {SYS_rename, "rename", EIO},
    {SYS_unlink, "unlink", EIO},
    {SYS_mkdir, "mkdir", ENOSPC},
    {SYS_getdents64, "getdents64", EIO},
    {SYS_readlink, "readlink", EACCES},
    {SYS_statfs, "statfs", EIO},
    {SYS_fstatfs, "fstatfs", EIO},
    {SYS_flock, "flock", ENOLCK},
    {SYS_fcntl, "fcntl", ENOLCK},
    {SYS_close, "close", EIO},
    {SYS_dup3, "dup3", EMFILE},
    {SYS_mmap, "mmap", ENOMEM},
    {SYS_mprotect, "mprotect", ENOMEM},
    {SYS_mremap, "mremap", ENOMEM},
    {SYS_brk, "brk", ENOMEM},
    {SYS_memfd_create, "memfd_create", EMFILE},
    {SYS_clone, "clone", EAGAIN},
    {SYS_clone3, "clone3", EAGAIN},
    {SYS_vfork, "vfork", EAGAIN},
    {SYS_pipe2, "pipe2", EMFILE},
    {SYS_socketpair, "socketpair", EMFILE},
    {SYS_socket, "socket", EMFILE},
    {SYS_connect, "connect", ECONNREFUSED},
    {SYS_sendto, "sendto", EPIPE},
    {SYS_sendmsg, "sendmsg", EPIPE},
    {SYS_eventfd2, "eventfd2", EMFILE},
    {SYS_epoll_create1, "epoll_create1", EMFILE},
    {SYS_ioctl, "ioctl", ENOTTY},
    {SYS_prlimit64, "prlimit64", EPERM},
    {SYS_prctl, "prctl", EINVAL},
    {SYS_getrandom, "getrandom", ENOSYS},
    {SYS_sched_getaffinity, "sched_getaffinity", EINVAL},
    {SYS_sched_setaffinity, "sched_setaffinity", EINVAL},
    {SYS_setpriority, "setpriority", EACCES},
    {SYS_pidfd_open, "pidfd_open", ENOSYS},
    {SYS_perf_event_open, "perf_event_open", EACCES},
    {SYS_mlockall, "mlockall", ENOMEM},
};

/* Not failed: what cannot fail with arguments as ours (exit_group, munmap, rt_sigaction; kill and wait4 of
 * own children; futex and sleeps, which are at most interrupted), and epoll_ctl and epoll_wait: only libuv
 * calls them, and it calls abort() when they fail. */
static const struct call *call_of(long number)
{
    for (size_t i = 0; i < sizeof calls / sizeof calls[0]; i++) {
        if (calls[i].number == number)
            return &calls[i];
    }
    return NULL;
}

#endif
