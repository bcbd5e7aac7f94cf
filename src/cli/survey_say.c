/* The survey's lines, within a screen's width. */
#include <stdarg.h>
#include <stdio.h>
#include <string.h>

#include "cli/survey.h"

#define COLUMNS    80
#define LINE_BYTES 4096

static char line[LINE_BYTES];
static size_t used;

static int is_continuation(char byte)
{
    return ((unsigned char)byte & 0xc0) == 0x80; /* of a character in UTF-8 */
}

/* How many bytes of the text fit `columns`, cut at a blank where there is one. */
static size_t fitting(const char *text, int columns)
{
    size_t last_blank = 0;
    size_t at = 0;

    for (int column = 0; text[at] != '\0' && column < columns; at++) {
        if (text[at] == ' ' && at > 0 && text[at - 1] != ' ')
            last_blank = at;
        column += !is_continuation(text[at + 1]);
    }
    if (text[at] == '\0' || text[at] == ' ')
        return at;
    return last_blank > 0 ? last_blank : at;
}

/* Where a line's second column of words begins ("  rig      moves ..."), or its words do. */
static int hanging_indent(const char *text)
{
    int lead = (int)strspn(text, " ");
    int name = lead + (int)strcspn(text + lead, " ");
    int gap = (int)strspn(text + name, " ");

    return gap >= 2 && name + gap <= 20 ? name + gap : lead + 2;
}

static void put_line(void)
{
    const char *rest = line;
    int indent = hanging_indent(line);
    size_t size = fitting(line, COLUMNS);

    printf("%.*s\n", (int)size, line);
    for (rest += size; *(rest += strspn(rest, " ")) != '\0'; rest += size) {
        size = fitting(rest, COLUMNS - indent);
        printf("%*s%.*s\n", indent, "", (int)size, rest);
    }
}

void hf_survey_say(const char *format, ...)
{
    char more[LINE_BYTES];
    va_list arguments;

    va_start(arguments, format);
    (void)vsnprintf(more, sizeof more, format, arguments);
    va_end(arguments);
    for (const char *at = more; *at != '\0'; at++) {
        if (*at != '\n') {
            if (used + 1 < sizeof line)
                line[used++] = *at;
            continue;
        }
        line[used] = '\0';
        put_line();
        used = 0;
    }
}
