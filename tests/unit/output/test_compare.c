/* Runs side by side: order, what moved and why, the spread, and harmless pages. */
#include "output_fixture.h"

#include <cjson/cJSON.h>

#include "output/compare.h"

#define RUNS_MAX 16

struct made {
    char directory[RUNS_MAX][PATH_MAX];
    const char *names[RUNS_MAX];
    int count;
    struct hf_compare *compare;
    struct hf_text text, html;
    struct cJSON *document;
};

static void add_run(struct made *made, struct night night)
{
    assert_true(made->count < RUNS_MAX);
    scratch_make(made->directory[made->count]);
    night_write(&night, made->directory[made->count]);
    assert_true(night.finished || night.stop_after != 0);
    made->names[made->count] = made->directory[made->count];
    made->count++;
}

static void compare_them(struct made *made)
{
    struct hf_error error = {0};
    struct hf_text json;

    assert_ok(hf_compare_open(made->names, made->count, &made->compare, &error));
    hf_text_init(&made->text, 1 << 24);
    hf_compare_text(made->compare, &made->text);
    hf_text_init(&json, 1 << 24);
    hf_compare_json(made->compare, &json);
    made->document = cJSON_ParseWithOpts(json.bytes, NULL, 1);
    assert_non_null(made->document);
    assert_ok(hf_compare_html(made->compare, &made->html, &error));
    assert_true(hf_text_is_utf8(made->html.bytes, made->html.size));
    hf_text_release(&json);
}

static void unmake(struct made *made)
{
    hf_compare_free(made->compare);
    hf_text_release(&made->text);
    hf_text_release(&made->html);
    cJSON_Delete(made->document);
    for (int i = 0; i < made->count; i++)
        scratch_remove(made->directory[i]);
}

/* One machine at three voltages; the runs are given in another order than their dates. */
static void limits_move_with_the_voltage(void **state)
{
    struct made made = {0};
    struct night night = {.groups = 3, .seed = 5, .soak_hours = 1, .factor = 600};
    struct compare_move move;
    struct hf_text words;

    (void)state;
    night.day = 4;
    night.play_seed = 2;
    night.voltage_mv = 1200;
    night.theta_shift = 6;
    night.microcode = "0xa601209";
    add_run(&made, night);
    night.day = 0;
    night.play_seed = 1;
    night.voltage_mv = 0;
    night.theta_shift = 0;
    night.microcode = NULL;
    add_run(&made, night);
    night.day = 9;
    night.play_seed = 3;
    night.stop_after = 8;
    add_run(&made, night);
    compare_them(&made);
    assert_string_equal(made.compare->runs[0].directory, made.directory[1]);
    assert_string_equal(made.compare->runs[1].directory, made.directory[0]);
    assert_true(made.compare->runs[0].before == HF_EVIDENCE_NOTHING);
    assert_int_equal(made.compare->runs[1].before, 0);
    assert_int_equal(made.compare->runs[2].before, 1);
    assert_int_equal(compare_voltages(made.compare, 0, 3), 2);
    for (int group = 0; group < 3; group++) {
        assert_true(compare_moved(made.compare, 1, group, &move));
        assert_true(move.to > move.from + 0.4); /* the edge went up by six steps of 0.25 */
        assert_int_equal(move.beyond_chance, 1);
        assert_false(compare_moved(made.compare, 2, group, &move)); /* not proved: nothing moved */
    }
    hf_text_init(&words, 4096);
    compare_changes(made.compare, 1, &words);
    assert_string_equal(words.bytes, "microcode 0xa601209, was 0xa601206; voltage 1200 mV, was 1150 mV");
    hf_text_release(&words);
    assert_non_null(strstr(made.text.bytes, "Run 2 against run 1"));
    assert_non_null(strstr(made.text.bytes, "voltage 1200 mV, was 1150 mV"));
    assert_non_null(strstr(made.html.bytes, "Ratio against voltage"));
    assert_non_null(strstr(made.html.bytes, "&#9650;"));
    unmake(&made);
}

/* Same machine, same conditions, another night: what chance does is not called more than that. */
static void chance_is_called_chance(void **state)
{
    struct made made = {0};
    int moved = 0;
    int beyond = 0;

    (void)state;
    for (int i = 0; i < 12; i++)
        add_run(&made, (struct night){.groups = 4,
                                      .seed = 5,
                                      .play_seed = (uint64_t)i + 1,
                                      .soak_hours = 1,
                                      .factor = 600,
                                      .day = i});
    compare_them(&made);
    for (size_t run = 1; run < 12; run++) {
        for (int group = 0; group < 4; group++) {
            struct compare_move move;

            if (!compare_moved(made.compare, run, group, &move))
                continue;
            moved++;
            beyond += move.beyond_chance == 1;
        }
    }
    print_message("of 44 pairs of limits %d moved, %d of them called more than chance\n", moved, beyond);
    assert_true(moved > 4);
    assert_true(beyond <= 4); /* two 95 % intervals that do not meet: well below one in ten */
    assert_null(strstr(made.html.bytes, "Ratio against voltage")); /* one voltage only */
    unmake(&made);
}

/* One machine of six whose limits lie far from the others'.
 */
static void a_machine_that_differs_is_named(void **state)
{
    struct made made = {0};
    const struct cJSON *spread;
    int named = 0;

    (void)state;
    for (int i = 0; i < 6; i++) {
        char name[16];

        (void)snprintf(name, sizeof name, "plover-%d", i + 1);
        add_run(&made, (struct night){.groups = 2,
                                      .seed = 31,
                                      .play_seed = (uint64_t)i + 1,
                                      .soak_hours = 1,
                                      .factor = 600,
                                      .name = name,
                                      .theta_shift = i == 4 ? 22 : 0});
    }
    compare_them(&made);
    spread = cJSON_GetObjectItemCaseSensitive(made.document, "spread");
    assert_int_equal(cJSON_GetNumberValue(cJSON_GetObjectItemCaseSensitive(spread, "machines")), 6);
    assert_int_equal(cJSON_GetNumberValue(cJSON_GetObjectItemCaseSensitive(spread, "limits")), 12);
    for (size_t run = 0; run < made.compare->run_count; run++) {
        for (int group = 0; group < 2; group++) {
            int outlier =
                compare_is_outlier(&made.compare->spread, made.compare->runs[run].group[group].ratio);

            if (outlier)
                assert_string_equal(made.compare->runs[run].machine, "plover-5");
            named += outlier;
        }
    }
    assert_true(named >= 1);
    assert_non_null(strstr(made.text.bytes, "plover-5 g"));
    assert_non_null(strstr(made.html.bytes, "class=\"out\""));
    unmake(&made);
}

static void strangers_words_are_harmless(void **state)
{
    struct made made = {0};

    (void)state;
    for (int i = 0; i < 2; i++)
        add_run(&made, (struct night){.groups = 2,
                                      .seed = 12,
                                      .play_seed = (uint64_t)i + 1,
                                      .soak_hours = 1,
                                      .factor = 60,
                                      .method = "bisect",
                                      .day = i,
                                      .hostile = i ? "<script>alert(1)</script>\x1b[2J" : NULL,
                                      .stop_after = i ? 5 : 0});
    compare_them(&made);
    assert_null(strstr(made.html.bytes, "<script"));
    assert_null(strchr(made.html.bytes, 0x1b));
    assert_null(strchr(made.text.bytes, 0x1b));
    assert_non_null(strstr(made.html.bytes, "&lt;script&gt;"));
    unmake(&made);
}

static void what_cannot_be_read_is_named(void **state)
{
    const char *names[] = {"/tmp/no-such-run-here"};
    struct hf_compare *compare = NULL;
    struct hf_error error = {0};

    (void)state;
    assert_error(hf_compare_open(names, 1, &compare, &error), HF_E_NOT_FOUND, "no-such-run-here");
    assert_error(hf_compare_open(names, 0, &compare, &error), HF_E_INPUT, "0 runs");
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(limits_move_with_the_voltage),    cmocka_unit_test(chance_is_called_chance),
        cmocka_unit_test(a_machine_that_differs_is_named), cmocka_unit_test(strangers_words_are_harmless),
        cmocka_unit_test(what_cannot_be_read_is_named),
    };

    return cmocka_run_group_tests(tests, NULL, NULL);
}
