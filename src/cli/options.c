#include "cli/options.h"

#include <errno.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#include "cli/help.h"
#include "holdfast/clock.h"
#include "holdfast/text.h"

static const struct hf_option *find_option(const struct hf_usage *usage, const char *name, size_t length)
{
    for (const struct hf_option *option = usage->options; option->name != NULL; option++) {
        if (strlen(option->name) == length && strncmp(option->name, name, length) == 0)
            return option;
    }
    return NULL;
}

static int set_number(const struct hf_option *option, const char *value, double *ret_number,
                      struct hf_error *error)
{
    char *end;
    double number = strtod(value, &end);

    if (end == value || *end != '\0')
        return hf_fail(error, HF_E_USAGE, "--%s %.60s is not a number", option->name, value);
    if (!(number >= option->low && number <= option->high))
        return hf_fail(error, HF_E_RANGE, "--%s %.60s is out of range; allowed: %g to %g", option->name,
                       value, option->low, option->high);
    *ret_number = number;
    return HF_OK;
}

static int set_integer(const struct hf_option *option, const char *value, struct hf_error *error)
{
    double number;

    if (set_number(option, value, &number, error) != HF_OK)
        return error->code;
    if (number != (double)(int)number)
        return hf_fail(error, HF_E_USAGE, "--%s %.60s is not a whole number", option->name, value);
    *(int *)option->target = (int)number;
    return HF_OK;
}

static int set_u64(const struct hf_option *option, const char *value, struct hf_error *error)
{
    char *end;
    uint64_t number;

    errno = 0;
    number = strtoull(value, &end, strncmp(value, "0x", 2) == 0 ? 16 : 10);
    if (value[0] < '0' || value[0] > '9' || *end != '\0' || errno != 0)
        return hf_fail(error, HF_E_USAGE, "--%s %.60s is not a whole number from 0 to 2^64 - 1", option->name,
                       value);
    *(uint64_t *)option->target = number;
    return HF_OK;
}

static int set_choice(const struct hf_option *option, const char *value, struct hf_error *error)
{
    size_t length = strlen(value);
    const char *at = option->value_name;

    while (strcspn(at, "|") != length || strncmp(at, value, length) != 0) {
        at += strcspn(at, "|");
        if (*at == '\0')
            return hf_fail(error, HF_E_USAGE, "--%s %.60s is not one of %s", option->name, value,
                           option->value_name);
        at++;
    }
    *(const char **)option->target = value;
    return HF_OK;
}

static int set_value(const struct hf_option *option, const char *value, struct hf_error *error)
{
    switch (option->kind) {
    case HF_OPTION_STRING:
        if (value[0] == '\0')
            return hf_fail(error, HF_E_USAGE, "--%s needs a value that is not empty", option->name);
        *(const char **)option->target = value;
        return HF_OK;
    case HF_OPTION_CHOICE:
        return set_choice(option, value, error);
    case HF_OPTION_INTEGER:
        return set_integer(option, value, error);
    case HF_OPTION_NUMBER:
        return set_number(option, value, option->target, error);
    case HF_OPTION_DURATION:
        if (hf_duration_parse(value, option->target, error) != HF_OK)
            hf_error_context(error, "--%s", option->name);
        return error->code;
    case HF_OPTION_U64:
        return set_u64(option, value, error);
    case HF_OPTION_FLAG:
    case HF_OPTION_END:
        break;
    }
    return hf_fail(error, HF_E_USAGE, "--%s takes no value", option->name);
}

/* Handles argv[index]; *ret_used is how many words it took. */
static int parse_word(const struct hf_usage *usage, int argc, char **argv, int index, int *ret_used,
                      struct hf_error *error)
{
    const char *word = argv[index];
    const char *equals = strchr(word, '=');
    const struct hf_option *option;
    size_t length;

    *ret_used = 1;
    if (strncmp(word, "--", 2) != 0)
        return hf_fail(error, HF_E_USAGE, "unexpected word \"%.60s\"; see holdfast %s --help", word,
                       usage->command);
    length = equals ? (size_t)(equals - word - 2) : strlen(word + 2);
    option = find_option(usage, word + 2, length);
    if (option == NULL)
        return hf_fail(error, HF_E_USAGE, "there is no option %.60s; see holdfast %s --help", word,
                       usage->command);
    if (option->kind == HF_OPTION_FLAG && equals == NULL) {
        *(int *)option->target = 1;
        return HF_OK;
    }
    if (equals != NULL)
        return set_value(option, equals + 1, error);
    if (index + 1 >= argc)
        return hf_fail(error, HF_E_USAGE, "%s needs a value: %s", word, option->value_name);
    *ret_used = 2;
    return set_value(option, argv[index + 1], error);
}

/* Help in the form asked for; returns the exit status. */
static int show_help(const struct hf_usage *usage, const char *word, int format, struct hf_error *error)
{
    if (format < 0) {
        (void)hf_fail(error, HF_E_USAGE, "%.60s: help has the forms man, bash, zsh and fish", word);
        return hf_command_fail(usage->command, error);
    }
    hf_help_command(usage, (enum hf_help_format)format);
    return hf_command_end(usage->command, 0);
}

int hf_options_parse(const struct hf_usage *usage, int argc, char **argv, int *ret_status)
{
    struct hf_error error = {0};
    int used = 1;
    int format;

    for (int i = 1; i < argc; i += used) {
        if (hf_help_asked(argv[i], &format)) {
            *ret_status = show_help(usage, argv[i], format, &error);
            return 1;
        }
        if (parse_word(usage, argc, argv, i, &used, &error) != HF_OK) {
            *ret_status = hf_command_fail(usage->command, &error);
            return 1;
        }
    }
    return 0;
}

int hf_command_fail(const char *command, const struct hf_error *error)
{
    char words[2 * sizeof error->message]; /* they may quote a file */

    hf_text_harmless(error->message, words, sizeof words);
    (void)fflush(stdout);
    fprintf(stderr, "holdfast %s: %s\n", command, words);
    return hf_error_exit_status(error->code);
}

int hf_command_end(const char *command, int status)
{
    int failed = fflush(stdout) != 0 || ferror(stdout);

    if (!failed)
        return status;
    fprintf(stderr, "holdfast%s%s: cannot write to standard output: %s\n", command[0] ? " " : "", command,
            strerror(errno));
    return 4;
}
