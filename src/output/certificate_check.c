/*
 * Checking a certificate: it is computed again from the journal, up to the record at which the run had
 * finished, and compared. First as values, so that the place that differs can be named; then byte by byte, so
 * that nothing that reads as the same value passes for it.
 */
#include <assert.h>
#include <cjson/cJSON.h>
#include <inttypes.h>
#include <stdarg.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#include "output/output_private.h"

#define VALUE_WORDS 160

static void differ(struct hf_certificate_verdict *verdict, const char *path, const char *format, ...)
    __attribute__((format(printf, 3, 4)));

static void differ(struct hf_certificate_verdict *verdict, const char *path, const char *format, ...)
{
    va_list arguments;

    verdict->agrees = 0;
    (void)snprintf(verdict->path, sizeof verdict->path, "%s", path);
    va_start(arguments, format);
    (void)vsnprintf(verdict->words, sizeof verdict->words, format, arguments);
    va_end(arguments);
}

/* --- values ------------------------------------------------------------------------------------------- */

static void describe_value(const cJSON *item, char *ret_words, size_t size)
{
    if (item == NULL)
        (void)snprintf(ret_words, size, "nothing");
    else if (cJSON_IsString(item))
        (void)snprintf(ret_words, size, "\"%.140s\"", item->valuestring);
    else if (cJSON_IsNumber(item))
        (void)snprintf(ret_words, size, "%.17g", item->valuedouble);
    else if (cJSON_IsBool(item))
        (void)snprintf(ret_words, size, "%s", cJSON_IsTrue(item) ? "true" : "false");
    else if (cJSON_IsNull(item))
        (void)snprintf(ret_words, size, "null");
    else
        (void)snprintf(ret_words, size, "%s of %d", cJSON_IsArray(item) ? "a list" : "an object",
                       cJSON_GetArraySize(item));
}

static int plain_values_agree(const cJSON *given, const cJSON *expected)
{
    if ((given->type & 0xff) != (expected->type & 0xff))
        return 0;
    if (cJSON_IsString(expected))
        return strcmp(given->valuestring, expected->valuestring) == 0;
    /* Same digits, same double: no tolerance is wanted. */
    return !cJSON_IsNumber(expected) ||
           memcmp(&given->valuedouble, &expected->valuedouble, sizeof(double)) == 0;
}

static int values_agree(const cJSON *given, const cJSON *expected, const char *path,
                        struct hf_certificate_verdict *verdict);

static int lists_agree(const cJSON *given, const cJSON *expected, const char *path,
                       struct hf_certificate_verdict *verdict)
{
    int count = cJSON_GetArraySize(expected);
    char below[HF_JSON_PATH_MAX];

    for (int i = 0; i < count; i++) {
        (void)snprintf(below, sizeof below, "%.140s[%d]", path, i);
        if (!values_agree(cJSON_GetArrayItem(given, i), cJSON_GetArrayItem(expected, i), below, verdict))
            return 0;
    }
    if (cJSON_GetArraySize(given) == count)
        return 1;
    differ(verdict, path, "the file has %d items, the journal gives %d", cJSON_GetArraySize(given), count);
    return 0;
}

static int objects_agree(const cJSON *given, const cJSON *expected, const char *path,
                         struct hf_certificate_verdict *verdict)
{
    const char *dot = path[0] != '\0' ? "." : "";
    char below[HF_JSON_PATH_MAX];
    const cJSON *item;

    cJSON_ArrayForEach(item, expected)
    {
        (void)snprintf(below, sizeof below, "%.100s%s%.50s", path, dot, item->string);
        if (!values_agree(cJSON_GetObjectItemCaseSensitive(given, item->string), item, below, verdict))
            return 0;
    }
    cJSON_ArrayForEach(item, given)
    {
        if (cJSON_GetObjectItemCaseSensitive(expected, item->string) != NULL)
            continue;
        (void)snprintf(below, sizeof below, "%.100s%s%.50s", path, dot, item->string);
        differ(verdict, below, "a certificate has no such member");
        return 0;
    }
    return 1;
}

/* Both documents are at most 64 levels deep (hf_json_parse), and so is this recursion. */
static int values_agree(const cJSON *given, const cJSON *expected, const char *path,
                        struct hf_certificate_verdict *verdict)
{
    char given_words[VALUE_WORDS];
    char expected_words[VALUE_WORDS];

    if (given != NULL && cJSON_IsObject(expected) && cJSON_IsObject(given))
        return objects_agree(given, expected, path, verdict);
    if (given != NULL && cJSON_IsArray(expected) && cJSON_IsArray(given))
        return lists_agree(given, expected, path, verdict);
    if (given != NULL && plain_values_agree(given, expected))
        return 1;
    describe_value(given, given_words, sizeof given_words);
    describe_value(expected, expected_words, sizeof expected_words);
    differ(verdict, path, "the file says %s, the journal gives %s", given_words, expected_words);
    return 0;
}

/* Same values, other bytes: a digit beyond what a number holds, an order, a blank. */
static int bytes_agree(const struct hf_text *given, const struct hf_text *expected, const char *what,
                       struct hf_certificate_verdict *verdict)
{
    size_t shorter = given->size < expected->size ? given->size : expected->size;
    size_t at = 0;
    int line = 1;
    char path[32];

    while (at < shorter && given->bytes[at] == expected->bytes[at]) {
        line += given->bytes[at] == '\n';
        at++;
    }
    if (at == shorter && given->size == expected->size)
        return 1;
    (void)snprintf(path, sizeof path, "line %d", line);
    differ(verdict, path, "%s: byte %zu is not what certify writes there", what, at + 1);
    return 0;
}

/* --- what the file claims to be ------------------------------------------------------------------------ */

struct claim {
    char identity[24];
    char digest[HF_SHA256_HEX];
    char group_name[HF_NAME_MAX];
    int is_machine;
    uint64_t records;
};

/* A member that every certificate has; a certificate without it has been tampered with, which is a verdict.
 */
static int claim_string(const struct hf_json_reader *root, const char *section, const char *key,
                        char *ret_text, size_t size, struct hf_certificate_verdict *verdict)
{
    struct hf_json_reader object = *root;
    struct hf_error error = {0};
    char path[HF_JSON_PATH_MAX];

    (void)snprintf(path, sizeof path, "%s%s%s", section ? section : "", section ? "." : "", key);
    if ((section == NULL || hf_json_get_object(root, section, &object, &error) == HF_OK) &&
        hf_json_get_string(&object, key, ret_text, size, &error) == HF_OK)
        return 1;
    differ(verdict, path, "%s", error.message);
    return 0;
}

static int read_claim(const struct hf_json_reader *root, struct claim *ret_claim,
                      struct hf_certificate_verdict *verdict)
{
    struct claim claim = {0};
    char kind[16];
    char records[24];

    if (!claim_string(root, NULL, "kind", kind, sizeof kind, verdict) ||
        !claim_string(root, "run", "identity", claim.identity, sizeof claim.identity, verdict) ||
        !claim_string(root, "run", "profile_digest", claim.digest, sizeof claim.digest, verdict) ||
        !claim_string(root, "journal", "records", records, sizeof records, verdict))
        return 0;
    claim.is_machine = strcmp(kind, "machine") == 0;
    if (!claim.is_machine &&
        !claim_string(root, "group", "name", claim.group_name, sizeof claim.group_name, verdict))
        return 0;
    claim.records = records[0] >= '0' && records[0] <= '9' ? strtoull(records, NULL, 10) : 0;
    if (claim.records == 0) {
        differ(verdict, "journal.records", "the file says \"%s\": it must be the number of a record",
               records);
        return 0;
    }
    *ret_claim = claim;
    return 1;
}

static int read_document(const char *file, struct hf_text *ret_text, struct cJSON **ret_document,
                         struct hf_error *error)
{
    struct hf_json_reader root;
    struct hf_error ignored = {0};
    struct hf_text text;
    int64_t format;
    char kind[32];

    if (hf_text_read_file(&text, file, HF_CERTIFICATE_BYTES_MAX, error) != HF_OK)
        return error->code;
    if (hf_json_parse(text.bytes, text.size, file, ret_document, error) != HF_OK)
        goto release_text;
    root = hf_json_root(*ret_document, file);
    if (hf_json_get_string(&root, "document", kind, sizeof kind, &ignored) != HF_OK ||
        strcmp(kind, "holdfast certificate") != 0) {
        (void)hf_fail(error, HF_E_INPUT, "%s is not a certificate", file);
        goto free_document;
    }
    if (hf_json_get_integer(&root, "format", 1, 1000000, &format, error) != HF_OK)
        goto free_document;
    if (format > HF_CERTIFICATE_FORMAT) {
        (void)hf_fail(error, HF_E_VERSION, "%s has format %" PRId64 "; this program knows formats up to %d",
                      file, format, HF_CERTIFICATE_FORMAT);
        goto free_document;
    }
    *ret_text = text;
    return HF_OK;
free_document:
    hf_json_document_free(*ret_document);
release_text:
    hf_text_release(&text);
    return error->code;
}

/* --- the comparison ----------------------------------------------------------------------------------- */

static int belongs_to(const struct hf_evidence *evidence, const struct claim *claim,
                      struct hf_certificate_verdict *verdict)
{
    if (strcmp(claim->identity, evidence->salt) != 0)
        differ(verdict, "run.identity", "the file belongs to run %s, this directory holds run %s",
               claim->identity, evidence->salt);
    else if (strcmp(claim->digest, evidence->profile->digest) != 0)
        differ(verdict, "run.profile_digest", "the file says %s, the run's profile has %s", claim->digest,
               evidence->profile->digest);
    else if (claim->records > evidence->journal_records)
        differ(verdict, "journal.records",
               "the file rests on %" PRIu64 " records, the journal has %" PRIu64 ": records are missing",
               claim->records, evidence->journal_records);
    else
        return 1;
    return 0;
}

static void compare_document(const struct hf_evidence *evidence, int group, const struct hf_text *given_text,
                             const cJSON *given, struct hf_certificate_verdict *verdict)
{
    struct hf_error error = {0};
    struct cJSON *expected = NULL;
    struct hf_text text;

    if (hf_certificate_document(evidence, group, &text, &error) != HF_OK) {
        differ(verdict, "journal.records", "%s", error.message);
        return;
    }
    if (hf_json_parse(text.bytes, text.size, "the recomputed certificate", &expected, &error) != HF_OK) {
        differ(verdict, "document", "%s", error.message);
    } else {
        verdict->agrees =
            values_agree(given, expected, "", verdict) &&
            bytes_agree(given_text, &text, "the values agree, but the file was rewritten", verdict);
        hf_json_document_free(expected);
    }
    hf_text_release(&text);
}

static int check_claim(const char *directory, const struct claim *claim, const struct hf_text *text,
                       const cJSON *document, struct hf_certificate_verdict *verdict, struct hf_error *error)
{
    struct hf_evidence *whole = NULL;
    struct hf_evidence *evidence = NULL;
    int group = HF_GROUP_ALL;
    struct hf_evidence_soak soak;
    int ignored;

    if (hf_evidence_open_bare(directory, &whole, error) != HF_OK)
        return error->code;
    if (!belongs_to(whole, claim, verdict))
        goto done;
    if (!claim->is_machine &&
        hf_profile_group_of(whole->profile, claim->group_name, &group, error) != HF_OK) {
        differ(verdict, "group.name", "%s", error->message);
        hf_error_clear(error);
        goto done;
    }
    if (hf_evidence_open_at(directory, claim->records, &evidence, error) != HF_OK)
        goto done;
    compare_document(evidence, group, text, document, verdict);
    hf_evidence_soak(evidence, &soak);
    (void)hf_later_failure(whole, claim->records, group, soak.plan.step, &ignored, &verdict->later_failures);
done:
    hf_evidence_free(evidence);
    hf_evidence_free(whole);
    return error->code;
}

static int check_document(const char *file, const char *directory, struct hf_certificate_verdict *ret_verdict,
                          struct hf_error *error)
{
    struct hf_certificate_verdict verdict = {0};
    struct cJSON *document = NULL;
    struct hf_json_reader root;
    struct hf_text text;
    struct claim claim;

    if (read_document(file, &text, &document, error) != HF_OK)
        return error->code;
    root = hf_json_root(document, file);
    if (read_claim(&root, &claim, &verdict) &&
        check_claim(directory, &claim, &text, document, &verdict, error) == HF_E_DAMAGED) {
        differ(&verdict, "journal", "%s", error->message); /* a broken journal supports nothing */
        hf_error_clear(error);
    }
    hf_json_document_free(document);
    hf_text_release(&text);
    if (error->code == HF_OK)
        *ret_verdict = verdict;
    assert(error->code != HF_OK || verdict.agrees == (verdict.path[0] == '\0'));
    return error->code;
}

/* --- pages -------------------------------------------------------------------------------------------- */

/* The group whose page bears the file's name; HF_GROUP_ALL: the machine's; HF_GROUP_NONE: no such page. */
static int group_of_page(const struct hf_evidence *evidence, const char *file)
{
    const char *slash = strrchr(file, '/');
    const char *name = slash != NULL ? slash + 1 : file;

    for (int group = HF_GROUP_ALL; group < evidence->profile->group_count; group++) {
        char wanted[128];
        size_t length;

        hf_certificate_file_name(evidence, group, wanted);
        length = strlen(wanted) - strlen(".json");
        if (strncmp(name, wanted, length) == 0 && strcmp(name + length, ".html") == 0)
            return group;
    }
    return HF_GROUP_NONE;
}

static void compare_page(const struct hf_evidence *evidence, int group, const struct hf_text *given,
                         struct hf_certificate_verdict *verdict)
{
    struct hf_error error = {0};
    struct hf_text document;
    struct hf_text page;
    char name[128];

    hf_certificate_file_name(evidence, group, name);
    if (hf_certificate_document(evidence, group, &document, &error) != HF_OK) {
        differ(verdict, "journal.records", "%s", error.message);
        return;
    }
    if (hf_certificate_html(&document, name, &page, &error) != HF_OK) {
        differ(verdict, "document", "%s", error.message);
    } else {
        verdict->agrees = bytes_agree(given, &page, "this is not the page that certify writes", verdict);
        hf_text_release(&page);
    }
    hf_text_release(&document);
}

/* "about" of the page's head: identity of the run, and the number of records that it rests on. */
static int read_page_claim(const char *file, const struct hf_text *text, struct claim *claim,
                           struct hf_error *error)
{
    static const char mark[] = "<meta name=\"about\" content=\"certificate ";
    const char *found = strstr(text->bytes, mark);
    char format[32];

    (void)snprintf(format, sizeof format, "%%%zu[0-9a-fx] %%" SCNu64 "\"", sizeof claim->identity - 1);
    if (found == NULL || sscanf(found + strlen(mark), format, claim->identity, &claim->records) != 2 ||
        claim->records == 0)
        return hf_fail(error, HF_E_INPUT, "%s is not the page of a certificate", file);
    return HF_OK;
}

static int check_page(const char *file, const char *directory, const struct hf_text *text,
                      struct hf_certificate_verdict *verdict, struct hf_error *error)
{
    struct hf_evidence *whole = NULL;
    struct hf_evidence *evidence = NULL;
    struct hf_evidence_soak soak;
    struct claim claim = {0};
    int group;
    int ignored;

    if (read_page_claim(file, text, &claim, error) != HF_OK ||
        hf_evidence_open_bare(directory, &whole, error) != HF_OK)
        return error->code;
    (void)snprintf(claim.digest, sizeof claim.digest, "%s", whole->profile->digest); /* the page shows it */
    if (!belongs_to(whole, &claim, verdict))
        goto done;
    group = group_of_page(whole, file);
    if (group == HF_GROUP_NONE) {
        (void)hf_fail(error, HF_E_INPUT,
                      "%s: no group's page has this name: keep the name that certify gave it", file);
        goto done;
    }
    if (hf_evidence_open_at(directory, claim.records, &evidence, error) != HF_OK)
        goto done;
    compare_page(evidence, group, text, verdict);
    hf_evidence_soak(evidence, &soak);
    (void)hf_later_failure(whole, claim.records, group, soak.plan.step, &ignored, &verdict->later_failures);
done:
    hf_evidence_free(evidence);
    hf_evidence_free(whole);
    return error->code;
}

int hf_certificate_check(const char *file, const char *directory, struct hf_certificate_verdict *ret_verdict,
                         struct hf_error *error)
{
    struct hf_certificate_verdict verdict = {0};
    struct hf_text text;

    if (hf_text_read_file(&text, file, HF_CERTIFICATE_BYTES_MAX, error) != HF_OK)
        return error->code;
    if (strncmp(text.bytes, "<!doctype html>", 15) != 0) {
        hf_text_release(&text);
        return check_document(file, directory, ret_verdict, error);
    }
    if (check_page(file, directory, &text, &verdict, error) == HF_E_DAMAGED) {
        differ(&verdict, "journal", "%s", error->message);
        hf_error_clear(error);
    }
    hf_text_release(&text);
    if (error->code == HF_OK)
        *ret_verdict = verdict;
    return error->code;
}
