#include "cli/options.h"
#include "harness/worker.h"

static struct {
    int index;
    int cpu;
} settings;

static const struct hf_option options[] = {
    {"index", HF_OPTION_INTEGER, &settings.index, "N", "which worker", 0, 2047},
    {"cpu", HF_OPTION_INTEGER, &settings.cpu, "N", "logical CPU to run on", 0, 8191},
    {0},
};

static const struct hf_usage usage = {"worker", "internal: one worker process of a supervisor", options,
                                      NULL};

int hf_command_worker(int argc, char **argv)
{
    int status;

    if (hf_options_parse(&usage, argc, argv, &status))
        return status;
    return hf_worker_main(settings.index, settings.cpu);
}
