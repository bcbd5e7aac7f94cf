/*
 * Sixteen workers of the memory mix on the CPUs that there are, beside as many processes that only burn time:
 * nothing is wrong, so nobody may be said to stand still. Filling and looking through large arenas takes its
 * time then, and shows signs of life; the arenas are divided by how many workers share a CPU.
 *
 * And the other way around: a worker that is stopped for good among them is found.
 */
#include <signal.h>
#include <sys/prctl.h>
#include <sys/wait.h>

#include "sim/scripted.h"
#include "workloads/sizes.h"

#define GROUPS 4
#define CORES  4
#define HOGS   16
#define TRIES  3 /* where our own hogs are not the only ones; a failure is never tried again */

struct seen {
    int passes, failures, stalls;
    int starved; /* void because too few blocks were done: others had the CPUs */
};

static struct seen seen;

static int note(void *context, const struct hf_event *event, struct hf_error *error)
{
    (void)context;
    (void)error;
    if (event->type != HF_EVENT_VERDICT)
        return HF_OK;
    seen.passes += event->verdict == HF_VERDICT_PASS;
    seen.failures += event->verdict == HF_VERDICT_FAIL;
    seen.stalls += event->cause == HF_CAUSE_STALL;
    seen.starved += event->verdict == HF_VERDICT_VOID && event->cause == HF_CAUSE_TOO_FEW_BLOCKS;
    return HF_OK;
}

static pid_t burn(void)
{
    pid_t child = fork();

    if (child == 0) {
        volatile unsigned turns = 0;

        (void)prctl(PR_SET_PDEATHSIG, SIGKILL);
        for (;;)
            turns = turns + 1;
    }
    return child;
}

static void run_crowded(enum hf_damage_kind kind, double limit_s)
{
    struct scripted_run r = {.visitor = note};
    struct hf_supervisor_result result;
    struct hf_error error = {0};

    seen = (struct seen){0};
    scripted = (struct scripted){.kind = kind, .after_s = 0.3, .cores = CORES};
    scripted_directory(r.directory, sizeof r.directory, "crowded");
    r.profile = scripted_profile(GROUPS, CORES, "memory");
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

static void check(int condition, const char *words)
{
    if (condition)
        return;
    fprintf(stderr, "%s: %d passes, %d failures, %d stalls, %d starved\n", words, seen.passes, seen.failures,
            seen.stalls, seen.starved);
    exit(1);
}

int main(int argc, char **argv)
{
    pid_t hogs[HOGS];
    uint64_t worker_bytes;
    long cpus = sysconf(_SC_NPROCESSORS_ONLN);

    scripted_worker_main(argc, argv);
    for (int i = 0; i < HOGS; i++)
        hogs[i] = burn();
    for (int i = 0; i < TRIES; i++) {
        run_crowded(HF_DAMAGE_NONE, 8);
        if (seen.starved == 0 || seen.failures > 0)
            break;
    }
    check(seen.passes == GROUPS && seen.failures == 0, "the memory mix in a crowd, nothing wrong");
    worker_bytes = hf_sizes_get()->arena_bytes[HF_LEVEL_MEMORY];
    run_crowded(HF_DAMAGE_HANG, 30);
    check(seen.stalls >= 1 && seen.stalls == seen.failures, "the memory mix in a crowd, a worker stopped");
    for (int i = 0; i < HOGS; i++) {
        (void)kill(hogs[i], SIGKILL);
        (void)waitpid(hogs[i], NULL, 0);
    }
    printf("%d workers and %d others on %ld CPUs, %llu KiB each: no false stall, a stopped one found\n",
           GROUPS * CORES, HOGS, cpus, (unsigned long long)worker_bytes / 1024);
    return 0;
}
