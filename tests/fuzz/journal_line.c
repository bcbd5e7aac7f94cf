/*
 * One line of a journal, twice: as it stands, and as a payload under a right checksum, so that what lies
 * behind the checksum is reached. The first byte, a letter from 'a' on, chooses the record's type for the
 * second.
 */
#include "fuzz.h"
#include "holdfast/text.h"
#include "record/record_private.h"

static const char source[] = "fuzzed.jsonl: line 1";

/* An accepted line gives a record or says why not; its events too. */
static void check_record(const struct hf_line *line)
{
    struct hf_error error = {0};
    struct cJSON *document = NULL;
    struct hf_record record;
    int code = hf_line_to_record(line, source, &document, &record, &error);

    if (code != HF_OK) {
        must_explain(code, &error, source);
        return;
    }
    MUST(record.sequence == line->sequence && record.crc == line->crc);
    for (int i = 0; i < hf_event_count(&record); i++) {
        struct hf_event event;

        code = hf_event_decode(&record, i, record.wall_ns, 1, &event, &error);
        if (code != HF_OK)
            must_explain(code, &error, source);
        hf_error_clear(&error);
    }
    hf_json_document_free(document);
}

/* Written again from its fields it is the same line. */
static void check_rewritten(const struct hf_line *line, const char *bytes, size_t size)
{
    struct hf_text text;

    hf_text_init(&text, HF_JOURNAL_LINE_MAX + 1);
    hf_line_open(&text, line);
    hf_text_add(&text, line->data, line->data_size);
    MUST(hf_line_close(&text, 0, line->prev) == line->crc);
    MUST(text.size == size && memcmp(text.bytes, bytes, size) == 0);
    hf_text_release(&text);
}

static void scan(const char *bytes, size_t size)
{
    struct hf_line line;
    enum hf_line_fault fault = hf_line_scan(bytes, size, &line);

    MUST(hf_line_fault_words(fault)[0] != '\0' || fault == HF_LINE_GOOD);
    if (fault != HF_LINE_GOOD)
        return;
    MUST(line.data >= bytes && line.data + line.data_size < bytes + size);
    if (line.type != HF_LINE_TYPE_UNKNOWN) {
        check_rewritten(&line, bytes, size);
        check_record(&line);
    }
}

static void scan_payload(int type, const char *payload, size_t size)
{
    struct hf_line line = {.sequence = 1, .commit = 1, .wall_ns = INT64_C(1795598851123000000), .type = type};
    struct hf_text text;

    (void)snprintf(line.boot, sizeof line.boot, "boot");
    hf_text_init(&text, 2 * HF_JOURNAL_LINE_MAX);
    hf_line_open(&text, &line);
    hf_text_add(&text, payload, size);
    (void)hf_line_close(&text, 0, 0);
    if (!text.overflowed)
        scan(text.bytes, text.size);
    hf_text_release(&text);
}

int LLVMFuzzerTestOneInput(const uint8_t *bytes, size_t size)
{
    char *copy = exact_copy(bytes, size, 0);

    scan(copy, size);
    if (size > 1)
        scan_payload((unsigned char)(bytes[0] - 'a') % HF_RECORD_COUNT, copy + 1, size - 1);
    free(copy);
    return 0;
}
