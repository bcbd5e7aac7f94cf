/*
 * Ctrl-C: the load is gone within 100 ms. A supervisor with 16 workers is interrupted under load, several
 * times; each time the time until the last of its workers no longer exists is taken.
 */
#include <signal.h>
#include <sys/wait.h>
#include <time.h>

#include "sim/scripted.h"

#define GROUPS   4
#define CORES    4
#define ROUNDS   8
#define LIMIT_MS 100.0

static double now_ms(void)
{
    return (double)hf_clock_monotonic_ns(&hf_clock_real) * 1e-6;
}

static void nap_ms(long milliseconds)
{
    struct timespec nap = {.tv_nsec = milliseconds * 1000000};

    (void)clock_nanosleep(CLOCK_MONOTONIC, 0, &nap, NULL);
}

/* The supervisor's children; they are its workers. */
static int children_of(pid_t supervisor, pid_t *ret_children, int max)
{
    char path[64];
    FILE *file;
    int count = 0;
    int pid;

    (void)snprintf(path, sizeof path, "/proc/%d/task/%d/children", (int)supervisor, (int)supervisor);
    file = fopen(path, "r");
    while (file != NULL && count < max && fscanf(file, "%d", &pid) == 1)
        ret_children[count++] = pid;
    if (file != NULL)
        (void)fclose(file);
    return count;
}

/* 1 while any of them still runs: a zombie does not. */
static int any_runs(const pid_t *children, int count)
{
    for (int i = 0; i < count; i++) {
        char path[64];
        char state = 'X';
        FILE *file;

        (void)snprintf(path, sizeof path, "/proc/%d/stat", (int)children[i]);
        file = fopen(path, "r");
        if (file == NULL)
            continue;
        if (fscanf(file, "%*d (%*[^)]) %c", &state) == 1 && state != 'Z' && state != 'X') {
            (void)fclose(file);
            return 1;
        }
        (void)fclose(file);
    }
    return 0;
}

static int supervise(const char *directory)
{
    struct scripted_run r = {0};
    struct hf_supervisor_result result;
    struct hf_error error = {0};

    scripted = (struct scripted){.cores = CORES};
    (void)snprintf(r.directory, sizeof r.directory, "%s", directory);
    r.profile = scripted_profile(GROUPS, CORES, "quick");
    if (scripted_open_run(&r, "one-boot", NULL, &error) != HF_OK ||
        scripted_supervise(&r, "one-boot", 1000, &result, &error) != HF_OK) {
        fprintf(stderr, "%s\n", error.message);
        return 1;
    }
    return result.end == HF_END_INTERRUPTED ? 0 : 1;
}

static double interrupt_once(int round)
{
    char directory[256];
    pid_t children[64];
    pid_t supervisor;
    double began;
    double took;
    int count;
    int status;

    scripted_directory(directory, sizeof directory, "stop");
    (void)fflush(NULL);
    supervisor = fork();
    if (supervisor == 0)
        _exit(supervise(directory));
    nap_ms(900); /* workers up, proved and loaded; a different moment of the slices each time */
    nap_ms(37 * round);
    count = children_of(supervisor, children, 64);
    began = now_ms();
    (void)kill(supervisor, SIGINT);
    while (any_runs(children, count) && now_ms() - began < 5000)
        nap_ms(1);
    took = now_ms() - began;
    (void)waitpid(supervisor, &status, 0);
    if (count != GROUPS * CORES || !WIFEXITED(status) || WEXITSTATUS(status) != 0) {
        fprintf(stderr, "%d workers were there, the supervisor left with %d\n", count, status);
        exit(1);
    }
    scripted_remove(directory);
    return took;
}

int main(int argc, char **argv)
{
    double longest = 0;

    scripted_worker_main(argc, argv);
    for (int round = 0; round < ROUNDS; round++) {
        double took = interrupt_once(round);

        longest = took > longest ? took : longest;
    }
    printf("%d workers gone after at most %.1f ms over %d interruptions, limit %.0f ms\n", GROUPS * CORES,
           longest, ROUNDS, LIMIT_MS);
    return longest > LIMIT_MS;
}
