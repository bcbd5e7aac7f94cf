/*
 * Where else errors are told, and how the kernel looks for them: polling of machine checks, memory
 * controllers' counters, trace points, the store.
 *
 *   /sys/devices/system/machinecheck/machinecheckN/{check_interval,ignore_ce,dont_log_ce,print_all,bank*}
 *   /sys/devices/system/edac/mc/mcN/{ce_count,ue_count},
 * dimmK|rankK/{dimm_ce_count,dimm_ue_count,dimm_label}, csrowK/{ce_count,ue_count} on older kernels tracefs:
 * instances/NAME/events/{mce/mce_record,ras/mc_event}/enable, trace_pipe /sys/fs/pstore/dmesg-BACKEND-ID, and
 * /var/lib/systemd/pstore, whereto a service may have moved them
 */
#include <assert.h>
#include <errno.h>
#include <inttypes.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#include "base/memory.h"
#include "holdfast/checksum.h"
#include "holdfast/hardware_errors.h"

#define CHECKS         "/sys/devices/system/machinecheck"
#define FIRST_CHECK    CHECKS "/machinecheck0"
#define MEMORY         "/sys/devices/system/edac/mc"
#define NUMBERS_MAX    64
#define STORE_BYTES    (256 * 1024)
#define STORE_NAMES    64
#define STORE_NAME_MAX 96

/* --- polling ---------------------------------------------------------------------------------------- */

static int64_t integer_or(const struct hf_host *host, const char *path, int64_t otherwise)
{
    int64_t value;

    return hf_host_integer(host, path, &value) == 0 ? value : otherwise;
}

void hf_polling_read(const struct hf_host *host, struct hf_error_polling *ret_polling)
{
    struct hf_error_polling polling = {0, -1, -1, -1, -1, 0};
    int banks[256];
    int count = hf_host_numbers(host, FIRST_CHECK, "bank", banks, 256);

    polling.is_there = count >= 0;
    if (count > 0)
        polling.banks = count;
    polling.check_interval_s = integer_or(host, FIRST_CHECK "/check_interval", -1);
    polling.ignores_corrected = (int)integer_or(host, FIRST_CHECK "/ignore_ce", -1);
    polling.logs_no_corrected = (int)integer_or(host, FIRST_CHECK "/dont_log_ce", -1);
    polling.prints_all = (int)integer_or(host, FIRST_CHECK "/print_all", -1);
    *ret_polling = polling;
}

struct blindness {
    const char *why, *mend;
};

static struct blindness blindness_of(const struct hf_error_polling *polling)
{
    if (!polling->is_there)
        return (struct blindness){"the kernel shows no machine checks here", NULL};
    if (polling->ignores_corrected > 0)
        return (struct blindness){"corrected errors are ignored",
                                  "echo 0 > " FIRST_CHECK "/ignore_ce (and no "
                                  "mce=ignore_ce on the kernel's command line)"};
    if (polling->logs_no_corrected > 0)
        return (struct blindness){"corrected errors are not logged",
                                  "echo 0 > " FIRST_CHECK "/dont_log_ce (and no "
                                  "mce=dont_log_ce on the kernel's command line)"};
    if (polling->check_interval_s == 0)
        return (struct blindness){"corrected errors are not polled",
                                  "echo 5 > " FIRST_CHECK "/check_interval"};
    return (struct blindness){NULL, NULL};
}

const char *hf_polling_blindness(const struct hf_error_polling *polling)
{
    return blindness_of(polling).why;
}

const char *hf_polling_mend(const struct hf_error_polling *polling)
{
    return blindness_of(polling).mend;
}

static int write_setting(const struct hf_host *host, const char *path, int64_t value, struct hf_error *error)
{
    char text[32];
    int wrong;

    (void)snprintf(text, sizeof text, "%" PRId64, value);
    wrong = host->write(host->context, path, text);
    if (wrong == -EACCES || wrong == -EPERM)
        return hf_fail(error, HF_E_PERMISSION, "cannot write %s to %s: run as root", text, path);
    if (wrong != 0)
        return hf_fail_errno(error, -wrong, "cannot write %s to %s", text, path);
    if (integer_or(host, path, value - 1) != value)
        return hf_fail(error, HF_E_MISMATCH, "%s was set to %s but reads back as something else", path, text);
    return HF_OK;
}

/* Writing the first CPU's sets all CPUs (kernel documentation, ABI of the machine check files). */
int hf_polling_shorten(const struct hf_host *host, int interval_s, struct hf_error_polling *ret_old,
                       struct hf_error *error)
{
    struct hf_error_polling old;
    struct hf_error ignored = {0};

    assert(interval_s > 0);
    hf_polling_read(host, &old);
    if (old.check_interval_s < 0)
        return hf_fail(error, HF_E_MISSING,
                       "%s is not there: corrected errors are not polled on this machine",
                       FIRST_CHECK "/check_interval");
    if (old.check_interval_s == 0 || old.check_interval_s > interval_s) {
        if (write_setting(host, FIRST_CHECK "/check_interval", interval_s, error) != HF_OK)
            return error->code;
    }
    if (old.prints_all == 0)
        (void)write_setting(host, FIRST_CHECK "/print_all", 1,
                            &ignored); /* older kernels have no such file */
    *ret_old = old;
    return HF_OK;
}

int hf_polling_restore(const struct hf_host *host, const struct hf_error_polling *old, struct hf_error *error)
{
    struct hf_error_polling now;
    struct hf_error ignored = {0};

    hf_polling_read(host, &now);
    if (old->prints_all == 0 && now.prints_all > 0)
        (void)write_setting(host, FIRST_CHECK "/print_all", 0, &ignored);
    if (old->check_interval_s < 0 || now.check_interval_s == old->check_interval_s)
        return HF_OK;
    return write_setting(host, FIRST_CHECK "/check_interval", old->check_interval_s, error);
}

/* --- memory controllers' counters ------------------------------------------------------------------- */

static int read_count(const struct hf_host *host, const char *folder, const char *prefix,
                      struct hf_memory_count *count)
{
    char path[HF_HOST_PATH_MAX];
    int64_t corrected, uncorrected;

    (void)snprintf(path, sizeof path, "%s/%sce_count", folder, prefix);
    corrected = integer_or(host, path, -1);
    (void)snprintf(path, sizeof path, "%s/%sue_count", folder, prefix);
    uncorrected = integer_or(host, path, -1);
    count->corrected = corrected > 0 ? (uint64_t)corrected : 0;
    count->uncorrected = uncorrected > 0 ? (uint64_t)uncorrected : 0;
    return corrected >= 0 || uncorrected >= 0;
}

static int read_modules(const struct hf_host *host, int controller, const char *prefix, const char *counts,
                        struct hf_memory_count *ret_counts, int max)
{
    char folder[96];
    int numbers[NUMBERS_MAX];
    int found, used = 0;

    (void)snprintf(folder, sizeof folder, MEMORY "/mc%d", controller);
    found = hf_host_numbers(host, folder, prefix, numbers, NUMBERS_MAX);
    for (int i = 0; i < found && used < max; i++) {
        struct hf_memory_count *count = &ret_counts[used];
        char path[HF_HOST_PATH_MAX];

        *count = (struct hf_memory_count){0};
        (void)snprintf(folder, sizeof folder, MEMORY "/mc%d/%s%d", controller, prefix, numbers[i]);
        if (!read_count(host, folder, counts, count))
            continue;
        (void)snprintf(count->name, sizeof count->name, "mc%d/%s%d", controller, prefix, numbers[i]);
        (void)snprintf(path, sizeof path, "%s/dimm_label", folder);
        (void)hf_host_line(host, path, count->label, sizeof count->label);
        used++;
    }
    return used;
}

int hf_memory_counts_read(const struct hf_host *host, struct hf_memory_count *ret_counts, int max)
{
    int numbers[NUMBERS_MAX];
    int controllers = hf_host_numbers(host, MEMORY, "mc", numbers, NUMBERS_MAX);
    int used = 0;

    for (int i = 0; i < controllers && used < max; i++) {
        char folder[96];
        int modules = 0;

        (void)snprintf(folder, sizeof folder, MEMORY "/mc%d", numbers[i]);
        ret_counts[used] = (struct hf_memory_count){0};
        if (!read_count(host, folder, "", &ret_counts[used]))
            continue;
        (void)snprintf(ret_counts[used++].name, sizeof ret_counts[0].name, "mc%d", numbers[i]);
        modules += read_modules(host, numbers[i], "dimm", "dimm_", ret_counts + used, max - used);
        modules += read_modules(host, numbers[i], "rank", "dimm_", ret_counts + used + modules,
                                max - used - modules);
        if (modules == 0)
            modules = read_modules(host, numbers[i], "csrow", "", ret_counts + used, max - used);
        used += modules;
    }
    return used;
}

static uint64_t growth(uint64_t before, uint64_t now)
{
    return now >= before ? now - before : now;
}

static const struct hf_memory_count *count_named(const struct hf_memory_count *counts, int count,
                                                 const char *name)
{
    for (int i = 0; i < count; i++) {
        if (strcmp(counts[i].name, name) == 0)
            return &counts[i];
    }
    return NULL;
}

static void tell_growth(const struct hf_memory_count *count, uint64_t grown, enum hf_error_severity severity,
                        struct hf_error_joiner *joiner, int64_t now_ns)
{
    struct hf_hardware_error event = {.source = HF_FROM_COUNTER,
                                      .severity = severity,
                                      .kind = HF_KIND_MEMORY,
                                      .cpu = -1,
                                      .group = -1,
                                      .bank = -1,
                                      .socket = -1,
                                      .apic = -1,
                                      .vendor = -1,
                                      .count = grown,
                                      .boot_us = -1};

    if (grown == 0)
        return;
    (void)snprintf(event.text, sizeof event.text,
                   "memory controller counter %s%s%s%s: %" PRIu64 " more %s error(s)", count->name,
                   count->label[0] != '\0' ? " (" : "", count->label, count->label[0] != '\0' ? ")" : "",
                   grown, hf_error_severity_name(severity));
    hf_error_joiner_event(joiner, &event, now_ns);
}

struct growths {
    uint64_t corrected, uncorrected;
};

static struct growths growths_of(const struct hf_memory_count *before, int before_count,
                                 const struct hf_memory_count *now)
{
    static const struct hf_memory_count none;
    const struct hf_memory_count *old = count_named(before, before_count, now->name);

    if (old == NULL)
        old = before_count == 0 ? now : &none; /* a first look at all tells nothing new */
    return (struct growths){growth(old->corrected, now->corrected),
                            growth(old->uncorrected, now->uncorrected)};
}

void hf_memory_counts_compare(const struct hf_memory_count *before, int before_count,
                              const struct hf_memory_count *now, int now_count,
                              struct hf_error_joiner *joiner, int64_t now_ns)
{
    for (int i = 0; i < now_count;) {
        struct growths whole = growths_of(before, before_count, &now[i]);
        struct growths told = {0, 0};
        int at = i + 1;

        for (; at < now_count && strchr(now[at].name, '/') != NULL; at++) {
            struct growths part = growths_of(before, before_count, &now[at]);

            tell_growth(&now[at], part.corrected, HF_SEVERITY_CORRECTED, joiner, now_ns);
            tell_growth(&now[at], part.uncorrected, HF_SEVERITY_UNCORRECTED, joiner, now_ns);
            told.corrected += part.corrected;
            told.uncorrected += part.uncorrected;
        }
        if (whole.corrected > told.corrected)
            tell_growth(&now[i], whole.corrected - told.corrected, HF_SEVERITY_CORRECTED, joiner, now_ns);
        if (whole.uncorrected > told.uncorrected)
            tell_growth(&now[i], whole.uncorrected - told.uncorrected, HF_SEVERITY_UNCORRECTED, joiner,
                        now_ns);
        i = at;
    }
}

/* --- trace points ----------------------------------------------------------------------------------- */

static const char *const trace_roots[] = {"/sys/kernel/tracing", "/sys/kernel/debug/tracing"};

#define TRACE_INSTANCE "instances/holdfast"

static int enable_events(const struct hf_host *host, const char *root)
{
    static const char *const events[] = {"mce/mce_record", "ras/mc_event"};
    int enabled = 0;

    for (size_t i = 0; i < sizeof events / sizeof events[0]; i++) {
        char path[HF_HOST_PATH_MAX];

        (void)snprintf(path, sizeof path, "%s/" TRACE_INSTANCE "/events/%s/enable", root, events[i]);
        enabled += host->write(host->context, path, "1") == 0;
    }
    return enabled;
}

int hf_trace_begin(const struct hf_host *host, char ret_path[HF_HOST_PATH_MAX], struct hf_error *error)
{
    int denied = 0;

    for (size_t i = 0; i < sizeof trace_roots / sizeof trace_roots[0]; i++) {
        char path[HF_HOST_PATH_MAX];
        int wrong;

        (void)snprintf(path, sizeof path, "%s/" TRACE_INSTANCE, trace_roots[i]);
        wrong = host->folder(host->context, path, 1);
        denied |= wrong == -EACCES || wrong == -EPERM;
        if (wrong != 0 && wrong != -EEXIST) /* a session that died left its own behind */
            continue;
        if (enable_events(host, trace_roots[i]) > 0) {
            (void)snprintf(ret_path, HF_HOST_PATH_MAX, "%s/" TRACE_INSTANCE "/trace_pipe", trace_roots[i]);
            return HF_OK;
        }
        (void)host->folder(host->context, path, 0);
        return hf_fail(error, HF_E_MISSING, "this kernel has no trace points for machine checks");
    }
    if (denied)
        return hf_fail(error, HF_E_PERMISSION, "trace points need root");
    return hf_fail(error, HF_E_MISSING, "no tracing here: mount -t tracefs tracefs /sys/kernel/tracing");
}

void hf_trace_end(const struct hf_host *host)
{
    for (size_t i = 0; i < sizeof trace_roots / sizeof trace_roots[0]; i++) {
        char path[HF_HOST_PATH_MAX];

        (void)snprintf(path, sizeof path, "%s/" TRACE_INSTANCE, trace_roots[i]);
        (void)host->folder(host->context, path, 0);
    }
}

/* --- the store -------------------------------------------------------------------------------------- */

struct names {
    int count;
    char name[STORE_NAMES][STORE_NAME_MAX];
};

static void take_name(void *argument, const char *name)
{
    struct names *names = argument;

    if (names->count < STORE_NAMES && strlen(name) < STORE_NAME_MAX)
        (void)snprintf(names->name[names->count++], STORE_NAME_MAX, "%s", name);
}

/* The part with the highest number is the oldest: read backwards by name, the oldest comes first. */
static int compare_names_backwards(const void *left, const void *right)
{
    return strcmp(right, left);
}

static int list_names(const struct hf_host *host, const char *folder, struct names *names)
{
    int result;

    names->count = 0;
    result = host->list(host->context, folder, take_name, names);
    if (result < 0)
        return result;
    qsort(names->name, (size_t)names->count, sizeof names->name[0], compare_names_backwards);
    return names->count;
}

struct store_walk {
    const struct hf_host *host;
    hf_store_chooser *is_new;
    void *argument;
    struct hf_error_joiner *joiner;
    int64_t now_ns;
    char *bytes;
    int found;
};

static void read_dumps(struct store_walk *walk, const char *folder, const struct names *names)
{
    for (int i = 0; i < names->count; i++) {
        char path[HF_HOST_PATH_MAX];
        int count;

        if (strncmp(names->name[i], "dmesg-", 6) != 0)
            continue;
        walk->found++;
        if (walk->joiner == NULL)
            continue;
        (void)snprintf(path, sizeof path, "%s/%s", folder, names->name[i]);
        count = hf_host_bytes(walk->host, path, walk->bytes, STORE_BYTES);
        if (count > 0 && (walk->is_new == NULL || walk->is_new(walk->argument, names->name[i],
                                                               hf_crc32c(0, walk->bytes, (size_t)count))))
            hf_error_joiner_store(walk->joiner, walk->bytes, (size_t)count, walk->now_ns);
    }
}

/* A service moves the dumps to folders named by time, one level down. */
static void read_moved(struct store_walk *walk, struct names *names, struct names *inner)
{
    static const char moved[] = "/var/lib/systemd/pstore";

    if (list_names(walk->host, moved, names) <= 0)
        return;
    read_dumps(walk, moved, names);
    for (int i = 0; i < names->count; i++) {
        char folder[HF_HOST_PATH_MAX];

        (void)snprintf(folder, sizeof folder, "%s/%s", moved, names->name[i]);
        if (strncmp(names->name[i], "dmesg-", 6) != 0 && list_names(walk->host, folder, inner) > 0)
            read_dumps(walk, folder, inner);
    }
}

int hf_store_read(const struct hf_host *host, hf_store_chooser *is_new, void *argument,
                  struct hf_error_joiner *joiner, int64_t now_ns)
{
    struct store_walk walk = {host, is_new, argument, joiner, now_ns, hf_allocate(1, STORE_BYTES), 0};
    struct names *names = hf_allocate(2, sizeof *names);
    int wrong = -ENOMEM;

    if (walk.bytes != NULL && names != NULL) {
        wrong = list_names(host, "/sys/fs/pstore", names);
        if (wrong > 0)
            read_dumps(&walk, "/sys/fs/pstore", names);
        read_moved(&walk, names, names + 1);
    }
    hf_free(names);
    hf_free(walk.bytes);
    return walk.found == 0 && (wrong == -EACCES || wrong == -EPERM || wrong == -ENOMEM) ? wrong : walk.found;
}
