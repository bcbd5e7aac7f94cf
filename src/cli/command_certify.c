/* holdfast certify: writes the certificates of a finished run, or checks one against its run. */
#include <limits.h>
#include <math.h>
#include <stdio.h>
#include <string.h>

#include "cli/options.h"
#include "cli/session.h"
#include "holdfast/evidence.h"

#define OUTPUT_MAX (4 * 1024 * 1024)

static struct certify_settings {
    const char *run, *profile, *group, *check;
    int json;
} settings;

static const struct hf_option options[] = {
    {"run", HF_OPTION_STRING, &settings.run, "DIR", "the run's directory", 0, 0},
    {"profile", HF_OPTION_STRING, &settings.profile, "FILE",
     "the machine's profile: its default run directory", 0, 0},
    {"group", HF_OPTION_STRING, &settings.group, "NAME",
     "this group only; default: every group and the machine", 0, 0},
    {"check", HF_OPTION_STRING, &settings.check, "FILE",
     "recompute this certificate from the journal and compare", 0, 0},
    {"json", HF_OPTION_FLAG, &settings.json, NULL, "one JSON document on standard output", 0, 0},
    {0}};

static const struct hf_usage usage = {
    "certify", "writes the certificates of a finished run, or checks one", options,
    "The files are written into the run directory. Nothing that is not proved is\n"
    "certified: the answer then says for each group what is missing, and how many\n"
    "hours that would take. Exit status: 0 written, or the check agrees; 1 the check\n"
    "found a difference; 2 bad usage or input; 3 not proved.\n"};

static void print_document(struct hf_text *text)
{
    printf("%s\n", text->bytes);
    hf_text_release(text);
}

/* --- check -------------------------------------------------------------------------------------------- */

static void print_verdict_json(const char *directory, const struct hf_certificate_verdict *verdict)
{
    struct hf_json_writer writer;
    struct hf_text text;

    hf_text_init(&text, OUTPUT_MAX);
    hf_json_begin(&writer, &text, 2);
    hf_json_object_open(&writer, NULL);
    hf_evidence_write_path(&writer, "file", settings.check);
    hf_evidence_write_path(&writer, "directory", directory);
    hf_json_bool(&writer, "agrees", verdict->agrees);
    if (verdict->agrees) {
        hf_json_null(&writer, "path");
        hf_json_null(&writer, "words");
    } else {
        hf_json_string(&writer, "path", verdict->path);
        hf_json_string(&writer, "words", verdict->words);
    }
    hf_json_integer(&writer, "later_failures", verdict->later_failures);
    hf_json_object_close(&writer);
    print_document(&text);
}

static void print_verdict(const char *directory, const struct hf_certificate_verdict *verdict)
{
    struct hf_text words;

    hf_text_init(&words, 8192);
    if (verdict->agrees) {
        hf_text_addf(&words, "%s agrees with the journal in %s.", settings.check, directory);
    } else {
        hf_text_addf(&words, "%s does not agree with the journal in %s.\n", settings.check, directory);
        hf_text_add_string(&words, "first difference: ");
        hf_words_terminal(&words, verdict->path);
        hf_text_add_string(&words, ": ");
        hf_words_terminal(&words, verdict->words);
    }
    printf("%s\n", words.bytes);
    if (verdict->later_failures > 0)
        printf(
            "Caution: %d failures at or below the certified ratios have been recorded since. Search again.\n",
            verdict->later_failures);
    hf_text_release(&words);
}

static int check(const char *directory, struct hf_error *error)
{
    struct hf_certificate_verdict verdict;

    if (hf_certificate_check(settings.check, directory, &verdict, error) != HF_OK)
        return hf_command_fail("certify", error);
    if (settings.json)
        print_verdict_json(directory, &verdict);
    else
        print_verdict(directory, &verdict);
    return hf_command_end("certify", verdict.agrees ? 0 : 1);
}

/* --- write -------------------------------------------------------------------------------------------- */

static void write_gaps(const struct hf_evidence *evidence, struct hf_json_writer *writer)
{
    hf_json_array_open(writer, "missing");
    for (int group = 0; group < evidence->profile->group_count; group++) {
        struct hf_certificate_gap gap;

        if (hf_certificate_possible(evidence, group, &gap))
            continue;
        hf_json_object_open(writer, NULL);
        hf_json_string(writer, "group", evidence->profile->group[group].name);
        hf_json_string(writer, "words", gap.missing);
        hf_json_number(writer, "hours_median", gap.hours_median);
        hf_json_number(writer, "hours_p90", gap.hours_p90);
        hf_json_object_close(writer);
    }
    hf_json_array_close(writer);
}

static void write_files(const char *names, struct hf_json_writer *writer)
{
    char name[128];

    hf_json_array_open(writer, "files");
    for (const char *at = names; *at != '\0'; at += strcspn(at, "\n") + 1) {
        (void)snprintf(name, sizeof name, "%.*s", (int)strcspn(at, "\n"), at);
        hf_json_string(writer, NULL, name);
    }
    hf_json_array_close(writer);
}

static void print_result_json(const struct hf_evidence *evidence, const char *names,
                              const struct hf_error *error)
{
    struct hf_json_writer writer;
    struct hf_text text;

    hf_text_init(&text, OUTPUT_MAX);
    hf_json_begin(&writer, &text, 2);
    hf_json_object_open(&writer, NULL);
    hf_json_string(&writer, "machine", evidence->profile->name);
    hf_evidence_write_path(&writer, "directory", evidence->directory);
    hf_json_bool(&writer, "proved", error->code == HF_OK);
    write_files(names, &writer);
    if (error->code == HF_OK)
        hf_json_null(&writer, "reason");
    else
        hf_json_string(&writer, "reason", error->message);
    write_gaps(evidence, &writer);
    hf_json_object_close(&writer);
    print_document(&text);
}

static void print_refusal(const struct hf_evidence *evidence)
{
    struct hf_text gaps;

    hf_text_init(&gaps, OUTPUT_MAX);
    hf_certificate_gaps(evidence, &gaps);
    (void)fflush(stdout);
    fprintf(stderr, "%s", gaps.bytes);
    hf_text_release(&gaps);
}

static void print_summary(const struct hf_evidence *evidence, const char *names)
{
    printf("Certificates in %s:\n", evidence->directory);
    for (const char *at = names; *at != '\0'; at += strcspn(at, "\n") + 1)
        printf("  %.*s\n", (int)strcspn(at, "\n"), at);
}

static void print_shown(const struct hf_evidence *evidence)
{
    struct hf_text text;

    hf_text_init(&text, OUTPUT_MAX);
    hf_report_summary(evidence, &text);
    printf("%s", text.bytes);
    hf_text_release(&text);
}

static int write_all(const char *directory, struct hf_error *error)
{
    struct hf_evidence *evidence = NULL;
    struct hf_text names;
    int group = HF_GROUP_ALL;
    int status;

    if (hf_evidence_open(directory, &evidence, error) != HF_OK)
        return hf_command_fail("certify", error);
    hf_text_init(&names, 65536);
    if (settings.group == NULL ||
        hf_profile_group_of(evidence->profile, settings.group, &group, error) == HF_OK)
        (void)hf_certificates_write(directory, group, &names, error);
    if (settings.json && (error->code == HF_OK || error->code == HF_E_UNPROVED))
        print_result_json(evidence, names.bytes, error);
    if (error->code == HF_OK) {
        if (!settings.json) {
            print_shown(evidence);
            print_summary(evidence, names.bytes);
        }
        status = hf_command_end("certify", 0);
    } else {
        status = hf_command_fail("certify", error);
        if (error->code == HF_E_UNPROVED)
            print_refusal(evidence);
    }
    hf_text_release(&names);
    hf_evidence_free(evidence);
    return status;
}

int hf_command_certify(int argc, char **argv)
{
    struct hf_error error = {0};
    char directory[PATH_MAX];
    int status;

    if (hf_options_parse(&usage, argc, argv, &status))
        return status;
    if (settings.check != NULL && settings.group != NULL) {
        (void)hf_fail(&error, HF_E_USAGE, "--check names its group in the file: leave --group out");
        return hf_command_fail("certify", &error);
    }
    if (hf_session_directory(settings.run, settings.profile, directory, sizeof directory, &error) != HF_OK)
        return hf_command_fail("certify", &error);
    return settings.check != NULL ? check(directory, &error) : write_all(directory, &error);
}
