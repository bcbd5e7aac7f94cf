/*
 * Hardware error reports: what the processor, the memory, the firmware and the kernel say about errors.
 *
 *   sources     the kernel's message log (/dev/kmsg): machine checks raw or decoded, memory controllers,
 * firmware blocks, boot records, reset reasons, lockups, panics; trace points, one complete line an event;
 *               memory controllers' counters; the store that outlives a reset (pstore)
 *   lines       hf_error_line_parse() says what one line is: bytes in, fields out
 *   joiner      puts the lines of one event together, tells severity from the status bits, maps CPU to group,
 * marks what another source has told already, and holds storms down reader      takes whole records from the
 * log and feeds the joiner; never blocks
 *
 * Calling order in the harness:
 *   hf_error_joiner_new(&config, &joiner, &error);
 *   hf_log_reader_open(&hf_log_real, HF_LOG_KERNEL, joiner, &reader, &error);    HF_E_PERMISSION: go on
 * without hf_log_reader_handle(reader) into the event loop's poll for reading; on readable, and at least
 * every 500 ms: hf_log_reader_drain(reader, now_ns, 1000, &error); hf_error_joiner_tick(joiner, now_ns); an
 * event is passed on at most 0.5 s after its last line hf_log_reader_close(reader);
 * hf_error_joiner_free(joiner);                  after hf_error_joiner_flush() Events come through
 * config.take, within those calls; the struct is the joiner's, copy what is to be kept.
 *
 * Corrected errors are found by polling, every 300 s unless told otherwise: hf_polling_shorten() at a
 * session's begin (journal the old value first), wait one interval before a trial is closed,
 * hf_polling_restore() at the end.
 *
 * An event is evidence against a group's ratio when hf_hardware_error_is_evidence() says so: an error of the
 * hardware in this session, not a notice, not told twice, not left over from an earlier boot.
 */
#ifndef HOLDFAST_HARDWARE_ERRORS_H
#define HOLDFAST_HARDWARE_ERRORS_H

#include <stddef.h>
#include <stdint.h>

#include "holdfast/error.h"
#include "holdfast/host.h"

#define HF_ERROR_TEXT_MAX 1536 /* bytes of an event's raw lines, with the NUL; more are cut */

#define HF_ERROR_SOURCE_LIST(X)                                                                              \
    X(HF_FROM_MACHINE_CHECK, "machine-check") /* raw lines of the kernel */                                  \
    X(HF_FROM_DECODER, "decoder")             /* the same, put in words by a kernel module */                \
    X(HF_FROM_MEMORY_CONTROLLER, "memory-controller")                                                        \
    X(HF_FROM_FIRMWARE, "firmware")       /* firmware-first blocks */                                        \
    X(HF_FROM_BOOT_RECORD, "boot-record") /* what the firmware kept of the previous boot */                  \
    X(HF_FROM_TRACE, "trace")                                                                                \
    X(HF_FROM_COUNTER, "counter")                                                                            \
    X(HF_FROM_KERNEL, "kernel") /* lockups, panics, throttling: the kernel's own words */                    \
    X(HF_FROM_READER, "reader") /* ours: lost records, storms */

#define HF_ERROR_SEVERITY_LIST(X)                                                                            \
    X(HF_SEVERITY_NOTICE, "notice") /* no error: throttling, reset reasons, lost records */                  \
    X(HF_SEVERITY_CORRECTED, "corrected")                                                                    \
    X(HF_SEVERITY_DEFERRED, "deferred") /* wrong data marked, not used yet */                                \
    X(HF_SEVERITY_UNCORRECTED, "uncorrected")                                                                \
    X(HF_SEVERITY_FATAL, "fatal")

#define HF_ERROR_KIND_LIST(X)                                                                                \
    X(HF_KIND_UNKNOWN, "unknown")                                                                            \
    X(HF_KIND_CACHE, "cache")                                                                                \
    X(HF_KIND_TRANSLATION, "translation") /* TLB */                                                          \
    X(HF_KIND_MEMORY, "memory")                                                                              \
    X(HF_KIND_INTERCONNECT, "interconnect")                                                                  \
    X(HF_KIND_TIMER, "timer")                                                                                \
    X(HF_KIND_PARITY, "parity")                                                                              \
    X(HF_KIND_INTERNAL, "internal")                                                                          \
    X(HF_KIND_SOFT_LOCKUP, "soft-lockup")                                                                    \
    X(HF_KIND_HARD_LOCKUP, "hard-lockup")                                                                    \
    X(HF_KIND_PANIC, "panic")                                                                                \
    X(HF_KIND_INTERRUPT, "unknown-interrupt") /* a non-maskable interrupt that nobody knows */               \
    X(HF_KIND_RESET_REASON, "reset-reason")                                                                  \
    X(HF_KIND_THROTTLE, "throttle")     /* noise here: heat is the sensors' business */                      \
    X(HF_KIND_DEVICE_BUS, "device-bus") /* noise here: an expansion card's link */                           \
    X(HF_KIND_LOST, "lost")             /* records that were overwritten before they were read */            \
    X(HF_KIND_STORM, "storm")           /* a summary of events held down */

#define HF_ERROR_ENUM_ITEM(code, name) code,
enum hf_error_source {
    HF_ERROR_SOURCE_LIST(HF_ERROR_ENUM_ITEM) HF_ERROR_SOURCE_COUNT
};
enum hf_error_severity {
    HF_ERROR_SEVERITY_LIST(HF_ERROR_ENUM_ITEM) HF_ERROR_SEVERITY_COUNT
};
enum hf_error_kind {
    HF_ERROR_KIND_LIST(HF_ERROR_ENUM_ITEM) HF_ERROR_KIND_COUNT
};
#undef HF_ERROR_ENUM_ITEM

const char *hf_error_source_name(enum hf_error_source source);
const char *hf_error_severity_name(enum hf_error_severity severity);
const char *hf_error_kind_name(enum hf_error_kind kind);

/* What a report may hold; `has` says which of the numbers it does. */
#define HF_HAS_STATUS   1u
#define HF_HAS_ADDRESS  2u
#define HF_HAS_MISC     4u
#define HF_HAS_SYNDROME 8u
#define HF_HAS_IP_ID    16u
#define HF_HAS_GLOBAL   32u

struct hf_hardware_error {
    enum hf_error_source source;
    enum hf_error_severity severity;
    enum hf_error_kind kind;
    int cpu;    /* logical CPU; -1: not told */
    int group;  /* of the profile; -1: not told, or the CPU is in none */
    int bank;   /* -1: not told */
    int socket; /* -1 */
    int apic;   /* hardware thread id; -1 */
    int vendor; /* of the status bits: 0 Intel, 2 AMD, 9 Hygon, 10 Zhaoxin; -1: not told */
    unsigned has;
    uint64_t status, address, misc, syndrome, ip_id;
    uint64_t global;              /* MCG_STATUS */
    uint64_t count;               /* errors in it, at least 1 */
    int overflow;                 /* 1: more happened than could be told */
    int exception;                /* 1: raised as an exception, not found by polling */
    int previous_boot;            /* 1: of the boot before this one */
    int earlier;                  /* 1: of this boot, but from before the reader was opened */
    int repeats;                  /* 1: another source has told it within 2 s */
    int64_t boot_us;              /* since boot, by the kernel's clock; -1: not told */
    char text[HF_ERROR_TEXT_MAX]; /* the raw lines, separated by newlines; UTF-8 */
};

int hf_hardware_error_is_evidence(const struct hf_hardware_error *event);

/* --- status bits ------------------------------------------------------------------------------------ */

/* From MCi_STATUS (Intel 64 Software Developer's Manual, volume 3, machine-check architecture; AMD64
 * Architecture Programmer's Manual, volume 2, machine check): PCC is fatal, UC is uncorrected, AMD's Deferred
 * is deferred, anything else corrected. vendor as above, -1 counts as Intel. */
enum hf_error_severity hf_status_severity(uint64_t status, int vendor);
enum hf_error_kind hf_status_kind(uint64_t status);    /* from the compound error code, bits 15:0 */
uint64_t hf_status_count(uint64_t status, int vendor); /* corrected errors told at once; at least 1 */

/* --- one record of /dev/kmsg ------------------------------------------------------------------------ */

#define HF_KMSG_TEXT_MAX 1024

/* "PRIO,SEQ,USEC,FLAGS[,more];TEXT\n", continuation lines begin with a blank; \xNN escapes are undone, what
 * is not printable becomes '?'. Kernel documentation, ABI/testing/dev-kmsg. */
struct hf_kmsg_record {
    int facility; /* 0: the kernel. Programs can only write others: those are never believed */
    int level;
    uint64_t sequence;
    int64_t boot_us;
    size_t size;
    char text[HF_KMSG_TEXT_MAX];
};

int hf_kmsg_parse(const char *bytes, size_t size,
                  struct hf_kmsg_record *ret_record); /* 0, or -1: malformed */

/* --- one line --------------------------------------------------------------------------------------- */

enum hf_error_line_what {
    HF_LINE_OTHER,           /* nothing of ours */
    HF_LINE_CHECK_HEAD,      /* CPU 1: Machine Check: 0 Bank 1: 9c... */
    HF_LINE_CHECK_NUMBERS,   /* TSC 0 ADDR 12345000 MISC 8c */
    HF_LINE_CHECK_POINTER,   /* RIP ... */
    HF_LINE_CHECK_PROCESSOR, /* PROCESSOR 0:50654 TIME ... APIC 1: the last line of an event */
    HF_LINE_CHECK_NOTICE,    /* events logged; advice: no event of its own */
    HF_LINE_CHECK_VERDICT,   /* Machine check: Processor context corrupt; CPUs not responding */
    HF_LINE_DECODED_BEGIN,   /* Corrected error, no action required. */
    HF_LINE_DECODED_STATUS,  /* CPU:1 (10:2:3) MC4_STATUS[...]: 0x... */
    HF_LINE_HARDWARE_MORE,   /* any other line marked as of a hardware error */
    HF_LINE_MEMORY_COUNT,    /* EDAC MC1: 1 CE ... */
    HF_LINE_MEMORY_CHECK,    /* EDAC driver MC1: CPU 1: Machine Check Event: 0 Bank 11: ... */
    HF_LINE_MEMORY_MORE,     /* EDAC driver MC1: ADDR ... */
    HF_LINE_FIRMWARE,        /* {37}[Hardware Error]: ... */
    HF_LINE_BOOT_RECORD,     /* BERT: Error records from previous boot: */
    HF_LINE_RESET_REASON,
    HF_LINE_SOFT_LOCKUP,
    HF_LINE_HARD_LOCKUP,
    HF_LINE_PANIC,
    HF_LINE_INTERRUPT,
    HF_LINE_THROTTLE,
    HF_LINE_DEVICE_BUS,
    HF_LINE_TRACE_CHECK,  /* mce_record: ... */
    HF_LINE_TRACE_MEMORY, /* mc_event: ... */
    HF_LINE_WHAT_COUNT
};

struct hf_error_line {
    enum hf_error_line_what what;
    int has_severity; /* the line itself says it */
    enum hf_error_severity severity;
    int instance;                        /* {37}; -1 */
    int cpu, bank, socket, apic, vendor; /* -1: not told */
    int exception;
    int has_count;
    int memory; /* 1: the words say memory */
    unsigned has;
    uint64_t status, address, misc, syndrome, ip_id, global, count;
    const char *text; /* without prefixes; points into the bytes */
    size_t size;
};

/* Parses one line, whatever stands in front of the kernel's words (times, priorities, host names). Returns
 * how many bytes belong to it: less than size when two reports stand glued on one line, then call again with
 * the rest. */
size_t hf_error_line_parse(const char *bytes, size_t size, struct hf_error_line *ret_line);

const char *hf_error_line_name(enum hf_error_line_what what);

/* --- joining ---------------------------------------------------------------------------------------- */

struct hf_error_joiner;

struct hf_error_joiner_config {
    /* Group of a CPU: -1 for none. NULL: no groups. */
    const int16_t *group_of_cpu;
    int cpu_limit;
    /* CPU of a hardware thread id, for reports that name only that; NULL: not known. */
    const int16_t *cpu_of_apic;
    int apic_limit;
    void (*take)(void *argument, const struct hf_hardware_error *event);
    void *argument;
};

/* The arrays stay the caller's. HF_E_MEMORY. */
int hf_error_joiner_new(const struct hf_error_joiner_config *config, struct hf_error_joiner **ret_joiner,
                        struct hf_error *error);
void hf_error_joiner_free(struct hf_error_joiner *joiner); /* NULL is allowed; drops what is not complete */

/* flags of where a line comes from */
#define HF_ORIGIN_EARLIER       1u /* this boot, before the session */
#define HF_ORIGIN_PREVIOUS_BOOT 2u

/* One line of a log. boot_us: -1 not told. */
void hf_error_joiner_line(struct hf_error_joiner *joiner, const char *bytes, size_t size, int64_t boot_us,
                          unsigned origin, int64_t now_ns);

/* A dump of the store: "Panic#1 Part1", then lines of the log; all of the previous boot. */
void hf_error_joiner_store(struct hf_error_joiner *joiner, const char *bytes, size_t size, int64_t now_ns);

/* An event of another source (counters), to be marked, counted and passed on like the others. */
void hf_error_joiner_event(struct hf_error_joiner *joiner, const struct hf_hardware_error *event,
                           int64_t now_ns);

/* Passes on what has waited 0.5 s for more lines, and storms' summaries. */
void hf_error_joiner_tick(struct hf_error_joiner *joiner, int64_t now_ns);
void hf_error_joiner_flush(struct hf_error_joiner *joiner, int64_t now_ns);

struct hf_error_totals {
    uint64_t lines, events, held_down, repeated;
    uint64_t by_severity[HF_ERROR_SEVERITY_COUNT]; /* of the events passed on */
    uint64_t held_by_severity[HF_ERROR_SEVERITY_COUNT];
};

void hf_error_joiner_totals(const struct hf_error_joiner *joiner, struct hf_error_totals *ret_totals);

/* Hardware thread ids of all CPUs, from /proc/cpuinfo ("processor", "apicid"): ret_cpu_of_apic[apic] = cpu or
 * -1. */
void hf_apic_map_parse(const char *bytes, size_t size, int16_t *ret_cpu_of_apic, int apic_limit);

/* --- logs ------------------------------------------------------------------------------------------- */

/* The seam: a log that is read record by record without waiting. */
struct hf_log_ops {
    int (*open)(void *context, const char *path); /* a handle (a file descriptor, for polling), or -errno */
    /* One read: the count; 0 at an end; -EAGAIN nothing there; -EPIPE records were overwritten. */
    int (*read)(void *context, int handle, char *ret_bytes, size_t size);
    void (*close)(void *context, int handle);
    void *context;
};

extern const struct hf_log_ops hf_log_real;

enum hf_log_kind {
    HF_LOG_KERNEL, /* /dev/kmsg: from its oldest record on */
    HF_LOG_TRACE   /* trace_pipe: text lines */
};

struct hf_log_reader;

struct hf_log_totals {
    uint64_t records;     /* read */
    uint64_t foreign;     /* written by programs, or malformed: not believed */
    uint64_t lost;        /* known to be overwritten */
    int begin_is_missing; /* the oldest record read was not the boot's first */
};

/* HF_E_PERMISSION: what to do stands in the message. path NULL: the usual place. */
int hf_log_reader_open(const struct hf_log_ops *ops, enum hf_log_kind kind, const char *path,
                       struct hf_error_joiner *joiner, struct hf_log_reader **ret_reader,
                       struct hf_error *error);
void hf_log_reader_close(struct hf_log_reader *reader); /* NULL is allowed */
int hf_log_reader_handle(const struct hf_log_reader *reader);

/* Reads what is there, at most max records; the count. HF_E_IO when the log cannot be read any more. The
 * first drain up to -EAGAIN is the past: its events are marked `earlier` (of trace points: what came between
 * a session that was killed and this one). */
int hf_log_reader_drain(struct hf_log_reader *reader, int64_t now_ns, int max, struct hf_error *error);
void hf_log_reader_totals(const struct hf_log_reader *reader, struct hf_log_totals *ret_totals);

/* Trace points of machine checks and memory errors, in a tracing instance of our own, so that nobody's
 * tracing is touched. Returns the path of its pipe in ret_path. HF_E_PERMISSION, HF_E_MISSING: go on without.
 */
int hf_trace_begin(const struct hf_host *host, char ret_path[HF_HOST_PATH_MAX], struct hf_error *error);
void hf_trace_end(const struct hf_host *host); /* after the reader is closed */

/* --- how the kernel looks for errors ---------------------------------------------------------------- */

struct hf_error_polling {
    int is_there;                             /* 0: no machine check support here */
    int64_t check_interval_s;                 /* 0: never polled; -1: not told */
    int ignores_corrected, logs_no_corrected; /* -1: not told */
    int prints_all;                           /* raw lines beside a decoder's; -1 */
    int banks;
};

void hf_polling_read(const struct hf_host *host, struct hf_error_polling *ret_polling);

/* Words that say why corrected errors will not be seen; NULL: they will. */
const char *hf_polling_blindness(const struct hf_error_polling *polling);

/* The line that mends it; NULL: nothing to mend, or nothing that does. */
const char *hf_polling_mend(const struct hf_error_polling *polling);

/* Polls every interval_s seconds from now on, and has raw lines printed beside a decoder's. What was before
 * goes to *ret_old, which the caller has to keep where a crash cannot take it, and hand to
 * hf_polling_restore(). */
int hf_polling_shorten(const struct hf_host *host, int interval_s, struct hf_error_polling *ret_old,
                       struct hf_error *error);
int hf_polling_restore(const struct hf_host *host, const struct hf_error_polling *old,
                       struct hf_error *error);

/* The sum over all CPUs of a row of /proc/interrupts ("MCE", "MCP", "TRM"); 0, or -1: no such row. */
int hf_interrupts_parse(const char *bytes, size_t size, const char *row, uint64_t *ret_sum);

/* --- memory controllers' counters ------------------------------------------------------------------- */

#define HF_MEMORY_COUNTS_MAX 512

struct hf_memory_count {
    char name[32];  /* "mc0", "mc0/dimm3", "mc0/csrow1" */
    char label[64]; /* of the module, as the board names it; "" */
    uint64_t corrected, uncorrected;
};

/* All counters: a controller, then its modules. How many, at most max. */
int hf_memory_counts_read(const struct hf_host *host, struct hf_memory_count *ret_counts, int max);

/* Passes on one event per counter that grew. A counter that fell was set to zero meanwhile: what it shows now
 * is new. A controller's own growth is told only as far as its modules do not explain it. */
void hf_memory_counts_compare(const struct hf_memory_count *before, int before_count,
                              const struct hf_memory_count *now, int now_count,
                              struct hf_error_joiner *joiner, int64_t now_ns);

/* --- the store that outlives a reset ---------------------------------------------------------------- */

/* 1: the dump is to be read. `crc` is of its content (CRC-32C): some stores use a name again. */
typedef int hf_store_chooser(void *argument, const char *name, uint32_t crc);

/* Feeds every dump of /sys/fs/pstore and /var/lib/systemd/pstore that is_new() wants (NULL: all) to the
 * joiner, newest part last. How many dumps there are; -EACCES: only root may look. joiner NULL: only counts.
 */
int hf_store_read(const struct hf_host *host, hf_store_chooser *is_new, void *argument,
                  struct hf_error_joiner *joiner, int64_t now_ns);

#endif
