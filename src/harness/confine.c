/*
 * The filter is a program of classic BPF (linux/filter.h), run by the kernel before each system call:
 *
 *   another architecture's call                      -> kill
 *   x86-64: a call of the x32 table                  -> kill
 *   a call of allowed_always                         -> allow
 *   write, writev: standard error                    -> allow
 *   mmap: anonymous, not executable                  -> allow
 *   mprotect: not executable                         -> allow
 *   tgkill: to this process (raise, abort)           -> allow
 *   prctl: PR_SET_TIMERSLACK (short sleeps)          -> allow
 *   anything else                                    -> kill
 *
 * A forbidden call ends the process instead of failing: no kernel makes one, so it is the wrong jump of a
 * core that is not right, and must become a verdict (worker-died, signal 31) rather than an error code that
 * nobody looks at. What a C library may do for what we call (a clock without vDSO, a stopped sleep taken up
 * again, an assertion's words) is allowed, so that another library does not make a false verdict.
 */
#include "harness/confine.h"

#include <assert.h>
#include <errno.h>
#include <linux/audit.h>
#include <linux/capability.h>
#include <linux/filter.h>
#include <linux/seccomp.h>
#include <stdint.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/mman.h>
#include <sys/prctl.h>
#include <sys/resource.h>
#include <sys/syscall.h>
#include <unistd.h>

#if defined(__x86_64__)
#define ARCHITECTURE AUDIT_ARCH_X86_64
#define OTHER_TABLE  0x40000000u /* x32: numbers from here on */
#elif defined(__aarch64__)
#define ARCHITECTURE AUDIT_ARCH_AARCH64
#endif

#ifdef ARCHITECTURE

#define INSTRUCTIONS_MAX 128

static const int allowed_always[] = {
    SYS_futex,        SYS_clock_nanosleep, SYS_nanosleep,    SYS_restart_syscall, SYS_clock_gettime,
    SYS_clock_getres, SYS_gettimeofday,    SYS_sched_yield,  SYS_getcpu,          SYS_setitimer,
    SYS_rt_sigreturn, SYS_rt_sigprocmask,  SYS_rt_sigaction, SYS_getpid,          SYS_gettid,
    SYS_getppid,      SYS_munmap,          SYS_mremap,       SYS_madvise,         SYS_brk,
    SYS_getrandom, /* the allocator's first call asks for a number */
    SYS_exit,         SYS_exit_group};

struct program {
    struct sock_filter instruction[INSTRUCTIONS_MAX];
    unsigned short count;
};

static void add(struct program *program, uint16_t code, uint32_t value, uint8_t if_true, uint8_t if_false)
{
    assert(program->count < INSTRUCTIONS_MAX);
    program->instruction[program->count++] =
        (struct sock_filter){.code = code, .jt = if_true, .jf = if_false, .k = value};
}

static void load(struct program *program, size_t offset)
{
    add(program, BPF_LD | BPF_W | BPF_ABS, (uint32_t)offset, 0, 0);
}

static void end(struct program *program, uint32_t action)
{
    add(program, BPF_RET | BPF_K, action, 0, 0);
}

/* The low half of an argument; both architectures are little-endian here. The kernel takes int arguments from
 * the low half alone, and flags that matter stand in it. */
static void load_argument(struct program *program, int number)
{
    load(program, offsetof(struct seccomp_data, args) + 8 * (size_t)number);
}

/* The call is allowed when its argument equals the value. The rest of the program expects the call's number
 * to be loaded, which holds again because this part always ends. */
static void allow_if_equal(struct program *program, int call, int argument, uint32_t value)
{
    add(program, BPF_JMP | BPF_JEQ | BPF_K, (uint32_t)call, 0, 4);
    load_argument(program, argument);
    add(program, BPF_JMP | BPF_JEQ | BPF_K, value, 0, 1);
    end(program, SECCOMP_RET_ALLOW);
    end(program, SECCOMP_RET_KILL_PROCESS);
}

static void allow_data_only(struct program *program)
{
    add(program, BPF_JMP | BPF_JEQ | BPF_K, SYS_mprotect, 0, 4);
    load_argument(program, 2);
    add(program, BPF_JMP | BPF_JSET | BPF_K, PROT_EXEC, 1, 0);
    end(program, SECCOMP_RET_ALLOW);
    end(program, SECCOMP_RET_KILL_PROCESS);
    add(program, BPF_JMP | BPF_JEQ | BPF_K, SYS_mmap, 0, 6);
    load_argument(program, 2);
    add(program, BPF_JMP | BPF_JSET | BPF_K, PROT_EXEC, 3, 0);
    load_argument(program, 3);
    add(program, BPF_JMP | BPF_JSET | BPF_K, MAP_ANONYMOUS, 0, 1);
    end(program, SECCOMP_RET_ALLOW);
    end(program, SECCOMP_RET_KILL_PROCESS);
}

static void write_program(struct program *program)
{
    load(program, offsetof(struct seccomp_data, arch));
    add(program, BPF_JMP | BPF_JEQ | BPF_K, ARCHITECTURE, 1, 0);
    end(program, SECCOMP_RET_KILL_PROCESS);
    load(program, offsetof(struct seccomp_data, nr));
#ifdef OTHER_TABLE
    add(program, BPF_JMP | BPF_JGE | BPF_K, OTHER_TABLE, 0, 1);
    end(program, SECCOMP_RET_KILL_PROCESS);
#endif
    for (size_t i = 0; i < sizeof allowed_always / sizeof allowed_always[0]; i++) {
        add(program, BPF_JMP | BPF_JEQ | BPF_K, (uint32_t)allowed_always[i], 0, 1);
        end(program, SECCOMP_RET_ALLOW);
    }
    allow_if_equal(program, SYS_write, 0, STDERR_FILENO);
    allow_if_equal(program, SYS_writev, 0, STDERR_FILENO);
    allow_if_equal(program, SYS_tgkill, 0, (uint32_t)getpid());
    allow_if_equal(program, SYS_prctl, 0, PR_SET_TIMERSLACK);
    allow_data_only(program);
    end(program, SECCOMP_RET_KILL_PROCESS);
}

/* Kernels before 5.16 slow a filtered process down (no stores passed by, unless the flag says so): the load
 * must be the same with the filter and without. The flag came with 4.17. */
static int install_filter(void)
{
    struct program program = {.count = 0};
    struct sock_fprog filter;

    write_program(&program);
    filter = (struct sock_fprog){.len = program.count, .filter = program.instruction};
    if (syscall(SYS_seccomp, SECCOMP_SET_MODE_FILTER, SECCOMP_FILTER_FLAG_SPEC_ALLOW, &filter) == 0)
        return 0;
    return (int)syscall(SYS_seccomp, SECCOMP_SET_MODE_FILTER, 0, &filter);
}
#else
static int install_filter(void)
{
    errno = ENOSYS;
    return -1;
}
#endif

/* Locked memory keeps its privilege: an arena is mapped, and thereby locked, with each slice that needs one.
 * A limit that root may pass by is lifted first. */
static int drop_capabilities(void)
{
    struct __user_cap_header_struct header = {.version = _LINUX_CAPABILITY_VERSION_3};
    struct __user_cap_data_struct kept[_LINUX_CAPABILITY_U32S_3] = {{0}};
    struct __user_cap_data_struct held[_LINUX_CAPABILITY_U32S_3] = {{0}};
    struct rlimit no_limit = {RLIM_INFINITY, RLIM_INFINITY};
    const int word = CAP_TO_INDEX(CAP_IPC_LOCK);

    (void)setrlimit(RLIMIT_MEMLOCK, &no_limit);
    if (syscall(SYS_capget, &header, held) != 0)
        return -1;
    kept[word].permitted = kept[word].effective = held[word].permitted & CAP_TO_MASK(CAP_IPC_LOCK);
    return (int)syscall(SYS_capset, &header, kept);
}

static enum hf_confined unconfined(char *ret_reason, size_t size, const char *reason)
{
    (void)snprintf(ret_reason, size, "%s", reason);
    return HF_UNCONFINED;
}

enum hf_confined hf_confine(char *ret_reason, size_t size)
{
    const char *wish = getenv("HOLDFAST_WORKERS");
    char reason[128];

    if (wish != NULL && strcmp(wish, "unconfined") == 0)
        return unconfined(ret_reason, size, "HOLDFAST_WORKERS=unconfined in the environment");
#ifdef HOLDFAST_SANITIZED
    return unconfined(ret_reason, size, ""); /* a developer's build: nobody is to be warned */
#endif
    if (prctl(PR_SET_NO_NEW_PRIVS, 1, 0, 0, 0) == 0 && drop_capabilities() == 0 && install_filter() == 0)
        return HF_CONFINED;
    (void)snprintf(reason, sizeof reason, "the kernel refuses a filter of system calls: %s", strerror(errno));
    return unconfined(ret_reason, size, reason);
}
