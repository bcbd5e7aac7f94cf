/*
 * The command driver: the user's own program sets the ratios and tells them.
 *
 * One call of the program is one question. It gets one JSON object on standard input, which then ends:
 *   {"action":"apply","group":"g0","cpus":"0-3","ratio":41.25,"clock_mhz":4125}
 * action: "apply" sets that ratio; "baseline" is the same for the group's baseline, which must always work;
 * "read" has no ratio and no clock_mhz and changes nothing. It answers with one JSON object on standard
 * output, and leaves with status 0:
 *   {"group":"g0","ratio":41.25}      the ratio that is in force now, whatever was asked
 *   {"group":"g0","error":"words"}    it could not be done; nothing is known of what is in force
 * Nothing else may stand there. What it says on standard error is kept for the journal. It is killed, with
 * all that it started, when it has not ended in time.
 *
 * Invariants
 *  1. At most one program runs at a time, and none when a call returns.
 *  2. No shell: the words of the profile are the program's arguments, byte for byte.
 *  3. An answer is believed only whole: right group, a ratio of the profile's grid, end of the program with
 * status 0.
 */
#include <assert.h>
#include <errno.h>
#include <fcntl.h>
#include <math.h>
#include <poll.h>
#include <signal.h>
#include <spawn.h>
#include <stdio.h>
#include <string.h>
#include <sys/syscall.h>
#include <sys/wait.h>
#include <unistd.h>

#include "base/memory.h"
#include "drivers/drivers.h"
#include "holdfast/clock.h"
#include "holdfast/json.h"

#define ANSWER_BYTES_MAX 16384
#define WORDS_BYTES_MAX  16384
#define GRID_TOLERANCE   1e-6 /* of a step */

struct command_state {
    const struct hf_driver_config *config;
    struct hf_text words; /* of the programs' standard error, since they were taken last */
};

/* One call: what goes in, what comes out. */
struct call {
    struct hf_text question;
    struct hf_text answer;
    struct hf_text *words;
    size_t sent;
    int in, out, err; /* our ends; -1: closed */
    pid_t pid;
    int status; /* as waitpid tells it */
    int timed_out;
};

static int command_open(const struct hf_driver_config *config, void **ret_state, struct hf_error *error)
{
    struct command_state *state;

    if (hf_driver_check_config(config, error) != HF_OK)
        return error->code;
    if (config->command_count < 1)
        return hf_fail(error, HF_E_MISSING,
                       "the driver \"command\" needs a program: \"command\" in the profile");
    if (access(config->command[0], X_OK) != 0)
        return hf_fail(error, HF_E_MISSING, "the driver's program %.200s cannot be run: %s",
                       config->command[0], strerror(errno));
    if (geteuid() == 0 && hf_driver_check_program(config->command[0], 0, error) != HF_OK)
        return error->code;
    state = hf_allocate(1, sizeof *state);
    if (state == NULL)
        return hf_fail(error, HF_E_MEMORY, "no memory for the command driver");
    state->config = config;
    hf_text_init(&state->words, WORDS_BYTES_MAX);
    *ret_state = state;
    return HF_OK;
}

static void command_close(void *opaque)
{
    struct command_state *state = opaque;

    hf_text_release(&state->words);
    hf_free(state);
}

static void command_cost(const void *state, struct hf_driver_cost *ret_cost)
{
    (void)state;
    *ret_cost = (struct hf_driver_cost){.apply_s = 0.1};
}

/* --- a program of ours that runs -------------------------------------------------------------------------
 */

static void close_end(int *fd)
{
    if (*fd >= 0)
        (void)close(*fd);
    *fd = -1;
}

static int make_pipes(int pipes[3][2])
{
    for (int i = 0; i < 3; i++)
        pipes[i][0] = pipes[i][1] = -1;
    for (int i = 0; i < 3; i++) {
        if (pipe2(pipes[i], O_CLOEXEC) != 0)
            return -errno;
    }
    return 0;
}

/* Its own process group, so that it can be ended with all that it started; no signal blocked or ignored. */
static int spawn(const struct hf_driver_config *config, int pipes[3][2], pid_t *ret_pid)
{
    posix_spawn_file_actions_t actions;
    posix_spawnattr_t attributes;
    sigset_t none, all;
    int wrong;

    (void)sigemptyset(&none);
    (void)sigfillset(&all);
    if (posix_spawn_file_actions_init(&actions) != 0)
        return -ENOMEM;
    if (posix_spawnattr_init(&attributes) != 0) {
        (void)posix_spawn_file_actions_destroy(&actions);
        return -ENOMEM;
    }
    wrong = posix_spawn_file_actions_adddup2(&actions, pipes[0][0], 0);
    wrong = wrong ? wrong : posix_spawn_file_actions_adddup2(&actions, pipes[1][1], 1);
    wrong = wrong ? wrong : posix_spawn_file_actions_adddup2(&actions, pipes[2][1], 2);
    (void)posix_spawnattr_setflags(&attributes,
                                   POSIX_SPAWN_SETPGROUP | POSIX_SPAWN_SETSIGMASK | POSIX_SPAWN_SETSIGDEF);
    (void)posix_spawnattr_setsigmask(&attributes, &none);
    (void)posix_spawnattr_setsigdefault(&attributes, &all);
    if (wrong == 0)
        wrong = posix_spawn(ret_pid, config->command[0], &actions, &attributes,
                            (char *const *)(uintptr_t)config->command, environ);
    (void)posix_spawnattr_destroy(&attributes);
    (void)posix_spawn_file_actions_destroy(&actions);
    return -wrong;
}

static int start(const struct hf_driver_config *config, struct call *call)
{
    int pipes[3][2];
    int wrong = make_pipes(pipes);

    if (wrong == 0)
        wrong = spawn(config, pipes, &call->pid);
    close_end(&pipes[0][0]);
    close_end(&pipes[1][1]);
    close_end(&pipes[2][1]);
    call->in = pipes[0][1];
    call->out = pipes[1][0];
    call->err = pipes[2][0];
    if (call->in >= 0)
        (void)fcntl(call->in, F_SETFL, O_NONBLOCK);
    return wrong;
}

/* A program that does not read its question must not end us by a broken pipe. */
static ssize_t write_quietly(int fd, const char *bytes, size_t size)
{
    static const struct timespec at_once;
    sigset_t pipe_signal, before;
    ssize_t written;
    int wrong;

    (void)sigemptyset(&pipe_signal);
    (void)sigaddset(&pipe_signal, SIGPIPE);
    (void)pthread_sigmask(SIG_BLOCK, &pipe_signal, &before);
    written = write(fd, bytes, size);
    wrong = errno;
    if (written < 0 && wrong == EPIPE && !sigismember(&before, SIGPIPE))
        (void)sigtimedwait(&pipe_signal, NULL, &at_once);
    (void)pthread_sigmask(SIG_SETMASK, &before, NULL);
    errno = wrong;
    return written;
}

static void send_more(struct call *call)
{
    ssize_t written =
        write_quietly(call->in, call->question.bytes + call->sent, call->question.size - call->sent);

    if (written > 0)
        call->sent += (size_t)written;
    if (call->sent == call->question.size || (written < 0 && errno != EAGAIN && errno != EINTR))
        close_end(&call->in);
}

static void take_more(int *fd, struct hf_text *text)
{
    char bytes[4096];
    ssize_t count = read(*fd, bytes, sizeof bytes);

    if (count > 0)
        hf_text_add(text, bytes, (size_t)count);
    else if (count == 0 || (errno != EINTR && errno != EAGAIN))
        close_end(fd);
}

/* What is still in the pipes of a program that has ended; something that it started may hold them open. */
static void take_rest(int *fd, struct hf_text *text)
{
    if (*fd < 0)
        return;
    (void)fcntl(*fd, F_SETFL, O_NONBLOCK);
    while (*fd >= 0) {
        struct pollfd ready = {.fd = *fd, .events = POLLIN};

        if (poll(&ready, 1, 0) <= 0 || (ready.revents & (POLLIN | POLLHUP)) == 0)
            return;
        take_more(fd, text);
    }
}

/* Until the program has ended, or its time is over. */
static void converse(struct call *call, double limit_s)
{
    int64_t ends_ns = hf_clock_monotonic_ns(&hf_clock_real) + (int64_t)(limit_s * 1e9);
    int watched = (int)syscall(SYS_pidfd_open, call->pid, 0);

    for (;;) {
        struct pollfd ready[4] = {{.fd = call->in, .events = POLLOUT},
                                  {.fd = call->out, .events = POLLIN},
                                  {.fd = call->err, .events = POLLIN},
                                  {.fd = watched, .events = POLLIN}};
        int64_t left_ms = (ends_ns - hf_clock_monotonic_ns(&hf_clock_real)) / 1000000;

        if (left_ms <= 0) {
            call->timed_out = 1;
            break;
        }
        if (watched < 0 && left_ms > 20) /* a kernel older than 5.3: the end is looked for */
            left_ms = 20;
        (void)poll(ready, 4, (int)left_ms);
        if (ready[0].revents != 0)
            send_more(call);
        if (ready[1].revents != 0)
            take_more(&call->out, &call->answer);
        if (ready[2].revents != 0)
            take_more(&call->err, call->words);
        if (waitpid(call->pid, &call->status, WNOHANG) == call->pid)
            break;
    }
    close_end(&watched);
    if (call->timed_out) {
        (void)kill(-call->pid, SIGKILL);
        (void)waitpid(call->pid, &call->status, 0);
    }
    take_rest(&call->out, &call->answer);
    take_rest(&call->err, call->words);
}

/* --- question and answer ---------------------------------------------------------------------------------
 */

static const char *action_of(const struct hf_driver_config *config, int group, int step)
{
    if (step < 0)
        return "read";
    return step == config->groups[group].baseline_step ? "baseline" : "apply";
}

static void write_question(const struct hf_driver_config *config, int group, int step,
                           struct hf_text *question)
{
    const struct hf_driver_group *about = &config->groups[group];
    struct hf_json_writer writer;
    struct hf_text cpus;

    hf_text_init(&cpus, 65536);
    hf_driver_add_cpus(about, &cpus);
    hf_json_begin(&writer, question, 0);
    hf_json_object_open(&writer, NULL);
    hf_json_string(&writer, "action", action_of(config, group, step));
    hf_json_string(&writer, "group", about->name);
    hf_json_string(&writer, "cpus", cpus.bytes);
    if (step >= 0) {
        hf_json_number(&writer, "ratio", hf_driver_ratio(config, step));
        hf_json_number(&writer, "clock_mhz", hf_driver_ratio(config, step) * config->base_clock_mhz);
    }
    hf_json_object_close(&writer);
    hf_text_add_string(question, "\n");
    hf_text_release(&cpus);
}

/* How the program ended; HF_E_MISSING says it in words. */
static int check_end(const struct hf_driver_config *config, const struct call *call, const char *name,
                     struct hf_error *error)
{
    const char *program = config->command[0];

    if (call->timed_out)
        return hf_fail(
            error, HF_E_MISSING,
            "group %s: %.200s did not end within %.3g s and was killed; \"limit_s\" in the profile's "
            "\"command\" gives it more time",
            name, program, config->command_limit_s);
    if (WIFSIGNALED(call->status))
        return hf_fail(error, HF_E_MISSING, "group %s: %.200s was killed by signal %d, %s", name, program,
                       WTERMSIG(call->status), strsignal(WTERMSIG(call->status)));
    if (WEXITSTATUS(call->status) != 0)
        return hf_fail(error, HF_E_MISSING, "group %s: %.200s left with status %d", name, program,
                       WEXITSTATUS(call->status));
    if (call->answer.overflowed)
        return hf_fail(error, HF_E_MISSING, "group %s: %.200s answered with more than %d bytes", name,
                       program, ANSWER_BYTES_MAX);
    if (call->answer.size == 0)
        return hf_fail(error, HF_E_MISSING, "group %s: %.200s ended without an answer", name, program);
    return HF_OK;
}

static int step_of_ratio(const struct hf_driver_config *config, const char *name, double ratio, int *ret_step,
                         struct hf_error *error)
{
    double steps = (ratio - config->ratio_lowest) / config->ratio_step;

    if (!(fabs(steps - round(steps)) < GRID_TOLERANCE) || steps < -0.5 || steps > config->step_count - 0.5)
        return hf_fail(error, HF_E_REFUSED,
                       "group %s: the program says that ratio %.10g is in force, which is none of the "
                       "profile's: %.10g to "
                       "%.10g in steps of %.10g",
                       name, ratio, config->ratio_lowest, hf_driver_ratio(config, config->step_count - 1),
                       config->ratio_step);
    *ret_step = (int)lround(steps);
    return HF_OK;
}

static int read_object(const struct hf_driver_config *config, const struct hf_json_reader *top,
                       const char *name, int *ret_step, struct hf_error *error)
{
    static const char *const keys[] = {"group", "ratio", "error", NULL};
    char group[HF_NAME_MAX];
    char words[400];
    double ratio;

    if (hf_json_only_keys(top, keys, error) != HF_OK ||
        hf_json_get_string(top, "group", group, sizeof group, error) != HF_OK)
        return error->code;
    if (strcmp(group, name) != 0)
        return hf_fail(error, HF_E_REFUSED, "group %s: the program answered for another group, %s", name,
                       group);
    if (hf_json_has(top, "error")) {
        if (hf_json_get_string(top, "error", words, sizeof words, error) != HF_OK)
            return error->code;
        return hf_fail(error, HF_E_MISSING, "group %s: the program could not do it: %s", name, words);
    }
    if (hf_json_get_number(top, "ratio", 0, 100000, &ratio, error) != HF_OK)
        return error->code;
    return step_of_ratio(config, name, ratio, ret_step, error);
}

static int read_answer(const struct hf_driver_config *config, const struct call *call, const char *name,
                       int *ret_step, struct hf_error *error)
{
    struct cJSON *document = NULL;
    struct hf_json_reader top;

    if (check_end(config, call, name, error) != HF_OK)
        return error->code;
    if (hf_json_parse(call->answer.bytes, call->answer.size, "the program's answer", &document, error) !=
        HF_OK) {
        hf_error_context(error, "group %s", name);
        error->code = HF_E_MISSING;
        return error->code;
    }
    top = hf_json_root(document, "the program's answer");
    if (read_object(config, &top, name, ret_step, error) != HF_OK && error->code != HF_E_REFUSED &&
        error->code != HF_E_MISSING) {
        hf_error_context(error, "group %s", name);
        error->code = HF_E_MISSING; /* not our input but a program that does not do its work */
    }
    hf_json_document_free(document);
    return error->code;
}

/* step -1: reads. */
static int ask(struct command_state *state, int group, int step, int *ret_step, struct hf_error *error)
{
    const struct hf_driver_config *config = state->config;
    struct call call = {.in = -1, .out = -1, .err = -1, .words = &state->words};
    int wrong;

    hf_text_init(&call.question, 65536);
    hf_text_init(&call.answer, ANSWER_BYTES_MAX);
    write_question(config, group, step, &call.question);
    wrong = start(config, &call);
    if (wrong != 0) {
        (void)hf_fail(error, HF_E_MISSING, "group %s: cannot start %.200s: %s", config->groups[group].name,
                      config->command[0], strerror(-wrong));
    } else {
        converse(&call, config->command_limit_s);
        (void)read_answer(config, &call, config->groups[group].name, ret_step, error);
    }
    close_end(&call.in);
    close_end(&call.out);
    close_end(&call.err);
    hf_text_release(&call.question);
    hf_text_release(&call.answer);
    return error->code;
}

/* --- settings --------------------------------------------------------------------------------------------
 */

static int apply_one(struct command_state *state, int group, int step, struct hf_error *error)
{
    char asked[HF_RATIO_TEXT];
    char there[HF_RATIO_TEXT];
    int now = -1;

    if (ask(state, group, step, &now, error) != HF_OK)
        return error->code;
    if (now == step)
        return HF_OK;
    hf_driver_ratio_format(hf_driver_ratio(state->config, step), asked);
    hf_driver_ratio_format(hf_driver_ratio(state->config, now), there);
    return hf_fail(error, HF_E_REFUSED,
                   "group %s: the program was asked for ratio %s and says that %s is in force",
                   state->config->groups[group].name, asked, there);
}

static int command_apply(void *opaque, const int16_t *wanted, enum hf_apply_result *ret_result,
                         struct hf_text *request, struct hf_error *error)
{
    struct command_state *state = opaque;

    (void)request;
    if (hf_driver_check_wanted(state->config, wanted, error) != HF_OK)
        return error->code;
    for (int group = 0; group < state->config->group_count; group++) {
        if (wanted[group] >= 0 && apply_one(state, group, wanted[group], error) != HF_OK)
            return error->code;
    }
    *ret_result = HF_APPLY_DONE;
    return HF_OK;
}

static int command_read_back(void *opaque, int group, int *ret_step, struct hf_error *error)
{
    struct command_state *state = opaque;

    if (group < 0 || group >= state->config->group_count)
        return hf_fail(error, HF_E_RANGE, "there is no group number %d", group);
    return ask(state, group, -1, ret_step, error);
}

static int command_describe(void *opaque, const int16_t *wanted, struct hf_text *lines,
                            struct hf_error *error)
{
    struct command_state *state = opaque;

    if (hf_driver_check_wanted(state->config, wanted, error) != HF_OK)
        return error->code;
    for (int group = 0; group < state->config->group_count; group++) {
        if (wanted[group] < 0)
            continue;
        hf_text_addf(lines, "run");
        for (int i = 0; i < state->config->command_count; i++)
            hf_text_addf(lines, " %s", state->config->command[i]);
        hf_text_addf(lines, " with ");
        write_question(state->config, group, wanted[group], lines);
    }
    return HF_OK;
}

static void command_take_words(void *opaque, struct hf_text *words)
{
    struct command_state *state = opaque;

    hf_text_add(words, state->words.bytes, state->words.size);
    hf_text_clear(&state->words);
}

const struct hf_driver_ops hf_driver_command = {
    .name = "command",
    .sentence = "asks a program of yours to set and to tell ratios; what it may move is up to that program",
    .waits = 1,
    .open = command_open,
    .close = command_close,
    .cost = command_cost,
    .apply = command_apply,
    .read_back = command_read_back,
    .describe = command_describe,
    .take_words = command_take_words,
};
