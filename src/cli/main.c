#include <fcntl.h>
#include <signal.h>
#include <stdio.h>
#include <string.h>
#include <unistd.h>

#include "cli/help.h"

static const struct hf_command commands[] = {
    {"survey", hf_command_survey, "what this machine has; every core must report a planted error"},
    {"search", hf_command_search, "the unattended night: starts or resumes a run, to certificate"},
    {"verify", hf_command_verify, "one group, or all, after a change: accept or reject the claim"},
    {"reproduce", hf_command_reproduce, "replays the failing slice of a recorded trial"},
    {"certify", hf_command_certify, "writes the certificates of a finished run"},
    {"report", hf_command_report, "the run as a page, or as text"},
    {"rehearse", hf_command_rehearse, "whole nights against the rig model in virtual time"},
    {"bench", hf_command_bench, "how hard each kernel works here against the core's own limit"},
    {"upload", hf_command_upload, "sends a run's evidence to your own server"},
    {"worker", hf_command_worker, NULL},
    {0},
};

static const struct hf_entry files[] = {
    {"~/.local/state/holdfast/NAME/", "The run's directory where --run names none: below XDG_STATE_HOME when "
                                      "that is set, by the profile's name. It "
                                      "holds profile.json (frozen when the run starts), journal.jsonl (what "
                                      "happened, in the order it happened), "
                                      "the certificates and report.html."},
    {"PREFIX/share/holdfast/profiles/heron.json", "A profile to read: of a simulated machine. PREFIX is "
                                                  "where holdfast was installed, /usr or /usr/local."},
    {"PREFIX/share/holdfast/profiles/mixes/", "Loads, for the profile's key mix and for verify --mix."},
    {"PREFIX/share/holdfast/schemas/", "What profiles, mixes and certificates may hold, as JSON schemas."},
    {"PREFIX/share/holdfast/command-driver.sh", "A program for the driver named command, to copy."},
    {0},
};

static const struct hf_program program = {
    "finds and proves, unattended, the highest clock ratio of each core\ngroup that holds", commands,
    "holdfast COMMAND --help shows a command's options. Every command has --json.\n"
    "Exit status: 0 done or passed, 1 failed, 2 bad usage or input, 3 void or\n"
    "undecided, 4 the machine lacks something.\n",
    "Before the first search on a real machine: heat, data loss and warranty are at\n"
    "stake. Use a scratch system and back up; keep to the maker's limits; leave\n"
    "liquid cooling and mains to qualified people.\n",
    files};

/* Standard streams that are closed would hand their numbers to the journal: open them on /dev/null. */
static void secure_standard_streams(void)
{
    for (int fd = 0; fd <= 2; fd++) {
        if (fcntl(fd, F_GETFD) < 0)
            (void)open("/dev/null", fd == 0 ? O_RDONLY : O_RDONLY | O_CLOEXEC);
    }
}

static int show_help(const char *word, int format)
{
    if (format < 0) {
        fprintf(stderr, "holdfast: %.60s: help has the forms man, bash, zsh and fish\n", word);
        return 2;
    }
    hf_help_program(&program, (enum hf_help_format)format);
    return hf_command_end("", 0);
}

int main(int argc, char **argv)
{
    int format;

    secure_standard_streams();
    (void)signal(SIGPIPE,
                 SIG_IGN); /* a reader that goes away must not end a night: the write fails instead */
    if (argc < 2) {
        hf_help_program(&program, HF_HELP_TEXT);
        return hf_command_end("", 2);
    }
    if (hf_help_asked(argv[1], &format))
        return show_help(argv[1], format);
    if (strcmp(argv[1], "--version") == 0) {
        printf("holdfast %s\n", HOLDFAST_VERSION);
        return hf_command_end("", 0);
    }
    for (const struct hf_command *command = commands; command->name != NULL; command++) {
        if (strcmp(command->name, argv[1]) == 0)
            return command->run(argc - 1, argv + 1);
    }
    fprintf(stderr, "holdfast: there is no command \"%.60s\"; see holdfast --help\n", argv[1]);
    return 2;
}
