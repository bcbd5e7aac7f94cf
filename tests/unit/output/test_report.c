/* The report: harmless whatever the journal says, whole for any run, and small. */
#include "output_fixture.h"

#include <cjson/cJSON.h>
#include <ctype.h>
#include <time.h>

#include "output/output_private.h"
#include "output/plot.h"

/* Markup, attributes, entities, terminal commands, direction changes, and text that is cut in a character. */
static const char hostile[] =
    "</title><script>alert(1)</script><img src=x onerror=alert(1)> \" onload=\"x' &amp; "
    "\x1b[2J\x1b]0;owned\x07\r\n\x7f \xc2\x9b"
    "31m \xe2\x80\xae gpj.exe \xf0\x9f\x8c\x8a";

/* --- reading HTML strictly ------------------------------------------------------------------------------ */

static const char *const allowed[] = {
    "html",    "head", "meta",   "title", "style", "body", "main",     "h1",       "h2",      "h3",   "p",
    "div",     "b",    "table",  "thead", "tbody", "tr",   "th",       "td",       "code",    "dl",   "dt",
    "dd",      "span", "figure", "svg",   "defs",  "desc", "circle",   "path",     "rect",    "text", "use",
    "section", "ul",   "li",     "br",    "i",     "g",    "clipPath", "polyline", "polygon", NULL};

static void check_name(const char *name)
{
    for (int i = 0; allowed[i] != NULL; i++) {
        if (strcmp(allowed[i], name) == 0)
            return;
    }
    fail_msg("the page has a <%s>", name);
}

/* Past the attributes: every value quoted, none of them active. *ret_empty: the tag closes itself. */
static const char *check_attributes(const char *at, const char *tag, int *ret_empty)
{
    *ret_empty = 0;
    while (*at != '>') {
        char name[64];
        int length = 0;

        while (*at == ' ')
            at++;
        if (*at == '/' && at[1] == '>') {
            *ret_empty = 1;
            return at + 2;
        }
        if (*at == '>')
            break;
        if (sscanf(at, "%63[a-zA-Z0-9-]%n", name, &length) != 1 || at[length] != '=' || at[length + 1] != '"')
            fail_msg("<%s>: odd attribute at %.60s", tag, at);
        if (strncmp(name, "on", 2) == 0 || strcmp(name, "src") == 0)
            fail_msg("<%s> has %s", tag, name);
        at += length + 2;
        if (strcmp(name, "href") == 0 && *at != '#')
            fail_msg("<%s> points outside: %.60s", tag, at);
        while (*at != '"') {
            if (*at == '\0' || *at == '<')
                fail_msg("<%s %s>: value does not end", tag, name);
            at++;
        }
        at++;
    }
    return at + 1;
}

/* Balanced tags of known names, quoted attributes, no reference to anything outside. Returns how many tags.
 */
static int check_html(const char *page)
{
    char stack[64][16];
    int depth = 0;
    int tags = 0;
    const char *at = strchr(page + 1, '<'); /* after the doctype */

    assert_int_equal(strncmp(page, "<!doctype html>", 15), 0);
    while (at != NULL) {
        char name[16];
        int length = 0;
        int closes = at[1] == '/';
        int empty;

        if (sscanf(at + 1 + closes, "%15[a-zA-Z0-9]%n", name, &length) != 1)
            fail_msg("stray < at %.60s", at);
        check_name(name);
        tags++;
        if (closes) {
            if (depth == 0 || strcmp(stack[depth - 1], name) != 0)
                fail_msg("</%s> closes <%s> at %.60s", name, depth ? stack[depth - 1] : "", at);
            depth--;
            at += 2 + length;
        } else {
            at = check_attributes(at + 1 + length, name, &empty);
            if (!empty && strcmp(name, "meta") != 0) {
                assert_true(depth < 63);
                memcpy(stack[depth++], name, sizeof name);
            }
        }
        at = strchr(at, '<');
    }
    assert_int_equal(depth, 0);
    assert_null(strstr(page, "http:"));
    assert_null(strstr(page, "https:"));
    assert_null(strstr(page, "@import"));
    assert_null(strstr(page, "nan"));
    return tags;
}

static void check_terminal(const char *text)
{
    for (const unsigned char *at = (const unsigned char *)text; *at != '\0'; at++) {
        if ((*at < 0x20 && *at != '\n') || *at == 0x7f || (*at == 0xc2 && at[1] >= 0x80 && at[1] < 0xa0))
            fail_msg("byte %02x in the text near \"%.40s\"", *at,
                     (const char *)at > text + 20 ? (const char *)at - 20 : text);
        if (at[0] == 0xe2 && at[1] == 0x80 && at[2] == 0xae)
            fail_msg("a change of direction in the text");
    }
}

struct made {
    char directory[PATH_MAX];
    struct hf_evidence *evidence;
    struct hf_text html, text, json;
    struct cJSON *document;
};

static void make(struct made *made, struct night *night, int with_truth)
{
    struct hf_error error = {0};
    const int *truth = with_truth ? night->true_limit : NULL;

    scratch_make(made->directory);
    night_write(night, made->directory);
    assert_ok(hf_evidence_open(made->directory, &made->evidence, &error));
    assert_ok(hf_report_html(made->evidence, truth, &made->html, &error));
    hf_text_init(&made->text, 1 << 24);
    hf_report_text(made->evidence, truth, &made->text);
    hf_text_init(&made->json, 1 << 24);
    hf_report_json(made->evidence, truth, &made->json);
    assert_false(made->text.overflowed || made->json.overflowed);
    assert_true(hf_text_is_utf8(made->html.bytes, made->html.size));
    assert_true(hf_text_is_utf8(made->text.bytes, made->text.size));
    made->document = cJSON_ParseWithOpts(made->json.bytes, NULL, 1);
    assert_non_null(made->document);
    assert_true(made->html.size < HF_REPORT_BYTES_MAX);
}

static void unmake(struct made *made)
{
    cJSON_Delete(made->document);
    hf_text_release(&made->html);
    hf_text_release(&made->text);
    hf_text_release(&made->json);
    hf_evidence_free(made->evidence);
    scratch_remove(made->directory);
}

static int count_of(const char *text, const char *words)
{
    int count = 0;

    for (const char *at = text; (at = strstr(at, words)) != NULL; at++)
        count++;
    return count;
}

/* --- tests ---------------------------------------------------------------------------------------------- */

static void a_finished_run(void **state)
{
    struct night night = {.groups = 4, .seed = 5, .soak_hours = 6, .factor = 600};
    struct made made;
    const struct cJSON *groups;

    (void)state;
    make(&made, &night, 1);
    assert_true(check_html(made.html.bytes) > 500);
    check_terminal(made.text.bytes);
    assert_non_null(strstr(made.text.bytes, "heron: finished: 4 of 4 groups proved"));
    assert_non_null(strstr(made.text.bytes, "rig model"));
    assert_non_null(strstr(made.html.bytes, "rig model"));
    assert_non_null(strstr(made.text.bytes, "one fault in 2.0 hours, 95 % confidence"));
    assert_non_null(strstr(made.html.bytes, "one fault in 2.0 hours, 95 % confidence"));
    assert_int_equal(count_of(made.html.bytes, "<svg viewBox=\"0 0 460"), 8); /* two plots a group */
    assert_int_equal(count_of(made.html.bytes, "role=\"img\""), 8 + 4);       /* map, night, heat, clock */
    assert_int_equal(count_of(made.html.bytes, "holdfast reproduce --run "), night.failures);
    assert_true(count_of(made.html.bytes, "class=\"truth\"") == 8);
    assert_true(cJSON_IsTrue(cJSON_GetObjectItemCaseSensitive(made.document, "finished")));
    groups = cJSON_GetObjectItemCaseSensitive(made.document, "groups");
    assert_int_equal(cJSON_GetArraySize(groups), 4);
    assert_int_equal(cJSON_GetArraySize(cJSON_GetObjectItemCaseSensitive(made.document, "failures")),
                     night.failures);
    assert_int_equal(cJSON_GetArraySize(cJSON_GetObjectItemCaseSensitive(made.document, "missing")), 0);
    assert_int_equal(cJSON_GetArraySize(cJSON_GetObjectItemCaseSensitive(made.document, "kernels")), 5);
    for (const char *line = made.text.bytes; *line != '\0'; line += strcspn(line, "\n") + 1) {
        if (strcspn(line, "\n") > 80 && strstr(line, "--run") != line + strcspn(line, "-"))
            fail_msg("longer than 80 columns: %.*s", (int)strcspn(line, "\n"), line);
    }
    unmake(&made);
}

/* At every stage of a night: nothing yet, the baseline, searching, between soaks. */
static void unfinished_runs(void **state)
{
    (void)state;
    for (int stop = -1; stop < 60; stop += stop < 5 ? 1 : 23) {
        struct night night = {
            .groups = 3, .seed = 8, .soak_hours = 2, .factor = 60, .stop_after = stop == 0 ? -1 : stop};
        struct made made;

        make(&made, &night, stop % 2);
        (void)check_html(made.html.bytes);
        check_terminal(made.text.bytes);
        assert_non_null(strstr(made.text.bytes, "Not proved"));
        assert_non_null(strstr(made.html.bytes, "Nothing yet"));
        assert_int_equal(cJSON_GetArraySize(cJSON_GetObjectItemCaseSensitive(made.document, "missing")), 3);
        assert_true(cJSON_IsNull(cJSON_GetObjectItemCaseSensitive(made.document, "demonstrated")));
        unmake(&made);
    }
}

static void hostile_words_are_harmless(void **state)
{
    struct night night = {.groups = 2,
                          .seed = 12,
                          .soak_hours = 1,
                          .factor = 60,
                          .hostile = hostile,
                          .method = "bisect",
                          .stop_after = 30};
    struct made made;

    (void)state;
    make(&made, &night, 0);
    (void)check_html(made.html.bytes);
    check_terminal(made.text.bytes);
    assert_true(night.failures > 0);
    assert_null(strstr(made.html.bytes, "<script"));
    assert_null(strstr(made.html.bytes, "<img"));
    assert_null(strchr(made.html.bytes, 0x1b));
    assert_null(strstr(made.html.bytes, "\xe2\x80\xae"));
    assert_non_null(strstr(made.html.bytes, "&lt;script&gt;")); /* it is shown, as what it is */
    assert_non_null(strstr(made.html.bytes, "\xf0\x9f\x8c\x8a"));
    unmake(&made);
}

/* A directory whose name a shell would read otherwise. */
static void reproduce_lines_are_quoted(void **state)
{
    struct night night = {
        .groups = 1, .seed = 13, .soak_hours = 1, .factor = 60, .method = "bisect", .stop_after = 20};
    char base[PATH_MAX];
    char directory[PATH_MAX + 32];
    struct hf_error error = {0};
    struct hf_evidence *evidence = NULL;
    struct hf_text text;

    (void)state;
    scratch_make(base);
    (void)snprintf(directory, sizeof directory, "%s/a b'$(x)", base);
    assert_int_equal(mkdir(directory, 0700), 0);
    night_write(&night, directory);
    assert_true(night.failures > 0);
    assert_ok(hf_evidence_open(directory, &evidence, &error));
    hf_text_init(&text, 1 << 20);
    hf_report_text(evidence, NULL, &text);
    assert_non_null(strstr(text.bytes, "/a b'\\''$(x)' --trial "));
    hf_text_release(&text);
    hf_evidence_free(evidence);
    scratch_remove(base);
}

/* The largest machine: the page gives up detail, not itself. */
static void large_runs_stay_small(void **state)
{
    struct night night = {.groups = 256,
                          .seed = 14,
                          .soak_hours = 6,
                          .factor = 600,
                          .method = "step-up",
                          .stop_after = 3000,
                          .exposure_lines = 1};
    struct made made;

    (void)state;
    make(&made, &night, 1);
    print_message("256 groups, %d trials: page of %zu bytes\n", night.verdicts, made.html.size);
    (void)check_html(made.html.bytes);
    assert_non_null(strstr(made.html.bytes, "32 of 256 groups are drawn"));
    unmake(&made);
}

/* A journal of 100,000 records and a night of 8 groups: the page is small, and there in a second. */
static void large_journals_are_quick(void **state)
{
    struct night night = {.groups = 8, .seed = 5, .soak_hours = 6, .factor = 600, .exposure_lines = 900};
    struct hf_evidence *evidence = NULL;
    struct hf_error error = {0};
    char directory[PATH_MAX];
    struct timespec begin;
    struct timespec end;
    struct hf_text page;
    double took_s;

    (void)state;
    scratch_make(directory);
    night_write(&night, directory);
    assert_ok(hf_evidence_open(directory, &evidence, &error));
    (void)clock_gettime(CLOCK_PROCESS_CPUTIME_ID, &begin); /* others work on this machine */
    hf_evidence_free(evidence);
    assert_ok(hf_evidence_open(directory, &evidence, &error));
    assert_ok(hf_report_html(evidence, night.true_limit, &page, &error));
    (void)clock_gettime(CLOCK_PROCESS_CPUTIME_ID, &end);
    took_s = (double)(end.tv_sec - begin.tv_sec) + (double)(end.tv_nsec - begin.tv_nsec) * 1e-9;
    print_message("%llu records of 8 groups: page of %zu bytes, read and written in %.2f s\n",
                  (unsigned long long)evidence->records, page.size, took_s);
    assert_true(evidence->records > 100000);
    assert_true(page.size < 1500000);
#ifndef HOLDFAST_SANITIZED
    assert_true(took_s < 1);
#endif
    hf_text_release(&page);
    hf_evidence_free(evidence);
    scratch_remove(directory);
}

/* A real machine's map: a frame a package, the cache in each box; what is not told is said to be so. */
static void the_map_shows_the_machine(void **state)
{
    struct night night = {.groups = 5, .seed = 5, .soak_hours = 1, .stop_after = 12};
    const struct cJSON *places;
    struct made made;

    (void)state;
    make(&made, &night, 0);
    (void)check_html(made.html.bytes);
    check_terminal(made.text.bytes);
    assert_int_equal(count_of(made.html.bytes, ">package 0</text>"), 1);
    assert_int_equal(count_of(made.html.bytes, ">package 1</text>"), 1);
    assert_int_equal(count_of(made.html.bytes, ">level 3, 32 MiB</text>"), 4);
    assert_int_equal(count_of(made.html.bytes, ">cache not told</text>"), 1);
    assert_non_null(
        strstr(made.html.bytes, "g2: package 0, level 3, 32 MiB; g3: package 1")); /* in words, too */
    places = cJSON_GetObjectItemCaseSensitive(made.document, "places");
    assert_int_equal(cJSON_GetArraySize(places), 5);
    assert_int_equal(cJSON_GetObjectItemCaseSensitive(cJSON_GetArrayItem(places, 4), "package")->valueint, 1);
    assert_null(cJSON_GetObjectItemCaseSensitive(cJSON_GetArrayItem(places, 4), "cache_bytes"));
    unmake(&made);
}

/* Plots as files: each stands alone. */
static void plots_as_files(void **state)
{
    static const char *const names[] = {"map.svg",       "night.svg",     "temperature.svg", "clock.svg",
                                        "ladder-g0.svg", "faults-g0.svg", "ladder-g1.svg",   "faults-g1.svg"};
    struct night night = {.groups = 2, .seed = 15, .soak_hours = 1, .factor = 60, .stop_after = 12};
    struct hf_evidence *evidence = NULL;
    struct hf_error error = {0};
    char directory[PATH_MAX];
    char folder[PATH_MAX + 8];

    (void)state;
    scratch_make(directory);
    night_write(&night, directory);
    (void)snprintf(folder, sizeof folder, "%s/plots", directory);
    assert_ok(hf_evidence_open(directory, &evidence, &error));
    assert_ok(hf_report_svg(evidence, night.true_limit, folder, &error));
    assert_ok(hf_report_svg(evidence, NULL, folder, &error)); /* and again */
    for (size_t i = 0; i < sizeof names / sizeof names[0]; i++) {
        size_t size;
        char *bytes = file_read(folder, names[i], &size);

        if (bytes == NULL)
            fail_msg("no %s", names[i]);
        assert_int_equal(strncmp(bytes, "<svg xmlns=\"http://www.w3.org/2000/svg\"", 39), 0);
        assert_int_equal(count_of(bytes, "<svg"), count_of(bytes, "</svg>"));
        assert_non_null(strstr(bytes, "prefers-color-scheme:dark"));
        assert_non_null(strstr(bytes, "<title"));
        free(bytes);
        assert_int_equal(unlink(file_path(folder, names[i])), 0);
    }
    assert_int_equal(rmdir(folder), 0); /* nothing else */
    assert_error(hf_report_svg(evidence, NULL, "/proc/no/such", &error), HF_E_IO, "/proc/no/such");
    hf_evidence_free(evidence);
    scratch_remove(directory);
}

/* What the next boot said about a reset stands in the report. */
static void boot_reports_are_shown(void **state)
{
    struct night night = {.groups = 2, .seed = 15, .soak_hours = 1, .factor = 60, .stop_after = 12};
    struct hf_journal_file_ops ops = quick_ops();
    struct test_clock clock_state = {FIRST_WALL_NS + INT64_C(900000000000000), 1000000};
    struct hf_clock clock = {test_wall_ns, test_monotonic_ns, &clock_state};
    struct hf_run_options options = {
        .journal = {.clock = &clock, .file_ops = &ops, .boot_id = BOOT_B, .reserve_bytes = 1 << 20}};
    struct hf_evidence *evidence = NULL;
    struct hf_json_writer *writer;
    struct hf_error error = {0};
    char directory[PATH_MAX];
    struct hf_run *run = NULL;
    struct hf_text page;

    (void)state;
    scratch_make(directory);
    night_write(&night, directory);
    assert_ok(hf_run_open(directory, &options, &run, &error));
    writer = hf_run_begin_record(run, HF_RECORD_BOOT_REPORT);
    hf_json_string(writer, "source", "boot-log");
    hf_json_string(writer, "text", "cache error <2>, uncorrected");
    hf_json_string(writer, "severity", "fatal");
    hf_json_integer(writer, "cpu", 5);
    hf_json_integer(writer, "group", 1);
    assert_ok(hf_run_end_record(run, &error));
    assert_ok(hf_journal_commit(run->journal, &error));
    hf_run_close(run);
    assert_ok(hf_evidence_open(directory, &evidence, &error));
    assert_int_equal(evidence->boot_report_count, 1);
    assert_ok(hf_report_html(evidence, NULL, &page, &error));
    (void)check_html(page.bytes);
    assert_non_null(strstr(page.bytes, "What the next boot said"));
    assert_non_null(strstr(page.bytes, "cache error &lt;2&gt;, uncorrected"));
    assert_non_null(strstr(page.bytes, "g1 cpu 5"));
    hf_text_clear(&page);
    hf_report_text(evidence, NULL, &page);
    check_terminal(page.bytes);
    assert_non_null(strstr(page.bytes, "What the next boot said (1)"));
    assert_non_null(strstr(page.bytes, "boot-log, fatal"));
    assert_non_null(strstr(page.bytes, "g1 cpu 5: cache error <2>, uncorrected"));
    hf_text_clear(&page);
    hf_report_json(evidence, NULL, &page);
    assert_non_null(strstr(page.bytes, "\"boot_reports\""));
    assert_non_null(strstr(page.bytes, "\"words\": \"cache error <2>, uncorrected\""));
    hf_text_release(&page);
    hf_evidence_free(evidence);
    scratch_remove(directory);
}

static void report_write_makes_the_file(void **state)
{
    struct night night = {
        .groups = 2, .seed = 15, .soak_hours = 1, .factor = 60, .method = "bisect", .stop_after = 8};
    char directory[PATH_MAX];
    struct hf_error error = {0};
    size_t size;
    char *bytes;

    (void)state;
    scratch_make(directory);
    night_write(&night, directory);
    assert_ok(hf_report_write(directory, NULL, &error));
    bytes = file_read(directory, "report.html", &size);
    assert_non_null(bytes);
    (void)check_html(bytes);
    free(bytes);
    scratch_remove(directory);
    assert_error(hf_report_write(directory, NULL, &error), HF_E_NOT_FOUND, directory);
}

/* The checker itself finds what it is there to find. */
static void planted_markup_is_found(void **state)
{
    struct hf_text text;

    (void)state;
    hf_text_init(&text, 4096);
    hf_words_html(&text, hostile);
    assert_null(strchr(text.bytes, '<'));
    assert_null(strchr(text.bytes, '>'));
    assert_null(strchr(text.bytes, '"'));
    assert_null(strchr(text.bytes, '\''));
    assert_non_null(strstr(text.bytes, "&amp;amp;"));
    hf_text_clear(&text);
    hf_words_html(&text, "\xff\xc0\xaf ok \xe2\x82");
    assert_string_equal(text.bytes, "\xef\xbf\xbd\xef\xbf\xbd\xef\xbf\xbd ok \xef\xbf\xbd\xef\xbf\xbd");
    hf_text_clear(&text);
    hf_words_terminal(&text, "a\x1b[0m\xc2\x9b\xe2\x80\xae\xc3\xa9");
    assert_string_equal(text.bytes, "a\\x1b[0m\\xc2\\x9b\\xe2\\x80\\xae\xc3\xa9");
    hf_text_release(&text);
}

/* --- words and scales ----------------------------------------------------------------------------------- */

static void times_never_say_too_much(void **state)
{
    static const struct {
        double hours;
        const char *words;
    } cases[] = {{2.0028492, "2.0 hours"}, {2.0, "2.0 hours"}, {1.9999, "1.9 hours"},
                 {71.99, "71.9 hours"},    {72, "3.0 days"},   {0.5, "30.0 minutes"},
                 {0.0166, "59.7 seconds"}, {1e9, "10 years"},  {NAN, "an unknown time"},
                 {2.7, "2.7 hours"}};

    (void)state;
    for (size_t i = 0; i < sizeof cases / sizeof cases[0]; i++) {
        char words[HF_WORDS_MAX];

        hf_words_time_floor(cases[i].hours, words);
        assert_string_equal(words, cases[i].words);
    }
}

static void times_have_two_digits(void **state)
{
    static const struct {
        double hours;
        const char *words;
    } cases[] = {{0.001, "3.6 seconds"},     {2.04, "2 hours"},          {95.9, "96 hours"},
                 {2388, "100 days"},         {2376, "99 days"},          {8765, "365 days"},
                 {8766 * 1.25, "1.2 years"}, {1e6, "more than 10 years"}};

    (void)state;
    for (size_t i = 0; i < sizeof cases / sizeof cases[0]; i++) {
        char words[HF_WORDS_MAX];

        hf_words_time(cases[i].hours, words);
        assert_string_equal(words, cases[i].words);
    }
    for (double hours = 1e-4; hours < 1e7; hours *= 1.01) {
        char words[HF_WORDS_MAX];

        hf_words_time(hours, words);
        assert_null(strstr(words, "e+"));
    }
}

static void plots_put_values_where_they_belong(void **state)
{
    struct hf_plot_size size = {400, 300, 50, 50, 50, 50};
    struct hf_axis x = {HF_SCALE_LOG, HF_TICKS_DURATION, 1, 10000, "x"};
    struct hf_axis y = {HF_SCALE_LINEAR, HF_TICKS_NUMBER, 10, 20, "y"};
    struct hf_plot plot;
    struct hf_text text;

    (void)state;
    hf_text_init(&text, 1 << 20);
    hf_plot_open(&plot, &text, 1, &size, &x, &y, "t", "d");
    assert_true(fabs(hf_plot_x(&plot, 1) - 50) < 1e-9);
    assert_true(fabs(hf_plot_x(&plot, 100) - 200) < 1e-9); /* two of four decades */
    assert_true(fabs(hf_plot_x(&plot, 10000) - 350) < 1e-9);
    assert_true(fabs(hf_plot_y(&plot, 10) - 250) < 1e-9); /* upwards */
    assert_true(fabs(hf_plot_y(&plot, 12.5) - 200) < 1e-9);
    assert_true(hf_plot_x(&plot, 0) >= -200 && isfinite(hf_plot_x(&plot, 0)));
    hf_text_release(&text);
    for (double span = 0.013; span < 1e5; span *= 1.7) {
        double step = hf_plot_round_step(span, 6);

        assert_true(span / step <= 6 + 1e-9 && span / step > 2.3);
    }
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(a_finished_run),
        cmocka_unit_test(unfinished_runs),
        cmocka_unit_test(hostile_words_are_harmless),
        cmocka_unit_test(reproduce_lines_are_quoted),
        cmocka_unit_test(large_runs_stay_small),
        cmocka_unit_test(large_journals_are_quick),
        cmocka_unit_test(plots_as_files),
        cmocka_unit_test(the_map_shows_the_machine),
        cmocka_unit_test(boot_reports_are_shown),
        cmocka_unit_test(report_write_makes_the_file),
        cmocka_unit_test(planted_markup_is_found),
        cmocka_unit_test(times_never_say_too_much),
        cmocka_unit_test(times_have_two_digits),
        cmocka_unit_test(plots_put_values_where_they_belong),
    };

    return cmocka_run_group_tests(tests, NULL, NULL);
}
