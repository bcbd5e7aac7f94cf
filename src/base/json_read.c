#include "holdfast/json.h"

#include <cjson/cJSON.h>
#include <errno.h>
#include <math.h>
#include <stdarg.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#define NESTING_MAX 64

/* cJSON takes more than RFC 8259 allows. What it would let through is looked for first: nesting so deep that
 * it would recurse far, raw control characters and \\u0000 in strings, numbers like 01 and 1. Returns the
 * offending byte's offset with the reason in *ret_words, or -1. */
static long string_fault(const char *bytes, size_t size, size_t *at, const char **ret_words)
{
    for (size_t i = *at + 1; i < size; i++) {
        if (bytes[i] == '"') {
            *at = i;
            return -1;
        }
        if ((unsigned char)bytes[i] < 0x20) {
            *ret_words = "a raw control character stands in a string";
            return (long)i;
        }
        if (bytes[i] == '\\' && size - i > 5 && memcmp(bytes + i, "\\u0000", 6) == 0) {
            *ret_words = "a string holds the character U+0000";
            return (long)i;
        }
        if (bytes[i] == '\\')
            i++;
    }
    *at = size; /* unterminated: the parser says so */
    return -1;
}

static int is_digit(const char *bytes, size_t size, size_t at)
{
    return at < size && bytes[at] >= '0' && bytes[at] <= '9';
}

/* A number must not begin with a superfluous 0, and a point must stand between digits (RFC 8259, section 6).
 */
static int number_is_sound(const char *bytes, size_t size, size_t *at)
{
    size_t i = *at;

    if (bytes[i] == '-')
        i++;
    if (!is_digit(bytes, size, i) || (bytes[i] == '0' && is_digit(bytes, size, i + 1)))
        return 0;
    while (is_digit(bytes, size, i))
        i++;
    if (i < size && bytes[i] == '.' && !is_digit(bytes, size, i + 1))
        return 0;
    while (i < size && strchr("0123456789.eE+-", bytes[i]) != NULL)
        i++;
    *at = i - 1;
    return 1;
}

static long fault_at(const char *bytes, size_t size, const char **ret_words)
{
    int depth = 0;

    for (size_t i = 0; i < size; i++) {
        char byte = bytes[i];
        long fault = byte == '"' ? string_fault(bytes, size, &i, ret_words) : -1;

        if (fault >= 0)
            return fault;
        depth += (byte == '[' || byte == '{') - (byte == ']' || byte == '}');
        if (depth > NESTING_MAX) {
            *ret_words = "it is nested deeper than 64 levels";
            return (long)i;
        }
        if ((byte == '-' || is_digit(bytes, size, i)) && !number_is_sound(bytes, size, &i)) {
            *ret_words = "this is no JSON number";
            return (long)i;
        }
    }
    return -1;
}

static int line_of(const char *bytes, size_t size, const char *at)
{
    int line = 1;

    for (size_t i = 0; i < size && bytes + i < at; i++)
        line += bytes[i] == '\n';
    return line;
}

int hf_json_parse(const char *bytes, size_t size, const char *source, struct cJSON **ret_document,
                  struct hf_error *error)
{
    const char *end = NULL;
    const char *words = NULL;
    cJSON *document;
    long fault;

    if (size == 0)
        return hf_fail(error, HF_E_INPUT, "%s is empty; it must hold one JSON object", source);
    if (!hf_text_is_utf8(bytes, size) || memchr(bytes, '\0', size) != NULL)
        return hf_fail(error, HF_E_INPUT, "%s is not UTF-8 text", source);
    fault = memcmp(bytes, "\xef\xbb\xbf", size < 3 ? size : 3) == 0 ? 0 : fault_at(bytes, size, &words);
    if (fault >= 0)
        return hf_fail(error, HF_E_INPUT, "%s: line %d, byte %ld: %s", source,
                       line_of(bytes, size, bytes + fault), fault,
                       words != NULL ? words : "a byte order mark is not part of JSON");
    errno = 0; /* cJSON does not tell a want of memory from a fault of the text; the allocator does */
    document = cJSON_ParseWithLengthOpts(bytes, size, &end, 0);
    if (document == NULL && errno == ENOMEM)
        return hf_fail(error, HF_E_MEMORY, "%s: no memory to read it", source);
    if (document == NULL)
        return hf_fail(error, HF_E_INPUT, "%s: line %d is not JSON", source,
                       end ? line_of(bytes, size, end) : 1);
    while (end < bytes + size && strchr(" \t\r\n", *end) != NULL)
        end++;
    if (end != bytes + size || !cJSON_IsObject(document)) {
        int line = line_of(bytes, size, end);
        int is_object = cJSON_IsObject(document);

        cJSON_Delete(document);
        return is_object
                   ? hf_fail(error, HF_E_INPUT, "%s: line %d: something follows the object", source, line)
                   : hf_fail(error, HF_E_INPUT, "%s: the document must be one JSON object", source);
    }
    *ret_document = document;
    return HF_OK;
}

void hf_json_document_free(struct cJSON *document)
{
    cJSON_Delete(document);
}

struct hf_json_reader hf_json_root(const struct cJSON *document, const char *source)
{
    return (struct hf_json_reader){.source = source, .value = document};
}

int hf_json_fail(const struct hf_json_reader *place, const char *key, struct hf_error *error, int code,
                 const char *format, ...)
{
    char words[400];
    va_list arguments;
    int at_root = place->path[0] == '\0';

    va_start(arguments, format);
    (void)vsnprintf(words, sizeof words, format, arguments);
    va_end(arguments);
    return hf_fail(error, code, "%s: %s%s%s: %s", place->source, place->path,
                   key != NULL && !at_root ? "." : "", key != NULL ? key : (at_root ? "document" : ""),
                   words);
}

int hf_json_only_keys(const struct hf_json_reader *object, const char *const *keys, struct hf_error *error)
{
    const cJSON *item;

    cJSON_ArrayForEach(item, object->value)
    {
        int known = 0;

        for (int i = 0; keys[i] != NULL; i++)
            known |= strcmp(keys[i], item->string) == 0;
        if (!known)
            return hf_json_fail(object, NULL, error, HF_E_INPUT, "unknown key \"%.60s\"", item->string);
        if (cJSON_GetObjectItemCaseSensitive(object->value, item->string) != item)
            return hf_json_fail(object, NULL, error, HF_E_INPUT, "the key \"%.60s\" stands twice",
                                item->string);
    }
    return HF_OK;
}

int hf_json_has(const struct hf_json_reader *object, const char *key)
{
    return cJSON_GetObjectItemCaseSensitive(object->value, key) != NULL;
}

/* The member, or NULL and a failure that says it is missing. */
static const cJSON *member(const struct hf_json_reader *object, const char *key, struct hf_error *error)
{
    const cJSON *item = cJSON_GetObjectItemCaseSensitive(object->value, key);

    if (item == NULL)
        (void)hf_json_fail(object, key, error, HF_E_INPUT, "missing");
    return item;
}

static struct hf_json_reader child_of(const struct hf_json_reader *object, const char *key, const cJSON *item)
{
    struct hf_json_reader child = {.source = object->source, .value = item};

    (void)snprintf(child.path, sizeof child.path, "%.100s%s%.50s", object->path, object->path[0] ? "." : "",
                   key);
    return child;
}

int hf_json_get_object(const struct hf_json_reader *object, const char *key, struct hf_json_reader *ret_child,
                       struct hf_error *error)
{
    const cJSON *item = member(object, key, error);

    if (item == NULL)
        return error->code;
    if (!cJSON_IsObject(item))
        return hf_json_fail(object, key, error, HF_E_INPUT, "must be an object");
    *ret_child = child_of(object, key, item);
    return HF_OK;
}

int hf_json_get_array(const struct hf_json_reader *object, const char *key, int min_count, int max_count,
                      struct hf_json_reader *ret_child, int *ret_count, struct hf_error *error)
{
    const cJSON *item = member(object, key, error);
    int count;

    if (item == NULL)
        return error->code;
    if (!cJSON_IsArray(item))
        return hf_json_fail(object, key, error, HF_E_INPUT, "must be an array");
    count = cJSON_GetArraySize(item);
    if (count < min_count || count > max_count)
        return hf_json_fail(object, key, error, HF_E_RANGE, "has %d items; allowed: %d to %d", count,
                            min_count, max_count);
    *ret_child = child_of(object, key, item);
    *ret_count = count;
    return HF_OK;
}

struct hf_json_reader hf_json_item(const struct hf_json_reader *array, int index)
{
    struct hf_json_reader item = {.source = array->source, .value = cJSON_GetArrayItem(array->value, index)};

    (void)snprintf(item.path, sizeof item.path, "%.140s[%d]", array->path, index);
    return item;
}

int hf_json_get_number(const struct hf_json_reader *object, const char *key, double low, double high,
                       double *ret_value, struct hf_error *error)
{
    const cJSON *item = member(object, key, error);

    if (item == NULL)
        return error->code;
    if (!cJSON_IsNumber(item))
        return hf_json_fail(object, key, error, HF_E_INPUT, "must be a number from %.10g to %.10g", low,
                            high);
    if (!(item->valuedouble >= low && item->valuedouble <= high))
        return hf_json_fail(object, key, error, HF_E_RANGE, "is %.10g; allowed: %.10g to %.10g",
                            item->valuedouble, low, high);
    *ret_value = item->valuedouble;
    return HF_OK;
}

int hf_json_get_integer(const struct hf_json_reader *object, const char *key, int64_t low, int64_t high,
                        int64_t *ret_value, struct hf_error *error)
{
    double value = 0;

    if (hf_json_get_number(object, key, (double)low, (double)high, &value, error) != HF_OK)
        return error->code;
    if (value != floor(value))
        return hf_json_fail(object, key, error, HF_E_INPUT, "is %.17g; it must be a whole number", value);
    *ret_value = (int64_t)value;
    return HF_OK;
}

int hf_json_get_bool(const struct hf_json_reader *object, const char *key, int *ret_value,
                     struct hf_error *error)
{
    const cJSON *item = member(object, key, error);

    if (item == NULL)
        return error->code;
    if (!cJSON_IsBool(item))
        return hf_json_fail(object, key, error, HF_E_INPUT, "must be true or false");
    *ret_value = cJSON_IsTrue(item);
    return HF_OK;
}

int hf_json_get_u64(const struct hf_json_reader *object, const char *key, uint64_t *ret_value,
                    struct hf_error *error)
{
    const cJSON *item = member(object, key, error);
    char *end = NULL;
    uint64_t value;

    if (item == NULL)
        return error->code;
    if (!cJSON_IsString(item) || item->valuestring[0] < '0' || item->valuestring[0] > '9')
        return hf_json_fail(object, key, error, HF_E_INPUT,
                            "must be a string of digits (64-bit numbers do not fit a JSON number)");
    errno = 0;
    value = strtoull(item->valuestring, &end, strncmp(item->valuestring, "0x", 2) == 0 ? 16 : 10);
    if (*end != '\0')
        return hf_json_fail(object, key, error, HF_E_INPUT, "\"%.40s\" is not a number", item->valuestring);
    if (errno != 0)
        return hf_json_fail(object, key, error, HF_E_RANGE, "\"%.40s\" does not fit 64 bits",
                            item->valuestring);
    *ret_value = value;
    return HF_OK;
}

int hf_json_get_string(const struct hf_json_reader *object, const char *key, char *ret_text, size_t size,
                       struct hf_error *error)
{
    const cJSON *item = member(object, key, error);

    if (item == NULL)
        return error->code;
    if (!cJSON_IsString(item))
        return hf_json_fail(object, key, error, HF_E_INPUT, "must be a string");
    if (strlen(item->valuestring) >= size)
        return hf_json_fail(object, key, error, HF_E_RANGE, "is longer than %zu bytes", size - 1);
    for (const char *at = item->valuestring; *at != '\0'; at++) {
        if ((unsigned char)*at < 0x20 || *at == 0x7f)
            return hf_json_fail(object, key, error, HF_E_INPUT, "holds a control character");
    }
    (void)snprintf(ret_text, size, "%s", item->valuestring);
    return HF_OK;
}
