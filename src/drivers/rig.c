/*
 * The rig driver: applies ratios to the simulated processor, and plays the machine that holds it.
 *
 * Invariants:
 *  1. The file rig-boot is newer than anything that can be seen of a boot or session: it is made durable at
 * open, before the first draw, and in reset(), before the caller dies. So no stream of draws is ever used
 * twice.
 *  2. A model lives as long as one session. It starts with every group at its baseline, idle, at ambient
 * temperature.
 *  3. owed_s is run time that the model still has to make up; it never exceeds OWED_MAX_S.
 *  4. After a trial a group lingers (draws current, has no faults) until idle_s[g], model time; INFINITY:
 * not.
 *  5. While hold_s[g] > 0 for any group the model stands still, and no run time counts.
 *
 * Why it stands still: a fault is noticed within a block and a tick of the judge, 0.05 s. With a clock that
 * runs 200 times faster those are 10 s of the model's time, in which a group far above its edge would fault
 * again and again, until one of the faults, or another group's, is a reset that takes the unnoticed one with
 * it: nearly every fault would become a reset that names nobody. So after a fault the model waits until that
 * group's trial has ended, or for HOLD_WALL_S of wall time (the strike was masked, nobody noticed: it goes
 * on).
 *
 * Why it lingers: between two trials of a group the workers idle for some 0.1 s: 20 s of the model's time in
 * which the rail would carry less, and the others' trials, a minute long, would be so much easier that passes
 * at ratios far above the edge teach the plan a slope that is not there. So after a trial a group draws its
 * current on, for LINGER_WALL_S of wall time at most, and draws it from the moment at which the next trial's
 * workers start. With a clock factor of 1 all this takes its own time: the model never waits and nobody
 * lingers.
 *
 *         open                 reset (durable)
 *   ----------------> RUNNING -----------------> RESET      close: from either
 *                     apply, load, poll ...      every call fails, poll says nothing
 *
 * rig-boot is a JSON object {"boots": "2", "sessions": "1"}: resets so far in the run, and how often the
 * driver was opened since the last one. No file: a run that has not begun. It is replaced whole
 * (hf_text_write_file), so a crash leaves the old or the new one; anything else in it is damage.
 */
#include <assert.h>
#include <limits.h>
#include <math.h>
#include <stdio.h>
#include <string.h>
#include <unistd.h>

#include "base/memory.h"
#include "drivers/drivers.h"
#include "holdfast/json.h"

#define BOOT_FILE_BYTES_MAX 4096
#define OWED_MAX_S          600.0
#define HOLD_WALL_S         5.0     /* longer than it takes to notice a stopped worker (2 s) */
#define LINGER_WALL_S       1.0     /* longer than it takes from a trial's end to the next one's start */
#define CATCH_UP_CALLS_MAX  1000000 /* more stops than this on the way to run_time_s: the model is broken */

struct rig_state {
    const struct hf_driver_config *config;
    struct hf_rig *rig;
    double now_s;                     /* model time of this session */
    double hold_s[HF_RIG_GROUPS_MAX]; /* run time for which its fault may still go unnoticed */
    double idle_s[HF_RIG_GROUPS_MAX]; /* its load really ends */
    char boot_file[PATH_MAX];         /* "" when nothing is kept */
    uint64_t boots;
    uint64_t sessions; /* of this boot, this one included */
    double owed_s;
    int has_reset;
};

/* --- the file rig-boot ------------------------------------------------------------------------------ */

static int boot_file_path(const char *run_directory, char ret_path[PATH_MAX], struct hf_error *error)
{
    if (snprintf(ret_path, PATH_MAX, "%s/rig-boot", run_directory) >= PATH_MAX)
        return hf_fail(error, HF_E_INPUT, "the path of the run is longer than %d bytes: %.60s...", PATH_MAX,
                       run_directory);
    return HF_OK;
}

static int boot_document_read(const struct hf_json_reader *root, uint64_t *ret_boots, uint64_t *ret_sessions,
                              struct hf_error *error)
{
    static const char *const keys[] = {"boots", "sessions", NULL};

    if (hf_json_only_keys(root, keys, error) != HF_OK ||
        hf_json_get_u64(root, "boots", ret_boots, error) != HF_OK ||
        hf_json_get_u64(root, "sessions", ret_sessions, error) != HF_OK)
        return error->code;
    /* Both halves of the stream number (stream_number) have 32 bits. */
    if (*ret_boots >= UINT32_MAX || *ret_sessions >= UINT32_MAX)
        return hf_fail(error, HF_E_RANGE, "%s: a count is beyond 32 bits", root->source);
    return HF_OK;
}

static int boot_bytes_read(const struct hf_text *text, const char *path, uint64_t *ret_boots,
                           uint64_t *ret_sessions, struct hf_error *error)
{
    struct hf_json_reader root;
    struct cJSON *document;
    uint64_t boots = 0;
    uint64_t sessions = 0;
    int code;

    if (hf_json_parse(text->bytes, text->size, path, &document, error) != HF_OK)
        return error->code;
    root = hf_json_root(document, path);
    code = boot_document_read(&root, &boots, &sessions, error);
    hf_json_document_free(document);
    if (code != HF_OK)
        return code;
    *ret_boots = boots;
    *ret_sessions = sessions;
    return HF_OK;
}

/* A missing file is the start; a damaged one must not look like it, or draws would be repeated. */
static int boot_file_read(const char *path, uint64_t *ret_boots, uint64_t *ret_sessions,
                          struct hf_error *error)
{
    struct hf_error inner = {0};
    struct hf_text text;
    int code = hf_text_read_file(&text, path, BOOT_FILE_BYTES_MAX, &inner);

    if (code == HF_E_NOT_FOUND) {
        *ret_boots = 0;
        *ret_sessions = 0;
        return HF_OK;
    }
    if (code == HF_OK) {
        code = boot_bytes_read(&text, path, ret_boots, ret_sessions, &inner);
        hf_text_release(&text);
    }
    if (code == HF_OK)
        return HF_OK;
    if (code == HF_E_INPUT || code == HF_E_RANGE)
        return hf_fail(error, HF_E_DAMAGED, "the simulated machine's boot count is damaged: %s",
                       inner.message);
    return hf_fail(error, code, "%s", inner.message);
}

static int boot_file_write(const char *path, uint64_t boots, uint64_t sessions, struct hf_error *error)
{
    struct hf_json_writer writer;
    struct hf_text text;
    int code;

    hf_text_init(&text, BOOT_FILE_BYTES_MAX);
    hf_json_begin(&writer, &text, 0);
    hf_json_object_open(&writer, NULL);
    hf_json_u64(&writer, "boots", boots);
    hf_json_u64(&writer, "sessions", sessions);
    hf_json_object_close(&writer);
    hf_text_add(&text, "\n", 1);
    code = hf_text_write_private(&text, path, error);
    hf_text_release(&text);
    return code;
}

int hf_rig_boot_count(const char *run_directory, uint64_t *ret_count, struct hf_error *error)
{
    char path[PATH_MAX];
    uint64_t sessions;

    if (boot_file_path(run_directory, path, error) != HF_OK)
        return error->code;
    return boot_file_read(path, ret_count, &sessions, error);
}

/* --- opening ---------------------------------------------------------------------------------------- */

/* The first session of a boot has the boot's own number. */
static uint64_t stream_number(const struct rig_state *state)
{
    return state->boots | (state->sessions - 1) << 32;
}

static int count_session(struct rig_state *state, struct hf_error *error)
{
    const char *folder = state->config->run_directory;

    if (folder != NULL) {
        if (boot_file_path(folder, state->boot_file, error) != HF_OK ||
            boot_file_read(state->boot_file, &state->boots, &state->sessions, error) != HF_OK)
            return error->code;
    }
    state->sessions++;
    return folder != NULL ? boot_file_write(state->boot_file, state->boots, state->sessions, error) : HF_OK;
}

/* The slow drift belongs to the chip, not to a process: a session that takes over walks it up to now, idle.
 */
static int catch_up(struct hf_rig *rig, double run_time_s, struct hf_error *error)
{
    struct hf_rig_fault fault;
    double left = run_time_s;

    for (int calls = 0; left > 1e-6; calls++) {
        if (calls == CATCH_UP_CALLS_MAX)
            return hf_fail(error, HF_E_RANGE, "the rig model does not reach run time %.0f s", run_time_s);
        left -= hf_rig_advance(rig, left, &fault);
    }
    return HF_OK;
}

static int make_rig(struct rig_state *state, struct hf_error *error)
{
    const struct hf_driver_config *config = state->config;
    struct hf_rig_config rig_config = *config->rig;

    /* A reset loses settings; a supervisor that starts again does not. */
    if (state->sessions > 1)
        rig_config.setting_lost_share = 0;
    if (hf_rig_new(&rig_config, &state->rig, error) != HF_OK ||
        catch_up(state->rig, config->run_time_s, error) != HF_OK)
        return error->code;
    /* Baselines first: a boot that loses settings loses those that are made after it. */
    for (int group = 0; group < config->group_count; group++)
        hf_rig_set_step(state->rig, group, config->groups[group].baseline_step);
    hf_rig_boot(state->rig, stream_number(state));
    for (int group = 0; group < HF_RIG_GROUPS_MAX; group++)
        state->idle_s[group] = INFINITY;
    return HF_OK;
}

static void rig_close(void *opaque)
{
    struct rig_state *state = opaque;

    if (state == NULL)
        return;
    hf_rig_free(state->rig);
    hf_free(state);
}

static int check_rig_config(const struct hf_driver_config *config, struct hf_error *error)
{
    if (hf_driver_check_config(config, error) != HF_OK)
        return error->code;
    if (config->rig == NULL)
        return hf_fail(error, HF_E_INPUT, "the rig driver needs the profile's \"rig\" section");
    if (config->rig->group_count != config->group_count || config->rig->step_count < config->step_count)
        return hf_fail(error, HF_E_MISMATCH, "the rig has %d groups and %d steps, the profile %d and %d",
                       config->rig->group_count, config->rig->step_count, config->group_count,
                       config->step_count);
    if (!(config->run_time_s >= 0 && isfinite(config->run_time_s)))
        return hf_fail(error, HF_E_RANGE, "the rig cannot start at run time %g s", config->run_time_s);
    return HF_OK;
}

static int rig_open(const struct hf_driver_config *config, void **ret_state, struct hf_error *error)
{
    struct rig_state *state;

    if (check_rig_config(config, error) != HF_OK)
        return error->code;
    state = hf_allocate(1, sizeof *state);
    if (state == NULL)
        return hf_fail(error, HF_E_MEMORY, "no memory for the rig driver");
    state->config = config;
    if (count_session(state, error) != HF_OK || make_rig(state, error) != HF_OK) {
        rig_close(state);
        return error->code;
    }
    *ret_state = state;
    return HF_OK;
}

/* --- settings --------------------------------------------------------------------------------------- */

static void check(const struct rig_state *state)
{
    assert(state->rig != NULL && state->sessions >= 1);
    assert(state->owed_s >= 0 && state->owed_s <= OWED_MAX_S);
}

static int check_alive(const struct rig_state *state, struct hf_error *error)
{
    check(state);
    if (state->has_reset)
        return hf_fail(error, HF_E_STICKY,
                       "the simulated machine has reset; nothing can be done before its next boot");
    return HF_OK;
}

static int check_group(const struct rig_state *state, int group, struct hf_error *error)
{
    if (group < 0 || group >= state->config->group_count)
        return hf_fail(error, HF_E_RANGE, "there is no group number %d", group);
    return check_alive(state, error);
}

static void rig_cost(const void *state, struct hf_driver_cost *ret_cost)
{
    (void)state;
    *ret_cost = (struct hf_driver_cost){0};
}

static int rig_apply(void *opaque, const int16_t *wanted, enum hf_apply_result *ret_result,
                     struct hf_text *request, struct hf_error *error)
{
    struct rig_state *state = opaque;

    (void)request;
    if (check_alive(state, error) != HF_OK || hf_driver_check_wanted(state->config, wanted, error) != HF_OK)
        return error->code;
    for (int group = 0; group < state->config->group_count; group++) {
        if (wanted[group] >= 0)
            hf_rig_set_step(state->rig, group, wanted[group]);
    }
    *ret_result = HF_APPLY_DONE;
    return HF_OK;
}

static int rig_read_back(void *opaque, int group, int *ret_step, struct hf_error *error)
{
    struct rig_state *state = opaque;

    if (check_group(state, group, error) != HF_OK)
        return error->code;
    *ret_step = hf_rig_step(state->rig, group);
    return HF_OK;
}

/* --- the machine ------------------------------------------------------------------------------------ */

static int clock_runs_fast(const struct rig_state *state)
{
    return state->config->clock_factor > 1;
}

static int rig_load(void *opaque, int group, const struct hf_load_slice *slices, int count,
                    struct hf_error *error)
{
    struct rig_state *state = opaque;

    if (check_group(state, group, error) != HF_OK)
        return error->code;
    state->hold_s[group] = 0;
    state->idle_s[group] = INFINITY;
    if (count > 0 || !clock_runs_fast(state))
        return hf_rig_set_load(state->rig, group, slices, count, error);
    hf_rig_set_silent(state->rig, group, 1);
    state->idle_s[group] = state->now_s + LINGER_WALL_S * state->config->clock_factor;
    return HF_OK;
}

static int rig_prepare(void *opaque, int group, const struct hf_load_slice *slices, int count,
                       struct hf_error *error)
{
    struct rig_state *state = opaque;

    if (check_group(state, group, error) != HF_OK || !clock_runs_fast(state))
        return error->code;
    hf_rig_set_silent(state->rig, group, 1);
    state->hold_s[group] = 0;
    state->idle_s[group] = INFINITY;
    return hf_rig_set_load(state->rig, group, slices, count, error);
}

static void rig_begin_run(void *opaque, int group)
{
    struct rig_state *state = opaque;

    check(state);
    assert(group >= 0 && group < state->config->group_count);
    hf_rig_begin_run(state->rig, group);
    state->hold_s[group] = 0;
    state->idle_s[group] = INFINITY;
}

static void rig_cores(void *opaque, int group, uint32_t cores)
{
    struct rig_state *state = opaque;

    check(state);
    hf_rig_set_working(state->rig, group, cores);
}

/* After its first fault a group's trial is over, so more of the same kind would only fill the list and keep
 * other groups' faults out of it. A corrected error ends nothing: it must not hide a worse fault behind it.
 */
static int is_news(const struct hf_rig_fault *damage, int count, const struct hf_rig_fault *fault)
{
    for (int i = 0; i < count; i++) {
        int same_kind = (damage[i].kind == HF_DAMAGE_CORRECTED) == (fault->kind == HF_DAMAGE_CORRECTED);

        if (damage[i].group == fault->group && same_kind)
            return fault->kind == HF_DAMAGE_RESET;
    }
    return 1;
}

static double next_end_s(const struct rig_state *state)
{
    double next_s = INFINITY;

    for (int group = 0; group < state->config->group_count; group++)
        next_s = fmin(next_s, state->idle_s[group]);
    return next_s;
}

static void end_loads(struct rig_state *state)
{
    struct hf_error error = {0};

    for (int group = 0; group < state->config->group_count; group++) {
        if (state->idle_s[group] > state->now_s)
            continue;
        (void)hf_rig_set_load(state->rig, group, NULL, 0, &error); /* no load is always allowed */
        hf_rig_set_silent(state->rig, group, 0);
        state->idle_s[group] = INFINITY;
    }
}

/* Moves the model to its next fault, or the end of a load, or by `seconds`. */
static double advance(struct rig_state *state, double seconds, struct hf_rig_fault *ret_fault)
{
    double to_end_s = next_end_s(state) - state->now_s;
    double moved_s = hf_rig_advance(state->rig, fmin(seconds, to_end_s), ret_fault);

    /* at an end exactly, or rounding would leave a rest that never passes */
    state->now_s = moved_s >= to_end_s ? next_end_s(state) : state->now_s + moved_s;
    end_loads(state);
    return moved_s;
}

/* Nothing happens until it is noticed: what is left of this poll is not played. */
static double hold(struct rig_state *state, int group)
{
    state->hold_s[group] = HOLD_WALL_S * state->config->clock_factor;
    return 0;
}

static int is_held(const struct rig_state *state)
{
    int held = 0;

    for (int group = 0; group < state->config->group_count; group++)
        held |= state->hold_s[group] > 0;
    return held;
}

static void wait_held(struct rig_state *state, double run_seconds)
{
    for (int group = 0; group < state->config->group_count; group++)
        state->hold_s[group] = fmax(0, state->hold_s[group] - run_seconds);
}

static int rig_poll(void *opaque, double run_seconds, struct hf_rig_fault *ret_damage)
{
    struct rig_state *state = opaque;
    double left;
    double moved = 0;
    int count = 0;

    check(state);
    assert(run_seconds >= 0 && isfinite(run_seconds));
    if (state->has_reset)
        return 0;
    if (is_held(state)) {
        wait_held(state, run_seconds);
        return 0;
    }
    left = state->owed_s + run_seconds;
    while (left > 1e-9 && count < HF_DRIVER_DAMAGE_MAX) {
        struct hf_rig_fault fault;
        double step = advance(state, left, &fault);

        left -= step;
        moved += step;
        if (fault.kind == HF_DAMAGE_NONE || !is_news(ret_damage, count, &fault))
            continue; /* the end, a setting that was lost on the way, or nothing new */
        fault.after_s = fmin(moved, run_seconds);
        ret_damage[count++] = fault;
        if (fault.kind == HF_DAMAGE_RESET)
            left = 0; /* nothing comes after a reset */
        else if (fault.kind != HF_DAMAGE_CORRECTED && clock_runs_fast(state))
            left = hold(state, fault.group);
    }
    state->owed_s = fmin(fmax(left, 0), OWED_MAX_S);
    check(state);
    return count;
}

static int rig_is_waiting(const void *opaque)
{
    return is_held(opaque);
}

static int rig_reset(void *opaque, struct hf_error *error)
{
    struct rig_state *state = opaque;

    if (check_alive(state, error) != HF_OK)
        return error->code;
    if (state->boot_file[0] == '\0')
        return hf_fail(error, HF_E_MISSING, "the simulated machine cannot reset: there is no run directory");
    if (boot_file_write(state->boot_file, state->boots + 1, 0, error) != HF_OK)
        return error->code;
    state->boots++;
    state->has_reset = 1;
    return HF_OK;
}

static uint64_t rig_boots(const void *opaque)
{
    return ((const struct rig_state *)opaque)->boots;
}

static double rig_celsius(const void *opaque, int group)
{
    return hf_rig_group_celsius(((const struct rig_state *)opaque)->rig, group);
}

static double rig_mhz(const void *opaque, int group)
{
    return hf_rig_group_mhz(((const struct rig_state *)opaque)->rig, group);
}

const struct hf_driver_ops hf_driver_rig = {
    .name = "rig",
    .sentence = "moves the ratios of a simulated processor; touches no hardware, needs no permission",
    .is_simulated = 1,
    .open = rig_open,
    .close = rig_close,
    .cost = rig_cost,
    .apply = rig_apply,
    .read_back = rig_read_back,
    .load = rig_load,
    .prepare = rig_prepare,
    .begin_run = rig_begin_run,
    .cores = rig_cores,
    .poll = rig_poll,
    .is_waiting = rig_is_waiting,
    .reset = rig_reset,
    .boot_count = rig_boots,
    .group_celsius = rig_celsius,
    .group_mhz = rig_mhz,
};
