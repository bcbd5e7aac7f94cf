/*
 * What --help says, in five forms made from the same tables: words for a screen, a man page (mdoc, section
 * 1), and completion for three shells. "holdfast --help=man", "holdfast search --help=man", "holdfast
 * --help=bash".
 *
 *   text, man   one document for the program and one for each command
 *   shells      one document for the whole: the program's part asks each command for its own, by running it
 * with
 *               --help=SHELL
 * The build writes the installed man pages and completion files this way (profiles/package/manual.cmake).
 */
#ifndef HOLDFAST_CLI_HELP_H
#define HOLDFAST_CLI_HELP_H

#include "cli/options.h"

enum hf_help_format {
    HF_HELP_TEXT,
    HF_HELP_MAN,
    HF_HELP_BASH,
    HF_HELP_ZSH,
    HF_HELP_FISH
};

struct hf_command {
    const char *name;
    int (*run)(int argc, char **argv);
    const char *summary; /* NULL: internal, not shown */
};

struct hf_entry {
    const char *name;
    const char *text;
};

struct hf_program {
    const char *summary;               /* what it does, in one sentence */
    const struct hf_command *commands; /* ends with {0} */
    const char *more;                  /* how to go on, and the exit status; ends in a newline */
    const char *caution;               /* ends in a newline */
    const struct hf_entry *files;      /* for the man page; ends with {0} */
};

/* 1 when the word asks for help: "--help", or "--help=FORMAT". A format that is not there is *ret_format -1.
 */
int hf_help_asked(const char *word, int *ret_format);

/* Prints to standard output. */
void hf_help_program(const struct hf_program *program, enum hf_help_format format);
void hf_help_command(const struct hf_usage *usage, enum hf_help_format format);

/* The forms, each in its file. */
void hf_manual_program(const struct hf_program *program);
void hf_manual_command(const struct hf_usage *usage);
void hf_completion_program(const struct hf_program *program, enum hf_help_format shell);
void hf_completion_command(const struct hf_usage *usage, enum hf_help_format shell);

#endif
