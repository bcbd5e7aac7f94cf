/*
 * Command lines: one table per command, from which the parser, --help, the man pages and the shells'
 * completion are made (help.h), so they cannot drift.
 *
 *   static struct my_settings { const char *profile; int json; double for_s; } settings;
 *   static const struct hf_option options[] = {
 *       {"profile", HF_OPTION_STRING, &settings.profile, "FILE", "the machine's profile", 0, 0},
 *       {"json", HF_OPTION_FLAG, &settings.json, NULL, "one JSON document on standard output", 0, 0},
 *       {0}};
 *   static const struct hf_usage usage = {"survey", "shows core groups ...", options, "extra lines\n"};
 *   int hf_command_survey(int argc, char **argv) {
 *       int status;
 *       if (hf_options_parse(&usage, argc, argv, &status)) return status;    (--help or a bad option)
 *       ...
 *       return hf_command_end("survey", exit_status);
 *   }
 * argv[0] is the command's name. Long options only: --name value or --name=value. --help is always there.
 */
#ifndef HOLDFAST_CLI_OPTIONS_H
#define HOLDFAST_CLI_OPTIONS_H

#include <stdint.h>

#include "holdfast/error.h"

enum hf_option_kind {
    HF_OPTION_END,
    HF_OPTION_FLAG,     /* int *: set to 1; a value name "DIR..." says what words may follow it */
    HF_OPTION_STRING,   /* const char **; completed as a file or folder when the value name is FILE or DIR */
    HF_OPTION_CHOICE,   /* const char **: one of the words of the value name, "auto|on|off" */
    HF_OPTION_INTEGER,  /* int *: low to high */
    HF_OPTION_NUMBER,   /* double *: low to high */
    HF_OPTION_DURATION, /* double *: seconds, written 90s, 20m, 6h */
    HF_OPTION_U64       /* uint64_t *: decimal, or hexadecimal after 0x */
};

struct hf_option {
    const char *name;
    enum hf_option_kind kind;
    void *target;
    const char *value_name; /* for --help and completion */
    const char *help;       /* one line; the range is appended for integers and numbers */
    double low, high;
};

struct hf_usage {
    const char *command;
    const char *summary;             /* one sentence */
    const struct hf_option *options; /* ends with {0} */
    const char *more;                /* further lines of --help, each ending in a newline; may be NULL */
};

/* 0: go on. 1: the command is over, *ret_status is its exit status (0 after --help, 2 after a bad option). */
int hf_options_parse(const struct hf_usage *usage, int argc, char **argv, int *ret_status);

/* Prints "holdfast COMMAND: message" once to stderr; returns the exit status that belongs to the error. */
int hf_command_fail(const char *command, const struct hf_error *error);

/* Flushes standard output; a failed write (closed, full) becomes exit status 4 with a message. */
int hf_command_end(const char *command, int status);

/* One file per command: src/cli/command_<name>.c. argv[0] is the command's name. Returns the exit status. */
int hf_command_survey(int argc, char **argv);
int hf_command_search(int argc, char **argv);
int hf_command_verify(int argc, char **argv);
int hf_command_reproduce(int argc, char **argv);
int hf_command_certify(int argc, char **argv);
int hf_command_report(int argc, char **argv);
int hf_command_rehearse(int argc, char **argv);
int hf_command_bench(int argc, char **argv);
int hf_command_upload(int argc, char **argv);
int hf_command_worker(int argc, char **argv); /* internal: one worker process */

#endif
