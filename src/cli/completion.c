/*
 * Completion for bash, zsh and fish. What can be said about a value follows from its name in the tables:
 *   FILE, PROGRAM   a file        DIR   a folder        a|b|c   one of these words        another   nothing
 * A flag whose value name ends in "..." is followed by as many words of that kind as wanted.
 */
#include <stdio.h>
#include <string.h>

#include "cli/help.h"

enum value {
    VALUE_FREE,
    VALUE_FILE,
    VALUE_FOLDER,
    VALUE_CHOICE
};

static enum value value_of(const struct hf_option *option)
{
    if (option->kind == HF_OPTION_CHOICE)
        return VALUE_CHOICE;
    if (strcmp(option->value_name, "FILE") == 0 || strcmp(option->value_name, "PROGRAM") == 0)
        return VALUE_FILE;
    if (strncmp(option->value_name, "DIR", 3) == 0)
        return VALUE_FOLDER;
    return VALUE_FREE;
}

static int takes_value(const struct hf_option *option)
{
    return option->kind != HF_OPTION_FLAG;
}

static int takes_words(const struct hf_option *option)
{
    return option->kind == HF_OPTION_FLAG && option->value_name != NULL;
}

/* The choices of an option, parted by blanks. */
static void print_choices(const struct hf_option *option)
{
    for (const char *at = option->value_name; *at != '\0'; at++)
        printf("%c", *at == '|' ? ' ' : *at);
}

/* Within '...' of a shell; letters of `escaped` get a backslash. */
static void print_quoted(const char *text, const char *escaped, const char *quote)
{
    for (; *text != '\0'; text++) {
        if (*text == '\'')
            printf("%s", quote);
        else if (*text == '\n')
            printf(" ");
        else
            printf(strchr(escaped, *text) != NULL ? "\\%c" : "%c", *text);
    }
}

/* --- bash -------------------------------------------------------------------------------------------------
 */

static void bash_command(const struct hf_usage *usage)
{
    static const char *const kinds[] = {"kind=free", "kind=file", "kind=folder", ""};

    printf("    %s)\n        options='--help", usage->command);
    for (const struct hf_option *option = usage->options; option->name != NULL; option++)
        printf(" --%s", option->name);
    printf("'\n        case $before in\n");
    for (const struct hf_option *option = usage->options; option->name != NULL; option++) {
        if (!takes_value(option))
            continue;
        printf("        --%s) %s", option->name, kinds[value_of(option)]);
        if (value_of(option) == VALUE_CHOICE) {
            printf("kind=choice choices='");
            print_choices(option);
            printf("'");
        }
        printf(" ;;\n");
    }
    printf("        esac\n");
    for (const struct hf_option *option = usage->options; option->name != NULL; option++) {
        if (takes_words(option))
            printf("        [[ -z $kind && \" ${COMP_WORDS[*]} \" == *' --%s '* ]] && kind=words\n",
                   option->name);
    }
    printf("        ;;\n");
}

static const char bash_start[] =
    "# bash completion for holdfast, made by: holdfast --help=bash\n"
    "\n"
    "_holdfast()\n"
    "{\n"
    "    local word=${COMP_WORDS[COMP_CWORD]} before=${COMP_WORDS[COMP_CWORD-1]}\n"
    "    local kind= options= choices=\n"
    "\n"
    "    COMPREPLY=()\n"
    "    # \"--name=value\" comes as three words\n"
    "    if [[ $word == = ]]; then\n"
    "        word=\n"
    "    elif [[ $before == = ]]; then\n"
    "        before=${COMP_WORDS[COMP_CWORD-2]}\n"
    "    fi\n";

static const char bash_end[] =
    "    *) return ;;\n"
    "    esac\n"
    "    case $kind in\n"
    "    file) mapfile -t COMPREPLY < <(compgen -f -- \"$word\") ;;\n"
    "    folder) mapfile -t COMPREPLY < <(compgen -d -- \"$word\") ;;\n"
    "    choice) mapfile -t COMPREPLY < <(compgen -W \"$choices\" -- \"$word\") ;;\n"
    "    words) mapfile -t COMPREPLY < <(compgen -W \"$options\" -- \"$word\"; compgen -d -- \"$word\") ;;\n"
    "    '') mapfile -t COMPREPLY < <(compgen -W \"$options\" -- \"$word\") ;;\n"
    "    esac\n"
    "}\n"
    "complete -o filenames -F _holdfast holdfast\n";

static void bash_commands(const struct hf_program *program)
{
    printf("%s    if ((COMP_CWORD == 1)); then\n        mapfile -t COMPREPLY < <(compgen -W '", bash_start);
    for (const struct hf_command *command = program->commands; command->name != NULL; command++) {
        if (command->summary != NULL)
            printf("%s ", command->name);
    }
    printf("--help --version' -- \"$word\")\n        return\n    fi\n    case ${COMP_WORDS[1]} in\n");
}

/* --- zsh --------------------------------------------------------------------------------------------------
 */

static void zsh_quoted(const char *text)
{
    print_quoted(text, "[]:\\", "'\\''");
}

static void zsh_value(const struct hf_option *option)
{
    static const char *const actions[] = {"", "_files", "_files -/", ""};

    printf(":");
    zsh_quoted(value_of(option) == VALUE_CHOICE ? "one of" : option->value_name);
    printf(":%s", actions[value_of(option)]);
    if (value_of(option) == VALUE_CHOICE) {
        printf("(");
        print_choices(option);
        printf(")");
    }
}

static void zsh_command(const struct hf_usage *usage)
{
    printf("    %s)\n        _arguments \\\n", usage->command);
    for (const struct hf_option *option = usage->options; option->name != NULL; option++) {
        printf("            '--%s%s[", option->name, takes_value(option) ? "=" : "");
        zsh_quoted(option->help);
        printf("]");
        if (takes_value(option))
            zsh_value(option);
        printf("' \\\n");
        if (takes_words(option))
            printf("            '*:folder:_files -/' \\\n");
    }
    printf("            '--help[this text]'\n        ;;\n");
}

static void zsh_commands(const struct hf_program *program)
{
    printf("#compdef holdfast\n# zsh completion for holdfast, made by: holdfast --help=zsh\n\n"
           "_holdfast() {\n    local -a commands\n    local command\n\n    commands=(\n");
    for (const struct hf_command *command = program->commands; command->name != NULL; command++) {
        if (command->summary == NULL)
            continue;
        printf("        '%s:", command->name);
        zsh_quoted(command->summary);
        printf("'\n");
    }
    printf("        '--help:lists the commands'\n        '--version:prints the version'\n    )\n"
           "    if ((CURRENT == 2)); then\n        _describe 'command' commands\n        return\n    fi\n"
           "    command=$words[2]\n    shift words\n    ((CURRENT--))\n    case $command in\n");
}

/* --- fish -------------------------------------------------------------------------------------------------
 */

static void fish_quoted(const char *text)
{
    print_quoted(text, "\\", "\\'");
}

static void fish_option(const char *command, const struct hf_option *option)
{
    static const char *const values[] = {" -x", " -r -F", " -x -a '(__fish_complete_directories)'",
                                         " -x -a '"};

    printf("complete -c holdfast -n '__fish_seen_subcommand_from %s' -l %s", command, option->name);
    if (takes_value(option)) {
        printf("%s", values[value_of(option)]);
        if (value_of(option) == VALUE_CHOICE) {
            print_choices(option);
            printf("'");
        }
    }
    printf(" -d '");
    fish_quoted(option->help);
    printf("'\n");
    if (takes_words(option))
        printf("complete -c holdfast -n '__fish_seen_subcommand_from %s; and __fish_contains_opt %s' "
               "-a '(__fish_complete_directories)'\n",
               command, option->name);
}

static void fish_commands(const struct hf_program *program)
{
    printf("# fish completion for holdfast, made by: holdfast --help=fish\n\ncomplete -c holdfast -f\n");
    for (const struct hf_command *command = program->commands; command->name != NULL; command++) {
        if (command->summary == NULL)
            continue;
        printf("complete -c holdfast -n __fish_use_subcommand -a %s -d '", command->name);
        fish_quoted(command->summary);
        printf("'\n");
    }
    printf("complete -c holdfast -n __fish_use_subcommand -l version -d 'prints the version'\n"
           "complete -c holdfast -l help -d 'lists commands or options'\n");
}

/* ----------------------------------------------------------------------------------------------------------
 */

void hf_completion_command(const struct hf_usage *usage, enum hf_help_format shell)
{
    if (shell == HF_HELP_BASH) {
        bash_command(usage);
    } else if (shell == HF_HELP_ZSH) {
        zsh_command(usage);
    } else {
        for (const struct hf_option *option = usage->options; option->name != NULL; option++)
            fish_option(usage->command, option);
    }
}

/* The part of each command comes from the command's own table: it is run as a person would ask it. */
static void print_parts(const struct hf_program *program, const char *word)
{
    for (const struct hf_command *command = program->commands; command->name != NULL; command++) {
        char name[32], help[32];
        char *words[] = {name, help, NULL};

        if (command->summary == NULL)
            continue;
        (void)snprintf(name, sizeof name, "%s", command->name);
        (void)snprintf(help, sizeof help, "%s", word);
        (void)command->run(2, words); /* a failed write is told at the end of the program */
    }
}

void hf_completion_program(const struct hf_program *program, enum hf_help_format shell)
{
    if (shell == HF_HELP_BASH) {
        bash_commands(program);
        print_parts(program, "--help=bash");
        printf("%s", bash_end);
    } else if (shell == HF_HELP_ZSH) {
        zsh_commands(program);
        print_parts(program, "--help=zsh");
        printf("    esac\n}\n\n_holdfast \"$@\"\n");
    } else {
        fish_commands(program);
        print_parts(program, "--help=fish");
    }
}
