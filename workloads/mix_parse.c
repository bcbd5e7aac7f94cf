/*
 * Mix files: JSON, described by docs/mix.schema.json and read strictly.
 *
 *   {"name": "evening", "slice_low_s": 0.5, "slice_high_s": 2,
 *    "entries": [{"kernel": "fma-residue", "width_bits": 512, "pattern": "square", "sync": "all",
 *                 "period_us": 1.5, "period_high_us": 100, "duty": 0.5, "weight": 3}]}
 *
 * Left out: slice_low_s 0.5, slice_high_s 2 (slice_low_s when that is longer), width_bits 0 (the widest that
 * runs here), pattern steady, sync free for steady and all for the others, period_high_us period_us, duty
 * 0.5, stream_kernel none. A key that the entry's pattern has no use for is refused: it would say something
 * that does not happen. Memory kernels of one kind at two levels in an entry are refused: see
 * refuse_two_levels(). Company may be of any kind and level: it runs on other cores.
 */
#include <cjson/cJSON.h>
#include <stdio.h>
#include <string.h>

#include "holdfast/json.h"
#include "holdfast/mix.h"
#include "workloads/arena.h"

#define SLICE_LOW_S  0.1
#define SLICE_HIGH_S 60.0
#define WEIGHT_LOW   1e-6
#define WEIGHT_HIGH  1e6
#define DUTY_LOW     0.01
#define DUTY_HIGH    1.0
#define WORDS_SIZE   320

/* "a, b, c" of the registry's kernel names, each once. */
static void kernel_names(char ret_words[WORDS_SIZE])
{
    size_t used = 0;
    const char *last = "";

    ret_words[0] = '\0';
    for (int i = 0; i < hf_kernel_count(); i++) {
        const char *name = hf_kernel_at(i)->name;

        if (strcmp(name, last) != 0 && used < WORDS_SIZE)
            used += (size_t)snprintf(ret_words + used, WORDS_SIZE - used, "%s%s", used ? ", " : "", name);
        last = name;
    }
}

static void kernel_widths(const char *kernel, char ret_words[WORDS_SIZE])
{
    size_t used = (size_t)snprintf(ret_words, WORDS_SIZE, "0");

    for (int i = 0; i < hf_kernel_count(); i++) {
        if (strcmp(hf_kernel_at(i)->name, kernel) == 0 && used < WORDS_SIZE)
            used +=
                (size_t)snprintf(ret_words + used, WORDS_SIZE - used, ", %d", hf_kernel_at(i)->width_bits);
    }
}

static int read_kernel(const struct hf_json_reader *place, const char *key, char ret_name[HF_NAME_MAX],
                       struct hf_error *error)
{
    char words[WORDS_SIZE];

    if (hf_json_get_string(place, key, ret_name, HF_NAME_MAX, error) != HF_OK)
        return error->code;
    if (hf_kernel_index(ret_name, 0) >= 0)
        return HF_OK;
    kernel_names(words);
    return hf_json_fail(place, key, error, HF_E_INPUT, "there is no kernel \"%s\"; there are: %s", ret_name,
                        words);
}

static int read_width(const struct hf_json_reader *place, const char *kernel, int *ret_width,
                      struct hf_error *error)
{
    int64_t width = 0;
    char words[WORDS_SIZE];

    if (!hf_json_has(place, "width_bits"))
        return HF_OK;
    if (hf_json_get_integer(place, "width_bits", 0, 4096, &width, error) != HF_OK)
        return error->code;
    if (hf_kernel_index(kernel, (int)width) < 0) {
        kernel_widths(kernel, words);
        return hf_json_fail(place, "width_bits", error, HF_E_RANGE, "is %d; %s has: %s", (int)width, kernel,
                            words);
    }
    *ret_width = (int)width;
    return HF_OK;
}

/* A word out of a list; the names come from name_of. */
static int read_word(const struct hf_json_reader *place, const char *key, int (*code_of)(const char *),
                     int *ret_code, const char *allowed, struct hf_error *error)
{
    char word[HF_NAME_MAX];

    if (!hf_json_has(place, key))
        return HF_OK;
    if (hf_json_get_string(place, key, word, sizeof word, error) != HF_OK)
        return error->code;
    if (code_of(word) < 0)
        return hf_json_fail(place, key, error, HF_E_INPUT, "is \"%s\"; allowed: %s", word, allowed);
    *ret_code = code_of(word);
    return HF_OK;
}

/* A number that has a default. */
static int read_number(const struct hf_json_reader *place, const char *key, double low, double high,
                       double *value, struct hf_error *error)
{
    return hf_json_has(place, key) ? hf_json_get_number(place, key, low, high, value, error) : HF_OK;
}

static int refuse_keys(const struct hf_json_reader *place, const char *const *keys, enum hf_pattern pattern,
                       struct hf_error *error)
{
    for (int i = 0; keys[i] != NULL; i++) {
        if (hf_json_has(place, keys[i]))
            return hf_json_fail(place, keys[i], error, HF_E_INPUT, "means nothing with the pattern %s",
                                hf_pattern_name(pattern));
    }
    return HF_OK;
}

/* Which keys a pattern has a use for, and the range of its periods. */
struct shape {
    int has_sync, has_period, has_solo;
    double low_s, high_s;
};

static const struct shape shapes[HF_PATTERN_COUNT] = {
    [HF_PATTERN_STEADY] = {0},
    [HF_PATTERN_SQUARE] = {1, 1, 0, HF_PULSE_PERIOD_LOW_S, HF_SQUARE_PERIOD_HIGH_S},
    [HF_PATTERN_SOLO_THEN_ALL] = {.has_solo = 1},
    [HF_PATTERN_TELEGRAPH] = {1, 1, 0, HF_TELEGRAPH_PERIOD_LOW_S, HF_TELEGRAPH_PERIOD_HIGH_S},
    [HF_PATTERN_WAKE] = {.has_sync = 1},
    [HF_PATTERN_SWING] = {1, 1, 0, HF_SWING_PERIOD_LOW_S, HF_SWING_PERIOD_HIGH_S},
};

static int refuse_foreign(const struct hf_json_reader *place, enum hf_pattern pattern, struct hf_error *error)
{
    static const char *const of_sync[] = {"sync", NULL};
    static const char *const of_period[] = {"period_us", "period_high_us", "duty", NULL};
    static const char *const of_solo[] = {"solo_kernel", "stream_kernel", NULL};
    const struct shape *shape = &shapes[pattern];

    if ((!shape->has_sync && refuse_keys(place, of_sync, pattern, error) != HF_OK) ||
        (!shape->has_period && refuse_keys(place, of_period, pattern, error) != HF_OK) ||
        (!shape->has_solo && refuse_keys(place, of_solo, pattern, error) != HF_OK))
        return error->code;
    return HF_OK;
}

/* Only a kernel that works in pulses can follow the shortest periods of square. */
static int read_periods(const struct hf_json_reader *place, struct hf_mix_entry *entry,
                        struct hf_error *error)
{
    const struct shape *shape = &shapes[entry->pattern];
    int in_pulses = hf_kernel_reference(entry->kernel, 0)->pulse != NULL;
    double low_us = shape->low_s * 1e6;
    double high_us = shape->high_s * 1e6;
    double period_us, period_high_us;

    if (entry->pattern == HF_PATTERN_SQUARE && !in_pulses)
        low_us = HF_SQUARE_PERIOD_LOW_S * 1e6;
    entry->duty = 0.5;
    if (hf_json_get_number(place, "period_us", low_us, high_us, &period_us, error) != HF_OK)
        return error->code;
    period_high_us = period_us;
    if (read_number(place, "period_high_us", period_us, high_us, &period_high_us, error) != HF_OK ||
        read_number(place, "duty", DUTY_LOW, DUTY_HIGH, &entry->duty, error) != HF_OK)
        return error->code;
    entry->period_s = period_us * 1e-6;
    entry->period_high_s = period_high_us * 1e-6;
    return HF_OK;
}

static int read_solo(const struct hf_json_reader *place, struct hf_mix_entry *entry, struct hf_error *error)
{
    if (read_kernel(place, "solo_kernel", entry->solo_kernel, error) != HF_OK)
        return error->code;
    if (!hf_json_has(place, "stream_kernel"))
        return HF_OK;
    return read_kernel(place, "stream_kernel", entry->stream_kernel, error);
}

static int read_pattern(const struct hf_json_reader *place, struct hf_mix_entry *entry,
                        struct hf_error *error)
{
    int pattern = HF_PATTERN_STEADY;
    int sync = HF_SYNC_ALL;

    if (read_word(place, "pattern", hf_pattern_of_name, &pattern,
                  "steady, square, solo-then-all, telegraph, wake, swing", error) != HF_OK ||
        read_word(place, "sync", hf_sync_of_name, &sync, "free, group, all, antiphase, dither", error) !=
            HF_OK)
        return error->code;
    entry->pattern = (enum hf_pattern)pattern;
    entry->sync = pattern == HF_PATTERN_STEADY ? HF_SYNC_FREE : (enum hf_sync)sync;
    if (refuse_foreign(place, entry->pattern, error) != HF_OK)
        return error->code;
    if (shapes[pattern].has_period)
        return read_periods(place, entry, error);
    return shapes[pattern].has_solo ? read_solo(place, entry, error) : HF_OK;
}

static int read_company(const struct hf_json_reader *place, struct hf_mix_entry *entry,
                        struct hf_error *error)
{
    return hf_json_has(place, "company") ? read_kernel(place, "company", entry->company, error) : HF_OK;
}

/* A worker has one arena of a kind, so kernels of a kind work side by side on one level alone: on two, each
 * block would fill it anew, and the one's burst would find the other's words. */
static int refuse_two_levels(const struct hf_json_reader *place, const char *key, const char *name,
                             const char *beside, struct hf_error *error)
{
    const struct hf_kernel *kernel = name[0] != '\0' ? hf_kernel_reference(name, 0) : NULL;
    const struct hf_kernel *other = beside[0] != '\0' ? hf_kernel_reference(beside, 0) : NULL;

    if (kernel == NULL || other == NULL || kernel->arena == HF_ARENA_NONE || kernel->arena != other->arena ||
        kernel->level == other->level)
        return HF_OK;
    return hf_json_fail(place, key, error, HF_E_INPUT,
                        "is %s beside %s: a core has one memory of that kind, for one level at a time; take "
                        "the same level, or a kernel of another kind",
                        name, beside);
}

static int check_levels(const struct hf_json_reader *place, const struct hf_mix_entry *entry,
                        struct hf_error *error)
{
    if (refuse_two_levels(place, "solo_kernel", entry->solo_kernel, entry->kernel, error) != HF_OK ||
        refuse_two_levels(place, "stream_kernel", entry->stream_kernel, entry->kernel, error) != HF_OK ||
        refuse_two_levels(place, "stream_kernel", entry->stream_kernel, entry->solo_kernel, error) != HF_OK)
        return error->code;
    return HF_OK;
}

static int read_entry(const struct hf_json_reader *place, struct hf_mix_entry *ret_entry,
                      struct hf_error *error)
{
    static const char *const keys[] = {"kernel",         "width_bits",    "pattern", "sync",
                                       "solo_kernel",    "stream_kernel", "company", "period_us",
                                       "period_high_us", "duty",          "weight",  NULL};
    struct hf_mix_entry entry = {0};

    if (!cJSON_IsObject(place->value))
        return hf_json_fail(place, NULL, error, HF_E_INPUT, "must be an object");
    if (hf_json_only_keys(place, keys, error) != HF_OK ||
        read_kernel(place, "kernel", entry.kernel, error) != HF_OK ||
        read_width(place, entry.kernel, &entry.width_bits, error) != HF_OK ||
        read_pattern(place, &entry, error) != HF_OK || check_levels(place, &entry, error) != HF_OK ||
        read_company(place, &entry, error) != HF_OK ||
        hf_json_get_number(place, "weight", WEIGHT_LOW, WEIGHT_HIGH, &entry.weight, error) != HF_OK)
        return error->code;
    *ret_entry = entry;
    return HF_OK;
}

static int read_slices(const struct hf_json_reader *root, struct hf_mix *mix, struct hf_error *error)
{
    mix->slice_low_s = 0.5;
    if (read_number(root, "slice_low_s", SLICE_LOW_S, SLICE_HIGH_S, &mix->slice_low_s, error) != HF_OK)
        return error->code;
    mix->slice_high_s = mix->slice_low_s > 2 ? mix->slice_low_s : 2;
    return read_number(root, "slice_high_s", mix->slice_low_s, SLICE_HIGH_S, &mix->slice_high_s, error);
}

static int read_mix(const struct hf_json_reader *root, struct hf_mix *ret_mix, struct hf_error *error)
{
    static const char *const keys[] = {"name", "slice_low_s", "slice_high_s", "entries", NULL};
    struct hf_mix mix = {0};
    struct hf_json_reader entries;

    if (hf_json_only_keys(root, keys, error) != HF_OK ||
        hf_json_get_string(root, "name", mix.name, sizeof mix.name, error) != HF_OK ||
        read_slices(root, &mix, error) != HF_OK ||
        hf_json_get_array(root, "entries", 1, HF_MIX_ENTRIES_MAX, &entries, &mix.entry_count, error) != HF_OK)
        return error->code;
    if (mix.name[0] == '\0')
        return hf_json_fail(root, "name", error, HF_E_INPUT, "must not be empty");
    for (int i = 0; i < mix.entry_count; i++) {
        struct hf_json_reader item = hf_json_item(&entries, i);

        if (read_entry(&item, &mix.entry[i], error) != HF_OK)
            return error->code;
    }
    *ret_mix = mix;
    return HF_OK;
}

int hf_mix_parse(const char *bytes, size_t size, const char *source, struct hf_mix *ret_mix,
                 struct hf_error *error)
{
    struct cJSON *document;
    struct hf_json_reader root;
    int code;

    if (size > HF_MIX_BYTES_MAX)
        return hf_fail(error, HF_E_RANGE, "%s has %zu bytes; a mix has at most %d", source, size,
                       HF_MIX_BYTES_MAX);
    if (hf_json_parse(bytes, size, source, &document, error) != HF_OK)
        return error->code;
    root = hf_json_root(document, source);
    code = read_mix(&root, ret_mix, error);
    hf_json_document_free(document);
    return code;
}
