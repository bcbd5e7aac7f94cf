/*
 * Reading a journal: every line in order, then the judgement of whatever follows the last valid one.
 *
 *   read_line: valid -> visited, next line        (end of the bytes: clean)
 *              invalid -> judge_tail: torn         the caller moves it aside, the run goes on
 *                                     damaged      refused, or salvaged when asked for
 *
 * Invariants
 *  1. `good_size` bytes hold exactly `records` valid lines that chain from the salt; nothing after them is
 *     believed.
 *  2. A torn tail can only be what one interrupted write left: at most HF_JOURNAL_COMMIT_MAX bytes, and
 *     whatever looks valid in it belongs to the write of its first line. A line of a later write proves that
 *     the invalid line was once durable: that is damage.
 *  3. Nothing here changes anything.
 */
#include <assert.h>
#include <inttypes.h>
#include <stdio.h>
#include <string.h>

#include "holdfast/checksum.h"
#include "record/record_private.h"

struct reading {
    const char *bytes;
    size_t size;
    const char *name;
    char source[320]; /* "FILE: line N": what messages begin with */
    struct hf_verified found;
};

static void name_line(struct reading *reading)
{
    (void)snprintf(reading->source, sizeof reading->source, "%.280s: line %" PRIu64, reading->name,
                   reading->found.records + 1);
}

/* --- the first line: version and salt ----------------------------------------------------------------- */

static int check_version(const struct hf_json_reader *data, struct hf_error *error)
{
    int64_t version;

    if (hf_json_get_integer(data, "version", 1, INT32_MAX, &version, error) != HF_OK)
        return hf_as_damaged(error);
    if (version > HF_JOURNAL_VERSION)
        return hf_fail(error, HF_E_VERSION,
                       "%s: the journal has format %" PRId64
                       ", this program reads up to format %d: it was written by a "
                       "newer version; use that version to go on",
                       data->source, version, HF_JOURNAL_VERSION);
    return HF_OK;
}

static int check_first(const struct hf_line *line, const struct hf_record *record, struct hf_error *error)
{
    char salt[HF_SALT_TEXT];

    if (check_version(&record->data, error) != HF_OK)
        return error->code;
    if (hf_json_get_string(&record->data, "salt", salt, sizeof salt, error) != HF_OK)
        return hf_as_damaged(error);
    if (hf_crc32c(0, salt, strlen(salt)) != line->prev)
        return hf_fail(error, HF_E_DAMAGED, "%s: the chain does not begin with the salt",
                       record->data.source);
    return HF_OK;
}

/* A newer version may have changed the shape of lines: then line 1 still says so, as JSON. */
static int is_newer_version(const struct reading *reading, size_t line_size, struct hf_error *error)
{
    struct hf_error ignored = {0};
    struct hf_json_reader root;
    struct hf_json_reader data;
    struct cJSON *document = NULL;
    char type[HF_NAME_MAX];
    int newer = 0;

    if (hf_json_parse(reading->bytes, line_size, reading->source, &document, &ignored) != HF_OK)
        return 0;
    root = hf_json_root(document, reading->source);
    if (hf_json_get_string(&root, "type", type, sizeof type, &ignored) == HF_OK &&
        strcmp(type, hf_record_type_name(HF_RECORD_RUN_BEGIN)) == 0 &&
        hf_json_get_object(&root, "data", &data, &ignored) == HF_OK)
        newer = check_version(&data, error) == HF_E_VERSION;
    if (!newer)
        hf_error_clear(error);
    hf_json_document_free(document);
    return newer;
}

/* --- the tail ------------------------------------------------------------------------------------------ */

/* The next place from `at` on where a line that looks valid begins, even one glued to garbage (its newline
 * was hit):
 * `{"seq":` cannot stand inside a line, where quotes are escaped. */
static const char *next_valid_looking(const char *at, const char *end, struct hf_line *ret_line)
{
    static const char opening[] = "{\"seq\":";

    while ((at = memmem(at, (size_t)(end - at), opening, sizeof opening - 1)) != NULL) {
        size_t room = (size_t)(end - at);
        const char *newline = memchr(at, '\n', room < HF_JOURNAL_LINE_MAX ? room : HF_JOURNAL_LINE_MAX);

        if (newline != NULL && hf_line_scan(at, (size_t)(newline - at) + 1, ret_line) == HF_LINE_GOOD)
            return at;
        at++;
    }
    return NULL;
}

/* 1 when the line may be the rest of the commit whose line `broken` (a sequence number) is invalid. */
static int is_of_broken_commit(const struct hf_verified *found, const struct hf_line *line, uint64_t *group)
{
    uint64_t broken = found->records + 1;

    if (line->sequence <= broken)
        return 0;
    if (line->commit != broken && (found->records == 0 || line->commit != found->commit))
        return 0;
    if (*group != 0 && *group != line->commit)
        return 0;
    *group = line->commit;
    return 1;
}

/* NULL: the tail is torn; else why it is damage. */
static const char *why_damaged(const struct reading *reading)
{
    const char *at = reading->bytes + reading->found.good_size;
    const char *end = reading->bytes + reading->size;
    struct hf_line line;
    uint64_t group = 0;

    if ((size_t)(end - at) > HF_JOURNAL_COMMIT_MAX)
        return "more follows it than one interrupted write can leave";
    while ((at = next_valid_looking(at, end, &line)) != NULL) {
        if (!is_of_broken_commit(&reading->found, &line, &group))
            return "lines that were acknowledged after it follow";
        at++;
    }
    return NULL;
}

static int judge_tail(struct reading *reading, const char *fault, int salvage, struct hf_error *error)
{
    const char *why = why_damaged(reading);

    if (why == NULL || (salvage && reading->found.records > 0)) {
        reading->found.torn = 1;
        return HF_OK;
    }
    if (reading->found.records == 0)
        return hf_fail(error, HF_E_DAMAGED,
                       "%s is damaged (%s; %s), so nothing in this journal can be trusted and nothing was "
                       "changed: begin a "
                       "new run in another directory",
                       reading->source, fault, why);
    return hf_fail(
        error, HF_E_DAMAGED,
        "%s is damaged (%s; %s); nothing was changed. Copy the run directory, then go on with --salvage, "
        "which keeps the %" PRIu64 " lines before it",
        reading->source, fault, why, reading->found.records);
}

/* --- the lines ----------------------------------------------------------------------------------------- */

/* NULL when the line continues the chain. */
static const char *chain_fault(const struct hf_verified *found, const struct hf_line *line)
{
    if (line->sequence != found->records + 1)
        return "its sequence number does not follow the line before it";
    if (found->records > 0 && line->prev != found->last_crc)
        return "it does not continue the chain of checksums";
    if (line->commit != line->sequence && line->commit != found->commit)
        return "it names a commit that is not its own";
    if ((line->type == HF_RECORD_RUN_BEGIN) != (line->sequence == 1))
        return line->sequence == 1 ? "the first line must be run-begin"
                                   : "run-begin may only be the first line";
    return NULL;
}

static int visit(struct reading *reading, const struct hf_line *line, hf_record_visitor *visitor,
                 void *context, struct hf_error *error)
{
    struct cJSON *document = NULL;
    struct hf_record record;
    int code;

    if (line->type == HF_LINE_TYPE_UNKNOWN)
        return hf_fail(
            error, HF_E_VERSION,
            "%s: a type of record that this program does not know: written by a newer version; use "
            "that version to go on",
            reading->source);
    if (visitor == NULL && line->sequence > 1)
        return HF_OK;
    code = hf_line_to_record(line, reading->source, &document, &record, error);
    if (code != HF_OK)
        return code;
    if (line->sequence == 1)
        code = check_first(line, &record, error);
    if (code == HF_OK && visitor != NULL)
        code = visitor(context, &record, error);
    hf_json_document_free(document);
    return code;
}

static void accept(struct hf_verified *found, const struct hf_line *line, size_t size)
{
    found->records++;
    found->commit = line->commit;
    found->last_crc = line->crc;
    found->last_wall_ns = line->wall_ns;
    found->good_size += size;
}

int hf_journal_verify(const char *bytes, size_t size, const char *name, int salvage,
                      hf_record_visitor *visitor, void *context, struct hf_verified *ret_verified,
                      struct hf_error *error)
{
    struct reading reading = {.bytes = bytes, .size = size, .name = name};

    while (reading.found.good_size < size) {
        const char *at = bytes + reading.found.good_size;
        const char *newline = memchr(at, '\n', size - reading.found.good_size);
        size_t line_size = newline ? (size_t)(newline - at) + 1 : size - reading.found.good_size;
        struct hf_line line;
        enum hf_line_fault fault = hf_line_scan(at, line_size, &line);
        const char *words =
            fault == HF_LINE_GOOD ? chain_fault(&reading.found, &line) : hf_line_fault_words(fault);
        int code;

        name_line(&reading);
        if (fault == HF_LINE_SHAPE && reading.found.records == 0 &&
            is_newer_version(&reading, line_size, error))
            return error->code;
        if (words != NULL) {
            code = judge_tail(&reading, words, salvage, error);
            if (code != HF_OK)
                return code;
            break;
        }
        code = visit(&reading, &line, visitor, context, error);
        if (code != HF_OK)
            return code;
        accept(&reading.found, &line, line_size);
    }
    assert(reading.found.good_size <= size && reading.found.torn == (reading.found.good_size < size));
    *ret_verified = reading.found;
    return HF_OK;
}
