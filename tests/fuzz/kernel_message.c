/* Records of the kernel's message log: as records, as lines through the joiner, and as a dump of the store.
 */
#include "fuzz.h"
#include "holdfast/hardware_errors.h"
#include "holdfast/text.h"

#define CPUS 8

static int taken;

static void take(void *argument, const struct hf_hardware_error *event)
{
    (void)argument;
    taken++;
    MUST((unsigned)event->source < HF_ERROR_SOURCE_COUNT && (unsigned)event->kind < HF_ERROR_KIND_COUNT);
    MUST((unsigned)event->severity < HF_ERROR_SEVERITY_COUNT && event->count >= 1);
    MUST(event->group >= -1 && event->group < CPUS / 4);
    MUST(event->cpu >= -1 && memchr(event->text, '\0', sizeof event->text) != NULL);
    MUST(hf_text_is_utf8(event->text, strlen(event->text)));
}

static void check_lines(const char *bytes, size_t size)
{
    for (size_t at = 0; at < size;) {
        struct hf_error_line line;
        size_t used = hf_error_line_parse(bytes + at, size - at, &line);

        MUST(used > 0 && used <= size - at);
        MUST(line.text >= bytes && line.text + line.size <= bytes + size);
        MUST(line.cpu >= -1 && line.cpu < 8192 && (unsigned)line.what < HF_LINE_WHAT_COUNT);
        MUST(hf_error_line_name(line.what)[0] != '\0');
        at += used;
    }
}

static void check_record(const char *bytes, size_t size)
{
    struct hf_kmsg_record record;

    if (hf_kmsg_parse(bytes, size, &record) != 0)
        return;
    MUST(record.size < sizeof record.text && record.text[record.size] == '\0');
    MUST(hf_text_is_utf8(record.text, record.size));
    for (size_t i = 0; i < record.size; i++)
        MUST((unsigned char)record.text[i] >= 0x20);
}

/* Every line at a time of its own, now and then long after the one before. */
static void check_joined(const char *bytes, size_t size)
{
    static const int16_t group_of_cpu[CPUS] = {0, 0, 0, 0, 1, 1, 1, -1};
    static const int16_t cpu_of_apic[CPUS] = {0, 2, 4, 6, 1, 3, 5, -1};
    struct hf_error_joiner_config config = {.group_of_cpu = group_of_cpu,
                                            .cpu_limit = CPUS,
                                            .cpu_of_apic = cpu_of_apic,
                                            .apic_limit = CPUS,
                                            .take = take};
    struct hf_error_joiner *joiner = NULL;
    struct hf_error error = {0};
    struct hf_error_totals totals;
    int64_t now_ns = 1000000000;
    const char *at = bytes;

    taken = 0;
    MUST(hf_error_joiner_new(&config, &joiner, &error) == HF_OK);
    while (size > 0) {
        const char *newline = memchr(at, '\n', size);
        size_t length = newline != NULL ? (size_t)(newline - at) : size;

        hf_error_joiner_line(joiner, at, length, length % 3 == 0 ? -1 : now_ns / 1000, (unsigned)(length % 4),
                             now_ns);
        hf_error_joiner_tick(joiner, now_ns);
        now_ns += length % 7 == 0 ? 3000000000 : 10000000;
        length += newline != NULL;
        at += length;
        size -= length;
    }
    hf_error_joiner_store(joiner, bytes, (size_t)(at - bytes), now_ns);
    hf_error_joiner_flush(joiner, now_ns + 60000000000);
    hf_error_joiner_totals(joiner, &totals);
    MUST(totals.events == (uint64_t)taken);
    hf_error_joiner_free(joiner);
}

int LLVMFuzzerTestOneInput(const uint8_t *bytes, size_t size)
{
    char *copy = exact_copy(bytes, size, 0);

    check_record(copy, size);
    check_lines(copy, size);
    check_joined(copy, size);
    free(copy);
    return 0;
}
