/*
 * The queue of an upload: upload/queue.json, written anew (beside it, synced, renamed) at every change.
 *
 *   {"format":1,"server":"https://...","files":[{...}, ...]}
 *
 *   of a file: "file", "state" (sent, waiting, parked), "bytes" (a string), "digest" (64 hexadecimal digits),
 *   "sent_digest" (the same, or ""), "queued", "next", "sent" (ISO 8601 in UTC, or "" for never), "attempts",
 *   "answer" (HTTP status, 0: none), "reason".
 *
 * Invariants
 *  1. A file name stands in items[] once; items[] is in the order of sending.
 *  2. A waiting or parked item that is not the journal has its copy upload/<16 digits>-<file>, whose digest
 * is the item's; other copies are not needed and go when the queue is opened.
 *  3. The copy is on disk before the queue names it, and goes after the queue names it no longer.
 *  4. An item whose digest is its sent_digest is sent: nothing waits.
 */
#include <assert.h>
#include <dirent.h>
#include <errno.h>
#include <fcntl.h>
#include <limits.h>
#include <math.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/file.h>
#include <sys/stat.h>
#include <unistd.h>

#include "base/memory.h"
#include "holdfast/clock.h"
#include "holdfast/journal.h"
#include "output/upload_private.h"
#include "output/upload_store.h"

#define FORMAT      1
#define COPY_MAX    (16 * 1024 * 1024) /* bytes of a certificate or a report */
#define QUEUE_MAX   (4 * 1024 * 1024)
#define AHEAD_MAX_S 86400.0 /* a clock that jumped must not hold an item back for longer */
#define JOURNAL     "journal.jsonl"
#define COPY_DIGITS 16
#define SERVER_MAX  512
#define PLACE_MAX   (HF_NAME_MAX + 64)

struct hf_upload_queue {
    char directory[PATH_MAX];
    char place[PLACE_MAX];
    char server[SERVER_MAX]; /* "" until it is named */
    int read_only;
    int lock_fd;
    int count;
    struct hf_upload_item *items; /* HF_UPLOAD_ITEMS_MAX */
    struct hf_upload_journal journal;
};

/* --- names
 * -------------------------------------------------------------------------------------------------- */

const char *hf_upload_state_name(enum hf_upload_state state)
{
    static const char *const names[] = {"sent", "waiting", "parked"};

    return names[state];
}

static int is_journal(const char *file)
{
    return strcmp(file, JOURNAL) == 0;
}

static int rank_of(const char *file)
{
    if (is_journal(file))
        return 2;
    return strcmp(file, "report.html") == 0;
}

static int compare_items(const void *a, const void *b)
{
    const struct hf_upload_item *left = a, *right = b;
    int ranks = rank_of(left->file) - rank_of(right->file);

    return ranks != 0 ? ranks : strcmp(left->file, right->file);
}

static int path_of(const struct hf_upload_queue *queue, const char *name, char ret_path[PATH_MAX],
                   struct hf_error *error)
{
    if (snprintf(ret_path, PATH_MAX, "%s/%s", queue->directory, name) < PATH_MAX)
        return HF_OK;
    return hf_fail(error, HF_E_RANGE, "the path of %.60s is too long", name);
}

/* What the item sends, relative to the run directory. */
static void copy_name(const struct hf_upload_item *item, char ret_name[HF_UPLOAD_NAME_MAX + 32])
{
    if (is_journal(item->file))
        (void)snprintf(ret_name, HF_UPLOAD_NAME_MAX + 32, "%s", JOURNAL);
    else
        (void)snprintf(ret_name, HF_UPLOAD_NAME_MAX + 32, "upload/%.*s-%s", COPY_DIGITS, item->digest,
                       item->file);
}

static void remove_copy(const struct hf_upload_queue *queue, const struct hf_upload_item *item)
{
    char name[HF_UPLOAD_NAME_MAX + 32], path[PATH_MAX];
    struct hf_error ignored = {0};

    if (is_journal(item->file) || item->digest[0] == '\0')
        return;
    copy_name(item, name);
    if (path_of(queue, name, path, &ignored) == HF_OK)
        (void)unlink(path);
}

/* --- the file
 * ----------------------------------------------------------------------------------------------- */

static void write_time(struct hf_json_writer *writer, const char *key, int64_t wall_ns)
{
    char text[HF_TIME_TEXT] = "";

    if (wall_ns != 0)
        hf_time_format(wall_ns, text);
    hf_json_string(writer, key, text);
}

void hf_upload_queue_json(const struct hf_upload_queue *queue, struct hf_json_writer *writer)
{
    hf_json_array_open(writer, "files");
    for (int i = 0; i < queue->count; i++) {
        const struct hf_upload_item *item = &queue->items[i];

        hf_json_object_open(writer, NULL);
        hf_json_string(writer, "file", item->file);
        hf_json_string(writer, "state", hf_upload_state_name(item->state));
        hf_json_u64(writer, "bytes", item->bytes);
        hf_json_string(writer, "digest", item->digest);
        hf_json_string(writer, "sent_digest", item->sent_digest);
        write_time(writer, "queued", item->queued_wall_ns);
        write_time(writer, "next", item->next_wall_ns);
        write_time(writer, "sent", item->sent_wall_ns);
        hf_json_integer(writer, "attempts", item->attempts);
        hf_json_integer(writer, "answer", item->answer);
        hf_json_string(writer, "reason", item->reason);
        hf_json_object_close(writer);
    }
    hf_json_array_close(writer);
}

static int save(struct hf_upload_queue *queue, struct hf_error *error)
{
    struct hf_json_writer writer;
    struct hf_text text;
    char path[PATH_MAX];

    assert(!queue->read_only);
    if (path_of(queue, "upload/queue.json", path, error) != HF_OK)
        return error->code;
    hf_text_init(&text, QUEUE_MAX);
    hf_json_begin(&writer, &text, 2);
    hf_json_object_open(&writer, NULL);
    hf_json_integer(&writer, "format", FORMAT);
    hf_json_string(&writer, "server", queue->server);
    hf_upload_queue_json(queue, &writer);
    hf_json_object_close(&writer);
    hf_text_add_string(&text, "\n");
    (void)hf_text_write_private(&text, path, error);
    hf_text_release(&text);
    return error->code;
}

static int read_time(const struct hf_json_reader *object, const char *key, int64_t *ret_wall_ns,
                     struct hf_error *error)
{
    char text[HF_TIME_TEXT];

    if (hf_json_get_string(object, key, text, sizeof text, error) != HF_OK)
        return error->code;
    *ret_wall_ns = 0;
    return text[0] == '\0' ? HF_OK : hf_time_parse(text, ret_wall_ns, error);
}

static int is_digest(const char *digest)
{
    return digest[0] == '\0' ||
           (strlen(digest) == HF_SHA256_HEX - 1 && strspn(digest, "0123456789abcdef") == HF_SHA256_HEX - 1);
}

static int read_item_words(const struct hf_json_reader *object, struct hf_upload_item *item,
                           struct hf_error *error)
{
    char state[16];

    if (hf_json_get_string(object, "file", item->file, sizeof item->file, error) != HF_OK ||
        hf_json_get_string(object, "state", state, sizeof state, error) != HF_OK ||
        hf_json_get_string(object, "digest", item->digest, sizeof item->digest, error) != HF_OK ||
        hf_json_get_string(object, "sent_digest", item->sent_digest, sizeof item->sent_digest, error) !=
            HF_OK ||
        hf_json_get_string(object, "reason", item->reason, sizeof item->reason, error) != HF_OK)
        return error->code;
    while (item->state < HF_UPLOAD_PARKED && strcmp(hf_upload_state_name(item->state), state) != 0)
        item->state++;
    if (strcmp(hf_upload_state_name(item->state), state) != 0)
        return hf_json_fail(object, "state", error, HF_E_INPUT, "must be sent, waiting or parked");
    if (item->file[0] == '\0' || strchr(item->file, '/') != NULL)
        return hf_json_fail(object, "file", error, HF_E_INPUT, "must be a file of the run directory");
    if (!is_digest(item->digest) || !is_digest(item->sent_digest) || item->digest[0] == '\0')
        return hf_json_fail(object, "digest", error, HF_E_INPUT, "must have 64 hexadecimal digits");
    return HF_OK;
}

static int read_item(const struct hf_json_reader *object, struct hf_upload_item *item, struct hf_error *error)
{
    int64_t attempts, answer;

    if (read_item_words(object, item, error) != HF_OK ||
        hf_json_get_u64(object, "bytes", &item->bytes, error) != HF_OK ||
        read_time(object, "queued", &item->queued_wall_ns, error) != HF_OK ||
        read_time(object, "next", &item->next_wall_ns, error) != HF_OK ||
        read_time(object, "sent", &item->sent_wall_ns, error) != HF_OK ||
        hf_json_get_integer(object, "attempts", 0, INT_MAX, &attempts, error) != HF_OK ||
        hf_json_get_integer(object, "answer", 0, 999, &answer, error) != HF_OK)
        return error->code;
    item->attempts = (int)attempts;
    item->answer = (int)answer;
    return HF_OK;
}

static int parse(struct hf_upload_queue *queue, const struct hf_text *text, const char *path,
                 struct hf_error *error)
{
    struct cJSON *document = NULL;
    struct hf_json_reader root, list;
    int64_t format;

    if (hf_json_parse(text->bytes, text->size, path, &document, error) != HF_OK)
        return error->code;
    root = hf_json_root(document, path);
    if (hf_json_get_integer(&root, "format", FORMAT, FORMAT, &format, error) == HF_OK &&
        hf_json_get_string(&root, "server", queue->server, sizeof queue->server, error) == HF_OK &&
        hf_json_get_array(&root, "files", 0, HF_UPLOAD_ITEMS_MAX, &list, &queue->count, error) == HF_OK) {
        for (int i = 0; i < queue->count && error->code == HF_OK; i++) {
            struct hf_json_reader object = hf_json_item(&list, i);

            (void)read_item(&object, &queue->items[i], error);
        }
    }
    hf_json_document_free(document);
    return error->code;
}

/* Nothing of the run is lost with the queue: what cannot be read is moved aside. */
static int load(struct hf_upload_queue *queue, struct hf_error *error)
{
    struct hf_text text;
    char path[PATH_MAX], aside[PATH_MAX];

    if (path_of(queue, "upload/queue.json", path, error) != HF_OK ||
        path_of(queue, "upload/queue.damaged", aside, error) != HF_OK)
        return error->code;
    if (access(path, F_OK) != 0)
        return HF_OK;
    if (hf_text_read_file(&text, path, QUEUE_MAX, error) == HF_OK) {
        (void)parse(queue, &text, path, error);
        hf_text_release(&text);
    }
    if (error->code == HF_OK || queue->read_only)
        return error->code;
    hf_error_clear(error);
    queue->count = 0;
    queue->server[0] = '\0';
    memset(queue->items, 0, HF_UPLOAD_ITEMS_MAX * sizeof *queue->items);
    if (rename(path, aside) != 0)
        return hf_fail_errno(error, errno, "cannot move %s aside, which cannot be read", path);
    return HF_OK;
}

/* --- opening
 * ------------------------------------------------------------------------------------------------ */

static int is_needed(const struct hf_upload_queue *queue, const char *name)
{
    char copy[HF_UPLOAD_NAME_MAX + 32];

    for (int i = 0; i < queue->count; i++) {
        copy_name(&queue->items[i], copy);
        if (queue->items[i].state != HF_UPLOAD_SENT && strcmp(copy + strlen("upload/"), name) == 0)
            return 1;
    }
    return 0;
}

/* What a crash left behind; only names that are ours. */
static void remove_strays(const struct hf_upload_queue *queue)
{
    DIR *folder;
    const struct dirent *entry;
    char path[PATH_MAX];
    struct hf_error ignored = {0};

    if (path_of(queue, "upload", path, &ignored) != HF_OK || (folder = opendir(path)) == NULL)
        return;
    while ((entry = readdir(folder)) != NULL) {
        if (strspn(entry->d_name, "0123456789abcdef") == COPY_DIGITS && entry->d_name[COPY_DIGITS] == '-' &&
            !is_needed(queue, entry->d_name))
            (void)unlinkat(dirfd(folder), entry->d_name, 0);
    }
    (void)closedir(folder);
}

static int lock(struct hf_upload_queue *queue, struct hf_error *error)
{
    char path[PATH_MAX];

    if (path_of(queue, "upload", path, error) != HF_OK)
        return error->code;
    if (mkdir(path, 0700) != 0 && errno != EEXIST)
        return hf_fail_errno(error, errno, "cannot make %s", path);
    queue->lock_fd = open(path, O_RDONLY | O_DIRECTORY | O_CLOEXEC);
    if (queue->lock_fd < 0)
        return hf_fail_errno(error, errno, "cannot open %s", path);
    if (flock(queue->lock_fd, LOCK_EX | LOCK_NB) == 0)
        return HF_OK;
    if (errno == EWOULDBLOCK)
        return hf_fail(error, HF_E_BUSY,
                       "another process is sending the evidence of %s: wait for it, or look "
                       "with --list",
                       queue->directory);
    return hf_fail_errno(error, errno, "cannot lock %s", path);
}

static int open_queue(struct hf_upload_queue *queue, const char *directory, struct hf_error *error)
{
    if (snprintf(queue->directory, sizeof queue->directory, "%s", directory) >= (int)sizeof queue->directory)
        return hf_fail(error, HF_E_RANGE, "the run's path is too long");
    if (hf_upload_find_place(directory, queue->place, sizeof queue->place, error) != HF_OK)
        return error->code;
    if (!queue->read_only && lock(queue, error) != HF_OK)
        return error->code;
    if (load(queue, error) != HF_OK)
        return error->code;
    if (!queue->read_only)
        remove_strays(queue);
    return HF_OK;
}

int hf_upload_queue_open(const char *directory, int read_only, struct hf_upload_queue **ret_queue,
                         struct hf_error *error)
{
    struct hf_upload_queue *queue = hf_allocate(1, sizeof *queue);

    if (queue == NULL)
        return hf_fail(error, HF_E_MEMORY, "no memory for the queue");
    queue->read_only = read_only;
    queue->lock_fd = -1;
    queue->items = hf_allocate(HF_UPLOAD_ITEMS_MAX, sizeof *queue->items);
    if (queue->items == NULL)
        (void)hf_fail(error, HF_E_MEMORY, "no memory for the queue");
    else
        (void)open_queue(queue, directory, error);
    if (error->code != HF_OK) {
        hf_upload_queue_close(queue);
        return error->code;
    }
    *ret_queue = queue;
    return HF_OK;
}

void hf_upload_queue_close(struct hf_upload_queue *queue)
{
    if (queue == NULL)
        return;
    if (queue->lock_fd >= 0)
        (void)close(queue->lock_fd);
    hf_free(queue->items);
    hf_free(queue);
}

/* --- additions
 * ---------------------------------------------------------------------------------------------- */

int hf_upload_queue_for(struct hf_upload_queue *queue, const char *url, struct hf_error *error)
{
    int is_other = queue->server[0] != '\0' && strcmp(queue->server, url) != 0;

    if (strcmp(queue->server, url) == 0)
        return HF_OK;
    if (snprintf(queue->server, sizeof queue->server, "%s", url) >= (int)sizeof queue->server)
        return hf_fail(error, HF_E_RANGE, "the server's address is longer than %d bytes", SERVER_MAX - 1);
    for (int i = 0; is_other && i < queue->count; i++) {
        struct hf_upload_item *item = &queue->items[i];

        item->sent_digest[0] = '\0';
        item->sent_wall_ns = 0;
        if (item->state == HF_UPLOAD_SENT) /* no content has this digest: the file is queued anew */
            (void)snprintf(item->digest, sizeof item->digest, "%064d", 0);
    }
    return save(queue, error);
}

/* The file's item, a new one when it has none; NULL: there are too many. */
static struct hf_upload_item *item_of(struct hf_upload_queue *queue, const char *file)
{
    for (int i = 0; i < queue->count; i++) {
        if (strcmp(queue->items[i].file, file) == 0)
            return &queue->items[i];
    }
    if (queue->count == HF_UPLOAD_ITEMS_MAX)
        return NULL;
    queue->items[queue->count] = (struct hf_upload_item){0};
    (void)snprintf(queue->items[queue->count].file, HF_UPLOAD_NAME_MAX, "%s", file);
    return &queue->items[queue->count++];
}

/* The item takes over the new content. A wait that goes on is not cut short: the server is as it was. */
static void replace(struct hf_upload_item *item, uint64_t bytes, const char *digest)
{
    if (item->state == HF_UPLOAD_SENT) {
        item->state = HF_UPLOAD_WAITING;
        item->attempts = item->answer = 0;
        item->next_wall_ns = 0;
        item->reason[0] = '\0';
    }
    item->bytes = bytes;
    (void)snprintf(item->digest, sizeof item->digest, "%s", digest);
    item->queued_wall_ns = hf_clock_wall_ns(&hf_clock_real);
}

/* 1 in *changed when the queue is another one now. */
static int add(struct hf_upload_queue *queue, const char *file, const struct hf_text *content, uint64_t bytes,
               const char *digest, int *changed, struct hf_error *error)
{
    struct hf_upload_item *item = item_of(queue, file);
    struct hf_upload_item was;
    char name[HF_UPLOAD_NAME_MAX + 32], path[PATH_MAX];

    if (item == NULL)
        return hf_fail(error, HF_E_RANGE, "the run has more than %d files to send", HF_UPLOAD_ITEMS_MAX);
    if (strcmp(item->digest, digest) == 0)
        return HF_OK;
    was = *item;
    replace(item, bytes, digest);
    copy_name(item, name);
    if (content != NULL && (path_of(queue, name, path, error) != HF_OK ||
                            hf_text_write_private(content, path, error) != HF_OK)) {
        *item = was;
        queue->count -= item->digest[0] == '\0';
        return error->code;
    }
    *changed = 1;
    return HF_OK;
}

static int add_file(struct hf_upload_queue *queue, const char *file, int *changed, struct hf_error *error)
{
    char path[PATH_MAX], digest[HF_SHA256_HEX];
    struct hf_sha256 sha;
    struct hf_text text;

    if (path_of(queue, file, path, error) != HF_OK)
        return error->code;
    if (access(path, F_OK) != 0)
        return HF_OK;
    if (hf_text_read_file(&text, path, COPY_MAX, error) != HF_OK)
        return error->code;
    hf_sha256_init(&sha);
    hf_sha256_update(&sha, text.bytes, text.size);
    hf_sha256_finish(&sha, digest);
    (void)add(queue, file, &text, text.size, digest, changed, error);
    hf_text_release(&text);
    return error->code;
}

static int is_certificate(const char *name)
{
    size_t length = strlen(name);

    return strncmp(name, "certificate-", 12) == 0 && length < HF_UPLOAD_NAME_MAX &&
           ((length > 5 && strcmp(name + length - 5, ".json") == 0) ||
            (length > 5 && strcmp(name + length - 5, ".html") == 0));
}

static int add_certificates(struct hf_upload_queue *queue, int *changed, struct hf_error *error)
{
    DIR *folder = opendir(queue->directory);
    const struct dirent *entry;

    if (folder == NULL)
        return hf_fail_errno(error, errno, "cannot read %s", queue->directory);
    while (error->code == HF_OK && (entry = readdir(folder)) != NULL) {
        if (is_certificate(entry->d_name))
            (void)add_file(queue, entry->d_name, changed, error);
    }
    (void)closedir(folder);
    return error->code;
}

static int add_journal(struct hf_upload_queue *queue, int *changed, struct hf_error *error)
{
    char path[PATH_MAX], digest[HF_SHA256_HEX];

    if (path_of(queue, JOURNAL, path, error) != HF_OK ||
        hf_upload_journal_digest(&queue->journal, path, digest, error) != HF_OK)
        return error->code;
    return add(queue, JOURNAL, NULL, queue->journal.bytes, digest, changed, error);
}

int hf_upload_queue_add_run(struct hf_upload_queue *queue, struct hf_error *error)
{
    int changed = 0;

    assert(!queue->read_only);
    (void)add_certificates(queue, &changed, error);
    if (error->code == HF_OK)
        (void)add_file(queue, "report.html", &changed, error);
    if (error->code == HF_OK)
        (void)add_journal(queue, &changed, error);
    if (!changed)
        return error->code;
    qsort(queue->items, (size_t)queue->count, sizeof *queue->items, compare_items);
    if (save(queue, error) == HF_OK)
        remove_strays(queue);
    return error->code;
}

int hf_upload_queue_retry(struct hf_upload_queue *queue, struct hf_error *error)
{
    for (int i = 0; i < queue->count; i++) {
        struct hf_upload_item *item = &queue->items[i];

        if (item->state == HF_UPLOAD_SENT)
            continue;
        item->state = HF_UPLOAD_WAITING;
        item->next_wall_ns = 0;
        item->attempts = 0;
    }
    return save(queue, error);
}

/* --- questions, and what became of an attempt
 * --------------------------------------------------------------- */

int hf_upload_queue_count(const struct hf_upload_queue *queue)
{
    return queue->count;
}

int hf_upload_queue_count_of(const struct hf_upload_queue *queue, enum hf_upload_state state)
{
    int count = 0;

    for (int i = 0; i < queue->count; i++)
        count += queue->items[i].state == state;
    return count;
}

const struct hf_upload_item *hf_upload_queue_at(const struct hf_upload_queue *queue, int index)
{
    assert(index >= 0 && index < queue->count);
    return &queue->items[index];
}

const char *hf_upload_queue_place(const struct hf_upload_queue *queue)
{
    return queue->place;
}

int hf_upload_queue_due(const struct hf_upload_queue *queue, int64_t wall_ns, double *ret_wait_s)
{
    *ret_wait_s = INFINITY;
    for (int i = 0; i < queue->count; i++) {
        double wait_s = (double)(queue->items[i].next_wall_ns - wall_ns) * 1e-9;

        if (queue->items[i].state != HF_UPLOAD_WAITING)
            continue;
        if (wait_s <= 0 || wait_s > AHEAD_MAX_S)
            return i;
        *ret_wait_s = fmin(*ret_wait_s, wait_s);
    }
    return -1;
}

int hf_upload_queue_find(const struct hf_upload_queue *queue, const char *file)
{
    for (int i = 0; i < queue->count; i++) {
        if (strcmp(queue->items[i].file, file) == 0)
            return i;
    }
    return -1;
}

int hf_upload_queue_open_file(const struct hf_upload_queue *queue, int index)
{
    char name[HF_UPLOAD_NAME_MAX + 32], path[PATH_MAX];
    struct hf_error error = {0};

    copy_name(hf_upload_queue_at(queue, index), name);
    if (path_of(queue, name, path, &error) != HF_OK) {
        errno = ENAMETOOLONG;
        return -1;
    }
    return open(path, O_RDONLY | O_CLOEXEC | O_NOFOLLOW);
}

int hf_upload_queue_sent(struct hf_upload_queue *queue, int index, const char *digest, int answer,
                         int64_t wall_ns, struct hf_error *error)
{
    struct hf_upload_item *item = &queue->items[index];

    assert(item->state == HF_UPLOAD_WAITING);
    (void)snprintf(item->sent_digest, sizeof item->sent_digest, "%s", digest);
    item->sent_wall_ns = wall_ns;
    item->answer = answer;
    item->attempts = 0;
    item->reason[0] = '\0';
    item->next_wall_ns = 0;
    if (strcmp(item->digest, digest) == 0) /* else a newer one has come meanwhile */
        item->state = HF_UPLOAD_SENT;
    if (save(queue, error) == HF_OK && item->state == HF_UPLOAD_SENT)
        remove_copy(queue, item);
    return error->code;
}

int hf_upload_queue_failed(struct hf_upload_queue *queue, int index, int answer, const char *reason, int park,
                           int64_t next_wall_ns, struct hf_error *error)
{
    struct hf_upload_item *item = &queue->items[index];

    assert(item->state == HF_UPLOAD_WAITING);
    item->state = park ? HF_UPLOAD_PARKED : HF_UPLOAD_WAITING;
    item->attempts += item->attempts < INT_MAX;
    item->answer = answer;
    item->next_wall_ns = park ? 0 : next_wall_ns;
    (void)snprintf(item->reason, sizeof item->reason, "%s", reason);
    return save(queue, error);
}

int hf_upload_queue_requeue(struct hf_upload_queue *queue, int index, struct hf_error *error)
{
    struct hf_upload_item *item = &queue->items[index];
    int is_new = 0;

    remove_copy(queue, item);
    (void)snprintf(item->digest, sizeof item->digest, "%064d", 0); /* no content has it: it is read again */
    if (!is_journal(item->file))
        return add_file(queue, item->file, &is_new, error) == HF_OK ? save(queue, error) : error->code;
    queue->journal = (struct hf_upload_journal){0};
    return add_journal(queue, &is_new, error) == HF_OK ? save(queue, error) : error->code;
}

void hf_upload_queue_text(const struct hf_upload_queue *queue, struct hf_text *text)
{
    if (queue->count == 0)
        hf_text_add_string(text, "nothing was queued\n");
    for (int i = 0; i < queue->count; i++) {
        const struct hf_upload_item *item = &queue->items[i];
        char when[HF_TIME_TEXT];

        hf_text_addf(text, "%-32s %-8s %10llu bytes", item->file, hf_upload_state_name(item->state),
                     (unsigned long long)item->bytes);
        if (item->state == HF_UPLOAD_SENT && item->sent_wall_ns != 0) {
            hf_time_format(item->sent_wall_ns, when);
            hf_text_addf(text, "  %s", when);
        }
        if (item->attempts > 0)
            hf_text_addf(text, "  %d attempt(s): %s", item->attempts, item->reason);
        if (item->state == HF_UPLOAD_WAITING && item->next_wall_ns != 0) {
            hf_time_format(item->next_wall_ns, when);
            hf_text_addf(text, "; again at %s", when);
        }
        hf_text_add_string(text, "\n");
    }
}
