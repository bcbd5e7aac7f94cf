/* holdfast report: the run as a page, as text, or as one JSON document; or many runs side by side. */
#include <limits.h>
#include <stdio.h>
#include <string.h>

#include "base/memory.h"
#include "cli/options.h"
#include "cli/session.h"
#include "cli/true_limits.h"
#include "holdfast/evidence.h"
#include "holdfast/run.h"

#define OUTPUT_MAX (16 * 1024 * 1024)

static struct report_settings {
    const char *run, *profile, *out, *svg;
    int json, text, compare;
} settings;

static const struct hf_option options[] = {
    {"run", HF_OPTION_STRING, &settings.run, "DIR", "the run's directory", 0, 0},
    {"profile", HF_OPTION_STRING, &settings.profile, "FILE",
     "the machine's profile: its default run directory", 0, 0},
    {"out", HF_OPTION_STRING, &settings.out, "FILE", "the page goes here; default: DIR/report.html", 0, 0},
    {"svg", HF_OPTION_STRING, &settings.svg, "DIR", "writes the plots there too, a file each", 0, 0},
    {"text", HF_OPTION_FLAG, &settings.text, NULL, "the summary only, no page", 0, 0},
    {"json", HF_OPTION_FLAG, &settings.json, NULL, "one JSON document on standard output, no page", 0, 0},
    {"compare", HF_OPTION_FLAG, &settings.compare, "DIR...", "these runs side by side", 0, 0},
    {0}};

static const struct hf_usage usage = {
    "report", "the run as a page, or as text", options,
    "Prints a summary and writes one self-contained page. A run that is not finished\n"
    "has a report too. --compare DIR... tells what moved between runs of other dates,\n"
    "voltages and machines; it writes a page with --out only.\n"
    "Exit status: 0 done, 2 bad usage or no run there.\n"};

/* --- one run ------------------------------------------------------------------------------------------ */

static int write_page(const struct hf_evidence *evidence, const int *true_limit, char *path, size_t size,
                      struct hf_error *error)
{
    struct hf_text page;
    int code;

    int length = settings.out != NULL ? snprintf(path, size, "%s", settings.out)
                                      : snprintf(path, size, "%s/report.html", evidence->directory);

    if (length >= (int)size)
        return hf_fail(error, HF_E_INPUT, "the path %.60s... is longer than %zu bytes", path, size - 1);
    if ((settings.out == NULL && hf_run_directory_check(evidence->directory, error) != HF_OK) ||
        hf_report_html(evidence, true_limit, &page, error) != HF_OK)
        return error->code;
    code = settings.out != NULL ? hf_text_write_file(&page, path, error)
                                : hf_text_write_private(&page, path, error);
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
    if (settings.svg != NULL && hf_report_svg(evidence, true_limit, settings.svg, error) != HF_OK)
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

static int report_run(struct hf_error *error)
{
    struct hf_evidence *evidence = NULL;
    char directory[PATH_MAX];
    int true_limit[HF_GROUPS_MAX];
    const int *truth;

    if (settings.out != NULL && (settings.json || settings.text))
        return hf_fail(error, HF_E_USAGE, "--out is for the page: leave --json and --text out");
    if (hf_session_directory(settings.run, settings.profile, directory, sizeof directory, error) != HF_OK ||
        hf_evidence_open(directory, &evidence, error) != HF_OK)
        return error->code;
    truth = hf_true_limits_of_profile(evidence->profile, true_limit) ? true_limit : NULL;
    (void)print_report(evidence, truth, error);
    hf_evidence_free(evidence);
    return error->code;
}

/* --- many runs ---------------------------------------------------------------------------------------- */

static int write_comparison(const struct hf_compare *compare, struct hf_error *error)
{
    struct hf_text page;

    if (hf_compare_html(compare, &page, error) != HF_OK)
        return error->code;
    if (hf_text_write_file(&page, settings.out, error) == HF_OK && !settings.json)
        printf("\nPage: %s\n", settings.out);
    hf_text_release(&page);
    return error->code;
}

static int print_comparison(const struct hf_compare *compare, struct hf_error *error)
{
    struct hf_text text;

    hf_text_init(&text, OUTPUT_MAX);
    if (settings.json)
        hf_compare_json(compare, &text);
    else
        hf_compare_text(compare, &text);
    if (text.overflowed)
        (void)hf_fail(error, HF_E_FULL, "the comparison is larger than %d bytes: compare fewer runs",
                      OUTPUT_MAX);
    else
        printf("%s", text.bytes);
    hf_text_release(&text);
    if (error->code == HF_OK && settings.out != NULL)
        (void)write_comparison(compare, error);
    return error->code;
}

static int report_comparison(const char *const *directories, int count, struct hf_error *error)
{
    struct hf_compare *compare = NULL;

    if (settings.run != NULL || settings.profile != NULL || settings.svg != NULL)
        return hf_fail(error, HF_E_USAGE, "--compare names its runs: leave --run, --profile and --svg out");
    if (count == 0)
        return hf_fail(error, HF_E_USAGE, "--compare needs the directories of the runs: --compare DIR...");
    if (hf_compare_open(directories, count, &compare, error) != HF_OK)
        return error->code;
    (void)print_comparison(compare, error);
    hf_compare_free(compare);
    return error->code;
}

/* --- the command line --------------------------------------------------------------------------------- */

/* The words that follow --compare up to the next option are its directories; they are taken out of argv.
 * Returns how many words are left in argv. */
static int take_directories(int argc, char **argv, const char **ret_directories, int *ret_count)
{
    int left = 0;
    int taking = 0;

    *ret_count = 0;
    for (int i = 0; i < argc; i++) {
        int is_option = strncmp(argv[i], "--", 2) == 0;

        if (taking && !is_option) {
            ret_directories[(*ret_count)++] = argv[i];
            continue;
        }
        taking = strcmp(argv[i], "--compare") == 0;
        argv[left++] = argv[i];
    }
    return left;
}

int hf_command_report(int argc, char **argv)
{
    struct hf_error error = {0};
    const char **directories = hf_allocate((size_t)argc + 1, sizeof *directories);
    int count = 0;
    int status;

    if (directories == NULL) {
        (void)hf_fail(&error, HF_E_MEMORY, "no memory for the command line");
        return hf_command_fail("report", &error);
    }
    argc = take_directories(argc, argv, directories, &count);
    if (!hf_options_parse(&usage, argc, argv, &status)) {
        if (settings.compare)
            (void)report_comparison(directories, count, &error);
        else
            (void)report_run(&error);
        status = error.code == HF_OK ? hf_command_end("report", 0) : hf_command_fail("report", &error);
    }
    hf_free(directories);
    return status;
}
