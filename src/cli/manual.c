/*
 * Man pages in mdoc, for mandoc and groff alike. The tables hold plain text; print_text writes it in roff's
 * way:
 *   - a backslash is \e; a hyphen that starts an option or a number is \-; the others stay hyphens
 *   - a line that would begin with . or ' gets \& before it
 *   - a sentence starts a new line, and no line is longer than 80 bytes, as the formatters' checks want it
 */
#include <ctype.h>
#include <stdio.h>
#include <string.h>

#include "cli/help.h"

#define EXIT_STATUS_WORDS "Exit status: " /* in the tables' text: what follows gets a section of its own */
#define COLUMN_BREAK      60              /* the first blank after this column becomes a line end */

static int starts_sentence(char before, char next)
{
    return (before == '.' || before == '?') && (isupper((unsigned char)next) || next == '-');
}

/* One letter; returns the column after it, 0 at the start of a line. */
static int print_letter(char before, char letter, char next, int column)
{
    if (letter == ' ' || letter == '\n') {
        int breaks = column > COLUMN_BREAK || starts_sentence(before, next);

        printf(breaks ? "\n" : " ");
        return breaks ? 0 : column + 1;
    }
    if (column == 0 && (letter == '.' || letter == '\''))
        printf("\\&");
    if (letter == '\\')
        printf("\\e");
    else if (letter == '-' && !isalnum((unsigned char)before))
        printf("\\-");
    else
        printf("%c", letter);
    return column + 1;
}

/* Up to `end`; NULL: all of it. */
static void print_text(const char *text, const char *end)
{
    int column = 0;
    char before = ' ';

    if (end == NULL)
        end = text + strlen(text);
    while (end > text && isspace((unsigned char)end[-1]))
        end--;
    for (; text < end; text++) {
        column = print_letter(before, *text, text + 1 < end ? text[1] : '\0', column);
        before = *text;
    }
    printf("\n");
}

/* The text of --help but for its exit status. */
static void print_description(const char *more)
{
    const char *status = strstr(more, EXIT_STATUS_WORDS);

    if (status != more)
        print_text(more, status);
}

static void print_exit_status(const char *more)
{
    const char *status = more != NULL ? strstr(more, EXIT_STATUS_WORDS) : NULL;

    printf(".Sh EXIT STATUS\n");
    if (status != NULL)
        print_text(status + strlen(EXIT_STATUS_WORDS), NULL);
    else
        printf("As described in\n.Xr holdfast 1 .\n");
}

static void print_date(void)
{
    static const char *const months[] = {"January",   "February", "March",    "April",
                                         "May",       "June",     "July",     "August",
                                         "September", "October",  "November", "December"};
    int year = 0, month = 0, day = 0;

    if (sscanf(HOLDFAST_DATE, "%d-%d-%d", &year, &month, &day) == 3 && month >= 1 && month <= 12)
        printf(".Dd %s %d, %d\n", months[month - 1], day, year);
}

static void print_title(const char *dash, const char *command)
{
    print_date();
    printf(".Dt HOLDFAST%s", dash);
    for (const char *at = command; *at != '\0'; at++)
        printf("%c", toupper((unsigned char)*at));
    printf(" 1\n.Os\n.Sh NAME\n.Nm holdfast%s%s\n.Nd ", dash, command);
}

/* --- a command's page -------------------------------------------------------------------------------------
 */

static void print_option_name(const char *macro, const struct hf_option *option)
{
    printf("%s Fl -%s", macro, option->name);
    if (option->value_name != NULL)
        printf(" Ar %s", option->value_name);
    printf("\n");
}

static void print_option(const struct hf_option *option)
{
    print_option_name(".It", option);
    print_text(option->help, NULL);
    if (option->kind == HF_OPTION_INTEGER || option->kind == HF_OPTION_NUMBER)
        printf("(%g to %g)\n", option->low, option->high);
}

void hf_manual_command(const struct hf_usage *usage)
{
    print_title("-", usage->command);
    print_text(usage->summary, NULL);
    printf(".Sh SYNOPSIS\n.Nm holdfast %s\n", usage->command);
    for (const struct hf_option *option = usage->options; option->name != NULL; option++)
        print_option_name(".Op", option);
    printf(".Sh DESCRIPTION\n");
    if (usage->more != NULL)
        print_description(usage->more);
    printf(".Sh OPTIONS\n.Bl -tag -width Ds\n");
    for (const struct hf_option *option = usage->options; option->name != NULL; option++)
        print_option(option);
    printf(".It Fl -help\nPrints a short form of this page.\n.El\n");
    print_exit_status(usage->more);
    printf(".Sh SEE ALSO\n.Xr holdfast 1\n");
}

/* --- the program's page -----------------------------------------------------------------------------------
 */

static void print_commands(const struct hf_program *program)
{
    printf(".Ss Commands\n.Bl -tag -width Ds\n");
    for (const struct hf_command *command = program->commands; command->name != NULL; command++) {
        if (command->summary == NULL)
            continue;
        printf(".It Xr holdfast-%s 1\n", command->name);
        print_text(command->summary, NULL);
    }
    printf(".El\n");
}

static void print_options_of_program(void)
{
    printf(".Ss Options\n.Bl -tag -width Ds\n"
           ".It Fl -help\nLists the commands; after a command, its options.\n"
           ".It Fl -help Ns = Ns Ar man | bash | zsh | fish\n"
           "Prints this page, or that of a command, or the completion file of a shell.\n"
           ".It Fl -version\nPrints the version.\n.El\n");
}

static void print_files(const struct hf_program *program)
{
    printf(".Sh FILES\n.Bl -tag -width Ds\n");
    for (const struct hf_entry *file = program->files; file->name != NULL; file++) {
        printf(".It Pa %s\n", file->name);
        print_text(file->text, NULL);
    }
    printf(".El\n");
}

/* In the order of the alphabet, as such lists are. */
static void print_see_also(const struct hf_program *program)
{
    const char *last = "";

    printf(".Sh SEE ALSO\n");
    for (;;) {
        const char *next = NULL;

        for (const struct hf_command *command = program->commands; command->name != NULL; command++) {
            if (command->summary != NULL && strcmp(command->name, last) > 0 &&
                (next == NULL || strcmp(command->name, next) < 0))
                next = command->name;
        }
        if (next == NULL)
            break;
        printf("%s.Xr holdfast-%s 1", last[0] != '\0' ? " ,\n" : "", next);
        last = next;
    }
    printf("\n");
}

void hf_manual_program(const struct hf_program *program)
{
    print_title("", "");
    print_text(program->summary, NULL);
    printf(".Sh SYNOPSIS\n.Nm\n.Ar command\n.Op Ar options\n.Nm\n.Fl -help | -version\n");
    printf(".Sh DESCRIPTION\n");
    print_description(program->more);
    printf(".Pp\n");
    print_text(program->caution, NULL);
    print_commands(program);
    print_options_of_program();
    print_files(program);
    print_exit_status(program->more);
    print_see_also(program);
}
