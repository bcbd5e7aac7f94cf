/*
 * The memory mix under a supervisor: real workers, real caches. It passes when nothing is wrong, the arenas
 * are looked through when slices end, and flips in live state are found and blamed on the right core, as
 * tests/sim/test_detector.c shows for the other kernels. A baseline trial loads memory whatever the run's mix
 * is.
 */
#include "sim/scripted.h"

#define GROUPS 4
#define CORES  2

struct seen {
    int passes, failures, right_cpu, wrong_result;
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
    seen.wrong_result += event->cause == HF_CAUSE_WRONG_RESULT;
    seen.right_cpu += event->group >= 0 && event->cpu == event->group * CORES + event->group % CORES;
    return HF_OK;
}

static void check(int condition, const char *words)
{
    if (condition)
        return;
    fprintf(stderr, "%s: %d passes, %d failures, %d wrong results, %d on the right CPU\n", words, seen.passes,
            seen.failures, seen.wrong_result, seen.right_cpu);
    exit(1);
}

/* One run of the mix; damage of the kind to each group. */
static void run_mix(const char *mix, enum hf_damage_kind kind, double limit_s, char *ret_directory)
{
    struct scripted_run r = {.visitor = note};
    struct hf_supervisor_result result;
    struct hf_error error = {0};

    seen = (struct seen){0};
    scripted = (struct scripted){.kind = kind, .after_s = 0.3, .cores = CORES};
    scripted_directory(r.directory, sizeof r.directory, "memory");
    r.profile = scripted_profile(GROUPS, CORES, mix);
    if (scripted_open_run(&r, "boot-a", NULL, &error) != HF_OK ||
        scripted_supervise(&r, "boot-a", limit_s, &result, &error) != HF_OK) {
        fprintf(stderr, "%s\n", error.message);
        exit(1);
    }
    hf_text_release(&result.words);
    hf_run_close(r.run);
    hf_profile_free(r.profile);
    (void)snprintf(ret_directory, 256, "%s", r.directory);
}

/* How often a text stands in the journal. */
static int count_in_journal(const char *directory, const char *text)
{
    static char line[1 << 16];
    char path[300];
    int count = 0;
    FILE *file;

    (void)snprintf(path, sizeof path, "%.250s/journal.jsonl", directory);
    file = fopen(path, "r");
    check(file != NULL, "the journal cannot be read");
    while (fgets(line, sizeof line, file) != NULL)
        count += strstr(line, text) != NULL;
    (void)fclose(file);
    return count;
}

int main(int argc, char **argv)
{
    char directory[256];

    scripted_worker_main(argc, argv);
    run_mix("memory", HF_DAMAGE_NONE, 6, directory);
    check(seen.passes == GROUPS && seen.failures == 0, "the memory mix, nothing wrong");
    check(count_in_journal(directory, "\"arena_bytes\"") == 1, "the sizes are journalled");
    check(count_in_journal(directory, "\"type\":\"mismatch\"") == 0, "no mismatch");
    scripted_remove(directory);
    for (int round = 0; round < 3; round++) {
        run_mix("memory", HF_DAMAGE_WRONG_RESULT, 30, directory);
        check(seen.failures >= 1 && seen.wrong_result == seen.failures && seen.right_cpu == seen.failures,
              "the memory mix, bits flipped");
        check(count_in_journal(directory, "\"phase_s\"") >= 1, "the mismatch says when in its slice");
        scripted_remove(directory);
    }
    printf("memory load: passed when right, %d flips blamed on their cores\n", 3);
    return 0;
}
