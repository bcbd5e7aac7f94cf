/*
 * Copying what the survey reads.
 *
 * A pattern is a folder, whose parts may be shell wildcards, and the names wanted in it. Nothing is copied
 * that no pattern names: topology/ppin, for instance, is a serial number and stays where it is.
 */
#include "holdfast/recording.h"
#include "machine/facts.h"

#include <assert.h>
#include <dirent.h>
#include <errno.h>
#include <fcntl.h>
#include <fnmatch.h>
#include <limits.h>
#include <stdio.h>
#include <string.h>
#include <sys/stat.h>
#include <sys/utsname.h>
#include <unistd.h>

#include "base/memory.h"
#include "holdfast/text.h"

#define FILE_BYTES_MAX (4 * 1024 * 1024)
#define NAMES_MAX      16384
#define DEPTH_MAX      16

#define CPU "/sys/devices/system/cpu"

/* Lines that are kept begin with one of these words; NULL: the whole file. */
static const char *const cpuinfo_lines[] = {
    "processor",   "vendor_id",    "cpu family",  "model",           "stepping",
    "microcode",   "flags",        "apicid",      "CPU implementer", "CPU architecture",
    "CPU part",    "CPU revision", "CPU variant", "Processor",       "core id",
    "physical id", "siblings",     NULL};
static const char *const meminfo_lines[] = {"MemTotal", NULL};
static const char *const stat_lines[] = {"cpu", NULL};
/* What hwloc asks a recorded machine's kernel for, without its host name. */
static const char *const identity_lines[] = {"OSName:", "OSRelease:", "Architecture:", NULL};
static const char *const interrupts_lines[] = {"MCE:", "MCP:", "THR:", "DFR:", "TRM:", NULL};

static const struct pattern {
    const char *folder;
    const char *names; /* wildcards, separated by blanks; a name after @ is a link */
    const char *const *lines;
} patterns[] = {
    {"/proc", "cpuinfo", cpuinfo_lines},
    {"/proc", "meminfo", meminfo_lines},
    {"/proc", "stat", stat_lines},
    {"/proc", "interrupts", interrupts_lines},
    {"/proc", "hwloc-nofile-info", identity_lines}, /* of a recording that is recorded again */
    {"/proc/sys/kernel", "osrelease perf_event_paranoid dmesg_restrict", NULL},
    {CPU, "possible present online offline isolated", NULL},
    {CPU "/smt", "active control", NULL},
    {CPU "/cpu[0-9]*", "online cpu_capacity", NULL},
    {CPU "/cpu[0-9]*/topology",
     "physical_package_id die_id cluster_id core_id thread_siblings thread_siblings_list core_siblings "
     "core_siblings_list core_cpus core_cpus_list die_cpus die_cpus_list cluster_cpus cluster_cpus_list "
     "package_cpus "
     "package_cpus_list",
     NULL},
    {CPU "/cpu[0-9]*/cache/index[0-9]*",
     "level type size shared_cpu_list shared_cpu_map id coherency_line_size number_of_sets "
     "ways_of_associativity",
     NULL},
    {CPU "/cpu[0-9]*/acpi_cppc",
     "feedback_ctrs reference_perf nominal_perf nominal_freq highest_perf lowest_perf lowest_nonlinear_perf "
     "wraparound_time",
     NULL},
    {CPU "/cpu[0-9]*/thermal_throttle", "core_throttle_count package_throttle_count", NULL},
    {CPU "/cpu[0-9]*/microcode", "version", NULL},
    {CPU "/cpu[0-9]*/cpufreq",
     "scaling_governor scaling_available_governors base_frequency cpuinfo_max_freq cpuinfo_min_freq "
     "scaling_driver",
     NULL},
    {CPU "/cpufreq", "boost", NULL},
    {CPU "/cpufreq/policy[0-9]*",
     "affected_cpus related_cpus freqdomain_cpus cpuinfo_min_freq cpuinfo_max_freq base_frequency "
     "scaling_min_freq "
     "scaling_max_freq scaling_setspeed scaling_governor scaling_available_governors "
     "scaling_available_frequencies "
     "scaling_cur_freq scaling_driver bios_limit energy_performance_preference "
     "energy_performance_available_preferences cpb boost",
     NULL},
    {CPU "/intel_pstate", "status no_turbo max_perf_pct min_perf_pct", NULL},
    {CPU "/amd_pstate", "status", NULL},
    {"/sys/devices/system/node", "online possible", NULL},
    {"/sys/devices/system/node/node[0-9]*", "cpumap cpulist meminfo distance", NULL},
    {"/sys/devices/system/clocksource/clocksource0", "current_clocksource", NULL},
    {"/sys/bus/event_source/devices/msr", "type", NULL},
    {"/sys/bus/event_source/devices/msr/events", "aperf mperf tsc", NULL},
    {"/sys/bus/event_source/devices/cpu_core", "type cpus", NULL},
    {"/sys/bus/event_source/devices/cpu_atom", "type cpus", NULL},
    {"/sys/devices/cpu_core", "type cpus", NULL},
    {"/sys/devices/cpu_atom", "type cpus", NULL},
    {"/sys/class/hwmon/hwmon[0-9]*",
     "name @device temp[0-9]*_input temp[0-9]*_label temp[0-9]*_max temp[0-9]*_crit temp[0-9]*_fault "
     "in[0-9]*_input "
     "in[0-9]*_label in[0-9]*_fault curr[0-9]*_input curr[0-9]*_label curr[0-9]*_fault power[0-9]*_input "
     "power[0-9]*_average power[0-9]*_label energy[0-9]*_input energy[0-9]*_label fan[0-9]*_input "
     "fan[0-9]*_label "
     "fan[0-9]*_fault",
     NULL},
    {"/sys/class/thermal/thermal_zone[0-9]*", "type temp", NULL},
    {"/sys/class/powercap/*:*", "name energy_uj max_energy_range_uj", NULL},
    {"/sys/devices/system/machinecheck/machinecheck0",
     "bank[0-9]* check_interval cmci_disabled dont_log_ce ignore_ce monarch_timeout print_all", NULL},
    {"/sys/devices/system/edac/mc/mc[0-9]*",
     "mc_name size_mb ce_count ue_count ce_noinfo_count ue_noinfo_count", NULL},
    {"/sys/devices/system/edac/mc/mc[0-9]*/dimm[0-9]*",
     "dimm_label dimm_location dimm_ce_count dimm_ue_count", NULL},
    {"/sys/devices/system/edac/mc/mc[0-9]*/rank[0-9]*",
     "dimm_label dimm_location dimm_ce_count dimm_ue_count", NULL},
    {"/sys/devices/system/edac/mc/mc[0-9]*/csrow[0-9]*", "ce_count ue_count", NULL},
    {"/sys/kernel/tracing/events/mce/mce_record", "enable", NULL},
    {"/sys/kernel/tracing/events/ras/mc_event", "enable", NULL},
    {"/sys/class/dmi/id", "bios_vendor bios_version bios_date", NULL},
    {"/sys/hypervisor", "type", NULL},
};

struct saver {
    const struct hf_host *host;
    const char *folder; /* where the recording goes */
    struct hf_recording_totals totals;
    struct hf_error *error;
    char *bytes;
};

/* --- writing ---------------------------------------------------------------------------------------- */

static int make_folders(struct saver *saver, char *path)
{
    for (char *at = path + strlen(saver->folder) + 1; (at = strchr(at, '/')) != NULL; at++) {
        *at = '\0';
        if (mkdir(path, 0777) != 0 && errno != EEXIST)
            return hf_fail_errno(saver->error, errno, "cannot make %.200s", path);
        *at = '/';
    }
    return HF_OK;
}

static int write_file(struct saver *saver, const char *path, const char *bytes, size_t size)
{
    char full[PATH_MAX];
    size_t done = 0;
    int fd;

    if (snprintf(full, sizeof full, "%s%s", saver->folder, path) >= (int)sizeof full)
        return hf_fail(saver->error, HF_E_INPUT, "the path %.200s is too long", saver->folder);
    if (make_folders(saver, full) != HF_OK)
        return saver->error->code;
    fd = open(full, O_WRONLY | O_CREAT | O_EXCL | O_CLOEXEC | O_NOFOLLOW, 0666);
    if (fd < 0 && errno == EEXIST)
        return HF_OK; /* two patterns name it */
    if (fd < 0)
        return hf_fail_errno(saver->error, errno, "cannot write %.200s", full);
    while (done < size) {
        ssize_t written = write(fd, bytes + done, size - done);

        if (written < 0 && errno == EINTR)
            continue;
        if (written < 0) {
            int wrong = errno;

            (void)close(fd);
            return hf_fail_errno(saver->error, wrong, "cannot write %.200s", full);
        }
        done += (size_t)written;
    }
    if (close(fd) != 0)
        return hf_fail_errno(saver->error, errno, "cannot write %.200s", full);
    saver->totals.files++;
    return HF_OK;
}

/* --- one file --------------------------------------------------------------------------------------- */

static int line_is_kept(const char *line, size_t size, const char *const *words)
{
    while (size > 0 && *line == ' ') {
        line++;
        size--;
    }
    for (; *words != NULL; words++) {
        if (size >= strlen(*words) && memcmp(line, *words, strlen(*words)) == 0)
            return 1;
    }
    return 0;
}

/* Moves the kept lines to the front; the size that is left. */
static size_t keep_lines(char *bytes, size_t size, const char *const *words)
{
    size_t kept = 0;
    size_t at = 0;

    while (at < size) {
        const char *end = memchr(bytes + at, '\n', size - at);
        size_t length = end != NULL ? (size_t)(end - bytes) - at + 1 : size - at;

        if (line_is_kept(bytes + at, length, words)) {
            (void)memmove(bytes + kept, bytes + at, length);
            kept += length;
        }
        at += length;
    }
    return kept;
}

static int save_file(struct saver *saver, const char *path, const char *const *lines)
{
    int count = hf_host_bytes(saver->host, path, saver->bytes, FILE_BYTES_MAX);
    size_t size;

    if (count < 0) {
        saver->totals.unreadable += count != -ENOENT && count != -EISDIR;
        return HF_OK;
    }
    size = lines != NULL ? keep_lines(saver->bytes, (size_t)count, lines) : (size_t)count;
    return write_file(saver, path, saver->bytes, size);
}

/* Only the last part of where the link points: it names the device, the rest says how it is wired. */
static int save_link(struct saver *saver, const char *path)
{
    char target[512];
    char shortened[520];
    char full[PATH_MAX];
    const char *last;

    if (saver->host->link(saver->host->context, path, target, sizeof target) <= 0)
        return HF_OK;
    last = strrchr(target, '/');
    (void)snprintf(shortened, sizeof shortened, "../%s", last != NULL ? last + 1 : target);
    if (snprintf(full, sizeof full, "%s%s", saver->folder, path) >= (int)sizeof full)
        return HF_OK;
    if (make_folders(saver, full) != HF_OK)
        return saver->error->code;
    if (symlink(shortened, full) != 0 && errno != EEXIST)
        return hf_fail_errno(saver->error, errno, "cannot make the link %.200s", full);
    saver->totals.links++;
    return HF_OK;
}

/* --- walking ---------------------------------------------------------------------------------------- */

struct names {
    struct hf_text text; /* NUL-separated */
    int count;
    const char *const *wanted; /* one pattern, or several, each a wildcard; NULL-terminated */
};

static void take_matching(void *argument, const char *name)
{
    struct names *names = argument;

    for (const char *const *wanted = names->wanted; *wanted != NULL; wanted++) {
        if (fnmatch(*wanted, name, FNM_PATHNAME) != 0 || names->count == NAMES_MAX)
            continue;
        hf_text_add(&names->text, name, strlen(name) + 1);
        names->count++;
        return;
    }
}

static int list_matching(struct saver *saver, const char *folder, const char *const *wanted,
                         struct names *names)
{
    *names = (struct names){.wanted = wanted};
    hf_text_init(&names->text, NAMES_MAX * 32);
    if (saver->host->list(saver->host->context, folder, take_matching, names) < 0)
        names->count = 0;
    return names->count;
}

/* The names of a folder that a pattern wants: plain ones are opened as they are, wildcards listed. */
static int save_folder(struct saver *saver, const char *folder, const struct pattern *pattern)
{
    char wanted[1024];
    const char *wildcards[64];
    struct names names;
    int wildcard_count = 0;
    char *rest = wanted;
    char *word;
    const char *name;
    int code = HF_OK;

    (void)snprintf(wanted, sizeof wanted, "%s", pattern->names);
    assert(strlen(pattern->names) < sizeof wanted);
    while (code == HF_OK && (word = strsep(&rest, " ")) != NULL) {
        char path[HF_HOST_PATH_MAX];
        int is_link = word[0] == '@';

        if (strpbrk(word, "*[") != NULL) {
            assert(wildcard_count < 63);
            wildcards[wildcard_count++] = word;
        } else if (snprintf(path, sizeof path, "%s/%s", folder, word + is_link) < (int)sizeof path) {
            code = is_link ? save_link(saver, path) : save_file(saver, path, pattern->lines);
        }
    }
    if (wildcard_count == 0 || code != HF_OK)
        return code;
    wildcards[wildcard_count] = NULL;
    name = NULL;
    (void)list_matching(saver, folder, wildcards, &names);
    for (int i = 0; i < names.count && code == HF_OK; i++) {
        char path[HF_HOST_PATH_MAX];

        name = name == NULL ? names.text.bytes : name + strlen(name) + 1;
        if (snprintf(path, sizeof path, "%s/%s", folder, name) < (int)sizeof path)
            code = save_file(saver, path, NULL);
    }
    hf_text_release(&names.text);
    return code;
}

/* Follows the folder's pattern part by part; `done` is what is fixed already. */
static int walk(struct saver *saver, const char *done, const char *rest, const struct pattern *pattern,
                int depth)
{
    char part[128];
    const char *const wanted[] = {part, NULL};
    struct names names;
    const char *name = NULL;
    const char *slash;
    int code = HF_OK;

    assert(depth < DEPTH_MAX);
    if (*rest == '\0')
        return save_folder(saver, done, pattern);
    slash = strchr(rest + 1, '/');
    (void)snprintf(part, sizeof part, "%.*s",
                   (int)(slash != NULL ? (size_t)(slash - rest) - 1 : strlen(rest) - 1), rest + 1);
    rest = slash != NULL ? slash : "";
    if (strpbrk(part, "*[") == NULL) {
        char next[HF_HOST_PATH_MAX];

        (void)snprintf(next, sizeof next, "%s/%s", done, part);
        return walk(saver, next, rest, pattern, depth + 1);
    }
    (void)list_matching(saver, done[0] != '\0' ? done : "/", wanted, &names);
    for (int i = 0; i < names.count && code == HF_OK; i++) {
        char next[HF_HOST_PATH_MAX];

        name = name == NULL ? names.text.bytes : name + strlen(name) + 1;
        if (snprintf(next, sizeof next, "%s/%s", done, name) < (int)sizeof next)
            code = walk(saver, next, rest, pattern, depth + 1);
    }
    hf_text_release(&names.text);
    return code;
}

/* --- the cgroup ------------------------------------------------------------------------------------- */

/* Which CPUs a cgroup allows belongs to the machine as seen, but its path may name a user: it is written down
 * as /recorded, below the usual mount point. Version 2 only. */

#define CGROUPS        "/sys/fs/cgroup"
#define CGROUP_RENAMED "/recorded"

/* The mount point of cgroup2 in /proc/mounts: "DEVICE POINT TYPE ...". */
static int find_cgroups(const char *mounts, char *ret_point, size_t size)
{
    for (const char *line = mounts; *line != '\0';) {
        size_t length = strcspn(line, "\n");
        const char *point = memchr(line, ' ', length);
        const char *type = point != NULL ? memchr(point + 1, ' ', length - (size_t)(point + 1 - line)) : NULL;

        if (type != NULL && strncmp(type, " cgroup2 ", 9) == 0) {
            (void)snprintf(ret_point, size, "%.*s", (int)(type - point - 1), point + 1);
            return 1;
        }
        line += length + (line[length] == '\n');
    }
    return 0;
}

static int find_own_cgroup(const struct hf_host *host, char *ret_path, size_t size)
{
    char bytes[4096];
    const char *line;

    if (hf_host_line(host, "/proc/self/cpuset", ret_path, size) > 0)
        return 1;
    if (hf_host_bytes(host, "/proc/self/cgroup", bytes, sizeof bytes) <= 0)
        return 0;
    line = strstr(bytes, "0::/");
    if (line == NULL)
        return 0;
    (void)snprintf(ret_path, size, "%.*s", (int)strcspn(line + 3, "\n"), line + 3);
    return 1;
}

static int save_cgroup_as(struct saver *saver, const char *point, const char *own)
{
    static const char mounts[] = "none " CGROUPS " cgroup2 rw 0 0\n";
    static const char *const names[] = {"cpuset.cpus.effective", "cpuset.mems.effective"};
    char path[HF_HOST_PATH_MAX];
    int found = 0;

    for (size_t i = 0; i < 2; i++) {
        char as[HF_HOST_PATH_MAX];
        int count = -1;

        (void)snprintf(as, sizeof as, CGROUPS CGROUP_RENAMED "/%s", names[i]);
        if (snprintf(path, sizeof path, "%s%s/%s", point, strcmp(own, "/") != 0 ? own : "", names[i]) <
            (int)sizeof path)
            count = hf_host_bytes(saver->host, path, saver->bytes, FILE_BYTES_MAX);
        found += count > 0;
        if (count > 0 && write_file(saver, as, saver->bytes, (size_t)count) != HF_OK)
            return saver->error->code;
    }
    if (found == 0)
        return HF_OK;
    if (write_file(saver, "/proc/mounts", mounts, sizeof mounts - 1) != HF_OK ||
        write_file(saver, "/proc/self/cpuset", CGROUP_RENAMED "\n", sizeof CGROUP_RENAMED) != HF_OK ||
        write_file(saver, CGROUPS "/cgroup.controllers", "cpuset\n", 7) != HF_OK)
        return saver->error->code;
    return HF_OK;
}

static int save_cgroup(struct saver *saver)
{
    char point[HF_HOST_PATH_MAX];
    char own[HF_HOST_PATH_MAX];

    if (hf_host_bytes(saver->host, "/proc/mounts", saver->bytes, FILE_BYTES_MAX) <= 0 ||
        !find_cgroups(saver->bytes, point, sizeof point) || !find_own_cgroup(saver->host, own, sizeof own))
        return HF_OK;
    return save_cgroup_as(saver, point, own);
}

/* --- the whole -------------------------------------------------------------------------------------- */

/* What hwloc would ask uname() for on the machine itself: some processors are told apart by it. */
static int save_identity(struct saver *saver)
{
    struct utsname name;
    int length;

    if (!saver->host->is_live || uname(&name) != 0)
        return HF_OK;
    length = snprintf(saver->bytes, FILE_BYTES_MAX, "OSName: %s\nOSRelease: %s\nArchitecture: %s\n",
                      name.sysname, name.release, name.machine);
    return write_file(saver, "/proc/hwloc-nofile-info", saver->bytes, (size_t)length);
}

/* Where only /proc/version tells the kernel, its release is kept: the rest names who built it, and where. */
static int save_release(struct saver *saver)
{
    struct hf_machine_facts facts = {0};
    int count;

    if (hf_host_has(saver->host, "/proc/sys/kernel/osrelease"))
        return HF_OK;
    count = hf_host_bytes(saver->host, "/proc/version", saver->bytes, FILE_BYTES_MAX);
    if (count <= 0)
        return HF_OK;
    hf_facts_parse_version(saver->bytes, (size_t)count, &facts);
    if (facts.kernel[0] == '\0')
        return HF_OK;
    return write_file(saver, "/proc/sys/kernel/osrelease", facts.kernel, strlen(facts.kernel));
}

static int is_empty(const char *folder)
{
    DIR *open_folder = opendir(folder);
    struct dirent *entry;
    int empty = 1;

    while (open_folder != NULL && (entry = readdir(open_folder)) != NULL)
        empty &= strcmp(entry->d_name, ".") == 0 || strcmp(entry->d_name, "..") == 0;
    if (open_folder != NULL)
        (void)closedir(open_folder);
    return open_folder != NULL && empty;
}

int hf_recording_save(const struct hf_host *host, const char *folder, struct hf_recording_totals *ret_totals,
                      struct hf_error *error)
{
    struct saver saver = {host, folder, {0, 0, 0}, error, NULL};
    int code = HF_OK;

    if (mkdir(folder, 0777) != 0) {
        if (errno != EEXIST)
            return hf_fail_errno(error, errno, "cannot make the folder %.200s", folder);
        if (!is_empty(folder))
            return hf_fail(error, HF_E_REFUSED, "%.200s is there already and not an empty folder", folder);
    }
    saver.bytes = hf_allocate(1, FILE_BYTES_MAX);
    if (saver.bytes == NULL)
        return hf_fail(error, HF_E_MEMORY, "no memory for a recording");
    for (size_t i = 0; i < sizeof patterns / sizeof patterns[0] && code == HF_OK; i++)
        code = walk(&saver, "", patterns[i].folder, &patterns[i], 0);
    if (code == HF_OK)
        code = save_cgroup(&saver);
    if (code == HF_OK && (code = save_identity(&saver)) == HF_OK)
        code = save_release(&saver);
    hf_free(saver.bytes);
    if (code == HF_OK)
        *ret_totals = saver.totals;
    return code;
}
