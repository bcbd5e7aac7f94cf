/*
 * A whole journal, twice: as it stands, with and without salvage; and as a list of payloads that are chained
 * under right checksums, so that the fold of a whole history is reached. In the list every line is one
 * record: a letter for its type ('a' is run-begin), then its payload; line 1 is a right run-begin that is put
 * in front.
 */
#include "fuzz.h"
#include "holdfast/checksum.h"
#include "holdfast/run.h"
#include "holdfast/text.h"
#include "record/record_private.h"

static const char name[] = "fuzzed.jsonl";
static const char salt[] = "0x1122334455667788";

struct folding {
    struct hf_run_state *state;
    uint64_t records, events;
};

static int see_event(void *context, const struct hf_event *event, struct hf_error *error)
{
    struct folding *folding = context;

    (void)error;
    MUST(event != NULL);
    folding->events++;
    return HF_OK;
}

static int see_record(void *context, const struct hf_record *record, struct hf_error *error)
{
    struct folding *folding = context;

    MUST(record->sequence == ++folding->records);
    return hf_run_fold_visiting(folding->state, record, 200, see_event, folding, error);
}

/* The chain holds up to `good_size`: what was believed is believed again when nothing follows it. */
static void verify(const char *bytes, size_t size, int salvage)
{
    struct hf_error error = {0};
    struct hf_verified found = {0};
    struct hf_verified again = {0};
    struct folding folding = {.state = calloc(1, sizeof *folding.state)};
    int code;

    MUST(folding.state != NULL);
    code = hf_journal_verify(bytes, size, name, salvage, see_record, &folding, &found, &error);
    if (code != HF_OK) {
        must_explain(code, &error, name);
    } else {
        MUST(found.good_size <= size && found.records == folding.records);
        MUST(found.torn == (found.good_size < size));
        MUST(folding.state->records == found.records);
        memset(folding.state, 0, sizeof *folding.state);
        folding.records = 0;
        MUST(hf_journal_verify(bytes, found.good_size, name, 0, see_record, &folding, &again, &error) ==
             HF_OK);
        MUST(again.records == found.records && again.last_crc == found.last_crc && !again.torn);
    }
    free(folding.state);
}

static uint32_t add_line(struct hf_text *text, uint64_t sequence, int type, const char *data, size_t size,
                         uint32_t prev)
{
    struct hf_line line = {.sequence = sequence,
                           .commit = sequence,
                           .wall_ns = INT64_C(1795598851123000000) + (int64_t)sequence * 1000000000,
                           .monotonic_ms = (int64_t)sequence * 1000,
                           .type = type};
    size_t start = text->size;

    /* A boot lasts eight records. */
    (void)snprintf(line.boot, sizeof line.boot, "boot+%u", (unsigned)(sequence / 8));
    hf_text_add_string(text, "");
    hf_line_open(text, &line);
    hf_text_add(text, data, size);
    return hf_line_close(text, start, prev);
}

static void verify_payloads(const char *bytes, size_t size)
{
    static const char begin[] =
        "{\"version\":1,\"salt\":\"0x1122334455667788\",\"name\":\"heron\",\"profile_digest\":"
        "\"0123456789abcdef0123456789abcdef0123456789abcdef0123456789abcdef\",\"seed\":\"1\","
        "\"method\":\"belief\",\"tool\":\"fuzz\"}";
    struct hf_text text;
    uint32_t prev = hf_crc32c(0, salt, strlen(salt));
    uint64_t sequence = 1;

    hf_text_init(&text, 4 * HF_JOURNAL_COMMIT_MAX);
    prev = add_line(&text, sequence, HF_RECORD_RUN_BEGIN, begin, strlen(begin), prev);
    while (size > 1) {
        const char *newline = memchr(bytes, '\n', size);
        size_t length = newline != NULL ? (size_t)(newline - bytes) : size;

        if (length > 1)
            prev = add_line(&text, ++sequence, (unsigned char)(bytes[0] - 'a') % HF_RECORD_COUNT, bytes + 1,
                            length - 1, prev);
        length += newline != NULL;
        bytes += length;
        size -= length;
    }
    if (!text.overflowed)
        verify(text.bytes, text.size, 0);
    hf_text_release(&text);
}

int LLVMFuzzerTestOneInput(const uint8_t *bytes, size_t size)
{
    char *copy = exact_copy(bytes, size, 0);

    verify(copy, size, 0);
    verify(copy, size, 1);
    verify_payloads(copy, size);
    free(copy);
    return 0;
}
