#include <stdio.h>

#include "cli/options.h"

static int json;

static const struct hf_option options[] = {
    {"json", HF_OPTION_FLAG, &json, NULL, "one JSON document on standard output", 0, 0},
    {0},
};

static const struct hf_usage usage = {"upload", "sends a run's evidence to your own server", options,
                                      "This build has no upload: it was made without HOLDFAST_UPLOAD.\n"};

int hf_command_upload(int argc, char **argv)
{
    struct hf_error error = {0};
    int status;

    if (hf_options_parse(&usage, argc, argv, &status))
        return status;
    (void)hf_fail(
        &error, HF_E_MISSING,
        "this build cannot upload: it was made without HOLDFAST_UPLOAD; copy the run directory instead");
    return hf_command_fail("upload", &error);
}
