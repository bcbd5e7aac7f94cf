/*
 * No worker outlives its supervisor, at whatever moment that dies without a word. Orphans become children of
 * this program (it is their subreaper), so none can be overlooked, not even one that has not begun yet.
 *
 *   late    workers that begin when their supervisor has gone already, with work waiting for them
 *   deaf    workers that the kernel does not end, because their request to be ended is lost: they have to
 *           notice by themselves, at work, in a long pause, with their ring full, proving, idle
 *   killed  200 whole supervisors, killed 0 to 300 ms after their start
 */
#include <errno.h>
#include <fcntl.h>
#include <math.h>
#include <signal.h>
#include <sys/mman.h>
#include <sys/prctl.h>
#include <sys/time.h>
#include <sys/wait.h>
#include <time.h>

#include "holdfast/random.h"
#include "sim/scripted.h"

#define WORKERS       4 /* late and deaf */
#define DEAF_FD       4
#define NOTICED_MS    2000.0
#define KILLS         200
#define KILL_AFTER_MS 300
#define GONE_MS       3000.0
#define GROUPS        2
#define CORES         2
#define ORPHANS_MAX   (KILLS * (GROUPS * CORES + 1))

static double now_ms(void)
{
    return (double)hf_clock_monotonic_ns(&hf_clock_real) * 1e-6;
}

static void nap_us(long microseconds)
{
    struct timespec nap = {.tv_sec = microseconds / 1000000, .tv_nsec = microseconds % 1000000 * 1000};

    (void)clock_nanosleep(CLOCK_MONOTONIC, 0, &nap, NULL);
}

static void give_up(const char *what)
{
    perror(what);
    exit(1);
}

/* All that are left are ended: a failed test must not leave load behind. */
static int end_the_rest(void)
{
    char path[64];
    int ended = 0;
    int pid;
    FILE *file;

    (void)snprintf(path, sizeof path, "/proc/self/task/%d/children", (int)getpid());
    file = fopen(path, "r");
    while (file != NULL && fscanf(file, "%d", &pid) == 1)
        ended += kill(pid, SIGKILL) == 0;
    if (file != NULL)
        (void)fclose(file);
    while (waitpid(-1, NULL, 0) > 0)
        continue;
    return ended;
}

/* How long it took until this program had no child left, neither its own nor inherited; INFINITY: too long.
 */
static double until_alone_ms(double limit_ms)
{
    double began = now_ms();

    for (;;) {
        pid_t pid = waitpid(-1, NULL, WNOHANG);

        if (pid < 0 && errno == ECHILD)
            return now_ms() - began;
        if (now_ms() - began > limit_ms)
            return (double)INFINITY;
        if (pid == 0)
            nap_us(1000);
    }
}

/* --- a worker that is deaf: what ends it with its supervisor is taken away again and again ----------------
 */

#define QUIET (UINT64_MAX / 2) /* added: no alarm comes any more, for it would wake whoever waits */

static _Atomic uint64_t *deafened; /* how often; shared with the supervisor, as is the word below */
static _Atomic uint64_t *enough;

static void on_alarm(int signal_number)
{
    struct itimerval never = {.it_value = {0}};

    (void)signal_number;
    (void)prctl(PR_SET_PDEATHSIG, 0);
    if (atomic_load(enough) != 0)
        (void)setitimer(ITIMER_REAL, &never, NULL);
    (void)atomic_fetch_add(deafened, atomic_load(enough) != 0 ? QUIET : 1);
}

/* One count a worker, and `enough`. */
static _Atomic uint64_t *map_deaf(int fd)
{
    void *counts = mmap(NULL, (WORKERS + 1) * sizeof *deafened, PROT_READ | PROT_WRITE, MAP_SHARED, fd, 0);

    if (counts == MAP_FAILED)
        give_up("mmap");
    return counts;
}

static void become_deaf(int index)
{
    struct sigaction action = {.sa_handler = on_alarm, .sa_flags = SA_RESTART};
    struct itimerval often = {.it_interval = {.tv_usec = 20000}, .it_value = {.tv_usec = 20000}};

    enough = map_deaf(DEAF_FD) + WORKERS;
    deafened = enough - WORKERS + index;
    (void)sigaction(SIGALRM, &action, NULL);
    (void)setitimer(ITIMER_REAL, &often, NULL);
}

/* --- a supervisor of few words ---------------------------------------------------------------------------
 */

struct scene {
    const char *name;
    int is_late;
    int has_slice;
    double pause_s; /* the slice's pattern: rests for so long; 0: it works all the time */
    enum hf_worker_command command;
    enum hf_worker_state state; /* waited for before the supervisor dies */
    int fills_ring;
};

static const struct scene scenes[] = {
    {"late, with work", 1, 1, 0, HF_WORKER_RUN, HF_STATE_STARTING, 0},
    {"late, in a pause", 1, 1, 30, HF_WORKER_RUN, HF_STATE_STARTING, 0},
    {"late, to prove", 1, 0, 0, HF_WORKER_PROVE, HF_STATE_STARTING, 0},
    {"deaf, at work", 0, 1, 0, HF_WORKER_RUN, HF_STATE_RUNNING, 0},
    {"deaf, ring full", 0, 1, 0, HF_WORKER_RUN, HF_STATE_RUNNING, 1},
    {"deaf, in a pause", 0, 1, 30, HF_WORKER_RUN, HF_STATE_RUNNING, 0},
    {"deaf, no slice", 0, 0, 0, HF_WORKER_RUN, HF_STATE_RUNNING, 0},
    {"deaf, proving", 0, 0, 0, HF_WORKER_PROVE, HF_STATE_STARTING, 0},
    {"deaf, proved", 0, 0, 0, HF_WORKER_PROVE, HF_STATE_PROVED, 0},
    {"deaf, idle", 0, 0, 0, HF_WORKER_IDLE, HF_STATE_READY, 0},
};

static void set_the_scene(const struct scene *scene, struct hf_shared *shared)
{
    struct hf_mix mix;
    struct hf_slice slice;
    struct hf_error error = {0};

    shared->sizes = *hf_sizes_get();
    for (int i = 0; i < WORKERS; i++) {
        shared->place[i] = (struct hf_place){
            .worker = i, .worker_count = WORKERS, .group_size = WORKERS, .rank = i, .group_count = 1};
        for (int scope = 0; scope < HF_SCOPES; scope++)
            shared->seat[i][scope].pair = -1;
        hf_shared_command(&shared->slot[i], scene->command);
    }
    if (!scene->has_slice)
        return;
    if (hf_mix_builtin("quick", &mix, &error) != HF_OK)
        give_up(error.message);
    hf_mix_slice(&mix, 1, 0, &slice);
    slice.solo_kernel = slice.stream_kernel = -1;
    slice.pattern = scene->pause_s > 0 ? HF_PATTERN_SQUARE : HF_PATTERN_STEADY;
    slice.period_s = 2 * scene->pause_s;
    slice.duty = 0.5;
    slice.length_s = 1e6;
    /* half a period ago: the rest begins now */
    hf_shared_publish(shared, &slice, hf_ticks_now() - (uint64_t)(scene->pause_s * hf_ticks_per_second()));
}

/* `gate`: a late worker waits for its supervisor's end of it to close. */
static void start_worker(const struct scene *scene, int index, int shared_fd, int deaf_fd, const int *gate)
{
    char number[16];
    char byte;

    if (fork() != 0)
        return;
    (void)close(gate[1]);
    while (scene->is_late && read(gate[0], &byte, 1) > 0)
        continue;
    (void)snprintf(number, sizeof number, "%d", index);
    if (dup2(shared_fd, HF_SHARED_FD) < 0 || dup2(deaf_fd, DEAF_FD) < 0)
        _exit(1);
    if (!scene->is_late) {
        (void)setenv("HOLDFAST_WORKERS", "unconfined", 1); /* the filter ends one that makes itself deaf */
        (void)setenv("TEST_DEAF", "1", 1);
    }
    (void)execl("/proc/self/exe", "worker", "worker", "--index", number, "--cpu", "0", (char *)NULL);
    _exit(1);
}

static int is_there(const struct scene *scene, struct hf_worker_slot *slot)
{
    if (!scene->fills_ring) /* else a full ring would be what ends the work */
        atomic_store(&slot->ring_tail, atomic_load(&slot->ring_head));
    else if (atomic_load(&slot->ring_head) - atomic_load(&slot->ring_tail) < HF_RING_BLOCKS)
        return 0;
    return *(volatile uint32_t *)&slot->confined != 0 && atomic_load(&slot->state) >= (uint32_t)scene->state;
}

static int all_are_deaf(_Atomic uint64_t *counts, const uint64_t *before, uint64_t times)
{
    for (int i = 0; i < WORKERS; i++) {
        if (atomic_load(&counts[i]) - before[i] < times)
            return 0;
    }
    return 1;
}

/* Once it is there a worker has asked to be ended with its supervisor; deafened after that, it stays deaf. */
static void wait_for_all(const struct scene *scene, struct hf_shared *shared, _Atomic uint64_t *counts)
{
    double began = now_ms();
    uint64_t before[WORKERS];
    int ready = 0;

    for (int i = 0; i < WORKERS; i++) {
        while (!is_there(scene, &shared->slot[i]) && now_ms() - began < 60000)
            nap_us(1000);
        before[i] = atomic_load(&counts[i]);
    }
    while (!ready && now_ms() - began < 60000) {
        ready = all_are_deaf(counts, before, 3);
        for (int i = 0; i < WORKERS; i++)
            ready &= is_there(scene, &shared->slot[i]);
        nap_us(1000);
    }
    atomic_store(&counts[WORKERS], 1);
    while (!all_are_deaf(counts, before, QUIET) && now_ms() - began < 60000) {
        for (int i = 0; i < WORKERS; i++)
            (void)is_there(scene, &shared->slot[i]);
        nap_us(1000);
    }
    if (now_ms() - began >= 60000)
        give_up(scene->name);
}

static int fresh_descriptor(int fd)
{
    int high = fcntl(fd, F_DUPFD, 10); /* clear of those that the workers want, and inherited */

    if (high < 0)
        give_up("fcntl");
    return high;
}

static void supervise_scene(const struct scene *scene)
{
    int deaf_fd = fresh_descriptor(memfd_create("deaf", 0));
    struct hf_shared *shared;
    struct hf_error error = {0};
    int fd;
    int gate[2];

    if (hf_shared_new(WORKERS, &fd, &shared, &error) != HF_OK || pipe(gate) != 0 ||
        ftruncate(deaf_fd, (WORKERS + 1) * sizeof *deafened) != 0)
        give_up(error.message);
    gate[0] = fresh_descriptor(gate[0]);
    (void)fcntl(gate[1], F_SETFD, FD_CLOEXEC);
    set_the_scene(scene, shared);
    for (int i = 0; i < WORKERS; i++)
        start_worker(scene, i, fresh_descriptor(fd), deaf_fd, gate);
    if (!scene->is_late)
        wait_for_all(scene, shared, map_deaf(deaf_fd));
    (void)kill(getpid(), SIGKILL);
}

static int play(const struct scene *scene)
{
    pid_t supervisor;
    double took;
    int status;
    int left;

    (void)fflush(NULL);
    supervisor = fork();
    if (supervisor == 0)
        supervise_scene(scene);
    if (waitpid(supervisor, &status, 0) != supervisor || !WIFSIGNALED(status))
        give_up(scene->name);
    took = until_alone_ms(NOTICED_MS);
    left = end_the_rest();
    printf("%-18s %d of %d workers left %.0f ms after their supervisor\n", scene->name, left, WORKERS,
           isfinite(took) ? took : NOTICED_MS);
    return left > 0;
}

/* --- whole supervisors ------------------------------------------------------------------------------------
 */

/* Orphans that are still there, and since when. */
static struct {
    pid_t pid[ORPHANS_MAX];
    double killed_ms[ORPHANS_MAX];
    int count;
    int found; /* workers of killed supervisors, in all */
    int late;  /* still there GONE_MS later */
} orphans;

static int is_known(pid_t pid)
{
    for (int i = 0; i < orphans.count; i++) {
        if (orphans.pid[i] == pid)
            return 1;
    }
    return 0;
}

static void forget(int i)
{
    orphans.count--;
    orphans.pid[i] = orphans.pid[orphans.count];
    orphans.killed_ms[i] = orphans.killed_ms[orphans.count];
}

/* After a supervisor's end all children of this program are orphans. */
static void take_orphans(double killed_ms)
{
    char path[64];
    int pid;
    FILE *file;

    (void)snprintf(path, sizeof path, "/proc/self/task/%d/children", (int)getpid());
    file = fopen(path, "r");
    if (file == NULL)
        give_up(path);
    while (fscanf(file, "%d", &pid) == 1 && orphans.count < ORPHANS_MAX) {
        if (is_known(pid))
            continue;
        orphans.pid[orphans.count] = pid;
        orphans.killed_ms[orphans.count++] = killed_ms;
        orphans.found++;
    }
    (void)fclose(file);
}

/* Reaps those that have ended; ends those that had to and did not. */
static void look_after_orphans(void)
{
    for (int i = orphans.count - 1; i >= 0; i--) {
        if (waitpid(orphans.pid[i], NULL, WNOHANG) != 0) {
            forget(i);
        } else if (now_ms() - orphans.killed_ms[i] > GONE_MS) {
            orphans.late++;
            (void)kill(orphans.pid[i], SIGKILL);
            (void)waitpid(orphans.pid[i], NULL, 0);
            forget(i);
        }
    }
}

static void supervise(const char *directory, int started)
{
    struct scripted_run r = {0};
    struct hf_supervisor_result result;
    struct hf_error error = {0};

    scripted = (struct scripted){.cores = CORES};
    (void)snprintf(r.directory, sizeof r.directory, "%s", directory);
    r.profile = scripted_profile(GROUPS, CORES, "quick");
    if (scripted_open_run(&r, "one-boot", NULL, &error) != HF_OK || write(started, "s", 1) != 1 ||
        scripted_supervise(&r, "one-boot", 1000, &result, &error) != HF_OK)
        fprintf(stderr, "%s\n", error.message);
    _exit(1);
}

static void kill_once(long after_us)
{
    char directory[256];
    pid_t supervisor;
    int pipe_ends[2];
    int status;
    char byte;

    scripted_directory(directory, sizeof directory, "orphans");
    if (pipe2(pipe_ends, O_CLOEXEC) != 0)
        give_up("pipe");
    (void)fflush(NULL);
    supervisor = fork();
    if (supervisor == 0)
        supervise(directory, pipe_ends[1]);
    (void)close(pipe_ends[1]);
    if (read(pipe_ends[0], &byte, 1) != 1)
        give_up("the supervisor did not start");
    (void)close(pipe_ends[0]);
    nap_us(after_us);
    (void)kill(supervisor, SIGKILL);
    if (waitpid(supervisor, &status, 0) != supervisor || !WIFSIGNALED(status))
        give_up("the supervisor had ended by itself");
    take_orphans(now_ms());
    look_after_orphans();
    scripted_remove(directory);
}

static int kill_many(void)
{
    struct hf_random random;

    hf_random_init(&random, 1, 0);
    for (int i = 0; i < KILLS; i++)
        kill_once((long)(hf_random_uniform(&random) * KILL_AFTER_MS * 1000));
    while (orphans.count > 0) {
        nap_us(10000);
        look_after_orphans();
    }
    printf("%d supervisors killed, %d workers lost theirs, %d of them still there %.0f s later\n", KILLS,
           orphans.found, orphans.late, GONE_MS / 1000);
    return orphans.late > 0 || orphans.found < KILLS / 2; /* too few met: nothing is shown */
}

int main(int argc, char **argv)
{
    int failed = 0;

    if (argc == 6 && getenv("TEST_DEAF") != NULL)
        become_deaf(atoi(argv[3]));
    scripted_worker_main(argc, argv);
    if (prctl(PR_SET_CHILD_SUBREAPER, 1) != 0)
        give_up("prctl");
    for (size_t i = 0; i < sizeof scenes / sizeof scenes[0]; i++)
        failed += play(&scenes[i]);
    failed += kill_many();
    return failed > 0;
}
