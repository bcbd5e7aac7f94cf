#include "cli/help.h"

#include <stdio.h>
#include <string.h>

static void print_option(const struct hf_option *option)
{
    char left[64];

    (void)snprintf(left, sizeof left, "--%s%s%s", option->name, option->value_name ? " " : "",
                   option->value_name ? option->value_name : "");
    printf("  %-22s %s", left, option->help);
    if (option->kind == HF_OPTION_INTEGER || option->kind == HF_OPTION_NUMBER)
        printf(" (%g to %g)", option->low, option->high);
    printf("\n");
}

static void text_of_command(const struct hf_usage *usage)
{
    printf("holdfast %s: %s\n\nusage: holdfast %s [options]\n", usage->command, usage->summary,
           usage->command);
    for (const struct hf_option *option = usage->options; option->name != NULL; option++)
        print_option(option);
    printf("  %-22s %s\n", "--help", "this text");
    if (usage->more != NULL)
        printf("\n%s", usage->more);
}

static void text_of_program(const struct hf_program *program)
{
    printf("holdfast: %s\n\nusage: holdfast COMMAND [options]\n\n", program->summary);
    for (const struct hf_command *command = program->commands; command->name != NULL; command++) {
        if (command->summary != NULL)
            printf("  %-10s %s\n", command->name, command->summary);
    }
    printf("\n%s\n%s", program->more, program->caution);
}

int hf_help_asked(const char *word, int *ret_format)
{
    static const char *const words[] = {
        [HF_HELP_TEXT] = "--help",    [HF_HELP_MAN] = "--help=man",   [HF_HELP_BASH] = "--help=bash",
        [HF_HELP_ZSH] = "--help=zsh", [HF_HELP_FISH] = "--help=fish",
    };

    for (int i = 0; i < (int)(sizeof words / sizeof words[0]); i++) {
        if (strcmp(word, words[i]) == 0) {
            *ret_format = i;
            return 1;
        }
    }
    *ret_format = -1;
    return strncmp(word, "--help=", 7) == 0;
}

void hf_help_program(const struct hf_program *program, enum hf_help_format format)
{
    switch (format) {
    case HF_HELP_TEXT:
        text_of_program(program);
        return;
    case HF_HELP_MAN:
        hf_manual_program(program);
        return;
    case HF_HELP_BASH:
    case HF_HELP_ZSH:
    case HF_HELP_FISH:
        hf_completion_program(program, format);
        return;
    }
}

void hf_help_command(const struct hf_usage *usage, enum hf_help_format format)
{
    switch (format) {
    case HF_HELP_TEXT:
        text_of_command(usage);
        return;
    case HF_HELP_MAN:
        hf_manual_command(usage);
        return;
    case HF_HELP_BASH:
    case HF_HELP_ZSH:
    case HF_HELP_FISH:
        hf_completion_command(usage, format);
        return;
    }
}
