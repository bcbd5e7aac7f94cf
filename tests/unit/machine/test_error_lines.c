/* Lines of hardware error reports: every known form, prefixes, status bits, and mutations of all of them.
 *
 * Sources: lines marked "emulated" came from Linux 6.1 in an emulated machine into which the error was
 * injected; the others were published in the bug report named beside them, with the host's name replaced by
 * ours. */
#include "tree.h"

#include "holdfast/hardware_errors.h"
#include "holdfast/text.h"

struct wanted {
    const char *text;
    enum hf_error_line_what what;
    int cpu, bank;
    uint64_t status;
};

static const struct wanted lines[] = {
    /* emulated: raw machine checks */
    {"mce: [Hardware Error]: Machine check events logged", HF_LINE_CHECK_NOTICE, -1, -1, 0},
    {"mce: [Hardware Error]: CPU 1: Machine Check: 0 Bank 1: 9c00000000010136", HF_LINE_CHECK_HEAD, 1, 1,
     0x9c00000000010136},
    {"mce: [Hardware Error]: TSC 0 ADDR 12345000 MISC 8c ", HF_LINE_CHECK_NUMBERS, -1, -1, 0},
    {"mce: [Hardware Error]: PROCESSOR 0:50654 TIME 1795591986 SOCKET 0 APIC 1 microcode 1",
     HF_LINE_CHECK_PROCESSOR, -1, -1, 0},
    {"mce: [Hardware Error]: CPU 1: Machine Check Exception: 5 Bank 1: be00000000800400", HF_LINE_CHECK_HEAD,
     1, 1, 0xbe00000000800400},
    {"mce: [Hardware Error]: RIP !INEXACT! 10:<ffffffff904592eb> {native_safe_halt+0xb/0x10}",
     HF_LINE_CHECK_POINTER, -1, -1, 0},
    {"mce: [Hardware Error]: Run the above through 'mcelog --ascii'", HF_LINE_CHECK_NOTICE, -1, -1, 0},
    {"mce: [Hardware Error]: Machine check: Processor context corrupt", HF_LINE_CHECK_VERDICT, -1, -1, 0},
    {"mce: [Hardware Error]: Machine check: Processor Context Corrupt", HF_LINE_CHECK_VERDICT, -1, -1, 0},
    {"Kernel panic - not syncing: Fatal machine check", HF_LINE_PANIC, -1, -1, 0},
    {"Kernel panic - not syncing: Fatal local machine check", HF_LINE_PANIC, -1, -1, 0},
    {"mce: CPUs not responding to MCE broadcast (may include false positives): 0,2-3", HF_LINE_CHECK_VERDICT,
     -1, -1, 0},
    {"Kernel panic - not syncing: Timeout: Not all CPUs entered broadcast exception handler", HF_LINE_PANIC,
     -1, -1, 0},
    /* emulated: the decoder's */
    {"[Hardware Error]: Corrected error, no action required.", HF_LINE_DECODED_BEGIN, -1, -1, 0},
    {"[Hardware Error]: Deferred error, no action required.", HF_LINE_DECODED_BEGIN, -1, -1, 0},
    {"[Hardware Error]: Uncorrected, software restartable error.", HF_LINE_DECODED_BEGIN, -1, -1, 0},
    {"[Hardware Error]: Uncorrected, software containable error.", HF_LINE_DECODED_BEGIN, -1, -1, 0},
    {"[Hardware Error]: System Fatal error.", HF_LINE_DECODED_BEGIN, -1, -1, 0},
    {"[Hardware Error]: CPU:1 (10:2:3) MC4_STATUS[-|CE|MiscV|AddrV|-|CECC]: 0x9c20400100080a13",
     HF_LINE_DECODED_STATUS, 1, 4, 0x9c20400100080a13},
    {"[Hardware Error]: Error Addr: 0x0000000012345000", HF_LINE_HARDWARE_MORE, -1, -1, 0},
    {"[Hardware Error]: MC4 Error (node 0): DRAM ECC error detected on the NB.", HF_LINE_HARDWARE_MORE, -1,
     -1, 0},
    {"[Hardware Error]: cache level: L3/GEN, mem/io: MEM, mem-tx: RD, part-proc: RES (no timeout)",
     HF_LINE_HARDWARE_MORE, -1, -1, 0},
    /* the memory controllers' drivers */
    {"EDAC sbridge MC1: CPU 1: Machine Check Event: 0 Bank 11: 8c000047000800c2", HF_LINE_MEMORY_CHECK, 1, 11,
     0x8c000047000800c2},
    {"EDAC sbridge MC3: ADDR 12345000 ", HF_LINE_MEMORY_MORE, -1, -1, 0},
    /* github.com/home-assistant/operating-system/issues/2989 */
    {"Dec 13 13:46:08 heron kernel: mce: [Hardware Error]: CPU 2: Machine Check: 0 Bank 6: cc59dec000041152",
     HF_LINE_CHECK_HEAD, 2, 6, 0xcc59dec000041152},
    /* github.com/intel/Intel-Linux-Processor-Microcode-Data-Files/issues/30 */
    {"May 20 12:52:36 heron kernel: mce: [Hardware Error]: CPU 4: Machine Check: 0 Bank 0: 9400004000040150",
     HF_LINE_CHECK_HEAD, 4, 0, 0x9400004000040150},
    {"May 20 12:52:36 heron kernel: mce: [Hardware Error]: TSC 95c3139c900 ADDR 1ffff98d3ee3f",
     HF_LINE_CHECK_NUMBERS, -1, -1, 0},
    /* github.com/oracle/oracle-linux/issues/166: no number behind the bracket */
    {"[Hardware Error]: CPU:0 (17:31:0) MC255_STATUS[-|CE|-|-|AddrV|-|-|-]", HF_LINE_DECODED_STATUS, 0, 255,
     0},
    /* github.com/radiasoft/devops/issues/134 */
    {"EDAC MC1: 1 CE memory scrubbing error on CPU_SrcID#1_Ha#0_Chan#0_DIMM#0 (channel:0 slot:0 "
     "page:0xee30a0 "
     "offset:0x0 grain:32 syndrome:0x0 -  area:DRAM err_code:0008:00c2 socket:1 ha:0 channel_mask:1 rank:1)",
     HF_LINE_MEMORY_COUNT, -1, -1, 0},
    /* github.com/openstreetmap/operations/issues/300 */
    {"May  7 06:45:12 heron kernel: [21584690.529877] EDAC MC0: 4 CE error on CPU#0Channel#2_DIMM#0 "
     "(channel:2 slot:0 "
     "page:0x0 offset:0x0 grain:8 syndrome:0x0)",
     HF_LINE_MEMORY_COUNT, -1, -1, 0},
    /* github.com/kubernetes/node-problem-detector/pull/846 */
    {"kernel: {37}[Hardware Error]: Hardware error from APEI Generic Hardware Error Source: 162",
     HF_LINE_FIRMWARE, -1, -1, 0},
    {"kernel: {37}[Hardware Error]: event severity: corrected", HF_LINE_FIRMWARE, -1, -1, 0},
    {"{37}[Hardware Error]:   section_type: memory error", HF_LINE_FIRMWARE, -1, -1, 0},
    {"{37}[Hardware Error]:   DIMM location: CPU 2 DIMM 30", HF_LINE_FIRMWARE, -1, -1, 0},
    {"BERT: Error records from previous boot:", HF_LINE_BOOT_RECORD, -1, -1, 0},
    {"[Hardware Error]: event severity: fatal", HF_LINE_HARDWARE_MORE, -1, -1, 0},
    /* Linux commit ab8131028710 */
    {"x86/amd: Previous system reset reason [0x08000800]: an uncorrected error caused a data fabric sync "
     "flood event",
     HF_LINE_RESET_REASON, -1, -1, 0x08000800},
    {"x86/amd: Previous system reset reason [0x00080800]: software wrote 0x6 to reset control register 0xCF9",
     HF_LINE_RESET_REASON, -1, -1, 0x00080800},
    {"x86/amd: Previous system reset reason [0x02000800]: hardware watchdog timer expired",
     HF_LINE_RESET_REASON, -1, -1, 0x02000800},
    /* github.com/CachyOS/linux-cachyos/issues/974 */
    {"mce: CPUs not responding to MCE broadcast (may include false positives)", HF_LINE_CHECK_VERDICT, -1, -1,
     0},
    /* github.com/kubernetes/minikube/issues/8445, mbusb/multibootusb/issues/164,
     * clearlinux/clr-power-tweaks/issues/15, collectd/collectd/issues/2397: heat, not errors */
    {"mce: CPU3: Core temperature above threshold, cpu clock throttled (total events = 144050)",
     HF_LINE_THROTTLE, 3, -1, 0},
    {"CPU3: Core temperature above threshold, cpu clock throttled (total events = 1)", HF_LINE_THROTTLE, 3,
     -1, 0},
    {"mce: CPU7: Core temperature/speed normal", HF_LINE_THROTTLE, 7, -1, 0},
    {"CPU0: Package temperature above threshold, cpu clock throttled (total events = 9)", HF_LINE_THROTTLE, 0,
     -1, 0},
    {"CPU0: Core power limit notification (total events = 1)", HF_LINE_THROTTLE, 0, -1, 0},
    {"mce: CPU supports 7 MCE banks", HF_LINE_OTHER, -1, -1, 0},
    /* github.com/sonic-net/sonic-buildimage/issues/17358 and 17363, open-power/skiboot/issues/194,
     * alibaba/diagnose-tools/issues/107 */
    {"watchdog: BUG: soft lockup - CPU#2 stuck for 23s! [kworker/2:1:25629]", HF_LINE_SOFT_LOCKUP, 2, -1, 0},
    {"Kernel panic - not syncing: softlockup: hung tasks", HF_LINE_PANIC, -1, -1, 0},
    {"NMI watchdog: Watchdog detected hard LOCKUP on cpu 1", HF_LINE_HARD_LOCKUP, 1, -1, 0},
    {"Watchdog CPU:59 Hard LOCKUP", HF_LINE_HARD_LOCKUP, 59, -1, 0},
    {"watchdog: Watchdog detected hard LOCKUP on cpu 12", HF_LINE_HARD_LOCKUP, 12, -1, 0},
    {"Kernel panic - not syncing: Hard LOCKUP", HF_LINE_PANIC, -1, -1, 0},
    /* emulated */
    {"Uhhuh. NMI received for unknown reason 21 on CPU 0.", HF_LINE_INTERRUPT, 0, -1, 0},
    {"Dazed and confused, but trying to continue", HF_LINE_OTHER, -1, -1, 0},
    {"mce_record: CPU: 1, MCGc/s: 100010a/0, MC1: 9c00000000010136, IPID: 0000000000000000, ADDR/MISC/SYND: "
     "0000000012345000/000000000000008c/0000000000000000, RIP: 00:<0000000000000000>, TSC: 0, PROCESSOR: "
     "0:50654, "
     "TIME: 1795591986, SOCKET: 0, APIC: 1",
     HF_LINE_TRACE_CHECK, 1, 1, 0x9c00000000010136},
    /* from memory: the form of include/ras/ras_event.h */
    {"  kworker/1:2-77  [001] d..1. 1234.567: mc_event: 3 Corrected error: memory read error on DIMM_A1 "
     "(mc:0 "
     "location:0:1:0 address:0x12345000 grain:8 syndrome:0x00000000)",
     HF_LINE_TRACE_MEMORY, -1, -1, 0},
    {"pcieport 0000:00:1c.0: AER: Multiple Corrected error received: 0000:00:1c.0", HF_LINE_DEVICE_BUS, -1,
     -1, 0},
    {"pcieport 0000:00:1c.0: PCIe Bus Error: severity=Corrected, type=Physical Layer, (Receiver ID)",
     HF_LINE_DEVICE_BUS, -1, -1, 0},
    /* what only looks like it */
    {"EDAC MC: Ver: 3.0.0", HF_LINE_OTHER, -1, -1, 0},
    {"EDAC MC0: Giving out device to module heron_edac controller", HF_LINE_OTHER, -1, -1, 0},
    {"BERT: Total records found: 1", HF_LINE_OTHER, -1, -1, 0},
    {"CPU 1: Machine Check", HF_LINE_OTHER, -1, -1, 0},
    {"CPU 1: Machine Check: 0 Bank 1: ", HF_LINE_OTHER, -1, -1, 0},
    {"CPU 99999: Machine Check: 0 Bank 1: 9c00000000010136", HF_LINE_OTHER, -1, -1, 0},
    {"TSC frequency 2096 MHz", HF_LINE_OTHER, -1, -1, 0},
    {"smpboot: CPU3: Core", HF_LINE_OTHER, -1, -1, 0},
    {"", HF_LINE_OTHER, -1, -1, 0},
    {"\n", HF_LINE_OTHER, -1, -1, 0},
};

#define LINES (sizeof lines / sizeof lines[0])

static void check(const struct wanted *wanted, const char *text)
{
    struct hf_error_line line;
    size_t used = hf_error_line_parse(text, strlen(text), &line);

    if (line.what != wanted->what || line.cpu != wanted->cpu || line.bank != wanted->bank ||
        line.status != wanted->status)
        fail_msg("%s: %s, CPU %d, bank %d, status %llx", text, hf_error_line_name(line.what), line.cpu,
                 line.bank, (unsigned long long)line.status);
    assert_int_equal(used, strlen(text));
}

static void test_known_lines(void **state)
{
    (void)state;
    for (size_t i = 0; i < LINES; i++)
        check(&lines[i], lines[i].text);
}

static void test_prefixes(void **state)
{
    static const char *const prefixes[] = {"<4>",
                                           "[   12.345678] ",
                                           "[May19 19:57] ",
                                           "[  +0.000127] ",
                                           "[Mon Oct  3 12:00:00 2022] ",
                                           "[  345.678901][ T1234] ",
                                           "Dec 13 13:46:08 heron kernel: ",
                                           "Dec 13 13:46:08 heron kernel: [  345.678901] ",
                                           "2026-05-20T12:52:36.123456+02:00 heron kernel: ",
                                           "2026-05-20T12:52:36+0200 heron kernel: [    3.070000] ",
                                           "kernel: ",
                                           "<0>[    3.070000] "};

    (void)state;
    for (size_t p = 0; p < sizeof prefixes / sizeof prefixes[0]; p++) {
        for (size_t i = 0; i < LINES; i++) {
            char text[1024];

            if (strstr(lines[i].text, "kernel: ") != NULL || lines[i].text[0] == '\0' ||
                lines[i].text[0] == '\n')
                continue;
            snprintf(text, sizeof text, "%s%s\n", prefixes[p], lines[i].text);
            check(&lines[i], text);
        }
    }
}

static struct hf_error_line parse(const char *text)
{
    struct hf_error_line line;

    (void)hf_error_line_parse(text, strlen(text), &line);
    return line;
}

static void test_numbers(void **state)
{
    struct hf_error_line line =
        parse("mce: [Hardware Error]: TSC 0 ADDR 12345000 MISC 8c SYND 4d000000 IPID b000000000");

    (void)state;
    assert_int_equal(line.has, HF_HAS_ADDRESS | HF_HAS_MISC | HF_HAS_SYNDROME | HF_HAS_IP_ID);
    assert_true(line.address == 0x12345000 && line.misc == 0x8c && line.syndrome == 0x4d000000);
    assert_true(line.ip_id == 0xb000000000);
    line =
        parse("mce: [Hardware Error]: PROCESSOR 2:800f12 TIME 1795591986 SOCKET 1 APIC 1f microcode 8001250");
    assert_int_equal(line.vendor, 2);
    assert_int_equal(line.socket, 1);
    assert_int_equal(line.apic, 0x1f);
    line = parse("mce: [Hardware Error]: CPU 1: Machine Check Exception: 5 Bank 1: be00000000800400");
    assert_int_equal(line.exception, 1);
    assert_true(line.global == 5);
    line = parse("EDAC MC0: 4 CE error on CPU#0Channel#2_DIMM#0 (channel:2)");
    assert_true(line.has_count && line.count == 4 && line.severity == HF_SEVERITY_CORRECTED);
    line = parse("EDAC MC0: 1 UE error on DIMM_B2 (channel:2)");
    assert_true(line.severity == HF_SEVERITY_UNCORRECTED);
    line = parse("kernel: {37}[Hardware Error]: event severity: corrected");
    assert_int_equal(line.instance, 37);
    assert_true(line.has_severity && line.severity == HF_SEVERITY_CORRECTED);
    assert_true(parse("{1}[Hardware Error]: event severity: recoverable").severity ==
                HF_SEVERITY_UNCORRECTED);
    assert_true(parse("{1}[Hardware Error]: event severity: fatal").severity == HF_SEVERITY_FATAL);
    assert_true(parse("{1}[Hardware Error]:  section_type: memory error").memory);
    line = parse("[Hardware Error]: CPU:0 (17:31:0) MC255_STATUS[-|CE|-|-|AddrV|-|-|-]");
    assert_true(line.has_severity && line.severity == HF_SEVERITY_CORRECTED && !(line.has & HF_HAS_STATUS));
    line = parse(
        "mce_record: CPU: 7, MCGc/s: 100010a/5, MC9: be00000000800400, IPID: 1, ADDR: 2, MISC: 3, SYND: 4, "
        "RIP: "
        "10:<5>, TSC: 6, PPIN: 7, PROCESSOR: 2:a20f12, TIME: 8, SOCKET: 1, APIC: e, MICROCODE REVISION: 9");
    assert_true(line.cpu == 7 && line.bank == 9 && line.address == 2 && line.misc == 3 && line.syndrome == 4);
    assert_true(line.vendor == 2 && line.apic == 14 && line.exception && line.ip_id == 1);
}

/* Two reports on one line: Linux documentation, firmware-guide/acpi/apei/einj. */
static void test_glued_line(void **state)
{
    static const char glued[] = "EDAC sbridge MC3: ADDR 12345000 EDAC sbridge MC3: MISC 144780c86";
    struct hf_error_line line;
    size_t used = hf_error_line_parse(glued, sizeof glued - 1, &line);

    (void)state;
    assert_int_equal(used, 32);
    assert_int_equal(line.what, HF_LINE_MEMORY_MORE);
    assert_true(line.has == HF_HAS_ADDRESS && line.address == 0x12345000);
    assert_int_equal(hf_error_line_parse(glued + used, sizeof glued - 1 - used, &line),
                     sizeof glued - 1 - used);
    assert_true(line.has == HF_HAS_MISC && line.misc == 0x144780c86);
}

/* --- status bits ------------------------------------------------------------------------------------ */

/* Intel 64 Software Developer's Manual volume 3B, "Interpreting machine-check error codes": the compound
 * codes; AMD64 Architecture Programmer's Manual volume 2, "Machine check architecture": the deferred bit. */
static void test_status_bits(void **state)
{
    (void)state;
    assert_int_equal(hf_status_severity(0x9c00000000010136, 0), HF_SEVERITY_CORRECTED);
    assert_int_equal(hf_status_severity(0xbd000000000000c0, 0), HF_SEVERITY_UNCORRECTED);
    assert_int_equal(hf_status_severity(0xbe00000000800400, 0), HF_SEVERITY_FATAL);
    assert_int_equal(hf_status_severity(0xa000000000000000, -1), HF_SEVERITY_UNCORRECTED);
    assert_int_equal(hf_status_severity(0x9c00100000010136, 2), HF_SEVERITY_DEFERRED);
    assert_int_equal(hf_status_severity(0x9c00100000010136, 9), HF_SEVERITY_DEFERRED);
    assert_int_equal(hf_status_severity(0x9c00100000010136, 0), HF_SEVERITY_CORRECTED);
    assert_int_equal(hf_status_kind(0x0136), HF_KIND_CACHE);
    assert_int_equal(hf_status_kind(0x0150), HF_KIND_CACHE);
    assert_int_equal(hf_status_kind(0x1152), HF_KIND_CACHE);
    assert_int_equal(hf_status_kind(0x0014), HF_KIND_TRANSLATION);
    assert_int_equal(hf_status_kind(0x0090), HF_KIND_MEMORY);
    assert_int_equal(hf_status_kind(0x00c2), HF_KIND_MEMORY);
    assert_int_equal(hf_status_kind(0x0800), HF_KIND_INTERCONNECT);
    assert_int_equal(hf_status_kind(0x0a13), HF_KIND_INTERCONNECT);
    assert_int_equal(hf_status_kind(0x0400), HF_KIND_TIMER);
    assert_int_equal(hf_status_kind(0x0405), HF_KIND_INTERNAL);
    assert_int_equal(hf_status_kind(0x0005), HF_KIND_PARITY);
    assert_int_equal(hf_status_kind(0x0001), HF_KIND_UNKNOWN);
    assert_int_equal(hf_status_count(0xcc59dec000041152, 0), 26491);
    assert_int_equal(hf_status_count(0xcc00418000010136, 0),
                     262); /* beside "262 CE" of the memory controller */
    assert_int_equal(hf_status_count(0x9c20400100080a13, 2), 1);
    assert_int_equal(hf_status_count(0x9c00000000010136, 0), 1);
}

/* --- records ---------------------------------------------------------------------------------------- */

static void test_kmsg_records(void **state)
{
    static const char *const bad[] = {"",          ";",   "6,1,2", "x,1,2,-;t",        "6,x,2,-;t",
                                      "6,1,x,-;t", "6;t", "6,1;t", "99999999,1,2,-;t", "6,1,2x,-;t"};
    static const char record[] =
        "6,612,9275116448,-;sim\\x0anext \\x5c tail \xc3\xa9\n SUBSYSTEM=cpu\n DEVICE=+cpu:cpu1\n";
    struct hf_kmsg_record parsed;

    (void)state;
    assert_int_equal(hf_kmsg_parse(record, sizeof record - 1, &parsed), 0);
    assert_int_equal(parsed.facility, 0);
    assert_int_equal(parsed.level, 6);
    assert_int_equal(parsed.sequence, 612);
    assert_int_equal(parsed.boot_us, 9275116448);
    assert_string_equal(parsed.text, "sim?next \\ tail \xc3\xa9");
    assert_int_equal(hf_kmsg_parse("12,7,5,c,more;user's", 20, &parsed), 0);
    assert_int_equal(parsed.facility, 1);
    assert_int_equal(parsed.level, 4);
    assert_string_equal(parsed.text, "user's");
    assert_int_equal(hf_kmsg_parse("6,1,2,-;K\xfchl\n", 13, &parsed), 0);
    assert_string_equal(parsed.text, "K?hl");
    for (size_t i = 0; i < sizeof bad / sizeof bad[0]; i++)
        assert_int_equal(hf_kmsg_parse(bad[i], strlen(bad[i]), &parsed), -1);
}

static void test_apic_map(void **state)
{
    static const char cpuinfo[] =
        "processor\t: 0\napicid\t\t: 0\ninitial apicid\t: 0\n\nprocessor\t: 1\napicid\t\t: "
        "2\n\nprocessor\t: 2\napicid\t\t: 4096\nprocessor : x\napicid : 3\n";
    int16_t map[8];

    (void)state;
    hf_apic_map_parse(cpuinfo, sizeof cpuinfo - 1, map, 8);
    assert_int_equal(map[0], 0);
    assert_int_equal(map[2], 1);
    assert_int_equal(map[1], -1);
    assert_int_equal(map[3], -1);
}

static void test_interrupt_rows(void **state)
{
    static const char text[] =
        "           CPU0       CPU1       \n  0:         36          0  timer\n"
        "MCE:          1          2   Machine check exceptions\nMCP:        100        101   "
        "Machine check polls\n";
    uint64_t sum = 0;

    (void)state;
    assert_int_equal(hf_interrupts_parse(text, sizeof text - 1, "MCE", &sum), 0);
    assert_int_equal(sum, 3);
    assert_int_equal(hf_interrupts_parse(text, sizeof text - 1, "MCP", &sum), 0);
    assert_int_equal(sum, 201);
    assert_int_equal(hf_interrupts_parse(text, sizeof text - 1, "TRM", &sum), -1);
    assert_int_equal(hf_interrupts_parse("MCP:", 4, "MCP", &sum), 0);
    assert_int_equal(sum, 0);
}

/* --- mutations -------------------------------------------------------------------------------------- */

static uint64_t random_state = 20261125;

static unsigned pick(unsigned below)
{
    random_state = random_state * UINT64_C(6364136223846793005) + 1442695040888963407u;
    return (unsigned)(random_state >> 33) % below;
}

/* A sample with bytes changed, cut, doubled or spliced with another, in a block of exactly its size. */
static char *mutate(const char *sample, const char *other, size_t *ret_size)
{
    char bytes[2048];
    size_t size = strlen(sample);
    char *exact;

    memcpy(bytes, sample, size);
    for (unsigned i = 0; i < 1 + pick(4); i++) {
        unsigned how = pick(5);
        size_t at = size > 0 ? pick((unsigned)size) : 0;

        if (how == 0 && size > 0) {
            bytes[at] = (char)pick(256);
        } else if (how == 1 && size > 0) {
            size = at;
        } else if (how == 2 && size > 0 && size < 900) {
            memmove(bytes + size, bytes + at, size - at);
            size += size - at;
        } else if (how == 3) {
            size_t length = strlen(other);
            size_t from = length > 0 ? pick((unsigned)length) : 0;

            if (at + length - from < sizeof bytes) {
                memcpy(bytes + at, other + from, length - from);
                size = at + length - from;
            }
        } else if (size > 0) {
            static const char digits[] = "0123456789abcdefFx:,;[]{}<> -";

            bytes[at] = digits[pick(sizeof digits - 1)];
        }
    }
    exact = malloc(size > 0 ? size : 1);
    assert_non_null(exact);
    memcpy(exact, bytes, size);
    *ret_size = size;
    return exact;
}

static void test_mutations(void **state)
{
    int recognised = 0;

    (void)state;
    for (int round = 0; round < 60000; round++) {
        size_t size;
        char *bytes = mutate(lines[pick(LINES)].text, lines[pick(LINES)].text, &size);
        struct hf_error_line line;
        struct hf_kmsg_record record;
        size_t at = 0;

        while (at < size) {
            size_t used = hf_error_line_parse(bytes + at, size - at, &line);

            assert_true(used > 0 && used <= size - at);
            assert_true(line.text >= bytes && line.text + line.size <= bytes + size);
            assert_true(line.cpu >= -1 && line.cpu < 8192 && (unsigned)line.what < HF_LINE_WHAT_COUNT);
            recognised += line.what != HF_LINE_OTHER;
            at += used;
        }
        if (hf_kmsg_parse(bytes, size, &record) == 0) {
            assert_true(record.size < sizeof record.text && record.text[record.size] == '\0');
            assert_true(hf_text_is_utf8(record.text, record.size));
        }
        free(bytes);
    }
    assert_true(recognised > 10000); /* the mutations still reach the parsers' depths */
}

static void test_mutated_records(void **state)
{
    static const char *const records[] = {"6,612,9275116448,-;plain text\n SUBSYSTEM=cpu\n",
                                          "0,1,2,c;\\x1b[31m \\\\ \\xff \\x\n",
                                          "30,18446744073709551615,1,-,more;x"};
    int good = 0;

    (void)state;
    for (int round = 0; round < 30000; round++) {
        size_t size;
        char *bytes = mutate(records[round % 3], records[pick(3)], &size);
        struct hf_kmsg_record record;

        if (hf_kmsg_parse(bytes, size, &record) == 0) {
            good++;
            assert_true(hf_text_is_utf8(record.text, record.size));
            for (size_t i = 0; i < record.size; i++)
                assert_true((unsigned char)record.text[i] >= 0x20);
        }
        free(bytes);
    }
    assert_true(good > 3000);
}

static void test_long_line(void **state)
{
    size_t size = 1000000;
    char *bytes = malloc(size);
    struct hf_error_line line;

    (void)state;
    assert_non_null(bytes);
    memset(bytes, '[', size);
    assert_int_equal(hf_error_line_parse(bytes, size, &line), size);
    memset(bytes, ' ', size);
    assert_int_equal(hf_error_line_parse(bytes, size, &line), size);
    for (size_t i = 0; i + 2 < size; i += 3)
        memcpy(bytes + i, "<1>", 3);
    assert_int_equal(hf_error_line_parse(bytes, size, &line), size);
    assert_int_equal(line.what, HF_LINE_OTHER);
    free(bytes);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(test_known_lines), cmocka_unit_test(test_prefixes),
        cmocka_unit_test(test_numbers),     cmocka_unit_test(test_glued_line),
        cmocka_unit_test(test_status_bits), cmocka_unit_test(test_kmsg_records),
        cmocka_unit_test(test_apic_map),    cmocka_unit_test(test_interrupt_rows),
        cmocka_unit_test(test_mutations),   cmocka_unit_test(test_mutated_records),
        cmocka_unit_test(test_long_line),
    };

    return cmocka_run_group_tests(tests, NULL, NULL);
}
