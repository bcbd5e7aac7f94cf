#include "harness/undo.h"

#include <assert.h>
#include <stdio.h>
#include <string.h>

#include "base/memory.h"

#define VALUE_MAX 128
#define FILES_MAX 16384 /* a governor, two limits and a boost switch for each of 4096 CPUs */

struct change {
    char file[HF_HOST_PATH_MAX];
    char old[VALUE_MAX];
    int open; /* not yet put back */
};

struct hf_undo {
    struct hf_run *run;
    const struct hf_host *host;
    const char *boot_id;
    struct change *changes; /* in the order of their first change */
    int count;
    int room;
};

/* --- the list ----------------------------------------------------------------------------------------------
 */

static struct change *find(const struct hf_undo *undo, const char *file)
{
    for (int i = 0; i < undo->count; i++) {
        if (strcmp(undo->changes[i].file, file) == 0)
            return &undo->changes[i];
    }
    return NULL;
}

static int grow(struct hf_undo *undo, struct hf_error *error)
{
    int room = undo->room > 0 ? 2 * undo->room : 64;
    struct change *changes;

    if (undo->count < undo->room)
        return HF_OK;
    if (undo->count >= FILES_MAX)
        return hf_fail(error, HF_E_RANGE, "more than %d settings of the machine would be changed", FILES_MAX);
    changes = hf_reallocate(undo->changes, (size_t)room * sizeof *changes);
    if (changes == NULL)
        return hf_fail(error, HF_E_MEMORY, "no memory for the list of changed settings");
    undo->changes = changes;
    undo->room = room;
    return HF_OK;
}

/* Invariant 2: a file that is not as it was keeps its first old value. */
static int remember(struct hf_undo *undo, const char *file, const char *old, struct hf_error *error)
{
    struct change *change = find(undo, file);

    if (change != NULL && change->open)
        return HF_OK;
    if (change == NULL) {
        if (grow(undo, error) != HF_OK)
            return error->code;
        change = &undo->changes[undo->count++];
        (void)snprintf(change->file, sizeof change->file, "%s", file);
    }
    (void)snprintf(change->old, sizeof change->old, "%s", old);
    change->open = 1;
    return HF_OK;
}

/* --- what a killed session left
 * ----------------------------------------------------------------------------- */

static int adopt(void *context, const struct hf_record *record, struct hf_error *error)
{
    struct hf_undo *undo = context;
    char file[HF_HOST_PATH_MAX];
    char old[VALUE_MAX];
    struct change *change;

    if (strcmp(record->boot, undo->boot_id) != 0)
        return HF_OK;
    if (record->type == HF_RECORD_WRITTEN) {
        if (hf_json_get_string(&record->data, "file", file, sizeof file, error) != HF_OK ||
            hf_json_get_string(&record->data, "old", old, sizeof old, error) != HF_OK)
            return error->code;
        return remember(undo, file, old, error);
    }
    if (record->type == HF_RECORD_RESTORED) {
        if (hf_json_get_string(&record->data, "file", file, sizeof file, error) != HF_OK)
            return error->code;
        change = find(undo, file);
        if (change != NULL)
            change->open = 0;
    }
    return HF_OK;
}

int hf_undo_new(struct hf_run *run, const struct hf_host *host, const char *boot_id,
                struct hf_undo **ret_undo, struct hf_error *error)
{
    const struct hf_journal_options options = {.read_only = 1};
    struct hf_undo *undo = hf_allocate(1, sizeof *undo);
    struct hf_journal *journal = NULL;

    if (undo == NULL)
        return hf_fail(error, HF_E_MEMORY, "no memory for the list of changed settings");
    *undo = (struct hf_undo){.run = run, .host = host, .boot_id = boot_id};
    if (hf_journal_open(run->directory, &options, adopt, undo, &journal, NULL, error) != HF_OK) {
        hf_undo_free(undo);
        return error->code;
    }
    hf_journal_close(journal);
    *ret_undo = undo;
    return HF_OK;
}

void hf_undo_free(struct hf_undo *undo)
{
    if (undo != NULL)
        hf_free(undo->changes);
    hf_free(undo);
}

int hf_undo_count(const struct hf_undo *undo)
{
    int count = 0;

    for (int i = 0; i < undo->count; i++)
        count += undo->changes[i].open;
    return count;
}

int hf_undo_knows(const struct hf_undo *undo, const char *file)
{
    const struct change *change = find(undo, file);

    return change != NULL && change->open;
}

/* --- writing
 * ------------------------------------------------------------------------------------------------ */

static int read_line(const struct hf_undo *undo, const char *file, char ret_value[VALUE_MAX],
                     struct hf_error *error)
{
    int result = hf_host_line(undo->host, file, ret_value, VALUE_MAX);

    if (result < 0)
        return hf_fail_errno(error, -result, "cannot read %s", file);
    return HF_OK;
}

static int write_line(const struct hf_undo *undo, const char *file, const char *value, struct hf_error *error)
{
    int result = undo->host->write(undo->host->context, file, value);
    char now[VALUE_MAX];

    if (result < 0)
        return hf_fail_errno(error, -result, "cannot write \"%s\" to %s", value, file);
    if (read_line(undo, file, now, error) != HF_OK)
        return error->code;
    if (strcmp(now, value) != 0)
        return hf_fail(error, HF_E_MISMATCH, "%s was given \"%s\" and reads back as \"%s\"", file, value,
                       now);
    return HF_OK;
}

static int journal_change(struct hf_undo *undo, enum hf_record_type type, const char *file, const char *old,
                          const char *value, struct hf_error *error)
{
    struct hf_json_writer *writer = hf_run_begin_record(undo->run, type);

    hf_json_string(writer, "file", file);
    if (old != NULL)
        hf_json_string(writer, "old", old);
    hf_json_string(writer, old != NULL ? "new" : "value", value);
    if (hf_run_end_record(undo->run, error) != HF_OK)
        return error->code;
    return hf_journal_commit(undo->run->journal, error);
}

int hf_undo_note(struct hf_undo *undo, const char *file, const char *old, const char *value,
                 struct hf_error *error)
{
    assert(strlen(file) < HF_HOST_PATH_MAX);
    if (journal_change(undo, HF_RECORD_WRITTEN, file, old, value, error) != HF_OK)
        return error->code;
    return remember(undo, file, old, error);
}

int hf_undo_write(struct hf_undo *undo, const char *file, const char *value, struct hf_error *error)
{
    char old[VALUE_MAX];

    if (read_line(undo, file, old, error) != HF_OK)
        return error->code;
    if (strcmp(old, value) == 0)
        return HF_OK;
    if (hf_undo_note(undo, file, old, value, error) != HF_OK)
        return error->code;
    return write_line(undo, file, value, error);
}

static int put_back(struct hf_undo *undo, struct change *change, struct hf_error *error)
{
    char now[VALUE_MAX];

    if (read_line(undo, change->file, now, error) != HF_OK)
        return error->code;
    if (strcmp(now, change->old) != 0 && write_line(undo, change->file, change->old, error) != HF_OK)
        return error->code;
    change->open = 0;
    if (hf_journal_failed(undo->run->journal))
        return HF_OK; /* the machine comes first; a later session of this boot puts it back once more */
    return journal_change(undo, HF_RECORD_RESTORED, change->file, NULL, change->old, error);
}

/* Twice: a lower limit may only go back when the upper one has (or the other way round). */
int hf_undo_all(struct hf_undo *undo, struct hf_error *error)
{
    struct hf_error first = {0};

    for (int round = 0; round < 2; round++) {
        first = (struct hf_error){0};
        for (int i = undo->count - 1; i >= 0; i--) {
            struct hf_error own = {0};

            if (undo->changes[i].open && put_back(undo, &undo->changes[i], &own) != HF_OK &&
                first.code == HF_OK)
                first = own;
        }
    }
    if (first.code != HF_OK)
        *error = first;
    return first.code;
}
