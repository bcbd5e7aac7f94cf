/* What the files of src/record share with one another and with their tests. */
#ifndef HOLDFAST_RECORD_RECORD_PRIVATE_H
#define HOLDFAST_RECORD_RECORD_PRIVATE_H

#include <stddef.h>
#include <stdint.h>

#include "holdfast/journal.h"
#include "holdfast/run.h"

struct cJSON;

/* --- one line (journal_line.c): pure functions of bytes --- */

#define HF_LINE_TYPE_UNKNOWN (-1)
#define HF_SALT_TEXT         19 /* "0x", 16 digits and a NUL */

struct hf_line {
    uint64_t sequence;
    uint64_t commit;
    int64_t wall_ns;
    int64_t monotonic_ms;
    char boot[HF_BOOT_ID_MAX];
    int type; /* enum hf_record_type, or HF_LINE_TYPE_UNKNOWN */
    uint32_t prev;
    uint32_t crc;
    const char *data; /* in the bytes scanned */
    size_t data_size;
};

enum hf_line_fault {
    HF_LINE_GOOD,
    HF_LINE_NO_NEWLINE,
    HF_LINE_TOO_LONG,
    HF_LINE_SHAPE,
    HF_LINE_CHECKSUM
};

/* What a reader finds wrong within a record is damage; that there was no memory to read it is not. */
static inline int hf_as_damaged(struct hf_error *error)
{
    if (error->code != HF_E_MEMORY)
        error->code = HF_E_DAMAGED;
    return error->code;
}

/* open() of a file of a run failed for this reason. */
int hf_own_open_failed(int reason, const char *path, struct hf_error *error);

/* A file of a run that is open for writing: HF_E_INPUT unless it is a regular file with one name, ours, and
 * not for others to write. */
int hf_own_file(int fd, const char *path, struct hf_error *error);

/* Opens a run directory to write in it; as hf_run_directory_check(). */
int hf_own_directory(const char *directory, int *ret_fd, struct hf_error *error);

/* Scans one line, its newline included, and checks its own checksum; the chain is the caller's business. */
enum hf_line_fault hf_line_scan(const char *bytes, size_t size, struct hf_line *ret_line);
const char *hf_line_fault_words(enum hf_line_fault fault);

/* Everything before the payload, and everything after it (prev, crc, newline) for the line that begins at
 * `start` in text. Returns the line's crc. */
void hf_line_open(struct hf_text *text, const struct hf_line *line);
uint32_t hf_line_close(struct hf_text *text, size_t start, uint32_t prev);

int hf_boot_id_is_valid(const char *boot);
void hf_salt_format(uint64_t salt, char ret_text[HF_SALT_TEXT]);

/* Parses the payload and fills in a record; the caller frees *ret_document after use. A payload that is no
 * JSON object: HF_E_DAMAGED. `source` ("FILE: line N") must live as long as the record. */
int hf_line_to_record(const struct hf_line *line, const char *source, struct cJSON **ret_document,
                      struct hf_record *ret_record, struct hf_error *error);

/* --- a whole journal in memory (journal_verify.c) --- */

struct hf_verified {
    uint64_t records; /* valid lines */
    uint64_t commit;  /* of the last one */
    uint32_t last_crc;
    int64_t last_wall_ns;
    size_t good_size; /* bytes of the valid lines */
    int torn;         /* something follows them that may be moved aside */
};

/* Verifies `size` bytes of the journal named `name` and visits every valid record in order (visitor may be
 * NULL). */
int hf_journal_verify(const char *bytes, size_t size, const char *name, int salvage,
                      hf_record_visitor *visitor, void *context, struct hf_verified *ret_verified,
                      struct hf_error *error);

/* --- journal.c, for run.c --- */

/* The line that was staged last; only after a successful hf_journal_end(). */
void hf_journal_last_line(const struct hf_journal *journal, const char **ret_bytes, size_t *ret_size);
/* Makes `error` the sticky failure: what is staged must never reach the disk. */
void hf_journal_give_up(struct hf_journal *journal, const struct hf_error *error);
const char *hf_journal_path(const struct hf_journal *journal);

/* --- run_fold.c --- */

/* hf_run_fold() that also shows each event to a visitor (NULL is allowed). */
int hf_run_fold_visiting(struct hf_run_state *state, const struct hf_record *record, double clock_factor,
                         hf_event_visitor *visitor, void *context, struct hf_error *error);

#endif
