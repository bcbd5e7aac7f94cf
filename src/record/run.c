/*
 * Runs: the directory, the frozen profile, the lock, and the one door through which records enter journal and
 * state.
 *
 * Invariants
 *  1. Who holds a writable run holds the lock on its profile.json, and the directory has no other
 *     profile.json: creating one happens under a lock of the directory, and only when there is none.
 *  2. profile.json is written before the journal's first line, which holds its digest; neither is ever
 *     replaced.
 *  3. `state` is the fold of all lines of the journal, the staged ones included, each read as a replay would
 *     read it. When a line cannot be folded, nothing is written any more.
 *
 * The lock is of the open file description (F_OFD_SETLK): a plain fcntl lock would be dropped as soon as this
 * process closed any other descriptor of the file, for instance after reading it.
 */
#include <assert.h>
#include <errno.h>
#include <fcntl.h>
#include <limits.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/file.h>
#include <sys/stat.h>
#include <unistd.h>

#include "base/memory.h"
#include "record/record_private.h"

#ifndef HOLDFAST_VERSION
#define HOLDFAST_VERSION "0"
#endif

/* --- paths and directories ------------------------------------------------------------------------------ */

int hf_run_default_directory(const char *profile_name, char *ret_path, size_t size, struct hf_error *error)
{
    const char *state =
        getenv("XDG_STATE_HOME"); /* XDG Base Directory Specification: relative ones are ignored */
    const char *home = getenv("HOME");
    char path[PATH_MAX];
    int length;

    if (state != NULL && state[0] == '/')
        length = snprintf(path, sizeof path, "%s/holdfast/%s", state, profile_name);
    else if (home != NULL && home[0] == '/')
        length = snprintf(path, sizeof path, "%s/.local/state/holdfast/%s", home, profile_name);
    else
        return hf_fail(error, HF_E_USAGE,
                       "there is no place for runs: neither XDG_STATE_HOME nor HOME is an absolute path; "
                       "give --run DIR");
    if (length >= (int)sizeof path || (size_t)length >= size)
        return hf_fail(error, HF_E_RANGE, "the path of the run directory is too long; give --run DIR");
    (void)snprintf(ret_path, size, "%s", path);
    return HF_OK;
}

static int path_in(const char *directory, const char *name, char ret_path[PATH_MAX], struct hf_error *error)
{
    if (snprintf(ret_path, PATH_MAX, "%s/%s", directory, name) >= PATH_MAX)
        return hf_fail(error, HF_E_RANGE, "the path %.60s.../%s is too long", directory, name);
    return HF_OK;
}

/* Makes a new directory's entry in its parent durable. */
static int sync_parent(const char *path, struct hf_error *error)
{
    char parent[PATH_MAX];
    const char *slash = strrchr(path, '/');
    int size = slash == NULL ? 0 : slash == path ? 1 : (int)(slash - path);
    int code = HF_OK;
    int fd;

    (void)snprintf(parent, sizeof parent, "%.*s", slash ? size : 1, slash ? path : ".");
    fd = open(parent, O_RDONLY | O_DIRECTORY | O_CLOEXEC);
    if (fd < 0)
        return hf_fail_errno(error, errno, "cannot open the directory %s", parent);
    if (fsync(fd) != 0)
        code = hf_fail_errno(error, errno, "cannot sync the directory %s", parent);
    (void)close(fd); /* read only */
    return code;
}

static int make_directory(const char *path, struct hf_error *error)
{
    if (mkdir(path, 0700) == 0)
        return sync_parent(path, error);
    return errno == EEXIST ? HF_OK : hf_fail_errno(error, errno, "cannot make the directory %s", path);
}

/* The directory and whatever is missing above it; mode 0700: a run belongs to whoever made it. */
static int make_directories(const char *directory, struct hf_error *error)
{
    char path[PATH_MAX];
    int length = snprintf(path, sizeof path, "%s", directory);

    if (length >= (int)sizeof path || length == 0)
        return hf_fail(error, HF_E_RANGE, "the path of the run directory must have 1 to %d bytes",
                       PATH_MAX - 1);
    for (int i = 1; i < length; i++) {
        if (path[i] != '/' || path[i - 1] == '/')
            continue;
        path[i] = '\0';
        if (make_directory(path, error) != HF_OK)
            return error->code;
        path[i] = '/';
    }
    while (length > 1 && path[length - 1] == '/')
        path[--length] = '\0';
    return make_directory(path, error);
}

/* --- freezing and locking ------------------------------------------------------------------------------- */

static int is_there(const char *directory, const char *name)
{
    char path[PATH_MAX];
    struct stat status;

    return snprintf(path, sizeof path, "%s/%s", directory, name) < (int)sizeof path &&
           lstat(path, &status) == 0;
}

/* While it is open nobody else creates a run in this directory. */
static int lock_directory(const char *directory, int *ret_fd, struct hf_error *error)
{
    int fd;

    if (hf_own_directory(directory, &fd, error) != HF_OK)
        return error->code;
    if (flock(fd, LOCK_EX | LOCK_NB) != 0) {
        int code = errno == EWOULDBLOCK
                       ? hf_fail(error, HF_E_BUSY, "another process is just opening the run in %s", directory)
                       : hf_fail_errno(error, errno, "cannot lock %s", directory);

        (void)close(fd);
        return code;
    }
    *ret_fd = fd;
    return HF_OK;
}

static int freeze_profile(const char *directory, const char *path, const struct hf_profile *profile,
                          struct hf_error *error)
{
    if (is_there(directory, "profile.json"))
        return HF_OK;
    if (is_there(directory, "journal.jsonl"))
        return hf_fail(
            error, HF_E_NOT_FOUND,
            "%s holds a journal but its frozen profile.json is missing: put it back, or choose another "
            "directory",
            directory);
    if (profile == NULL)
        return hf_fail(error, HF_E_NOT_FOUND, "%s holds no run: give --profile FILE to begin one", directory);
    return hf_text_write_private(&profile->document, path, error);
}

static int lock_profile(const char *path, int *ret_fd, struct hf_error *error)
{
    struct flock whole = {.l_type = F_WRLCK, .l_whence = SEEK_SET};
    int fd = open(path, O_RDWR | O_CLOEXEC | O_NOFOLLOW | O_NONBLOCK);

    if (fd < 0)
        return hf_own_open_failed(errno, path, error);
    if (hf_own_file(fd, path, error) != HF_OK) {
        (void)close(fd);
        return error->code;
    }
    if (fcntl(fd, F_OFD_SETLK, &whole) != 0) {
        int code = errno == EAGAIN || errno == EACCES
                       ? hf_fail(error, HF_E_BUSY, "another supervisor holds this run: %s is locked", path)
                       : hf_fail_errno(error, errno, "cannot lock %s", path);

        (void)close(fd);
        return code;
    }
    *ret_fd = fd;
    return HF_OK;
}

/* Freezes if need be, and locks. */
static int take(struct hf_run *run, const struct hf_profile *profile, const char *profile_path,
                struct hf_error *error)
{
    int directory_fd = -1;
    int code;

    if (profile != NULL && make_directories(run->directory, error) != HF_OK)
        return error->code;
    if (lock_directory(run->directory, &directory_fd, error) != HF_OK)
        return error->code;
    code = freeze_profile(run->directory, profile_path, profile, error);
    if (code == HF_OK)
        code = lock_profile(profile_path, &run->lock_fd, error);
    (void)close(directory_fd); /* the lock of the profile has taken over */
    return code;
}

/* --- reading the run ------------------------------------------------------------------------------------ */

static int fold_and_show(void *context, const struct hf_record *record, struct hf_error *error)
{
    struct hf_run *run = context;
    int code = hf_run_fold_visiting(&run->state, record, run->clock_factor, run->event_visitor,
                                    run->event_context, error);

    if (code == HF_OK && run->record_visitor != NULL)
        code = run->record_visitor(run->record_context, record, error);
    return code;
}

static int read_frozen(struct hf_run *run, const struct hf_run_options *options, const char *path,
                       struct hf_error *error)
{
    if (hf_profile_read(path, &run->profile, error) != HF_OK)
        return error->code;
    if (options->profile != NULL && strcmp(options->profile->digest, run->profile->digest) != 0)
        return hf_fail(
            error, HF_E_MISMATCH,
            "the profile given (%s) is not the one this run was begun with (%s, %s): leave --profile out to "
            "go on, or choose another directory with --run",
            options->profile->name, run->profile->name, path);
    run->clock_factor = run->profile->has_rig && strcmp(run->profile->driver, "rig") == 0
                            ? run->profile->rig.clock_factor
                            : 1;
    return HF_OK;
}

static int check_journal(const struct hf_run *run, const struct hf_run_options *options,
                         struct hf_error *error)
{
    const struct hf_run_state *state = &run->state;

    if (state->records == 0)
        return HF_OK;
    if (strcmp(state->profile_digest, run->profile->digest) != 0)
        return hf_fail(
            error, HF_E_MISMATCH,
            "%s/profile.json has been changed since the run began (its digest is not the journal's): put "
            "the original back",
            run->directory);
    if (options->method != NULL && strcmp(options->method, state->method) != 0)
        return hf_fail(error, HF_E_MISMATCH, "the run in %s searches by %s, not by %s", run->directory,
                       state->method, options->method);
    return HF_OK;
}

static int begin_run(struct hf_run *run, const char *method, struct hf_error *error)
{
    struct hf_json_writer *writer = hf_run_begin_record(run, HF_RECORD_RUN_BEGIN);

    hf_json_string(writer, "name", run->profile->name);
    hf_json_string(writer, "profile_digest", run->profile->digest);
    hf_json_u64(writer, "seed", run->profile->seed);
    hf_json_string(writer, "method", method ? method : run->profile->method);
    hf_json_string(writer, "tool", "holdfast " HOLDFAST_VERSION);
    if (hf_run_end_record(run, error) != HF_OK)
        return error->code;
    return hf_journal_commit(run->journal, error);
}

static int open_journal(struct hf_run *run, const struct hf_run_options *options, struct hf_error *error)
{
    struct hf_journal_options journal = options->journal;
    int code;

    journal.read_only = options->read_only;
    if (options->profile == NULL && !is_there(run->directory, "journal.jsonl"))
        return hf_fail(error, HF_E_NOT_FOUND,
                       "%s holds a profile but no journal: begin again with --profile %s/profile.json",
                       run->directory, run->directory);
    code = hf_journal_open(run->directory, &journal, fold_and_show, run, &run->journal, &run->opening, error);
    memcpy(run->boot_before, run->state.last_boot, sizeof run->boot_before);
    run->session_was_open = run->state.session_open;
    if (code == HF_OK)
        code = check_journal(run, options, error);
    if (code == HF_OK && run->state.records == 0 && options->read_only)
        code = hf_fail(error, HF_E_NOT_FOUND, "the run in %s has not begun: its journal is empty",
                       run->directory);
    return code;
}

static int run_new(const char *directory, const struct hf_run_options *options, struct hf_run **ret_run,
                   struct hf_error *error)
{
    struct hf_run *run = hf_allocate(1, sizeof *run);
    char *copy = hf_allocate(strlen(directory) + 1, 1);

    if (run == NULL || copy == NULL) {
        hf_free(run);
        hf_free(copy);
        return hf_fail(error, HF_E_MEMORY, "no memory for a run");
    }
    memcpy(copy, directory, strlen(directory));
    run->directory = copy;
    run->lock_fd = -1;
    run->event_visitor = options->event_visitor;
    run->event_context = options->event_context;
    run->record_visitor = options->record_visitor;
    run->record_context = options->record_context;
    run->observe_live = options->observe_live;
    *ret_run = run;
    return HF_OK;
}

int hf_run_open(const char *directory, const struct hf_run_options *options, struct hf_run **ret_run,
                struct hf_error *error)
{
    char profile_path[PATH_MAX];
    struct hf_run *run = NULL;
    int code = path_in(directory, "profile.json", profile_path, error);

    if (code == HF_OK)
        code = run_new(directory, options, &run, error);
    if (code != HF_OK)
        return code;
    if (!options->read_only)
        code = take(run, options->profile, profile_path, error);
    if (code == HF_OK)
        code = read_frozen(run, options, profile_path, error);
    if (code == HF_OK)
        code = open_journal(run, options, error);
    if (code == HF_OK && run->state.records == 0)
        code = begin_run(run, options->method, error);
    if (code != HF_OK) {
        hf_run_close(run);
        return code;
    }
    *ret_run = run;
    return HF_OK;
}

void hf_run_close(struct hf_run *run)
{
    if (run == NULL)
        return;
    hf_journal_close(run->journal);
    if (run->lock_fd >= 0)
        (void)close(run->lock_fd); /* after the journal: the lock goes last */
    hf_profile_free(run->profile);
    hf_free(run->directory);
    hf_free(run);
}

/* --- adding --------------------------------------------------------------------------------------------- */

/* Reads the line just staged as a replay would, and folds it. */
static int read_and_fold(struct hf_run *run, struct hf_error *error)
{
    struct cJSON *document = NULL;
    struct hf_record record;
    struct hf_line line;
    const char *bytes;
    size_t size;
    int code;

    hf_journal_last_line(run->journal, &bytes, &size);
    if (hf_line_scan(bytes, size, &line) != HF_LINE_GOOD)
        return hf_fail(error, HF_E_DAMAGED, "a line for %s cannot be read back",
                       hf_journal_path(run->journal));
    code = hf_line_to_record(&line, hf_journal_path(run->journal), &document, &record, error);
    if (code != HF_OK)
        return code;
    code = run->observe_live ? fold_and_show(run, &record, error)
                             : hf_run_fold(&run->state, &record, run->clock_factor, error);
    hf_json_document_free(document);
    return code;
}

/* A line that cannot be folded would make the run unreadable for ever: it must not reach the disk, and
 * neither must anything after it. */
static int fold_last_line(struct hf_run *run, struct hf_error *error)
{
    if (read_and_fold(run, error) != HF_OK)
        hf_journal_give_up(run->journal, error);
    return error->code;
}

int hf_run_add_event(struct hf_run *run, const struct hf_event *event, const char *reason,
                     struct hf_error *error)
{
    return hf_run_add_event_with(run, event, reason, NULL, NULL, error);
}

int hf_run_add_event_with(struct hf_run *run, const struct hf_event *event, const char *reason,
                          hf_payload_writer *extra, void *context, struct hf_error *error)
{
    if (hf_event_write_with(run->journal, event, reason, extra, context, error) != HF_OK)
        return error->code;
    return fold_last_line(run, error);
}

int hf_run_add_exposure(struct hf_run *run, const struct hf_event *events, int count, struct hf_error *error)
{
    while (count > 0) {
        int part = count < HF_EXPOSURE_TRIALS_MAX ? count : HF_EXPOSURE_TRIALS_MAX;

        if (hf_exposure_write(run->journal, events, part, error) != HF_OK)
            return error->code;
        if (fold_last_line(run, error) != HF_OK)
            return error->code;
        events += part;
        count -= part;
    }
    return HF_OK;
}

struct hf_json_writer *hf_run_begin_record(struct hf_run *run, enum hf_record_type type)
{
    return hf_journal_begin(run->journal, type);
}

int hf_run_end_record(struct hf_run *run, struct hf_error *error)
{
    if (hf_journal_end(run->journal, error) != HF_OK)
        return error->code;
    return fold_last_line(run, error);
}

double hf_run_time_s(const struct hf_run *run, int64_t wall_ns)
{
    double time_s = (double)(wall_ns - run->state.first_wall_ns) * 1e-9 * run->clock_factor;

    assert(run->clock_factor >= 1);
    return time_s > 0 ? time_s : 0;
}
