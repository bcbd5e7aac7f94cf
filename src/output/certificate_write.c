/* Which groups can be certified, what the others lack, and the writing of certificates into the run
 * directory. */
#include <assert.h>
#include <inttypes.h>
#include <limits.h>
#include <math.h>
#include <stdio.h>
#include <string.h>

#include "output/output_private.h"

#define SECONDS_AN_HOUR 3600.0

/* --- what is missing ---------------------------------------------------------------------------------- */

#define MISSING(gap, ...) (void)snprintf((gap)->missing, sizeof(gap)->missing, __VA_ARGS__)

/* The session that a record belongs to; NULL when the journal names none. */
static const struct hf_evidence_session *session_at(const struct hf_evidence *evidence, uint64_t sequence)
{
    for (size_t i = evidence->session_count; i-- > 0;) {
        if (evidence->sessions[i].sequence < sequence)
            return &evidence->sessions[i];
    }
    return NULL;
}

/* Absence of a failure is no pass: each session of the soak must have shown that planted errors are reported.
 */
static int detectors_are_proved(const struct hf_evidence *evidence, const struct hf_evidence_soak *soak)
{
    int left = soak->trials;

    for (size_t i = soak->last_trial; left > 0; i--) {
        const struct hf_evidence_trial *trial = &evidence->trials[i];
        const struct hf_evidence_session *session = session_at(evidence, trial->begin_sequence);

        if (trial->purpose == HF_PURPOSE_SOAK) {
            left--;
            if (session == NULL || session->planted == 0 || session->reported != session->planted)
                return 0;
        }
        if (i == 0)
            break;
    }
    return 1;
}

/* Anything wrong with a soak that the plan says was passed. */
static int soak_is_sound(const struct hf_evidence *evidence, const struct hf_evidence_soak *soak,
                         struct hf_certificate_gap *gap)
{
    double difference_s = soak->observed_s - soak->plan.served_s;

    if (soak->last_trial == HF_EVIDENCE_NOTHING || fabs(difference_s) > 1e-3 + 1e-9 * soak->plan.served_s)
        MISSING(gap, "the search counts %.6g hours of soak, the soak's trials in the journal add up to %.6g",
                soak->plan.served_s / SECONDS_AN_HOUR, soak->observed_s / SECONDS_AN_HOUR);
    else if (soak->hardware_errors > 0)
        MISSING(gap, "%d hardware errors were reported during the soak", soak->hardware_errors);
    else if (!detectors_are_proved(evidence, soak))
        MISSING(
            gap,
            "no session of the soak shows that every planted wrong bit was reported, so its silence proves "
            "nothing; search again in a new run directory");
    else
        return 1;
    return 0;
}

static int any_open(const struct hf_evidence *evidence)
{
    for (size_t i = evidence->trial_count; i-- > 0;) {
        if (evidence->trials[i].verdict == HF_VERDICT_NONE)
            return 1;
    }
    return 0;
}

/* Why the search cannot go on, when it cannot; 1 if so. */
static int is_stopped(const struct hf_evidence *evidence, struct hf_certificate_gap *gap)
{
    struct hf_proposal proposal;

    if (evidence->parked) {
        MISSING(gap, "the run waits for a person: %s", evidence->parked_reason);
        return 1;
    }
    if (any_open(evidence))
        return 0;
    hf_plan_propose(evidence->plan, gap->group, evidence->last_s, &proposal);
    if (proposal.kind != HF_PROPOSAL_STOP)
        return 0;
    MISSING(gap, "the search has stopped: %s", proposal.reason);
    return 1;
}

static void describe_progress(const struct hf_evidence *evidence, const struct hf_evidence_soak *soak,
                              struct hf_certificate_gap *gap)
{
    char ratio[HF_WORDS_MAX];
    struct hf_evidence_group own;

    hf_evidence_group(evidence, gap->group, &own);
    hf_words_ratio(evidence->profile, own.step, ratio);
    if (soak->plan.passed)
        MISSING(
            gap,
            "the soak at ratio %s has passed, but the run was not closed: start holdfast search once more",
            ratio);
    else if (soak->plan.attempts > 0)
        MISSING(gap, "the joint soak at ratio %s has served %.2f of %.2f hours (soak number %d)", ratio,
                soak->plan.served_s / SECONDS_AN_HOUR, soak->plan.required_s / SECONDS_AN_HOUR,
                soak->plan.attempts);
    else
        MISSING(gap,
                "the joint soak of %.2f hours has not begun; the search stands at ratio %s after %d passes "
                "and %d "
                "failures",
                soak->plan.required_s / SECONDS_AN_HOUR, ratio, own.passes, own.fails + own.unnamed);
}

/* A clean soak does not speak for a group whose faults elsewhere say that its baseline is too high. */
static int is_unsafe_at_baseline(const struct hf_evidence *evidence, struct hf_certificate_gap *gap)
{
    char ratio[HF_WORDS_MAX];
    struct hf_plan_view view;

    hf_plan_view(evidence->plan, gap->group, &view);
    if (!view.unsafe_at_baseline)
        return 0;
    hf_words_ratio(evidence->profile, view.chosen_step, ratio);
    if (view.defect_probability > 0.5)
        MISSING(gap,
                "a core of it (CPU %d) fails at any ratio, about once in %.2g h of load: no ratio mends "
                "that; leave "
                "the group out",
                view.defect_cpu, 1.0 / view.defect_rate_per_hour);
    else
        MISSING(
            gap,
            "it stands at its baseline, ratio %s, and is expected to fault there once in %.3g h, more often "
            "than is to be claimed: leave it out, or lower its baseline",
            ratio, 1.0 / view.rate_at_choice_median_per_hour);
    return 1;
}

int hf_certificate_possible(const struct hf_evidence *evidence, int group, struct hf_certificate_gap *ret_gap)
{
    struct hf_certificate_gap gap = {.group = group, .hours_median = NAN, .hours_p90 = NAN};
    struct hf_evidence_soak soak;
    double median_s;
    double p90_s;

    assert(group >= 0 && group < evidence->profile->group_count);
    hf_evidence_soak(evidence, &soak);
    if (evidence->profile->group[group].left_out) {
        MISSING(&gap, "%s: it stays at its baseline, and nothing is claimed for it",
                evidence->left_out_by_run[group]
                    ? "the run went on without this group, whose ratio could not be set"
                    : "the profile leaves this group out");
    } else if (evidence->plan == NULL) {
        MISSING(&gap, "the search cannot be replayed from the journal: %s", evidence->plan_problem);
    } else if (evidence->finished.sequence != 0 && soak.plan.passed &&
               is_unsafe_at_baseline(evidence, &gap)) {
        gap.hours_median = gap.hours_p90 = NAN;
    } else if (evidence->finished.sequence != 0 && soak.plan.passed) {
        if (soak_is_sound(evidence, &soak, &gap))
            return 1;
        gap.hours_median = gap.hours_p90 = soak.plan.required_s / SECONDS_AN_HOUR;
    } else if (!is_stopped(evidence, &gap)) {
        describe_progress(evidence, &soak, &gap);
        hf_plan_time_left(evidence->plan, evidence->last_s, &median_s, &p90_s);
        gap.hours_median = median_s / SECONDS_AN_HOUR;
        gap.hours_p90 = p90_s / SECONDS_AN_HOUR;
    }
    *ret_gap = gap;
    return 0;
}

void hf_certificate_gaps(const struct hf_evidence *evidence, struct hf_text *text)
{
    for (int group = 0; group < evidence->profile->group_count; group++) {
        struct hf_certificate_gap gap;

        if (hf_certificate_possible(evidence, group, &gap))
            continue;
        hf_words_terminal(text, evidence->profile->group[group].name);
        hf_text_add_string(text, ": ");
        hf_words_terminal(text, gap.missing);
        if (!isnan(gap.hours_median))
            hf_text_addf(text, "; about %.1f hours more (%.1f at most, nine times out of ten)",
                         gap.hours_median, fmax(gap.hours_p90, gap.hours_median));
        hf_text_add_string(text, "\n");
    }
}

/* --- files -------------------------------------------------------------------------------------------- */

void hf_certificate_file_name(const struct hf_evidence *evidence, int group, char ret_name[128])
{
    static const char plain[] = "abcdefghijklmnopqrstuvwxyzABCDEFGHIJKLMNOPQRSTUVWXYZ0123456789._-";
    const char *name = group == HF_GROUP_ALL ? "machine" : evidence->profile->group[group].name;
    /* A group that bears the machine document's name must not take its place. */
    int collides = group != HF_GROUP_ALL && strcmp(name, "machine") == 0;
    size_t used = (size_t)snprintf(ret_name, 128, "certificate-");

    for (size_t i = 0; name[i] != '\0' && used + 9 < 128; i++) {
        int safe = strchr(plain, name[i]) != NULL && !(collides && i == 0);

        used += (size_t)snprintf(ret_name + used, 128 - used, safe ? "%c" : "%%%02X",
                                 safe ? name[i] : (unsigned char)name[i]);
    }
    (void)snprintf(ret_name + used, 128 - used, ".json"); /* the page has .html instead */
}

static int write_file(const struct hf_evidence *evidence, const struct hf_text *text, const char *name,
                      struct hf_text *names, struct hf_error *error)
{
    char path[PATH_MAX];

    if (snprintf(path, sizeof path, "%s/%s", evidence->directory, name) >= (int)sizeof path)
        return hf_fail(error, HF_E_INPUT, "the path %.60s... is too long", evidence->directory);
    if (hf_run_directory_check(evidence->directory, error) != HF_OK ||
        hf_text_write_private(text, path, error) != HF_OK)
        return error->code;
    hf_text_addf(names, "%s\n", name);
    return HF_OK;
}

/* The document, and the page that is made from it. */
static int write_one(const struct hf_evidence *evidence, int group, struct hf_text *names,
                     struct hf_error *error)
{
    char document_name[128];
    char page_name[128];
    struct hf_text document;
    struct hf_text page;

    hf_certificate_file_name(evidence, group, document_name);
    (void)snprintf(page_name, sizeof page_name, "%.*s.html", (int)(strlen(document_name) - strlen(".json")),
                   document_name);
    if (hf_certificate_document(evidence, group, &document, error) != HF_OK)
        return error->code;
    if (hf_certificate_html(&document, document_name, &page, error) == HF_OK) {
        if (write_file(evidence, &document, document_name, names, error) == HF_OK)
            (void)write_file(evidence, &page, page_name, names, error);
        hf_text_release(&page);
    }
    hf_text_release(&document);
    return error->code;
}

/* The group that the trial speaks against at or below its soaked ratio; -1: none. */
static int speaks_against_proof(const struct hf_evidence *evidence, const struct hf_evidence_trial *trial,
                                int group, const int16_t *soaked)
{
    for (int g = 0; g < evidence->profile->group_count; g++) {
        if ((group == HF_GROUP_ALL || g == group) && hf_evidence_speaks_against(evidence, trial, g) != 0 &&
            hf_evidence_step(evidence, trial, g) <= soaked[g])
            return g;
    }
    return -1;
}

const struct hf_evidence_trial *hf_later_failure(const struct hf_evidence *evidence, uint64_t sequence,
                                                 int group, const int16_t *soaked, int *ret_group,
                                                 int *ret_count)
{
    const struct hf_evidence_trial *first = NULL;
    int count = 0;

    for (size_t i = 0; i < evidence->failure_count; i++) {
        const struct hf_evidence_trial *trial = &evidence->trials[evidence->failures[i]];
        int whose =
            trial->end_sequence > sequence ? speaks_against_proof(evidence, trial, group, soaked) : -1;

        if (whose < 0)
            continue;
        if (count++ == 0) {
            first = trial;
            *ret_group = whose;
        }
    }
    if (ret_count != NULL)
        *ret_count = count;
    return first;
}

static int refuse_unproved(const struct hf_evidence *evidence, int group, struct hf_error *error)
{
    const struct hf_evidence_trial *later;
    struct hf_evidence_soak soak;
    struct hf_text gaps;
    int whose = 0;

    for (int g = 0; g < evidence->profile->group_count; g++) {
        struct hf_certificate_gap gap;

        if ((group == HF_GROUP_ALL ? evidence->profile->group[g].left_out : g != group) ||
            hf_certificate_possible(evidence, g, &gap))
            continue;
        hf_text_init(&gaps, 600);
        hf_words_terminal(&gaps, gap.missing);
        (void)hf_fail(error, HF_E_UNPROVED, "%s is not proved: %s", evidence->profile->group[g].name,
                      gaps.bytes);
        hf_text_release(&gaps);
        return error->code;
    }
    hf_evidence_soak(evidence, &soak);
    later = hf_later_failure(evidence, evidence->finished.sequence, group, soak.plan.step, &whose, NULL);
    if (later != NULL)
        return hf_fail(error, HF_E_UNPROVED,
                       "%s failed in trial %" PRIu64
                       " (%s, %s) after the run had finished, at a ratio it was to be "
                       "certified for: search again",
                       evidence->profile->group[whose].name, later->trial, hf_purpose_name(later->purpose),
                       hf_cause_name(later->cause));
    return HF_OK;
}

int hf_certificates_write(const char *directory, int group, struct hf_text *ret_names, struct hf_error *error)
{
    struct hf_evidence *whole = NULL;
    struct hf_evidence *evidence = NULL;
    struct hf_text names;
    int code;

    if (hf_evidence_open(directory, &whole, error) != HF_OK)
        return error->code;
    hf_text_init(&names, 2 * 128 * (HF_GROUPS_MAX + 1));
    code = refuse_unproved(whole, group, error);
    if (code == HF_OK)
        code = hf_evidence_open_at(directory, whole->finished.sequence, &evidence, error);
    for (int g = 0; code == HF_OK && g < evidence->profile->group_count; g++) {
        if (group == HF_GROUP_ALL ? !evidence->profile->group[g].left_out : g == group)
            code = write_one(evidence, g, &names, error);
    }
    if (code == HF_OK && group == HF_GROUP_ALL)
        code = write_one(evidence, HF_GROUP_ALL, &names, error);
    hf_evidence_free(evidence);
    hf_evidence_free(whole);
    if (code != HF_OK || ret_names == NULL) {
        hf_text_release(&names);
        return code;
    }
    *ret_names = names;
    return HF_OK;
}
