/*
 * Every system call and every allocation of a command failed at the Nth time, once and for ever: from then on
 * all calls of that name fail, but for words on standard error.
 *
 *   failing_calls SCRIPT              search, resume, certify or report; a sample of the Ns that takes some
 *                                     20 s, with the reason printed
 *   HOLDFAST_FAILING=all              every N; a number k: one in k
 *   failing_calls SCRIPT KIND N       one of them, with what it said: KIND is call, call+, allocation or
 *                                     allocation+; the directory is kept
 *
 *   failing_calls self-test           programs that do wrong in its place must be found out
 *
 * The program runs under ptrace(2); at the entry of the Nth call since main() its number is taken away, so
 * that the kernel does nothing, and at its exit an error takes the result's place. Allocations are failed by
 * shim.c. Only the supervisor's calls are counted, not those of its workers.
 *
 * Afterwards, whatever failed:
 *   - the program has ended by itself, within the time limit, with an exit status of the contract
 *   - an exit status that is not the undisturbed one comes with a sentence on standard error
 *   - every byte of the journal that was synced is still there, nothing in it is a failed verdict, and
 *     `report --json` reads it
 *   - status 0 of certify and report means that the files are there, whole
 *   - the search can be gone on with (every eighth N)
 * x86-64 only: another architecture changes a call in another way.
 */
#include <errno.h>
#include <fcntl.h>
#include <limits.h>
#include <signal.h>
#include <stdarg.h>
#include <stddef.h>
#include <stdint.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/ptrace.h>
#include <sys/stat.h>
#include <sys/syscall.h>
#include <sys/time.h>
#include <sys/user.h>
#include <sys/wait.h>
#include <time.h>
#include <unistd.h>

#include "failing/calls.h"
#include "failing/marks.h"

#define LIMIT_S     20.0 /* one run; the machine may be loaded */
#define BUDGET_S    5.0  /* the sample of one kind */
#define RESUME_EACH 8
#define FILE_MAX    (4 << 20)

static const char profile[] =
    "{\"format\":1,\"name\":\"tern\",\"base_clock_mhz\":100,\"ratio\":{\"lowest\":34,"
    "\"highest\":36.25,\"step\":0.25,\"baseline\":36},\"groups\":[{\"name\":\"g0\","
    "\"cpus\":\"0\"}],\"driver\":\"rig\",\"mix\":\"quick\",\"search\":{\"method\":"
    "\"bisect\",\"claim_hours\":1,\"confidence\":0.9,\"soak_hours\":1,"
    "\"baseline_minutes\":2,\"seed\":\"1\"},\"rig\":{\"seed\":\"7\","
    "\"clock_factor\":30000}}\n";

/* --- one run -------------------------------------------------------------------------------------------- */

struct wish {
    int of_allocations;
    int for_ever;
    long at; /* LONG_MAX: none, count only */
};

struct run {
    char folder[200];       /* private; the run directory is run/ in it */
    const struct call *hit; /* the first call that was failed */
    long counted;           /* calls */
    long allocations;
    int failed; /* something was failed */
    int status; /* as waitpid tells it */
    int hung;
    char *synced; /* the journal's bytes when it was last synced */
    long synced_size;
};

static char base[160];
static double limit_s = LIMIT_S;
static const char *planted; /* the self-test's: what the fault that is planted must be called */
static volatile sig_atomic_t time_is_over;

static void on_alarm(int signal_number)
{
    (void)signal_number;
    time_is_over = 1;
}

static double now_s(void)
{
    struct timespec now;

    (void)clock_gettime(CLOCK_MONOTONIC, &now);
    return (double)now.tv_sec + (double)now.tv_nsec * 1e-9;
}

static void broken(const char *what)
{
    perror(what);
    exit(1);
}

static void path_in(char ret_path[400], const char *folder, const char *name)
{
    (void)snprintf(ret_path, 400, "%s/%s", folder, name);
}

/* The whole file, NUL-terminated; NULL when there is none. */
static char *slurp(const char *folder, const char *name, long *ret_size)
{
    char path[400];
    char *bytes;
    FILE *file;

    path_in(path, folder, name);
    file = fopen(path, "re");
    if (file == NULL)
        return NULL;
    bytes = malloc(FILE_MAX);
    if (bytes == NULL)
        broken("malloc");
    *ret_size = (long)fread(bytes, 1, FILE_MAX - 1, file);
    bytes[*ret_size] = '\0';
    (void)fclose(file);
    return bytes;
}

/* sh does what takes many lines in C: copying and removing folders. Paths hold no blanks. */
__attribute__((format(printf, 1, 2))) static void shell(const char *format, ...)
{
    char command[1200];
    va_list arguments;

    va_start(arguments, format);
    (void)vsnprintf(command, sizeof command, format, arguments);
    va_end(arguments);
    if (system(command) != 0)
        broken(command);
}

static const struct script {
    const char *name;
    const char *arguments[8]; /* in the folder */
    const char *template;     /* what the folder is copied from */
    int undisturbed;          /* exit status */
    double budget_s;          /* of each of the four kinds, when not all are tried */
    int writes_journal;
    const char *files[3]; /* made by it, and how each ends */
    const char *ends[3];
} scripts[] = {
    {"search", {"search", "--profile", "tern.json", "--run", "run"}, "empty", 0, 6, 1, {NULL}, {NULL}},
    {"resume", {"search", "--run", "run"}, "open", 0, 6, 1, {NULL}, {NULL}},
    {"certify",
     {"certify", "--run", "run"},
     "done",
     0,
     3,
     0,
     {"run/certificate-g0.json", "run/certificate-g0.html"},
     {"}\n", "</html>\n"}},
    {"report", {"report", "--run", "run"}, "done", 0, 3, 0, {"run/report.html"}, {"</html>\n"}},
};

static void become(const char *const *arguments, const char *folder, const struct wish *wish)
{
    char program[400];
    char shim[400];
    char *words[12] = {program};
    char number[32];

    path_in(program, base, "holdfast");
    path_in(shim, base, "shim.so");

    for (int i = 0; i < 8 && arguments[i] != NULL; i++)
        words[i + 1] = (char *)(uintptr_t)arguments[i];
    if (chdir(folder) != 0 || freopen("out", "we", stdout) == NULL || freopen("err", "we", stderr) == NULL ||
        freopen("/dev/null", "re", stdin) == NULL)
        _exit(120);
    for (int fd = 0; fd < 3; fd++)
        (void)fcntl(fd, F_SETFD, 0);
    if (wish != NULL) {
        (void)snprintf(number, sizeof number, "%ld%s", wish->at, wish->for_ever ? "+" : "");
        (void)setenv("LD_PRELOAD", shim, 1);
        if (wish->of_allocations)
            (void)setenv("FAILING_ALLOCATION", number, 1);
        (void)ptrace(PTRACE_TRACEME, 0, NULL, NULL);
        (void)raise(SIGSTOP);
    }
    (void)execv(words[0], words);
    _exit(121);
}

/* Keeps what is durable now, if it was the journal that was synced. */
static void keep_synced(struct run *run, pid_t pid, int fd)
{
    char link[64];
    char name[400];
    ssize_t size;

    (void)snprintf(link, sizeof link, "/proc/%d/fd/%d", (int)pid, fd);
    size = readlink(link, name, sizeof name - 1);
    if (size < 0)
        return;
    name[size] = '\0';
    if (strstr(name, "/journal.jsonl") == NULL)
        return;
    free(run->synced);
    run->synced = slurp(run->folder, "run/journal.jsonl", &run->synced_size);
}

/* Reads and writes of files fail; those of pipes and event counters, which libuv makes and trusts, do not.
 * What goes to standard error is the reason. */
static int can_fail(const struct call *call, pid_t pid, int fd)
{
    char link[64];
    char name[400];
    ssize_t size;

    if (call->number != SYS_read && call->number != SYS_write)
        return 1;
    (void)snprintf(link, sizeof link, "/proc/%d/fd/%d", (int)pid, fd);
    size = readlink(link, name, sizeof name);
    return fd != STDERR_FILENO && size > 0 && name[0] == '/';
}

/* Entry: what is to fail is taken from the kernel. Returns the error for the exit, 0: none. */
static int enter_call(struct run *run, const struct wish *wish, pid_t pid, struct user_regs_struct *registers,
                      int *begun)
{
    const struct call *call = call_of((long)registers->orig_rax);

    if (registers->orig_rax == SYS_getppid) {
        *begun |= registers->rdi == MARK_BEGIN;
        run->failed |= registers->rdi == MARK_FAILED;
        if (registers->rdi == MARK_COUNT)
            run->allocations = (long)registers->rsi;
        return 0;
    }
    if (!*begun || wish->of_allocations || call == NULL)
        return 0;
    if (!can_fail(call, pid, (int)registers->rdi))
        return 0;
    run->counted++;
    if (run->counted == wish->at)
        run->hit = call;
    else if (!wish->for_ever || call != run->hit)
        return 0;
    run->failed = 1;
    if (call->number == SYS_close)
        return call->error; /* Linux closes, whatever it returns */
    registers->orig_rax = (unsigned long long)-1;
    if (ptrace(PTRACE_SETREGS, pid, NULL, registers) != 0)
        broken("PTRACE_SETREGS");
    return call->error;
}

/* Until the program has ended. */
static void follow(struct run *run, const struct wish *wish, pid_t pid)
{
    struct user_regs_struct registers;
    struct user_regs_struct entered = {0};
    int begun = 0;
    int inside = 0;
    int error = 0;

    for (int deliver = 0;;) {
        if (ptrace(PTRACE_SYSCALL, pid, NULL, deliver) != 0 && errno != ESRCH)
            broken("PTRACE_SYSCALL");
        if (waitpid(pid, &run->status, __WALL) < 0) {
            if (errno != EINTR)
                broken("waitpid");
            run->hung = 1;
            (void)kill(pid, SIGKILL);
            (void)waitpid(pid, &run->status, __WALL);
        }
        if (WIFEXITED(run->status) || WIFSIGNALED(run->status))
            return;
        deliver = WSTOPSIG(run->status);
        if (deliver == SIGTRAP)
            deliver = 0; /* exec */
        if (deliver != (SIGTRAP | 0x80))
            continue;
        deliver = 0;
        if (ptrace(PTRACE_GETREGS, pid, NULL, &registers) != 0)
            continue;
        inside = !inside;
        if (inside) {
            entered = registers;
            error = enter_call(run, wish, pid, &registers, &begun);
        } else if (error != 0) {
            registers.rax = (unsigned long long)-(long long)error;
            if (entered.orig_rax == SYS_brk)
                registers.rax = 0; /* the kernel's way to say no: the break stays where it is */
            (void)ptrace(PTRACE_SETREGS, pid, NULL, &registers);
            error = 0;
        } else if ((entered.orig_rax == SYS_fdatasync || entered.orig_rax == SYS_fsync) &&
                   registers.rax == 0) {
            keep_synced(run, pid, (int)entered.rdi);
        }
    }
}

static void set_alarm(double seconds)
{
    struct itimerval timer = {.it_value = {.tv_sec = (time_t)seconds, .tv_usec = seconds > 0 ? 1 : 0}};

    (void)setitimer(ITIMER_REAL, &timer, NULL);
}

/* A fresh folder from the template, and the command in it. */
static void run_traced(const struct script *script, const struct wish *wish, struct run *run)
{
    pid_t pid;
    int status;

    (void)snprintf(run->folder, sizeof run->folder, "%s/try", base);
    shell("rm -rf %s && cp -a %s/%s %s", run->folder, base, script->template, run->folder);
    run->synced = slurp(run->folder, "run/journal.jsonl", &run->synced_size); /* of an earlier session */
    (void)fflush(NULL);
    pid = fork();
    if (pid < 0)
        broken("fork");
    if (pid == 0)
        become(script->arguments, run->folder, wish);
    if (waitpid(pid, &status, __WALL) != pid || !WIFSTOPPED(status))
        broken("the program could not be traced");
    if (ptrace(PTRACE_SETOPTIONS, pid, NULL, PTRACE_O_TRACESYSGOOD | PTRACE_O_EXITKILL) != 0)
        broken("PTRACE_SETOPTIONS");
    time_is_over = 0;
    set_alarm(limit_s);
    follow(run, wish, pid);
    set_alarm(0);
}

/* Undisturbed; the exit status, or 128 and the signal. */
static int run_plainly(const char *const *arguments, const char *folder)
{
    pid_t pid;
    int status;

    (void)fflush(NULL);
    pid = fork();
    if (pid < 0)
        broken("fork");
    if (pid == 0)
        become(arguments, folder, NULL);
    while (waitpid(pid, &status, 0) < 0 && errno == EINTR)
        ;
    return WIFEXITED(status) ? WEXITSTATUS(status) : 128 + WTERMSIG(status);
}

/* --- what must hold afterwards ----------------------------------------------------------------------------
 */

static int faults; /* found in all runs */

/* The first fault of a run is enough. */
__attribute__((format(printf, 4, 5))) static int fault(const struct script *script, const struct wish *wish,
                                                       const struct run *run, const char *format, ...)
{
    va_list arguments;
    long size = 0;
    char *words;

    faults++;
    if (planted != NULL) {
        char found[200];

        va_start(arguments, format);
        (void)vsnprintf(found, sizeof found, format, arguments);
        va_end(arguments);
        if (strstr(found, planted) != NULL)
            planted = NULL;
        return 0;
    }
    words = slurp(run->folder, "err", &size);
    printf("FAULT %s %s%s %ld (%s): ", script->name, wish->of_allocations ? "allocation" : "call",
           wish->for_ever ? "+" : "", wish->at, run->hit != NULL ? run->hit->name : "allocation");
    va_start(arguments, format);
    (void)vprintf(format, arguments);
    va_end(arguments);
    printf("\n      it said: %.300s\n", words != NULL && size > 0 ? words : "(nothing)");
    free(words);
    shell("rm -rf %s/fault-%d && cp -a %s %s/fault-%d", base, faults, run->folder, base, faults);
    return 0;
}

static int is_sentence(const char *words)
{
    return words != NULL && strncmp(words, "holdfast ", 9) == 0 && strlen(words) > 30;
}

/* uv__signal_global_once_init(): its first pipe, or abort(). A real lack of file descriptors is found before
 * (hf_pool_loop_init()); only a failure of this very call leads here. */
static int is_libuvs(const struct run *run)
{
    return run->hit != NULL && run->hit->number == SYS_pipe2 && WIFSIGNALED(run->status) &&
           WTERMSIG(run->status) == SIGABRT;
}

static int check_end(const struct script *script, const struct wish *wish, const struct run *run)
{
    long size = 0;
    char *words;
    int status = WIFEXITED(run->status) ? WEXITSTATUS(run->status) : -1;
    int well;

    if (run->hung)
        return fault(script, wish, run, "it had not ended after %.0f s", limit_s);
    if (is_libuvs(run)) {
        printf("%s call %ld (pipe2): libuv called abort(), as it does without its signal pipe\n",
               script->name, wish->at);
        return 1;
    }
    if (status < 0)
        return fault(script, wish, run, "it was ended by signal %d, %s", WTERMSIG(run->status),
                     strsignal(WTERMSIG(run->status)));
    if (status == script->undisturbed)
        return 1;
    if (status != 2 && status != 3 && status != 4)
        return fault(script, wish, run, "exit status %d", status);
    words = slurp(run->folder, "err", &size);
    well = is_sentence(words);
    free(words);
    if (!well)
        return fault(script, wish, run, "exit status %d without a sentence", status);
    return 1;
}

/* The files that status 0 promises. */
static int check_files(const struct script *script, const struct wish *wish, const struct run *run)
{
    for (int i = 0; i < 3 && script->files[i] != NULL; i++) {
        long size = 0;
        char *bytes = slurp(run->folder, script->files[i], &size);
        size_t end = strlen(script->ends[i]);
        int there = bytes != NULL;
        int whole = there && size > (long)end && strcmp(bytes + size - (long)end, script->ends[i]) == 0;

        free(bytes);
        if (there && !whole)
            return fault(script, wish, run, "%s is cut short", script->files[i]);
        if (!there && WEXITSTATUS(run->status) == 0)
            return fault(script, wish, run, "%s is missing, with exit status 0", script->files[i]);
    }
    return 1;
}

/* Nothing that was synced is gone, and no call that failed has become a verdict against a group. */
static int check_journal(const struct script *script, const struct wish *wish, const struct run *run)
{
    static const char *const look[] = {"report", "--run", "run", "--json", NULL};
    long size = 0;
    char *bytes = slurp(run->folder, "run/journal.jsonl", &size);
    int kept = run->synced_size == 0 || (bytes != NULL && size >= run->synced_size &&
                                         memcmp(bytes, run->synced, (size_t)run->synced_size) == 0);
    int false_verdict = bytes != NULL && strstr(bytes, "\"verdict\":\"fail\"") != NULL;
    int status;

    free(bytes);
    if (!kept)
        return fault(script, wish, run, "the journal's %ld synced bytes are not there any more (%ld are)",
                     run->synced_size, size);
    if (false_verdict)
        return fault(script, wish, run, "the journal holds a failed verdict");
    shell("cp %s/err %s/err-kept", run->folder, run->folder);
    status = run_plainly(look, run->folder);
    if (status != 0 && !(status == 2 && run->synced_size == 0))
        return fault(script, wish, run, "report of what it left: exit status %d", status);
    return 1;
}

/* The run goes on, or begins anew where it had not begun. */
static int check_resume(const struct script *script, const struct wish *wish, const struct run *run)
{
    static const char *const again[] = {"search", "--profile", "tern.json", "--run", "run", NULL};
    int status;

    if (!script->writes_journal || wish->at % RESUME_EACH != 0)
        return 1;
    status = run_plainly(again, run->folder);
    if (status != 0)
        return fault(script, wish, run, "the search cannot be gone on with: exit status %d", status);
    return 1;
}

/* --- all of them
 * -------------------------------------------------------------------------------------------- */

/* A worker that others keep from its CPU finishes too few blocks, or none for 2 s: verdicts that no failed
 * call has made. In this profile's hour of load there are 0.12 s of real time. */
static int machine_was_busy(const struct run *run)
{
    long size = 0;
    char *bytes = slurp(run->folder, "run/journal.jsonl", &size);
    int busy = bytes != NULL && (strstr(bytes, "\"cause\":\"stall\"") != NULL ||
                                 strstr(bytes, "\"cause\":\"too-few-blocks\"") != NULL);

    free(bytes);
    return busy;
}

/* 1 when something was failed; ret_count: how many calls or allocations there were. */
static int try_one(const struct script *script, const struct wish *wish, long *ret_count)
{
    struct run run = {.hit = NULL};

    for (int round = 0; round < 4; round++) {
        free(run.synced);
        run = (struct run){.hit = NULL};
        run_traced(script, wish, &run);
        if (!script->writes_journal || !machine_was_busy(&run))
            break;
        printf("%s: the machine is busy with other things; once more\n", script->name);
    }
    if (run.failed || planted != NULL)
        (void)(check_end(script, wish, &run) && check_files(script, wish, &run) &&
               check_journal(script, wish, &run) && check_resume(script, wish, &run));
    *ret_count = wish->of_allocations ? run.allocations : run.counted;
    free(run.synced);
    return run.failed;
}

/* Every N, or as many as the time suffices for, evenly. The count of one undisturbed run may be a little off
 * (the loop turns by the clock): the last N is the first that finds nothing to fail. */
static void try_kind(const struct script *script, int of_allocations, int for_ever)
{
    const char *word = getenv("HOLDFAST_FAILING");
    struct wish wish = {.of_allocations = of_allocations, .for_ever = for_ever, .at = LONG_MAX};
    double began = now_s();
    double each_s;
    long count;
    long step;
    long tried = 0;
    long unused;

    (void)try_one(script, &wish, &count);
    each_s = now_s() - began + 0.05; /* what it left is read, too */
    step = word == NULL               ? (long)((double)count * each_s / script->budget_s) + 1
           : strcmp(word, "all") == 0 ? 1
                                      : strtol(word, NULL, 10);
    step = step < 1 ? 1 : step;
    for (wish.at = step > 1 ? 1 + step / 3 : 1; try_one(script, &wish, &unused); wish.at += step)
        tried++;
    printf("%s: %s failed %s, %ld of %ld", script->name, of_allocations ? "an allocation" : "a system call",
           for_ever ? "for ever" : "once", tried, count);
    if (step > 1)
        printf(": one in %ld (HOLDFAST_FAILING=all: every one)", step);
    printf("; %.1f s\n", now_s() - began);
    (void)fflush(stdout);
}

static void expect_status(const char *const *arguments, const char *folder, int expected)
{
    int status = run_plainly(arguments, folder);

    if (status == expected)
        return;
    fprintf(stderr, "%s undisturbed: exit status %d instead of %d\n", arguments[0], status, expected);
    exit(1);
}

/* The journal up to where its last trial has been loaded: as if the program had been ended there. */
static void cut_journal(const char *folder)
{
    long size = 0;
    char *bytes = slurp(folder, "run/journal.jsonl", &size);
    char *last = NULL;
    char path[400];

    for (char *at = bytes; at != NULL && (at = strstr(at, "\"type\":\"trial-loaded\"")) != NULL; at++)
        last = at;
    if (last == NULL || strchr(last, '\n') == NULL)
        broken("the journal has no trial-loaded");
    path_in(path, folder, "run/journal.jsonl");
    if (truncate(path, strchr(last, '\n') + 1 - bytes) != 0)
        broken(path);
    free(bytes);
}

static void make_templates(void)
{
    char folder[300];
    FILE *file;

    (void)snprintf(base, sizeof base, "/tmp/holdfast-failing-XXXXXX");
    if (mkdtemp(base) == NULL)
        broken("mkdtemp");
    /* copies: building anew meanwhile changes nothing */
    shell("cp %s %s/holdfast && cp %s %s/shim.so && mkdir %s/empty", HOLDFAST_BINARY, base, FAILING_SHIM,
          base, base);
    (void)snprintf(folder, sizeof folder, "%s/empty/tern.json", base);
    file = fopen(folder, "we");
    if (file == NULL || fputs(profile, file) < 0 || fclose(file) != 0)
        broken(folder);
    shell("cp -a %s/empty %s/done", base, base);
    (void)snprintf(folder, sizeof folder, "%s/done", base);
    expect_status(scripts[0].arguments, folder, scripts[0].undisturbed);
    shell("cp -a %s/done %s/open && rm -f %s/done/run/*.html %s/done/run/certificate-*", base, base, base,
          base);
    (void)snprintf(folder, sizeof folder, "%s/open", base);
    cut_journal(folder);
}

/* Programs that do wrong stand in for the real one; each must be found out, and by the right check. */
static int self_test(void)
{
    static const struct {
        const char *does; /* of a command line that is not `report` */
        const char *found;
    } plants[] = {
        {"kill -SEGV $$", "ended by signal 11"},
        {"sleep 60", "had not ended"},
        {"exit 1", "exit status 1"},
        {"exit 127", "exit status 127"},
        {"exit 4", "exit status 4 without a sentence"},
        {"echo 'holdfast search: bad' >&2; exit 4", "exit status 4 without a sentence"},
        {"exit 0", "is missing, with exit status 0"},
        {"echo '{' >run/certificate-g0.json; exit 0", "is cut short"},
        {"cp tern.json run/certificate-g0.json; echo '.</html>' >run/certificate-g0.html; : "
         ">run/journal.jsonl; exit 0",
         "synced bytes are not there"},
        {"cp tern.json run/certificate-g0.json; echo '.</html>' >run/certificate-g0.html; "
         "echo '\"verdict\":\"fail\"' >>run/journal.jsonl; exit 0",
         "holds a failed verdict"},
        {"cp tern.json run/certificate-g0.json; echo '.</html>' >run/certificate-g0.html; exit 0",
         "report of what it left"},
    };
    const struct wish wish = {.of_allocations = 1, .at = LONG_MAX};
    char path[400];
    int missed = 0;
    long unused;

    limit_s = 2;
    path_in(path, base, "holdfast");
    for (size_t i = 0; i < sizeof plants / sizeof plants[0]; i++) {
        FILE *file;

        (void)unlink(path);
        file = fopen(path, "we");
        if (file == NULL ||
            fprintf(file, "#!/bin/sh\n[ $1 != report ] || exit 3\n%s\n", plants[i].does) < 0 ||
            fclose(file) != 0 || chmod(path, 0700) != 0)
            broken(path);
        planted = plants[i].found;
        (void)try_one(&scripts[2], &wish, &unused);
        if (planted != NULL)
            printf("not found: %s (%s)\n", plants[i].does, planted);
        missed += planted != NULL;
        planted = NULL;
    }
    shell("rm -rf %s", base);
    printf("%zu faults planted, %d not found\n", sizeof plants / sizeof plants[0], missed);
    return missed > 0;
}

static int show_one(const struct script *script, const char *kind, const char *number)
{
    struct wish wish = {.of_allocations = strncmp(kind, "allocation", 10) == 0,
                        .for_ever = strchr(kind, '+') != NULL,
                        .at = strtol(number, NULL, 10)};
    long unused;
    int failed = try_one(script, &wish, &unused);

    printf("%s; %d faults; folder %s/try\n", failed ? "failed" : "there are not so many", faults, base);
    return faults > 0;
}

int main(int argc, char **argv)
{
    struct sigaction action = {.sa_handler = on_alarm};
    const struct script *script = NULL;

    for (size_t i = 0; argc >= 2 && i < sizeof scripts / sizeof scripts[0]; i++) {
        if (strcmp(argv[1], scripts[i].name) == 0)
            script = &scripts[i];
    }
    if (argc == 2 && strcmp(argv[1], "self-test") == 0)
        script = &scripts[2];
    if (script == NULL || (argc != 2 && argc != 4)) {
        fprintf(stderr, "usage: failing_calls search|resume|certify|report [KIND N] | self-test\n");
        return 2;
    }
    (void)sigaction(SIGALRM, &action, NULL); /* without SA_RESTART: waiting ends */
    (void)setenv("HOME", "/nonexistent", 1);
    make_templates();
    if (strcmp(argv[1], "self-test") == 0)
        return self_test();
    if (argc == 4)
        return show_one(script, argv[2], argv[3]);
    for (int kind = 0; kind < 4; kind++)
        try_kind(script, kind / 2, kind % 2);
    printf("%d faults%s%s\n", faults, faults > 0 ? ", kept in " : "", faults > 0 ? base : "");
    if (faults == 0)
        shell("rm -rf %s", base);
    return faults > 0;
}
