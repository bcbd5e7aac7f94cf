/* Events to records and back: every type round trips, nothing illegal gets in or out. */
#include "unit/record/record_fixture.h"

#include <cjson/cJSON.h>

#include "record/record_private.h"

/* A journal with run-begin in a scratch directory. */
struct place {
    char directory[PATH_MAX];
    struct test_clock clock_state;
    struct hf_clock clock;
    struct hf_journal_file_ops ops;
    struct hf_journal *journal;
};

static void place_init(struct place *place)
{
    struct hf_error error = {0};
    struct hf_journal_options options = {.clock = &place->clock,
                                         .file_ops = &place->ops,
                                         .boot_id = BOOT_A,
                                         .salt = FIXED_SALT,
                                         .reserve_bytes = 65536};

    memset(place, 0, sizeof *place);
    scratch_make(place->directory);
    place->clock_state = (struct test_clock){FIRST_WALL_NS, 1250000000};
    place->clock = (struct hf_clock){test_wall_ns, test_monotonic_ns, &place->clock_state};
    place->ops = quick_ops();
    assert_ok(hf_journal_open(place->directory, &options, NULL, NULL, &place->journal, NULL, &error));
    (void)hf_journal_begin(place->journal, HF_RECORD_RUN_BEGIN);
    assert_ok(hf_journal_end(place->journal, &error));
}

static void place_release(struct place *place)
{
    hf_journal_close(place->journal);
    scratch_remove(place->directory);
}

/* Event `index` of the line staged last. */
static struct hf_event read_last(const struct place *place, int index, int expected_count)
{
    struct hf_event event = {0};
    struct hf_error error = {0};
    struct cJSON *document;
    struct hf_record record;
    struct hf_line line;
    const char *bytes;
    size_t size;

    hf_journal_last_line(place->journal, &bytes, &size);
    assert_int_equal(hf_line_scan(bytes, size, &line), HF_LINE_GOOD);
    assert_ok(hf_line_to_record(&line, "journal.jsonl: line 2", &document, &record, &error));
    assert_int_equal(hf_event_count(&record), expected_count);
    assert_ok(hf_event_decode(&record, index, FIRST_WALL_NS, 600, &event, &error));
    hf_json_document_free(document);
    return event;
}

static void check_round_trip(struct place *place, const struct hf_event *event)
{
    struct hf_error error = {0};
    struct hf_event back;

    assert_ok(hf_event_write(place->journal, event, "a \"reason\"", &error));
    back = read_last(place, 0, 1);
    assert_int_equal(back.type, event->type);
    assert_int_equal(back.trial, event->trial);
    if (event->type != HF_EVENT_TRIAL_LOADED && event->type != HF_EVENT_EXPOSURE)
        assert_int_equal(back.group, event->group);
    assert_int_equal(back.purpose, event->purpose);
    assert_int_equal(back.verdict, event->verdict);
    assert_int_equal(back.cause, event->cause);
    assert_int_equal(back.step, event->group == HF_GROUP_ALL ? 0 : event->step);
    assert_memory_equal(&back.limit_s, &event->limit_s, sizeof back.limit_s);
    assert_memory_equal(&back.exposure_s, &event->exposure_s, sizeof back.exposure_s);
    assert_int_equal(back.blocks, event->blocks);
    assert_int_equal(back.cpu, event->cpu);
    assert_int_equal(back.corrected, event->corrected);
    if (event->type == HF_EVENT_TRIAL_BEGIN && event->group == HF_GROUP_ALL)
        assert_memory_equal(back.joint_step, event->joint_step, sizeof back.joint_step);
    assert_true(back.time_s > 0);
    assert_true(back.sequence > 1);
}

static void test_round_trips(void **state)
{
    struct hf_event event;
    struct place place;

    (void)state;
    place_init(&place);
    for (int purpose = 0; purpose < HF_PURPOSE_COUNT; purpose++) {
        int joint = hf_purpose_is_joint((enum hf_purpose)purpose);

        event = begin_of(3, (enum hf_purpose)purpose, joint ? HF_GROUP_ALL : 255, joint ? 20 : 511);
        event.limit_s = 0.1 + purpose / 3.0;
        check_round_trip(&place, &event);
    }
    event = begin_of(3, HF_PURPOSE_SOAK, HF_GROUP_ALL, 20); /* every group, a hole among them */
    for (int i = 0; i < HF_GROUPS_MAX; i++)
        event.joint_step[i] = (int16_t)(i == 7 ? -1 : i * 2 % 512);
    check_round_trip(&place, &event);
    event = begin_of(3, HF_PURPOSE_VERIFY, HF_GROUP_ALL, 20);
    check_round_trip(&place, &event);
    event = event_of(HF_EVENT_TRIAL_LOADED, UINT64_MAX, HF_GROUP_NONE);
    check_round_trip(&place, &event);
    event = progress_of(7, 12345.678901234567, UINT64_MAX);
    check_round_trip(&place, &event);
    event = event_of(HF_EVENT_RESET, 0, 17);
    check_round_trip(&place, &event);
    event = event_of(HF_EVENT_RESET, 0, HF_GROUP_NONE);
    check_round_trip(&place, &event);
    for (int verdict = HF_VERDICT_PASS; verdict <= HF_VERDICT_VOID; verdict++) {
        for (int cause = 0; cause < HF_CAUSE_COUNT; cause++) {
            if (!hf_cause_fits((enum hf_verdict)verdict, (enum hf_cause)cause))
                continue;
            event = verdict_of(9, (enum hf_verdict)verdict, (enum hf_cause)cause, cause % 4 - 2, 1.0 / 3, 5);
            check_round_trip(&place, &event);
        }
    }
    for (int corrected = 0; corrected <= 1; corrected++) {
        event = event_of(HF_EVENT_HARDWARE_ERROR, 4, 2);
        event.cpu = HF_CPUS_MAX - 1;
        event.corrected = corrected;
        event.exposure_s = 1e10;
        check_round_trip(&place, &event);
    }
    place_release(&place);
}

static void write_extra(void *context, struct hf_json_writer *writer)
{
    hf_json_integer(writer, "celsius", *(int *)context);
}

/* Further members stand after the event's own and do not disturb it. */
static void test_further_members(void **state)
{
    struct hf_event event = verdict_of(9, HF_VERDICT_FAIL, HF_CAUSE_STALL, 2, 1, 5);
    struct hf_error error = {0};
    struct place place;
    const char *bytes;
    int celsius = 71;
    size_t size;

    (void)state;
    place_init(&place);
    assert_ok(hf_event_write_with(place.journal, &event, "why", write_extra, &celsius, &error));
    hf_journal_last_line(place.journal, &bytes, &size);
    assert_non_null(strstr(bytes, "\"blocks\":\"5\",\"reason\":\"why\",\"celsius\":71}"));
    assert_int_equal(read_last(&place, 0, 1).cause, HF_CAUSE_STALL);
    place_release(&place);
}

static void test_exposure_of_many_trials(void **state)
{
    struct hf_event events[HF_EXPOSURE_TRIALS_MAX];
    struct hf_error error = {0};
    struct place place;

    (void)state;
    place_init(&place);
    for (int i = 0; i < HF_EXPOSURE_TRIALS_MAX;
         i++) /* as long as they can be written: the line must hold them */
        events[i] =
            progress_of(UINT64_MAX - (uint64_t)i, 9999999999.9999981 - i * 1e-4, UINT64_MAX - (uint64_t)i);
    assert_ok(hf_exposure_write(place.journal, events, HF_EXPOSURE_TRIALS_MAX, &error));
    for (int i = 0; i < HF_EXPOSURE_TRIALS_MAX; i += 9) {
        struct hf_event back = read_last(&place, i, HF_EXPOSURE_TRIALS_MAX);

        assert_int_equal(back.trial, events[i].trial);
        assert_int_equal(back.blocks, events[i].blocks);
        assert_memory_equal(&back.exposure_s, &events[i].exposure_s, sizeof back.exposure_s);
    }
    place_release(&place);
}

/* Run time: (wall - first wall) x clock factor. */
static void test_times(void **state)
{
    struct hf_event event = event_of(HF_EVENT_TRIAL_LOADED, 1, HF_GROUP_NONE);
    struct hf_error error = {0};
    struct place place;

    (void)state;
    place_init(&place); /* run-begin took the first reading, the event takes the second: 1.25 s later */
    assert_ok(hf_event_write(place.journal, &event, NULL, &error));
    event = read_last(&place, 0, 1);
    assert_true(event.time_s > 1.25 * 600 - 1e-6 && event.time_s < 1.25 * 600 + 1e-6);
    place_release(&place);
}

static void test_illegal_events_are_not_written(void **state)
{
    struct hf_error error = {0};
    struct hf_event event;
    struct place place;
    uint64_t staged;
    size_t size_before;
    size_t size;
    const char *bytes;

    (void)state;
    place_init(&place);
    staged = hf_journal_records(place.journal);
    hf_journal_last_line(place.journal, &bytes, &size_before);
#define REFUSE(...)                                                                                          \
    do {                                                                                                     \
        __VA_ARGS__;                                                                                         \
        assert_error(hf_event_write(place.journal, &event, NULL, &error), HF_E_RANGE, "cannot be recorded"); \
    } while (0)
    REFUSE(event = begin_of(0, HF_PURPOSE_EDGE, 0, 1));
    REFUSE(event = begin_of(1, HF_PURPOSE_EDGE, HF_GROUPS_MAX, 1));
    REFUSE(event = begin_of(1, HF_PURPOSE_EDGE, HF_GROUP_NONE, 1));
    REFUSE(event = begin_of(1, HF_PURPOSE_EDGE, 0, -1));
    REFUSE(event = begin_of(1, HF_PURPOSE_EDGE, 0, 512));
    REFUSE(event = begin_of(1, HF_PURPOSE_COUNT, 0, 1));
    REFUSE(event = begin_of(1, HF_PURPOSE_SOAK, 0, 1));
    REFUSE(event = begin_of(1, HF_PURPOSE_SOAK, HF_GROUP_ALL, 1); event.joint_step[200] = 512);
    REFUSE(event = begin_of(1, HF_PURPOSE_EDGE, 0, 1); event.limit_s = 0);
    REFUSE(event = begin_of(1, HF_PURPOSE_EDGE, 0, 1); event.limit_s = __builtin_nan(""));
    REFUSE(event = begin_of(1, HF_PURPOSE_EDGE, 0, 1); event.limit_s = __builtin_inf());
    REFUSE(event = progress_of(1, -1, 0));
    REFUSE(event = progress_of(1, __builtin_nan(""), 0));
    REFUSE(event = progress_of(0, 1, 0));
    REFUSE(event = verdict_of(1, HF_VERDICT_NONE, HF_CAUSE_NONE, 0, 1, 1));
    REFUSE(event = verdict_of(1, HF_VERDICT_PASS, HF_CAUSE_STALL, 0, 1, 1));
    REFUSE(event = verdict_of(1, HF_VERDICT_FAIL, HF_CAUSE_OVER_TEMPERATURE, 0, 1, 1));
    REFUSE(event = verdict_of(1, HF_VERDICT_VOID, HF_CAUSE_TIME_SERVED, 0, 1, 1));
    REFUSE(event = verdict_of(1, HF_VERDICT_FAIL, HF_CAUSE_STALL, 0, 1, 1); event.cpu = HF_CPUS_MAX);
    REFUSE(event = verdict_of(1, HF_VERDICT_FAIL, HF_CAUSE_STALL, -3, 1, 1));
    REFUSE(event = event_of(HF_EVENT_RESET, 0, HF_GROUP_ALL));
    REFUSE(event = event_of(HF_EVENT_HARDWARE_ERROR, 1, HF_GROUP_NONE));
    REFUSE(event = event_of((enum hf_event_type)99, 1, 0));
#undef REFUSE
    assert_int_equal(hf_journal_records(place.journal), staged);
    hf_journal_last_line(place.journal, &bytes, &size);
    assert_int_equal(size, size_before); /* nothing was staged */
    assert_false(hf_journal_failed(place.journal));
    place_release(&place);
}

struct payload {
    enum hf_record_type type;
    const char *data;
    const char *words; /* of the refusal; NULL: it is right */
};

/* Payloads written by hand, as a line with a right checksum could hold them. */
static void test_payloads(void **state)
{
    static const struct payload payloads[] = {
        {HF_RECORD_TRIAL_BEGIN,
         "{\"trial\":\"1\",\"purpose\":\"edge\",\"group\":2,\"step\":17,\"limit_s\":600}", NULL},
        {HF_RECORD_TRIAL_BEGIN,
         "{\"trial\":\"1\",\"purpose\":\"edge\",\"group\":2,\"step\":17,\"limit_s\":600,\"extra\":[1]}",
         NULL},
        {HF_RECORD_TRIAL_BEGIN, "{\"trial\":1,\"purpose\":\"edge\",\"group\":2,\"step\":17,\"limit_s\":600}",
         "trial"},
        {HF_RECORD_TRIAL_BEGIN,
         "{\"trial\":\"0\",\"purpose\":\"edge\",\"group\":2,\"step\":17,\"limit_s\":600}", "from 1"},
        {HF_RECORD_TRIAL_BEGIN,
         "{\"trial\":\"1x\",\"purpose\":\"edge\",\"group\":2,\"step\":17,\"limit_s\":600}", "trial"},
        {HF_RECORD_TRIAL_BEGIN,
         "{\"trial\":\"1\",\"purpose\":\"Edge\",\"group\":2,\"step\":17,\"limit_s\":600}", "purpose"},
        {HF_RECORD_TRIAL_BEGIN,
         "{\"trial\":\"1\",\"purpose\":\"edge\",\"group\":256,\"step\":17,\"limit_s\":600}", "group"},
        {HF_RECORD_TRIAL_BEGIN,
         "{\"trial\":\"1\",\"purpose\":\"edge\",\"group\":-1,\"step\":17,\"limit_s\":600}", "group"},
        {HF_RECORD_TRIAL_BEGIN,
         "{\"trial\":\"1\",\"purpose\":\"edge\",\"group\":\"none\",\"step\":17,\"limit_s\":600}", "group"},
        {HF_RECORD_TRIAL_BEGIN,
         "{\"trial\":\"1\",\"purpose\":\"edge\",\"group\":\"some\",\"step\":17,\"limit_s\":600}", "group"},
        {HF_RECORD_TRIAL_BEGIN,
         "{\"trial\":\"1\",\"purpose\":\"edge\",\"group\":2,\"step\":17.5,\"limit_s\":600}", "step"},
        {HF_RECORD_TRIAL_BEGIN,
         "{\"trial\":\"1\",\"purpose\":\"edge\",\"group\":2,\"step\":512,\"limit_s\":600}", "step"},
        {HF_RECORD_TRIAL_BEGIN,
         "{\"trial\":\"1\",\"purpose\":\"edge\",\"group\":2,\"step\":17,\"limit_s\":0}", "limit_s"},
        {HF_RECORD_TRIAL_BEGIN,
         "{\"trial\":\"1\",\"purpose\":\"edge\",\"group\":2,\"step\":17,\"limit_s\":1e999}", "limit_s"},
        {HF_RECORD_TRIAL_BEGIN,
         "{\"trial\":\"1\",\"purpose\":\"soak\",\"group\":\"all\",\"limit_s\":9,\"steps\":[1,-1]}", NULL},
        {HF_RECORD_TRIAL_BEGIN,
         "{\"trial\":\"1\",\"purpose\":\"soak\",\"group\":\"all\",\"limit_s\":9,\"steps\":[1,-2]}", "item 1"},
        {HF_RECORD_TRIAL_BEGIN,
         "{\"trial\":\"1\",\"purpose\":\"soak\",\"group\":\"all\",\"limit_s\":9,\"steps\":[1,0.5]}",
         "item 1"},
        {HF_RECORD_TRIAL_BEGIN,
         "{\"trial\":\"1\",\"purpose\":\"soak\",\"group\":\"all\",\"limit_s\":9,\"steps\":[\"1\"]}",
         "item 0"},
        {HF_RECORD_TRIAL_BEGIN, "{\"trial\":\"1\",\"purpose\":\"soak\",\"group\":\"all\",\"limit_s\":9}",
         "steps"},
        {HF_RECORD_TRIAL_BEGIN,
         "{\"trial\":\"1\",\"purpose\":\"edge\",\"group\":\"all\",\"limit_s\":9,\"steps\":[1]}", NULL},
        {HF_RECORD_TRIAL_BEGIN,
         "{\"trial\":\"1\",\"purpose\":\"baseline\",\"group\":1,\"limit_s\":9,\"step\":1}", "all groups"},
        {HF_RECORD_TRIAL_LOADED, "{\"trial\":\"1\"}", NULL},
        {HF_RECORD_TRIAL_LOADED, "{}", "trial"},
        {HF_RECORD_EXPOSURE, "{\"trials\":[{\"trial\":\"1\",\"exposure_s\":0,\"blocks\":\"0\"}]}", NULL},
        {HF_RECORD_EXPOSURE, "{\"trials\":[]}", "trials"},
        {HF_RECORD_EXPOSURE, "{\"trials\":{}}", "trials"},
        {HF_RECORD_EXPOSURE, "{\"trials\":[1]}", "trials"},
        {HF_RECORD_EXPOSURE, "{}", "trials"},
        {HF_RECORD_EXPOSURE, "{\"trials\":[{\"trial\":\"1\",\"exposure_s\":-1,\"blocks\":\"0\"}]}",
         "exposure_s"},
        {HF_RECORD_EXPOSURE, "{\"trials\":[{\"trial\":\"1\",\"exposure_s\":1,\"blocks\":0}]}", "blocks"},
        {HF_RECORD_EXPOSURE,
         "{\"trials\":[{\"trial\":\"1\",\"exposure_s\":1,\"blocks\":\"18446744073709551616\"}]}", "blocks"},
        {HF_RECORD_EXPOSURE, "{\"trials\":[{\"trial\":\"1\",\"exposure_s\":null,\"blocks\":\"1\"}]}",
         "exposure_s"},
        {HF_RECORD_RESET, "{\"group\":\"none\"}", NULL},
        {HF_RECORD_RESET, "{\"group\":\"all\"}", "group"},
        {HF_RECORD_RESET, "{}", "group"},
        {HF_RECORD_VERDICT,
         "{\"trial\":\"1\",\"verdict\":\"pass\",\"cause\":\"time-served\",\"group\":0,\"exposure_s\":1,"
         "\"blocks\":\"1\"}",
         NULL},
        {HF_RECORD_VERDICT,
         "{\"trial\":\"1\",\"verdict\":\"pass\",\"cause\":\"stall\",\"group\":0,\"exposure_s\":1,\"blocks\":"
         "\"1\"}",
         "does not fit"},
        {HF_RECORD_VERDICT,
         "{\"trial\":\"1\",\"verdict\":\"none\",\"cause\":\"none\",\"group\":0,\"exposure_s\":1,\"blocks\":"
         "\"1\"}",
         "pass, fail or void"},
        {HF_RECORD_VERDICT,
         "{\"trial\":\"1\",\"verdict\":\"fine\",\"cause\":\"none\",\"group\":0,\"exposure_s\":1,\"blocks\":"
         "\"1\"}",
         "verdict"},
        {HF_RECORD_VERDICT,
         "{\"trial\":\"1\",\"verdict\":\"fail\",\"cause\":\"stall\",\"group\":0,\"cpu\":-1,\"exposure_s\":1,"
         "\"blocks\":\"1\"}",
         "cpu"},
        {HF_RECORD_VERDICT,
         "{\"trial\":\"1\",\"verdict\":\"fail\",\"cause\":\"stall\",\"group\":0,\"blocks\":\"1\"}",
         "exposure_s"},
        {HF_RECORD_HARDWARE_ERROR, "{\"trial\":\"0\",\"group\":0,\"exposure_s\":0,\"corrected\":true}", NULL},
        {HF_RECORD_HARDWARE_ERROR, "{\"trial\":\"1\",\"group\":0,\"exposure_s\":0,\"corrected\":1}",
         "corrected"},
        {HF_RECORD_HARDWARE_ERROR, "{\"trial\":\"1\",\"group\":\"all\",\"exposure_s\":0,\"corrected\":true}",
         "group"},
    };

    (void)state;
    for (size_t i = 0; i < sizeof payloads / sizeof payloads[0]; i++) {
        struct hf_record record = {.sequence = 12, .type = payloads[i].type, .wall_ns = FIRST_WALL_NS};
        struct hf_error error = {0};
        struct hf_event event;
        struct cJSON *document;

        assert_ok(hf_json_parse(payloads[i].data, strlen(payloads[i].data), "journal.jsonl: line 12",
                                &document, &error));
        record.data = hf_json_root(document, "journal.jsonl: line 12");
        if (payloads[i].words == NULL) {
            assert_int_equal(hf_event_count(&record), 1);
            assert_ok(hf_event_decode(&record, 0, FIRST_WALL_NS, 1, &event, &error));
        } else {
            (void)hf_event_decode(&record, 0, FIRST_WALL_NS, 1, &event, &error);
            if (error.code != HF_E_DAMAGED || strstr(error.message, "line 12") == NULL ||
                strstr(error.message, payloads[i].words) == NULL)
                fail_msg("%s: \"%s\", wanted \"%s\"", payloads[i].data, error.message, payloads[i].words);
        }
        hf_json_document_free(document);
    }
}

static void test_records_without_events(void **state)
{
    struct hf_record record = {.type = HF_RECORD_NOTE};
    struct hf_error error = {0};
    struct hf_event event;

    (void)state;
    record.data = hf_json_root(NULL, "here");
    assert_int_equal(hf_event_count(&record), 0);
    assert_error(hf_event_decode(&record, 0, 0, 1, &event, &error), HF_E_DAMAGED, "no event");
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(test_round_trips),
        cmocka_unit_test(test_further_members),
        cmocka_unit_test(test_exposure_of_many_trials),
        cmocka_unit_test(test_times),
        cmocka_unit_test(test_illegal_events_are_not_written),
        cmocka_unit_test(test_payloads),
        cmocka_unit_test(test_records_without_events),
    };

    return cmocka_run_group_tests(tests, NULL, NULL);
}
