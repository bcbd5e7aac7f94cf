/*
 * Changing settings of the machine so that they can be put back, whatever happens.
 *
 * Invariants
 *  1. A file is written only after its old value stands in the journal (a `written` record, committed).
 *  2. A file stands in the list once, with the value it had before this run first changed it in this boot.
 *  3. The list after a restart in the same boot is what the journal says: written and not yet restored. After
 *     another boot it is empty, because nothing that is written here outlives a boot.
 *  4. Files are put back in the reverse order of their first change.
 *
 * Calling order: hf_undo_new() (adopts what a killed session left); hf_undo_write() or, for whoever writes
 * himself, hf_undo_note() before each write; hf_undo_all() at the end; hf_undo_free().
 */
#ifndef HOLDFAST_HARNESS_UNDO_H
#define HOLDFAST_HARNESS_UNDO_H

#include "holdfast/host.h"
#include "holdfast/run.h"

struct hf_undo;

int hf_undo_new(struct hf_run *run, const struct hf_host *host, const char *boot_id,
                struct hf_undo **ret_undo, struct hf_error *error);
void hf_undo_free(struct hf_undo *undo); /* NULL is allowed */

int hf_undo_count(const struct hf_undo *undo); /* files that are not as they were */

/* 1 when the file's old value stands in the journal and has not been put back yet. */
int hf_undo_knows(const struct hf_undo *undo, const char *file);

/* Journals what is about to be written to `file`; `old` is its present content, one line. */
int hf_undo_note(struct hf_undo *undo, const char *file, const char *old, const char *value,
                 struct hf_error *error);

/* Reads, notes, writes, and reads back; nothing happens when the file holds the value already. HF_E_MISMATCH:
 * it reads back as something else. */
int hf_undo_write(struct hf_undo *undo, const char *file, const char *value, struct hf_error *error);

/* Puts every file back. Goes on after a failure; the first one names its file. */
int hf_undo_all(struct hf_undo *undo, struct hf_error *error);

#endif
