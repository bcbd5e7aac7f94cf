/*
 * The rig whose ratios are set from outside: a real driver (`command`: a program; `sheet`: a person) in
 * front, the simulated processor behind it, and between them nothing but the board: a folder with one file a
 * group, named like the group, that holds the ratio in force. So a whole search by a real driver can be tried
 * where nothing can be spoilt, and a program or a person that sets something else than was asked is found out
 * the way a real one would be.
 *
 *   apply, read_back, confirm, take_words ---> front (its own state; for `command` in a thread of its own)
 *                                                : the program or the person
 *                                                v
 *                                          board/GROUP   "41.25\n"
 *                                                :
 *   load, poll, reset, temperatures ---------> rig (looks at the board in every poll)
 *
 * Invariants:
 *  1. front and rig share no state but the board, so the front may be asked in a thread while the rig is
 * polled.
 *  2. The rig takes a group's ratio when its file was replaced or written anew since it looked last, and only
 *     one that lies on the profile's grid; anything else it leaves alone, as a board does.
 *  3. A reset loses what a program has set (every group is at its baseline), not what a person has entered.
 */
#include <assert.h>
#include <errno.h>
#include <fcntl.h>
#include <limits.h>
#include <math.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/stat.h>
#include <unistd.h>

#include "base/memory.h"
#include "drivers/drivers.h"

#define RATIO_BYTES_MAX 32

/* Which content of a file the rig has taken. */
struct board_mark {
    ino_t inode;
    struct timespec changed;
};

struct board_state {
    const struct hf_driver_config *config;
    const struct hf_driver_ops *front;
    void *front_state;
    void *rig_state;
    struct board_mark mark[HF_GROUPS_MAX];
};

/* --- the board ----------------------------------------------------------------------------------------- */

static int board_path(const struct board_state *state, int group, char ret_path[PATH_MAX])
{
    return snprintf(ret_path, PATH_MAX, "%s/%s", state->config->board, state->config->groups[group].name) <
           PATH_MAX;
}

static int board_write(const struct board_state *state, int group, int step, struct hf_error *error)
{
    char path[PATH_MAX];
    char ratio[HF_RATIO_TEXT];
    struct hf_text text;
    int code;

    if (!board_path(state, group, path))
        return hf_fail(error, HF_E_RANGE, "the path of the board is too long: %.60s...",
                       state->config->board);
    hf_driver_ratio_format(hf_driver_ratio(state->config, step), ratio);
    hf_text_init(&text, RATIO_BYTES_MAX);
    hf_text_addf(&text, "%s\n", ratio);
    code = hf_text_write_file(&text, path, error);
    hf_text_release(&text);
    return code;
}

static int board_write_baselines(const struct board_state *state, int only_missing, struct hf_error *error)
{
    for (int group = 0; group < state->config->group_count; group++) {
        char path[PATH_MAX];

        if (only_missing && board_path(state, group, path) && access(path, F_OK) == 0)
            continue;
        if (board_write(state, group, state->config->groups[group].baseline_step, error) != HF_OK)
            return error->code;
    }
    return HF_OK;
}

/* The step of the grid that the text names; -1: none. */
static int step_of_text(const struct hf_driver_config *config, const char *text)
{
    char *end = NULL;
    double ratio = strtod(text, &end);
    double step = (ratio - config->ratio_lowest) / config->ratio_step;

    if (end == text || (*end != '\0' && *end != '\n') || !isfinite(step) || step < -0.5 ||
        step >= config->step_count || fabs(step - nearbyint(step)) > 1e-6)
        return -1;
    return (int)lrint(step);
}

/* The step that a group's file names, if it is another file than was taken before; -1: nothing new. */
static int board_news(struct board_state *state, int group)
{
    struct board_mark *mark = &state->mark[group];
    char path[PATH_MAX];
    char text[RATIO_BYTES_MAX] = "";
    struct stat status;
    ssize_t got = -1;
    int fd = board_path(state, group, path) ? open(path, O_RDONLY | O_CLOEXEC | O_NONBLOCK) : -1;

    if (fd < 0)
        return -1;
    if (fstat(fd, &status) == 0 && S_ISREG(status.st_mode) &&
        (status.st_ino != mark->inode || status.st_mtim.tv_sec != mark->changed.tv_sec ||
         status.st_mtim.tv_nsec != mark->changed.tv_nsec))
        got = read(fd, text, sizeof text - 1);
    (void)close(fd);
    if (got <= 0) /* an empty file is one that is being written */
        return -1;
    *mark = (struct board_mark){status.st_ino, status.st_mtim};
    return step_of_text(state->config, text);
}

/* Invariant 2. What the rig cannot take (it has reset) it does not. */
static void obey_board(struct board_state *state)
{
    for (int group = 0; group < state->config->group_count; group++) {
        enum hf_apply_result result;
        struct hf_error error = {0};
        int16_t wanted[HF_GROUPS_MAX];
        int step = board_news(state, group);

        if (step < 0)
            continue;
        memset(wanted, 0xff, sizeof wanted);
        wanted[group] = (int16_t)step;
        (void)hf_driver_rig.apply(state->rig_state, wanted, &result, NULL, &error);
    }
}

/* --- opening ------------------------------------------------------------------------------------------- */

static void board_close(void *opaque)
{
    struct board_state *state = opaque;

    if (state == NULL)
        return;
    if (state->front_state != NULL)
        state->front->close(state->front_state);
    if (state->rig_state != NULL)
        hf_driver_rig.close(state->rig_state);
    hf_free(state);
}

static int open_parts(struct board_state *state, struct hf_error *error)
{
    const struct hf_driver_config *config = state->config;

    if (config->board == NULL || config->board[0] != '/')
        return hf_fail(error, HF_E_INPUT,
                       "the profile's \"rig\" needs \"board\", a folder's whole path from / on, when its "
                       "ratios are set from outside");
    if (mkdir(config->board, 0755) != 0 && errno != EEXIST)
        return hf_fail_errno(error, errno, "cannot make the board %s", config->board);
    if (hf_driver_rig.open(config, &state->rig_state, error) != HF_OK ||
        board_write_baselines(state, 1, error) != HF_OK)
        return error->code;
    obey_board(state);
    return state->front->open(config, &state->front_state, error);
}

static int open_behind(const struct hf_driver_ops *front, const struct hf_driver_config *config,
                       void **ret_state, struct hf_error *error)
{
    struct board_state *state = hf_allocate(1, sizeof *state);

    if (state == NULL)
        return hf_fail(error, HF_E_MEMORY, "no memory for the rig's board");
    state->config = config;
    state->front = front;
    if (open_parts(state, error) != HF_OK) {
        board_close(state);
        return error->code;
    }
    *ret_state = state;
    return HF_OK;
}

static int open_by_command(const struct hf_driver_config *config, void **ret_state, struct hf_error *error)
{
    return open_behind(&hf_driver_command, config, ret_state, error);
}

static int open_by_sheet(const struct hf_driver_config *config, void **ret_state, struct hf_error *error)
{
    return open_behind(&hf_driver_sheet, config, ret_state, error);
}

/* --- the front ----------------------------------------------------------------------------------------- */

static void board_cost(const void *opaque, struct hf_driver_cost *ret_cost)
{
    const struct board_state *state = opaque;

    state->front->cost(state->front_state, ret_cost);
}

static int board_apply(void *opaque, const int16_t *wanted, enum hf_apply_result *ret_result,
                       struct hf_text *request, struct hf_error *error)
{
    struct board_state *state = opaque;

    return state->front->apply(state->front_state, wanted, ret_result, request, error);
}

static int board_read_back(void *opaque, int group, int *ret_step, struct hf_error *error)
{
    struct board_state *state = opaque;

    return state->front->read_back(state->front_state, group, ret_step, error);
}

static void board_take_words(void *opaque, struct hf_text *words)
{
    struct board_state *state = opaque;

    state->front->take_words(state->front_state, words);
}

static int board_confirm(void *opaque, int group, int step, struct hf_error *error)
{
    struct board_state *state = opaque;

    return state->front->confirm(state->front_state, group, step, error);
}

/* --- the rig ------------------------------------------------------------------------------------------- */

static int board_load(void *opaque, int group, const struct hf_load_slice *slices, int count,
                      struct hf_error *error)
{
    struct board_state *state = opaque;

    return hf_driver_rig.load(state->rig_state, group, slices, count, error);
}

static void board_begin_run(void *opaque, int group)
{
    struct board_state *state = opaque;

    hf_driver_rig.begin_run(state->rig_state, group);
}

static void board_cores(void *opaque, int group, uint32_t cores)
{
    struct board_state *state = opaque;

    hf_driver_rig.cores(state->rig_state, group, cores);
}

static int board_poll(void *opaque, double run_seconds, struct hf_rig_fault *ret_damage)
{
    struct board_state *state = opaque;

    obey_board(state);
    return hf_driver_rig.poll(state->rig_state, run_seconds, ret_damage);
}

/* Invariant 3. */
static int reset_loses_settings(void *opaque, struct hf_error *error)
{
    struct board_state *state = opaque;

    if (hf_driver_rig.reset(state->rig_state, error) != HF_OK)
        return error->code;
    return board_write_baselines(state, 0, error);
}

static int reset_keeps_settings(void *opaque, struct hf_error *error)
{
    struct board_state *state = opaque;

    return hf_driver_rig.reset(state->rig_state, error);
}

static uint64_t board_boots(const void *opaque)
{
    const struct board_state *state = opaque;

    return hf_driver_rig.boot_count(state->rig_state);
}

static double board_celsius(const void *opaque, int group)
{
    const struct board_state *state = opaque;

    return hf_driver_rig.group_celsius(state->rig_state, group);
}

static double board_mhz(const void *opaque, int group)
{
    const struct board_state *state = opaque;

    return hf_driver_rig.group_mhz(state->rig_state, group);
}

const struct hf_driver_ops hf_driver_rig_by_command = {
    .name = "rig",
    .sentence = "has a program of yours set the ratios of a simulated processor",
    .is_simulated = 1,
    .waits = 1,
    .open = open_by_command,
    .close = board_close,
    .cost = board_cost,
    .apply = board_apply,
    .read_back = board_read_back,
    .take_words = board_take_words,
    .load = board_load,
    .begin_run = board_begin_run,
    .cores = board_cores,
    .poll = board_poll,
    .reset = reset_loses_settings,
    .boot_count = board_boots,
    .group_celsius = board_celsius,
    .group_mhz = board_mhz,
};

const struct hf_driver_ops hf_driver_rig_by_sheet = {
    .name = "rig",
    .sentence = "has a person set the ratios of a simulated processor",
    .is_simulated = 1,
    .open = open_by_sheet,
    .close = board_close,
    .cost = board_cost,
    .apply = board_apply,
    .read_back = board_read_back,
    .confirm = board_confirm,
    .load = board_load,
    .begin_run = board_begin_run,
    .cores = board_cores,
    .poll = board_poll,
    .reset = reset_keeps_settings,
    .boot_count = board_boots,
    .group_celsius = board_celsius,
    .group_mhz = board_mhz,
};
