/*
 * The real detector against the simulated processor's damage: at least 200 faults of each kind (40 under the
 * memory mix, whose slices are longer) are done to real workers on real cores, and every one must be judged
 * with the right cause, group and core. Prints the table.
 *
 * A fixed director ends at the first failure; here each group is a run of its own kind, so the director of
 * this test goes on until every group has its verdict.
 */
#include <signal.h>
#include <sys/wait.h>

#include "sim/scripted.h"

#define GROUPS 16
#define CORES  1
#define WANTED 200
#define ROUNDS 40 /* at most */

struct row {
    enum hf_damage_kind kind;
    enum hf_cause cause;
    const char *name;
    const char *mix;
    int wanted;
    int faults, right_cause, right_core;
};

static struct row rows[] = {
    {HF_DAMAGE_WRONG_RESULT, HF_CAUSE_WRONG_RESULT, "bit flipped in live state", "quick", WANTED, 0, 0, 0},
    {HF_DAMAGE_WRONG_RESULT, HF_CAUSE_WRONG_RESULT, "the same, memory mix", "memory", 40, 0, 0, 0},
    {HF_DAMAGE_CORRECTED, HF_CAUSE_HARDWARE_ERROR, "corrected error reported", "quick", WANTED, 0, 0, 0},
    {HF_DAMAGE_WORKER_DIED, HF_CAUSE_WORKER_DIED, "segmentation fault", "quick", WANTED, 0, 0, 0},
    {HF_DAMAGE_HANG, HF_CAUSE_STALL, "worker stopped", "quick", WANTED, 0, 0, 0},
    {HF_DAMAGE_RESET, HF_CAUSE_MACHINE_RESET, "machine reset", "quick", WANTED, 0, 0, 0},
};

/* The director's end condition, replaced: all groups judged. */
static void propose_until_all(void *context, int group, double now_s, struct hf_proposal *ret_proposal)
{
    const struct hf_fixed_director *fixed = context;
    int all = 1;

    (void)now_s;
    for (int g = 0; g < fixed->group_count; g++)
        all &= fixed->verdict[g] != HF_VERDICT_NONE;
    *ret_proposal =
        (struct hf_proposal){.kind = all ? HF_PROPOSAL_FINISHED : HF_PROPOSAL_WAIT, .group = group};
    if (all || fixed->verdict[group] != HF_VERDICT_NONE || fixed->open_trial[group] != 0)
        return;
    ret_proposal->kind = HF_PROPOSAL_TRIAL;
    ret_proposal->purpose = fixed->purpose;
    ret_proposal->step = fixed->step[group];
    ret_proposal->limit_s = fixed->limit_s;
}

static int cpu_of_verdict[HF_GROUPS_MAX];

static int note_cpu(void *context, const struct hf_event *event, struct hf_error *error)
{
    (void)context;
    (void)error;
    if (event->type == HF_EVENT_VERDICT && event->group >= 0)
        cpu_of_verdict[event->group] = event->cpu;
    return HF_OK;
}

static int supervise_all(struct scripted_run *r, const char *boot_id, struct hf_error *error)
{
    struct hf_supervisor_result result;
    struct hf_supervisor_options options = {.run = r->run,
                                            .director = &r->director,
                                            .mix = &r->mix,
                                            .driver = &scripted_driver,
                                            .boot_id = boot_id,
                                            .wall_limit_s = 60};

    r->fixed = (struct hf_fixed_director){.mix = &r->mix,
                                          .seed = 1,
                                          .purpose = HF_PURPOSE_VERIFY,
                                          .limit_s = 40,
                                          .group_count = r->profile->group_count};
    for (int g = 0; g < r->profile->group_count; g++)
        r->fixed.step[g] = (int16_t)r->profile->group[g].baseline_step;
    r->started = 1;
    hf_fixed_director_start(&r->fixed, &r->director);
    r->director.propose = propose_until_all;
    (void)hf_supervisor_run(&options, &result, error);
    hf_text_release(&result.words);
    return error->code;
}

static void one_round(struct row *row)
{
    struct scripted_run r = {.visitor = note_cpu};
    struct hf_error error = {0};

    scripted = (struct scripted){.kind = row->kind, .after_s = 0.15, .cores = CORES};
    scripted_directory(r.directory, sizeof r.directory, "detector");
    r.profile = scripted_profile(GROUPS, CORES, row->mix);
    if (scripted_open_run(&r, "boot-a", NULL, &error) != HF_OK ||
        supervise_all(&r, "boot-a", &error) != HF_OK) {
        fprintf(stderr, "%s\n", error.message);
        exit(1);
    }
    for (int g = 0; g < GROUPS; g++) {
        int right = r.fixed.cause[g] == row->cause;
        int cpu = g * CORES + g % CORES;

        row->faults += scripted.done[g];
        row->right_cause += right;
        row->right_core += right && cpu_of_verdict[g] == cpu;
        if (!right || cpu_of_verdict[g] != cpu)
            fprintf(stderr, "%s, group %d: judged %s on CPU %d, expected %s on CPU %d\n", row->name, g,
                    hf_cause_name(r.fixed.cause[g]), cpu_of_verdict[g], hf_cause_name(row->cause), cpu);
    }
    hf_run_close(r.run);
    hf_profile_free(r.profile);
    scripted_remove(r.directory);
}

/* A reset: a supervisor dies without a word, the next one comes with another boot id. */
static void one_reset(struct row *row, struct scripted_run *r, int number)
{
    struct hf_error error = {0};
    char boot[32];
    int status;
    pid_t child;

    (void)snprintf(boot, sizeof boot, "boot-%d", number);
    (void)fflush(NULL);
    child = fork();
    if (child == 0) {
        scripted = (struct scripted){.kind = HF_DAMAGE_RESET, .after_s = 0.01, .cores = CORES};
        if (scripted_open_run(r, boot, NULL, &error) == HF_OK) {
            r->run->state.resets_without_verdict = 0; /* this test wants many in a row */
            (void)supervise_all(r, boot, &error);
        }
        fprintf(stderr, "the reset did not come: %s\n", error.message);
        _exit(1);
    }
    (void)waitpid(child, &status, 0);
    if (WIFSIGNALED(status) && WTERMSIG(status) == SIGKILL)
        row->faults++;
}

static int count_reset_verdicts(void *context, const struct hf_event *event, struct hf_error *error)
{
    struct row *row = context;

    (void)error;
    if (event->type != HF_EVENT_VERDICT)
        return HF_OK;
    row->right_cause += event->cause == HF_CAUSE_MACHINE_RESET && event->verdict == HF_VERDICT_FAIL;
    row->right_core +=
        event->cause == HF_CAUSE_MACHINE_RESET && event->group == HF_GROUP_NONE && event->cpu == -1;
    return HF_OK;
}

static void resets(struct row *row)
{
    struct scripted_run r = {0};
    struct hf_error error = {0};

    scripted_directory(r.directory, sizeof r.directory, "resets");
    r.profile = scripted_profile(1, 1, "quick");
    for (int i = 0; i <= WANTED; i++)
        one_reset(row, &r, i);
    r.visitor = count_reset_verdicts;
    r.visitor_context = row;
    if (scripted_open_run(&r, "boot-last", NULL, &error) != HF_OK) {
        fprintf(stderr, "%s\n", error.message);
        exit(1);
    }
    row->faults--; /* the last reset's verdict is written by the session after it, which there is not */
    hf_run_close(r.run);
    hf_profile_free(r.profile);
    scripted_remove(r.directory);
}

int main(int argc, char **argv)
{
    int failed = 0;

    scripted_worker_main(argc, argv);
    for (size_t i = 0; i < sizeof rows / sizeof rows[0]; i++) {
        struct row *row = &rows[i];

        if (row->kind == HF_DAMAGE_RESET)
            resets(row);
        for (int round = 0; round < ROUNDS && row->kind != HF_DAMAGE_RESET && row->faults < row->wanted;
             round++)
            one_round(row);
    }
    printf("%-28s %8s %12s %11s\n", "damage done", "faults", "right cause", "right core");
    for (size_t i = 0; i < sizeof rows / sizeof rows[0]; i++) {
        const struct row *row = &rows[i];

        printf("%-28s %8d %12d %11d\n", row->name, row->faults, row->right_cause, row->right_core);
        failed |=
            row->faults < row->wanted || row->right_cause != row->faults || row->right_core != row->faults;
    }
    return failed;
}
