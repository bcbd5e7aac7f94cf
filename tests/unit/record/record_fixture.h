/*
 * Shared by the tests of src/record and tests/crash: a scratch directory, a clock that only the test moves,
 * file operations without real syncs, and a small scripted run whose every state is known.
 */
#ifndef HOLDFAST_TESTS_RECORD_FIXTURE_H
#define HOLDFAST_TESTS_RECORD_FIXTURE_H

#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>
#include <stdint.h>

#include <cmocka.h>

#include <dirent.h>
#include <errno.h>
#include <fcntl.h>
#include <inttypes.h>
#include <limits.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/stat.h>
#include <unistd.h>

#include "holdfast/run.h"

#define FIRST_WALL_NS INT64_C(1795598851123000000) /* 2026-11-25T09:27:31.123Z */
#define BOOT_A        "3f0f5c5e-6a60-4a1b-9a3e-5d4be9f7a001"
#define BOOT_B        "c2d9f0b4-0f1e-4a52-8a06-77ab0a8c1d02"
#define FIXED_SALT    UINT64_C(0x1122334455667788)

#ifndef SCRATCH_PREFERRED
#define SCRATCH_PREFERRED "/tmp"
#endif

/* --- files ---------------------------------------------------------------------------------------------- */

__attribute__((unused)) static void scratch_make(char path[PATH_MAX])
{
    const char *base = getenv("TMPDIR");

    if (base == NULL)
        base = access(SCRATCH_PREFERRED, W_OK | X_OK) == 0 ? SCRATCH_PREFERRED : "/tmp";
    (void)snprintf(path, PATH_MAX, "%s/holdfast-record-XXXXXX", base);
    assert_non_null(mkdtemp(path));
}

__attribute__((unused)) static void scratch_remove(const char *path)
{
    DIR *directory = opendir(path);
    struct dirent *entry;

    if (directory == NULL)
        return;
    while ((entry = readdir(directory)) != NULL) {
        char inner[PATH_MAX * 2];

        if (strcmp(entry->d_name, ".") == 0 || strcmp(entry->d_name, "..") == 0)
            continue;
        (void)snprintf(inner, sizeof inner, "%s/%s", path, entry->d_name);
        if (unlink(inner) != 0)
            scratch_remove(inner);
    }
    (void)closedir(directory);
    (void)rmdir(path);
}

__attribute__((unused)) static char *file_path(const char *directory, const char *name)
{
    static char path[4][PATH_MAX];
    static int next;
    char *into = path[next++ % 4];

    if (snprintf(into, PATH_MAX, "%s/%s", directory, name) >= PATH_MAX)
        fail_msg("path too long");
    return into;
}

/* The caller frees. NULL when there is no such file. */
__attribute__((unused)) static char *file_read(const char *directory, const char *name, size_t *ret_size)
{
    int fd = open(file_path(directory, name), O_RDONLY | O_CLOEXEC);
    struct stat status;
    char *bytes;

    *ret_size = 0;
    if (fd < 0)
        return NULL;
    assert_int_equal(fstat(fd, &status), 0);
    bytes = calloc((size_t)status.st_size + 1, 1);
    assert_non_null(bytes);
    assert_int_equal(read(fd, bytes, (size_t)status.st_size), status.st_size);
    *ret_size = (size_t)status.st_size;
    (void)close(fd);
    return bytes;
}

__attribute__((unused)) static void file_write(const char *directory, const char *name, const char *bytes,
                                               size_t size)
{
    int fd = open(file_path(directory, name), O_WRONLY | O_CREAT | O_TRUNC | O_CLOEXEC, 0600);

    assert_true(fd >= 0);
    assert_int_equal(write(fd, bytes, size), (long)size);
    (void)close(fd);
}

/* --- time, boots, syncs --------------------------------------------------------------------------------- */

struct test_clock {
    int64_t wall_ns;
    int64_t step_ns; /* added at every reading of the wall clock */
};

__attribute__((unused)) static int64_t test_wall_ns(void *context)
{
    struct test_clock *clock = context;
    int64_t now = clock->wall_ns;

    clock->wall_ns += clock->step_ns;
    return now;
}

__attribute__((unused)) static int64_t test_monotonic_ns(void *context)
{
    return ((struct test_clock *)context)->wall_ns - FIRST_WALL_NS + 5000000000;
}

#define TEST_CLOCK(name)                                                                                     \
    struct test_clock name##_state = {FIRST_WALL_NS, 1250000000};                                            \
    struct hf_clock name = {test_wall_ns, test_monotonic_ns, &name##_state}

__attribute__((unused)) static int no_sync(int fd)
{
    return fd >= 0 ? 0 : -1;
}

/* The real operations, but no waiting for the disk: for tests that are not about durability. */
__attribute__((unused)) static struct hf_journal_file_ops quick_ops(void)
{
    struct hf_journal_file_ops ops = hf_journal_file_ops_real;

    ops.sync = no_sync;
    ops.sync_folder = no_sync;
    return ops;
}

/* Success, or the error's words. */
#define assert_ok(call)                                                                                      \
    do {                                                                                                     \
        int assert_ok_code = (call);                                                                         \
        if (assert_ok_code != HF_OK)                                                                         \
            fail_msg("%s: %s: %s", #call, hf_error_name(assert_ok_code), error.message);                     \
    } while (0)

/* The code, and words that the message must hold; clears the error. */
#define assert_error(call, expected_code, words)                                                             \
    do {                                                                                                     \
        int assert_error_code = (call);                                                                      \
        if (assert_error_code != (expected_code) || error.code != (expected_code))                           \
            fail_msg("%s: got %s (%s), expected %s", #call, hf_error_name(assert_error_code), error.message, \
                     hf_error_name(expected_code));                                                          \
        if (strstr(error.message, (words)) == NULL)                                                          \
            fail_msg("%s: \"%s\" lacks \"%s\"", #call, error.message, (words));                              \
        hf_error_clear(&error);                                                                              \
    } while (0)

/* --- a profile and a scripted run ----------------------------------------------------------------------- */

static const char small_profile[] =
    "{\"format\":1,\"name\":\"heron\",\"ratio\":{\"lowest\":34,\"highest\":48,\"step\":0.25,\"baseline\":36},"
    "\"groups\":[{\"name\":\"g0\",\"cpus\":\"0-3\"},{\"name\":\"g1\",\"cpus\":\"4-7\"}],\"driver\":\"rig\","
    "\"rig\":{\"seed\":\"7\",\"clock_factor\":600}}";

__attribute__((unused)) static struct hf_profile *small_profile_new(void)
{
    struct hf_error error = {0};
    struct hf_profile *profile = NULL;

    assert_ok(hf_profile_parse(small_profile, sizeof small_profile - 1, "small.json", &profile, &error));
    return profile;
}

/* A run directory as it stands when the profile has just been frozen. */
__attribute__((unused)) static void small_run_directory(const char *directory)
{
    file_write(directory, "profile.json", small_profile, sizeof small_profile - 1);
}

__attribute__((unused)) static struct hf_event event_of(enum hf_event_type type, uint64_t trial, int group)
{
    struct hf_event event = {.type = type, .trial = trial, .group = group, .cpu = -1};

    return event;
}

__attribute__((unused)) static struct hf_event begin_of(uint64_t trial, enum hf_purpose purpose, int group,
                                                        int step)
{
    struct hf_event event = event_of(HF_EVENT_TRIAL_BEGIN, trial, group);

    event.purpose = purpose;
    event.step = step;
    event.limit_s = 600;
    for (int i = 0; i < HF_GROUPS_MAX; i++)
        event.joint_step[i] = (int16_t)(group == HF_GROUP_ALL && i < 2 ? step + i : -1);
    return event;
}

__attribute__((unused)) static struct hf_event progress_of(uint64_t trial, double exposure_s, uint64_t blocks)
{
    struct hf_event event = event_of(HF_EVENT_EXPOSURE, trial, HF_GROUP_NONE);

    event.exposure_s = exposure_s;
    event.blocks = blocks;
    return event;
}

__attribute__((unused)) static struct hf_event verdict_of(uint64_t trial, enum hf_verdict verdict,
                                                          enum hf_cause cause, int group, double exposure_s,
                                                          uint64_t blocks)
{
    struct hf_event event = event_of(HF_EVENT_VERDICT, trial, group);

    event.verdict = verdict;
    event.cause = cause;
    event.cpu = verdict == HF_VERDICT_FAIL && group >= 0 ? group * 4 + 1 : -1;
    event.exposure_s = exposure_s;
    event.blocks = blocks;
    return event;
}

/* One step of the script; 0, or the code of the first failure. Several lines may go into one commit. */
typedef int script_step(struct hf_run *run, struct hf_error *error);

#define STEP_EVENT(event)                                                                                    \
    do {                                                                                                     \
        struct hf_event step_event = (event);                                                                \
        int step_code = hf_run_add_event(run, &step_event, "the plan says so", error);                       \
        if (step_code != HF_OK)                                                                              \
            return step_code;                                                                                \
        script_added(run);                                                                                   \
    } while (0)

#define STEP_RECORD(type, key, value)                                                                        \
    do {                                                                                                     \
        struct hf_json_writer *step_writer = hf_run_begin_record(run, (type));                               \
        int step_code;                                                                                       \
        hf_json_string(step_writer, (key), (value));                                                         \
        step_code = hf_run_end_record(run, error);                                                           \
        if (step_code != HF_OK)                                                                              \
            return step_code;                                                                                \
        script_added(run);                                                                                   \
    } while (0)

/* Called after every added record: a test that wants every intermediate state sets the hook. */
static void (*script_hook)(const struct hf_run *run);

__attribute__((unused)) static void script_added(const struct hf_run *run)
{
    if (script_hook != NULL)
        script_hook(run);
}

__attribute__((unused)) static int step_session(struct hf_run *run, struct hf_error *error)
{
    STEP_RECORD(HF_RECORD_SESSION_BEGIN, "host", "heron");
    STEP_RECORD(HF_RECORD_PROOF, "kernel", "multiply");
    STEP_RECORD(HF_RECORD_PROOF, "kernel", "gather");
    return HF_OK;
}

__attribute__((unused)) static int step_baseline(struct hf_run *run, struct hf_error *error)
{
    STEP_EVENT(begin_of(1, HF_PURPOSE_BASELINE, HF_GROUP_ALL, 8));
    return HF_OK;
}

__attribute__((unused)) static int step_baseline_loaded(struct hf_run *run, struct hf_error *error)
{
    STEP_RECORD(HF_RECORD_SETTING, "group", "g0");
    STEP_RECORD(HF_RECORD_SETTING, "group", "g1");
    STEP_EVENT(event_of(HF_EVENT_TRIAL_LOADED, 1, HF_GROUP_NONE));
    STEP_RECORD(HF_RECORD_SLICE, "slice", "0");
    return HF_OK;
}

__attribute__((unused)) static int step_baseline_pass(struct hf_run *run, struct hf_error *error)
{
    STEP_EVENT(progress_of(1, 600, 30000));
    STEP_EVENT(verdict_of(1, HF_VERDICT_PASS, HF_CAUSE_TIME_SERVED, HF_GROUP_ALL, 600, 30000));
    return HF_OK;
}

__attribute__((unused)) static int step_edges(struct hf_run *run, struct hf_error *error)
{
    STEP_EVENT(begin_of(2, HF_PURPOSE_BRACKET, 0, 12));
    STEP_EVENT(begin_of(3, HF_PURPOSE_BRACKET, 1, 13));
    return HF_OK;
}

__attribute__((unused)) static int step_edges_loaded(struct hf_run *run, struct hf_error *error)
{
    STEP_EVENT(event_of(HF_EVENT_TRIAL_LOADED, 2, HF_GROUP_NONE));
    STEP_EVENT(event_of(HF_EVENT_TRIAL_LOADED, 3, HF_GROUP_NONE));
    return HF_OK;
}

__attribute__((unused)) static int step_exposure(struct hf_run *run, struct hf_error *error)
{
    struct hf_event events[2] = {progress_of(2, 4.75, 251), progress_of(3, 4.5, 249)};
    int code = hf_run_add_exposure(run, events, 2, error);

    if (code == HF_OK)
        script_added(run);
    return code;
}

__attribute__((unused)) static int step_fail(struct hf_run *run, struct hf_error *error)
{
    STEP_RECORD(HF_RECORD_MISMATCH, "kernel", "multiply");
    STEP_EVENT(verdict_of(2, HF_VERDICT_FAIL, HF_CAUSE_WRONG_RESULT, 0, 6.25, 300));
    return HF_OK;
}

__attribute__((unused)) static int step_reset(struct hf_run *run, struct hf_error *error)
{
    STEP_EVENT(event_of(HF_EVENT_RESET, 0, HF_GROUP_NONE));
    STEP_EVENT(verdict_of(3, HF_VERDICT_FAIL, HF_CAUSE_MACHINE_RESET, HF_GROUP_NONE, 4.5, 249));
    return HF_OK;
}

__attribute__((unused)) static int step_end(struct hf_run *run, struct hf_error *error)
{
    STEP_RECORD(HF_RECORD_SESSION_END, "reason", "a person asked for it");
    return HF_OK;
}

static script_step *const script[] = {
    step_session, step_baseline,     step_baseline_loaded, step_baseline_pass,
    step_edges,   step_edges_loaded, step_exposure,        step_fail,
    step_reset,   step_end};
#define SCRIPT_STEPS      ((int)(sizeof script / sizeof script[0]))
#define SCRIPT_LONG_STEPS 7  /* of several lines */
#define SCRIPT_RECORDS    21 /* run-begin and what the steps add */

#endif
