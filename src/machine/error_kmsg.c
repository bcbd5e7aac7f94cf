/* Records of /dev/kmsg, and the map of hardware thread ids: bytes in, fields out. */
#include <string.h>

#include "holdfast/hardware_errors.h"
#include "holdfast/text.h"
#include "machine/scan.h"

/* The text up to its newline; continuation lines belong to device properties and are left out. */
static void unescape(struct scan text, struct hf_kmsg_record *record)
{
    size_t used = 0;

    while (text.at < text.end && *text.at != '\n' && used < sizeof record->text - 1) {
        struct scan escape = text;
        char byte = *text.at++;
        int high, low;

        if (byte == '\\' && scan_skip(&escape, "\\x") && scan_left(&escape) >= 2 &&
            (high = scan_digit(escape.at[0], 16)) >= 0 && (low = scan_digit(escape.at[1], 16)) >= 0) {
            byte = (char)(high * 16 + low);
            text.at = escape.at + 2;
        }
        record->text[used++] = (unsigned char)byte < 0x20 || byte == 0x7f ? '?' : byte;
    }
    record->text[used] = '\0';
    record->size = used;
    for (size_t i = 0; !hf_text_is_utf8(record->text, used) && i < used; i++) {
        if ((unsigned char)record->text[i] >= 0x80)
            record->text[i] = '?';
    }
}

int hf_kmsg_parse(const char *bytes, size_t size, struct hf_kmsg_record *ret_record)
{
    struct scan scan = {bytes, bytes + size};
    struct scan head;
    uint64_t priority, sequence, boot_us;
    const char *semicolon = size > 0 ? memchr(bytes, ';', size) : NULL;

    if (semicolon == NULL)
        return -1;
    head = (struct scan){bytes, semicolon};
    if (!scan_number(&head, 10, &priority) || !scan_skip(&head, ",") || !scan_number(&head, 10, &sequence) ||
        !scan_skip(&head, ",") || !scan_number(&head, 10, &boot_us) || priority > 0xffff ||
        boot_us > INT64_MAX)
        return -1;
    if (scan_left(&head) > 0 && *head.at != ',')
        return -1;
    scan.at = semicolon + 1;
    ret_record->facility = (int)(priority >> 3);
    ret_record->level = (int)(priority & 7);
    ret_record->sequence = sequence;
    ret_record->boot_us = (int64_t)boot_us;
    unescape(scan, ret_record);
    return 0;
}

/* "processor : 3" opens a block, "apicid : 6" belongs to it. */
void hf_apic_map_parse(const char *bytes, size_t size, int16_t *ret_cpu_of_apic, int apic_limit)
{
    struct scan all = {bytes, bytes + size};
    int cpu = -1;

    for (int i = 0; i < apic_limit; i++)
        ret_cpu_of_apic[i] = -1;
    while (scan_left(&all) > 0) {
        const char *end = memchr(all.at, '\n', scan_left(&all));
        struct scan line = {all.at, end != NULL ? end : all.end};
        int apic = -1;
        int is_cpu = scan_skip(&line, "processor");

        if (is_cpu || scan_skip(&line, "apicid")) {
            while (line.at < line.end && (*line.at == '\t' || *line.at == ' ' || *line.at == ':'))
                line.at++;
            if (is_cpu && !scan_int(&line, INT16_MAX, &cpu))
                cpu = -1;
            if (!is_cpu && cpu >= 0 && scan_int(&line, apic_limit, &apic))
                ret_cpu_of_apic[apic] = (int16_t)cpu;
        }
        all.at = end != NULL ? end + 1 : all.end;
    }
}

int hf_interrupts_parse(const char *bytes, size_t size, const char *row, uint64_t *ret_sum)
{
    struct scan all = {bytes, bytes + size};

    while (scan_left(&all) > 0) {
        const char *end = memchr(all.at, '\n', scan_left(&all));
        struct scan line = {all.at, end != NULL ? end : all.end};
        uint64_t sum = 0;
        uint64_t value;

        while (line.at < line.end && *line.at == ' ')
            line.at++;
        if (scan_skip(&line, row) && scan_skip(&line, ":")) {
            for (;;) {
                while (line.at < line.end && *line.at == ' ')
                    line.at++;
                if (!scan_number(&line, 10, &value))
                    break;
                sum += value;
            }
            *ret_sum = sum;
            return 0;
        }
        all.at = end != NULL ? end + 1 : all.end;
    }
    return -1;
}
