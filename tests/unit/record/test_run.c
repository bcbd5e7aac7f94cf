/* Runs: creating, resuming, the lock, the digests, and the rules of the fold. */
#include "unit/record/record_fixture.h"

#include <sys/wait.h>

#include "record/record_private.h"

struct place {
    char directory[PATH_MAX];
    char run_directory[PATH_MAX];
    struct test_clock clock_state;
    struct hf_clock clock;
    struct hf_journal_file_ops ops;
    struct hf_profile *profile;
    struct hf_run_options options;
};

static void place_init(struct place *place)
{
    memset(place, 0, sizeof *place);
    scratch_make(place->directory);
    (void)snprintf(place->run_directory, PATH_MAX, "%.4000s/state/heron", place->directory);
    place->clock_state = (struct test_clock){FIRST_WALL_NS, 1250000000};
    place->clock = (struct hf_clock){test_wall_ns, test_monotonic_ns, &place->clock_state};
    place->ops = quick_ops();
    place->profile = small_profile_new();
    place->options.profile = place->profile;
    place->options.journal = (struct hf_journal_options){.clock = &place->clock,
                                                         .file_ops = &place->ops,
                                                         .boot_id = BOOT_A,
                                                         .salt = FIXED_SALT,
                                                         .reserve_bytes = 65536};
}

static void place_release(struct place *place)
{
    hf_profile_free(place->profile);
    scratch_remove(place->directory);
}

static struct hf_run *open_run(struct place *place)
{
    struct hf_error error = {0};
    struct hf_run *run = NULL;

    assert_ok(hf_run_open(place->run_directory, &place->options, &run, &error));
    return run;
}

static void add(struct hf_run *run, struct hf_event event)
{
    struct hf_error error = {0};

    assert_ok(hf_run_add_event(run, &event, NULL, &error));
}

static void add_record(struct hf_run *run, enum hf_record_type type)
{
    struct hf_error error = {0};

    (void)hf_run_begin_record(run, type);
    assert_ok(hf_run_end_record(run, &error));
}

static void commit(struct hf_run *run)
{
    struct hf_error error = {0};

    assert_ok(hf_journal_commit(run->journal, &error));
}

/* Live state and replayed state must be the same, byte for byte. */
static struct hf_run *reopen(struct place *place, struct hf_run *run)
{
    struct hf_run_state *live = malloc(sizeof *live);
    struct hf_run *again;

    assert_non_null(live);
    memcpy(live, &run->state, sizeof *live);
    hf_run_close(run);
    again = open_run(place);
    if (memcmp(live, &again->state, sizeof *live) != 0)
        fail_msg("replayed state differs: records %" PRIu64 " and %" PRIu64 ", open %d and %d", live->records,
                 again->state.records, live->open_count, again->state.open_count);
    free(live);
    return again;
}

static void test_create(void **state)
{
    struct stat status;
    struct place place;
    struct hf_run *run;
    size_t size;
    char *bytes;

    (void)state;
    place_init(&place);
    run = open_run(&place);
    assert_int_equal(stat(place.run_directory, &status), 0);
    assert_int_equal(status.st_mode & 07777, 0700);
    bytes = file_read(place.run_directory, "profile.json", &size);
    assert_int_equal(size, sizeof small_profile - 1);
    assert_memory_equal(bytes, small_profile, size); /* frozen to the byte */
    free(bytes);
    assert_int_equal(run->state.records, 1);
    assert_int_equal(hf_journal_records(run->journal), 1); /* run-begin is committed */
    assert_int_equal(run->state.version, 1);
    assert_int_equal(run->state.next_trial, 1);
    assert_int_equal(run->state.seed, 1);
    assert_string_equal(run->state.method, "belief");
    assert_string_equal(run->state.profile_digest, place.profile->digest);
    assert_int_equal(run->state.first_wall_ns, FIRST_WALL_NS);
    assert_string_equal(run->state.last_boot, BOOT_A);
    assert_true(run->clock_factor > 599 && run->clock_factor < 601);
    assert_true(hf_run_time_s(run, FIRST_WALL_NS + 1000000000) > 599.9);
    assert_true(hf_run_time_s(run, FIRST_WALL_NS - 1000000000) < 1e-9);
    run = reopen(&place, run);
    hf_run_close(run);
    hf_run_close(NULL);
    place_release(&place);
}

static void test_script_and_replay(void **state)
{
    struct hf_error error = {0};
    struct place place;
    struct hf_run *run;

    (void)state;
    place_init(&place);
    run = open_run(&place);
    for (int i = 0; i < SCRIPT_STEPS; i++) {
        assert_ok(script[i](run, &error));
        commit(run);
        run = reopen(&place, run);
    }
    assert_int_equal(run->state.records, SCRIPT_RECORDS);
    assert_int_equal(run->state.open_count, 0);
    assert_int_equal(run->state.next_trial, 4);
    assert_int_equal(run->state.verdicts[HF_VERDICT_PASS], 1);
    assert_int_equal(run->state.verdicts[HF_VERDICT_FAIL], 2);
    assert_int_equal(run->state.resets, 1);
    assert_int_equal(run->state.resets_without_verdict, 1);
    assert_int_equal(run->state.last_reset_trial, 3);
    assert_int_equal(run->state.proofs, 2);
    assert_int_equal(run->state.sessions, 1);
    assert_int_equal(run->state.session_open, 0);
    assert_int_equal(run->state.next_slice, 1);
    hf_run_close(run);
    place_release(&place);
}

static void test_open_trials(void **state)
{
    const struct hf_run_trial *trial;
    struct place place;
    struct hf_run *run;

    (void)state;
    place_init(&place);
    run = open_run(&place);
    add(run, begin_of(1, HF_PURPOSE_EDGE, 1, 20));
    add(run, begin_of(2, HF_PURPOSE_BRACKET, 0, 21));
    trial = &run->state.open[1];
    assert_int_equal(run->state.open_count, 2);
    assert_int_equal(trial->trial, 1);
    assert_int_equal(trial->step, 20);
    assert_int_equal(trial->purpose, HF_PURPOSE_EDGE);
    assert_int_equal(trial->loaded, 0);
    assert_string_equal(trial->boot, BOOT_A);
    hf_json_u64(hf_run_begin_record(run, HF_RECORD_REQUEST), "trial", 1);
    assert_int_equal(hf_run_end_record(run, &(struct hf_error){0}), HF_OK);
    assert_int_equal(trial->requested, 1);
    add(run, event_of(HF_EVENT_TRIAL_LOADED, 1, HF_GROUP_NONE));
    assert_int_equal(trial->requested, 0);
    assert_int_equal(trial->loaded, 1);
    add(run, progress_of(1, 5, 100));
    add(run, progress_of(1, 5, 100)); /* standing still is allowed */
    add(run, progress_of(1, 9.5, 200));
    assert_true(trial->exposure_s > 9.4);
    assert_int_equal(trial->blocks, 200);
    commit(run);
    run = reopen(&place, run);
    add(run, verdict_of(1, HF_VERDICT_VOID, HF_CAUSE_INTERRUPTED, HF_GROUP_NONE, 9.5, 200));
    add(run, verdict_of(2, HF_VERDICT_VOID, HF_CAUSE_INTERRUPTED, HF_GROUP_NONE, 0, 0));
    assert_int_equal(run->state.open_count, 0);
    add(run, begin_of(3, HF_PURPOSE_SOAK, HF_GROUP_ALL, 19));
    assert_int_equal(run->state.open[0].group, HF_GROUP_ALL);
    assert_int_equal(run->state.open[0].joint_step[1], 20);
    assert_int_equal(run->state.open[0].joint_step[2], -1);
    commit(run);
    hf_run_close(reopen(&place, run));
    place_release(&place);
}

static void test_exposure_of_256_groups(void **state)
{
    static struct hf_event events[HF_GROUPS_MAX];
    struct hf_error error = {0};
    struct place place;
    struct hf_run *run;

    (void)state;
    place_init(&place);
    run = open_run(&place);
    for (int group = 0; group < HF_GROUPS_MAX; group++) {
        add(run, begin_of((uint64_t)group + 1, HF_PURPOSE_EDGE, group, 5));
        add(run, event_of(HF_EVENT_TRIAL_LOADED, (uint64_t)group + 1, HF_GROUP_NONE));
        events[group] = progress_of((uint64_t)group + 1, 5 + group / 7.0, 1000);
    }
    assert_ok(hf_run_add_exposure(run, events, HF_GROUPS_MAX, &error));
    assert_int_equal(run->state.open_count, HF_GROUPS_MAX);
    assert_true(run->state.open[255].exposure_s > 41);
    commit(run);
    hf_run_close(reopen(&place, run));
    place_release(&place);
}

/* Asking a person by group: the trials that are not loaded yet wait, the others do not. */
static void test_requests_by_group(void **state)
{
    struct hf_json_writer *writer;
    struct hf_error error = {0};
    struct place place;
    struct hf_run *run;

    (void)state;
    place_init(&place);
    run = open_run(&place);
    for (uint64_t trial = 1; trial <= 3; trial++)
        add(run, begin_of(trial, HF_PURPOSE_EDGE, (int)trial - 1, 20));
    add(run, event_of(HF_EVENT_TRIAL_LOADED, 2, HF_GROUP_NONE));
    writer = hf_run_begin_record(run, HF_RECORD_REQUEST);
    hf_json_array_open(writer, "groups");
    for (int group = 0; group < 5; group++) {
        if (group == 2)
            continue;
        hf_json_object_open(writer, NULL);
        hf_json_integer(writer, "group", group);
        hf_json_integer(writer, "step", 20);
        hf_json_object_close(writer);
    }
    hf_json_array_close(writer);
    assert_ok(hf_run_end_record(run, &error));
    assert_int_equal(run->state.open[0].requested, 1);
    assert_int_equal(run->state.open[1].requested, 0); /* loaded already */
    assert_int_equal(run->state.open[2].requested, 0); /* not asked for */
    commit(run);
    hf_run_close(reopen(&place, run));
    place_release(&place);
}

/* --- resets, parking, finishing --------------------------------------------------------------------------
 */

static void fail_by_reset(struct hf_run *run, uint64_t trial)
{
    add(run, begin_of(trial, HF_PURPOSE_EDGE, 0, 20));
    add(run, event_of(HF_EVENT_TRIAL_LOADED, trial, HF_GROUP_NONE));
    add(run, event_of(HF_EVENT_RESET, 0, HF_GROUP_NONE));
    add(run, verdict_of(trial, HF_VERDICT_FAIL, HF_CAUSE_MACHINE_RESET, HF_GROUP_NONE, 0, 0));
}

static void reset_after(struct hf_run *run, uint64_t trial, double exposure_s)
{
    struct hf_event exposure = event_of(HF_EVENT_EXPOSURE, trial, HF_GROUP_NONE);

    exposure.exposure_s = exposure_s;
    add(run, begin_of(trial, HF_PURPOSE_EDGE, 0, 20));
    add(run, event_of(HF_EVENT_TRIAL_LOADED, trial, HF_GROUP_NONE));
    add(run, exposure);
    add(run, event_of(HF_EVENT_RESET, 0, HF_GROUP_NONE));
    add(run, verdict_of(trial, HF_VERDICT_FAIL, HF_CAUSE_MACHINE_RESET, HF_GROUP_NONE, exposure_s, 0));
}

static void judge(struct hf_run *run, uint64_t trial, enum hf_verdict verdict, enum hf_cause cause)
{
    add(run, begin_of(trial, HF_PURPOSE_EDGE, 0, 20));
    add(run, event_of(HF_EVENT_TRIAL_LOADED, trial, HF_GROUP_NONE));
    add(run, verdict_of(trial, verdict, cause, 0, 0, 0));
}

static void test_resets_without_verdict(void **state)
{
    struct place place;
    struct hf_run *run;

    (void)state;
    place_init(&place);
    run = open_run(&place);
    fail_by_reset(run, 1);
    fail_by_reset(run, 2);
    assert_int_equal(run->state.resets_without_verdict, 2);
    judge(run, 3, HF_VERDICT_VOID, HF_CAUSE_OVER_TEMPERATURE); /* void judges nothing */
    assert_int_equal(run->state.resets_without_verdict, 2);
    judge(run, 4, HF_VERDICT_FAIL, HF_CAUSE_STALL);
    assert_int_equal(run->state.resets_without_verdict, 0);
    fail_by_reset(run, 5);
    judge(run, 6, HF_VERDICT_PASS, HF_CAUSE_TIME_SERVED);
    assert_int_equal(run->state.resets_without_verdict, 0);
    fail_by_reset(run, 7);
    fail_by_reset(run, 8);
    fail_by_reset(run, 9);
    assert_int_equal(run->state.resets_without_verdict, 3);
    assert_int_equal(run->state.resets, 6);
    assert_int_equal(run->state.last_reset_trial, 9);
    reset_after(run, 10, 599);
    assert_int_equal(run->state.resets_without_verdict, 4);
    reset_after(run, 11, 600); /* ten minutes under load judge a ratio, even when a reset ends them */
    assert_int_equal(run->state.resets_without_verdict, 0);
    commit(run);
    hf_run_close(reopen(&place, run));
    place_release(&place);
}

static void test_parked_and_finished(void **state)
{
    struct hf_event event = begin_of(1, HF_PURPOSE_EDGE, 0, 20);
    struct hf_error error = {0};
    struct place place;
    struct hf_run *run;

    (void)state;
    place_init(&place);
    run = open_run(&place);
    add_record(run, HF_RECORD_SESSION_BEGIN);
    assert_int_equal(run->state.session_open, 1);
    add(run, event_of(HF_EVENT_RESET, 0, HF_GROUP_NONE));
    add_record(run, HF_RECORD_PARKED);
    add_record(run, HF_RECORD_SESSION_END);
    assert_int_equal(run->state.parked, 1);
    assert_int_equal(run->state.session_open, 0);
    add_record(run, HF_RECORD_SESSION_BEGIN);
    hf_json_bool(hf_run_begin_record(run, HF_RECORD_SESSION_BEGIN), "unpark", 0);
    assert_ok(hf_run_end_record(run, &error));
    assert_int_equal(run->state.parked, 1);
    commit(run);
    run = reopen(&place, run);
    assert_error(hf_run_add_event(run, &event, NULL, &error), HF_E_DAMAGED, "parked");
    hf_run_close(run); /* that line never reached the disk */
    run = open_run(&place);
    hf_json_bool(hf_run_begin_record(run, HF_RECORD_SESSION_BEGIN), "unpark", 1);
    assert_ok(hf_run_end_record(run, &error));
    assert_int_equal(run->state.parked, 0);
    assert_int_equal(run->state.resets_without_verdict, 0);
    assert_int_equal(run->state.resets, 1);
    add(run, event);
    add_record(run, HF_RECORD_FINISHED);
    assert_int_equal(run->state.finished, 1);
    commit(run);
    hf_run_close(reopen(&place, run));
    place_release(&place);
}

/* --- impossible histories --------------------------------------------------------------------------------
 */

/* Two groups under way: trial 1 of group 0 loaded with exposure, trial 2 of group 1 not loaded yet. */
static struct hf_run *two_trials(struct place *place)
{
    struct hf_run *run;

    place_init(place);
    run = open_run(place);
    add(run, begin_of(1, HF_PURPOSE_EDGE, 0, 20));
    add(run, begin_of(2, HF_PURPOSE_EDGE, 1, 20));
    add(run, event_of(HF_EVENT_TRIAL_LOADED, 1, HF_GROUP_NONE));
    add(run, progress_of(1, 5, 100));
    commit(run);
    return run;
}

static void test_impossible_histories(void **state)
{
    const struct {
        struct hf_event event;
        const char *words;
    } cases[] = {
        {verdict_of(3, HF_VERDICT_PASS, HF_CAUSE_TIME_SERVED, 0, 5, 100), "not open"},
        {progress_of(7, 5, 100), "not open"},
        {event_of(HF_EVENT_TRIAL_LOADED, 9, HF_GROUP_NONE), "not open"},
        {event_of(HF_EVENT_HARDWARE_ERROR, 9, 0), "not open"},
        {progress_of(1, 4.9, 100), "shrinks"},
        {progress_of(1, 5, 99), "shrinks"},
        {verdict_of(1, HF_VERDICT_FAIL, HF_CAUSE_STALL, 0, 4, 100), "shrinks"},
        {progress_of(2, 1, 1), "before it was loaded"},
        {verdict_of(2, HF_VERDICT_PASS, HF_CAUSE_TIME_SERVED, 1, 0, 0), "without having been loaded"},
        {event_of(HF_EVENT_TRIAL_LOADED, 1, HF_GROUP_NONE), "second time"},
        {begin_of(3, HF_PURPOSE_EDGE, 0, 20), "another one of the group"},
        {begin_of(3, HF_PURPOSE_SOAK, HF_GROUP_ALL, 20), "another one of the group"},
        {begin_of(2, HF_PURPOSE_EDGE, 5, 20), "in order"},
        {begin_of(4, HF_PURPOSE_EDGE, 5, 20), "in order"},
        {verdict_of(1, HF_VERDICT_FAIL, HF_CAUSE_STALL, 1, 5, 100), "indicts"},
    };

    (void)state;
    for (size_t i = 0; i < sizeof cases / sizeof cases[0]; i++) {
        struct hf_error error = {0};
        struct hf_event good = progress_of(1, 6, 120);
        struct place place;
        struct hf_run *run = two_trials(&place);

        assert_error(hf_run_add_event(run, &cases[i].event, NULL, &error), HF_E_DAMAGED, cases[i].words);
        /* The line must not reach the disk, now or with a later commit. */
        assert_error(hf_journal_commit(run->journal, &error), HF_E_STICKY, cases[i].words);
        hf_run_close(run);
        run = open_run(&place);
        assert_int_equal(run->state.records, 5);
        assert_ok(hf_run_add_event(run, &good, NULL, &error));
        hf_run_close(run);
        place_release(&place);
    }
}

/* The same on disk: lines with right checksums that tell an impossible history are refused, naming the line.
 */
static void test_impossible_history_on_disk(void **state)
{
    struct hf_event verdict = verdict_of(1, HF_VERDICT_PASS, HF_CAUSE_TIME_SERVED, 0, 5, 100);
    struct hf_error error = {0};
    struct hf_run *run;
    struct place place;

    (void)state;
    run = two_trials(&place);
    assert_ok(hf_event_write(run->journal, &verdict, NULL, &error)); /* past the fold */
    assert_ok(hf_event_write(run->journal, &verdict, NULL, &error));
    commit(run);
    hf_run_close(run);
    assert_error(hf_run_open(place.run_directory, &place.options, &run, &error), HF_E_DAMAGED, "line 7");
    assert_error(hf_run_open(place.run_directory, &place.options, &run, &error), HF_E_DAMAGED, "not open");
    place_release(&place);
}

/* --- two at once, changed profiles ------------------------------------------------------------------------
 */

static void test_lock(void **state)
{
    struct hf_error error = {0};
    struct hf_run_options reader;
    struct hf_run *second;
    struct hf_run *run;
    struct place place;
    int status;
    pid_t child;

    (void)state;
    place_init(&place);
    run = open_run(&place);
    assert_error(hf_run_open(place.run_directory, &place.options, &second, &error), HF_E_BUSY,
                 "another supervisor");
    reader = place.options; /* reports may look on, and looking does not break the lock */
    reader.read_only = 1;
    assert_ok(hf_run_open(place.run_directory, &reader, &second, &error));
    assert_int_equal(second->state.records, 1);
    assert_int_equal(second->lock_fd, -1);
    hf_run_close(second);
    child = fork();
    assert_true(child >= 0);
    if (child == 0)
        _exit(hf_run_open(place.run_directory, &place.options, &second, &error) == HF_E_BUSY ? 0 : 1);
    assert_int_equal(waitpid(child, &status, 0), child);
    assert_int_equal(status, 0);
    hf_run_close(run);

    child = fork(); /* the lock dies with its holder, however it dies */
    assert_true(child >= 0);
    if (child == 0) {
        (void)hf_run_open(place.run_directory, &place.options, &second, &error);
        _exit(0);
    }
    assert_int_equal(waitpid(child, &status, 0), child);
    run = open_run(&place);
    hf_run_close(run);
    place_release(&place);
}

static void test_mismatches(void **state)
{
    struct hf_error error = {0};
    struct hf_profile *other = NULL;
    char changed[sizeof small_profile];
    struct place place;
    struct hf_run *run;

    (void)state;
    place_init(&place);
    hf_run_close(open_run(&place));
#define OPEN() hf_run_open(place.run_directory, &place.options, &run, &error)
    place.options.profile = NULL; /* resuming needs no profile */
    assert_ok(OPEN());
    hf_run_close(run);
    memcpy(changed, small_profile, sizeof changed);
    strstr(changed, "48")[1] = '7';
    assert_ok(hf_profile_parse(changed, sizeof changed - 1, "x", &other, &error));
    place.options.profile = other;
    assert_error(OPEN(), HF_E_MISMATCH, "not the one this run was begun with");
    place.options.profile = NULL;
    place.options.method = "bisect";
    assert_error(OPEN(), HF_E_MISMATCH, "belief, not by bisect");
    place.options.method = "belief";
    assert_ok(OPEN());
    hf_run_close(run);
    place.options.method = NULL;
    file_write(place.run_directory, "profile.json", changed,
               sizeof changed - 1); /* the frozen copy was edited */
    assert_error(OPEN(), HF_E_MISMATCH, "changed since the run began");
    assert_int_equal(unlink(file_path(place.run_directory, "profile.json")), 0);
    assert_error(OPEN(), HF_E_NOT_FOUND, "profile.json is missing");
    place.options.profile = place.profile;
    assert_error(OPEN(), HF_E_NOT_FOUND, "profile.json is missing");
#undef OPEN
    hf_profile_free(other);
    place_release(&place);
}

static void test_no_run_there(void **state)
{
    struct hf_error error = {0};
    struct place place;
    struct hf_run *run;

    (void)state;
    place_init(&place);
    place.options.profile = NULL;
    assert_error(hf_run_open(place.run_directory, &place.options, &run, &error), HF_E_NOT_FOUND, "heron");
    assert_error(hf_run_open(place.directory, &place.options, &run, &error), HF_E_NOT_FOUND, "holds no run");
    place.options.read_only = 1;
    assert_error(hf_run_open(place.directory, &place.options, &run, &error), HF_E_NOT_FOUND, "profile.json");
    small_run_directory(place.directory); /* frozen, but the journal was never begun */
    assert_error(hf_run_open(place.directory, &place.options, &run, &error), HF_E_NOT_FOUND, "no journal");
    place.options.read_only = 0;
    assert_error(hf_run_open(place.directory, &place.options, &run, &error), HF_E_NOT_FOUND, "no journal");
    place.options.profile = place.profile; /* interrupted while it was created: goes on */
    assert_ok(hf_run_open(place.directory, &place.options, &run, &error));
    assert_int_equal(run->state.records, 1);
    hf_run_close(run);
    place_release(&place);
}

static void test_default_directory(void **state)
{
    struct hf_error error = {0};
    char path[PATH_MAX];

    (void)state;
    assert_int_equal(setenv("XDG_STATE_HOME", "/var/tide/state", 1), 0);
    assert_int_equal(setenv("HOME", "/home/keeper", 1), 0);
    assert_ok(hf_run_default_directory("heron", path, sizeof path, &error));
    assert_string_equal(path, "/var/tide/state/holdfast/heron");
    assert_int_equal(setenv("XDG_STATE_HOME", "relative", 1), 0); /* the specification: ignore it */
    assert_ok(hf_run_default_directory("heron", path, sizeof path, &error));
    assert_string_equal(path, "/home/keeper/.local/state/holdfast/heron");
    assert_error(hf_run_default_directory("heron", path, 10, &error), HF_E_RANGE, "too long");
    assert_int_equal(unsetenv("HOME"), 0);
    assert_error(hf_run_default_directory("heron", path, sizeof path, &error), HF_E_USAGE, "--run");
}

/* --- visitors ----------------------------------------------------------------------------------------------
 */

struct tally {
    int events;
    int records;
    double last_time_s;
    double exposure_s;
};

static int count_event(void *context, const struct hf_event *event, struct hf_error *error)
{
    struct tally *tally = context;

    (void)error;
    tally->events++;
    tally->exposure_s += event->exposure_s;
    assert_true(event->time_s >= tally->last_time_s);
    tally->last_time_s = event->time_s;
    return HF_OK;
}

static int count_record(void *context, const struct hf_record *record, struct hf_error *error)
{
    (void)record;
    (void)error;
    ((struct tally *)context)->records++;
    return HF_OK;
}

/* With observe_live the visitors see what a replay will show them, to the bit. */
static void test_visitors(void **state)
{
    struct tally live = {0};
    struct tally replayed = {0};
    struct hf_error error = {0};
    struct place place;
    struct hf_run *run;

    (void)state;
    place_init(&place);
    place.options.event_visitor = count_event;
    place.options.record_visitor = count_record;
    place.options.event_context = place.options.record_context = &live;
    place.options.observe_live = 1;
    run = open_run(&place);
    for (int i = 0; i < SCRIPT_STEPS; i++) {
        assert_ok(script[i](run, &error));
        commit(run);
    }
    hf_run_close(run);
    place.options.event_context = place.options.record_context = &replayed;
    place.options.observe_live = 0;
    run = open_run(&place);
    assert_int_equal(replayed.records, SCRIPT_RECORDS);
    assert_int_equal(replayed.events, 13);
    assert_memory_equal(&live, &replayed, sizeof live);
    add_record(run, HF_RECORD_NOTE);
    assert_int_equal(replayed.records, SCRIPT_RECORDS); /* not observed live */
    hf_run_close(run);
    place_release(&place);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(test_create),
        cmocka_unit_test(test_script_and_replay),
        cmocka_unit_test(test_open_trials),
        cmocka_unit_test(test_exposure_of_256_groups),
        cmocka_unit_test(test_requests_by_group),
        cmocka_unit_test(test_resets_without_verdict),
        cmocka_unit_test(test_parked_and_finished),
        cmocka_unit_test(test_impossible_histories),
        cmocka_unit_test(test_impossible_history_on_disk),
        cmocka_unit_test(test_lock),
        cmocka_unit_test(test_mismatches),
        cmocka_unit_test(test_no_run_there),
        cmocka_unit_test(test_default_directory),
        cmocka_unit_test(test_visitors),
    };

    return cmocka_run_group_tests(tests, NULL, NULL);
}
