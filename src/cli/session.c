#include "cli/session.h"

#include <errno.h>
#include <stdio.h>
#include <string.h>
#include <sys/stat.h>
#include <unistd.h>

#include "base/memory.h"
#include "cli/deadline.h"
#include "harness/fitness.h"
#include "holdfast/checksum.h"
#include "holdfast/clock.h"
#include "holdfast/plan_config.h"

void hf_session_say(void *context, const char *line)
{
    const struct hf_session *session = context;
    FILE *stream = session->options.json ? stderr : stdout;
    char words[2048]; /* drivers, sensors and the kernel have a say in it */
    char now[HF_TIME_TEXT];

    hf_text_harmless(line, words, sizeof words);
    if (session->options.say != NULL) {
        session->options.say(session->options.say_context, words);
        return;
    }
    hf_time_format(hf_clock_wall_ns(&hf_clock_real), now);
    fprintf(stream, "%.8s %s\n", now + 11, words);
    (void)fflush(stream); /* a failure is found at the end of the command */
}

int hf_session_directory(const char *run_directory, const char *profile_path, char *ret_path, size_t size,
                         struct hf_error *error)
{
    struct hf_profile *profile;
    struct stat status;
    int code;

    if (run_directory != NULL) {
        if (snprintf(ret_path, size, "%s", run_directory) >= (int)size)
            return hf_fail(error, HF_E_RANGE, "--run: the path is longer than %zu bytes", size - 1);
        if (stat(run_directory, &status) != 0 && (errno == ENAMETOOLONG || errno == ELOOP))
            return hf_fail_errno(error, errno, "--run %s", run_directory);
        return HF_OK;
    }
    if (profile_path == NULL)
        return hf_fail(
            error, HF_E_USAGE,
            "say which run: --run DIR, or --profile FILE for the default directory of that machine");
    if (hf_profile_read(profile_path, &profile, error) != HF_OK)
        return error->code;
    code = hf_run_default_directory(profile->name, ret_path, size, error);
    hf_profile_free(profile);
    return code;
}

/* The profile named, or the frozen one of the run. */
static int read_profile(struct hf_session *session, struct hf_error *error)
{
    char frozen[PATH_MAX];

    if (session->options.profile_path != NULL)
        return hf_profile_read(session->options.profile_path, &session->profile, error);
    if (snprintf(frozen, sizeof frozen, "%s/profile.json", session->directory) >= (int)sizeof frozen)
        return hf_fail(error, HF_E_RANGE, "--run: the path is too long");
    if (access(frozen, F_OK) != 0)
        return hf_fail(error, HF_E_NOT_FOUND,
                       "%s holds no run (there is no profile.json); start one with --profile FILE",
                       session->directory);
    return hf_profile_read(frozen, &session->profile, error);
}

/* The deadline is run time: a rig's clock may run faster than the wall's. */
static int settle_deadline(struct hf_session *session, struct hf_error *error)
{
    const struct hf_profile *profile = session->profile;
    double wanted_s = 0.0;

    if (session->options.by != NULL &&
        hf_deadline_parse(session->options.by, hf_clock_wall_ns(&hf_clock_real), &wanted_s, error) != HF_OK)
        return error->code;
    if (strcmp(profile->driver, "rig") == 0)
        wanted_s *= profile->rig.clock_factor;
    return hf_deadline_settle(session->directory, wanted_s, &session->profile, error);
}

static int read_mix(struct hf_session *session, struct hf_error *error)
{
    const struct hf_profile *profile = session->profile;

    if (profile->mix[0] == '\0')
        return hf_mix_parse(profile->mix_document.bytes, profile->mix_document.size, "the profile's mix",
                            &session->mix, error);
    if (hf_mix_builtin(profile->mix, &session->mix, error) != HF_OK)
        hf_error_context(error, "the profile of %s: mix", profile->name);
    return error->code;
}

static int check_fitness(const struct hf_session *session, struct hf_error *error)
{
    struct hf_host host;

    if (hf_host_open(NULL, &host, error) != HF_OK)
        return error->code;
    (void)hf_fitness_check(session->profile, session->driver, &host, error);
    hf_host_close(&host);
    return error->code;
}

static int find_driver(struct hf_session *session, struct hf_error *error)
{
    const struct hf_profile *profile = session->profile;

    session->driver = strcmp(profile->driver, "rig") == 0 ? hf_driver_rig_set_by(profile->rig.set_by)
                                                          : hf_driver_find(profile->driver);
    if (session->driver == NULL) {
        struct hf_text names;
        int code;

        hf_text_init(&names, 512);
        for (int i = 0; i < hf_driver_count(); i++)
            hf_text_addf(&names, "%s%s", i > 0 ? ", " : "", hf_driver_at(i)->name);
        code = hf_fail(error, HF_E_RANGE,
                       "the profile of %s: driver: there is no setting driver \"%s\"; choose one of %s",
                       profile->name, profile->driver, names.bytes);
        hf_text_release(&names);
        return code;
    }
    if (session->driver->is_simulated)
        return HF_OK;
    if (!profile->accept_the_risk && !session->options.accept_the_risk)
        return hf_fail(
            error, HF_E_REFUSED,
            "the driver \"%s\" changes a real machine: heat, data loss and warranty are at stake. Use a "
            "scratch system and back up, keep to the maker's limits, then add --i-accept-the-risk",
            profile->driver);
    return check_fitness(session, error);
}

static int make_plan(struct hf_session *session, struct hf_error *error)
{
    const struct hf_profile *profile = session->profile;
    struct hf_plan_config config;
    enum hf_plan_method method;

    if (hf_plan_config_of_profile(profile, NULL, session->options.method, &config, &method, error) != HF_OK)
        return error->code;
    if (hf_plan_new(&config, method, &session->plan, error) != HF_OK)
        return error->code;
    hf_search_director_init(&session->search, session->plan, profile->group_count, &session->mix,
                            profile->seed, &session->director);
    return HF_OK;
}

static int observe(void *context, const struct hf_event *event, struct hf_error *error)
{
    struct hf_session *session = context;

    if (hf_search_director_observe(&session->search, event, error) != HF_OK)
        return error->code;
    if (session->options.observer != NULL &&
        session->options.observer(session->options.observer_context, event, error) != HF_OK)
        return error->code;
    if (session->fixed == NULL)
        return HF_OK;
    return hf_fixed_director_observe(session->fixed, event, error);
}

int hf_session_note(struct hf_session *session, const char *text, struct hf_error *error)
{
    hf_json_string(hf_run_begin_record(session->run, HF_RECORD_NOTE), "text", text);
    if (hf_run_end_record(session->run, error) != HF_OK)
        return error->code;
    return hf_journal_commit(session->run->journal, error);
}

/* What was moved aside is said, and stands in the journal. */
static int note_torn_tail(struct hf_session *session, struct hf_error *error)
{
    char line[256];

    (void)snprintf(line, sizeof line,
                   "the journal's last line was torn: %llu bytes were moved to journal.torn",
                   (unsigned long long)session->run->opening.torn_bytes);
    hf_session_say(session, line);
    return hf_session_note(session, line, error);
}

/* Tells the outside of an emulated machine what was acknowledged, and what has been folded from it. */
static void bear_witness(void *context, int durable, uint64_t sequence, uint32_t crc)
{
    const struct hf_session *session = context;
    const struct hf_run *run = session->run;
    char line[96];

    if (durable)
        (void)snprintf(line, sizeof line, "done %llu %08x %08x\n", (unsigned long long)sequence, crc,
                       run != NULL ? hf_crc32c(0, &run->state, sizeof run->state) : 0);
    else
        (void)snprintf(line, sizeof line, "begin %llu\n", (unsigned long long)sequence);
    hf_reset_witness_say(&session->witness, line);
}

static int open_run(struct hf_session *session, struct hf_error *error)
{
    struct hf_run_options options = {
        .profile = session->profile,
        .method = session->options.method,
        .event_visitor = observe,
        .event_context = session,
        .record_visitor = session->options.record_observer,
        .record_context = session->options.observer_context,
        .observe_live = 1,
    };

    if (hf_supervisor_boot_id(session->profile, session->directory, session->boot_id, error) != HF_OK)
        return error->code;
    options.journal.boot_id = session->boot_id;
    options.journal.salvage = session->options.salvage;
    if (session->witness.fd >= 0) {
        options.journal.witness = bear_witness;
        options.journal.witness_context = session;
    }
    if (hf_run_open(session->directory, &options, &session->run, error) != HF_OK)
        return error->code;
    if (session->run->opening.torn)
        return note_torn_tail(session, error);
    return HF_OK;
}

static int open_all(struct hf_session *session, struct hf_error *error)
{
    const struct hf_session_options *options = &session->options;

    if (hf_session_directory(options->run_directory, options->profile_path, session->directory,
                             sizeof session->directory, error) != HF_OK ||
        read_profile(session, error) != HF_OK || settle_deadline(session, error) != HF_OK ||
        read_mix(session, error) != HF_OK || find_driver(session, error) != HF_OK ||
        make_plan(session, error) != HF_OK)
        return error->code;
    return open_run(session, error);
}

int hf_session_open(const struct hf_session_options *options, struct hf_session **ret_session,
                    struct hf_error *error)
{
    struct hf_session *session = hf_allocate(1, sizeof *session);

    if (session == NULL)
        return hf_fail(error, HF_E_MEMORY, "no memory for the session");
    session->options = *options;
    hf_reset_witness_open(&session->witness);
    if (open_all(session, error) != HF_OK) {
        hf_session_close(session);
        return error->code;
    }
    *ret_session = session;
    return HF_OK;
}

int hf_session_run_fixed(struct hf_session *session, struct hf_fixed_director *fixed,
                         struct hf_supervisor_result *ret_result, struct hf_error *error)
{
    struct hf_director director;

    hf_fixed_director_start(fixed, &director);
    hf_fixed_director_adopt(fixed, &session->run->state);
    session->fixed = fixed; /* sees every event from here on */
    return hf_session_run_director(session, &director, &session->mix, ret_result, error);
}

int hf_session_run_director(struct hf_session *session, const struct hf_director *director,
                            const struct hf_mix *mix, struct hf_supervisor_result *ret_result,
                            struct hf_error *error)
{
    struct hf_supervisor_options supervisor = {.run = session->run,
                                               .director = director,
                                               .mix = mix,
                                               .driver = session->driver,
                                               .boot_id = session->boot_id,
                                               .unpark = session->options.unpark,
                                               .guard = !session->driver->is_simulated,
                                               .say = hf_session_say,
                                               .say_context = session};

    return hf_supervisor_run(&supervisor, ret_result, error);
}

void hf_session_close(struct hf_session *session)
{
    if (session == NULL)
        return;
    hf_run_close(session->run);
    hf_reset_witness_close(&session->witness);
    hf_plan_free(session->plan);
    hf_profile_free(session->profile);
    hf_free(session);
}
