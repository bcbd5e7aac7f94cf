/*
 * Reading logs record by record without waiting.
 *
 * /dev/kmsg gives one record a read, EPIPE when records were overwritten before they were read (the next read
 * goes on behind the gap), EAGAIN when there is no more (kernel documentation, ABI/testing/dev-kmsg). A trace
 * pipe gives text in pieces that may end within a line.
 *
 * Invariant: the records counted as lost are those that the sequence numbers miss, each once.
 */
#include <assert.h>
#include <errno.h>
#include <fcntl.h>
#include <inttypes.h>
#include <stdio.h>
#include <string.h>
#include <unistd.h>

#include "base/memory.h"
#include "holdfast/hardware_errors.h"

#define BUFFER_BYTES 16384 /* a record has at most 8 KiB */

struct hf_log_reader {
    const struct hf_log_ops *ops;
    enum hf_log_kind kind;
    struct hf_error_joiner *joiner;
    int handle;
    int has_sequence, caught_up;
    uint64_t next_sequence;
    size_t kept;  /* bytes of an unfinished trace line at the buffer's start */
    int skipping; /* within a trace line that is longer than the buffer */
    struct hf_log_totals totals;
    char buffer[BUFFER_BYTES];
};

/* --- the real log ----------------------------------------------------------------------------------- */

static int real_open(void *context, const char *path)
{
    int fd = open(path, O_RDONLY | O_CLOEXEC | O_NONBLOCK);

    (void)context;
    return fd >= 0 ? fd : -errno;
}

static int real_read(void *context, int handle, char *ret_bytes, size_t size)
{
    ssize_t got;

    (void)context;
    do {
        got = read(handle, ret_bytes, size);
    } while (got < 0 && errno == EINTR);
    return got >= 0 ? (int)got : -errno;
}

static void real_close(void *context, int handle)
{
    (void)context;
    (void)close(handle);
}

const struct hf_log_ops hf_log_real = {real_open, real_read, real_close, NULL};

/* --- opening ---------------------------------------------------------------------------------------- */

int hf_log_reader_open(const struct hf_log_ops *ops, enum hf_log_kind kind, const char *path,
                       struct hf_error_joiner *joiner, struct hf_log_reader **ret_reader,
                       struct hf_error *error)
{
    struct hf_log_reader *reader;
    int handle;

    if (path == NULL)
        path = "/dev/kmsg";
    handle = ops->open(ops->context, path);
    if (handle == -EPERM || handle == -EACCES)
        return hf_fail(error, HF_E_PERMISSION, "cannot read %s: run as root%s", path,
                       kind == HF_LOG_KERNEL ? ", or set kernel.dmesg_restrict = 0 (sysctl); hardware errors "
                                               "are not seen otherwise"
                                             : "");
    if (handle < 0)
        return hf_fail_errno(error, -handle, "cannot read %s", path);
    reader = hf_allocate(1, sizeof *reader);
    if (reader == NULL) {
        ops->close(ops->context, handle);
        return hf_fail(error, HF_E_MEMORY, "no memory for reading %s", path);
    }
    reader->ops = ops;
    reader->kind = kind;
    reader->joiner = joiner;
    reader->handle = handle;
    *ret_reader = reader;
    return HF_OK;
}

void hf_log_reader_close(struct hf_log_reader *reader)
{
    if (reader == NULL)
        return;
    reader->ops->close(reader->ops->context, reader->handle);
    hf_free(reader);
}

int hf_log_reader_handle(const struct hf_log_reader *reader)
{
    return reader->handle;
}

void hf_log_reader_totals(const struct hf_log_reader *reader, struct hf_log_totals *ret_totals)
{
    *ret_totals = reader->totals;
}

/* --- records of the kernel's log -------------------------------------------------------------------- */

static void tell_loss(struct hf_log_reader *reader, uint64_t lost, int64_t boot_us, int64_t now_ns)
{
    struct hf_hardware_error event = {.source = HF_FROM_READER,
                                      .severity = HF_SEVERITY_NOTICE,
                                      .kind = HF_KIND_LOST,
                                      .cpu = -1,
                                      .group = -1,
                                      .bank = -1,
                                      .socket = -1,
                                      .apic = -1,
                                      .vendor = -1,
                                      .count = lost,
                                      .boot_us = boot_us};

    (void)snprintf(event.text, sizeof event.text,
                   "%" PRIu64 " records of the kernel's log were overwritten before they were read", lost);
    reader->totals.lost += lost;
    hf_error_joiner_event(reader->joiner, &event, now_ns);
}

/* Sequence numbers rise by one; below what is expected nothing is lost (the log was cleared and read anew).
 */
static void check_sequence(struct hf_log_reader *reader, const struct hf_kmsg_record *record, int64_t now_ns)
{
    if (!reader->has_sequence)
        reader->totals.begin_is_missing = record->sequence > 0;
    else if (record->sequence > reader->next_sequence)
        tell_loss(reader, record->sequence - reader->next_sequence, record->boot_us, now_ns);
    reader->has_sequence = 1;
    reader->next_sequence = record->sequence + 1;
}

/* Only the kernel itself can write facility 0: anything else may be a program's joke. */
static void take_record(struct hf_log_reader *reader, size_t size, int64_t now_ns)
{
    struct hf_kmsg_record record;

    reader->totals.records++;
    if (hf_kmsg_parse(reader->buffer, size, &record) != 0) {
        reader->totals.foreign++;
        return;
    }
    check_sequence(reader, &record, now_ns);
    if (record.facility != 0) {
        reader->totals.foreign++;
        return;
    }
    hf_error_joiner_line(reader->joiner, record.text, record.size, record.boot_us,
                         reader->caught_up ? 0 : HF_ORIGIN_EARLIER, now_ns);
}

/* --- trace lines ------------------------------------------------------------------------------------ */

static void take_trace(struct hf_log_reader *reader, size_t size, int64_t now_ns)
{
    size_t end = reader->kept + size;
    size_t at = 0;

    while (at < end) {
        const char *newline = memchr(reader->buffer + at, '\n', end - at);
        size_t length;

        if (newline == NULL)
            break;
        length = (size_t)(newline - reader->buffer) - at;
        reader->totals.records++;
        if (!reader->skipping && length > 0)
            hf_error_joiner_line(reader->joiner, reader->buffer + at, length, -1,
                                 reader->caught_up ? 0 : HF_ORIGIN_EARLIER, now_ns);
        reader->skipping = 0;
        at += length + 1;
    }
    reader->kept = end - at;
    (void)memmove(reader->buffer, reader->buffer + at, reader->kept);
    if (reader->kept == sizeof reader->buffer) { /* no trace line of ours is that long */
        reader->kept = 0;
        reader->skipping = 1;
    }
}

/* --- draining --------------------------------------------------------------------------------------- */

int hf_log_reader_drain(struct hf_log_reader *reader, int64_t now_ns, int max, struct hf_error *error)
{
    int count = 0;

    while (count < max) {
        int got = reader->ops->read(reader->ops->context, reader->handle, reader->buffer + reader->kept,
                                    sizeof reader->buffer - reader->kept);

        if (got == -EPIPE) {
            count++; /* the gap shows in the next record's sequence number */
            continue;
        }
        if (got == 0 || got == -EAGAIN || got == -EWOULDBLOCK) {
            reader->caught_up = 1;
            return count;
        }
        if (got < 0)
            return hf_fail_errno(error, -got, "cannot read the log of hardware errors any more");
        assert((size_t)got <= sizeof reader->buffer - reader->kept);
        if (reader->kind == HF_LOG_KERNEL)
            take_record(reader, (size_t)got, now_ns);
        else
            take_trace(reader, (size_t)got, now_ns);
        count++;
    }
    return count;
}
