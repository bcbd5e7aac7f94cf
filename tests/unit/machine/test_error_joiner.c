/* Lines into events: blocks of lines as the kernel prints them, in order and mixed; leftovers of an earlier
 * boot, the same error from two sources, storms, lost records, the store. The lines are those of
 * test_error_lines.c. */
#include "tree.h"

#include <errno.h>
#include <poll.h>
#include <sys/socket.h>
#include <time.h>

#include "holdfast/hardware_errors.h"
#include "holdfast/text.h"

#define SECOND     INT64_C(1000000000)
#define EVENTS_MAX 4096

struct taken {
    int count;
    struct hf_hardware_error event[EVENTS_MAX];
};

static struct taken taken;
static const int16_t group_of_cpu[] = {0, 0, 0, 0, 1, 1, 1, 1};

static void take(void *argument, const struct hf_hardware_error *event)
{
    assert_ptr_equal(argument, &taken);
    assert_true(taken.count < EVENTS_MAX);
    taken.event[taken.count++] = *event;
}

static struct hf_error_joiner *joiner_with(const int16_t *cpu_of_apic, int apic_limit)
{
    struct hf_error_joiner_config config = {group_of_cpu, 8, cpu_of_apic, apic_limit, take, &taken};
    struct hf_error_joiner *joiner = NULL;
    struct hf_error error = {0};

    taken.count = 0;
    assert_int_equal(hf_error_joiner_new(&config, &joiner, &error), HF_OK);
    return joiner;
}

static void feed_at(struct hf_error_joiner *joiner, const char *text, int64_t boot_us, int64_t now_ns)
{
    hf_error_joiner_line(joiner, text, strlen(text), boot_us, 0, now_ns);
}

static void feed(struct hf_error_joiner *joiner, const char *const *lines)
{
    for (; *lines != NULL; lines++)
        feed_at(joiner, *lines, 1000000000, SECOND);
}

/* --- machine checks --------------------------------------------------------------------------------- */

static const char *const corrected[] = {
    "mce: [Hardware Error]: Machine check events logged",
    "mce: [Hardware Error]: CPU 5: Machine Check: 0 Bank 1: 9c00000000010136",
    "mce: [Hardware Error]: TSC 0 ADDR 12345000 MISC 8c ",
    "mce: [Hardware Error]: PROCESSOR 0:50654 TIME 1795591986 SOCKET 0 APIC 5 microcode 1", NULL};

static void test_corrected(void **state)
{
    struct hf_error_joiner *joiner = joiner_with(NULL, 0);
    const struct hf_hardware_error *event = &taken.event[0];

    (void)state;
    feed(joiner, corrected);
    assert_int_equal(taken.count, 1); /* its last line completes it: no waiting */
    assert_int_equal(event->source, HF_FROM_MACHINE_CHECK);
    assert_int_equal(event->severity, HF_SEVERITY_CORRECTED);
    assert_int_equal(event->kind, HF_KIND_CACHE);
    assert_int_equal(event->cpu, 5);
    assert_int_equal(event->group, 1);
    assert_int_equal(event->bank, 1);
    assert_int_equal(event->apic, 5);
    assert_int_equal(event->vendor, 0);
    assert_true(event->has == (HF_HAS_STATUS | HF_HAS_ADDRESS | HF_HAS_MISC | HF_HAS_GLOBAL));
    assert_true(event->address == 0x12345000 && event->misc == 0x8c && event->count == 1);
    assert_int_equal(event->boot_us, 1000000000);
    assert_true(!event->previous_boot && !event->earlier && !event->repeats && !event->exception &&
                !event->overflow);
    assert_true(hf_hardware_error_is_evidence(event));
    assert_string_equal(event->text,
                        "mce: [Hardware Error]: CPU 5: Machine Check: 0 Bank 1: 9c00000000010136\n"
                        "mce: [Hardware Error]: TSC 0 ADDR 12345000 MISC 8c\n"
                        "mce: [Hardware Error]: PROCESSOR 0:50654 TIME 1795591986 SOCKET 0 APIC 5 "
                        "microcode 1");
    hf_error_joiner_free(joiner);
}

static void test_overflow_and_count(void **state)
{
    struct hf_error_joiner *joiner = joiner_with(NULL, 0);

    (void)state;
    feed_at(joiner, "mce: [Hardware Error]: CPU 2: Machine Check: 0 Bank 6: cc59dec000041152", 500000000,
            SECOND);
    hf_error_joiner_tick(joiner, SECOND + SECOND / 4);
    assert_int_equal(taken.count, 0);
    hf_error_joiner_tick(joiner, SECOND + SECOND / 2); /* no further line came */
    assert_int_equal(taken.count, 1);
    assert_int_equal(taken.event[0].count, 26491);
    assert_int_equal(taken.event[0].overflow, 1);
    assert_int_equal(taken.event[0].severity, HF_SEVERITY_CORRECTED);
    hf_error_joiner_free(joiner);
}

static void test_fatal_exception(void **state)
{
    static const char *const lines[] = {
        "mce: [Hardware Error]: CPU 1: Machine Check Exception: 5 Bank 1: be00000000800400",
        "mce: [Hardware Error]: RIP !INEXACT! 10:<ffffffff904592eb> {native_safe_halt+0xb/0x10}",
        "mce: [Hardware Error]: TSC 61e1c4a1f86 ADDR 12345000 MISC 8c ",
        "mce: [Hardware Error]: PROCESSOR 0:50654 TIME 1795591986 SOCKET 0 APIC 1 microcode 1",
        "mce: [Hardware Error]: Run the above through 'mcelog --ascii'",
        "mce: [Hardware Error]: Machine check: Processor context corrupt",
        "Kernel panic - not syncing: Fatal machine check",
        NULL};
    struct hf_error_joiner *joiner = joiner_with(NULL, 0);

    (void)state;
    feed(joiner, lines);
    hf_error_joiner_flush(joiner, SECOND);
    assert_int_equal(taken.count, 3);
    assert_true(taken.event[0].exception && taken.event[0].severity == HF_SEVERITY_FATAL);
    assert_true(taken.event[0].cpu == 1 && taken.event[0].kind == HF_KIND_TIMER &&
                !taken.event[0].previous_boot);
    assert_non_null(strstr(taken.event[0].text, "native_safe_halt"));
    assert_true(taken.event[1].severity == HF_SEVERITY_FATAL && taken.event[1].cpu == -1);
    assert_true(taken.event[2].kind == HF_KIND_PANIC && taken.event[2].severity == HF_SEVERITY_FATAL);
    hf_error_joiner_free(joiner);
}

/* Two CPUs' lines mixed: the third line tells its thread, the map tells whose that is. */
static void test_mixed_lines(void **state)
{
    static const char *const lines[] = {
        "mce: [Hardware Error]: CPU 2: Machine Check: 0 Bank 1: 9c00000000010136",
        "mce: [Hardware Error]: CPU 6: Machine Check: 0 Bank 3: 9c00000000010150",
        "mce: [Hardware Error]: TSC 0 ADDR 2000 ",
        "mce: [Hardware Error]: TSC 0 ADDR 6000 ",
        "mce: [Hardware Error]: PROCESSOR 0:50654 TIME 1795591986 SOCKET 0 APIC c microcode 1",
        "mce: [Hardware Error]: PROCESSOR 0:50654 TIME 1795591986 SOCKET 0 APIC 4 microcode 1",
        NULL};
    static const int16_t cpu_of_apic[] = {0, -1, 1, -1, 2, -1, 3, -1, 4, -1, 5, -1, 6, -1, 7};
    struct hf_error_joiner *joiner = joiner_with(cpu_of_apic, 15);

    (void)state;
    feed(joiner, lines);
    assert_int_equal(taken.count, 2);
    assert_true(taken.event[0].cpu == 6 && taken.event[0].apic == 12 && taken.event[0].address == 0x6000);
    assert_true(taken.event[1].cpu == 2 && taken.event[1].apic == 4 && taken.event[1].address == 0x2000);
    assert_true(taken.event[0].group == 1 && taken.event[1].group == 0);
    hf_error_joiner_free(joiner);
}

/* Seen 3.07 s after the boot that followed a fatal one, in an emulated machine; and the harmless-looking
 * record that a broadcast leaves on another CPU, in the middle of a session. */
static void test_leftover_of_previous_boot(void **state)
{
    struct hf_error_joiner *joiner = joiner_with(NULL, 0);

    (void)state;
    feed_at(joiner, "mce: [Hardware Error]: CPU 1: Machine Check: 0 Bank 1: be00000000800400", 3070000,
            SECOND);
    feed_at(joiner, "mce: [Hardware Error]: PROCESSOR 0:50654 TIME 1795591986 SOCKET 0 APIC 1", 3070000,
            SECOND);
    feed_at(joiner, "mce: [Hardware Error]: CPU 0: Machine Check: 0 Bank 1: a000000000000000", 900000000,
            SECOND);
    feed_at(joiner, "mce: [Hardware Error]: CPU 3: Machine Check: 0 Bank 1: 9c00000000010136", 3070000,
            SECOND);
    hf_error_joiner_flush(joiner, SECOND);
    assert_int_equal(taken.count, 3);
    assert_true(taken.event[0].previous_boot && taken.event[0].severity == HF_SEVERITY_FATAL);
    assert_int_equal(taken.event[0].cpu, 1);
    assert_false(hf_hardware_error_is_evidence(&taken.event[0]));
    assert_true(!taken.event[1].previous_boot && taken.event[1].severity == HF_SEVERITY_UNCORRECTED);
    assert_true(!taken.event[2].previous_boot && taken.event[2].severity == HF_SEVERITY_CORRECTED);
    hf_error_joiner_free(joiner);
}

/* A decoder's words for the same: only what would have ended this boot is certainly the one before's. */
static void test_decoded_leftover(void **state)
{
    static const char fatal[] = "[Hardware Error]: CPU:2 (17:31:0) MC5_STATUS[Over|UE|MiscV|-|PCC|-|-|-]: "
                                "0xfe00000000800400";
    static const char survived[] = "[Hardware Error]: CPU:2 (17:31:0) MC5_STATUS[Over|UE|MiscV|-|-|-|-|-]: "
                                   "0xbc00000000800400";
    struct hf_error_joiner *joiner = joiner_with(NULL, 0);

    (void)state;
    feed_at(joiner, fatal, 3070000, SECOND);
    feed_at(joiner, survived, 3080000, SECOND);
    feed_at(joiner, fatal, 900000000, SECOND);
    hf_error_joiner_flush(joiner, SECOND);
    assert_int_equal(taken.count, 3);
    assert_true(taken.event[0].previous_boot && taken.event[0].severity == HF_SEVERITY_FATAL);
    assert_true(!taken.event[1].previous_boot && taken.event[1].severity == HF_SEVERITY_UNCORRECTED);
    assert_true(!taken.event[2].previous_boot && taken.event[2].severity == HF_SEVERITY_FATAL);
    hf_error_joiner_free(joiner);
}

/* --- other blocks ----------------------------------------------------------------------------------- */

static void test_decoded_block(void **state)
{
    static const char *const lines[] = {
        "[Hardware Error]: Corrected error, no action required.",
        "[Hardware Error]: CPU:1 (10:2:3) MC4_STATUS[-|CE|MiscV|AddrV|-|CECC]: 0x9c20400100080a13",
        "[Hardware Error]: Error Addr: 0x0000000012345000",
        "[Hardware Error]: MC4 Error (node 0): DRAM ECC error detected on the NB.",
        "[Hardware Error]: cache level: L3/GEN, mem/io: MEM, mem-tx: RD, part-proc: RES (no timeout)",
        "[Hardware Error]: Deferred error, no action required.",
        "[Hardware Error]: CPU:0 (17:31:0) MC255_STATUS[-|CE|-|-|AddrV|-|-|-]",
        NULL};
    struct hf_error_joiner *joiner = joiner_with(NULL, 0);

    (void)state;
    feed(joiner, lines);
    assert_int_equal(taken.count, 1);
    assert_true(taken.event[0].source == HF_FROM_DECODER && taken.event[0].severity == HF_SEVERITY_CORRECTED);
    assert_true(taken.event[0].kind == HF_KIND_MEMORY && taken.event[0].cpu == 1 && taken.event[0].bank == 4);
    assert_true(taken.event[0].address == 0x12345000 && taken.event[0].status == 0x9c20400100080a13);
    assert_true(taken.event[0].vendor == 2 && taken.event[0].count == 1);
    hf_error_joiner_tick(joiner, SECOND * 2);
    assert_int_equal(taken.count, 2);
    assert_true(taken.event[1].severity == HF_SEVERITY_DEFERRED && taken.event[1].bank == 255);
    hf_error_joiner_free(joiner);
}

static void test_firmware_blocks(void **state)
{
    static const char *const lines[] = {
        "{37}[Hardware Error]: Hardware error from APEI Generic Hardware Error Source: 162",
        "{38}[Hardware Error]: Hardware error from APEI Generic Hardware Error Source: 0",
        "{37}[Hardware Error]: event severity: corrected",
        "{38}[Hardware Error]: event severity: recoverable",
        "{37}[Hardware Error]:   section_type: memory error",
        "{37}[Hardware Error]:   DIMM location: CPU 2 DIMM 30",
        "{38}[Hardware Error]:   section_type: IA32/X64 processor error",
        "{38}[Hardware Error]:   Local APIC_ID: 0x4",
        NULL};
    static const int16_t cpu_of_apic[] = {0, 1, 2, 3, 7};
    struct hf_error_joiner *joiner = joiner_with(cpu_of_apic, 5);

    (void)state;
    feed(joiner, lines);
    assert_int_equal(taken.count, 0);
    hf_error_joiner_tick(joiner, SECOND * 2);
    assert_int_equal(taken.count, 2);
    assert_true(taken.event[0].source == HF_FROM_FIRMWARE &&
                taken.event[0].severity == HF_SEVERITY_CORRECTED);
    assert_true(taken.event[0].kind == HF_KIND_MEMORY && taken.event[0].cpu == -1 &&
                taken.event[0].group == -1);
    assert_non_null(strstr(taken.event[0].text, "DIMM 30"));
    assert_null(strstr(taken.event[0].text, "{38}"));
    assert_true(taken.event[1].severity == HF_SEVERITY_UNCORRECTED && taken.event[1].cpu == 7);
    assert_int_equal(taken.event[1].group, 1);
    hf_error_joiner_free(joiner);
}

static void test_boot_record(void **state)
{
    static const char *const lines[] = {
        "BERT: Error records from previous boot:", "[Hardware Error]: event severity: fatal",
        "[Hardware Error]:  Error 0, type: fatal", "[Hardware Error]:   section_type: memory error", NULL};
    struct hf_error_joiner *joiner = joiner_with(NULL, 0);

    (void)state;
    feed(joiner, lines);
    hf_error_joiner_flush(joiner, SECOND);
    assert_int_equal(taken.count, 1);
    assert_true(taken.event[0].source == HF_FROM_BOOT_RECORD && taken.event[0].previous_boot);
    assert_true(taken.event[0].severity == HF_SEVERITY_FATAL && taken.event[0].kind == HF_KIND_MEMORY);
    hf_error_joiner_free(joiner);
}

static void test_kernel_words(void **state)
{
    static const struct {
        const char *text;
        enum hf_error_kind kind;
        enum hf_error_severity severity;
        int cpu, group, previous, evidence;
    } cases[] = {
        {"watchdog: BUG: soft lockup - CPU#2 stuck for 23s! [kworker/2:1:25629]", HF_KIND_SOFT_LOCKUP,
         HF_SEVERITY_UNCORRECTED, 2, 0, 0, 1},
        {"NMI watchdog: Watchdog detected hard LOCKUP on cpu 6", HF_KIND_HARD_LOCKUP, HF_SEVERITY_FATAL, 6, 1,
         0, 1},
        {"Kernel panic - not syncing: Hard LOCKUP", HF_KIND_PANIC, HF_SEVERITY_FATAL, -1, -1, 0, 1},
        {"Uhhuh. NMI received for unknown reason 21 on CPU 0.", HF_KIND_INTERRUPT, HF_SEVERITY_NOTICE, 0, 0,
         0, 0},
        {"mce: CPU3: Core temperature above threshold, cpu clock throttled (total events = 1)",
         HF_KIND_THROTTLE, HF_SEVERITY_NOTICE, 3, 0, 0, 0},
        {"pcieport 0000:00:1c.0: PCIe Bus Error: severity=Uncorrected (Fatal)", HF_KIND_DEVICE_BUS,
         HF_SEVERITY_NOTICE, -1, -1, 0, 0},
        {"x86/amd: Previous system reset reason [0x08000800]: an uncorrected error caused a data fabric sync "
         "flood "
         "event",
         HF_KIND_RESET_REASON, HF_SEVERITY_FATAL, -1, -1, 1, 0},
        {"x86/amd: Previous system reset reason [0x00080800]: software wrote 0x6 to reset control register "
         "0xCF9",
         HF_KIND_RESET_REASON, HF_SEVERITY_NOTICE, -1, -1, 1, 0},
        {"EDAC MC0: 4 CE error on CPU#0Channel#2_DIMM#0 (channel:2 slot:0 page:0x0)", HF_KIND_MEMORY,
         HF_SEVERITY_CORRECTED, -1, -1, 0, 1},
    };

    (void)state;
    for (size_t i = 0; i < sizeof cases / sizeof cases[0]; i++) {
        struct hf_error_joiner *joiner = joiner_with(NULL, 0);

        feed_at(joiner, cases[i].text, 1000000000, SECOND);
        assert_int_equal(taken.count, 1);
        assert_int_equal(taken.event[0].kind, cases[i].kind);
        assert_int_equal(taken.event[0].severity, cases[i].severity);
        assert_int_equal(taken.event[0].cpu, cases[i].cpu);
        assert_int_equal(taken.event[0].group, cases[i].group);
        assert_int_equal(taken.event[0].previous_boot, cases[i].previous);
        assert_int_equal(hf_hardware_error_is_evidence(&taken.event[0]), cases[i].evidence);
        assert_string_equal(taken.event[0].text, cases[i].text);
        hf_error_joiner_free(joiner);
    }
}

/* --- two sources, storms ---------------------------------------------------------------------------- */

static const char trace_line[] =
    "  <idle>-0 [005] d.h1. 1000.0: mce_record: CPU: 5, MCGc/s: 100010a/0, MC1: "
    "9c00000000010136, IPID: 0, ADDR/MISC/SYND: 12345000/8c/0, RIP: 00:<0>, TSC: 0, "
    "PROCESSOR: 0:50654, TIME: 1795591986, SOCKET: 0, APIC: 5";

static void test_told_twice(void **state)
{
    struct hf_error_joiner *joiner = joiner_with(NULL, 0);

    (void)state;
    feed(joiner, corrected);
    hf_error_joiner_line(joiner, trace_line, sizeof trace_line - 1, 1000500000, 0, SECOND);
    assert_int_equal(taken.count, 2);
    assert_true(hf_hardware_error_is_evidence(&taken.event[0]));
    assert_true(taken.event[1].repeats && !hf_hardware_error_is_evidence(&taken.event[1]));
    hf_error_joiner_line(joiner, trace_line, sizeof trace_line - 1, -1, 0,
                         11 * SECOND); /* 10 s later: another */
    assert_true(!taken.event[2].repeats);
    feed(joiner, corrected); /* the same source again is never a repetition */
    assert_true(!taken.event[3].repeats);
    hf_error_joiner_free(joiner);
}

/* A backlog is read in one go: the log's own times tell its errors apart, and those of another source. */
static void test_told_twice_in_the_past(void **state)
{
    static const char decoded[] = "[Hardware Error]: CPU:5 (17:31:0) MC1_STATUS[-|CE|MiscV|AddrV|-|-|-|-]: "
                                  "0x9c00000000010136";
    struct hf_error_joiner *joiner = joiner_with(NULL, 0);

    (void)state;
    for (const char *const *line = corrected; *line != NULL; line++)
        hf_error_joiner_line(joiner, *line, strlen(*line), 500000000, HF_ORIGIN_EARLIER, SECOND);
    hf_error_joiner_line(joiner, decoded, sizeof decoded - 1, 500100000, HF_ORIGIN_EARLIER, SECOND);
    hf_error_joiner_flush(joiner, SECOND);
    hf_error_joiner_line(joiner, decoded, sizeof decoded - 1, 600000000, HF_ORIGIN_EARLIER, SECOND);
    hf_error_joiner_flush(joiner, SECOND);
    assert_int_equal(taken.count, 3);
    assert_true(!taken.event[0].repeats && taken.event[1].repeats && !taken.event[2].repeats);
    hf_error_joiner_free(joiner);
}

static void test_memory_told_twice(void **state)
{
    static const char *const lines[] = {
        "mce: [Hardware Error]: CPU 1: Machine Check: 0 Bank 7: 8c000047000800c2",
        "mce: [Hardware Error]: PROCESSOR 0:50654 TIME 1795591986 SOCKET 0 APIC 1",
        "EDAC MC1: 1 CE memory scrubbing error on heron_DIMM#0 (channel:0)", NULL};
    struct hf_error_joiner *joiner = joiner_with(NULL, 0);

    (void)state;
    feed(joiner, lines);
    assert_int_equal(taken.count, 2);
    assert_true(taken.event[0].kind == HF_KIND_MEMORY && !taken.event[0].repeats);
    assert_true(taken.event[1].kind == HF_KIND_MEMORY && taken.event[1].repeats);
    hf_error_joiner_free(joiner);
}

static void test_storm(void **state)
{
    struct hf_error_joiner *joiner = joiner_with(NULL, 0);
    struct hf_error_totals totals;
    int64_t now = SECOND;
    int evidence = 0;

    (void)state;
    for (int i = 0; i < 1000; i++) {
        feed_at(joiner, "EDAC MC0: 4 CE error on heron_DIMM#0 (channel:2)", 1000000 * (i + 1000), now);
        now += SECOND / 50;
    }
    assert_int_equal(taken.count, 10);
    feed_at(joiner, "mce: [Hardware Error]: CPU 5: Machine Check: 0 Bank 1: 9c00000000010136", 5000000000,
            now);
    hf_error_joiner_tick(joiner, now + SECOND);
    assert_int_equal(taken.count, 11); /* another kind is not held down by this storm */
    hf_error_joiner_tick(joiner, SECOND + 60 * SECOND);
    assert_int_equal(taken.count, 12);
    assert_true(taken.event[11].kind == HF_KIND_STORM && taken.event[11].count == 4 * 990);
    assert_non_null(strstr(taken.event[11].text, "990 more corrected reports of a memory error"));
    for (int i = 0; i < taken.count; i++)
        evidence += hf_hardware_error_is_evidence(&taken.event[i]);
    assert_int_equal(evidence, 11);
    feed_at(joiner, "EDAC MC0: 4 CE error on heron_DIMM#0 (channel:2)", 9000000000, SECOND + 61 * SECOND);
    assert_int_equal(taken.count, 13); /* a new window */
    hf_error_joiner_totals(joiner, &totals);
    assert_int_equal(totals.events, 13);
    assert_int_equal(totals.held_down, 990);
    assert_int_equal(totals.lines, 1002);
    hf_error_joiner_free(joiner);
}

/* More kinds of storm than the table holds, more open events than there is room for: nothing is lost
 * uncounted. */
static void test_limits(void **state)
{
    struct hf_error_joiner *joiner = joiner_with(NULL, 0);
    uint64_t told = 0;

    (void)state;
    for (int round = 0; round < 20; round++) {
        for (int bank = 0; bank < 100; bank++) {
            char text[128];

            snprintf(text, sizeof text,
                     "mce: [Hardware Error]: CPU %d: Machine Check: 0 Bank %d: 9c00000000010136", round % 8,
                     bank);
            feed_at(joiner, text, 1000000000 + round * 10000000, SECOND + round);
        }
    }
    hf_error_joiner_flush(joiner, 2 * SECOND);
    for (int i = 0; i < taken.count; i++)
        told += taken.event[i].count;
    assert_int_equal(told, 2000);
    hf_error_joiner_free(joiner);
}

static void test_long_and_foreign_text(void **state)
{
    struct hf_error_joiner *joiner = joiner_with(NULL, 0);
    char text[4000];

    (void)state;
    memset(text, 'x', sizeof text);
    memcpy(text, "EDAC MC0: 1 CE \xff\xfe\x01", 18);
    hf_error_joiner_line(joiner, text, sizeof text, 5, 0, SECOND);
    assert_int_equal(taken.count, 1);
    assert_int_equal(strlen(taken.event[0].text), HF_ERROR_TEXT_MAX - 1);
    assert_memory_equal(taken.event[0].text, "EDAC MC0: 1 CE ???", 18);
    hf_error_joiner_free(joiner);
}

/* Cut to fit, but never within a character. */
static void test_text_is_cut_between_characters(void **state)
{
    (void)state;
    for (size_t shift = 0; shift < 4; shift++) {
        struct hf_error_joiner *joiner = joiner_with(NULL, 0);
        char text[3000] = "EDAC MC0: 1 CE ";
        size_t size = strlen(text);

        for (size_t i = 0; i < shift; i++)
            text[size++] = 'x';
        for (int i = 0; i < 600; i++, size += 4)
            memcpy(text + size, "\xf0\x9f\x8c\x8a", 4);
        hf_error_joiner_line(joiner, text, size, 5, 0, SECOND);
        assert_int_equal(taken.count, 1);
        assert_true(hf_text_is_utf8(taken.event[0].text, strlen(taken.event[0].text)));
        assert_true(strlen(taken.event[0].text) > HF_ERROR_TEXT_MAX - 5);
        hf_error_joiner_free(joiner);
    }
}

/* Every sample, cut and mixed in any order: nothing breaks, nothing is passed on that has no severity or
 * text. */
static void test_random_order(void **state)
{
    static const char *const all[] = {
        "mce: [Hardware Error]: CPU 1: Machine Check: 0 Bank 1: 9c00000000010136",
        "mce: [Hardware Error]: TSC 0 ADDR 12345000 MISC 8c ",
        "mce: [Hardware Error]: PROCESSOR 0:50654 TIME 1795591986 SOCKET 0 APIC 1 microcode 1",
        "mce: [Hardware Error]: RIP !INEXACT! 10:<ffffffff904592eb> {native_safe_halt+0xb/0x10}",
        "[Hardware Error]: Corrected error, no action required.",
        "[Hardware Error]: CPU:1 (10:2:3) MC4_STATUS[-|CE|MiscV|AddrV|-|CECC]: 0x9c20400100080a13",
        "[Hardware Error]: Error Addr: 0x0000000012345000",
        "EDAC sbridge MC3: ADDR 12345000 EDAC sbridge MC3: MISC 144780c86",
        "EDAC sbridge MC1: CPU 1: Machine Check Event: 0 Bank 11: 8c000047000800c2",
        "{37}[Hardware Error]: event severity: corrected",
        "BERT: Error records from previous boot:",
        "Kernel panic - not syncing: Fatal machine check",
        trace_line,
    };
    struct hf_error_joiner *joiner = joiner_with(NULL, 0);
    uint64_t random = 7;

    (void)state;
    for (int round = 0; round < 40000; round++) {
        const char *text;
        size_t size;
        char *exact;

        random = random * UINT64_C(6364136223846793005) + 1442695040888963407u;
        text = all[(random >> 33) % (sizeof all / sizeof all[0])];
        size = strlen(text);
        if ((random >> 20) % 5 == 0)
            size = (random >> 25) % (size + 1);
        exact = malloc(size > 0 ? size : 1);
        assert_non_null(exact);
        memcpy(exact, text, size);
        hf_error_joiner_line(joiner, exact, size, (int64_t)(random >> 50), (random >> 10) % 4,
                             SECOND + (int64_t)round * 1000000);
        free(exact);
        if (round % 16 == 0)
            hf_error_joiner_tick(joiner, SECOND + (int64_t)round * 1000000);
        if (taken.count > EVENTS_MAX - 400)
            taken.count = 0;
        for (int i = 0; i < taken.count && i < 4; i++)
            assert_true(taken.event[i].text[0] != '\0');
    }
    hf_error_joiner_free(joiner);
}

/* --- the log reader --------------------------------------------------------------------------------- */

struct log_script {
    const char *const *record; /* NULL-terminated; "!EPIPE" and such are errors */
    int at;
};

static int log_open(void *context, const char *path)
{
    (void)context;
    return strcmp(path, "/denied") == 0 ? -EPERM : 7;
}

static int log_read(void *context, int handle, char *bytes, size_t size)
{
    struct log_script *script = context;
    const char *record = script->record[script->at];

    assert_int_equal(handle, 7);
    if (record == NULL)
        return -EAGAIN;
    script->at++;
    if (strcmp(record, "!EPIPE") == 0)
        return -EPIPE;
    if (strcmp(record, "!EAGAIN") == 0)
        return -EAGAIN;
    if (strcmp(record, "!EIO") == 0)
        return -EIO;
    assert_true(strlen(record) <= size);
    memcpy(bytes, record, strlen(record));
    return (int)strlen(record);
}

static void log_close(void *context, int handle)
{
    (void)context;
    assert_int_equal(handle, 7);
}

static void test_log_records(void **state)
{
    static const char *const records[] = {
        "6,100,2000000,-;Linux version 6.1\n",
        "0,101,3070000,-;mce: [Hardware Error]: CPU 1: Machine Check: 0 Bank 1: be00000000800400\n",
        "0,102,3070001,-;mce: [Hardware Error]: PROCESSOR 0:50654 TIME 1 SOCKET 0 APIC 1\n",
        "4,103,500000000,-;EDAC MC0: 1 CE error on heron_DIMM#0\n",
        "!EAGAIN",
        "8,104,600000000,-;mce: [Hardware Error]: CPU 1: Machine Check: 0 Bank 1: "
        "9c00000000010136\n", /* a
                                 program's
                               */
        "!EPIPE",
        "4,110,700000000,-;EDAC MC0: 2 CE error on heron_DIMM#0\n",
        "garbage",
        "4,111,710000000,-;EDAC MC1: 3 UE error on heron_DIMM#1\n SUBSYSTEM=edac\n",
        NULL};
    struct log_script script = {records, 0};
    struct hf_log_ops ops = {log_open, log_read, log_close, &script};
    struct hf_error_joiner *joiner = joiner_with(NULL, 0);
    struct hf_log_reader *reader = NULL;
    struct hf_log_totals totals;
    struct hf_error error = {0};

    (void)state;
    assert_int_equal(hf_log_reader_open(&ops, HF_LOG_KERNEL, NULL, joiner, &reader, &error), HF_OK);
    assert_int_equal(hf_log_reader_handle(reader), 7);
    assert_int_equal(hf_log_reader_drain(reader, SECOND, 1000, &error), 4);
    assert_int_equal(taken.count, 2);
    assert_true(taken.event[0].previous_boot && taken.event[0].earlier && taken.event[0].cpu == 1);
    assert_true(taken.event[1].earlier && !hf_hardware_error_is_evidence(&taken.event[1]));
    assert_int_equal(hf_log_reader_drain(reader, 2 * SECOND, 1000, &error), 5);
    assert_int_equal(taken.count, 5);
    assert_true(taken.event[2].kind == HF_KIND_LOST && taken.event[2].count == 5);
    assert_true(taken.event[3].count == 2 && hf_hardware_error_is_evidence(&taken.event[3]));
    assert_true(taken.event[4].severity == HF_SEVERITY_UNCORRECTED && taken.event[4].count == 3);
    hf_log_reader_totals(reader, &totals);
    assert_true(totals.records == 8 && totals.foreign == 2 && totals.lost == 5 && totals.begin_is_missing);
    hf_log_reader_close(reader);
    assert_int_equal(hf_log_reader_open(&ops, HF_LOG_KERNEL, "/denied", joiner, &reader, &error),
                     HF_E_PERMISSION);
    assert_non_null(strstr(error.message, "dmesg_restrict"));
    hf_error_joiner_free(joiner);
}

static void test_log_fails(void **state)
{
    static const char *const records[] = {"4,1,700000000,-;EDAC MC0: 2 CE error on heron_DIMM#0\n", "!EIO",
                                          NULL};
    struct log_script script = {records, 0};
    struct hf_log_ops ops = {log_open, log_read, log_close, &script};
    struct hf_error_joiner *joiner = joiner_with(NULL, 0);
    struct hf_log_reader *reader = NULL;
    struct hf_error error = {0};

    (void)state;
    assert_int_equal(hf_log_reader_open(&ops, HF_LOG_KERNEL, NULL, joiner, &reader, &error), HF_OK);
    assert_int_equal(hf_log_reader_drain(reader, SECOND, 1000, &error), HF_E_IO);
    assert_int_equal(taken.count, 1);
    hf_log_reader_close(reader);
    hf_error_joiner_free(joiner);
}

/* A pipe of text in pieces that end anywhere, at every length. */
static void test_trace_in_pieces(void **state)
{
    (void)state;
    for (size_t piece = 1; piece < 300; piece += 7) {
        const char *pieces[600];
        char copies[600][304];
        char whole[sizeof trace_line * 2 + 64];
        struct log_script script = {pieces, 0};
        struct hf_log_ops ops = {log_open, log_read, log_close, &script};
        struct hf_error_joiner *joiner = joiner_with(NULL, 0);
        struct hf_log_reader *reader = NULL;
        struct hf_error error = {0};
        size_t at = 0;
        int count = 1;

        pieces[0] = "!EAGAIN"; /* nothing from before */
        snprintf(whole, sizeof whole, "%s\n\nCPU:3 [LOST 12 EVENTS]\n%s\n", trace_line, trace_line);
        for (; at < strlen(whole); at += piece, count++) {
            snprintf(copies[count], sizeof copies[count], "%.*s", (int)piece, whole + at);
            pieces[count] = copies[count];
        }
        pieces[count] = NULL;
        assert_int_equal(hf_log_reader_open(&ops, HF_LOG_TRACE, "/pipe", joiner, &reader, &error), HF_OK);
        assert_int_equal(hf_log_reader_drain(reader, SECOND, 10000, &error), 0);
        assert_int_equal(hf_log_reader_drain(reader, SECOND, 10000, &error), count - 1);
        assert_int_equal(taken.count, 2);
        assert_true(taken.event[1].cpu == 5 && taken.event[1].source == HF_FROM_TRACE &&
                    !taken.event[1].earlier);
        hf_log_reader_close(reader);
        hf_error_joiner_free(joiner);
    }
}

/* What an instance holds that a killed session left behind is the past. */
static void test_trace_left_behind(void **state)
{
    char line[sizeof trace_line + 1];
    const char *records[] = {line, "!EAGAIN", line, NULL};
    struct log_script script = {records, 0};
    struct hf_log_ops ops = {log_open, log_read, log_close, &script};
    struct hf_error_joiner *joiner = joiner_with(NULL, 0);
    struct hf_log_reader *reader = NULL;
    struct hf_error error = {0};

    (void)state;
    snprintf(line, sizeof line, "%s\n", trace_line);
    assert_int_equal(hf_log_reader_open(&ops, HF_LOG_TRACE, "/pipe", joiner, &reader, &error), HF_OK);
    assert_int_equal(hf_log_reader_drain(reader, SECOND, 1000, &error), 1);
    assert_int_equal(hf_log_reader_drain(reader, 5 * SECOND, 1000, &error), 1);
    assert_int_equal(taken.count, 2);
    assert_true(taken.event[0].earlier && !hf_hardware_error_is_evidence(&taken.event[0]));
    assert_true(!taken.event[1].earlier && hf_hardware_error_is_evidence(&taken.event[1]));
    hf_log_reader_close(reader);
    hf_error_joiner_free(joiner);
}

/* An endless line does not stop the reader for ever. */
static void test_trace_endless_line(void **state)
{
    char chunk[257];
    char tail[sizeof trace_line + 1];
    const char *records[80];
    struct log_script script = {records, 0};
    struct hf_log_ops ops = {log_open, log_read, log_close, &script};
    struct hf_error_joiner *joiner = joiner_with(NULL, 0);
    struct hf_log_reader *reader = NULL;
    struct hf_error error = {0};
    int count = 0;

    (void)state;
    memset(chunk, 'z', 256);
    chunk[256] = '\0';
    snprintf(tail, sizeof tail, "%s\n", trace_line);
    while (count < 70) /* 64 of them fill the reader's buffer */
        records[count++] = chunk;
    records[count++] = tail; /* the end of the endless line */
    records[count++] = tail;
    records[count] = NULL;
    assert_int_equal(hf_log_reader_open(&ops, HF_LOG_TRACE, "/pipe", joiner, &reader, &error), HF_OK);
    assert_int_equal(hf_log_reader_drain(reader, SECOND, 1000, &error), count);
    assert_int_equal(taken.count, 1);
    hf_log_reader_close(reader);
    hf_error_joiner_free(joiner);
}

/* --- speed: from the record's arrival to the caller ------------------------------------------------- */

static int socket_handle;

static int socket_open(void *context, const char *path)
{
    (void)context;
    (void)path;
    return socket_handle;
}

static void socket_leave_open(void *context, int handle)
{
    (void)context;
    (void)handle;
}

/* A message log made of a socket that keeps records apart, polled as an event loop would: the wait for
 * further lines, 0.5 s, is the longest part. */
static void test_line_reaches_caller_within_a_second(void **state)
{
    static const char record[] = "0,5,9000000000,-;mce: [Hardware Error]: CPU 2: Machine Check: 0 Bank 6: "
                                 "cc59dec000041152\n";
    struct hf_log_ops ops = {socket_open, hf_log_real.read, socket_leave_open, NULL};
    struct hf_error_joiner *joiner = joiner_with(NULL, 0);
    struct hf_log_reader *reader = NULL;
    struct hf_error error = {0};
    struct timespec clock;
    int64_t begin, now;
    int pair[2];

    (void)state;
    assert_int_equal(socketpair(AF_UNIX, SOCK_SEQPACKET | SOCK_NONBLOCK, 0, pair), 0);
    socket_handle = pair[0];
    assert_int_equal(hf_log_reader_open(&ops, HF_LOG_KERNEL, NULL, joiner, &reader, &error), HF_OK);
    assert_int_equal(hf_log_reader_drain(reader, 1, 100, &error), 0);
    (void)clock_gettime(CLOCK_MONOTONIC, &clock);
    begin = now = clock.tv_sec * SECOND + clock.tv_nsec;
    assert_int_equal(write(pair[1], record, sizeof record - 1), sizeof record - 1);
    while (taken.count == 0 && now - begin < 5 * SECOND) {
        struct pollfd wait = {pair[0], POLLIN, 0};

        (void)poll(&wait, 1, 250);
        (void)clock_gettime(CLOCK_MONOTONIC, &clock);
        now = clock.tv_sec * SECOND + clock.tv_nsec;
        assert_true(hf_log_reader_drain(reader, now, 100, &error) >= 0);
        hf_error_joiner_tick(joiner, now);
    }
    assert_int_equal(taken.count, 1);
    assert_int_equal(taken.event[0].earlier, 0);
    print_message("an error line reached the caller after %.0f ms\n", (double)(now - begin) * 1e-6);
    assert_true(now - begin < SECOND);
    hf_log_reader_close(reader);
    hf_error_joiner_free(joiner);
    close(pair[0]);
    close(pair[1]);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(test_corrected),
        cmocka_unit_test(test_overflow_and_count),
        cmocka_unit_test(test_fatal_exception),
        cmocka_unit_test(test_mixed_lines),
        cmocka_unit_test(test_leftover_of_previous_boot),
        cmocka_unit_test(test_decoded_leftover),
        cmocka_unit_test(test_decoded_block),
        cmocka_unit_test(test_firmware_blocks),
        cmocka_unit_test(test_boot_record),
        cmocka_unit_test(test_kernel_words),
        cmocka_unit_test(test_told_twice),
        cmocka_unit_test(test_told_twice_in_the_past),
        cmocka_unit_test(test_memory_told_twice),
        cmocka_unit_test(test_storm),
        cmocka_unit_test(test_limits),
        cmocka_unit_test(test_long_and_foreign_text),
        cmocka_unit_test(test_text_is_cut_between_characters),
        cmocka_unit_test(test_random_order),
        cmocka_unit_test(test_log_records),
        cmocka_unit_test(test_log_fails),
        cmocka_unit_test(test_trace_in_pieces),
        cmocka_unit_test(test_trace_left_behind),
        cmocka_unit_test(test_trace_endless_line),
        cmocka_unit_test(test_line_reaches_caller_within_a_second),
    };

    return cmocka_run_group_tests(tests, NULL, NULL);
}
