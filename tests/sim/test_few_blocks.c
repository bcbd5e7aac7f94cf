/*
 * Time without work is no exposure. A worker that is stopped most of the time, by signals from outside as a
 * crowded machine would hold it up, slows its trial down until its blocks are there; one that hardly ever
 * runs makes it void, and what was tried again without that passes.
 */
#include <signal.h>
#include <sys/mman.h>
#include <sys/prctl.h>
#include <sys/wait.h>
#include <time.h>

#include "sim/scripted.h"

#define SHARE 0.2 /* of its blocks that every core must have finished */

/* How long the worker runs and stands, in turn, while it is held up. A stall is 2 s without progress. */
static volatile struct holding {
    int on;
    long run_ms, stop_ms;
} * holding;

static struct seen {
    int verdicts;
    enum hf_verdict verdict[4];
    enum hf_cause cause[4];
    double begin_s[4], end_s[4], exposure_s[4];
    uint64_t blocks[4];
} seen;

static void nap_ms(long milliseconds)
{
    struct timespec nap = {.tv_sec = milliseconds / 1000, .tv_nsec = milliseconds % 1000 * 1000000};

    (void)clock_nanosleep(CLOCK_MONOTONIC, 0, &nap, NULL);
}

/* The supervisor's one worker: its child that is not this process. */
static pid_t worker_of(pid_t supervisor)
{
    char path[64];
    FILE *file;
    pid_t worker = 0;
    int pid;

    (void)snprintf(path, sizeof path, "/proc/%d/task/%d/children", (int)supervisor, (int)supervisor);
    file = fopen(path, "re");
    while (file != NULL && worker == 0 && fscanf(file, "%d", &pid) == 1)
        worker = pid != getpid() ? pid : 0;
    if (file != NULL)
        (void)fclose(file);
    return worker;
}

/* Time that the process has had on a CPU, ms. */
static double worked_ms(pid_t pid)
{
    struct timespec time = {0};
    clockid_t clock;

    if (clock_getcpuclockid(pid, &clock) == 0)
        (void)clock_gettime(clock, &time);
    return (double)time.tv_sec * 1e3 + (double)time.tv_nsec * 1e-6;
}

/* Stands for a while, then works for a while: by its own clock, so that a machine under load gives the same.
 */
static void hold_up_once(pid_t worker)
{
    double until_ms;

    (void)kill(worker, SIGSTOP);
    nap_ms(holding->stop_ms);
    until_ms = worked_ms(worker) + (double)holding->run_ms;
    (void)kill(worker, SIGCONT);
    while (holding->on && worked_ms(worker) < until_ms)
        nap_ms(1);
}

static pid_t hold_up(void)
{
    pid_t supervisor = getpid();
    pid_t child = fork();

    if (child != 0)
        return child;
    (void)prctl(PR_SET_PDEATHSIG, SIGKILL);
    for (;;) {
        pid_t worker = holding->on ? worker_of(supervisor) : 0;

        if (worker == 0)
            nap_ms(5);
        else
            hold_up_once(worker);
    }
}

static int note(void *context, const struct hf_event *event, struct hf_error *error)
{
    (void)context;
    (void)error;
    if (seen.verdicts == 4)
        return HF_OK;
    if (event->type == HF_EVENT_TRIAL_LOADED) {
        holding->on = seen.verdicts == 0;
        seen.begin_s[seen.verdicts] = event->time_s;
    }
    if (event->type != HF_EVENT_VERDICT)
        return HF_OK;
    holding->on = 0;
    seen.verdict[seen.verdicts] = event->verdict;
    seen.cause[seen.verdicts] = event->cause;
    seen.exposure_s[seen.verdicts] = event->exposure_s;
    seen.blocks[seen.verdicts] = event->blocks;
    seen.end_s[seen.verdicts++] = event->time_s;
    return HF_OK;
}

static void run_held_up(long run_ms, long stop_ms, double limit_s)
{
    struct scripted_run r = {.visitor = note};
    struct hf_supervisor_result result;
    struct hf_error error = {0};

    seen = (struct seen){0};
    scripted = (struct scripted){.kind = HF_DAMAGE_NONE, .cores = 1};
    holding->run_ms = run_ms;
    holding->stop_ms = stop_ms;
    scripted_directory(r.directory, sizeof r.directory, "few-blocks");
    r.profile = scripted_profile(1, 1, "quick");
    if (scripted_open_run(&r, "boot-a", NULL, &error) != HF_OK ||
        scripted_supervise(&r, "boot-a", limit_s, &result, &error) != HF_OK) {
        fprintf(stderr, "%s\n", error.message);
        exit(1);
    }
    hf_text_release(&result.words);
    hf_run_close(r.run);
    hf_profile_free(r.profile);
    scripted_remove(r.directory);
}

static int failed;

static void expect(int condition, const char *words)
{
    printf("%-100s %s\n", words, condition ? "yes" : "NO");
    failed |= !condition;
}

int main(int argc, char **argv)
{
    const double limit_s = 0.6;
    const double enough = SHARE * limit_s / HF_BLOCK_S;
    pid_t holder;

    scripted_worker_main(argc, argv);
    holding = mmap(NULL, sizeof *holding, PROT_READ | PROT_WRITE, MAP_SHARED | MAP_ANONYMOUS, -1, 0);
    if (holding == MAP_FAILED || (holder = hold_up()) < 0)
        return 1;

    run_held_up(60, 940, limit_s); /* at best 6 % of the time: 3 to 4 times too little */
    printf("held up: %s, %s, %.2f s of exposure in %.2f s, %llu blocks\n", hf_verdict_name(seen.verdict[0]),
           hf_cause_name(seen.cause[0]), seen.exposure_s[0], seen.end_s[0] - seen.begin_s[0],
           (unsigned long long)seen.blocks[0]);
    expect(seen.verdicts == 1 && seen.verdict[0] == HF_VERDICT_PASS, "a trial that is held up passes");
    expect(seen.exposure_s[0] == limit_s && seen.end_s[0] - seen.begin_s[0] > 2 * limit_s,
           "later than its time says, with no more exposure than was asked for");
    expect((double)seen.blocks[0] >= enough, "and with the blocks that this exposure stands for");

    run_held_up(6, 800, 5);
    printf("hardly ever runs: %s, %s, %.2f s of exposure in %.2f s, %llu blocks; then %s\n",
           hf_verdict_name(seen.verdict[0]), hf_cause_name(seen.cause[0]), seen.exposure_s[0],
           seen.end_s[0] - seen.begin_s[0], (unsigned long long)seen.blocks[0],
           hf_verdict_name(seen.verdict[1]));
    expect(seen.verdict[0] == HF_VERDICT_VOID && seen.cause[0] == HF_CAUSE_TOO_FEW_BLOCKS,
           "a trial whose worker hardly ever runs is void for too few blocks");
    expect((double)seen.blocks[0] >= SHARE * seen.exposure_s[0] / HF_BLOCK_S,
           "and even the exposure it is said to have had its blocks");
    expect(seen.verdicts == 2 && seen.verdict[1] == HF_VERDICT_PASS, "the next one, not held up, passes");
    (void)kill(holder, SIGKILL);
    (void)waitpid(holder, NULL, 0);
    return failed;
}
