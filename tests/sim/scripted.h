/*
 * A supervisor under test: real workers on real cores, a setting driver that does what a script says, and a
 * fixed director. Used by the detector table and by the kill tests.
 *
 * The test binary is its own worker program: call scripted_worker_main() first thing in main().
 */
#ifndef HOLDFAST_TESTS_SIM_SCRIPTED_H
#define HOLDFAST_TESTS_SIM_SCRIPTED_H

#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/stat.h>
#include <unistd.h>

#include "harness/directors.h"
#include "harness/supervisor.h"
#include "harness/worker.h"

/* Returns only when the process is not a worker. */
static inline void scripted_worker_main(int argc, char **argv)
{
    if (argc == 6 && strcmp(argv[1], "worker") == 0)
        exit(hf_worker_main(atoi(argv[3]), atoi(argv[5])));
}

/* --- the scripted driver ---------------------------------------------------------------------------- */

struct scripted {
    enum hf_damage_kind kind; /* done once to each group, some time after its load begins */
    double after_s;
    int cores; /* per group: the core that is hit is group % cores */
    double loaded_s[HF_GROUPS_MAX];
    int loaded[HF_GROUPS_MAX];
    int done[HF_GROUPS_MAX];
    int16_t step[HF_GROUPS_MAX];
    int group_count;
};

static struct scripted scripted; /* one supervisor a process */

static int scripted_open(const struct hf_driver_config *config, void **ret_state, struct hf_error *error)
{
    (void)error;
    scripted.group_count = config->group_count;
    for (int g = 0; g < config->group_count; g++)
        scripted.step[g] = (int16_t)config->groups[g].baseline_step;
    *ret_state = &scripted;
    return HF_OK;
}

static void scripted_close(void *state)
{
    (void)state;
}

static void scripted_cost(const void *state, struct hf_driver_cost *ret_cost)
{
    (void)state;
    *ret_cost = (struct hf_driver_cost){0};
}

static int scripted_apply(void *state, const int16_t *wanted, enum hf_apply_result *ret_result,
                          struct hf_text *request, struct hf_error *error)
{
    struct scripted *s = state;

    (void)request;
    (void)error;
    for (int g = 0; g < s->group_count; g++) {
        if (wanted[g] >= 0)
            s->step[g] = wanted[g];
    }
    *ret_result = HF_APPLY_DONE;
    return HF_OK;
}

static int scripted_read_back(void *state, int group, int *ret_step, struct hf_error *error)
{
    (void)error;
    *ret_step = ((struct scripted *)state)->step[group];
    return HF_OK;
}

static int scripted_load(void *state, int group, const struct hf_load_slice *slices, int count,
                         struct hf_error *error)
{
    struct scripted *s = state;

    (void)slices;
    (void)error;
    s->loaded[group] = count > 0;
    s->loaded_s[group] = 0;
    return HF_OK;
}

static int scripted_poll(void *state, double run_seconds, struct hf_rig_fault *ret_damage)
{
    struct scripted *s = state;
    int count = 0;

    for (int g = 0; g < s->group_count && count < HF_DRIVER_DAMAGE_MAX; g++) {
        if (!s->loaded[g] || s->done[g] || s->kind == HF_DAMAGE_NONE)
            continue;
        s->loaded_s[g] += run_seconds;
        if (s->loaded_s[g] < s->after_s)
            continue;
        s->done[g] = 1;
        ret_damage[count++] = (struct hf_rig_fault){.kind = s->kind, .group = g, .core = g % s->cores};
    }
    return count;
}

static int scripted_reset(void *state, struct hf_error *error)
{
    (void)state;
    (void)error;
    return HF_OK;
}

static uint64_t scripted_boot_count(const void *state)
{
    (void)state;
    return 1;
}

static const struct hf_driver_ops scripted_driver = {.name = "rig",
                                                     .sentence = "scripted",
                                                     .is_simulated = 1,
                                                     .open = scripted_open,
                                                     .close = scripted_close,
                                                     .cost = scripted_cost,
                                                     .apply = scripted_apply,
                                                     .read_back = scripted_read_back,
                                                     .load = scripted_load,
                                                     .poll = scripted_poll,
                                                     .reset = scripted_reset,
                                                     .boot_count = scripted_boot_count};

/* --- a run in a directory of its own ------------------------------------------------------------------ */

struct scripted_run {
    char directory[256];
    struct hf_profile *profile;
    struct hf_mix mix;
    struct hf_run *run;
    struct hf_fixed_director fixed;
    struct hf_director director;
    int (*visitor)(void *context, const struct hf_event *event, struct hf_error *error);
    void *visitor_context;
    int started;
};

static inline int scripted_observe(void *context, const struct hf_event *event, struct hf_error *error)
{
    struct scripted_run *r = context;

    if (r->visitor != NULL && r->visitor(r->visitor_context, event, error) != HF_OK)
        return error->code;
    return r->started ? hf_fixed_director_observe(&r->fixed, event, error) : HF_OK;
}

static inline void scripted_directory(char *ret_path, size_t size, const char *name)
{
    (void)snprintf(ret_path, size, "/tmp/holdfast-%s-XXXXXX", name);
    if (mkdtemp(ret_path) == NULL) {
        perror("mkdtemp");
        exit(1);
    }
    (void)snprintf(ret_path + strlen(ret_path), size - strlen(ret_path), "/run");
}

/* groups x cores, named g0.., a clock as fast as the wall's, the given embedded mix. */
static inline struct hf_profile *scripted_profile(int groups, int cores, const char *mix)
{
    struct hf_profile *profile;
    struct hf_error error = {0};
    struct hf_text text;

    hf_text_init(&text, 65536);
    hf_text_addf(&text,
                 "{\"format\":1,\"name\":\"scripted\",\"base_clock_mhz\":100,\"ratio\":{\"lowest\":30,"
                 "\"highest\":40,\"step\":0.25,\"baseline\":32},\"driver\":\"rig\",\"mix\":\"%s\",\"rig\":"
                 "{\"seed\":\"1\",\"clock_factor\":1},\"groups\":[",
                 mix);
    for (int g = 0; g < groups; g++)
        hf_text_addf(&text, "%s{\"name\":\"g%d\",\"cpus\":\"%d-%d\"}", g > 0 ? "," : "", g, g * cores,
                     g * cores + cores - 1);
    hf_text_addf(&text, "]}");
    if (hf_profile_parse(text.bytes, text.size, "scripted profile", &profile, &error) != HF_OK) {
        fprintf(stderr, "%s\n", error.message);
        exit(1);
    }
    hf_text_release(&text);
    return profile;
}

static inline int scripted_open_run(struct scripted_run *r, const char *boot_id,
                                    const struct hf_journal_file_ops *file_ops, struct hf_error *error)
{
    struct hf_run_options options = {
        .profile = r->profile,
        .event_visitor = scripted_observe,
        .event_context = r,
        .observe_live = 1,
        .journal = {.boot_id = boot_id, .file_ops = file_ops, .reserve_bytes = 1 << 20}};

    if (hf_mix_builtin(r->profile->mix, &r->mix, error) != HF_OK)
        return error->code;
    return hf_run_open(r->directory, &options, &r->run, error);
}

/* Every group a target at its baseline for limit_s. */
static inline int scripted_supervise(struct scripted_run *r, const char *boot_id, double limit_s,
                                     struct hf_supervisor_result *ret_result, struct hf_error *error)
{
    struct hf_supervisor_options options = {.run = r->run,
                                            .director = &r->director,
                                            .mix = &r->mix,
                                            .driver = &scripted_driver,
                                            .boot_id = boot_id,
                                            .wall_limit_s = 60};

    r->fixed.mix = &r->mix;
    r->fixed.seed = 1;
    r->fixed.purpose = HF_PURPOSE_VERIFY;
    r->fixed.limit_s = limit_s;
    r->fixed.group_count = r->profile->group_count;
    for (int g = 0; g < r->profile->group_count; g++) {
        r->fixed.target[g] = 1;
        r->fixed.step[g] = (int16_t)r->profile->group[g].baseline_step;
    }
    r->started = 1;
    hf_fixed_director_start(&r->fixed, &r->director);
    return hf_supervisor_run(&options, ret_result, error);
}

static inline void scripted_remove(const char *directory)
{
    char command[320];
    int status;

    (void)snprintf(command, sizeof command, "rm -rf %.250s", directory);
    command[strlen(command) - strlen("/run")] = '\0'; /* with the private folder around it */
    status = system(command);
    if (status != 0)
        fprintf(stderr, "could not remove %s\n", directory);
}

#endif
