/*
 * verify: one group, or all, at its certified, present or a given ratio, after a change.
 *
 * A sequential test for each group that is judged (harness/sequential.h): exposure and faults add up over as
 * many trials as it takes, until the claim is accepted or rejected. What makes up the test is one line of
 * words, the key. It stands in the journal in a note "verify begins: KEY", and "verify ends" follows when the
 * test is decided. The same command after a reset or a stop finds its key in the last such note, without an
 * end, and goes on with what was served.
 */
#include <inttypes.h>
#include <math.h>
#include <stdio.h>
#include <string.h>

#include "base/memory.h"
#include "cli/conditions.h"
#include "cli/options.h"
#include "cli/session.h"
#include "harness/sequential.h"
#include "holdfast/clock.h"
#include "holdfast/random.h"

#define DEFAULT_ACCEPT_S    1200.0 /* exposure that accepts when nothing else says how long */
#define DISCRIMINATION      10.0   /* without a belief: good is a mean time so many times the claim's */
#define DISCRIMINATION_LOW  3.0
#define DISCRIMINATION_HIGH 100.0
#define CREDIT_SHARE_MOST   0.5 /* of the exposure that accepts: so much is always served anew */
#define SERVED_MOST         3.0 /* so many times the exposure that accepts, then it stays undecided */
#define FORECAST_DRAWS      2000
#define MONTH_S             (30.0 * 86400.0)
#define BELIEF_HALF_LIFE    12.0 /* months; parts age: engineering judgement, no source */
#define KEY_MAX             400
#define BEGINS              "verify begins: "
#define ENDS                "verify ends"

static struct {
    const char *profile, *run, *group, *mix, *company, *cpus;
    int json, accept;
    double ratio, for_s, hours, confidence, at_most_s, voltage_mv, memory_mts;
} settings;

static const struct hf_option options[] = {
    {"profile", HF_OPTION_STRING, &settings.profile, "FILE", "the machine's profile", 0, 0},
    {"run", HF_OPTION_STRING, &settings.run, "DIR", "the run's directory (default: by the profile's name)", 0,
     0},
    {"group", HF_OPTION_STRING, &settings.group, "NAME", "the group to judge (default: all)", 0, 0},
    {"ratio", HF_OPTION_NUMBER, &settings.ratio, "R", "at this ratio (default: as proved)", 1, 500},
    {"for", HF_OPTION_DURATION, &settings.for_s, "TIME", "the claim that so much without a fault proves", 0,
     0},
    {"claim-hours", HF_OPTION_NUMBER, &settings.hours, "H", "or: at most one fault in H hours", 0.001,
     100000},
    {"confidence", HF_OPTION_NUMBER, &settings.confidence, "C", "confidence of the claim (default 0.95)", 0.5,
     0.9999},
    {"at-most", HF_OPTION_DURATION, &settings.at_most_s, "TIME", "then stop undecided (default 3 x --for)", 0,
     0},
    {"mix", HF_OPTION_STRING, &settings.mix, "FILE", "this load (default: the profile's mix)", 0, 0},
    {"company", HF_OPTION_STRING, &settings.company, "NAMES", "groups that run beside it, a,b or none", 0, 0},
    {"cpus", HF_OPTION_STRING, &settings.cpus, "LIST", "only these CPUs of --group", 0, 0},
    {"voltage-mv", HF_OPTION_NUMBER, &settings.voltage_mv, "V", "as it is set now", 1, 10000},
    {"memory-mts", HF_OPTION_NUMBER, &settings.memory_mts, "S", "speed of the memory now", 1, 100000},
    {"i-accept-the-risk", HF_OPTION_FLAG, &settings.accept, NULL, "needed to change a real machine", 0, 0},
    {"json", HF_OPTION_FLAG, &settings.json, NULL, "one JSON document on standard output", 0, 0},
    {0},
};

static const struct hf_usage usage = {
    "verify", "one group, or all, after a change: accept or reject the claim", options,
    "The other groups keep it company. Ratios are those proved by the run, else the\n"
    "baselines; the claim is what its soak proved, else that of 20m.\n"
    "Times are run time: with a rig model they pass as fast as its clock.\n"
    "Exit status: 0 accepted, 1 rejected, 3 undecided (stopped, or void).\n"};

/* --- what is to be verified -------------------------------------------------------------------------- */

struct verify {
    struct hf_sequential_director test;
    struct hf_mix mix;
    double theta0_s[HF_GROUPS_MAX], theta1_s[HF_GROUPS_MAX], accept_s[HF_GROUPS_MAX];
    struct hf_condition_change change[HF_CONDITION_CHANGES_MAX];
    int change_count;
    int has_certificate;
    int64_t learned_wall_ns; /* when the search ended */
    double belief_kept;      /* share of its evidence that still counts */
    struct hf_plan_soak soak;
    struct hf_sequential_forecast forecast; /* of the group that takes longest */
    char key[KEY_MAX];
    char pending[KEY_MAX]; /* key of a test that the journal leaves undecided; "" none */
    int is_open;           /* the journal has been read: notes are our own from here on */
};

/* Proved by the run when its soak passed; else the baseline. */
static int step_of_group(const struct hf_session *session, const struct verify *verify, int group)
{
    if (verify->has_certificate && verify->soak.step[group] >= 0)
        return verify->soak.step[group];
    return session->profile->group[group].baseline_step;
}

static int is_named(const char *list, const char *name)
{
    size_t length = strlen(name);

    for (const char *at = list; at != NULL; at = strchr(at, ','), at += at != NULL) {
        if (strncmp(at, name, length) == 0 && (at[length] == ',' || at[length] == '\0'))
            return 1;
    }
    return 0;
}

/* --company: every name must be a group. */
static int check_company(const struct hf_profile *profile, struct hf_error *error)
{
    char name[HF_NAME_MAX];
    int group;

    for (const char *at = settings.company; at != NULL && strcmp(settings.company, "none") != 0;) {
        size_t length = strcspn(at, ",");

        (void)snprintf(name, sizeof name, "%.*s", (int)length, at);
        if (hf_profile_group_of(profile, name, &group, error) != HF_OK)
            return error->code;
        at = at[length] == ',' ? at + length + 1 : NULL;
    }
    return HF_OK;
}

static int choose_cpus(const struct hf_profile *profile, struct verify *verify, int group,
                       struct hf_error *error)
{
    const struct hf_profile_group *of = &profile->group[group];
    int list[HF_CPUS_MAX];
    int count;

    if (hf_text_parse_cpu_list(settings.cpus, HF_CPUS_MAX, list, HF_CPUS_MAX, &count, error) != HF_OK) {
        hf_error_context(error, "--cpus");
        return error->code;
    }
    for (int i = 0; i < count; i++) {
        int core = 0;

        while (core < of->cpu_count && profile->cpu[of->cpu_first + core] != list[i])
            core++;
        if (core == of->cpu_count || core >= HF_RIG_CORES_MAX)
            return hf_fail(error, HF_E_RANGE, "--cpus: CPU %d is not one of %s", list[i], of->name);
        verify->test.cores[group] |= UINT32_C(1) << core;
    }
    return HF_OK;
}

static int choose_targets(const struct hf_session *session, struct verify *verify, struct hf_error *error)
{
    struct hf_sequential_director *test = &verify->test;
    const struct hf_profile *profile = session->profile;
    int wanted = HF_GROUP_ALL;
    int step = -1;

    if ((settings.group != NULL && hf_profile_group_of(profile, settings.group, &wanted, error) != HF_OK) ||
        (settings.ratio > 0 && hf_profile_step(profile, settings.ratio, &step, error) != HF_OK) ||
        check_company(profile, error) != HF_OK)
        return error->code;
    for (int g = 0; g < profile->group_count; g++) {
        const struct hf_profile_group *group = &profile->group[g];

        int left_out = group->left_out || session->run->state.left_out[g];

        test->target[g] = (wanted == HF_GROUP_ALL || wanted == g) && !left_out;
        test->step[g] = left_out ? -1 : (int16_t)step_of_group(session, verify, g);
        if (!test->target[g] && settings.company != NULL && !is_named(settings.company, group->name))
            test->step[g] = -1;
        if (test->target[g] && step >= 0)
            test->step[g] = (int16_t)step;
        if (test->step[g] > group->highest_step)
            return hf_fail(
                error, HF_E_REFUSED,
                "--ratio %.2f is above the highest ratio of %s in the profile, %.2f: ask for less, or "
                "raise \"highest\" in a profile for a new run, if the makers' limits allow it",
                settings.ratio, group->name, hf_profile_ratio(profile, group->highest_step));
    }
    if (wanted != HF_GROUP_ALL && !test->target[wanted])
        return hf_fail(error, HF_E_USAGE, "--group %s: %s: it is never loaded", settings.group,
                       profile->group[wanted].left_out ? "the profile leaves this group out"
                                                       : "the run goes on without this group, whose ratio "
                                                         "could not be set");
    if (settings.cpus != NULL && wanted == HF_GROUP_ALL)
        return hf_fail(error, HF_E_USAGE, "--cpus needs --group: it names CPUs of one group");
    return settings.cpus != NULL ? choose_cpus(profile, verify, wanted, error) : HF_OK;
}

static int choose_mix(const struct hf_session *session, struct verify *verify, struct hf_error *error)
{
    struct hf_text text;

    verify->mix = session->mix;
    if (settings.mix == NULL)
        return HF_OK;
    if (hf_text_read_file(&text, settings.mix, HF_MIX_BYTES_MAX, error) != HF_OK)
        return error->code;
    (void)hf_mix_parse(text.bytes, text.size, settings.mix, &verify->mix, error);
    hf_text_release(&text);
    return error->code;
}

/* --- the certificate --------------------------------------------------------------------------------- */

static int look_at_certificate(const struct hf_session *session, struct verify *verify,
                               struct hf_error *error)
{
    const struct hf_conditions_entered entered = {
        .voltage_mv = settings.voltage_mv > 0 ? settings.voltage_mv : NAN,
        .memory_mts = settings.memory_mts > 0 ? settings.memory_mts : NAN};
    char now[HF_CONDITION_COUNT][HF_CONDITION_TEXT_MAX];
    const struct hf_evidence_session *earned;
    struct hf_machine_facts facts;
    struct hf_evidence *evidence;

    if (!session->run->state.finished)
        return HF_OK;
    if (hf_evidence_open(session->directory, &evidence, error) != HF_OK)
        return error->code;
    hf_plan_soak(session->plan, &verify->soak);
    verify->has_certificate = 1;
    earned = hf_conditions_session(evidence);
    if (earned != NULL) {
        verify->learned_wall_ns = evidence->finished.wall_ns;
        hf_machine_facts_read(NULL, &facts);
        hf_conditions_of_facts(&facts, now);
        verify->change_count = hf_conditions_compare(earned, session->profile, now, &entered, verify->change);
    }
    hf_evidence_free(evidence);
    return HF_OK;
}

/* The soak speaks for this test only if every group runs as it did there, under the same load. */
static int soak_applies(const struct verify *verify)
{
    if (!verify->has_certificate || settings.mix != NULL || settings.company != NULL || settings.cpus != NULL)
        return 0;
    for (int g = 0; g < verify->test.group_count; g++) {
        if (verify->test.step[g] > verify->soak.step[g])
            return 0;
    }
    return 1;
}

/* What the search believed counts whole under the same conditions, half as much for each that changed,
 * nothing after one that voids the certificate, and the less the more months have passed: whole ones, so that
 * a test which a reset interrupted meets the same rule. */
static void discount_belief(struct hf_session *session, struct verify *verify)
{
    int64_t learned_ns =
        verify->learned_wall_ns != 0 ? verify->learned_wall_ns : session->run->state.last_wall_ns;
    double age_s = fmax((double)(hf_clock_wall_ns(&hf_clock_real) - learned_ns) / 1e9, 0.0);
    double months = floor(age_s / MONTH_S);

    verify->belief_kept =
        2.0 * hf_conditions_credit(verify->change, verify->change_count) * exp2(-months / BELIEF_HALF_LIFE);
    if (verify->belief_kept < 1.0)
        hf_plan_discount(session->plan, verify->belief_kept);
}

/* How many times the claim's mean time the group is believed to hold: half of that, on a log scale, counts.
 */
static double discrimination_of(const struct hf_session *session, const struct verify *verify, int group,
                                double theta1_s)
{
    double rate_per_hour[3];
    double times;

    if (verify->belief_kept <= 0.0 ||
        !hf_plan_rate_band(session->plan, group, verify->test.step[group], rate_per_hour))
        return DISCRIMINATION;
    times = sqrt(3600.0 / rate_per_hour[1] / theta1_s);
    return isfinite(times) ? fmin(DISCRIMINATION_HIGH, fmax(DISCRIMINATION_LOW, times)) : DISCRIMINATION;
}

/* --- the tests --------------------------------------------------------------------------------------- */

static void make_rule(const struct hf_session *session, struct verify *verify, int group)
{
    struct hf_sequential_rule *rule = &verify->test.rule[group];
    double beta = 1 - settings.confidence, discrimination, theta1_s, accept_s;
    int by_soak = settings.for_s == 0 && settings.hours == 0 && soak_applies(verify);

    accept_s = settings.for_s > 0 ? settings.for_s : by_soak ? verify->soak.served_s : DEFAULT_ACCEPT_S;
    theta1_s = settings.hours > 0 ? settings.hours * 3600 : accept_s / -log(beta);
    discrimination = discrimination_of(session, verify, group, theta1_s);
    if (settings.hours > 0)
        accept_s = hf_sequential_accept_s(theta1_s, discrimination, beta);
    else
        theta1_s = hf_sequential_theta1_s(accept_s, discrimination, beta);
    rule->has_test = 1;
    hf_sequential_claim(discrimination * theta1_s, theta1_s, beta, beta, &rule->test);
    if (settings.for_s == 0 && soak_applies(verify))
        rule->credit_s =
            fmin(CREDIT_SHARE_MOST * accept_s,
                 hf_conditions_credit(verify->change, verify->change_count) * verify->soak.served_s);
    rule->served_max = settings.at_most_s > 0 ? settings.at_most_s : SERVED_MOST * accept_s;
    verify->theta0_s[group] = discrimination * theta1_s;
    verify->theta1_s[group] = theta1_s;
    verify->accept_s[group] = accept_s;
}

static void make_key(const struct hf_session *session, struct verify *verify)
{
    uint64_t groups = 0;
    struct hf_text text;

    hf_text_init(&text, KEY_MAX - 1);
    hf_text_addf(&text, "at most one fault in %g h at %g, mix %s, steps", settings.hours, settings.confidence,
                 verify->mix.name);
    for (int g = 0; g < session->profile->group_count; g++) /* any number of groups in one number */
        groups = hf_mix64(groups + (uint64_t)(2 * (verify->test.step[g] + 1) + verify->test.target[g]) +
                          UINT64_C(0x9e3779b97f4a7c15));
    hf_text_addf(&text, " 0x%016" PRIx64, groups);
    hf_text_addf(&text, ", accepted after %g s", verify->accept_s[0]);
    if (settings.cpus != NULL)
        hf_text_addf(&text, ", CPUs %s", settings.cpus);
    (void)snprintf(verify->key, sizeof verify->key, "%s", text.bytes);
    hf_text_release(&text);
}

static void make_forecast(struct verify *verify)
{
    for (int g = 0; g < verify->test.group_count; g++) {
        struct hf_sequential_forecast forecast;

        if (!verify->test.target[g])
            continue;
        hf_sequential_forecast(&verify->test.rule[g], verify->theta0_s[g], FORECAST_DRAWS, 1, &forecast);
        if (forecast.median_s > verify->forecast.median_s)
            verify->forecast = forecast;
    }
}

/* --- words ------------------------------------------------------------------------------------------- */

static int first_target(const struct verify *verify)
{
    int g = 0;

    while (g < verify->test.group_count - 1 && !verify->test.target[g])
        g++;
    return g;
}

static void say_changes(const struct verify *verify, FILE *stream)
{
    for (int i = 0; i < verify->change_count; i++) {
        const struct hf_condition_change *change = &verify->change[i];
        char before[2 * sizeof change->before];
        char now[2 * sizeof change->now];

        hf_text_harmless(change->before, before, sizeof before);
        hf_text_harmless(change->now, now, sizeof now);
        fprintf(stream, "changed since the certificate: %s was \"%s\", is \"%s\"%s\n", change->name, before,
                now, change->voids ? "; the certificate says nothing about this" : "");
    }
    if (verify->has_certificate && verify->change_count == 0)
        fprintf(stream, "conditions: those of the certificate\n");
}

static void say_plan(const struct hf_session *session, const struct verify *verify)
{
    FILE *stream = settings.json ? stderr : stdout;
    int g = first_target(verify);
    char claim[HF_TIME_TEXT], believed[HF_TIME_TEXT], median[HF_TIME_TEXT], p90[HF_TIME_TEXT],
        wall[HF_TIME_TEXT], credit[HF_TIME_TEXT];

    hf_duration_format(verify->theta1_s[g], claim);
    hf_duration_format(verify->theta0_s[g], believed);
    hf_duration_format(verify->forecast.median_s, median);
    hf_duration_format(verify->forecast.p90_s, p90);
    hf_duration_format(verify->forecast.median_s / session->run->clock_factor, wall);
    hf_duration_format(verify->test.rule[g].credit_s, credit);
    say_changes(verify, stream);
    if (verify->has_certificate && verify->belief_kept < 0.995)
        fprintf(stream, "what the search learned counts for %.0f %% of what it did\n",
                100.0 * verify->belief_kept);
    fprintf(stream, "claim: at most one fault in %s, %.4g %% confidence; good would be one in %s\n", claim,
            settings.confidence * 100, believed);
    fprintf(stream,
            "it will probably take %s of exposure (%s by the clock on the wall), 90 %% of the time less than "
            "%s\n",
            median, wall, p90);
    if (verify->test.rule[g].credit_s > 0)
        fprintf(stream, "the certificate's soak counts for %s of exposure\n", credit);
    (void)fflush(stream);
}

static const char *const state_words[] = {[HF_TEST_GOING_ON] = "undecided",
                                          [HF_TEST_ACCEPTED] = "accepted",
                                          [HF_TEST_REJECTED] = "rejected",
                                          [HF_TEST_STOPPED] = "undecided",
                                          [HF_TEST_UNDECIDED] = "undecided"};

static enum hf_verdict verdict_of(enum hf_sequential_state state)
{
    return state == HF_TEST_ACCEPTED   ? HF_VERDICT_PASS
           : state == HF_TEST_REJECTED ? HF_VERDICT_FAIL
                                       : HF_VERDICT_VOID;
}

static void write_group(const struct hf_session *session, const struct verify *verify, int g,
                        struct hf_json_writer *writer)
{
    const struct hf_sequential_tally *tally = &verify->test.tally[g];
    enum hf_sequential_state state = hf_sequential_state(&verify->test.rule[g], tally);

    hf_json_object_open(writer, NULL);
    hf_json_string(writer, "name", session->profile->group[g].name);
    hf_json_number(writer, "ratio", hf_profile_ratio(session->profile, verify->test.step[g]));
    hf_json_string(writer, "verdict", hf_verdict_name(verdict_of(state)));
    hf_json_string(writer, "decision", state_words[state]);
    hf_json_string(writer, "cause", hf_cause_name(hf_sequential_cause(&verify->test.rule[g], tally)));
    hf_json_number(writer, "exposure_s", tally->served_s);
    hf_json_integer(writer, "faults", tally->faults);
    hf_json_number(writer, "credit_s", verify->test.rule[g].credit_s);
    hf_json_number(writer, "rate_at_most_per_hour",
                   state == HF_TEST_ACCEPTED ? 3600 / verify->theta1_s[g] : NAN);
    hf_json_number(writer, "confidence", settings.confidence);
    hf_json_object_close(writer);
}

static void write_json(const struct hf_session *session, const struct verify *verify)
{
    struct hf_json_writer writer;
    struct hf_text text;

    hf_text_init(&text, 1024 * 1024);
    hf_json_begin(&writer, &text, 2);
    hf_json_object_open(&writer, NULL);
    hf_evidence_write_path(&writer, "run", session->directory);
    hf_json_number(&writer, "expected_s", verify->forecast.median_s);
    hf_json_number(&writer, "expected_s_p90", verify->forecast.p90_s);
    hf_json_number(&writer, "belief_kept", verify->belief_kept);
    hf_json_array_open(&writer, "changed");
    for (int i = 0; i < verify->change_count; i++) {
        hf_json_object_open(&writer, NULL);
        hf_json_string(&writer, "condition", verify->change[i].name);
        hf_json_string(&writer, "certificate", verify->change[i].before);
        hf_json_string(&writer, "now", verify->change[i].now);
        hf_json_object_close(&writer);
    }
    hf_json_array_close(&writer);
    hf_json_array_open(&writer, "groups");
    for (int g = 0; g < session->profile->group_count; g++) {
        if (verify->test.target[g])
            write_group(session, verify, g, &writer);
    }
    hf_json_array_close(&writer);
    hf_json_object_close(&writer);
    printf("%s\n", text.bytes);
    hf_text_release(&text);
}

static void print_group(const struct hf_session *session, const struct verify *verify, int g)
{
    const struct hf_sequential_tally *tally = &verify->test.tally[g];
    enum hf_sequential_state state = hf_sequential_state(&verify->test.rule[g], tally);
    char served[HF_TIME_TEXT], claim[HF_TIME_TEXT];

    hf_duration_format(tally->served_s, served);
    hf_duration_format(verify->theta1_s[g], claim);
    printf("%-10s ratio %.2f: %s, %s after %s", session->profile->group[g].name,
           hf_profile_ratio(session->profile, verify->test.step[g]), hf_verdict_name(verdict_of(state)),
           hf_cause_name(hf_sequential_cause(&verify->test.rule[g], tally)), served);
    printf("; %s%s one fault in %s, %.4g %% confidence, %d %s\n", state_words[state],
           state == HF_TEST_REJECTED ? ": more than" : ": at most", claim, settings.confidence * 100,
           tally->faults, tally->faults == 1 ? "fault" : "faults");
    if (tally->resets > 0 && state != HF_TEST_ACCEPTED)
        printf(
            "%-10s %d of the faults were resets; a reset that names nobody counts against every group under "
            "test\n",
            "", tally->resets);
}

static void print_result(const struct hf_session *session, const struct verify *verify)
{
    if (settings.json) {
        write_json(session, verify);
        return;
    }
    for (int g = 0; g < session->profile->group_count; g++) {
        if (verify->test.target[g])
            print_group(session, verify, g);
    }
}

/* --- the command ------------------------------------------------------------------------------------- */

/* Notes that frame tests: see the head of this file. A note too long for us is none of ours. */
static int see_record(void *context, const struct hf_record *record, struct hf_error *error)
{
    struct verify *verify = context;
    struct hf_error ignored = {0};
    char text[KEY_MAX + sizeof BEGINS];

    (void)error;
    if (verify->is_open || record->type != HF_RECORD_NOTE ||
        hf_json_get_string(&record->data, "text", text, sizeof text, &ignored) != HF_OK)
        return HF_OK;
    if (strncmp(text, BEGINS, strlen(BEGINS)) != 0 && strcmp(text, ENDS) != 0)
        return HF_OK;
    memset(verify->test.tally, 0, sizeof verify->test.tally);
    (void)snprintf(verify->pending, sizeof verify->pending, "%s",
                   strcmp(text, ENDS) == 0 ? "" : text + strlen(BEGINS));
    return HF_OK;
}

static int see_event(void *context, const struct hf_event *event, struct hf_error *error)
{
    struct verify *verify = context;

    (void)error;
    hf_sequential_tally_observe(verify->test.tally, HF_GROUPS_MAX, HF_PURPOSE_VERIFY, event);
    return HF_OK;
}

static int prepare(struct hf_session *session, struct verify *verify, struct hf_error *error)
{
    struct hf_sequential_director *test = &verify->test;
    char note[KEY_MAX + sizeof BEGINS];

    test->group_count = session->profile->group_count;
    test->seed = session->profile->seed;
    test->mix = &verify->mix;
    test->stop_at_reject = 1;
    if (choose_mix(session, verify, error) != HF_OK || look_at_certificate(session, verify, error) != HF_OK ||
        choose_targets(session, verify, error) != HF_OK)
        return error->code;
    discount_belief(session, verify);
    for (int g = 0; g < test->group_count; g++) {
        if (test->target[g])
            make_rule(session, verify, g);
    }
    make_key(session, verify);
    make_forecast(verify);
    if (strcmp(verify->key, verify->pending) == 0)
        return HF_OK; /* goes on with what was served before the reset or the stop */
    memset(test->tally, 0, sizeof test->tally);
    (void)snprintf(note, sizeof note, BEGINS "%s", verify->key);
    return hf_session_note(session, note, error);
}

static int status_of(const struct verify *verify)
{
    int status = 0;

    for (int g = 0; g < verify->test.group_count; g++) {
        enum hf_sequential_state state;

        if (!verify->test.target[g])
            continue;
        state = hf_sequential_state(&verify->test.rule[g], &verify->test.tally[g]);
        if (state == HF_TEST_REJECTED)
            return 1;
        if (state != HF_TEST_ACCEPTED)
            status = 3;
    }
    return status;
}

static int run_tests(struct hf_session *session, struct verify *verify, struct hf_error *error)
{
    struct hf_supervisor_result result;
    struct hf_director director;
    int status;

    hf_sequential_director_start(&verify->test, &director);
    if (hf_session_run_director(session, &director, &verify->mix, &result, error) != HF_OK) {
        status = hf_command_fail("verify", error);
        goto release;
    }
    status = status_of(verify);
    if (hf_sequential_director_decided(&verify->test) && hf_session_note(session, ENDS, error) != HF_OK)
        status = hf_command_fail("verify", error);
    else if (result.end != HF_END_FINISHED)
        fprintf(stderr, "holdfast verify: %s\n", result.words.bytes);
release:
    hf_text_release(&result.words);
    return status;
}

static int verify_run(struct verify *verify, struct hf_error *error)
{
    struct hf_session *session;
    int status;

    if (hf_session_open(&(struct hf_session_options){.command = "verify",
                                                     .profile_path = settings.profile,
                                                     .run_directory = settings.run,
                                                     .accept_the_risk = settings.accept,
                                                     .json = settings.json,
                                                     .observer = see_event,
                                                     .record_observer = see_record,
                                                     .observer_context = verify},
                        &session, error) != HF_OK)
        return hf_command_fail("verify", error);
    verify->is_open = 1;
    if (prepare(session, verify, error) != HF_OK) {
        status = hf_command_fail("verify", error);
    } else {
        say_plan(session, verify);
        status = run_tests(session, verify, error);
        if (error->code == HF_OK)
            print_result(session, verify);
    }
    hf_session_close(session);
    return status;
}

int hf_command_verify(int argc, char **argv)
{
    struct verify *verify;
    struct hf_error error = {0};
    int status;

    settings.confidence = 0.95;
    if (hf_options_parse(&usage, argc, argv, &status))
        return status;
    verify = hf_allocate(1, sizeof *verify);
    if (verify == NULL) {
        (void)hf_fail(&error, HF_E_MEMORY, "no memory for the tests");
        return hf_command_fail("verify", &error);
    }
    verify->test.purpose = HF_PURPOSE_VERIFY;
    status = verify_run(verify, &error);
    hf_free(verify);
    return hf_command_end("verify", status);
}
