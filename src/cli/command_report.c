/* holdfast report: the run as a page, as text, or as one JSON document. */
#include <limits.h>
#include <stdio.h>
#include <string.h>

#include "cli/options.h"
#include "cli/session.h"
#include "cli/true_limits.h"
#include "holdfast/evidence.h"

#define OUTPUT_MAX (16 * 1024 * 1024)

static struct report_settings {
    const char *run, *profile, *out;
    int json, text;
} settings;

static const struct hf_option options[] = {
    {"run", HF_OPTION_STRING, &settings.run, "DIR", "the run's directory", 0, 0},
    {"profile", HF_OPTION_STRING, &settings.profile, "FILE",
     "the machine's profile: its default run directory", 0, 0},
    {"out", HF_OPTION_STRING, &settings.out, "FILE", "the page goes here; default: DIR/report.html", 0, 0},
    {"text", HF_OPTION_FLAG, &settings.text, NULL, "the summary only, no page", 0, 0},
    {"json", HF_OPTION_FLAG, &settings.json, NULL, "one JSON document on standard output, no page", 0, 0},
    {0}};

static const struct hf_usage usage = {
    "report", "the run as a page, or as text", options,
    "Prints a summary and writes one self-contained page. A run that is not finished\n"
    "has a report too.\n"
    "Exit status: 0 done, 2 bad usage or no run there.\n"};

static int write_page(const struct hf_evidence *evidence, const int *true_limit, char *path, size_t size,
                      struct hf_error *error)
{
    struct hf_text page;
    int code;

    int length = settings.out != NULL ? snprintf(path, size, "%s", settings.out)
                                      : snprintf(path, size, "%s/report.html", evidence->directory);

    if (length >= (int)size)
        return hf_fail(error, HF_E_INPUT, "the path %.60s... is longer than %zu bytes", path, size - 1);
    if (hf_report_html(evidence, true_limit, &page, error) != HF_OK)
        return error->code;
    code = hf_text_write_file(&page, path, error);
    hf_text_release(&page);
    return code;
}

static int print_report(const struct hf_evidence *evidence, const int *true_limit, struct hf_error *error)
{
    struct hf_text text;
    char path[PATH_MAX];

    if (!settings.json && !settings.text &&
        write_page(evidence, true_limit, path, sizeof path, error) != HF_OK)
        return error->code;
    hf_text_init(&text, OUTPUT_MAX);
    if (settings.json)
        hf_report_json(evidence, true_limit, &text);
    else
        hf_report_text(evidence, true_limit, &text);
    if (text.overflowed)
        (void)hf_fail(error, HF_E_FULL, "the report is larger than %d bytes", OUTPUT_MAX);
    else
        printf("%s", text.bytes);
    hf_text_release(&text);
    if (error->code == HF_OK && !settings.json && !settings.text)
        printf("\nPage: %s\n", path);
    return error->code;
}

int hf_command_report(int argc, char **argv)
{
    struct hf_evidence *evidence = NULL;
    struct hf_error error = {0};
    char directory[PATH_MAX];
    int true_limit[HF_GROUPS_MAX];
    const int *truth;
    int status;

    if (hf_options_parse(&usage, argc, argv, &status))
        return status;
    if (settings.out != NULL && (settings.json || settings.text)) {
        (void)hf_fail(&error, HF_E_USAGE, "--out is for the page: leave --json and --text out");
        return hf_command_fail("report", &error);
    }
    if (hf_session_directory(settings.run, settings.profile, directory, sizeof directory, &error) != HF_OK ||
        hf_evidence_open(directory, &evidence, &error) != HF_OK)
        return hf_command_fail("report", &error);
    truth = hf_true_limits_of_profile(evidence->profile, true_limit) ? true_limit : NULL;
    (void)print_report(evidence, truth, &error);
    hf_evidence_free(evidence);
    return error.code == HF_OK ? hf_command_end("report", 0) : hf_command_fail("report", &error);
}
