/* Mixes as data: profiles/mixes holds every embedded mix; docs/mix.schema.json names what the program knows.
 *
 * With HOLDFAST_WRITE_MIXES=1 in the environment the files are written anew instead of compared. */
#include <dirent.h>
#include <math.h>
#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>
#include <stdint.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#include <cjson/cJSON.h>
#include <cmocka.h>

#include "holdfast/mix.h"

#define FOLDER HOLDFAST_SOURCE_DIR "/profiles/mixes"

static char *read_file(const char *path)
{
    static char bytes[HF_MIX_BYTES_MAX + 1];
    FILE *file = fopen(path, "rb");
    size_t size;

    if (file == NULL)
        fail_msg("cannot open %s", path);
    size = fread(bytes, 1, sizeof bytes - 1, file);
    (void)fclose(file);
    bytes[size] = '\0';
    return bytes;
}

static int near(double a, double b)
{
    return fabs(a - b) <= 1e-12 * fabs(b);
}

static void assert_entries_equal(const struct hf_mix_entry *a, const struct hf_mix_entry *b)
{
    assert_string_equal(a->kernel, b->kernel);
    assert_string_equal(a->solo_kernel, b->solo_kernel);
    assert_string_equal(a->stream_kernel, b->stream_kernel);
    assert_int_equal(a->width_bits, b->width_bits);
    assert_int_equal(a->pattern, b->pattern);
    assert_int_equal(a->sync, b->sync);
    assert_true(near(a->period_s, b->period_s) && near(a->period_high_s, b->period_high_s));
    assert_true(near(a->duty, b->duty) && near(a->weight, b->weight));
}

static void assert_mixes_equal(const struct hf_mix *a, const struct hf_mix *b)
{
    assert_string_equal(a->name, b->name);
    assert_true(near(a->slice_low_s, b->slice_low_s) && near(a->slice_high_s, b->slice_high_s));
    assert_int_equal(a->entry_count, b->entry_count);
    for (int i = 0; i < a->entry_count; i++)
        assert_entries_equal(&a->entry[i], &b->entry[i]);
}

static void test_files_equal_builtin(void **unused)
{
    const char *write = getenv("HOLDFAST_WRITE_MIXES");

    (void)unused;
    assert_true(hf_mix_builtin_count() >= 8);
    for (int i = 0; i < hf_mix_builtin_count(); i++) {
        const struct hf_mix *mix = hf_mix_builtin_at(i);
        struct hf_error error = {0};
        struct hf_mix parsed;
        struct hf_text text;
        char path[512];
        char *bytes;

        (void)snprintf(path, sizeof path, FOLDER "/%s.json", mix->name);
        hf_text_init(&text, HF_MIX_BYTES_MAX);
        hf_mix_write(mix, &text);
        if (write != NULL && strcmp(write, "1") == 0) {
            FILE *file = fopen(path, "wb");

            assert_non_null(file);
            assert_true(fwrite(text.bytes, 1, text.size, file) == text.size);
            assert_int_equal(fclose(file), 0);
        }
        bytes = read_file(path);
        if (hf_mix_parse(bytes, strlen(bytes), path, &parsed, &error) != HF_OK)
            fail_msg("%s", error.message);
        assert_mixes_equal(&parsed, mix);
        if (strcmp(bytes, text.bytes) != 0)
            fail_msg("%s differs from the embedded mix; HOLDFAST_WRITE_MIXES=1 writes it anew", path);
        hf_text_release(&text);
    }
}

/* A change of any kind in a file is seen. */
static void test_comparison_sees(void **unused)
{
    static const char *const changes[][2] = {{"\"weight\": 2", "\"weight\": 3"},
                                             {"\"sync\": \"all\"", "\"sync\": \"dither\""},
                                             {"\"period_us\": 5,", "\"period_us\": 6,"}};
    char *bytes = read_file(FOLDER "/quick.json");

    (void)unused;
    for (int i = 0; i < 3; i++) {
        static char changed[HF_MIX_BYTES_MAX];
        struct hf_error error = {0};
        struct hf_mix parsed;
        struct hf_text text;
        char *at = strstr(bytes, changes[i][0]);

        assert_non_null(at);
        (void)snprintf(changed, sizeof changed, "%.*s%s%s", (int)(at - bytes), bytes, changes[i][1],
                       at + strlen(changes[i][0]));
        assert_int_equal(hf_mix_parse(changed, strlen(changed), "changed", &parsed, &error), HF_OK);
        hf_text_init(&text, HF_MIX_BYTES_MAX);
        hf_mix_write(&parsed, &text);
        assert_string_not_equal(text.bytes, bytes);
        assert_string_equal(text.bytes, changed);
        hf_text_release(&text);
    }
}

/* No file in the folder that is not an embedded mix. */
static void test_no_other_files(void **unused)
{
    DIR *folder = opendir(FOLDER);
    struct dirent *item;
    int count = 0;

    (void)unused;
    assert_non_null(folder);
    while ((item = readdir(folder)) != NULL)
        count += item->d_name[0] != '.';
    (void)closedir(folder);
    assert_int_equal(count, hf_mix_builtin_count());
}

/* --- the schema --- */

static const cJSON *at(const cJSON *node, const char *path)
{
    char part[64];

    while (*path != '\0') {
        size_t length = strcspn(path, "/");

        (void)snprintf(part, sizeof part, "%.*s", (int)length, path);
        node = cJSON_GetObjectItemCaseSensitive(node, part);
        if (node == NULL)
            fail_msg("the schema has no %s", part);
        path += length + (path[length] == '/');
    }
    return node;
}

static int listed(const cJSON *list, const char *word)
{
    const cJSON *item;

    cJSON_ArrayForEach(item, list)
    {
        if (cJSON_IsString(item) && strcmp(item->valuestring, word) == 0)
            return 1;
    }
    return 0;
}

static void test_schema_lists_kernels(void **unused)
{
    cJSON *schema = cJSON_Parse(read_file(HOLDFAST_SOURCE_DIR "/docs/mix.schema.json"));
    const cJSON *kernels = at(schema, "$defs/kernel/enum");
    const cJSON *widths = at(schema, "$defs/entry/properties/width_bits/enum");
    const cJSON *item;

    (void)unused;
    for (int i = 0; i < hf_kernel_count(); i++) {
        const struct hf_kernel *kernel = hf_kernel_at(i);
        int has_width = 0;

        if (!listed(kernels, kernel->name))
            fail_msg("docs/mix.schema.json does not list the kernel %s", kernel->name);
        cJSON_ArrayForEach(item, widths) has_width |= item->valueint == kernel->width_bits;
        if (!has_width)
            fail_msg("docs/mix.schema.json does not list the width %d", kernel->width_bits);
    }
    cJSON_ArrayForEach(item, kernels)
    {
        if (hf_kernel_index(item->valuestring, 0) < 0)
            fail_msg("docs/mix.schema.json lists the kernel %s, which is not there", item->valuestring);
    }
    cJSON_Delete(schema);
}

static void test_schema_lists_words(void **unused)
{
    cJSON *schema = cJSON_Parse(read_file(HOLDFAST_SOURCE_DIR "/docs/mix.schema.json"));
    const cJSON *patterns = at(schema, "$defs/entry/properties/pattern/enum");
    const cJSON *syncs = at(schema, "$defs/entry/properties/sync/enum");

    (void)unused;
    assert_int_equal(cJSON_GetArraySize(patterns), HF_PATTERN_COUNT);
    assert_int_equal(cJSON_GetArraySize(syncs), HF_SYNC_COUNT);
    for (int i = 0; i < HF_PATTERN_COUNT; i++)
        assert_true(listed(patterns, hf_pattern_name((enum hf_pattern)i)));
    for (int i = 0; i < HF_SYNC_COUNT; i++)
        assert_true(listed(syncs, hf_sync_name((enum hf_sync)i)));
    assert_true(at(schema, "$defs/entry/properties/period_us/minimum")->valuedouble ==
                HF_PULSE_PERIOD_LOW_S * 1e6);
    assert_true(at(schema, "$defs/entry/properties/period_us/maximum")->valuedouble ==
                HF_SQUARE_PERIOD_HIGH_S * 1e6);
    cJSON_Delete(schema);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(test_files_equal_builtin), cmocka_unit_test(test_comparison_sees),
        cmocka_unit_test(test_no_other_files),      cmocka_unit_test(test_schema_lists_kernels),
        cmocka_unit_test(test_schema_lists_words),
    };

    return cmocka_run_group_tests(tests, NULL, NULL);
}
