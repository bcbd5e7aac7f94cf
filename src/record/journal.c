/*
 * The journal: opening and appending. The format is specified in holdfast/journal.h, reading is in
 * journal_verify.c, one line in journal_line.c.
 *
 * Invariants (journal_check)
 *  1. Bytes 0 .. size-1 of the file are the `records` acknowledged lines; this process wrote or verified
 *     each of them.
 *  2. `staged` holds whole lines with sequence numbers records+1 .. records+staged_count, chained to
 *     last_crc, all naming records+1 as their commit (detach_last_line() gives the last one its own before
 *     it is written); only while a line is open it ends in the beginning of one more.
 *  3. Once `failure` is set nothing is written any more, whatever is called.
 *  4. The directory is synced with the first record and never needs to be again.
 *
 *          hf_journal_open          begin           end
 *   (none) --------------> CLEAN ---------> LINE ---------> STAGED (begin: LINE again)
 *                            ^                                | commit: write, sync, read back
 *                            +----------- all well -----------+--- anything else ---> FAILED, for good
 */
#include <assert.h>
#include <errno.h>
#include <fcntl.h>
#include <inttypes.h>
#include <limits.h>
#include <stdio.h>
#include <string.h>
#include <sys/random.h>
#include <sys/stat.h>
#include <sys/statvfs.h>
#include <unistd.h>

#include "base/memory.h"
#include "holdfast/checksum.h"
#include "record/record_private.h"

#define RESERVE_BYTES ((size_t)16 * 1024 * 1024)
#define READ_BACK_MAX 65536
#define COMMIT_SLACK  20 /* digits by which detach_last_line() may lengthen a line */

struct hf_journal {
    char *directory;
    char *path;
    struct hf_journal_file_ops ops;
    const struct hf_clock *clock;
    char boot[HF_BOOT_ID_MAX];
    uint64_t salt;
    int read_only;
    int fd;
    hf_commit_witness *witness;
    void *witness_context;

    /* acknowledged */
    uint64_t records;
    uint32_t last_crc;
    int64_t last_wall_ns;
    int64_t size;
    size_t reserve_bytes;

    /* staged */
    struct hf_text staged;
    uint64_t staged_count;
    uint32_t staged_crc;    /* of the last staged line; last_crc when there is none */
    int64_t staged_wall_ns; /* of the last staged line; last_wall_ns when there is none */
    size_t line_start;      /* of the line that is open or was staged last */
    uint32_t line_prev;     /* what its prev is */
    int64_t line_wall_ns;
    int line_open;
    struct hf_json_writer writer;

    struct hf_error failure; /* the sticky one */
};

/* --- the outside ---------------------------------------------------------------------------------------- */

static long real_write(int fd, const void *bytes, size_t size)
{
    return write(fd, bytes, size);
}

static long real_read_at(int fd, void *bytes, size_t size, int64_t offset)
{
    return pread(fd, bytes, size, offset);
}

static int real_truncate(int fd, int64_t size)
{
    return ftruncate(fd, size);
}

const struct hf_journal_file_ops hf_journal_file_ops_real = {real_write, fdatasync, fsync, real_read_at,
                                                             real_truncate};

static void journal_check(const struct hf_journal *journal)
{
    assert(journal->fd >= 0 && journal->size >= 0);
    assert((journal->staged_count > 0) <= (journal->staged.size > 0));
    assert(journal->line_open || (journal->staged_count == 0) == (journal->staged.size == 0));
    assert(journal->staged_count > 0 || journal->staged_crc == journal->last_crc);
    assert(!journal->read_only || journal->staged_count == 0);
}

/* --- small things --------------------------------------------------------------------------------------- */

static char *joined_path(const char *directory, const char *name)
{
    size_t length = strlen(directory);
    size_t size = length + strlen(name) + 2;
    char *path = hf_allocate(size, 1);

    if (path != NULL)
        (void)snprintf(path, size, "%s%s%s", directory, length > 0 && directory[length - 1] == '/' ? "" : "/",
                       name);
    return path;
}

static int read_exactly(const struct hf_journal *journal, char *bytes, size_t size, int64_t offset,
                        struct hf_error *error)
{
    while (size > 0) {
        long got = journal->ops.read_at(journal->fd, bytes, size, offset);

        if (got < 0 && errno == EINTR)
            continue;
        if (got < 0)
            return hf_fail_errno(error, errno, "cannot read %s", journal->path);
        if (got == 0)
            return hf_fail(error, HF_E_IO, "%s ends at byte %" PRId64 ", %zu bytes too early", journal->path,
                           offset, size);
        bytes += got;
        size -= (size_t)got;
        offset += got;
    }
    return HF_OK;
}

static int sync_folder(const struct hf_journal *journal, struct hf_error *error)
{
    int fd = open(journal->directory, O_RDONLY | O_DIRECTORY | O_CLOEXEC);
    int code = HF_OK;

    if (fd < 0)
        return hf_fail_errno(error, errno, "cannot open the directory %s", journal->directory);
    if (journal->ops.sync_folder(fd) != 0)
        code = hf_fail_errno(error, errno, "cannot sync the directory %s", journal->directory);
    (void)close(fd); /* read only: nothing can be lost */
    return code;
}

/* One write, whole or failed. A short write of a regular file means that the disk is full; what it left
 * behind is a torn tail for the next opening. */
static int write_once(const struct hf_journal *journal, int fd, const char *name, const char *bytes,
                      size_t size, struct hf_error *error)
{
    long put;

    do {
        put = journal->ops.write(fd, bytes, size);
    } while (put < 0 && errno == EINTR);
    if (put < 0)
        return hf_fail_errno(error, errno, "cannot write %s", name);
    if ((size_t)put != size)
        return hf_fail(error, HF_E_FULL, "only %ld of %zu bytes could be written to %s: is the disk full?",
                       put, size, name);
    return HF_OK;
}

/* --- opening ------------------------------------------------------------------------------------------- */

static int open_file(struct hf_journal *journal, struct hf_error *error)
{
    int flags = O_CLOEXEC | O_NOFOLLOW | O_NONBLOCK | O_NOCTTY;
    struct stat status;

    journal->fd =
        open(journal->path, flags | (journal->read_only ? O_RDONLY : O_RDWR | O_APPEND | O_CREAT), 0600);
    if (journal->fd < 0)
        return hf_own_open_failed(errno, journal->path, error);
    if (fstat(journal->fd, &status) != 0)
        return hf_fail_errno(error, errno, "cannot stat %s", journal->path);
    if (!S_ISREG(status.st_mode))
        return hf_fail(error, HF_E_INPUT, "%s is not a regular file", journal->path);
    if (!journal->read_only && hf_own_file(journal->fd, journal->path, error) != HF_OK)
        return error->code;
    if (status.st_size > HF_JOURNAL_BYTES_MAX)
        return hf_fail(error, HF_E_RANGE, "%s has %" PRId64 " bytes; a journal has at most %d", journal->path,
                       (int64_t)status.st_size, HF_JOURNAL_BYTES_MAX);
    journal->size = status.st_size;
    return HF_OK;
}

static int load(const struct hf_journal *journal, char **ret_bytes, struct hf_error *error)
{
    char *bytes = hf_allocate((size_t)journal->size + 1, 1);

    if (bytes == NULL)
        return hf_fail(error, HF_E_MEMORY, "no memory for the %" PRId64 " bytes of %s", journal->size,
                       journal->path);
    if (read_exactly(journal, bytes, (size_t)journal->size, 0, error) != HF_OK) {
        hf_free(bytes);
        return error->code;
    }
    *ret_bytes = bytes;
    return HF_OK;
}

/* The torn bytes reach journal.torn, synced, before the journal is cut: no byte is ever lost, at worst one
 * stands in both files when this is interrupted. */
static int keep_torn(const struct hf_journal *journal, const char *bytes, size_t size, struct hf_error *error)
{
    char *path = joined_path(journal->directory, "journal.torn");
    int fd =
        path ? open(path, O_WRONLY | O_APPEND | O_CREAT | O_CLOEXEC | O_NOFOLLOW | O_NONBLOCK, 0600) : -1;
    int code = HF_OK;

    if (path == NULL)
        return hf_fail(error, HF_E_MEMORY, "no memory for a path");
    if (fd < 0)
        code = hf_own_open_failed(errno, path, error);
    if (code == HF_OK)
        code = hf_own_file(fd, path, error);
    if (code == HF_OK)
        code = write_once(journal, fd, path, bytes, size, error);
    if (code == HF_OK && journal->ops.sync(fd) != 0)
        code = hf_fail_errno(error, errno, "cannot sync %s", path);
    if (fd >= 0 && close(fd) != 0 && code == HF_OK)
        code = hf_fail_errno(error, errno, "cannot close %s", path);
    if (code == HF_OK)
        code = sync_folder(journal, error);
    hf_free(path);
    return code;
}

static int move_tail_aside(struct hf_journal *journal, const char *bytes, size_t good_size,
                           struct hf_error *error)
{
    if (keep_torn(journal, bytes + good_size, (size_t)journal->size - good_size, error) != HF_OK)
        return error->code;
    if (journal->ops.truncate(journal->fd, (int64_t)good_size) != 0)
        return hf_fail_errno(error, errno, "cannot cut %s back to its %zu valid bytes", journal->path,
                             good_size);
    if (journal->ops.sync(journal->fd) != 0)
        return hf_fail_errno(error, errno, "cannot sync %s", journal->path);
    return HF_OK;
}

/* Blocks beyond the end of the file, kept out of its size: a full disk shows now, not in a trial. Where the
 * file system cannot reserve, at least the room must be there. */
static int reserve(struct hf_journal *journal, struct hf_error *error)
{
    struct statvfs room;
    struct stat status;
    int64_t held;

    if (fstat(journal->fd, &status) != 0 || fstatvfs(journal->fd, &room) != 0)
        return hf_fail_errno(error, errno, "cannot tell the free space for %s", journal->path);
    held = (int64_t)status.st_blocks * 512 - journal->size;
    if (held < 0)
        held = 0;
    if (held >= (int64_t)journal->reserve_bytes)
        return HF_OK;
    if ((double)room.f_bavail * (double)room.f_frsize < (double)((int64_t)journal->reserve_bytes - held))
        return hf_fail(error, HF_E_FULL,
                       "the disk has no room for a night's journal: %s needs %zu bytes; free some, or choose "
                       "another directory with --run",
                       journal->path, journal->reserve_bytes);
    if (fallocate(journal->fd, FALLOC_FL_KEEP_SIZE, journal->size, (off_t)journal->reserve_bytes) == 0)
        return HF_OK;
    if (errno == EOPNOTSUPP || errno == ENOSYS || errno == EINTR)
        return HF_OK; /* the room was there a moment ago: that has to do */
    return hf_fail_errno(error, errno, "cannot reserve %zu bytes for a night's journal in %s",
                         journal->reserve_bytes, journal->path);
}

static int recover(struct hf_journal *journal, int salvage, hf_record_visitor *visitor, void *context,
                   struct hf_journal_opening *ret_opening, struct hf_error *error)
{
    struct hf_verified found;
    char *bytes = NULL;
    int code = load(journal, &bytes, error);

    if (code != HF_OK)
        return code;
    code = hf_journal_verify(bytes, (size_t)journal->size, journal->path, salvage, visitor, context, &found,
                             error);
    if (code == HF_OK && found.torn && !journal->read_only)
        code = move_tail_aside(journal, bytes, found.good_size, error);
    hf_free(bytes);
    if (code != HF_OK)
        return code;
    *ret_opening = (struct hf_journal_opening){.records = found.records,
                                               .last_crc = found.last_crc,
                                               .torn = found.torn,
                                               .torn_bytes = (uint64_t)journal->size - found.good_size};
    journal->records = found.records;
    journal->last_crc = journal->staged_crc = found.last_crc;
    journal->last_wall_ns = journal->staged_wall_ns = found.last_wall_ns;
    journal->size = (int64_t)found.good_size;
    return HF_OK;
}

static int draw_salt(struct hf_journal *journal, struct hf_error *error)
{
    while (journal->salt == 0) {
        if (getrandom(&journal->salt, sizeof journal->salt, 0) < 0 && errno != EINTR)
            return hf_fail_errno(error, errno, "cannot draw a salt for %s", journal->path);
    }
    return HF_OK;
}

/* A member that is NULL is the real one. */
static void choose_ops(struct hf_journal_file_ops *ops, const struct hf_journal_file_ops *given)
{
    *ops = hf_journal_file_ops_real;
    if (given == NULL)
        return;
    ops->write = given->write ? given->write : ops->write;
    ops->sync = given->sync ? given->sync : ops->sync;
    ops->sync_folder = given->sync_folder ? given->sync_folder : ops->sync_folder;
    ops->read_at = given->read_at ? given->read_at : ops->read_at;
    ops->truncate = given->truncate ? given->truncate : ops->truncate;
}

static int journal_new(const char *directory, const struct hf_journal_options *options,
                       struct hf_journal **ret_journal, struct hf_error *error)
{
    struct hf_journal *journal = NULL;

    if (!options->read_only && (options->boot_id == NULL || !hf_boot_id_is_valid(options->boot_id)))
        return hf_fail(error, HF_E_INPUT, "the boot id \"%.80s\" is not 1 to %d bytes of A-Z a-z 0-9 + - . _",
                       options->boot_id ? options->boot_id : "", HF_BOOT_ID_MAX - 1);
    journal = hf_allocate(1, sizeof *journal);
    if (journal == NULL)
        return hf_fail(error, HF_E_MEMORY, "no memory for a journal");
    journal->fd = -1;
    journal->read_only = options->read_only;
    journal->clock = options->clock ? options->clock : &hf_clock_real;
    choose_ops(&journal->ops, options->file_ops);
    journal->salt = options->salt;
    journal->witness = options->witness;
    journal->witness_context = options->witness_context;
    journal->reserve_bytes = options->reserve_bytes ? options->reserve_bytes : RESERVE_BYTES;
    hf_text_init(&journal->staged, HF_JOURNAL_COMMIT_MAX);
    (void)snprintf(journal->boot, sizeof journal->boot, "%s", options->read_only ? "" : options->boot_id);
    journal->directory = joined_path(directory, "");
    journal->path = joined_path(directory, "journal.jsonl");
    if (journal->directory == NULL || journal->path == NULL) {
        hf_journal_close(journal);
        return hf_fail(error, HF_E_MEMORY, "no memory for a path");
    }
    *ret_journal = journal;
    return HF_OK;
}

int hf_journal_open(const char *directory, const struct hf_journal_options *options,
                    hf_record_visitor *visitor, void *context, struct hf_journal **ret_journal,
                    struct hf_journal_opening *ret_opening, struct hf_error *error)
{
    struct hf_journal_opening opening;
    struct hf_journal *journal = NULL;
    int code = journal_new(directory, options, &journal, error);

    if (code != HF_OK)
        return code;
    code = open_file(journal, error);
    if (code == HF_OK)
        code = recover(journal, options->salvage, visitor, context, &opening, error);
    if (code == HF_OK && !journal->read_only)
        code = reserve(journal, error);
    if (code == HF_OK && !journal->read_only && journal->records == 0)
        code = draw_salt(journal, error);
    if (code != HF_OK) {
        hf_journal_close(journal);
        return code;
    }
    journal_check(journal);
    if (ret_opening != NULL)
        *ret_opening = opening;
    *ret_journal = journal;
    return HF_OK;
}

/* Gives the reserved blocks back, so that a hundred finished runs do not keep a hundred nights of space. Only
 * when the file is exactly what was acknowledged; failing to do so harms nobody. */
static void release_reserve(const struct hf_journal *journal)
{
    struct stat status;

    if (journal->read_only || journal->failure.code != HF_OK || journal->fd < 0)
        return;
    if (fstat(journal->fd, &status) == 0 && status.st_size == journal->size)
        (void)journal->ops.truncate(journal->fd, journal->size);
}

void hf_journal_close(struct hf_journal *journal)
{
    if (journal == NULL)
        return;
    if (journal->fd >= 0) {
        release_reserve(journal);
        (void)close(journal->fd); /* everything acknowledged is synced already */
    }
    hf_text_release(&journal->staged);
    hf_free(journal->path);
    hf_free(journal->directory);
    hf_free(journal);
}

/* --- staging ------------------------------------------------------------------------------------------- */

static int64_t held_wall_ns(const struct hf_journal *journal)
{
    int64_t now = hf_clock_wall_ns(journal->clock) / 1000000 * 1000000; /* as precise as the line */

    return now > journal->staged_wall_ns ? now : journal->staged_wall_ns;
}

struct hf_json_writer *hf_journal_begin(struct hf_journal *journal, enum hf_record_type type)
{
    int64_t monotonic_ms = hf_clock_monotonic_ns(journal->clock) / 1000000;
    struct hf_line line = {.sequence = journal->records + journal->staged_count + 1,
                           .commit = journal->records + 1,
                           .type = (int)type,
                           .monotonic_ms = monotonic_ms > 0 ? monotonic_ms : 0,
                           .wall_ns = held_wall_ns(journal)};

    assert(!journal->line_open && !journal->read_only);
    assert((type == HF_RECORD_RUN_BEGIN) == (line.sequence == 1));
    journal_check(journal);
    memcpy(line.boot, journal->boot, sizeof line.boot);
    journal->line_start = journal->staged.size;
    journal->line_prev = journal->staged_crc;
    journal->line_wall_ns = line.wall_ns;
    journal->line_open = 1;
    hf_line_open(&journal->staged, &line);
    hf_json_begin(&journal->writer, &journal->staged, 0);
    hf_json_object_open(&journal->writer, NULL);
    if (type == HF_RECORD_RUN_BEGIN) {
        char salt[HF_SALT_TEXT];

        hf_salt_format(journal->salt, salt);
        journal->line_prev = hf_crc32c(0, salt, strlen(salt));
        hf_json_integer(&journal->writer, "version", HF_JOURNAL_VERSION);
        hf_json_string(&journal->writer, "salt", salt);
    }
    return &journal->writer;
}

/* Forgets the open line. */
static void drop_line(struct hf_journal *journal)
{
    journal->staged.size = journal->line_start;
    journal->staged.overflowed = 0;
    if (journal->staged.capacity > 0)
        journal->staged.bytes[journal->staged.size] = '\0';
}

static int sticky(const struct hf_journal *journal, struct hf_error *error)
{
    return hf_fail(error, HF_E_STICKY, "nothing more is written to %s since an earlier failure: %s",
                   journal->path, journal->failure.message);
}

/* Words from outside (firmware, logs) may be in any encoding; a line must be UTF-8 or nobody can read the run
 * again. */
static void make_utf8(char *bytes, size_t size)
{
    if (hf_text_is_utf8(bytes, size))
        return;
    for (size_t i = 0; i < size; i++) {
        if ((unsigned char)bytes[i] >= 0x80)
            bytes[i] = '?';
    }
}

static int line_is_sound(const struct hf_journal *journal)
{
    struct hf_line line;

    return !journal->staged.overflowed && journal->staged.size <= HF_JOURNAL_COMMIT_MAX &&
           hf_line_scan(journal->staged.bytes + journal->line_start,
                        journal->staged.size - journal->line_start, &line) == HF_LINE_GOOD;
}

int hf_journal_end(struct hf_journal *journal, struct hf_error *error)
{
    uint32_t crc;

    assert(journal->line_open && journal->writer.depth == 1);
    journal->line_open = 0;
    if (journal->failure.code != HF_OK) {
        drop_line(journal);
        return sticky(journal, error);
    }
    hf_json_object_close(&journal->writer);
    make_utf8(journal->staged.bytes + journal->line_start, journal->staged.size - journal->line_start);
    crc = hf_line_close(&journal->staged, journal->line_start, journal->line_prev);
    if (!line_is_sound(journal) ||
        journal->staged.size - journal->line_start > HF_JOURNAL_LINE_MAX - COMMIT_SLACK ||
        journal->staged.size > HF_JOURNAL_COMMIT_MAX - COMMIT_SLACK) {
        drop_line(journal);
        return hf_fail(error, HF_E_RANGE,
                       "a record is too long for %s: a line has at most %d bytes, the lines of one commit %d",
                       journal->path, HF_JOURNAL_LINE_MAX - COMMIT_SLACK,
                       HF_JOURNAL_COMMIT_MAX - COMMIT_SLACK);
    }
    journal->staged_count++;
    journal->staged_crc = crc;
    journal->staged_wall_ns = journal->line_wall_ns;
    journal_check(journal);
    return HF_OK;
}

void hf_journal_last_line(const struct hf_journal *journal, const char **ret_bytes, size_t *ret_size)
{
    assert(journal->staged_count > 0 && !journal->line_open);
    *ret_bytes = journal->staged.bytes + journal->line_start;
    *ret_size = journal->staged.size - journal->line_start;
}

void hf_journal_give_up(struct hf_journal *journal, const struct hf_error *error)
{
    assert(error->code != HF_OK);
    if (journal->failure.code == HF_OK)
        journal->failure = *error;
}

const char *hf_journal_path(const struct hf_journal *journal)
{
    return journal->path;
}

/* --- committing ---------------------------------------------------------------------------------------- */

/* This program runs on a machine that is being made to fail: what the kernel holds must be what was meant. */
static int read_back(const struct hf_journal *journal, struct hf_error *error)
{
    char buffer[READ_BACK_MAX];

    for (size_t done = 0; done < journal->staged.size;) {
        size_t part = journal->staged.size - done;

        if (part > sizeof buffer)
            part = sizeof buffer;
        if (read_exactly(journal, buffer, part, journal->size + (int64_t)done, error) != HF_OK)
            return error->code;
        if (memcmp(buffer, journal->staged.bytes + done, part) != 0)
            return hf_fail(error, HF_E_IO,
                           "%s does not read back as it was written, from byte %" PRId64 " on", journal->path,
                           journal->size + (int64_t)done);
        done += part;
    }
    return HF_OK;
}

static int write_and_sync(const struct hf_journal *journal, size_t from, size_t to, struct hf_error *error)
{
    if (write_once(journal, journal->fd, journal->path, journal->staged.bytes + from, to - from, error) !=
        HF_OK)
        return error->code;
    /* After a failed sync the kernel calls the pages clean and a second sync succeeds with the data gone:
     * never retried. */
    if (journal->ops.sync(journal->fd) != 0)
        return hf_fail_errno(error, errno, "cannot sync %s", journal->path);
    return HF_OK;
}

/* Gives the last of several staged lines a commit of its own. */
static int detach_last_line(struct hf_journal *journal, struct hf_error *error)
{
    struct hf_text data;
    struct hf_line line;

    if (hf_line_scan(journal->staged.bytes + journal->line_start, journal->staged.size - journal->line_start,
                     &line) != HF_LINE_GOOD)
        return hf_fail(error, HF_E_IO, "a line staged for %s has changed in memory", journal->path);
    hf_text_init(&data, HF_JOURNAL_LINE_MAX);
    hf_text_add(&data, line.data, line.data_size);
    drop_line(journal);
    line.commit = line.sequence;
    hf_line_open(&journal->staged, &line);
    hf_text_add(&journal->staged, data.bytes, data.size);
    journal->staged_crc = hf_line_close(&journal->staged, journal->line_start, journal->line_prev);
    if (data.overflowed || !line_is_sound(journal))
        (void)hf_fail(error, HF_E_MEMORY, "no room for the last line staged for %s", journal->path);
    hf_text_release(&data);
    return error->code;
}

/* The last line of a commit is written when all before it is durable: a damaged line that has a line of
 * another commit after it was acknowledged once, and is never taken for a torn tail. */
static int make_durable(struct hf_journal *journal, struct hf_error *error)
{
    size_t last = 0;

    if (journal->staged_count > 1) {
        if (detach_last_line(journal, error) != HF_OK)
            return error->code;
        last = journal->line_start;
        if (write_and_sync(journal, 0, last, error) != HF_OK)
            return error->code;
    }
    if (write_and_sync(journal, last, journal->staged.size, error) != HF_OK)
        return error->code;
    if (journal->records == 0 && sync_folder(journal, error) != HF_OK)
        return error->code;
    return read_back(journal, error);
}

int hf_journal_commit(struct hf_journal *journal, struct hf_error *error)
{
    assert(!journal->line_open);
    journal_check(journal);
    if (journal->failure.code != HF_OK)
        return sticky(journal, error);
    if (journal->staged_count == 0)
        return HF_OK;
    if (journal->witness != NULL)
        journal->witness(journal->witness_context, 0, journal->records + journal->staged_count, 0);
    if (make_durable(journal, &journal->failure) != HF_OK) {
        if (error->code == HF_OK)
            *error = journal->failure;
        return journal->failure.code;
    }
    journal->records += journal->staged_count;
    journal->size += (int64_t)journal->staged.size;
    journal->last_crc = journal->staged_crc;
    journal->last_wall_ns = journal->staged_wall_ns;
    journal->staged_count = 0;
    hf_text_clear(&journal->staged);
    journal_check(journal);
    if (journal->witness != NULL)
        journal->witness(journal->witness_context, 1, journal->records, journal->last_crc);
    return HF_OK;
}

int hf_journal_failed(const struct hf_journal *journal)
{
    return journal->failure.code != HF_OK;
}

uint64_t hf_journal_records(const struct hf_journal *journal)
{
    return journal->records;
}

uint32_t hf_journal_last_crc(const struct hf_journal *journal)
{
    return journal->last_crc;
}
