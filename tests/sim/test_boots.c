/*
 * How a boot ended, told by the next: a shutdown that somebody wanted is no reset; a reset between two trials
 * is one, and three of them without a judged trial park the run; a machine that slept under a trial makes it
 * void, and of its load counts only what stood in the journal before.
 */
#include "sim/scripted.h"

#define VERDICTS_MAX 16
#define LIMIT_S      1.5

static struct {
    enum hf_verdict verdict[VERDICTS_MAX];
    enum hf_cause cause[VERDICTS_MAX];
    double exposure_s[VERDICTS_MAX];
    double journalled_s; /* of the first trial: the last exposure line before its verdict */
    int verdicts;
    char said[16384];
} seen;

static int failed;
static int notes_first; /* as the command does after a torn tail: a note of this boot, before the session */

static void expect(const char *what, int holds)
{
    printf("%-90s %s\n", what, holds ? "yes" : "NO");
    if (!holds)
        printf("%s", seen.said);
    failed |= !holds;
}

/* A pass, or, on a machine that is busy with something else, a trial that says just that and nothing of
 * boots. */
static int passed_at_last(void)
{
    if (seen.verdicts == 0)
        return 0;
    if (seen.verdict[seen.verdicts - 1] == HF_VERDICT_PASS)
        return seen.exposure_s[seen.verdicts - 1] >= LIMIT_S;
    return strstr(seen.said, "too few blocks were finished") != NULL &&
           seen.cause[seen.verdicts - 1] == HF_CAUSE_INTERRUPTED;
}

static int said_once(const char *words)
{
    const char *first = strstr(seen.said, words);

    return first != NULL && strstr(first + 1, words) == NULL;
}

static void say(void *context, const char *line)
{
    (void)context;
    (void)snprintf(seen.said + strlen(seen.said), sizeof seen.said - strlen(seen.said), "%s\n", line);
}

static int note(void *context, const struct hf_event *event, struct hf_error *error)
{
    (void)context;
    (void)error;
    if (event->type == HF_EVENT_EXPOSURE && seen.verdicts == 0)
        seen.journalled_s = event->exposure_s;
    if (event->type != HF_EVENT_VERDICT || seen.verdicts == VERDICTS_MAX)
        return HF_OK;
    seen.verdict[seen.verdicts] = event->verdict;
    seen.cause[seen.verdicts] = event->cause;
    seen.exposure_s[seen.verdicts++] = event->exposure_s;
    return HF_OK;
}

/* --- sleep ---------------------------------------------------------------------------------------------- */

/* Five minutes of sleep, once the load has been on for a while. */
static int64_t slept_under_load(void *context)
{
    (void)context;
    return scripted.loaded_s[0] > 0.5 || seen.verdicts > 0 ? INT64_C(300000000000) : 0;
}

/* As much sleep, but all of it before the session. */
static int64_t slept_before(void *context)
{
    (void)context;
    return INT64_C(300000000000);
}

/* --- sessions ------------------------------------------------------------------------------------------- */

static int poll_and_count(void *state, double run_seconds, struct hf_rig_fault *ret_damage)
{
    struct scripted *s = state;

    (void)ret_damage;
    s->loaded_s[0] += s->loaded[0] ? run_seconds : 0;
    return 0;
}

/* One session of one group at its baseline; how it ended. */
static enum hf_supervisor_end session(struct scripted_run *r, const char *boot, int64_t (*slept)(void *),
                                      int unpark, char *ret_words, size_t size)
{
    struct hf_driver_ops driver = scripted_driver;
    struct hf_director director;
    struct hf_supervisor_options options = {.director = &director,
                                            .driver = &driver,
                                            .boot_id = boot,
                                            .slept_ns = slept,
                                            .unpark = unpark,
                                            .wall_limit_s = 30,
                                            .say = say};
    struct hf_supervisor_result result = {0};
    struct hf_error error = {0};

    memset(&seen, 0, sizeof seen);
    scripted = (struct scripted){.cores = 1};
    driver.poll = poll_and_count;
    r->visitor = note;
    r->started = 0;
    if (scripted_open_run(r, boot, NULL, &error) != HF_OK) {
        fprintf(stderr, "%s\n", error.message);
        exit(1);
    }
    if (notes_first) {
        hf_json_string(hf_run_begin_record(r->run, HF_RECORD_NOTE), "text", "a torn tail was moved aside");
        if (hf_run_end_record(r->run, &error) != HF_OK || hf_journal_commit(r->run->journal, &error) != HF_OK)
            exit(1);
    }
    r->fixed = (struct hf_fixed_director){.mix = &r->mix,
                                          .seed = 1,
                                          .purpose = HF_PURPOSE_VERIFY,
                                          .limit_s = LIMIT_S,
                                          .group_count = 1,
                                          .target = {1}};
    r->fixed.step[0] = (int16_t)r->profile->group[0].baseline_step;
    r->started = 1;
    hf_fixed_director_start(&r->fixed, &director);
    memset(&seen, 0, sizeof seen);
    options.run = r->run;
    options.mix = &r->mix;
    if (hf_supervisor_run(&options, &result, &error) != HF_OK) {
        fprintf(stderr, "%s\n", error.message);
        exit(1);
    }
    (void)snprintf(ret_words, size, "%s", result.words.bytes);
    hf_text_release(&result.words);
    return result.end;
}

/* A session that was reset before its first trial: its beginning stands in the journal, nothing else. */
static void reset_session(struct scripted_run *r, const char *boot)
{
    struct hf_error error = {0};
    struct hf_json_writer *writer;

    r->visitor = NULL;
    r->started = 0;
    if (scripted_open_run(r, boot, NULL, &error) != HF_OK)
        exit(1);
    writer = hf_run_begin_record(r->run, HF_RECORD_SESSION_BEGIN);
    hf_json_u64(writer, "session", r->run->state.sessions + 1);
    if (hf_run_end_record(r->run, &error) != HF_OK || hf_journal_commit(r->run->journal, &error) != HF_OK)
        exit(1);
    hf_run_close(r->run);
}

static void make(struct scripted_run *r)
{
    *r = (struct scripted_run){0};
    scripted_directory(r->directory, sizeof r->directory, "boots");
    r->profile = scripted_profile(1, 1, "quick");
}

static void unmake(struct scripted_run *r)
{
    hf_profile_free(r->profile);
    scripted_remove(r->directory);
}

static void test_shutdown(void)
{
    struct scripted_run r;
    char words[512];

    make(&r);
    (void)session(&r, "boot-1", NULL, 0, words, sizeof words);
    hf_run_close(r.run);
    (void)session(&r, "boot-1", NULL, 0, words, sizeof words);
    expect("a second session of the same boot: nothing is said of boots",
           strstr(seen.said, "started anew") == NULL && r.run->state.resets == 0);
    hf_run_close(r.run);
    (void)session(&r, "boot-2", NULL, 0, words, sizeof words);
    expect("another boot after a session that ended in good order is no reset, and that is said",
           strstr(seen.said, "ended in good order: no reset") != NULL && r.run->state.resets == 0);
    hf_run_close(r.run);
    unmake(&r);
}

static void test_resets_between_trials(void)
{
    struct scripted_run r;
    enum hf_supervisor_end end;
    char words[512];

    make(&r);
    reset_session(&r, "boot-1");
    reset_session(&r, "boot-1");
    (void)session(&r, "boot-1", NULL, 0, words, sizeof words);
    expect("a session of the same boot that was killed is no reset", r.run->state.resets == 0);
    hf_run_close(r.run);
    reset_session(&r, "boot-2");
    (void)session(&r, "boot-3", NULL, 0, words, sizeof words);
    expect("a reset while no trial ran is one, and the search goes on",
           r.run->state.resets == 1 &&
               strstr(seen.said, "reset while the search ran, but no trial") != NULL && passed_at_last());
    hf_run_close(r.run);
    reset_session(&r, "boot-4");
    notes_first = 1;
    (void)session(&r, "boot-5", NULL, 0, words, sizeof words);
    notes_first = 0;
    expect("a note that this boot has written already does not hide it", r.run->state.resets == 2);
    hf_run_close(r.run);
    unmake(&r);

    /* the search that died each time had settled the reset before it */
    make(&r);
    for (int i = 0; i < 3; i++) {
        char boot[16];
        struct hf_error error = {0};
        struct hf_event reset = {.type = HF_EVENT_RESET, .group = HF_GROUP_NONE, .cpu = -1};

        (void)snprintf(boot, sizeof boot, "boot-%d", i + 1);
        reset_session(&r, boot);
        if (i == 0)
            continue;
        if (scripted_open_run(&r, boot, NULL, &error) != HF_OK ||
            hf_run_add_event(r.run, &reset, NULL, &error) != HF_OK ||
            hf_journal_commit(r.run->journal, &error) != HF_OK)
            exit(1);
        hf_run_close(r.run);
    }
    end = session(&r, "boot-4", NULL, 0, words, sizeof words);
    expect("three of them without a judged trial park the run, and no trial is blamed",
           end == HF_END_PARKED && r.run->state.resets == 3 && strstr(words, "no trial had begun") != NULL);
    hf_run_close(r.run);
    end = session(&r, "boot-5", NULL, 0, words, sizeof words);
    expect("it stays parked at the next boot, which is no further reset",
           end == HF_END_PARKED && r.run->state.resets == 3);
    hf_run_close(r.run);
    end = session(&r, "boot-5", NULL, 1, words, sizeof words);
    expect("a person lets it go on", end != HF_END_PARKED && passed_at_last());
    hf_run_close(r.run);
    unmake(&r);
}

static void test_sleep(void)
{
    struct scripted_run r;
    char words[512];

    make(&r);
    (void)session(&r, "boot-1", slept_under_load, 0, words, sizeof words);
    expect("a machine that slept under a trial makes it void",
           seen.verdicts >= 1 && seen.verdict[0] == HF_VERDICT_VOID && seen.cause[0] == HF_CAUSE_INTERRUPTED);
    expect("what it served since the last line of the journal does not count",
           seen.exposure_s[0] <= seen.journalled_s && seen.exposure_s[0] < 0.5);
    expect("that is said, with how long", strstr(seen.said, "asleep for 300.0 s") != NULL);
    expect("the trial is made again, and passes",
           passed_at_last() && seen.verdicts >= 2 && said_once("asleep meanwhile"));
    hf_run_close(r.run);
    unmake(&r);
    make(&r);
    (void)session(&r, "boot-1", slept_before, 0, words, sizeof words);
    expect("sleep before the session is nothing to it",
           passed_at_last() && strstr(seen.said, "asleep") == NULL);
    hf_run_close(r.run);
    unmake(&r);
}

int main(int argc, char **argv)
{
    scripted_worker_main(argc, argv);
    test_shutdown();
    test_resets_between_trials();
    test_sleep();
    return failed;
}
