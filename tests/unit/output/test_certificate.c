/* Certificates: their numbers computed apart, every changed digit found, nothing unproved certified. */
#include "output_fixture.h"

#include <cjson/cJSON.h>
#include <ctype.h>
#include <time.h>

#include "holdfast/checksum.h"
#include "output/output_private.h"

static char directory[PATH_MAX];
static struct night night;

static int write_night(void **state)
{
    (void)state;
    scratch_make(directory);
    night = (struct night){.groups = 4, .seed = 5, .soak_hours = 6, .factor = 600};
    night_write(&night, directory);
    return 0;
}

static int remove_night(void **state)
{
    (void)state;
    scratch_remove(directory);
    return 0;
}

static struct cJSON *read_json(const char *name)
{
    size_t size;
    char *bytes = file_read(directory, name, &size);
    struct cJSON *document;

    assert_non_null(bytes);
    document = cJSON_ParseWithOpts(bytes, NULL, 1);
    assert_non_null(document);
    free(bytes);
    return document;
}

static const struct cJSON *at(const struct cJSON *document, const char *path)
{
    char copy[200];
    char *rest = copy;
    char *key;

    (void)snprintf(copy, sizeof copy, "%s", path);
    while ((key = strsep(&rest, ".")) != NULL && document != NULL)
        document = cJSON_GetObjectItemCaseSensitive(document, key);
    if (document == NULL)
        fail_msg("no %s", path);
    return document;
}

static double number(const struct cJSON *document, const char *path)
{
    return cJSON_GetNumberValue(at(document, path));
}

static const char *string(const struct cJSON *document, const char *path)
{
    const char *value = cJSON_GetStringValue(at(document, path));

    assert_non_null(value);
    return value;
}

static void write_all(void)
{
    struct hf_error error = {0};
    struct hf_text names;

    assert_true(night.finished);
    assert_ok(hf_certificates_write(directory, HF_GROUP_ALL, &names, &error));
    assert_string_equal(names.bytes,
                        "certificate-g0.json\ncertificate-g0.html\ncertificate-g1.json\ncertificate-g1.html\n"
                        "certificate-g2.json\ncertificate-g2.html\ncertificate-g3.json\n"
                        "certificate-g3.html\ncertificate-machine.json\ncertificate-machine.html\n");
    hf_text_release(&names);
}

#define assert_near(left, right, tolerance)                                                                  \
    do {                                                                                                     \
        double near_left = (left), near_right = (right);                                                     \
        if (!(fabs(near_left - near_right) <= (tolerance)*fabs(near_right)))                                 \
            fail_msg("%s is %.17g, expected %.17g", #left, near_left, near_right);                           \
    } while (0)

/* NIST/SEMATECH e-Handbook 8.4.5.1: rate < -ln(1 - C) / T; -ln(0.05) = 2.995732274 (rule of three: 3.00). */
static void numbers_are_right(void **state)
{
    struct cJSON *document;
    double hours = night.soak_served_s / 3600;

    (void)state;
    write_all();
    document = read_json("certificate-g2.json");
    assert_near(number(document, "demonstrated.machine_hours"), hours, 1e-8);
    assert_near(number(document, "demonstrated.rate_upper_per_hour"), 2.995732273554 / hours, 1e-8);
    assert_near(number(document, "demonstrated.hours_per_fault"), hours / 2.995732273554, 1e-8);
    assert_true(number(document, "demonstrated.confidence") == 0.95);
    assert_true(number(document, "demonstrated.attempt_at_these_ratios") == 1);
    assert_true(number(document, "demonstrated.confidence_spent") >= 0.05);
    assert_non_null(
        strstr(string(document, "demonstrated.sentence"), "at most one fault in 2.0 hours, 95 % confidence"));
    assert_true(cJSON_IsTrue(at(document, "expected.extrapolated")));
    assert_near(number(document, "expected.hours_per_fault_median") *
                    number(document, "expected.rate_median_per_hour"),
                1, 1e-5);
    assert_true(number(document, "expected.rate_upper_per_hour") >=
                number(document, "expected.rate_median_per_hour"));
    assert_near(number(document, "setting.mhz"), 100 * number(document, "setting.ratio"), 1e-9);
    assert_true(number(document, "conditions.clock_factor") == 600);
    assert_true(number(document, "load.planted_errors") !=
                number(document, "load.planted_errors")); /* a string */
    assert_string_equal(string(document, "load.planted_errors"), "176");
    assert_true(cJSON_IsTrue(at(document, "simulated")));
    assert_non_null(strstr(string(document, "simulation"), "600 times"));
    assert_non_null(strstr(string(document, "simulation"), "nothing about real silicon"));
    assert_string_equal(string(document, "group.cpus"), "8-11");
    assert_string_equal(string(document, "clock.source"), "rig-model");
    cJSON_Delete(document);
}

/* The ratio of each certificate is the one that the soak's trial-begin line names, read here from the raw
 * journal. */
static void ratios_are_the_soaks(void **state)
{
    size_t size;
    char *journal = file_read(directory, "journal.jsonl", &size);
    char *last = NULL;
    char *steps;

    (void)state;
    assert_non_null(journal);
    for (char *found = journal; (found = strstr(found, "\"purpose\":\"soak\"")) != NULL; found++)
        last = found;
    assert_non_null(last);
    steps = strstr(last, "\"steps\":[");
    assert_non_null(steps);
    steps += strlen("\"steps\":[");
    write_all();
    for (int g = 0; g < night.groups; g++) {
        char name[64];
        struct cJSON *document;
        long step = strtol(steps, &steps, 10);

        steps++;
        (void)snprintf(name, sizeof name, "certificate-g%d.json", g);
        document = read_json(name);
        assert_near(number(document, "setting.ratio"), 34 + 0.25 * (double)step, 1e-12);
        cJSON_Delete(document);
    }
    free(journal);
}

/* FIPS 180-4 over the canonical bytes, which are recovered from the file by dropping its indentation. */
static void fingerprint_is_as_described(void **state)
{
    size_t size;
    size_t used = 0;
    char *bytes;
    char *compact;
    char *member;
    char hex[HF_SHA256_HEX];
    struct hf_sha256 sha;
    struct cJSON *document;
    int in_string = 0;

    (void)state;
    write_all();
    bytes = file_read(directory, "certificate-machine.json", &size);
    compact = calloc(size + 1, 1);
    assert_non_null(compact);
    for (size_t i = 0; i < size; i++) {
        if (bytes[i] == '"' && (i == 0 || bytes[i - 1] != '\\'))
            in_string = !in_string;
        if (in_string || (bytes[i] != '\n' && bytes[i] != ' '))
            compact[used++] = bytes[i];
    }
    member = strstr(compact, ",\"fingerprint\":\"");
    assert_non_null(member);
    memcpy(member, "}", 2);
    document = read_json("certificate-machine.json");
    hf_sha256_init(&sha);
    hf_sha256_update(&sha, compact, strlen(compact));
    hf_sha256_update(&sha, string(document, "journal.last_crc"), 8);
    hf_sha256_finish(&sha, hex);
    assert_string_equal(hex, string(document, "fingerprint"));
    cJSON_Delete(document);
    free(compact);
    free(bytes);
}

static void good_ones_check(void **state)
{
    static const char *const names[] = {"certificate-g0.json", "certificate-g3.json",
                                        "certificate-machine.json"};
    struct hf_error error = {0};

    (void)state;
    write_all();
    for (size_t i = 0; i < 3; i++) {
        struct hf_certificate_verdict verdict;

        assert_ok(hf_certificate_check(file_path(directory, names[i]), directory, &verdict, &error));
        if (!verdict.agrees)
            fail_msg("%s: %s: %s", names[i], verdict.path, verdict.words);
        assert_int_equal(verdict.later_failures, 0);
    }
}

/* Each digit from `from` up to `to` in turn becomes another digit: none may pass. Returns how many were
 * tried. */
static int change_digits(const char *where, const char *name, const char *from, const char *to,
                         int *ret_named)
{
    size_t size;
    char *bytes = file_read(where, name, &size);
    char *first = strstr(bytes, from);
    char *last = to ? strstr(bytes, to) : bytes + size;
    int tried = 0;

    assert_non_null(first);
    assert_non_null(last);
    for (char *digit = first; digit < last; digit++) {
        struct hf_certificate_verdict verdict = {0};
        struct hf_error error = {0};
        char kept = *digit;
        int code;

        if (!isdigit((unsigned char)kept))
            continue;
        *digit = kept == '9' ? '1' : (char)(kept + 1);
        file_write(where, "changed.json", bytes, size);
        code = hf_certificate_check(file_path(where, "changed.json"), where, &verdict, &error);
        if (code == HF_OK && verdict.agrees)
            fail_msg("%s: byte %zd changed from %c to %c was not noticed", name, digit - bytes, kept, *digit);
        if (code == HF_OK && verdict.path[0] == '\0')
            fail_msg("%s: byte %zd: no path", name, digit - bytes);
        tried++;
        *ret_named += code == HF_OK;
        *digit = kept;
    }
    free(bytes);
    return tried;
}

/* All digits of both kinds of certificate of a run whose replay is cheap, and those that come from the
 * belief. */
static void every_changed_digit_is_found(void **state)
{
    struct night cheap = {.groups = 2, .seed = 21, .soak_hours = 1, .factor = 600, .method = "bisect"};
    struct night believed = {.groups = 1, .seed = 22, .soak_hours = 1, .factor = 600};
    char where[PATH_MAX];
    struct hf_error error = {0};
    int named = 0;
    int tried;

    (void)state;
    scratch_make(where);
    night_write(&cheap, where);
    assert_true(cheap.finished);
    assert_ok(hf_certificates_write(where, HF_GROUP_ALL, NULL, &error));
    tried = change_digits(where, "certificate-g1.json", "{", NULL, &named);
    tried += change_digits(where, "certificate-machine.json", "{", NULL, &named);
    assert_true(tried > 500);
    assert_true(named >= tried - 2); /* all but the digits of the format, which are errors of their own */
    scratch_remove(where);

    scratch_make(where);
    night_write(&believed, where);
    assert_true(believed.finished);
    assert_ok(hf_certificates_write(where, HF_GROUP_ALL, NULL, &error));
    assert_true(change_digits(where, "certificate-g0.json", "\"expected\":", "\"edge\"", &named) > 30);
    scratch_remove(where);
}

static void check_edited(const char *from, const char *to, const char *path)
{
    struct hf_certificate_verdict verdict = {0};
    struct hf_error error = {0};
    size_t size;
    char *bytes = file_read(directory, "certificate-g1.json", &size);
    char *found = strstr(bytes, from);
    char *edited = calloc(size + strlen(to) + 1, 1);

    assert_non_null(found);
    assert_non_null(edited);
    memcpy(edited, bytes, (size_t)(found - bytes));
    (void)snprintf(edited + (found - bytes), size + strlen(to) + 1 - (size_t)(found - bytes), "%s%s", to,
                   found + strlen(from));
    file_write(directory, "changed.json", edited, strlen(edited));
    assert_ok(hf_certificate_check(file_path(directory, "changed.json"), directory, &verdict, &error));
    assert_false(verdict.agrees);
    if (strcmp(verdict.path, path) != 0)
        fail_msg("%s -> %s: named %s (%s), expected %s", from, to, verdict.path, verdict.words, path);
    free(edited);
    free(bytes);
}

static void the_place_is_named(void **state)
{
    (void)state;
    write_all();
    check_edited("\"faults\": 0", "\"faults\": 1", "demonstrated.faults");
    check_edited("\"faults\": 0,", "", "demonstrated.faults");
    check_edited("\"faults\": 0", "\"faults\": 0.0", "line 48");
    check_edited("\"faults\": 0", "\"faults\": 0, \"extra\": 1", "demonstrated.extra");
    check_edited("\"kind\": \"group\"", "\"kind\": \"machine\"", "statement");
    check_edited("\"name\": \"g1\"", "\"name\": \"g2\"", "statement");
    check_edited("\"name\": \"g1\"", "\"name\": \"g9\"", "group.name");
    check_edited("\"records\": \"", "\"records\": \"9", "journal.records");
    check_edited("\"records\": \"", "\"records\": \"0\", \"r\": \"", "journal.records");
    check_edited("\"does_not_prove\": [", "\"does_not_prove\": [\"x\",", "does_not_prove[0]");
}

static void another_run_is_named(void **state)
{
    char other[PATH_MAX];
    struct night second = {.groups = 4, .seed = 6, .soak_hours = 6, .factor = 600};
    struct hf_certificate_verdict verdict = {0};
    struct hf_error error = {0};

    (void)state;
    write_all();
    scratch_make(other);
    night_write(&second, other);
    assert_ok(hf_certificate_check(file_path(directory, "certificate-g0.json"), other, &verdict, &error));
    assert_false(verdict.agrees);
    assert_string_equal(verdict.path, "run.identity");
    scratch_remove(other);
}

/* The journal loses its end, a line in the middle, or a digit: what rested on it is worth nothing any more.
 */
static void missing_records_are_found(void **state)
{
    struct hf_certificate_verdict verdict = {0};
    struct hf_error error = {0};
    size_t size;
    char *journal;
    char *finished;
    char *kept;

    (void)state;
    write_all();
    journal = file_read(directory, "journal.jsonl", &size);
    finished = strstr(journal, "\"type\":\"finished\"");
    assert_non_null(finished);
    while (finished > journal && finished[-1] != '\n')
        finished--;
    file_write(directory, "journal.jsonl", journal, (size_t)(finished - journal));
    assert_ok(hf_certificate_check(file_path(directory, "certificate-g0.json"), directory, &verdict, &error));
    assert_false(verdict.agrees);
    assert_string_equal(verdict.path, "journal.records");
    assert_non_null(strstr(verdict.words, "records are missing"));

    kept = strchr(journal + size / 2, '\n') + 1; /* one line out of the middle */
    {
        char *next = strchr(kept, '\n') + 1;
        char *holed = calloc(size, 1);

        memcpy(holed, journal, (size_t)(kept - journal));
        memcpy(holed + (kept - journal), next, size - (size_t)(next - journal));
        file_write(directory, "journal.jsonl", holed, size - (size_t)(next - kept));
        free(holed);
    }
    assert_ok(hf_certificate_check(file_path(directory, "certificate-g0.json"), directory, &verdict, &error));
    assert_false(verdict.agrees);
    assert_string_equal(verdict.path, "journal");

    journal[size / 3] = journal[size / 3] == '1' ? '2' : '1';
    file_write(directory, "journal.jsonl", journal, size);
    assert_ok(hf_certificate_check(file_path(directory, "certificate-g0.json"), directory, &verdict, &error));
    assert_false(verdict.agrees);
    assert_string_equal(verdict.path, "journal");
    free(journal);
}

/* A run that has grown: the old certificate still holds; a failure since then is counted and ends certifying.
 */
static void grown_journals_check(void **state)
{
    struct hf_certificate_verdict verdict = {0};
    struct hf_error error = {0};
    struct hf_journal_file_ops ops = quick_ops();
    struct test_clock clock_state = {FIRST_WALL_NS + INT64_C(900000000000000), 1000000};
    struct hf_clock clock = {test_wall_ns, test_monotonic_ns, &clock_state};
    struct hf_run_options options = {
        .journal = {.clock = &clock, .file_ops = &ops, .boot_id = BOOT_B, .reserve_bytes = 1 << 20}};
    struct hf_run *run = NULL;
    struct hf_event event;
    uint64_t trial;

    (void)state;
    write_all();
    assert_ok(hf_run_open(directory, &options, &run, &error));
    trial = run->state.next_trial;
    event = begin_of(trial, HF_PURPOSE_VERIFY, 1, 10);
    assert_ok(hf_run_add_event(run, &event, NULL, &error));
    event = event_of(HF_EVENT_TRIAL_LOADED, trial, 1);
    assert_ok(hf_run_add_event(run, &event, NULL, &error));
    assert_ok(hf_journal_commit(run->journal, &error));
    assert_ok(hf_certificate_check(file_path(directory, "certificate-g1.json"), directory, &verdict, &error));
    assert_true(verdict.agrees);
    assert_int_equal(verdict.later_failures, 0);

    event = verdict_of(trial, HF_VERDICT_FAIL, HF_CAUSE_WRONG_RESULT, 1, 100, 1000);
    assert_ok(hf_run_add_event(run, &event, NULL, &error));
    assert_ok(hf_journal_commit(run->journal, &error));
    hf_run_close(run);
    assert_ok(hf_certificate_check(file_path(directory, "certificate-g1.json"), directory, &verdict, &error));
    assert_true(verdict.agrees);
    assert_int_equal(verdict.later_failures, 1);
    assert_ok(hf_certificate_check(file_path(directory, "certificate-g0.json"), directory, &verdict, &error));
    assert_int_equal(verdict.later_failures, 0);
    assert_error(hf_certificates_write(directory, HF_GROUP_ALL, NULL, &error), HF_E_UNPROVED,
                 "after the run had finished");
    assert_error(hf_certificates_write(directory, 1, NULL, &error), HF_E_UNPROVED, "g1 failed");
    assert_ok(hf_certificates_write(directory, 0, NULL, &error));
}

/* The page is made from the document, so it is checked as strictly: every changed digit, and every word. */
static void pages_are_checked(void **state)
{
    struct hf_certificate_verdict verdict = {0};
    struct hf_error error = {0};
    size_t size;
    char *bytes;
    int tried = 0;

    (void)state;
    write_all();
    assert_ok(hf_certificate_check(file_path(directory, "certificate-g1.html"), directory, &verdict, &error));
    assert_true(verdict.agrees);
    assert_ok(
        hf_certificate_check(file_path(directory, "certificate-machine.html"), directory, &verdict, &error));
    assert_true(verdict.agrees);
    bytes = file_read(directory, "certificate-g1.html", &size);
    for (char *digit = strstr(bytes, "<h1>"); digit < bytes + size;
         digit += 7) { /* a sample: each replays the run */
        char kept = *digit;

        if (!isdigit((unsigned char)kept))
            continue;
        *digit = kept == '9' ? '1' : (char)(kept + 1);
        file_write(directory, "certificate-g1.html", bytes, size);
        assert_ok(
            hf_certificate_check(file_path(directory, "certificate-g1.html"), directory, &verdict, &error));
        if (verdict.agrees || strncmp(verdict.path, "line ", 5) != 0)
            fail_msg("byte %zd of the page changed: %s", digit - bytes, verdict.path);
        *digit = kept;
        tried++;
    }
    assert_true(tried > 30);
    memcpy(strstr(bytes, "certificate 0x"), "certificate 0y", 14);
    file_write(directory, "certificate-g1.html", bytes, size);
    assert_error(
        hf_certificate_check(file_path(directory, "certificate-g1.html"), directory, &verdict, &error),
        HF_E_INPUT, "not the page");
    free(bytes);
}

/* Every number of the document that a person needs stands on the page, and demonstrated and expected stand in
 * boxes of their own: nothing of the one in the other. */
static void pages_say_what_documents_say(void **state)
{
    struct cJSON *document;
    const cJSON *item;
    struct hf_text escaped;
    size_t size;
    char *page;
    char *shown;
    char *guess;
    char *end;

    (void)state;
    write_all();
    document = read_json("certificate-g2.json");
    page = file_read(directory, "certificate-g2.html", &size);
    hf_text_init(&escaped, 65536);
    cJSON_ArrayForEach(item, at(document, "does_not_prove"))
    {
        hf_text_clear(&escaped);
        hf_words_html(&escaped, item->valuestring);
        assert_non_null(strstr(page, escaped.bytes));
    }
    cJSON_ArrayForEach(item, at(document, "cautions"))
    {
        hf_text_clear(&escaped);
        hf_words_html(&escaped, item->valuestring);
        assert_non_null(strstr(page, escaped.bytes));
    }
    assert_non_null(strstr(page, string(document, "fingerprint")));
    assert_non_null(strstr(page, string(document, "run.identity")));
    assert_non_null(strstr(page, string(document, "conditions.microcode")));
    assert_non_null(strstr(page, "39.75"));
    assert_non_null(strstr(page, "1150 mV"));
    shown = strstr(page, "<h3>Demonstrated</h3>");
    guess = strstr(page, "<h3>Expected (extrapolated)</h3>");
    assert_non_null(shown);
    assert_non_null(guess);
    end = strstr(guess, "</div>");
    assert_true(shown < guess && end != NULL);
    *guess = '\0';
    assert_null(strstr(shown, "xtrapolated"));
    assert_null(strstr(shown, "median"));
    *guess = '<';
    *end = '\0';
    assert_null(strstr(guess, "joint soak"));
    assert_null(strstr(guess, "soaking"));
    hf_text_release(&escaped);
    free(page);
    cJSON_Delete(document);
}

static void add_company_trials(struct hf_run *run, int target, int groups, const char *reason,
                               uint64_t *ret_first)
{
    struct hf_error error = {0};

    *ret_first = run->state.next_trial;
    for (int g = 0; g < groups; g++) {
        struct hf_event event = begin_of(run->state.next_trial, HF_PURPOSE_REPRODUCE, g, 10);

        assert_ok(hf_run_add_event(run, &event, g == target ? "judged" : reason, &error));
    }
    for (int g = 0; g < groups; g++) {
        struct hf_event event = event_of(HF_EVENT_TRIAL_LOADED, *ret_first + (uint64_t)g, g);

        assert_ok(hf_run_add_event(run, &event, NULL, &error));
    }
}

/* A replay of g1's failure resets the machine and nobody is named: that says nothing against the others,
 * which ran at their certified ratios for company. A core of theirs that is named would. */
static void company_is_not_on_trial(void **state)
{
    struct hf_certificate_verdict verdict = {0};
    struct hf_error error = {0};
    struct hf_journal_file_ops ops = quick_ops();
    struct test_clock clock_state = {FIRST_WALL_NS + INT64_C(900000000000000), 1000000};
    struct hf_clock clock = {test_wall_ns, test_monotonic_ns, &clock_state};
    struct hf_run_options options = {
        .journal = {.clock = &clock, .file_ops = &ops, .boot_id = BOOT_B, .reserve_bytes = 1 << 20}};
    struct hf_run *run = NULL;
    struct hf_event event;
    uint64_t first;

    (void)state;
    write_all();
    assert_ok(hf_run_open(directory, &options, &run, &error));
    add_company_trials(run, 1, 4, "company", &first);
    event = (struct hf_event){.type = HF_EVENT_RESET, .group = HF_GROUP_NONE, .cpu = -1};
    assert_ok(hf_run_add_event(run, &event, NULL, &error));
    for (int g = 0; g < 4; g++) {
        event =
            verdict_of(first + (uint64_t)g, HF_VERDICT_FAIL, HF_CAUSE_MACHINE_RESET, HF_GROUP_NONE, 5, 50);
        assert_ok(hf_run_add_event(run, &event, NULL, &error));
    }
    assert_ok(hf_journal_commit(run->journal, &error));
    assert_ok(hf_certificate_check(file_path(directory, "certificate-g0.json"), directory, &verdict, &error));
    assert_true(verdict.agrees);
    assert_int_equal(verdict.later_failures, 0);
    assert_ok(hf_certificates_write(directory, 0, NULL, &error));
    assert_ok(hf_certificate_check(file_path(directory, "certificate-g1.json"), directory, &verdict, &error));
    assert_int_equal(verdict.later_failures, 1); /* it was on trial */

    add_company_trials(run, 1, 4, "company", &first);
    event = verdict_of(first, HF_VERDICT_FAIL, HF_CAUSE_WRONG_RESULT, 0, 5, 50);
    assert_ok(hf_run_add_event(run, &event, NULL, &error));
    assert_ok(hf_journal_commit(run->journal, &error));
    hf_run_close(run);
    assert_ok(hf_certificate_check(file_path(directory, "certificate-g0.json"), directory, &verdict, &error));
    assert_int_equal(verdict.later_failures, 1); /* its own core failed: company or not */
    assert_error(hf_certificates_write(directory, 0, NULL, &error), HF_E_UNPROVED, "g0 failed");
}

static void not_a_certificate(void **state)
{
    struct hf_certificate_verdict verdict = {0};
    struct hf_error error = {0};

    (void)state;
    assert_error(hf_certificate_check(file_path(directory, "none.json"), directory, &verdict, &error),
                 HF_E_NOT_FOUND, "none.json");
    assert_error(hf_certificate_check(file_path(directory, "profile.json"), directory, &verdict, &error),
                 HF_E_INPUT, "not a certificate");
    file_write(directory, "changed.json", "{\"document\":\"holdfast certificate\",\"format\":2}", 46);
    assert_error(hf_certificate_check(file_path(directory, "changed.json"), directory, &verdict, &error),
                 HF_E_VERSION, "format 2");
    write_all();
    assert_error(hf_certificate_check(file_path(directory, "certificate-g0.json"), "/tmp/no-such-run-here",
                                      &verdict, &error),
                 HF_E_NOT_FOUND, "no-such-run-here");
}

/* --- what must be refused ------------------------------------------------------------------------------ */

static void refused(struct night *unproved, const char *words)
{
    char where[PATH_MAX];
    struct hf_error error = {0};
    struct hf_evidence *evidence = NULL;
    struct hf_text gaps;
    char expected[8];

    scratch_make(where);
    night_write(unproved, where);
    assert_error(hf_certificates_write(where, HF_GROUP_ALL, NULL, &error), HF_E_UNPROVED, words);
    assert_ok(hf_evidence_open(where, &evidence, &error));
    hf_text_init(&gaps, 100000);
    hf_certificate_gaps(evidence, &gaps);
    for (int g = 0; g < unproved->groups; g++) {
        (void)snprintf(expected, sizeof expected, "g%d: ", g);
        if (strstr(gaps.bytes, expected) == NULL)
            fail_msg("\"%s\" says nothing of g%d", gaps.bytes, g);
    }
    if (strstr(gaps.bytes, words) == NULL)
        fail_msg("\"%s\" lacks \"%s\"", gaps.bytes, words);
    print_message("%.*s\n", (int)strcspn(gaps.bytes, "\n"), gaps.bytes);
    hf_text_release(&gaps);
    hf_evidence_free(evidence);
    if (access(file_path(where, "certificate-g0.json"), F_OK) == 0)
        fail_msg("a certificate was written all the same");
    scratch_remove(where);
}

static void unproved_runs_are_refused(void **state)
{
    struct night searching = {.groups = 3, .seed = 2, .soak_hours = 6, .factor = 60, .stop_after = 6};
    struct night no_proof = {.groups = 2, .seed = 3, .soak_hours = 6, .factor = 60, .without_proof = 1};
    struct night empty = {.groups = 2, .seed = 3, .soak_hours = 6, .factor = 60, .stop_after = -1};

    (void)state;
    refused(&searching, "the joint soak of 6.00 hours has not begun");
    refused(&empty, "after 0 passes and 0 failures");
    refused(&no_proof, "its silence proves nothing");
}

/* A soak with a corrected hardware error in it did not pass, whatever its verdict says. */
static void hardware_error_spoils_the_soak(void **state)
{
    char where[PATH_MAX];
    struct night spoiled = {
        .groups = 2, .seed = 4, .soak_hours = 1, .factor = 60, .hardware_error_in_soak = 1};
    struct hf_error error = {0};
    struct hf_evidence *evidence = NULL;
    struct hf_evidence_soak soak;

    (void)state;
    scratch_make(where);
    night_write(&spoiled, where);
    assert_int_equal(spoiled.hardware_error_in_soak, 0);
    assert_ok(hf_evidence_open(where, &evidence, &error));
    hf_evidence_soak(evidence, &soak);
    if (evidence->finished.sequence != 0) {
        assert_true(soak.plan.attempts >= 2);
        assert_int_equal(soak.hardware_errors, 0);
    }
    hf_evidence_free(evidence);
    scratch_remove(where);
}

static void left_out_groups_get_none(void **state)
{
    char where[PATH_MAX];
    struct night partial = {.groups = 3, .seed = 9, .soak_hours = 1, .factor = 60, .left_out = 2};
    struct hf_error error = {0};
    struct hf_text names;

    (void)state;
    scratch_make(where);
    night_write(&partial, where);
    assert_true(partial.finished);
    assert_ok(hf_certificates_write(where, HF_GROUP_ALL, &names, &error));
    assert_string_equal(names.bytes,
                        "certificate-g0.json\ncertificate-g0.html\ncertificate-g2.json\n"
                        "certificate-g2.html\ncertificate-machine.json\ncertificate-machine.html\n");
    hf_text_release(&names);
    assert_error(hf_certificates_write(where, 1, NULL, &error), HF_E_UNPROVED, "leaves this group out");
    scratch_remove(where);
}

/* Of the soak: the clock's source, power, and the hottest sensor of each role (the fixture's figures). */
static void meters_are_told(const char *where)
{
    struct hf_evidence *evidence = NULL;
    struct hf_error error = {0};
    struct cJSON *document;
    const struct cJSON *supply;
    size_t size;
    char *bytes = file_read(where, "certificate-machine.json", &size);
    int rest;

    document = cJSON_Parse(bytes);
    free(bytes);
    assert_ok(hf_evidence_open(where, &evidence, &error));
    rest = (int)(evidence->trials[evidence->trial_count - 1].trial % 7);
    hf_evidence_free(evidence);
    assert_string_equal(string(document, "clock.source"), "counters-acpi");
    assert_true(number(document, "power.soak_mean_watts") == 180);
    assert_true(number(document, "power.soak_highest_watts") == 200 + rest);
    assert_int_equal(cJSON_GetArraySize(at(document, "temperatures.sensors")), 2);
    supply = cJSON_GetArrayItem(at(document, "temperatures.sensors"), 1);
    assert_string_equal(string(supply, "role"), "supply");
    assert_string_equal(string(supply, "sensor"), "boardchip@boardchip.656/temp2");
    assert_true(number(supply, "soak_highest_celsius") == 80 + rest);
    cJSON_Delete(document);
    bytes = file_read(where, "certificate-machine.html", &size);
    assert_non_null(strstr(bytes, "counters-acpi"));
    assert_non_null(strstr(bytes, "boardchip@boardchip.656/temp2"));
    assert_non_null(strstr(bytes, "180.0 W"));
    free(bytes);
}

/* The sheet driver moves real clocks: no word of a model then. */
static void real_machines_are_not_called_models(void **state)
{
    char where[PATH_MAX];
    struct night real = {.groups = 2, .seed = 11, .soak_hours = 1, .factor = 0};
    struct hf_error error = {0};
    size_t size;
    char *bytes;

    (void)state;
    scratch_make(where);
    night_write(&real, where);
    assert_true(real.finished);
    assert_ok(hf_certificates_write(where, HF_GROUP_ALL, NULL, &error));
    bytes = file_read(where, "certificate-machine.json", &size);
    assert_non_null(strstr(bytes, "\"simulated\": false"));
    assert_null(strstr(bytes, "rig model"));
    assert_null(strstr(bytes, "Rig model"));
    free(bytes);
    meters_are_told(where);
    scratch_remove(where);
}

/* m-th attempt at the same ratios: T excludes ln(m / (1 - C)) / T only (union bound). ln(2 / 0.05)
 * = 3.68887945. */
static void attempts_cost_confidence(void **state)
{
    struct hf_demonstrated first = hf_demonstrated_of(6 * 3600, 0.95, 1);
    struct hf_demonstrated second = hf_demonstrated_of(6 * 3600, 0.95, 2);

    (void)state;
    assert_near(first.rate_upper_per_hour, 2.995732273554 / 6, 1e-9);
    assert_near(second.rate_upper_per_hour, 3.688879454114 / 6, 1e-9);
    assert_near(second.hours_per_fault, 6 / 3.688879454114, 1e-9);
}

static void file_names_are_tame(void **state)
{
    struct hf_profile profile = {.group_count = 2};
    struct hf_evidence evidence = {.profile = &profile};
    char name[128];

    (void)state;
    (void)snprintf(profile.group[0].name, HF_NAME_MAX, "../a b/%s", "\xc3\xa9");
    (void)snprintf(profile.group[1].name, HF_NAME_MAX, "machine");
    hf_certificate_file_name(&evidence, 0, name);
    assert_string_equal(name, "certificate-..%2Fa%20b%2F%C3%A9.json");
    hf_certificate_file_name(&evidence, 1, name);
    assert_string_equal(name, "certificate-%6Dachine.json");
    hf_certificate_file_name(&evidence, HF_GROUP_ALL, name);
    assert_string_equal(name, "certificate-machine.json");
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test_setup_teardown(numbers_are_right, write_night, remove_night),
        cmocka_unit_test_setup_teardown(ratios_are_the_soaks, write_night, remove_night),
        cmocka_unit_test_setup_teardown(fingerprint_is_as_described, write_night, remove_night),
        cmocka_unit_test_setup_teardown(good_ones_check, write_night, remove_night),
        cmocka_unit_test(every_changed_digit_is_found),
        cmocka_unit_test_setup_teardown(the_place_is_named, write_night, remove_night),
        cmocka_unit_test_setup_teardown(another_run_is_named, write_night, remove_night),
        cmocka_unit_test_setup_teardown(missing_records_are_found, write_night, remove_night),
        cmocka_unit_test_setup_teardown(grown_journals_check, write_night, remove_night),
        cmocka_unit_test_setup_teardown(pages_are_checked, write_night, remove_night),
        cmocka_unit_test_setup_teardown(pages_say_what_documents_say, write_night, remove_night),
        cmocka_unit_test_setup_teardown(company_is_not_on_trial, write_night, remove_night),
        cmocka_unit_test_setup_teardown(not_a_certificate, write_night, remove_night),
        cmocka_unit_test(unproved_runs_are_refused),
        cmocka_unit_test(hardware_error_spoils_the_soak),
        cmocka_unit_test(left_out_groups_get_none),
        cmocka_unit_test(real_machines_are_not_called_models),
        cmocka_unit_test(attempts_cost_confidence),
        cmocka_unit_test(file_names_are_tame),
    };

    return cmocka_run_group_tests(tests, NULL, NULL);
}
