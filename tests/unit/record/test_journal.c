/* The journal: appending, reopening, torn tails, damage, salvage, versions, sticky failures. */
#include "unit/record/record_fixture.h"

#include "holdfast/checksum.h"
#include "record/record_private.h"

struct place {
    char directory[PATH_MAX];
    struct test_clock clock_state;
    struct hf_clock clock;
    struct hf_journal_file_ops ops;
    struct hf_journal_options options;
};

static void place_init(struct place *place)
{
    memset(place, 0, sizeof *place);
    scratch_make(place->directory);
    place->clock_state = (struct test_clock){FIRST_WALL_NS, 1250000000};
    place->clock = (struct hf_clock){test_wall_ns, test_monotonic_ns, &place->clock_state};
    place->ops = quick_ops();
    place->options = (struct hf_journal_options){.clock = &place->clock,
                                                 .file_ops = &place->ops,
                                                 .boot_id = BOOT_A,
                                                 .salt = FIXED_SALT,
                                                 .reserve_bytes = 65536};
}

/* What a visitor saw. */
struct seen {
    int count;
    uint64_t sequence[64];
    enum hf_record_type type[64];
    char text[64][32];
    int stop_at; /* the visitor refuses this record; 0: none */
};

static int see(void *context, const struct hf_record *record, struct hf_error *error)
{
    struct seen *seen = context;

    assert_in_range(seen->count, 0, 63);
    seen->sequence[seen->count] = record->sequence;
    seen->type[seen->count] = record->type;
    if (hf_json_has(&record->data, "text") &&
        hf_json_get_string(&record->data, "text", seen->text[seen->count], 32, error) != HF_OK)
        return error->code;
    seen->count++;
    if (seen->count == seen->stop_at)
        return hf_fail(error, HF_E_MISMATCH, "the visitor has had enough");
    return HF_OK;
}

static int stage_note(struct hf_journal *journal, const char *words, struct hf_error *error)
{
    hf_json_string(hf_journal_begin(journal, HF_RECORD_NOTE), "text", words);
    return hf_journal_end(journal, error);
}

static int stage_first(struct hf_journal *journal, struct hf_error *error)
{
    hf_json_string(hf_journal_begin(journal, HF_RECORD_RUN_BEGIN), "text", "first");
    return hf_journal_end(journal, error);
}

/* run-begin and notes "note 2" .. "note N", each committed by itself. */
static void fill(struct place *place, int records)
{
    struct hf_error error = {0};
    struct hf_journal *journal;
    char words[32];

    assert_ok(hf_journal_open(place->directory, &place->options, NULL, NULL, &journal, NULL, &error));
    assert_ok(stage_first(journal, &error));
    assert_ok(hf_journal_commit(journal, &error));
    for (int i = 2; i <= records; i++) {
        (void)snprintf(words, sizeof words, "note %d", i);
        assert_ok(stage_note(journal, words, &error));
        assert_ok(hf_journal_commit(journal, &error));
    }
    assert_int_equal(hf_journal_records(journal), records);
    hf_journal_close(journal);
}

static void append_bytes(struct place *place, const char *bytes, size_t size)
{
    size_t old_size;
    char *old = file_read(place->directory, "journal.jsonl", &old_size);
    char *both = malloc(old_size + size);

    assert_non_null(both);
    memcpy(both, old, old_size);
    memcpy(both + old_size, bytes, size);
    file_write(place->directory, "journal.jsonl", both, old_size + size);
    free(both);
    free(old);
}

/* Start of line number `line` (from 1) in the journal's bytes. */
static size_t line_at(const char *bytes, int line)
{
    const char *at = bytes;

    while (--line > 0)
        at = strchr(at, '\n') + 1;
    return (size_t)(at - bytes);
}

static void test_append_and_reopen(void **state)
{
    struct hf_journal_opening opening;
    struct hf_error error = {0};
    struct hf_journal *journal;
    struct seen seen = {0};
    struct place place;

    (void)state;
    place_init(&place);
    fill(&place, 5);
    assert_ok(hf_journal_open(place.directory, &place.options, see, &seen, &journal, &opening, &error));
    assert_int_equal(seen.count, 5);
    assert_int_equal(seen.type[0], HF_RECORD_RUN_BEGIN);
    for (int i = 0; i < 5; i++)
        assert_int_equal(seen.sequence[i], i + 1);
    assert_string_equal(seen.text[4], "note 5");
    assert_int_equal(opening.records, 5);
    assert_false(opening.torn);
    assert_int_equal(opening.last_crc, hf_journal_last_crc(journal));
    assert_ok(stage_note(journal, "goes on", &error));
    assert_int_equal(hf_journal_records(journal), 5);
    assert_ok(hf_journal_commit(journal, &error));
    assert_int_equal(hf_journal_records(journal), 6);
    hf_journal_close(journal);
    memset(&seen, 0, sizeof seen);
    assert_ok(hf_journal_open(place.directory, &place.options, see, &seen, &journal, NULL, &error));
    assert_string_equal(seen.text[5], "goes on");
    hf_journal_close(journal);
    scratch_remove(place.directory);
}

static void test_uncommitted_lines_are_dropped(void **state)
{
    struct hf_error error = {0};
    struct hf_journal *journal;
    struct seen seen = {0};
    struct place place;

    (void)state;
    place_init(&place);
    fill(&place, 2);
    assert_ok(hf_journal_open(place.directory, &place.options, NULL, NULL, &journal, NULL, &error));
    assert_ok(stage_note(journal, "never committed", &error));
    hf_journal_close(journal);
    assert_ok(hf_journal_open(place.directory, &place.options, see, &seen, &journal, NULL, &error));
    assert_int_equal(seen.count, 2);
    hf_journal_close(journal);
    hf_journal_close(NULL);
    scratch_remove(place.directory);
}

static int syncs, folder_syncs, writes;

static int count_sync(int fd)
{
    syncs++;
    return fd >= 0 ? 0 : -1;
}

static int count_folder_sync(int fd)
{
    struct stat status;

    assert_int_equal(fstat(fd, &status), 0);
    assert_true(S_ISDIR(status.st_mode));
    folder_syncs++;
    return 0;
}

static long count_write(int fd, const void *bytes, size_t size)
{
    writes++;
    return write(fd, bytes, size);
}

static void test_one_write_one_sync(void **state)
{
    struct hf_error error = {0};
    struct hf_journal *journal;
    struct place place;

    (void)state;
    place_init(&place);
    syncs = folder_syncs = writes = 0;
    place.ops.sync = count_sync;
    place.ops.sync_folder = count_folder_sync;
    place.ops.write = count_write;
    assert_ok(hf_journal_open(place.directory, &place.options, NULL, NULL, &journal, NULL, &error));
    assert_ok(stage_first(journal, &error));
    assert_ok(stage_note(journal, "a", &error));
    assert_ok(stage_note(journal, "b", &error));
    assert_int_equal(writes + syncs + folder_syncs, 0);
    assert_ok(hf_journal_commit(journal, &error));
    assert_int_equal(writes, 2); /* all but the last line, then the last */
    assert_int_equal(syncs, 2);
    assert_int_equal(folder_syncs, 1);             /* the file is new: its entry must be durable too */
    assert_ok(hf_journal_commit(journal, &error)); /* nothing staged: nothing done */
    assert_int_equal(writes, 2);
    assert_ok(stage_note(journal, "c", &error));
    assert_ok(hf_journal_commit(journal, &error));
    assert_int_equal(writes, 3);
    assert_int_equal(syncs, 3);
    assert_int_equal(folder_syncs, 1);
    hf_journal_close(journal);
    scratch_remove(place.directory);
}

/* --- torn tails ----------------------------------------------------------------------------------------- */

/* After `tail` was appended to 4 lines: reported, moved aside to the byte, and the run goes on. */
static void check_torn(const char *what, const char *tail, size_t size)
{
    struct hf_journal_opening opening;
    struct hf_error error = {0};
    struct hf_journal *journal;
    struct seen seen = {0};
    struct place place;
    size_t before_size;
    size_t after_size;
    size_t torn_size;
    char *before;
    char *after;
    char *torn;

    place_init(&place);
    fill(&place, 4);
    before = file_read(place.directory, "journal.jsonl", &before_size);
    append_bytes(&place, tail, size);

    place.options.read_only = 1; /* only reported */
    assert_ok(hf_journal_open(place.directory, &place.options, see, &seen, &journal, &opening, &error));
    hf_journal_close(journal);
    assert_int_equal(opening.torn, 1);
    assert_int_equal(opening.torn_bytes, size);
    assert_int_equal(seen.count, 4);
    after = file_read(place.directory, "journal.jsonl", &after_size);
    assert_int_equal(after_size, before_size + size);
    assert_null(file_read(place.directory, "journal.torn", &torn_size));
    free(after);

    place.options.read_only = 0;
    if (hf_journal_open(place.directory, &place.options, NULL, NULL, &journal, &opening, &error) != HF_OK)
        fail_msg("%s: %s", what, error.message);
    assert_int_equal(opening.torn, 1);
    assert_int_equal(opening.records, 4);
    after = file_read(place.directory, "journal.jsonl", &after_size);
    assert_int_equal(after_size, before_size);
    assert_memory_equal(after, before, before_size);
    torn = file_read(place.directory, "journal.torn", &torn_size);
    assert_int_equal(torn_size, size);
    assert_memory_equal(torn, tail, size);
    assert_ok(stage_note(journal, "after the tear", &error));
    assert_ok(hf_journal_commit(journal, &error));
    hf_journal_close(journal);
    assert_ok(hf_journal_open(place.directory, &place.options, NULL, NULL, &journal, &opening, &error));
    assert_int_equal(opening.records, 5);
    assert_false(opening.torn);
    hf_journal_close(journal);
    free(before);
    free(after);
    free(torn);
    scratch_remove(place.directory);
}

static void test_torn_tails(void **state)
{
    static const char half[] = "{\"seq\":5,\"commit\":5,\"wall\":\"2026-11-25T09:2";
    static const char garbage_lines[] = "\x80\xff\x01 garbage\nmore of it\n{\"seq\":\n\n{\"seq\":5}\n";
    char zeros[5000] = {0};
    char noise[3000];

    (void)state;
    for (size_t i = 0; i < sizeof noise; i++)
        noise[i] = (char)(i * i * 31 + i / 7);
    check_torn("half a line", half, sizeof half - 1);
    check_torn("one byte", "{", 1);
    check_torn("an empty line", "\n", 1);
    check_torn("zeros", zeros, sizeof zeros);
    check_torn("one zero and a newline", "\0\n", 2);
    check_torn("noise", noise, sizeof noise);
    check_torn("several lines of garbage", garbage_lines, sizeof garbage_lines - 1);
}

/* The bytes of a fifth (and sixth) line as this journal would have written them, in one commit. */
static void next_lines(struct place *place, int count, struct hf_text *text)
{
    struct hf_error error = {0};
    struct hf_journal *journal;
    struct place twin;
    size_t old_size;
    size_t new_size;
    char *bytes;
    char *old = file_read(place->directory, "journal.jsonl", &old_size);

    place_init(&twin);
    file_write(twin.directory, "journal.jsonl", old, old_size);
    assert_ok(hf_journal_open(twin.directory, &twin.options, NULL, NULL, &journal, NULL, &error));
    for (int i = 0; i < count; i++)
        assert_ok(stage_note(journal, "staged, then the power failed", &error));
    assert_ok(hf_journal_commit(journal, &error));
    hf_journal_close(journal);
    bytes = file_read(twin.directory, "journal.jsonl", &new_size);
    hf_text_add(text, bytes + old_size, new_size - old_size);
    free(bytes);
    free(old);
    scratch_remove(twin.directory);
}

static void test_torn_line_of_every_length(void **state)
{
    struct hf_text text;
    struct place place;

    (void)state;
    place_init(&place);
    fill(&place, 4);
    hf_text_init(&text, 65536);
    next_lines(&place, 1, &text);
    for (size_t size = 1; size < text.size; size += 13)
        check_torn("a line cut short", text.bytes, size);
    check_torn("a line without its newline", text.bytes, text.size - 1);
    text.bytes[text.size - 10] = 'x';
    check_torn("a line with a wrong checksum", text.bytes, text.size);
    hf_text_release(&text);
    scratch_remove(place.directory);
}

/* Lines of one commit reach the disk in any order: a hole at the front of an unfinished one is a torn tail.
 */
static void test_torn_commit_of_several_lines(void **state)
{
    struct hf_text text;
    struct place place;
    size_t first;

    (void)state;
    place_init(&place);
    fill(&place, 4);
    hf_text_init(&text, 65536);
    next_lines(&place, 3, &text);
    text.size =
        (size_t)(strchr(strchr(text.bytes, '\n') + 1, '\n') + 1 - text.bytes); /* the last never came */
    first = (size_t)(strchr(text.bytes, '\n') - text.bytes);
    memset(text.bytes + 40, 0, 60);
    check_torn("a hole in the first line", text.bytes, text.size);
    memset(text.bytes + first - 5, 0, 10);
    check_torn("a hole over the newline", text.bytes, text.size);
    memset(text.bytes, 0, first + 30);
    check_torn("zeros up to the second line's middle", text.bytes, text.size);
    hf_text_release(&text);
    scratch_remove(place.directory);
}

/* --- damage --------------------------------------------------------------------------------------------- */

static void test_damage_is_refused_and_salvaged(void **state)
{
    struct hf_journal_opening opening;
    struct hf_error error = {0};
    struct hf_journal *journal;
    char words[32];

    (void)state;
    for (int line = 1; line <= 5; line++) {
        struct seen seen = {0};
        struct place place;
        size_t size;
        size_t at;
        char *bytes;
        char *after;
        size_t after_size;

        place_init(&place);
        fill(&place, 6);
        bytes = file_read(place.directory, "journal.jsonl", &size);
        at = line_at(bytes, line);
        bytes[at + 45] ^= 4;
        file_write(place.directory, "journal.jsonl", bytes, size);
        (void)snprintf(words, sizeof words, "line %d ", line);
        assert_error(hf_journal_open(place.directory, &place.options, NULL, NULL, &journal, NULL, &error),
                     HF_E_DAMAGED, words);
        after = file_read(place.directory, "journal.jsonl", &after_size);
        assert_int_equal(after_size, size); /* refused: nothing was changed */
        assert_memory_equal(after, bytes, size);
        free(after);

        place.options.salvage = 1;
        if (line == 1) {
            assert_error(hf_journal_open(place.directory, &place.options, NULL, NULL, &journal, NULL, &error),
                         HF_E_DAMAGED, "begin a new run");
        } else {
            assert_ok(
                hf_journal_open(place.directory, &place.options, see, &seen, &journal, &opening, &error));
            assert_int_equal(opening.records, line - 1);
            assert_int_equal(opening.torn, 1);
            assert_int_equal(seen.count, line - 1);
            hf_journal_close(journal);
            after = file_read(place.directory, "journal.torn", &after_size);
            assert_int_equal(after_size, size - at);
            assert_memory_equal(after, bytes + at, size - at);
            free(after);
        }
        free(bytes);
        scratch_remove(place.directory);
    }
}

static void expect_damage(struct place *place, const char *bytes, size_t size, const char *words)
{
    struct hf_error error = {0};
    struct hf_journal *journal;

    file_write(place->directory, "journal.jsonl", bytes, size);
    assert_error(hf_journal_open(place->directory, &place->options, NULL, NULL, &journal, NULL, &error),
                 HF_E_DAMAGED, words);
}

/* Lines that are right by themselves but stand in the wrong place: never taken for a torn tail. */
static void test_broken_chains(void **state)
{
    struct place other;
    struct place place;
    size_t last;
    size_t size;
    size_t other_size;
    char *bytes;
    char *mixed;
    char *foreign;

    (void)state;
    place_init(&place);
    place_init(&other);
    fill(&place, 6);
    other.options.salt = FIXED_SALT + 1;
    fill(&other, 6);
    bytes = file_read(place.directory, "journal.jsonl", &size);
    foreign = file_read(other.directory, "journal.jsonl", &other_size);
    mixed = malloc(2 * size);
    assert_non_null(mixed);
    assert_int_equal(size, other_size);
    last = line_at(bytes, 6);

    memcpy(mixed, bytes, size); /* the last line of another journal */
    memcpy(mixed + last, foreign + last, size - last);
    expect_damage(&place, mixed, size, "line 6 ");
    memcpy(mixed, bytes, size); /* the last line twice */
    memcpy(mixed + size, bytes + last, size - last);
    expect_damage(&place, mixed, 2 * size - last, "line 7 ");
    memcpy(mixed, bytes, last); /* the whole journal again */
    memcpy(mixed + last, bytes, size);
    expect_damage(&place, mixed, last + size, "line 6 ");
    memcpy(mixed, bytes, line_at(bytes, 4)); /* line 4 is missing */
    memcpy(mixed + line_at(bytes, 4), bytes + line_at(bytes, 5), size - line_at(bytes, 5));
    expect_damage(&place, mixed, size - (line_at(bytes, 5) - line_at(bytes, 4)), "line 4 ");
    memcpy(mixed, bytes, size); /* a newline gone: lines 4 and 5 are one */
    mixed[line_at(bytes, 5) - 1] = ' ';
    expect_damage(&place, mixed, size, "line 4 ");
    memcpy(mixed, bytes, size); /* the same between the last two */
    mixed[last - 1] = ' ';
    expect_damage(&place, mixed, size, "line 5 ");
    memcpy(mixed, bytes, size); /* half of line 3 is gone, the rest stands */
    memmove(mixed + line_at(bytes, 3) + 20, mixed + line_at(bytes, 3) + 90, size - line_at(bytes, 3) - 90);
    expect_damage(&place, mixed, size - 70, "line 3 ");
    free(mixed);
    free(foreign);
    free(bytes);
    scratch_remove(place.directory);
    scratch_remove(other.directory);
}

/* Damage in a commit of several lines: its last line, written alone, proves that the others were durable. */
static void test_damage_in_an_acknowledged_commit(void **state)
{
    struct hf_journal_opening opening;
    struct hf_error error = {0};
    struct hf_journal *journal;
    struct place place;
    char words[32];
    size_t size;
    char *bytes;

    (void)state;
    place_init(&place);
    fill(&place, 8); /* so that the numbers grow a digit within the commit */
    assert_ok(hf_journal_open(place.directory, &place.options, NULL, NULL, &journal, NULL, &error));
    for (int i = 0; i < 4; i++)
        assert_ok(stage_note(journal, "one of four", &error));
    assert_ok(hf_journal_commit(journal, &error));
    hf_journal_close(journal);
    bytes = file_read(place.directory, "journal.jsonl", &size);
    for (int line = 8; line <= 11; line++) {
        bytes[line_at(bytes, line) + 30] ^= 1;
        (void)snprintf(words, sizeof words, "line %d ", line);
        expect_damage(&place, bytes, size, words);
        bytes[line_at(bytes, line) + 30] ^= 1;
    }
    bytes[size - 30] ^= 1; /* the last line itself cannot be told from a torn one */
    file_write(place.directory, "journal.jsonl", bytes, size);
    assert_ok(hf_journal_open(place.directory, &place.options, NULL, NULL, &journal, &opening, &error));
    assert_int_equal(opening.records, 11);
    assert_int_equal(opening.torn, 1);
    hf_journal_close(journal);
    free(bytes);
    scratch_remove(place.directory);
}

static void test_foreign_file(void **state)
{
    struct place place;
    char *much = malloc(2 * HF_JOURNAL_COMMIT_MAX);

    (void)state;
    assert_non_null(much);
    memset(much, 'x', 2 * HF_JOURNAL_COMMIT_MAX);
    place_init(&place);
    expect_damage(&place, much, 2 * HF_JOURNAL_COMMIT_MAX, "line 1 ");
    free(much);
    scratch_remove(place.directory);
}

static void test_too_large_a_tail_is_damage(void **state)
{
    struct place place;
    char *much = calloc(HF_JOURNAL_COMMIT_MAX + 1, 1);
    size_t size;
    char *bytes;

    (void)state;
    assert_non_null(much);
    place_init(&place);
    fill(&place, 3);
    append_bytes(&place, much, HF_JOURNAL_COMMIT_MAX + 1);
    bytes = file_read(place.directory, "journal.jsonl", &size);
    expect_damage(&place, bytes, size, "line 4 ");
    free(bytes);
    free(much);
    scratch_remove(place.directory);
}

/* --- versions ------------------------------------------------------------------------------------------- */

/* A journal whose first line has this head (up to prev), chained to the salt. */
static void write_first_line(struct place *place, const char *data, const char *type, const char *salt)
{
    struct hf_text text;
    char head[512];

    (void)snprintf(head, sizeof head,
                   "{\"seq\":1,\"commit\":1,\"wall\":\"2026-11-25T09:27:31.123Z\",\"mono_ms\":\"1\",\"boot\":"
                   "\"b\",\"type\":"
                   "\"%s\",\"data\":%s",
                   type, data);
    hf_text_init(&text, 4096);
    hf_text_add_string(&text, head);
    (void)hf_line_close(&text, 0, hf_crc32c(0, salt, strlen(salt)));
    file_write(place->directory, "journal.jsonl", text.bytes, text.size);
    hf_text_release(&text);
}

static void test_versions(void **state)
{
    static const char newer_shape[] =
        "{\"seq\":1,\"type\":\"run-begin\",\"data\":{\"version\":2,\"salt\":\"s\"},\"hash\":\"blake\"}\n";
    struct hf_error error = {0};
    struct hf_journal *journal;
    struct place place;

    (void)state;
    place_init(&place);
#define OPEN() hf_journal_open(place.directory, &place.options, NULL, NULL, &journal, NULL, &error)
    write_first_line(&place, "{\"version\":1,\"salt\":\"0x01\"}", "run-begin", "0x01");
    assert_ok(OPEN());
    hf_journal_close(journal);
    write_first_line(&place, "{\"version\":2,\"salt\":\"0x01\"}", "run-begin", "0x01");
    assert_error(OPEN(), HF_E_VERSION, "newer version");
    assert_error(OPEN(), HF_E_VERSION, "format 2");
    place.options.salvage = 1; /* salvaging is not for what is merely new */
    assert_error(OPEN(), HF_E_VERSION, "newer version");
    place.options.salvage = 0;
    file_write(place.directory, "journal.jsonl", newer_shape, sizeof newer_shape - 1);
    assert_error(OPEN(), HF_E_VERSION, "format 2");
    write_first_line(&place, "{\"version\":1,\"salt\":\"0x02\"}", "run-begin", "0x01");
    assert_error(OPEN(), HF_E_DAMAGED, "salt");
    write_first_line(&place, "{\"version\":1}", "run-begin", "0x01");
    assert_error(OPEN(), HF_E_DAMAGED, "line 1");
    write_first_line(&place, "{\"version\":\"1\",\"salt\":\"0x01\"}", "run-begin", "0x01");
    assert_error(OPEN(), HF_E_DAMAGED, "version");
    write_first_line(&place, "{\"version\":0,\"salt\":\"0x01\"}", "run-begin", "0x01");
    assert_error(OPEN(), HF_E_DAMAGED, "version");
    write_first_line(&place, "{\"version\":1,\"salt\":\"0x01\"}", "note", "0x01");
    assert_error(OPEN(), HF_E_DAMAGED, "run-begin");
    write_first_line(&place, "{\"version\":1,,\"salt\":\"0x01\"}", "run-begin", "0x01");
    assert_error(OPEN(), HF_E_DAMAGED, "line 1");
    write_first_line(&place, "{\"version\":1,\"salt\":\"0x01\"}", "novelty", "0x01");
    assert_int_not_equal(OPEN(), HF_OK);
#undef OPEN
    scratch_remove(place.directory);
}

static void test_unknown_type_is_newer_not_torn(void **state)
{
    struct hf_error error = {0};
    struct hf_journal *journal;
    struct hf_journal_opening opening;
    struct hf_text text;
    struct place place;
    char head[512];

    (void)state;
    place_init(&place);
    fill(&place, 3);
    place.options.read_only = 1;
    assert_ok(hf_journal_open(place.directory, &place.options, NULL, NULL, &journal, &opening, &error));
    hf_journal_close(journal);
    place.options.read_only = 0;
    hf_text_init(&text, 4096);
    (void)snprintf(head, sizeof head,
                   "{\"seq\":4,\"commit\":4,\"wall\":\"2026-11-25T10:27:31.123Z\",\"mono_ms\":\"1\",\"boot\":"
                   "\"b\",\"type\":"
                   "\"novelty\",\"data\":{}");
    hf_text_add_string(&text, head);
    (void)hf_line_close(&text, 0, opening.last_crc);
    append_bytes(&place, text.bytes, text.size);
    assert_error(hf_journal_open(place.directory, &place.options, NULL, NULL, &journal, NULL, &error),
                 HF_E_VERSION, "line 4");
    hf_text_release(&text);
    scratch_remove(place.directory);
}

/* --- opening what is not there, full disks -------------------------------------------------------------- */

static void test_refusals_at_opening(void **state)
{
    struct hf_error error = {0};
    struct hf_journal *journal;
    struct place place;

    (void)state;
    place_init(&place);
#define OPEN(where) hf_journal_open((where), &place.options, NULL, NULL, &journal, NULL, &error)
    place.options.read_only = 1;
    assert_error(OPEN(place.directory), HF_E_NOT_FOUND, "journal.jsonl");
    place.options.read_only = 0;
    assert_error(OPEN("/nonexistent/run"), HF_E_NOT_FOUND, "/nonexistent/run");
    place.options.boot_id = NULL;
    assert_error(OPEN(place.directory), HF_E_INPUT, "boot id");
    place.options.boot_id = "not a boot id";
    assert_error(OPEN(place.directory), HF_E_INPUT, "not a boot id");
    place.options.boot_id = BOOT_A;
    place.options.reserve_bytes = (size_t)1 << 60; /* no disk has that */
    assert_error(OPEN(place.directory), HF_E_FULL, "no room for a night");
    place.options.reserve_bytes = 65536;
    assert_int_equal(unlink(file_path(place.directory, "journal.jsonl")), 0);
    assert_int_equal(mkdir(file_path(place.directory, "journal.jsonl"), 0700), 0);
    assert_int_not_equal(OPEN(place.directory), HF_OK);
    hf_error_clear(&error);
    assert_int_equal(rmdir(file_path(place.directory, "journal.jsonl")), 0);
    assert_int_equal(mkfifo(file_path(place.directory, "journal.jsonl"), 0600), 0);
    assert_error(OPEN(place.directory), HF_E_INPUT, "regular file");
#undef OPEN
    scratch_remove(place.directory);
}

/* The room for a night is held while the journal is open, not counted in its size, and given back. */
static void test_reserve(void **state)
{
    struct hf_error error = {0};
    struct hf_journal *journal;
    struct stat status;
    struct place place;
    int64_t size;

    (void)state;
    place_init(&place);
    place.options.reserve_bytes = (size_t)4 << 20;
    fill(&place, 3);
    assert_int_equal(stat(file_path(place.directory, "journal.jsonl"), &status), 0);
    size = status.st_size;
    assert_true(status.st_blocks * 512 < 1 << 20);
    assert_ok(hf_journal_open(place.directory, &place.options, NULL, NULL, &journal, NULL, &error));
    assert_int_equal(stat(file_path(place.directory, "journal.jsonl"), &status), 0);
    assert_int_equal(status.st_size, size);
    if (status.st_blocks * 512 < 4 << 20)
        print_message("this file system cannot reserve; only the free space was checked\n");
    hf_journal_close(journal);
    assert_int_equal(stat(file_path(place.directory, "journal.jsonl"), &status), 0);
    assert_int_equal(status.st_size, size);
    assert_true(status.st_blocks * 512 < 1 << 20);
    scratch_remove(place.directory);
}

static void test_visitor_stops(void **state)
{
    struct hf_error error = {0};
    struct hf_journal *journal;
    struct seen seen = {.stop_at = 3};
    struct place place;
    size_t size;
    char *bytes;

    (void)state;
    place_init(&place);
    fill(&place, 5);
    append_bytes(&place, "torn", 4);
    assert_error(hf_journal_open(place.directory, &place.options, see, &seen, &journal, NULL, &error),
                 HF_E_MISMATCH, "had enough");
    assert_int_equal(seen.count, 3);
    bytes = file_read(place.directory, "journal.jsonl", &size);
    assert_memory_equal(bytes + size - 4, "torn", 4); /* nothing was changed */
    free(bytes);
    scratch_remove(place.directory);
}

/* --- limits and failures -------------------------------------------------------------------------------- */

static void test_too_long_a_record_is_dropped(void **state)
{
    struct hf_error error = {0};
    struct hf_journal *journal;
    struct seen seen = {0};
    struct place place;
    char *much = malloc(HF_JOURNAL_LINE_MAX + 1);

    (void)state;
    assert_non_null(much);
    memset(much, 'y', HF_JOURNAL_LINE_MAX);
    much[HF_JOURNAL_LINE_MAX] = '\0';
    place_init(&place);
    fill(&place, 1);
    assert_ok(hf_journal_open(place.directory, &place.options, NULL, NULL, &journal, NULL, &error));
    assert_ok(stage_note(journal, "before", &error));
    assert_error(stage_note(journal, much, &error), HF_E_RANGE, "too long");
    assert_false(hf_journal_failed(journal));
    assert_ok(stage_note(journal, "after", &error));
    assert_ok(hf_journal_commit(journal, &error));
    much[HF_JOURNAL_LINE_MAX - 1000] = '\0';
    for (int i = 0; i < HF_JOURNAL_COMMIT_MAX / (HF_JOURNAL_LINE_MAX - 1000) + 1; i++) {
        if (stage_note(journal, much, &error) != HF_OK)
            break;
    }
    assert_int_equal(error.code, HF_E_RANGE); /* one too many for a commit */
    hf_error_clear(&error);
    hf_journal_close(journal);
    assert_ok(hf_journal_open(place.directory, &place.options, see, &seen, &journal, NULL, &error));
    assert_int_equal(seen.count, 3);
    assert_string_equal(seen.text[1], "before");
    assert_string_equal(seen.text[2], "after");
    hf_journal_close(journal);
    free(much);
    scratch_remove(place.directory);
}

static int fail_sync(int fd)
{
    (void)fd;
    errno = EIO;
    return -1;
}

static void test_failure_is_sticky(void **state)
{
    struct hf_error error = {0};
    struct hf_journal *journal;
    struct place place;
    size_t size;
    size_t later;

    (void)state;
    place_init(&place);
    fill(&place, 2);
    place.ops.sync = fail_sync;
    assert_ok(hf_journal_open(place.directory, &place.options, NULL, NULL, &journal, NULL, &error));
    assert_ok(stage_note(journal, "lost", &error));
    assert_error(hf_journal_commit(journal, &error), HF_E_IO, "cannot sync");
    assert_true(hf_journal_failed(journal));
    assert_int_equal(hf_journal_records(journal), 2);
    free(file_read(place.directory, "journal.jsonl", &size));
    for (int i = 0; i < 3; i++) {
        assert_error(stage_note(journal, "refused", &error), HF_E_STICKY, "cannot sync");
        assert_error(hf_journal_commit(journal, &error), HF_E_STICKY, "cannot sync");
    }
    free(file_read(place.directory, "journal.jsonl", &later));
    assert_int_equal(size, later);
    hf_journal_close(journal);
    free(file_read(place.directory, "journal.jsonl", &later));
    assert_int_equal(size, later);
    scratch_remove(place.directory);
}

/* A wall clock that is set back is held: run time never goes back. */
static void test_wall_clock_set_back(void **state)
{
    struct hf_error error = {0};
    struct hf_journal *journal;
    struct place place;
    int64_t previous = 0;
    struct hf_line line;
    size_t size;
    char *bytes;

    (void)state;
    place_init(&place);
    fill(&place, 3);
    place.clock_state.wall_ns = FIRST_WALL_NS - INT64_C(3600000000000);
    assert_ok(hf_journal_open(place.directory, &place.options, NULL, NULL, &journal, NULL, &error));
    assert_ok(stage_note(journal, "an hour early", &error));
    assert_ok(stage_note(journal, "and again", &error));
    assert_ok(hf_journal_commit(journal, &error));
    hf_journal_close(journal);
    bytes = file_read(place.directory, "journal.jsonl", &size);
    for (size_t at = 0; at < size;) {
        size_t length = (size_t)(strchr(bytes + at, '\n') - bytes) + 1 - at;

        assert_int_equal(hf_line_scan(bytes + at, length, &line), HF_LINE_GOOD);
        assert_true(line.wall_ns >= previous);
        previous = line.wall_ns;
        at += length;
    }
    free(bytes);
    scratch_remove(place.directory);
}

/* Whatever words come in, the run can be read again. */
static void test_words_in_any_encoding(void **state)
{
    struct hf_error error = {0};
    struct hf_journal *journal;
    struct seen seen = {0};
    struct place place;

    (void)state;
    place_init(&place);
    fill(&place, 1);
    assert_ok(hf_journal_open(place.directory, &place.options, NULL, NULL, &journal, NULL, &error));
    assert_ok(stage_note(journal,
                         "38 \xc2\xb0"
                         "C, fa\xc3\xa7"
                         "ade",
                         &error));
    assert_ok(stage_note(journal,
                         "38 \xb0"
                         "C",
                         &error)); /* Latin-1 */
    assert_ok(stage_note(journal, "tab \t, quote \", DEL \x7f", &error));
    assert_ok(hf_journal_commit(journal, &error));
    hf_journal_close(journal);
    assert_int_equal(hf_journal_open(place.directory, &place.options, see, &seen, &journal, NULL, &error),
                     HF_E_INPUT);
    hf_error_clear(&error); /* our visitor wants no control characters; the lines themselves are sound: */
    assert_string_equal(seen.text[1], "38 \xc2\xb0"
                                      "C, fa\xc3\xa7"
                                      "ade");
    assert_string_equal(seen.text[2], "38 ?C");
    assert_ok(hf_journal_open(place.directory, &place.options, NULL, NULL, &journal, NULL, &error));
    assert_int_equal(hf_journal_records(journal), 4);
    hf_journal_close(journal);
    scratch_remove(place.directory);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(test_append_and_reopen),
        cmocka_unit_test(test_uncommitted_lines_are_dropped),
        cmocka_unit_test(test_one_write_one_sync),
        cmocka_unit_test(test_torn_tails),
        cmocka_unit_test(test_torn_line_of_every_length),
        cmocka_unit_test(test_torn_commit_of_several_lines),
        cmocka_unit_test(test_damage_is_refused_and_salvaged),
        cmocka_unit_test(test_broken_chains),
        cmocka_unit_test(test_damage_in_an_acknowledged_commit),
        cmocka_unit_test(test_foreign_file),
        cmocka_unit_test(test_too_large_a_tail_is_damage),
        cmocka_unit_test(test_versions),
        cmocka_unit_test(test_unknown_type_is_newer_not_torn),
        cmocka_unit_test(test_refusals_at_opening),
        cmocka_unit_test(test_reserve),
        cmocka_unit_test(test_visitor_stops),
        cmocka_unit_test(test_too_long_a_record_is_dropped),
        cmocka_unit_test(test_failure_is_sticky),
        cmocka_unit_test(test_wall_clock_set_back),
        cmocka_unit_test(test_words_in_any_encoding),
    };

    return cmocka_run_group_tests(tests, NULL, NULL);
}
