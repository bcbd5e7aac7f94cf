#include "harness/store_watch.h"

#include <stdio.h>
#include <string.h>

#include "base/memory.h"
#include "harness/supervisor_private.h"

#define DUMPS_MAX 128 /* a store holds a few dozen */
#define NAME_SIZE 128
#define KEY       "dumps" /* of the note that names them */

struct store {
    char known[DUMPS_MAX][NAME_SIZE]; /* by the journal's last note */
    char there[DUMPS_MAX][NAME_SIZE];
    int known_count, there_count;
    int new_count;
    int new_boot;
};

static int knows(const struct store *store, const char *name)
{
    for (int i = 0; i < store->known_count; i++) {
        if (strcmp(store->known[i], name) == 0)
            return 1;
    }
    return 0;
}

/* The last note counts: it names what was there then. */
static int take_note(void *context, const struct hf_record *record, struct hf_error *error)
{
    struct store *store = context;
    struct hf_json_reader list;
    int count;

    if (record->type != HF_RECORD_NOTE || !hf_json_has(&record->data, KEY))
        return HF_OK;
    if (hf_json_get_array(&record->data, KEY, 0, DUMPS_MAX, &list, &count, error) != HF_OK)
        return error->code;
    store->known_count = 0;
    for (int i = 0; i < count; i++) {
        struct hf_json_reader item = hf_json_item(&list, i);

        if (hf_json_get_string(&item, "name", store->known[i], NAME_SIZE, error) != HF_OK)
            return error->code;
        store->known_count++;
    }
    return HF_OK;
}

static int read_known(const struct hf_supervisor *s, struct store *store, struct hf_error *error)
{
    const struct hf_journal_options options = {.read_only = 1};
    struct hf_journal *journal = NULL;

    if (hf_journal_open(s->run->directory, &options, take_note, store, &journal, NULL, error) != HF_OK)
        return error->code;
    hf_journal_close(journal);
    return HF_OK;
}

/* A dump is its name and its content: some stores use a name again. */
static int is_new(void *context, const char *name, uint32_t crc)
{
    struct store *store = context;
    char label[NAME_SIZE];
    int unknown;

    (void)snprintf(label, sizeof label, "%.100s %08x", name, crc);
    unknown = !knows(store, label);
    if (store->there_count < DUMPS_MAX)
        memcpy(store->there[store->there_count++], label, NAME_SIZE);
    store->new_count += unknown;
    return unknown && store->new_boot;
}

static int journal_names(struct hf_supervisor *s, const struct store *store)
{
    struct hf_json_writer *writer = hf_run_begin_record(s->run, HF_RECORD_NOTE);
    char text[96];
    struct hf_error error = {0};

    (void)snprintf(text, sizeof text, "%d dump(s) of earlier boots in the kernel's store, %d of them new",
                   store->there_count, store->new_count);
    hf_json_string(writer, "text", text);
    hf_json_array_open(writer, KEY);
    for (int i = 0; i < store->there_count; i++) {
        hf_json_object_open(writer, NULL);
        hf_json_string(writer, "name", store->there[i]);
        hf_json_object_close(writer);
    }
    hf_json_array_close(writer);
    if (hf_run_end_record(s->run, &error) != HF_OK)
        hf_supervisor_fail(s, &error);
    return hf_supervisor_commit(s);
}

int hf_store_watch_read(struct hf_supervisor *s, const struct hf_host *host, int new_boot,
                        struct hf_error_joiner *joiner, int64_t now_ns)
{
    struct store *store = hf_allocate(1, sizeof *store);

    if (store == NULL)
        return hf_fail(&s->error, HF_E_MEMORY, "no memory for the names of dumps");
    store->new_boot = new_boot;
    if (read_known(s, store, &s->error) == HF_OK) {
        (void)hf_store_read(host, is_new, store, joiner, now_ns);
        if (store->new_count > 0)
            (void)journal_names(s, store);
    }
    hf_free(store);
    return s->error.code;
}
