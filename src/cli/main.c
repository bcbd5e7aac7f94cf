#include <fcntl.h>
#include <signal.h>
#include <stdio.h>
#include <string.h>
#include <unistd.h>

#include "cli/options.h"

struct command {
    const char *name;
    int (*run)(int argc, char **argv);
    const char *summary; /* NULL: internal, not shown */
};

static const struct command commands[] = {
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
};

static void print_help(void)
{
    printf("holdfast: finds and proves, unattended, the highest clock ratio of each core\n"
           "group that holds\n\n"
           "usage: holdfast COMMAND [options]\n\n");
    for (size_t i = 0; i < sizeof commands / sizeof commands[0]; i++) {
        if (commands[i].summary != NULL)
            printf("  %-10s %s\n", commands[i].name, commands[i].summary);
    }
    printf("\nholdfast COMMAND --help shows a command's options. Every command has --json.\n"
           "Exit status: 0 done or passed, 1 failed, 2 bad usage or input, 3 void or\n"
           "undecided, 4 the machine lacks something.\n\n"
           "Before the first search on a real machine: heat, data loss and warranty are at\n"
           "stake. Use a scratch system and back up; keep to the maker's limits; leave\n"
           "liquid cooling and mains to qualified people.\n");
}

/* Standard streams that are closed would hand their numbers to the journal: open them on /dev/null. */
static void secure_standard_streams(void)
{
    for (int fd = 0; fd <= 2; fd++) {
        if (fcntl(fd, F_GETFD) < 0)
            (void)open("/dev/null", fd == 0 ? O_RDONLY : O_RDONLY | O_CLOEXEC);
    }
}

int main(int argc, char **argv)
{
    secure_standard_streams();
    (void)signal(SIGPIPE,
                 SIG_IGN); /* a reader that goes away must not end a night: the write fails instead */
    if (argc < 2 || strcmp(argv[1], "--help") == 0) {
        print_help();
        return hf_command_end("", argc < 2 ? 2 : 0);
    }
    if (strcmp(argv[1], "--version") == 0) {
        printf("holdfast %s\n", HOLDFAST_VERSION);
        return hf_command_end("", 0);
    }
    for (size_t i = 0; i < sizeof commands / sizeof commands[0]; i++) {
        if (strcmp(commands[i].name, argv[1]) == 0)
            return commands[i].run(argc - 1, argv + 1);
    }
    fprintf(stderr, "holdfast: there is no command \"%.60s\"; see holdfast --help\n", argv[1]);
    return 2;
}
