/*
 * What a worker may not do. Three routes: each forbidden call in a process that is confined as a worker is;
 * a real worker under load that is made to open a file (this program is its own worker and installs a handler
 * that tries); every kernel with every pattern behind the filter.
 */
#include <errno.h>
#include <fcntl.h>
#include <setjmp.h>
#include <signal.h>
#include <stdarg.h>
#include <stddef.h>
#include <stdint.h>
#include <sys/ioctl.h>
#include <sys/mman.h>
#include <sys/prctl.h>
#include <sys/ptrace.h>
#include <sys/resource.h>
#include <sys/socket.h>
#include <sys/syscall.h>
#include <sys/un.h>
#include <sys/wait.h>
#include <time.h>

#include <cmocka.h>

#include "harness/confine.h"
#include "sim/scripted.h"
#include "workloads/arena.h"
#include "workloads/sizes.h"

#define NOT_CONFINED 90 /* exit statuses of the children */
#define RETURNED     91

static char here[1]; /* a page of the program's own data is in the same page as this */

/* --- one call in a confined process ------------------------------------------------------------------- */

static void call_open(void)
{
    (void)open("/etc/hostname", O_RDONLY | O_CLOEXEC);
}

static void call_create(void)
{
    (void)open("/tmp/holdfast-confine", O_WRONLY | O_CREAT | O_CLOEXEC, 0600);
}

#ifdef SYS_open
static void call_old_open(void)
{
    (void)syscall(SYS_open, "/etc/hostname", O_RDONLY);
}
#endif

static void call_unlink(void)
{
    (void)unlink("/tmp/holdfast-confine");
}

static void call_rename(void)
{
    (void)rename("/tmp/holdfast-confine", "/tmp/holdfast-confine-2");
}

static void call_socket(void)
{
    (void)socket(AF_INET, SOCK_STREAM, 0);
}

static void call_connect(void)
{
    struct sockaddr_un name = {.sun_family = AF_UNIX};

    (void)connect(2, (struct sockaddr *)&name, sizeof name);
}

static void call_exec(void)
{
    char *arguments[] = {(char *)(uintptr_t) "/bin/true", NULL};

    (void)execve(arguments[0], arguments, arguments + 1);
}

static void call_fork(void)
{
    if (fork() == 0)
        _exit(0);
}

static void call_kill_parent(void)
{
    (void)kill(getppid(), 0);
}

static void call_thread_kill_parent(void)
{
    (void)syscall(SYS_tgkill, getppid(), getppid(), 0);
}

static void call_ptrace(void)
{
    (void)ptrace(PTRACE_TRACEME, 0, NULL, NULL);
}

static void call_write_elsewhere(void)
{
    (void)!write(1, "", 0);
}

static void call_read(void)
{
    (void)!read(0, here, sizeof here);
}

static void call_ioctl(void)
{
    (void)ioctl(2, 0, NULL);
}

static void call_prctl(void)
{
    (void)prctl(PR_SET_DUMPABLE, 1);
}

static void call_limit(void)
{
    struct rlimit limit = {0, 0};

    (void)setrlimit(RLIMIT_CORE, &limit);
}

static void call_map_code(void)
{
    (void)mmap(NULL, 4096, PROT_READ | PROT_EXEC, MAP_PRIVATE | MAP_ANONYMOUS, -1, 0);
}

static void call_map_file(void)
{
    (void)mmap(NULL, 4096, PROT_READ, MAP_PRIVATE, 2, 0);
}

static void call_make_code(void)
{
    (void)mprotect((void *)((uintptr_t)here & ~(uintptr_t)4095), 4096, PROT_READ | PROT_EXEC);
}

#ifdef __x86_64__
static void call_x32(void)
{
    (void)syscall(0x40000000L + SYS_getpid);
}

/* The other table of numbers: 20 is getpid there, 20 here is writev. */
static void call_i386(void)
{
    long result = 20;

    __asm__ volatile("int $0x80" : "+a"(result) : : "memory", "r8", "r9", "r10", "r11");
}
#endif

static void call_allowed(void)
{
    struct timespec nap = {.tv_nsec = 1000};
    struct timespec now;
    void *memory = mmap(NULL, 8192, PROT_NONE, MAP_PRIVATE | MAP_ANONYMOUS, -1, 0);
    uint32_t word = 1;
    int well = memory != MAP_FAILED && mprotect(memory, 8192, PROT_READ | PROT_WRITE) == 0;

    well = well && madvise(memory, 8192, MADV_NORMAL) == 0 && munmap(memory, 8192) == 0;
    well = well && clock_nanosleep(CLOCK_MONOTONIC, 0, &nap, NULL) == 0;
    well = well && syscall(SYS_clock_gettime, CLOCK_MONOTONIC, &now) == 0; /* as without vDSO */
    well = well && syscall(SYS_futex, &word, 0 /* FUTEX_WAIT */, 0, NULL, NULL, 0) < 0 && errno == EAGAIN;
    well = well && signal(SIGUSR1, SIG_IGN) != SIG_ERR && raise(SIGUSR1) == 0;
    well = well && write(2, "", 0) == 0;
    free(malloc(300000));
    _exit(well ? RETURNED : 1);
}

static void call_abort(void)
{
    abort();
}

static void confined_child(void (*call)(void))
{
    char reason[128];

    if (hf_confine(reason, sizeof reason) != HF_CONFINED) {
        fprintf(stderr, "%s\n", reason);
        _exit(NOT_CONFINED);
    }
    call();
    _exit(RETURNED);
}

static int status_of(void (*call)(void))
{
    pid_t child;
    int status;

    (void)fflush(NULL);
    child = fork();
    if (child == 0)
        confined_child(call);
    assert_int_equal(waitpid(child, &status, 0), child);
    return status;
}

static void test_forbidden(void **unused)
{
    static const struct {
        const char *name;
        void (*call)(void);
    } forbidden[] = {
        {"open", call_open},
        {"create", call_create},
#ifdef SYS_open
        {"old open", call_old_open},
#endif
        {"unlink", call_unlink},
        {"rename", call_rename},
        {"socket", call_socket},
        {"connect", call_connect},
        {"exec", call_exec},
        {"fork", call_fork},
        {"kill of the parent", call_kill_parent},
        {"tgkill of the parent", call_thread_kill_parent},
        {"ptrace", call_ptrace},
        {"write to another file", call_write_elsewhere},
        {"read", call_read},
        {"ioctl", call_ioctl},
        {"prctl", call_prctl},
        {"setrlimit", call_limit},
        {"mapping of code", call_map_code},
        {"mapping of a file", call_map_file},
        {"data made code", call_make_code},
#ifdef __x86_64__
        {"x32", call_x32},
#endif
    };

    (void)unused;
    for (size_t i = 0; i < sizeof forbidden / sizeof forbidden[0]; i++) {
        int status = status_of(forbidden[i].call);

        if (!WIFSIGNALED(status) || WTERMSIG(status) != SIGSYS)
            fail_msg("%s: the process ended with %#x, not with SIGSYS", forbidden[i].name, (unsigned)status);
    }
#ifdef __x86_64__
    {
        int status = status_of(call_i386);

        /* SIGSEGV where the kernel has no such table */
        assert_true(WIFSIGNALED(status) && (WTERMSIG(status) == SIGSYS || WTERMSIG(status) == SIGSEGV));
    }
#endif
}

static void test_allowed(void **unused)
{
    int status = status_of(call_allowed);

    (void)unused;
    assert_true(WIFEXITED(status));
    assert_int_equal(WEXITSTATUS(status), RETURNED);
    status = status_of(call_abort);
    assert_true(WIFSIGNALED(status) && WTERMSIG(status) == SIGABRT);
}

/* --- every kernel, every pattern ---------------------------------------------------------------------- */

#define STATES_ROOM 1048576

static _Alignas(64) unsigned char states[STATES_ROOM];

static void run_one(int kernel, int pattern, int sync)
{
    struct hf_place place = {.worker_count = 4, .group_size = 2, .group_count = 2};
    struct hf_slice slice = {.seed = 5,
                             .kernel = kernel,
                             .solo_kernel = -1,
                             .stream_kernel = -1,
                             .pattern = pattern,
                             .sync = sync,
                             .period_s = pattern == HF_PATTERN_SWING ? 0.2 : 50e-6,
                             .duty = 0.5,
                             .length_s = 1};
    struct hf_lane_report report;
    struct hf_block block;
    volatile int stop = 0;

    if (pattern == HF_PATTERN_SOLO_THEN_ALL)
        slice.solo_kernel = hf_kernel_index("branch", 0);
    place.epoch_ticks = hf_ticks_now();
    hf_block_run(&slice, &place, hf_slice_block_seed(&slice, 0, 1), 200e-6, states, &stop, &block);
    if (block.digest != hf_block_expect(&slice, &block))
        _exit(1);
    hf_block_locate(&slice, &block, states, &report);
}

static void run_all(void)
{
    struct hf_lane_report report;

    for (int kernel = 0; kernel < hf_kernel_count(); kernel++) {
        for (int pattern = 0; pattern < HF_PATTERN_COUNT; pattern++)
            run_one(kernel, pattern, (kernel + pattern) % HF_SYNC_COUNT);
        if (hf_kernel_proof(hf_kernel_at(kernel), states, 3, 4) != 1)
            _exit(2);
        (void)hf_arena_scrub(&report);
        hf_arena_drop();
    }
}

static void test_kernels(void **unused)
{
    struct hf_sizes little;
    int status;

    (void)unused;
    assert_true(HF_BLOCK_STATES * hf_kernel_state_bytes_max() <= STATES_ROOM);
    hf_sizes_small(&little);
    for (int level = 1; level < HF_LEVELS; level++)
        little.arena_bytes[level] = HF_ARENA_BYTES_MIN;
    hf_sizes_set(&little);
    (void)hf_ticks_per_second(); /* a worker is told */
    status = status_of(run_all);
    if (!WIFEXITED(status) || WEXITSTATUS(status) != RETURNED)
        fail_msg("kernels and patterns behind the filter ended with %#x", (unsigned)status);
}

/* --- a real worker -------------------------------------------------------------------------------------- */

static void on_try(int signal_number)
{
    (void)signal_number;
    call_open();
}

static int first_child(pid_t parent)
{
    char path[64];
    FILE *file;
    int pid = 0;

    (void)snprintf(path, sizeof path, "/proc/%d/task/%d/children", (int)parent, (int)parent);
    file = fopen(path, "r");
    if (file != NULL && fscanf(file, "%d", &pid) != 1)
        pid = 0;
    if (file != NULL)
        (void)fclose(file);
    return pid;
}

static unsigned long long status_field(int pid, const char *field, int base)
{
    char path[64];
    char line[256];
    unsigned long long value = ~0ULL;
    FILE *file;

    (void)snprintf(path, sizeof path, "/proc/%d/status", pid);
    file = fopen(path, "r");
    while (file != NULL && fgets(line, sizeof line, file) != NULL) {
        if (strncmp(line, field, strlen(field)) == 0 && line[strlen(field)] == ':')
            value = strtoull(line + strlen(field) + 1, NULL, base);
    }
    if (file != NULL)
        (void)fclose(file);
    return value;
}

static struct hf_event last_verdict;

static int keep_verdict(void *context, const struct hf_event *event, struct hf_error *error)
{
    (void)context;
    (void)error;
    if (event->type == HF_EVENT_VERDICT && event->verdict == HF_VERDICT_FAIL)
        last_verdict = *event;
    return HF_OK;
}

static int supervise(const char *directory)
{
    struct scripted_run r = {.visitor = keep_verdict};
    struct hf_supervisor_result result;
    struct hf_error error = {0};

    scripted = (struct scripted){.cores = 1};
    (void)snprintf(r.directory, sizeof r.directory, "%s", directory);
    r.profile = scripted_profile(1, 1, "quick");
    if (scripted_open_run(&r, "one-boot", NULL, &error) != HF_OK ||
        scripted_supervise(&r, "one-boot", 30, &result, &error) != HF_OK) {
        fprintf(stderr, "%s\n", error.message);
        return 1;
    }
    return last_verdict.cause == HF_CAUSE_WORKER_DIED ? 0 : 2;
}

static int journal_holds(const char *directory, const char *words)
{
    char path[300];
    struct hf_error error = {0};
    struct hf_text text;
    int found;

    (void)snprintf(path, sizeof path, "%s/journal.jsonl", directory);
    if (hf_text_read_file(&text, path, 1 << 24, &error) != HF_OK)
        fail_msg("%s", error.message);
    found = strstr(text.bytes, words) != NULL;
    hf_text_release(&text);
    return found;
}

/* The worker is confined once its status says so, and under load when a trial has begun. */
static int await_worker(const char *directory, pid_t supervisor)
{
    for (int i = 0; i < 4000; i++) {
        struct timespec nap = {.tv_nsec = 5000000};
        char path[300];
        int worker = first_child(supervisor);

        (void)snprintf(path, sizeof path, "%s/journal.jsonl", directory);
        if (worker > 0 && status_field(worker, "Seccomp", 10) == 2 && access(path, R_OK) == 0 &&
            journal_holds(directory, "trial-begin"))
            return worker;
        (void)clock_nanosleep(CLOCK_MONOTONIC, 0, &nap, NULL);
    }
    fail_msg("no confined worker under load within 20 s");
    return 0;
}

static void test_worker(void **unused)
{
    const unsigned long long lock_memory = 1ULL << 14; /* CAP_IPC_LOCK, capabilities(7) */
    struct timespec second = {.tv_sec = 1};
    char directory[256];
    pid_t supervisor;
    int worker;
    int status;

    (void)unused;
    scripted_directory(directory, sizeof directory, "confine");
    (void)fflush(NULL);
    supervisor = fork();
    if (supervisor == 0)
        _exit(supervise(directory));
    worker = await_worker(directory, supervisor);
    assert_int_equal(status_field(worker, "NoNewPrivs", 10), 1);
    assert_int_equal(status_field(worker, "CapEff", 16) & ~lock_memory, 0);
    assert_int_equal(status_field(worker, "CapPrm", 16) & ~lock_memory, 0);
    (void)clock_nanosleep(CLOCK_MONOTONIC, 0, &second, NULL); /* its load is on */
    assert_int_equal(kill(worker, SIGUSR2), 0);
    assert_int_equal(waitpid(supervisor, &status, 0), supervisor);
    assert_true(WIFEXITED(status));
    assert_int_equal(WEXITSTATUS(status), 0);
    assert_true(journal_holds(directory, "signal 31: a system call that no kernel makes"));
    scripted_remove(directory);
}

static void test_wish(void **unused)
{
    char reason[128];

    (void)unused;
    assert_int_equal(setenv("HOLDFAST_WORKERS", "unconfined", 1), 0);
    assert_int_equal(hf_confine(reason, sizeof reason), HF_UNCONFINED);
    assert_non_null(strstr(reason, "HOLDFAST_WORKERS"));
    assert_int_equal(status_field((int)getpid(), "Seccomp", 10), 0);
    assert_int_equal(unsetenv("HOLDFAST_WORKERS"), 0);
}

int main(int argc, char **argv)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(test_wish),    cmocka_unit_test(test_forbidden), cmocka_unit_test(test_allowed),
        cmocka_unit_test(test_kernels), cmocka_unit_test(test_worker),
    };
    int status;

    if (argc == 6)
        (void)signal(SIGUSR2, on_try);
    scripted_worker_main(argc, argv);
#ifdef HOLDFAST_SANITIZED
    fprintf(stderr, "skipped: with sanitizers workers are not confined\n");
    return 77;
#endif
    status = status_of(call_allowed);
    if (WIFEXITED(status) && WEXITSTATUS(status) == NOT_CONFINED) {
        fprintf(stderr, "skipped: no filter of system calls here\n");
        return 77;
    }
    return cmocka_run_group_tests(tests, NULL, NULL);
}
