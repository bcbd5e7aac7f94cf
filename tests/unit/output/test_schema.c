/*
 * docs/certificate.schema.json and what certify writes agree, both ways: nothing is written that the schema
 * does not describe, and nothing is described that no certificate has. A small reader of JSON Schema (draft
 * 2020-12), for the words that the schema uses: type, properties, required, additionalProperties, items,
 * const, enum.
 */
#include "output_fixture.h"

#include <cjson/cJSON.h>

#define PATHS_MAX 400

struct walk {
    char seen[PATHS_MAX][160]; /* properties met in some document, without indices */
    int count;
    char fault[300]; /* the first; "" */
};

static const cJSON *get(const cJSON *object, const char *key)
{
    return cJSON_GetObjectItemCaseSensitive(object, key);
}

static void remember(struct walk *walk, const char *path)
{
    for (int i = 0; i < walk->count; i++) {
        if (strcmp(walk->seen[i], path) == 0)
            return;
    }
    assert_true(walk->count < PATHS_MAX);
    (void)snprintf(walk->seen[walk->count++], sizeof walk->seen[0], "%s", path);
}

static void fault(struct walk *walk, const char *path, const char *words)
{
    if (walk->fault[0] == '\0')
        (void)snprintf(walk->fault, sizeof walk->fault, "%s: %s", path, words);
}

static int is_of_type(const cJSON *value, const char *type)
{
    return (strcmp(type, "object") == 0 && cJSON_IsObject(value)) ||
           (strcmp(type, "array") == 0 && cJSON_IsArray(value)) ||
           (strcmp(type, "string") == 0 && cJSON_IsString(value)) ||
           (strcmp(type, "boolean") == 0 && cJSON_IsBool(value)) ||
           (strcmp(type, "null") == 0 && cJSON_IsNull(value)) ||
           (strcmp(type, "number") == 0 && cJSON_IsNumber(value)) ||
           (strcmp(type, "integer") == 0 && cJSON_IsNumber(value) &&
            value->valuedouble == floor(value->valuedouble));
}

static void check_type(struct walk *walk, const cJSON *value, const cJSON *schema, const char *path)
{
    const cJSON *type = get(schema, "type");
    const cJSON *fixed = get(schema, "const");
    const cJSON *choice = get(schema, "enum");
    const cJSON *item;
    int fits = type == NULL;

    if (cJSON_IsString(type))
        fits = is_of_type(value, type->valuestring);
    cJSON_ArrayForEach(item, (cJSON_IsArray(type) ? type : NULL)) fits |=
        is_of_type(value, item->valuestring);
    if (!fits)
        fault(walk, path, "has another type");
    if (fixed != NULL && !cJSON_Compare(fixed, value, 1))
        fault(walk, path, "is not the constant");
    fits = choice == NULL;
    cJSON_ArrayForEach(item, choice) fits |= cJSON_Compare(item, value, 1);
    if (!fits)
        fault(walk, path, "is none of the choices");
}

static void check_value(struct walk *walk, const cJSON *value, const cJSON *schema, const char *path)
{
    const cJSON *item;

    check_type(walk, value, schema, path);
    cJSON_ArrayForEach(item, get(schema, "required"))
    {
        if (cJSON_IsObject(value) && get(value, item->valuestring) == NULL)
            fault(walk, path, item->valuestring);
    }
    cJSON_ArrayForEach(item, (cJSON_IsObject(value) ? value : NULL))
    {
        const cJSON *own = get(get(schema, "properties"), item->string);
        char below[160];

        (void)snprintf(below, sizeof below, "%.90s.%.60s", path, item->string);
        if (own == NULL) {
            fault(walk, below, "is not described");
            continue;
        }
        remember(walk, below);
        check_value(walk, item, own, below);
    }
    cJSON_ArrayForEach(item, (cJSON_IsArray(value) ? value : NULL))
        check_value(walk, item, get(schema, "items"), path);
}

/* Every property of the schema must have been met; and each object must be closed to others. */
static void check_all_met(const struct walk *walk, const cJSON *schema, const char *path)
{
    const cJSON *item;

    if (get(schema, "items") != NULL)
        check_all_met(walk, get(schema, "items"), path);
    if (get(schema, "properties") != NULL)
        assert_true(cJSON_IsFalse(get(schema, "additionalProperties")));
    cJSON_ArrayForEach(item, get(schema, "properties"))
    {
        char below[160];
        int met = 0;

        (void)snprintf(below, sizeof below, "%.90s.%.60s", path, item->string);
        for (int i = 0; i < walk->count; i++)
            met |= strcmp(walk->seen[i], below) == 0;
        if (!met)
            fail_msg("the schema describes %s, but no certificate has it", below);
        check_all_met(walk, item, below);
    }
}

static cJSON *parse_file(const char *directory, const char *name)
{
    size_t size;
    char *bytes = file_read(directory, name, &size);
    cJSON *document;

    if (bytes == NULL)
        fail_msg("no %s/%s", directory, name);
    document = cJSON_ParseWithOpts(bytes, NULL, 1);
    assert_non_null(document);
    free(bytes);
    return document;
}

static void check_night(struct walk *walk, struct night *night, const cJSON *schema)
{
    char directory[PATH_MAX];
    struct hf_error error = {0};

    scratch_make(directory);
    night_write(night, directory);
    assert_true(night->finished);
    assert_ok(hf_certificates_write(directory, HF_GROUP_ALL, NULL, &error));
    for (int g = -1; g < night->groups; g++) {
        char name[64] = "certificate-machine.json";
        cJSON *document;

        if (g >= 0)
            (void)snprintf(name, sizeof name, "certificate-g%d.json", g);
        if (night->left_out == g + 1 && g >= 0)
            continue;
        document = parse_file(directory, name);
        check_value(walk, document, schema, "");
        if (walk->fault[0] != '\0')
            fail_msg("%s: %s", name, walk->fault);
        cJSON_Delete(document);
    }
    scratch_remove(directory);
}

static void schema_and_certificates_agree(void **state)
{
    struct night nights[] = {
        {.groups = 3, .seed = 41, .soak_hours = 1, .factor = 60},
        {.groups = 2, .seed = 42, .soak_hours = 1, .factor = 0, .method = "step-up"},
        {.groups = 3, .seed = 43, .soak_hours = 1, .factor = 60, .method = "bisect", .left_out = 2}};
    struct walk *walk = calloc(1, sizeof *walk);
    cJSON *schema = parse_file(HOLDFAST_SOURCE_DIR "/docs", "certificate.schema.json");

    (void)state;
    assert_non_null(walk);
    for (size_t i = 0; i < sizeof nights / sizeof nights[0]; i++)
        check_night(walk, &nights[i], schema);
    check_all_met(walk, schema, "");
    assert_true(walk->count > 120);
    cJSON_Delete(schema);
    free(walk);
}

static void check_planted(const char *document_text, const char *words)
{
    struct walk *walk = calloc(1, sizeof *walk);
    cJSON *schema = cJSON_Parse(
        "{\"type\":\"object\",\"properties\":{\"a\":{\"type\":[\"integer\",\"null\"]},\"b\":{\"const\":0},"
        "\"c\":{\"type\":\"array\",\"items\":{\"enum\":[\"x\",\"y\"]}}},\"required\":[\"a\"]}");
    cJSON *document = cJSON_Parse(document_text);

    assert_non_null(walk);
    assert_non_null(schema);
    check_value(walk, document, schema, "");
    if (strstr(walk->fault, words) == NULL || (words[0] == '\0' && walk->fault[0] != '\0'))
        fail_msg("%s: \"%s\", expected \"%s\"", document_text, walk->fault, words);
    cJSON_Delete(document);
    cJSON_Delete(schema);
    free(walk);
}

/* The reader finds what it is there to find. */
static void planted_faults_are_found(void **state)
{
    (void)state;
    check_planted("{\"a\":1,\"b\":0,\"c\":[\"x\",\"y\"]}", "");
    check_planted("{\"a\":null}", "");
    check_planted("{\"a\":1.5}", ".a: has another type");
    check_planted("{\"a\":\"1\"}", ".a: has another type");
    check_planted("{\"b\":0}", ": a");
    check_planted("{\"a\":1,\"b\":1}", "is not the constant");
    check_planted("{\"a\":1,\"c\":[\"x\",\"z\"]}", "none of the choices");
    check_planted("{\"a\":1,\"d\":1}", ".d: is not described");
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(schema_and_certificates_agree),
        cmocka_unit_test(planted_faults_are_found),
    };

    return cmocka_run_group_tests(tests, NULL, NULL);
}
