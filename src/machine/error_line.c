/*
 * One line of a log: what it is, and the numbers in it.
 *
 * Forms of Linux 6.1 and their older relatives: arch/x86/kernel/cpu/mce/core.c,
 * drivers/edac/{mce_amd,edac_mc}.c, drivers/firmware/efi/cper*.c, kernel/watchdog.c, kernel/panic.c,
 * include/trace/events/mce.h, include/ras/ras_event.h. All numbers are hexadecimal but CPU, Bank, SOCKET, MC
 * and counts.
 */
#include <assert.h>
#include <ctype.h>
#include <string.h>

#include "holdfast/event.h"
#include "holdfast/hardware_errors.h"
#include "machine/scan.h"

#define BANK_LIMIT     4096
#define APIC_LIMIT     INT32_MAX
#define SYSLOG_HEAD    200 /* the kernel's words begin within so many bytes of a log daemon's line */
#define BRACKET_CLOSES 48  /* "[Mon Oct  3 12:00:00 2022]" */

/* --- what stands in front --------------------------------------------------------------------------- */

struct marks {
    int instance;
    int checks;   /* "mce: " */
    int hardware; /* "[Hardware Error]: " */
};

static void skip_blanks(struct scan *scan)
{
    while (scan->at < scan->end && (*scan->at == ' ' || *scan->at == '\t'))
        scan->at++;
}

/* "[  12.345678]", "[May19 19:57]", "[ T1234]": any bracket but the mark itself. */
static int skip_bracket(struct scan *scan)
{
    static const char mark[] = "[Hardware Error]";
    size_t limit = scan_left(scan) < BRACKET_CLOSES ? scan_left(scan) : BRACKET_CLOSES;
    const char *close;

    if (limit < 2 || *scan->at != '[' ||
        (scan_left(scan) >= sizeof mark - 1 && memcmp(scan->at, mark, sizeof mark - 1) == 0))
        return 0;
    close = memchr(scan->at, ']', limit);
    if (close == NULL)
        return 0;
    scan->at = close + 1;
    return 1;
}

static int skip_number_in(struct scan *scan, char open, char close, int *ret_value)
{
    struct scan here = *scan;
    uint64_t value;

    if (here.at == here.end || *here.at != open)
        return 0;
    here.at++;
    if (!scan_number(&here, 10, &value) || here.at == here.end || *here.at != close)
        return 0;
    here.at++;
    *ret_value = value < INT32_MAX ? (int)value : -1;
    *scan = here;
    return 1;
}

/* "May 20 12:52:36 host kernel: ", "2024-05-20T12:52:36+02:00 host kernel: ". */
static int skip_daemon(struct scan *scan)
{
    struct scan head = *scan;
    size_t left = scan_left(scan);
    int month = left > 4 && isupper((unsigned char)head.at[0]) && islower((unsigned char)head.at[1]) &&
                islower((unsigned char)head.at[2]) && head.at[3] == ' ';
    int year = left > 5 && isdigit((unsigned char)head.at[0]) && isdigit((unsigned char)head.at[3]) &&
               head.at[4] == '-';

    if (left > SYSLOG_HEAD)
        head.end = head.at + SYSLOG_HEAD;
    if ((!month && !year) || !scan_behind(&head, " kernel: "))
        return 0;
    scan->at = head.at;
    return 1;
}

static void skip_prefixes(struct scan *scan, struct marks *marks)
{
    int ignored;
    int more = 1;

    *marks = (struct marks){.instance = -1};
    skip_blanks(scan);
    (void)skip_daemon(scan);
    while (more) {
        skip_blanks(scan);
        more = skip_number_in(scan, '<', '>', &ignored) || skip_number_in(scan, '{', '}', &marks->instance) ||
               skip_bracket(scan) || scan_skip(scan, "kernel: ");
        if (scan_skip(scan, "mce: "))
            more = marks->checks = 1;
        if (scan_skip(scan, "[Hardware Error]:"))
            more = marks->hardware = 1;
    }
}

/* --- numbers behind a word -------------------------------------------------------------------------- */

/* The hexadecimal number behind a word, anywhere in the rest. */
static void take_hex(const struct scan *rest, const char *word, unsigned has, uint64_t *number, unsigned *set)
{
    struct scan here = *rest;
    uint64_t value;

    if ((*set & has) == 0 && scan_behind(&here, word) && scan_number(&here, 16, &value)) {
        *number = value;
        *set |= has;
    }
}

static void take_int(const struct scan *rest, const char *word, int base, int limit, int *number)
{
    struct scan here = *rest;
    uint64_t value;

    if (scan_behind(&here, word) && scan_number(&here, base, &value) && value < (uint64_t)limit)
        *number = (int)value;
}

static void set_severity(struct hf_error_line *line, enum hf_error_severity severity)
{
    line->has_severity = 1;
    line->severity = severity;
}

static int has_word(const struct scan *scan, const char *word)
{
    return scan_find(scan, word) != NULL;
}

/* --- raw machine checks ----------------------------------------------------------------------------- */

/* CPU 1: Machine Check Exception: 5 Bank 1: be00000000800400; also with "Event" in place of "Exception". */
static int take_check_head(struct scan rest, struct hf_error_line *line)
{
    uint64_t global, status;
    int cpu = -1;
    int bank = -1;

    if (!scan_skip(&rest, "CPU ") || !scan_int(&rest, HF_CPUS_MAX, &cpu) ||
        !scan_skip(&rest, ": Machine Check"))
        return 0;
    line->exception = scan_skip(&rest, " Exception");
    (void)scan_skip(&rest, " Event");
    if (!scan_skip(&rest, ": ") || !scan_number(&rest, 16, &global) || !scan_skip(&rest, " Bank ") ||
        !scan_int(&rest, BANK_LIMIT, &bank) || !scan_skip(&rest, ": ") || !scan_number(&rest, 16, &status))
        return 0;
    line->cpu = cpu;
    line->bank = bank;
    line->status = status;
    line->global = global;
    line->has |= HF_HAS_STATUS | HF_HAS_GLOBAL;
    line->what = HF_LINE_CHECK_HEAD;
    return 1;
}

static void take_numbers(const struct scan *rest, struct hf_error_line *line)
{
    take_hex(rest, "ADDR ", HF_HAS_ADDRESS, &line->address, &line->has);
    take_hex(rest, "MISC ", HF_HAS_MISC, &line->misc, &line->has);
    take_hex(rest, "SYND ", HF_HAS_SYNDROME, &line->syndrome, &line->has);
    take_hex(rest, "IPID ", HF_HAS_IP_ID, &line->ip_id, &line->has);
}

/* TSC 0 ADDR 12345000 MISC 8c: a number must follow. */
static int take_check_numbers(struct scan rest, struct hf_error_line *line)
{
    struct scan here = rest;
    uint64_t tsc;

    if (!scan_skip(&here, "TSC ") || !scan_number(&here, 16, &tsc) ||
        (scan_left(&here) > 0 && *here.at != ' '))
        return 0;
    take_numbers(&rest, line);
    line->what = HF_LINE_CHECK_NUMBERS;
    return 1;
}

/* PROCESSOR 0:50654 TIME 1795591986 SOCKET 0 APIC 1 microcode 1 */
static int take_check_processor(struct scan rest, struct hf_error_line *line)
{
    struct scan here = rest;
    uint64_t vendor, id;

    if (!scan_skip(&here, "PROCESSOR ") || !scan_number(&here, 10, &vendor) || !scan_skip(&here, ":") ||
        !scan_number(&here, 16, &id) || vendor > 255)
        return 0;
    line->vendor = (int)vendor;
    take_int(&here, "SOCKET ", 10, BANK_LIMIT, &line->socket);
    take_int(&here, "APIC ", 16, APIC_LIMIT, &line->apic);
    line->what = HF_LINE_CHECK_PROCESSOR;
    return 1;
}

static int take_check_words(struct scan rest, struct hf_error_line *line)
{
    if (scan_skip(&rest, "Machine check events logged") || scan_skip(&rest, "Run the above through")) {
        line->what = HF_LINE_CHECK_NOTICE;
    } else if (scan_skip(&rest, "RIP ")) {
        line->what = HF_LINE_CHECK_POINTER;
    } else if (scan_skip(&rest, "Machine check: ") ||
               scan_skip(&rest, "CPUs not responding to MCE broadcast")) {
        line->what = HF_LINE_CHECK_VERDICT;
        set_severity(line, HF_SEVERITY_FATAL);
    } else {
        return 0;
    }
    return 1;
}

/* --- decoded ---------------------------------------------------------------------------------------- */

static int take_decoded_begin(struct scan rest, struct hf_error_line *line)
{
    static const struct {
        const char *words;
        enum hf_error_severity severity;
    } begins[] = {
        {"Corrected error, no action required", HF_SEVERITY_CORRECTED},
        {"Deferred error, no action required", HF_SEVERITY_DEFERRED},
        {"Uncorrected, software restartable error", HF_SEVERITY_UNCORRECTED},
        {"Uncorrected, software containable error", HF_SEVERITY_UNCORRECTED},
        {"System Fatal error", HF_SEVERITY_FATAL},
    };

    for (size_t i = 0; i < sizeof begins / sizeof begins[0]; i++) {
        if (!scan_skip(&rest, begins[i].words))
            continue;
        line->what = HF_LINE_DECODED_BEGIN;
        set_severity(line, begins[i].severity);
        return 1;
    }
    return 0;
}

/* CPU:1 (10:2:3) MC4_STATUS[-|CE|MiscV|AddrV|-|CECC]: 0x9c20400100080a13. The fields differ by family; the
 * number after the bracket holds the same, and may be missing. */
static int take_decoded_status(struct scan rest, struct hf_error_line *line)
{
    struct scan fields;
    int cpu = -1;
    int bank = -1;

    if (!scan_skip(&rest, "CPU:") || !scan_int(&rest, HF_CPUS_MAX, &cpu) || !scan_behind(&rest, ") MC") ||
        !scan_int(&rest, BANK_LIMIT, &bank) || !scan_skip(&rest, "_STATUS["))
        return 0;
    line->cpu = cpu;
    line->bank = bank;
    line->vendor = 2;
    line->what = HF_LINE_DECODED_STATUS;
    fields = rest;
    take_hex(&rest, "]: 0x", HF_HAS_STATUS, &line->status, &line->has);
    if ((line->has & HF_HAS_STATUS) == 0) {
        if (has_word(&fields, "UE|") || has_word(&fields, "UC|"))
            set_severity(line, HF_SEVERITY_UNCORRECTED);
        else if (has_word(&fields, "CE|"))
            set_severity(line, HF_SEVERITY_CORRECTED);
    }
    return 1;
}

/* "event severity: corrected" of the firmware's blocks. */
static void take_firmware_words(const struct scan *rest, struct hf_error_line *line)
{
    static const struct {
        const char *word;
        enum hf_error_severity severity;
    } severities[] = {
        {"corrected", HF_SEVERITY_CORRECTED},
        {"recoverable", HF_SEVERITY_UNCORRECTED},
        {"fatal", HF_SEVERITY_FATAL},
        {"info", HF_SEVERITY_NOTICE},
    };
    struct scan here = *rest;

    if (scan_behind(&here, "event severity: ")) {
        for (size_t i = 0; i < sizeof severities / sizeof severities[0]; i++) {
            if (scan_skip(&here, severities[i].word))
                set_severity(line, severities[i].severity);
        }
    }
    take_int(rest, "APIC_ID: 0x", 16, APIC_LIMIT, &line->apic);
    take_int(rest, "APIC ID: 0x", 16, APIC_LIMIT, &line->apic);
    take_hex(rest, "physical_address: 0x", HF_HAS_ADDRESS, &line->address, &line->has);
}

static void take_hardware_more(const struct scan *rest, struct hf_error_line *line)
{
    line->what = line->instance >= 0 ? HF_LINE_FIRMWARE : HF_LINE_HARDWARE_MORE;
    line->memory = has_word(rest, "DRAM") || has_word(rest, "memory error") || has_word(rest, "DIMM");
    take_hex(rest, "Error Addr: 0x", HF_HAS_ADDRESS, &line->address, &line->has);
    take_hex(rest, "IPID: 0x", HF_HAS_IP_ID, &line->ip_id, &line->has);
    take_hex(rest, "Syndrome: 0x", HF_HAS_SYNDROME, &line->syndrome, &line->has);
    take_firmware_words(rest, line);
}

/* --- memory controllers ----------------------------------------------------------------------------- */

static int take_memory(struct scan rest, struct hf_error_line *line)
{
    struct scan here = rest;
    uint64_t count;
    int controller;

    if (!scan_skip(&here, "EDAC ") || !scan_behind(&here, "MC") ||
        !scan_int(&here, BANK_LIMIT, &controller) || !scan_skip(&here, ": "))
        return 0;
    line->memory = 1;
    if (take_check_head(here, line)) {
        line->what = HF_LINE_MEMORY_CHECK;
        return 1;
    }
    rest = here;
    if (scan_number(&here, 10, &count) && (scan_skip(&here, " CE ") || scan_skip(&here, " UE "))) {
        line->what = HF_LINE_MEMORY_COUNT;
        line->has_count = 1;
        line->count = count;
        set_severity(line, here.at[-3] == 'C' ? HF_SEVERITY_CORRECTED : HF_SEVERITY_UNCORRECTED);
        return 1;
    }
    if (!has_word(&rest, "TSC ") && !has_word(&rest, "ADDR ") && !has_word(&rest, "MISC ") &&
        !has_word(&rest, "PROCESSOR "))
        return 0;
    take_numbers(&rest, line);
    (void)take_check_processor(rest, line);
    line->what = HF_LINE_MEMORY_MORE;
    return 1;
}

/* --- trace points ----------------------------------------------------------------------------------- */

/* mce_record: CPU: 1, MCGc/s: 100010a/0, MC1: 9c..., ADDR/MISC/SYND: a/b/c, ... PROCESSOR: 0:50654, ... APIC:
 * 1 */
static int take_trace_check(struct scan rest, struct hf_error_line *line)
{
    struct scan here;
    uint64_t value;

    if (!scan_behind(&rest, "mce_record: "))
        return 0;
    take_int(&rest, "CPU: ", 10, HF_CPUS_MAX, &line->cpu);
    here = rest;
    if (!scan_behind(&here, "MCGc/s: ") || !scan_number(&here, 16, &value) || !scan_skip(&here, "/") ||
        !scan_number(&here, 16, &line->global) || !scan_skip(&here, ", MC") ||
        !scan_int(&here, BANK_LIMIT, &line->bank) || !scan_skip(&here, ": ") ||
        !scan_number(&here, 16, &line->status))
        return 0;
    line->has |= HF_HAS_GLOBAL;
    line->has |= HF_HAS_STATUS;
    here = rest;
    if (scan_behind(&here, "ADDR/MISC/SYND: ") && scan_number(&here, 16, &line->address) &&
        scan_skip(&here, "/") && scan_number(&here, 16, &line->misc) && scan_skip(&here, "/") &&
        scan_number(&here, 16, &line->syndrome))
        line->has |= HF_HAS_ADDRESS | HF_HAS_MISC | HF_HAS_SYNDROME;
    take_hex(&rest, "ADDR: ", HF_HAS_ADDRESS, &line->address, &line->has);
    take_hex(&rest, "MISC: ", HF_HAS_MISC, &line->misc, &line->has);
    take_hex(&rest, "SYND: ", HF_HAS_SYNDROME, &line->syndrome, &line->has);
    take_hex(&rest, "IPID: ", HF_HAS_IP_ID, &line->ip_id, &line->has);
    take_int(&rest, "PROCESSOR: ", 10, 256, &line->vendor);
    take_int(&rest, "SOCKET: ", 10, BANK_LIMIT, &line->socket);
    take_int(&rest, "APIC: ", 16, APIC_LIMIT, &line->apic);
    line->exception = (line->global & 4) != 0; /* MCG_STATUS.MCIP */
    line->what = HF_LINE_TRACE_CHECK;
    return 1;
}

/* mc_event: 1 Corrected error: memory read error on ... (mc:0 location:0:1:0 address:0x... ...) */
static int take_trace_memory(struct scan rest, struct hf_error_line *line)
{
    if (!scan_behind(&rest, "mc_event: ") || !scan_number(&rest, 10, &line->count))
        return 0;
    line->has_count = 1;
    line->memory = 1;
    line->what = HF_LINE_TRACE_MEMORY;
    if (scan_skip(&rest, " Corrected"))
        set_severity(line, HF_SEVERITY_CORRECTED);
    else if (scan_skip(&rest, " Deferred"))
        set_severity(line, HF_SEVERITY_DEFERRED);
    else if (scan_skip(&rest, " Fatal"))
        set_severity(line, HF_SEVERITY_FATAL);
    else
        set_severity(line, HF_SEVERITY_UNCORRECTED);
    take_hex(&rest, "address:", HF_HAS_ADDRESS, &line->address, &line->has);
    return 1;
}

/* --- the kernel's own words ------------------------------------------------------------------------- */

static int take_lockup(struct scan rest, struct hf_error_line *line)
{
    struct scan here = rest;

    if (scan_skip(&here, "NMI watchdog: ") || scan_skip(&here, "watchdog: "))
        rest = here;
    here = rest;
    if (scan_skip(&here, "BUG: soft lockup - CPU#")) {
        line->what = HF_LINE_SOFT_LOCKUP;
    } else if ((here = rest, scan_skip(&here, "Watchdog detected hard LOCKUP on cpu ")) ||
               (here = rest, scan_skip(&here, "Watchdog CPU:") && has_word(&here, "Hard LOCKUP"))) {
        line->what = HF_LINE_HARD_LOCKUP;
    } else {
        return 0;
    }
    (void)scan_int(&here, HF_CPUS_MAX, &line->cpu);
    set_severity(line, HF_SEVERITY_FATAL);
    return 1;
}

static int take_throttle(struct scan rest, struct hf_error_line *line)
{
    static const char *const words[] = {": Core temperature", ": Package temperature", ": Core power limit",
                                        ": Package power limit"};
    struct scan here = rest;
    int cpu = -1;

    if (!scan_skip(&here, "CPU") || !scan_int(&here, HF_CPUS_MAX, &cpu))
        return 0;
    for (size_t i = 0; i < sizeof words / sizeof words[0]; i++) {
        if (!scan_skip(&here, words[i]))
            continue;
        line->what = HF_LINE_THROTTLE;
        line->cpu = cpu;
        return 1;
    }
    return 0;
}

static int take_reset_reason(struct scan rest, struct hf_error_line *line)
{
    if (!scan_behind(&rest, "Previous system reset reason [0x"))
        return 0;
    line->what = HF_LINE_RESET_REASON;
    if (scan_number(&rest, 16, &line->status))
        line->has |= HF_HAS_STATUS;
    return 1;
}

static int take_kernel_words(struct scan rest, struct hf_error_line *line)
{
    struct scan here = rest;

    if (take_lockup(rest, line) || take_throttle(rest, line) || take_reset_reason(rest, line))
        return 1;
    if (scan_skip(&here, "Kernel panic - not syncing: ")) {
        line->what = HF_LINE_PANIC;
        set_severity(line, HF_SEVERITY_FATAL);
    } else if (scan_skip(&here, "Uhhuh. NMI received for unknown reason ")) {
        line->what = HF_LINE_INTERRUPT;
        take_int(&here, "on CPU ", 10, HF_CPUS_MAX, &line->cpu);
    } else if (scan_skip(&here, "BERT: Error records from previous boot")) {
        line->what = HF_LINE_BOOT_RECORD;
    } else if (has_word(&rest, ": AER: ") || has_word(&rest, "PCIe Bus Error: severity=")) {
        line->what = HF_LINE_DEVICE_BUS;
    } else {
        return 0;
    }
    return 1;
}

/* --- the line --------------------------------------------------------------------------------------- */

static void classify(const struct scan *rest, const struct marks *marks, struct hf_error_line *line)
{
    if (take_check_head(*rest, line) || take_check_numbers(*rest, line) || take_check_processor(*rest, line))
        return;
    if ((marks->checks || marks->hardware) && take_check_words(*rest, line))
        return;
    if (marks->hardware && (take_decoded_begin(*rest, line) || take_decoded_status(*rest, line)))
        return;
    if (marks->hardware)
        take_hardware_more(rest, line);
    else if (!take_memory(*rest, line) && !take_trace_check(*rest, line) && !take_trace_memory(*rest, line))
        (void)take_kernel_words(*rest, line);
}

static void line_init(struct hf_error_line *line)
{
    *line = (struct hf_error_line){.what = HF_LINE_OTHER,
                                   .severity = HF_SEVERITY_NOTICE,
                                   .instance = -1,
                                   .cpu = -1,
                                   .bank = -1,
                                   .socket = -1,
                                   .apic = -1,
                                   .vendor = -1,
                                   .count = 1};
}

size_t hf_error_line_parse(const char *bytes, size_t size, struct hf_error_line *ret_line)
{
    struct scan rest = {bytes, bytes + size};
    struct marks marks;
    const char *glued;

    while (rest.end > rest.at && (rest.end[-1] == '\n' || rest.end[-1] == '\r' || rest.end[-1] == '\0'))
        rest.end--;
    line_init(ret_line);
    skip_prefixes(&rest, &marks);
    if (scan_left(&rest) > 5 && memcmp(rest.at, "EDAC ", 5) == 0) {
        struct scan behind = {rest.at + 5, rest.end};

        glued = scan_find(&behind, " EDAC ");
        if (glued != NULL) {
            rest.end = glued;
            size = (size_t)(glued + 1 - bytes);
        }
    }
    ret_line->instance = marks.hardware ? marks.instance : -1;
    classify(&rest, &marks, ret_line);
    ret_line->text = rest.at;
    ret_line->size = scan_left(&rest);
    return size;
}

const char *hf_error_line_name(enum hf_error_line_what what)
{
    static const char *const names[] = {
        "other",        "check-head",    "check-numbers", "check-pointer",  "check-processor",
        "check-notice", "check-verdict", "decoded-begin", "decoded-status", "hardware-more",
        "memory-count", "memory-check",  "memory-more",   "firmware",       "boot-record",
        "reset-reason", "soft-lockup",   "hard-lockup",   "panic",          "unknown-interrupt",
        "throttle",     "device-bus",    "trace-check",   "trace-memory"};

    _Static_assert(sizeof names / sizeof names[0] == HF_LINE_WHAT_COUNT, "a name for every line");
    assert((unsigned)what < HF_LINE_WHAT_COUNT);
    return names[what];
}
