/*
 * Lines into events.
 *
 *     line --> open event (machine check, decoded, firmware block, boot record, controller's check)
 *                 |  more lines of it          complete: its last line came, or 0.5 s passed, or room is
 * needed
 *                 v
 *     single-line events --> finish(): severity, kind, CPU, group --> repeats? --> storm? --> take()
 *
 * Invariants:
 *  1. A line belongs to at most one open event; an open event is passed on exactly once.
 *  2. Nothing is allocated after hf_error_joiner_new(): at most OPEN_MAX events are open (the oldest is
 * passed on to make room) and at most STORMS_MAX kinds of storm are counted (the oldest is summed up to make
 * room).
 *  3. What is held down is counted, and the count is passed on within the storm's window or at the flush.
 */
#include <assert.h>
#include <inttypes.h>
#include <stdio.h>
#include <string.h>

#include "base/memory.h"
#include "holdfast/event.h"
#include "holdfast/hardware_errors.h"
#include "holdfast/text.h"

#define OPEN_MAX       16
#define STORMS_MAX     64
#define RECENTS_MAX    32
#define QUIET_NS       INT64_C(500000000)  /* no more lines come after that */
#define REPEAT_NS      INT64_C(2000000000) /* two sources tell the same error within that */
#define STORM_NS       INT64_C(60000000000)
#define STORM_FREE     10  /* reports of a kind in a storm's window that are passed on one by one */
#define STORM_FREE_BAD 100 /* the same for uncorrected ones */
#define LEFTOVER_US    INT64_C(120000000) /* what the previous boot left is told so early in this one */

enum open_class {
    OPEN_NONE,
    OPEN_CHECK,
    OPEN_DECODED,
    OPEN_FIRMWARE,
    OPEN_BOOT_RECORD,
    OPEN_CONTROLLER
};

struct open_event {
    enum open_class class;
    int instance;
    int has_numbers, has_status_line, memory;
    uint64_t order;
    int64_t touched_ns;
    struct hf_hardware_error event;
};

struct storm {
    int used;
    enum hf_error_source source;
    enum hf_error_severity severity;
    enum hf_error_kind kind;
    int cpu, bank, group;
    int64_t begin_ns;
    uint64_t passed, held, held_count;
};

/* An error of late, and which sources have told it: each source tells an error once. */
struct recent {
    unsigned sources; /* bit set; 0: free */
    enum hf_error_severity severity;
    enum hf_error_kind kind;
    int cpu, bank, has_status;
    uint64_t status;
    int64_t at_ns;
};

struct hf_error_joiner {
    struct hf_error_joiner_config config;
    struct open_event open[OPEN_MAX];
    struct storm storm[STORMS_MAX];
    struct recent recent[RECENTS_MAX];
    int next_recent;
    uint64_t order;
    struct hf_error_totals totals;
};

int hf_error_joiner_new(const struct hf_error_joiner_config *config, struct hf_error_joiner **ret_joiner,
                        struct hf_error *error)
{
    struct hf_error_joiner *joiner = hf_allocate(1, sizeof *joiner);

    assert(config->take != NULL);
    if (joiner == NULL)
        return hf_fail(error, HF_E_MEMORY, "no memory for joining hardware error reports");
    joiner->config = *config;
    *ret_joiner = joiner;
    return HF_OK;
}

void hf_error_joiner_free(struct hf_error_joiner *joiner)
{
    hf_free(joiner);
}

void hf_error_joiner_totals(const struct hf_error_joiner *joiner, struct hf_error_totals *ret_totals)
{
    *ret_totals = joiner->totals;
}

static void event_init(struct hf_hardware_error *event, enum hf_error_source source)
{
    *event = (struct hf_hardware_error){.source = source,
                                        .cpu = -1,
                                        .group = -1,
                                        .bank = -1,
                                        .socket = -1,
                                        .apic = -1,
                                        .vendor = -1,
                                        .count = 1,
                                        .boot_us = -1};
}

/* --- text ------------------------------------------------------------------------------------------- */

/* Appends a line: no control characters, UTF-8, cut to fit. */
static void add_text(struct hf_hardware_error *event, const char *bytes, size_t size)
{
    size_t used = strlen(event->text);
    int is_utf8 = hf_text_is_utf8(bytes, size);

    if (used > 0 && used + 1 < sizeof event->text)
        event->text[used++] = '\n';
    for (size_t i = 0; i < size && used + 1 < sizeof event->text; i++) {
        unsigned char byte = (unsigned char)bytes[i];

        event->text[used++] = byte < 0x20 || byte == 0x7f || (byte >= 0x80 && !is_utf8) ? '?' : (char)byte;
    }
    while (used > 0 && (event->text[used - 1] == ' ' || event->text[used - 1] == '\n'))
        used--;
    event->text[used] = '\0';
    while (used > 0 && !hf_text_is_utf8(event->text, used)) /* cut within a character */
        event->text[--used] = '\0';
}

/* --- storms ----------------------------------------------------------------------------------------- */

static void pass_on(struct hf_error_joiner *joiner, const struct hf_hardware_error *event)
{
    joiner->totals.events++;
    joiner->totals.by_severity[event->severity]++;
    joiner->totals.repeated += event->repeats != 0;
    joiner->config.take(joiner->config.argument, event);
}

static void end_storm(struct hf_error_joiner *joiner, struct storm *storm)
{
    struct hf_hardware_error summary;

    if (storm->used && storm->held > 0) {
        event_init(&summary, HF_FROM_READER);
        summary.kind = HF_KIND_STORM;
        summary.cpu = storm->cpu;
        summary.bank = storm->bank;
        summary.group = storm->group;
        summary.count = storm->held_count;
        (void)snprintf(summary.text, sizeof summary.text,
                       "%" PRIu64 " more %s reports of a %s error (%s) were held down within %d s",
                       storm->held, hf_error_severity_name(storm->severity), hf_error_kind_name(storm->kind),
                       hf_error_source_name(storm->source), (int)(STORM_NS / 1000000000));
        pass_on(joiner, &summary);
    }
    storm->used = 0;
}

static struct storm *storm_of(struct hf_error_joiner *joiner, const struct hf_hardware_error *event,
                              int64_t now_ns)
{
    struct storm *oldest = &joiner->storm[0];

    for (int i = 0; i < STORMS_MAX; i++) {
        struct storm *storm = &joiner->storm[i];

        if (storm->used && storm->source == event->source && storm->severity == event->severity &&
            storm->kind == event->kind && storm->cpu == event->cpu && storm->bank == event->bank) {
            if (now_ns - storm->begin_ns < STORM_NS)
                return storm;
            end_storm(joiner, storm);
        }
        if (oldest->used && (!storm->used || storm->begin_ns < oldest->begin_ns))
            oldest = storm;
    }
    end_storm(joiner, oldest);
    *oldest = (struct storm){
        1, event->source, event->severity, event->kind, event->cpu, event->bank, event->group, now_ns, 0, 0,
        0};
    return oldest;
}

static void pass_on_or_hold(struct hf_error_joiner *joiner, const struct hf_hardware_error *event,
                            int64_t now_ns)
{
    struct storm *storm = storm_of(joiner, event, now_ns);
    uint64_t free = event->severity >= HF_SEVERITY_UNCORRECTED ? STORM_FREE_BAD : STORM_FREE;

    if (storm->passed < free) {
        storm->passed++;
        pass_on(joiner, event);
        return;
    }
    storm->held++;
    storm->held_count += event->count;
    joiner->totals.held_down++;
    joiner->totals.held_by_severity[event->severity]++;
}

/* --- the same error from two sources ---------------------------------------------------------------- */

static int tells_the_same(const struct recent *recent, const struct hf_hardware_error *event, int64_t at_ns)
{
    int has_status = (event->has & HF_HAS_STATUS) != 0;
    int64_t apart = at_ns > recent->at_ns ? at_ns - recent->at_ns : recent->at_ns - at_ns;

    if (recent->sources == 0 || (recent->sources & 1u << event->source) != 0 || apart > REPEAT_NS)
        return 0;
    if (has_status && recent->has_status)
        return recent->status == event->status && recent->bank == event->bank &&
               (recent->cpu == event->cpu || recent->cpu < 0 || event->cpu < 0);
    return recent->kind == HF_KIND_MEMORY && event->kind == HF_KIND_MEMORY &&
           recent->severity == event->severity;
}

/* A backlog is read in one go: only the kernel's own time tells when its errors were. What comes live is
 * timed by our clock, since the log's and other sources' clocks drift apart over days. */
static void mark_repeats(struct hf_error_joiner *joiner, struct hf_hardware_error *event, int64_t now_ns)
{
    int by_log = (event->earlier || event->previous_boot) && event->boot_us >= 0;
    int64_t at_ns = by_log && event->boot_us < INT64_MAX / 1000 ? event->boot_us * 1000 : now_ns;

    if (event->severity == HF_SEVERITY_NOTICE || event->source == HF_FROM_KERNEL)
        return;
    for (int i = 0; i < RECENTS_MAX; i++) {
        if (!tells_the_same(&joiner->recent[i], event, at_ns))
            continue;
        joiner->recent[i].sources |= 1u << event->source;
        event->repeats = 1;
        return;
    }
    joiner->recent[joiner->next_recent] = (struct recent){.sources = 1u << event->source,
                                                          .severity = event->severity,
                                                          .kind = event->kind,
                                                          .cpu = event->cpu,
                                                          .bank = event->bank,
                                                          .has_status = (event->has & HF_HAS_STATUS) != 0,
                                                          .status = event->status,
                                                          .at_ns = at_ns};
    joiner->next_recent = (joiner->next_recent + 1) % RECENTS_MAX;
}

/* --- an event is complete --------------------------------------------------------------------------- */

static void fill_from_status(struct hf_hardware_error *event)
{
    enum hf_error_severity by_status;

    if ((event->has & HF_HAS_STATUS) == 0 || event->kind == HF_KIND_RESET_REASON)
        return;
    by_status = hf_status_severity(event->status, event->vendor);
    if (by_status > event->severity)
        event->severity = by_status;
    if (event->kind == HF_KIND_UNKNOWN)
        event->kind = hf_status_kind(event->status);
    if (event->count <= 1)
        event->count = hf_status_count(event->status, event->vendor);
    event->overflow = (int)(event->status >> 62 & 1);
}

static void fill_place(const struct hf_error_joiner *joiner, struct hf_hardware_error *event)
{
    const struct hf_error_joiner_config *config = &joiner->config;

    if (event->cpu < 0 && event->apic >= 0 && config->cpu_of_apic != NULL && event->apic < config->apic_limit)
        event->cpu = config->cpu_of_apic[event->apic];
    if (event->cpu >= 0 && config->group_of_cpu != NULL && event->cpu < config->cpu_limit)
        event->group = config->group_of_cpu[event->cpu];
}

static void finish(struct hf_error_joiner *joiner, struct hf_hardware_error *event, int64_t now_ns)
{
    fill_from_status(event);
    fill_place(joiner, event);
    mark_repeats(joiner, event, now_ns);
    pass_on_or_hold(joiner, event, now_ns);
}

/* Polling finds what is in the banks at boot: a fatal one cannot be of this boot, or it would have ended it.
 */
static int is_leftover(const struct open_event *open)
{
    enum hf_error_severity severity = hf_status_severity(open->event.status, open->event.vendor);

    if (open->event.exception || open->event.boot_us < 0 || open->event.boot_us >= LEFTOVER_US)
        return 0;
    if (open->class == OPEN_CHECK || open->class == OPEN_CONTROLLER)
        return severity >= HF_SEVERITY_UNCORRECTED;
    return open->class == OPEN_DECODED && severity == HF_SEVERITY_FATAL;
}

static void close_open(struct hf_error_joiner *joiner, struct open_event *open, int64_t now_ns)
{
    if (open->class == OPEN_NONE)
        return;
    if (is_leftover(open))
        open->event.previous_boot = 1;
    if (open->memory)
        open->event.kind = HF_KIND_MEMORY;
    open->class = OPEN_NONE;
    finish(joiner, &open->event, now_ns);
}

/* --- open events ------------------------------------------------------------------------------------ */

static struct open_event *oldest_of(struct hf_error_joiner *joiner, enum open_class class)
{
    struct open_event *oldest = NULL;

    for (int i = 0; i < OPEN_MAX; i++) {
        struct open_event *open = &joiner->open[i];

        if (open->class != OPEN_NONE && (class == OPEN_NONE || open->class == class) &&
            (oldest == NULL || open->order < oldest->order))
            oldest = open;
    }
    return oldest;
}

static struct open_event *open_new(struct hf_error_joiner *joiner, enum open_class class,
                                   enum hf_error_source source, int64_t now_ns)
{
    struct open_event *free = NULL;

    for (int i = 0; i < OPEN_MAX && free == NULL; i++) {
        if (joiner->open[i].class == OPEN_NONE)
            free = &joiner->open[i];
    }
    if (free == NULL) {
        free = oldest_of(joiner, OPEN_NONE);
        close_open(joiner, free, now_ns);
    }
    *free = (struct open_event){.class = class, .instance = -1, .order = ++joiner->order};
    event_init(&free->event, source);
    return free;
}

struct arrival {
    const char *bytes;
    size_t size;
    int64_t boot_us;
    unsigned origin;
    int64_t now_ns;
};

static void take_value(struct hf_hardware_error *event, const struct hf_error_line *line, unsigned has,
                       uint64_t *into, uint64_t value)
{
    if ((line->has & has) != 0 && (event->has & has) == 0) {
        *into = value;
        event->has |= has;
    }
}

/* What a line tells goes to what the event does not know yet. */
static void merge(struct hf_hardware_error *event, const struct hf_error_line *line,
                  const struct arrival *arrival)
{
    take_value(event, line, HF_HAS_STATUS, &event->status, line->status);
    take_value(event, line, HF_HAS_GLOBAL, &event->global, line->global);
    take_value(event, line, HF_HAS_ADDRESS, &event->address, line->address);
    take_value(event, line, HF_HAS_MISC, &event->misc, line->misc);
    take_value(event, line, HF_HAS_SYNDROME, &event->syndrome, line->syndrome);
    take_value(event, line, HF_HAS_IP_ID, &event->ip_id, line->ip_id);
    if (event->cpu < 0)
        event->cpu = line->cpu;
    if (event->bank < 0)
        event->bank = line->bank;
    if (event->socket < 0)
        event->socket = line->socket;
    if (event->apic < 0)
        event->apic = line->apic;
    if (event->vendor < 0)
        event->vendor = line->vendor;
    event->exception |= line->exception;
    if (line->has_severity && line->severity > event->severity)
        event->severity = line->severity;
    if (line->has_count)
        event->count = line->count > 0 ? line->count : 1;
    if (event->boot_us < 0)
        event->boot_us = arrival->boot_us;
    event->earlier |= (arrival->origin & HF_ORIGIN_EARLIER) != 0;
    event->previous_boot |= (arrival->origin & HF_ORIGIN_PREVIOUS_BOOT) != 0;
    add_text(event, arrival->bytes, arrival->size);
}

static void add_to(struct open_event *open, const struct hf_error_line *line, const struct arrival *arrival)
{
    open->touched_ns = arrival->now_ns;
    open->memory |= line->memory;
    merge(&open->event, line, arrival);
}

static void take_single(struct hf_error_joiner *joiner, const struct hf_error_line *line,
                        const struct arrival *arrival, enum hf_error_source source, enum hf_error_kind kind)
{
    struct hf_hardware_error event;

    event_init(&event, source);
    event.kind = kind;
    merge(&event, line, arrival);
    if (kind == HF_KIND_SOFT_LOCKUP)
        event.severity = HF_SEVERITY_UNCORRECTED; /* the kernel lives on */
    if (kind == HF_KIND_RESET_REASON) {
        event.previous_boot = 1;
        if (memmem(line->text, line->size, "uncorrected error", 17) != NULL)
            event.severity = HF_SEVERITY_FATAL;
    }
    finish(joiner, &event, arrival->now_ns);
}

/* --- lines by class --------------------------------------------------------------------------------- */

static struct open_event *check_without_numbers(struct hf_error_joiner *joiner)
{
    struct open_event *found = NULL;

    for (int i = 0; i < OPEN_MAX; i++) {
        struct open_event *open = &joiner->open[i];

        if (open->class == OPEN_CHECK && !open->has_numbers && (found == NULL || open->order < found->order))
            found = open;
    }
    return found;
}

/* The thread id tells whose line it is when the map knows it; injected reports carry 0, so the order decides
 * then. */
static struct open_event *check_of_processor(struct hf_error_joiner *joiner, const struct hf_error_line *line)
{
    const struct hf_error_joiner_config *config = &joiner->config;
    int cpu = config->cpu_of_apic != NULL && line->apic >= 0 && line->apic < config->apic_limit
                  ? config->cpu_of_apic[line->apic]
                  : -1;
    struct open_event *found = NULL;

    for (int i = 0; i < OPEN_MAX; i++) {
        struct open_event *open = &joiner->open[i];

        if (open->class == OPEN_CHECK && open->event.cpu == cpu && cpu >= 0 &&
            (found == NULL || open->order < found->order))
            found = open;
    }
    return found != NULL ? found : oldest_of(joiner, OPEN_CHECK);
}

static void take_check(struct hf_error_joiner *joiner, const struct hf_error_line *line,
                       const struct arrival *arrival)
{
    struct open_event *open = NULL;

    switch (line->what) {
    case HF_LINE_CHECK_HEAD:
        open = open_new(joiner, OPEN_CHECK, HF_FROM_MACHINE_CHECK, arrival->now_ns);
        break;
    case HF_LINE_CHECK_NUMBERS:
        open = check_without_numbers(joiner);
        if (open != NULL)
            open->has_numbers = 1;
        break;
    case HF_LINE_CHECK_POINTER:
        open = check_without_numbers(joiner);
        break;
    case HF_LINE_CHECK_PROCESSOR:
        open = check_of_processor(joiner, line);
        break;
    default:
        assert(0);
    }
    if (open == NULL)
        return; /* its head was lost */
    add_to(open, line, arrival);
    if (line->what == HF_LINE_CHECK_PROCESSOR)
        close_open(joiner, open, arrival->now_ns);
}

static void take_decoded(struct hf_error_joiner *joiner, const struct hf_error_line *line,
                         const struct arrival *arrival)
{
    struct open_event *open = oldest_of(joiner, OPEN_DECODED);
    struct open_event *record = oldest_of(joiner, OPEN_BOOT_RECORD);
    int begins = line->what == HF_LINE_DECODED_BEGIN ||
                 (line->what == HF_LINE_DECODED_STATUS && open != NULL && open->has_status_line);

    if (line->what == HF_LINE_HARDWARE_MORE && record != NULL) {
        add_to(record, line, arrival);
        return;
    }
    if (begins) {
        if (open != NULL)
            close_open(joiner, open, arrival->now_ns);
        open = NULL;
    }
    if (open == NULL)
        open = open_new(joiner, OPEN_DECODED, HF_FROM_DECODER, arrival->now_ns);
    open->has_status_line |= line->what == HF_LINE_DECODED_STATUS;
    add_to(open, line, arrival);
}

static void take_firmware(struct hf_error_joiner *joiner, const struct hf_error_line *line,
                          const struct arrival *arrival)
{
    struct open_event *open = NULL;

    for (int i = 0; i < OPEN_MAX && open == NULL; i++) {
        if (joiner->open[i].class == OPEN_FIRMWARE && joiner->open[i].instance == line->instance)
            open = &joiner->open[i];
    }
    if (open == NULL) {
        open = open_new(joiner, OPEN_FIRMWARE, HF_FROM_FIRMWARE, arrival->now_ns);
        open->instance = line->instance;
    }
    add_to(open, line, arrival);
}

static void take_controller(struct hf_error_joiner *joiner, const struct hf_error_line *line,
                            const struct arrival *arrival)
{
    struct open_event *open = oldest_of(joiner, OPEN_CONTROLLER);

    if (line->what == HF_LINE_MEMORY_CHECK) {
        if (open != NULL)
            close_open(joiner, open, arrival->now_ns);
        open = open_new(joiner, OPEN_CONTROLLER, HF_FROM_MEMORY_CONTROLLER, arrival->now_ns);
    }
    if (open != NULL)
        add_to(open, line, arrival);
}

static void take_boot_record(struct hf_error_joiner *joiner, const struct hf_error_line *line,
                             const struct arrival *arrival)
{
    struct open_event *open = open_new(joiner, OPEN_BOOT_RECORD, HF_FROM_BOOT_RECORD, arrival->now_ns);

    open->event.previous_boot = 1;
    add_to(open, line, arrival);
}

/* Lines that are an event by themselves. */
static int take_single_line(struct hf_error_joiner *joiner, const struct hf_error_line *line,
                            const struct arrival *arrival)
{
    static const struct {
        enum hf_error_line_what what;
        enum hf_error_source source;
        enum hf_error_kind kind;
    } singles[] = {
        {HF_LINE_CHECK_VERDICT, HF_FROM_MACHINE_CHECK, HF_KIND_UNKNOWN},
        {HF_LINE_MEMORY_COUNT, HF_FROM_MEMORY_CONTROLLER, HF_KIND_MEMORY},
        {HF_LINE_RESET_REASON, HF_FROM_KERNEL, HF_KIND_RESET_REASON},
        {HF_LINE_SOFT_LOCKUP, HF_FROM_KERNEL, HF_KIND_SOFT_LOCKUP},
        {HF_LINE_HARD_LOCKUP, HF_FROM_KERNEL, HF_KIND_HARD_LOCKUP},
        {HF_LINE_PANIC, HF_FROM_KERNEL, HF_KIND_PANIC},
        {HF_LINE_INTERRUPT, HF_FROM_KERNEL, HF_KIND_INTERRUPT},
        {HF_LINE_THROTTLE, HF_FROM_KERNEL, HF_KIND_THROTTLE},
        {HF_LINE_DEVICE_BUS, HF_FROM_KERNEL, HF_KIND_DEVICE_BUS},
        {HF_LINE_TRACE_CHECK, HF_FROM_TRACE, HF_KIND_UNKNOWN},
        {HF_LINE_TRACE_MEMORY, HF_FROM_TRACE, HF_KIND_MEMORY},
    };

    for (size_t i = 0; i < sizeof singles / sizeof singles[0]; i++) {
        if (singles[i].what != line->what)
            continue;
        take_single(joiner, line, arrival, singles[i].source, singles[i].kind);
        return 1;
    }
    return 0;
}

static void take_line(struct hf_error_joiner *joiner, const struct hf_error_line *line,
                      const struct arrival *arrival)
{
    switch (line->what) {
    case HF_LINE_CHECK_HEAD:
    case HF_LINE_CHECK_NUMBERS:
    case HF_LINE_CHECK_POINTER:
    case HF_LINE_CHECK_PROCESSOR:
        take_check(joiner, line, arrival);
        break;
    case HF_LINE_DECODED_BEGIN:
    case HF_LINE_DECODED_STATUS:
    case HF_LINE_HARDWARE_MORE:
        take_decoded(joiner, line, arrival);
        break;
    case HF_LINE_FIRMWARE:
        take_firmware(joiner, line, arrival);
        break;
    case HF_LINE_MEMORY_CHECK:
    case HF_LINE_MEMORY_MORE:
        take_controller(joiner, line, arrival);
        break;
    case HF_LINE_BOOT_RECORD:
        take_boot_record(joiner, line, arrival);
        break;
    default:
        (void)take_single_line(joiner, line, arrival);
    }
}

/* --- the doors -------------------------------------------------------------------------------------- */

void hf_error_joiner_line(struct hf_error_joiner *joiner, const char *bytes, size_t size, int64_t boot_us,
                          unsigned origin, int64_t now_ns)
{
    size_t at = 0;

    while (at < size) {
        struct hf_error_line line;
        struct arrival arrival = {bytes + at, 0, boot_us, origin, now_ns};

        arrival.size = hf_error_line_parse(bytes + at, size - at, &line);
        assert(arrival.size > 0 && arrival.size <= size - at);
        at += arrival.size;
        joiner->totals.lines++;
        take_line(joiner, &line, &arrival);
    }
}

void hf_error_joiner_store(struct hf_error_joiner *joiner, const char *bytes, size_t size, int64_t now_ns)
{
    size_t at = 0;

    while (at < size) {
        const char *end = memchr(bytes + at, '\n', size - at);
        size_t length = end != NULL ? (size_t)(end - bytes) - at : size - at;

        if (length > 0)
            hf_error_joiner_line(joiner, bytes + at, length, -1, HF_ORIGIN_PREVIOUS_BOOT, now_ns);
        at += length + 1;
    }
    hf_error_joiner_flush(joiner, now_ns);
}

void hf_error_joiner_event(struct hf_error_joiner *joiner, const struct hf_hardware_error *event,
                           int64_t now_ns)
{
    struct hf_hardware_error copy = *event;

    finish(joiner, &copy, now_ns);
}

/* In the order in which they began. */
static void close_waiting(struct hf_error_joiner *joiner, int64_t now_ns)
{
    for (;;) {
        struct open_event *next = NULL;

        for (int i = 0; i < OPEN_MAX; i++) {
            struct open_event *open = &joiner->open[i];

            if (open->class != OPEN_NONE && now_ns - open->touched_ns >= QUIET_NS &&
                (next == NULL || open->order < next->order))
                next = open;
        }
        if (next == NULL)
            return;
        close_open(joiner, next, now_ns);
    }
}

void hf_error_joiner_tick(struct hf_error_joiner *joiner, int64_t now_ns)
{
    close_waiting(joiner, now_ns);
    for (int i = 0; i < STORMS_MAX; i++) {
        if (joiner->storm[i].used && now_ns - joiner->storm[i].begin_ns >= STORM_NS)
            end_storm(joiner, &joiner->storm[i]);
    }
}

void hf_error_joiner_flush(struct hf_error_joiner *joiner, int64_t now_ns)
{
    struct open_event *open;

    while ((open = oldest_of(joiner, OPEN_NONE)) != NULL)
        close_open(joiner, open, now_ns);
    for (int i = 0; i < STORMS_MAX; i++)
        end_storm(joiner, &joiner->storm[i]);
}
