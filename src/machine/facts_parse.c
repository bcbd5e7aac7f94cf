#include <ctype.h>
#include <limits.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#include "machine/facts.h"
#include "machine/files.h"

#define UUID_SIZE 36

void hf_facts_init(struct hf_machine_facts *facts)
{
    *facts = (struct hf_machine_facts){
        .cpu_family = -1, .cpu_model_number = -1, .cpu_stepping = -1, .virtual_machine = -1};
}

/* --- "key : value" lines ---------------------------------------------------------------------------- */

struct line {
    const char *bytes;
    size_t size;
};

/* Takes the next line off bytes; 0 at the end. */
static int next_line(const char **at, size_t *left, struct line *ret_line)
{
    const char *end;

    if (*left == 0)
        return 0;
    end = memchr(*at, '\n', *left);
    ret_line->bytes = *at;
    ret_line->size = end != NULL ? (size_t)(end - *at) : *left;
    *at += ret_line->size;
    *left -= ret_line->size;
    if (end != NULL) {
        (*at)++;
        (*left)--;
    }
    return 1;
}

static int is_blank(char byte)
{
    return byte == ' ' || byte == '\t';
}

/* The value when the line is "key<blanks>:value"; 0 when it is another line. */
static int value_of(const struct line *line, const char *key, struct line *ret_value)
{
    size_t at = strlen(key);

    if (line->size <= at || memcmp(line->bytes, key, at) != 0)
        return 0;
    while (at < line->size && is_blank(line->bytes[at]))
        at++;
    if (at == line->size || line->bytes[at] != ':')
        return 0;
    at++;
    *ret_value = (struct line){line->bytes + at, line->size - at};
    return 1;
}

/* A number of 0 to INT_MAX that fills the value, decimal or hexadecimal after 0x; else -1. */
static int number_of(const struct line *value)
{
    char text[32];
    char *end;
    long number;

    hf_text_line(value->bytes, value->size, text, sizeof text);
    if (!isdigit((unsigned char)text[0]))
        return -1;
    number = strtol(text, &end, strncmp(text, "0x", 2) == 0 ? 16 : 10);
    return *end == '\0' && number <= INT_MAX ? (int)number : -1;
}

static int has_word(const struct line *value, const char *word)
{
    size_t length = strlen(word);

    for (size_t i = 0; i + length <= value->size; i++) {
        int starts = i == 0 || is_blank(value->bytes[i - 1]);
        int ends = i + length == value->size || is_blank(value->bytes[i + length]);

        if (starts && ends && memcmp(value->bytes + i, word, length) == 0)
            return 1;
    }
    return 0;
}

static void keep_text(const struct line *value, char *text, size_t size)
{
    if (text[0] == '\0')
        hf_text_line(value->bytes, value->size, text, size);
}

static void keep_number(const struct line *value, int *number)
{
    if (*number < 0)
        *number = number_of(value);
}

/* --- /proc/cpuinfo ---------------------------------------------------------------------------------- */

/* "Processor" with a capital is a name on old Arm kernels; "processor" is a number and ends the first block.
 */
static void take_cpuinfo_line(const struct line *line, struct hf_machine_facts *facts)
{
    struct line value;

    if (value_of(line, "vendor_id", &value))
        keep_text(&value, facts->cpu_vendor, sizeof facts->cpu_vendor);
    else if (value_of(line, "model name", &value) || value_of(line, "Processor", &value))
        keep_text(&value, facts->cpu_model, sizeof facts->cpu_model);
    else if (value_of(line, "cpu family", &value) || value_of(line, "CPU architecture", &value))
        keep_number(&value, &facts->cpu_family);
    else if (value_of(line, "model", &value) || value_of(line, "CPU part", &value))
        keep_number(&value, &facts->cpu_model_number);
    else if (value_of(line, "stepping", &value) || value_of(line, "CPU revision", &value))
        keep_number(&value, &facts->cpu_stepping);
    else if (value_of(line, "microcode", &value))
        keep_text(&value, facts->microcode, sizeof facts->microcode);
    else if (value_of(line, "flags", &value))
        facts->virtual_machine = has_word(&value, "hypervisor");
    else if (value_of(line, "CPU implementer", &value) && number_of(&value) >= 0)
        (void)snprintf(facts->cpu_vendor, sizeof facts->cpu_vendor, "implementer 0x%02x",
                       (unsigned)number_of(&value));
}

void hf_facts_parse_cpuinfo(const char *bytes, size_t size, struct hf_machine_facts *facts)
{
    struct line line;
    struct line value;
    int processors = 0;

    while (next_line(&bytes, &size, &line)) {
        processors += value_of(&line, "processor", &value);
        if (processors <= 1)
            take_cpuinfo_line(&line, facts);
        else if (value_of(&line, "CPU implementer", &value) || value_of(&line, "CPU architecture", &value) ||
                 value_of(&line, "CPU part", &value) || value_of(&line, "CPU revision", &value))
            take_cpuinfo_line(&line, facts); /* old Arm kernels describe all processors once, at the end */
    }
}

/* --- the others ------------------------------------------------------------------------------------- */

void hf_facts_parse_version(const char *bytes, size_t size, struct hf_machine_facts *facts)
{
    static const char before[] = "Linux version ";
    size_t skip = sizeof before - 1;
    size_t length = 0;

    if (size <= skip || memcmp(bytes, before, skip) != 0)
        return;
    while (skip + length < size && !is_blank(bytes[skip + length]) && bytes[skip + length] != '\n')
        length++;
    hf_text_line(bytes + skip, length, facts->kernel, sizeof facts->kernel);
}

void hf_facts_parse_meminfo(const char *bytes, size_t size, struct hf_machine_facts *facts)
{
    struct line line;
    struct line value;

    while (next_line(&bytes, &size, &line)) {
        unsigned long long kilobytes;
        char text[32];
        char *end;

        if (!value_of(&line, "MemTotal", &value))
            continue;
        hf_text_line(value.bytes, value.size, text, sizeof text);
        if (!isdigit((unsigned char)text[0]))
            return;
        kilobytes = strtoull(text, &end, 10);
        if (strcmp(end, " kB") == 0 && kilobytes <= UINT64_MAX / 1024)
            facts->memory_bytes = (uint64_t)kilobytes * 1024;
        return;
    }
}

void hf_facts_parse_smt_control(const char *bytes, size_t size, struct hf_machine_facts *facts)
{
    static const char *const words[][2] = {{"on", "on"},
                                           {"off", "off"},
                                           {"forceoff", "off"},
                                           {"notsupported", "not supported"},
                                           {"notimplemented", "not supported"}};
    char text[24];

    hf_text_line(bytes, size, text, sizeof text);
    for (size_t i = 0; i < sizeof words / sizeof words[0]; i++) {
        if (strcmp(text, words[i][0]) == 0)
            (void)snprintf(facts->smt, sizeof facts->smt, "%s", words[i][1]);
    }
    if (isdigit((unsigned char)text[0])) /* a number of threads per core, where some can be parked */
        (void)snprintf(facts->smt, sizeof facts->smt, "%s", atoi(text) > 1 ? "on" : "off");
}

void hf_facts_parse_smt_active(const char *bytes, size_t size, struct hf_machine_facts *facts)
{
    char text[8];

    hf_text_line(bytes, size, text, sizeof text);
    if (strcmp(text, "1") == 0 || strcmp(text, "0") == 0)
        (void)snprintf(facts->smt, sizeof facts->smt, "%s", text[0] == '1' ? "on" : "off");
}

void hf_facts_parse_governor(const char *bytes, size_t size, struct hf_machine_facts *facts)
{
    char text[sizeof facts->governor];

    hf_text_line(bytes, size, text, sizeof text);
    if (text[0] == '\0')
        return;
    if (facts->governor[0] == '\0')
        (void)snprintf(facts->governor, sizeof facts->governor, "%s", text);
    else if (strcmp(facts->governor, text) != 0)
        (void)snprintf(facts->governor, sizeof facts->governor, "mixed");
}

int hf_boot_id_parse(const char *bytes, size_t size, char ret_id[64])
{
    char id[UUID_SIZE + 1] = "";

    if (size < UUID_SIZE || (size > UUID_SIZE && (bytes[UUID_SIZE] != '\n' || size != UUID_SIZE + 1)))
        return 0;
    for (int i = 0; i < UUID_SIZE; i++) {
        int is_dash = i == 8 || i == 13 || i == 18 || i == 23;

        if (is_dash ? bytes[i] != '-' : !isxdigit((unsigned char)bytes[i]))
            return 0;
        id[i] = (char)tolower((unsigned char)bytes[i]);
    }
    (void)snprintf(ret_id, 64, "%s", id);
    return 1;
}
