/*
 * The journal: the run's only truth. Append-only JSON lines.
 *
 * Format of a line (the specification; docs/journal.md repeats it for readers outside), here broken in two:
 *   {"seq":N,"commit":C,"wall":"2026-11-25T09:27:31.123Z","mono_ms":"M","boot":"B","type":"T",
 *    "data":{...},"prev":"xxxxxxxx","crc":"xxxxxxxx"}\n
 *   seq    1, 2, 3, ... without gaps
 *   commit seq of the first line that was written together with this one: seq itself, or the previous
 *          line's commit; the last line of a commit is written alone
 *   wall   UTC, ISO 8601, milliseconds; never earlier than the line before: a clock that was set back is held
 *   mono_ms  CLOCK_MONOTONIC in milliseconds, decimal, as a string
 *   boot   identity of the boot, of [A-Za-z0-9+._-]: the kernel's boot_id, "+n" appended after the n-th reset
 *          of a simulated machine
 *   type   one word of HF_RECORD_LIST; line 1 is run-begin, and no other line is
 *   data   the payload; its keys depend on the type
 *   prev   crc of the previous line; in line 1: CRC-32C of the text of data.salt, which seeds the chain
 *   crc    CRC-32C, 8 hexadecimal digits in lower case, over every byte of the line before `,"crc":`
 * No blanks between the members. A line is valid when it ends in a newline, is at most HF_JOURNAL_LINE_MAX
 * bytes, has exactly this shape, its crc is right, its seq is the previous plus one and its prev is the
 * previous line's crc.
 *
 * Durability: hf_journal_begin() and hf_journal_end() stage lines; hf_journal_commit() writes them with one
 * write, fdatasyncs (and fsyncs the directory with the first record), reads them back and compares. Of
 * several lines the last is written, and synced, by itself after the others: once it is there, all before it
 * are known to be durable. A record counts only after commit returned 0. A failed or short write, a failed
 * sync, a read-back that differs are sticky: every later call fails with HF_E_STICKY and the run must stop.
 * Space for a night is reserved when the journal is opened.
 *
 * A torn tail is what an interrupted commit leaves: an invalid LAST line (no newline, bad crc, zeros,
 * garbage), at most HF_JOURNAL_COMMIT_MAX bytes, without any later line that looks valid. The lines of one
 * write reach the disk in any order, so lines after the invalid one that look valid and name the same commit
 * belong to the torn tail too: the commit was never acknowledged, for its last line is not there. A torn tail
 * is moved aside to journal.torn and reported, the run goes on. Anything invalid before that, and a line
 * whose own crc is right but whose seq or prev does not fit: refused, naming the line; with salvage, the
 * valid lines before it are kept and everything from it on is moved to journal.torn.
 */
#ifndef HOLDFAST_JOURNAL_H
#define HOLDFAST_JOURNAL_H

#include <stddef.h>
#include <stdint.h>

#include "holdfast/clock.h"
#include "holdfast/error.h"
#include "holdfast/event.h"
#include "holdfast/json.h"

#define HF_JOURNAL_LINE_MAX   16384
#define HF_JOURNAL_COMMIT_MAX (1024 * 1024)        /* bytes of the lines staged for one commit */
#define HF_JOURNAL_BYTES_MAX  (1024 * 1024 * 1024) /* a larger journal is refused */
#define HF_JOURNAL_VERSION    1
#define HF_BOOT_ID_MAX        64

#define HF_RECORD_LIST(X)                                                                                    \
    X(HF_RECORD_RUN_BEGIN, "run-begin") /* first line: version, salt, profile digest, seed, method */        \
    X(HF_RECORD_SESSION_BEGIN, "session-begin") /* a supervisor starts or resumes */                         \
    X(HF_RECORD_SESSION_END, "session-end")     /* it leaves in good order; data.reason */                   \
    X(HF_RECORD_PROOF, "proof")                 /* planted wrong bits were reported: per CPU and kernel */   \
    X(HF_RECORD_TRIAL_BEGIN, "trial-begin")     /* the intent */                                             \
    X(HF_RECORD_SETTING, "setting")             /* a ratio asked for, and what was read back */              \
    X(HF_RECORD_TRIAL_LOADED, "trial-loaded")   /* settings in force, workers loaded */                      \
    X(HF_RECORD_SLICE, "slice")                 /* the programme moved on: slice number */                   \
    X(HF_RECORD_EXPOSURE, "exposure")           /* of one or more open trials */                             \
    X(HF_RECORD_MISMATCH, "mismatch")           /* a wrong result in detail */                               \
    X(HF_RECORD_RESET, "reset")                                                                              \
    X(HF_RECORD_VERDICT, "verdict")                                                                          \
    X(HF_RECORD_HARDWARE_ERROR, "hardware-error")                                                            \
    X(HF_RECORD_REQUEST, "request")         /* a person must do something (sheet driver) */                  \
    X(HF_RECORD_NOTE, "note")               /* one sentence for the log */                                   \
    X(HF_RECORD_WRITTEN, "written")         /* a file of the machine's settings is about to be changed */    \
    X(HF_RECORD_RESTORED, "restored")       /* ... and was put back */                                       \
    X(HF_RECORD_BOOT_REPORT, "boot-report") /* what this boot says about the end of the one before */        \
    X(HF_RECORD_PARKED, "parked")           /* the run waits for a person */                                 \
    X(HF_RECORD_FINISHED, "finished")       /* the soak passed */

enum hf_record_type {
#define HF_RECORD_ENUM(code, name) code,
    HF_RECORD_LIST(HF_RECORD_ENUM)
#undef HF_RECORD_ENUM
    HF_RECORD_COUNT
};

const char *hf_record_type_name(enum hf_record_type type);

/* A line as read. `data` is valid until the visiting callback returns. */
struct hf_record {
    uint64_t sequence;
    int64_t wall_ns;
    int64_t monotonic_ms;
    char boot[HF_BOOT_ID_MAX];
    enum hf_record_type type;
    uint32_t crc;
    struct hf_json_reader data;
};

/* --- the outside: replaced by the crash tests (tests/crash) --- */
struct hf_journal_file_ops {
    /* POSIX semantics: -1 and errno on failure. A member that is NULL is the real one. */
    long (*write)(int fd, const void *bytes, size_t size);
    int (*sync)(int fd);        /* fdatasync */
    int (*sync_folder)(int fd); /* fsync of a directory: fdatasync may leave a new entry behind */
    long (*read_at)(int fd, void *bytes, size_t size, int64_t offset);
    int (*truncate)(int fd, int64_t size);
};

extern const struct hf_journal_file_ops hf_journal_file_ops_real;

/* Told of each commit: before its lines are written (durable 0), and once they cannot be lost any more
 * (durable 1). `sequence` and, when durable, `crc` are of its last line. For tests of durability. */
typedef void hf_commit_witness(void *context, int durable, uint64_t sequence, uint32_t crc);

struct hf_journal_options {
    const struct hf_clock *clock;               /* NULL: hf_clock_real */
    const struct hf_journal_file_ops *file_ops; /* NULL: the real ones */
    const char *boot_id;                        /* required when appending */
    int salvage;                                /* 1: keep what is provably good */
    int read_only;              /* 1: nothing is changed on disk, torn tails are only reported */
    uint64_t salt;              /* of a new journal; 0: drawn from getrandom */
    size_t reserve_bytes;       /* space for a night; 0: 16 MiB; tests use less */
    hf_commit_witness *witness; /* may be NULL */
    void *witness_context;
};

struct hf_journal;

/* Called for every valid record in order. A non-zero return stops the reading and is returned. */
typedef int hf_record_visitor(void *context, const struct hf_record *record, struct hf_error *error);

struct hf_journal_opening {
    uint64_t records;  /* valid ones */
    uint32_t last_crc; /* 0 when there are none */
    int torn;          /* 1: a torn tail was moved aside (or, read-only, ignored) */
    uint64_t torn_bytes;
};

/* Opens DIR/journal.jsonl, verifies every line and visits every record. A missing file is created when not
 * read-only (then no record is visited: the caller adds run-begin first). Nothing on disk changes before
 * every line has been verified and visited. ret_opening may be NULL. HF_E_DAMAGED names the line;
 * HF_E_VERSION: run-begin's data.version is newer than HF_JOURNAL_VERSION, or a record's type is not known
 * here; HF_E_FULL: there is no room for a night. */
int hf_journal_open(const char *directory, const struct hf_journal_options *options,
                    hf_record_visitor *visitor, void *context, struct hf_journal **ret_journal,
                    struct hf_journal_opening *ret_opening, struct hf_error *error);
void hf_journal_close(struct hf_journal *journal); /* NULL is allowed; uncommitted lines are dropped */

/* Stages one line. Payload members are written by the caller between begin and end:
 *   struct hf_json_writer *writer = hf_journal_begin(journal, HF_RECORD_NOTE);
 *   hf_json_string(writer, "text", "..."); hf_journal_end(journal, error);
 * begin never returns NULL: when the journal has failed, what is written goes nowhere and end says
 * HF_E_STICKY. The journal itself writes data.version and data.salt of run-begin. A line longer than
 * HF_JOURNAL_LINE_MAX, or one too many for a commit, is dropped with HF_E_RANGE: that is not sticky. Commit
 * with nothing staged does nothing. */
struct hf_json_writer *hf_journal_begin(struct hf_journal *journal, enum hf_record_type type);
int hf_journal_end(struct hf_journal *journal, struct hf_error *error);
int hf_journal_commit(struct hf_journal *journal, struct hf_error *error);

int hf_journal_failed(const struct hf_journal *journal);       /* sticky failure: 1 */
uint64_t hf_journal_records(const struct hf_journal *journal); /* committed */
uint32_t hf_journal_last_crc(const struct hf_journal *journal);

/* --- events <-> records (src/record/event_record.c) ---
 * TRIAL_BEGIN, TRIAL_LOADED, RESET, VERDICT, HARDWARE_ERROR: one record each. EXPOSURE: a record may hold
 * several (one per open trial). Event times come from wall time: hf_event_decode gets the run's first wall
 * time and the clock factor. Extra payload keys (mismatch detail, joint steps, reasons) are allowed. */
int hf_event_write(struct hf_journal *journal, const struct hf_event *event, const char *reason,
                   struct hf_error *error);
/* The same with further payload members, written by `extra` (may be NULL) after the event's own. */
typedef void hf_payload_writer(void *context, struct hf_json_writer *writer);
int hf_event_write_with(struct hf_journal *journal, const struct hf_event *event, const char *reason,
                        hf_payload_writer *extra, void *context, struct hf_error *error);
/* One exposure record for `count` events of type EXPOSURE, 1 to HF_EXPOSURE_TRIALS_MAX (a line must hold
 * them; hf_run_add_exposure() takes any number). */
#define HF_EXPOSURE_TRIALS_MAX 128
int hf_exposure_write(struct hf_journal *journal, const struct hf_event *events, int count,
                      struct hf_error *error);
/* Number of events in the record (0 for records that carry none); event number `index` of it. The payload is
 * checked for presence, type, range and for what makes sense together: HF_E_DAMAGED names the line. An event
 * that cannot be recorded is refused before writing with HF_E_RANGE by the same check. */
int hf_event_count(const struct hf_record *record);
int hf_event_decode(const struct hf_record *record, int index, int64_t first_wall_ns, double clock_factor,
                    struct hf_event *ret_event, struct hf_error *error);

#endif
