/*
 * Base facts and boot id: which file is read for which field. Never read, so never stored: serial numbers,
 * asset tags, UUIDs of the board, host names and network addresses.
 */
#include "machine/facts.h"

#include <dirent.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <unistd.h>

#include "machine/files.h"

#define START_BYTES 65536 /* enough for the first processor of /proc/cpuinfo */

typedef void parser(const char *bytes, size_t size, struct hf_machine_facts *facts);

static void read_and_parse(const char *root, const char *path, parser *parse, struct hf_machine_facts *facts)
{
    char bytes[START_BYTES];
    int count = hf_file_start(root, path, bytes, sizeof bytes);

    if (count > 0)
        parse(bytes, (size_t)count, facts);
}

/* Older kernels, and recorded machines: a folder in each CPU's own. */
static void read_governors_by_cpu(const char *root, struct hf_machine_facts *facts)
{
    for (int cpu = 0; cpu < HF_CPUS_MAX; cpu++) {
        char full[320];
        char path[96];

        (void)snprintf(full, sizeof full, "%.200s/sys/devices/system/cpu/cpu%d", root != NULL ? root : "",
                       cpu);
        if (access(full, F_OK) != 0)
            return; /* an offline CPU keeps its folder: this is the end */
        (void)snprintf(path, sizeof path, "/sys/devices/system/cpu/cpu%d/cpufreq/scaling_governor", cpu);
        read_and_parse(root, path, hf_facts_parse_governor, facts);
    }
}

static void read_governors(const char *root, struct hf_machine_facts *facts)
{
    char path[320];
    DIR *folder;
    struct dirent *entry;

    (void)snprintf(path, sizeof path, "%.200s/sys/devices/system/cpu/cpufreq", root != NULL ? root : "");
    folder = opendir(path);
    while (folder != NULL && (entry = readdir(folder)) != NULL) {
        if (strncmp(entry->d_name, "policy", 6) != 0 || strlen(entry->d_name) > 16)
            continue;
        (void)snprintf(path, sizeof path, "/sys/devices/system/cpu/cpufreq/%s/scaling_governor",
                       entry->d_name);
        read_and_parse(root, path, hf_facts_parse_governor, facts);
    }
    if (folder != NULL)
        (void)closedir(folder);
    if (facts->governor[0] == '\0')
        read_governors_by_cpu(root, facts);
}

static void read_firmware(const char *root, struct hf_machine_facts *facts)
{
    hf_file_line(root, "/sys/class/dmi/id/bios_vendor", facts->firmware_vendor,
                 sizeof facts->firmware_vendor);
    hf_file_line(root, "/sys/class/dmi/id/bios_version", facts->firmware_version,
                 sizeof facts->firmware_version);
    hf_file_line(root, "/sys/class/dmi/id/bios_date", facts->firmware_date, sizeof facts->firmware_date);
}

void hf_machine_facts_read(const char *root, struct hf_machine_facts *ret_facts)
{
    struct hf_machine_facts facts;
    char hypervisor[16];

    hf_facts_init(&facts);
    read_and_parse(root, "/proc/cpuinfo", hf_facts_parse_cpuinfo, &facts);
    hf_file_line(root, "/proc/sys/kernel/osrelease", facts.kernel, sizeof facts.kernel);
    if (facts.kernel[0] == '\0')
        read_and_parse(root, "/proc/version", hf_facts_parse_version, &facts);
    read_and_parse(root, "/proc/meminfo", hf_facts_parse_meminfo, &facts);
    read_and_parse(root, "/sys/devices/system/cpu/smt/control", hf_facts_parse_smt_control, &facts);
    if (facts.smt[0] == '\0')
        read_and_parse(root, "/sys/devices/system/cpu/smt/active", hf_facts_parse_smt_active, &facts);
    if (facts.microcode[0] == '\0')
        hf_file_line(root, "/sys/devices/system/cpu/cpu0/microcode/version", facts.microcode,
                     sizeof facts.microcode);
    read_governors(root, &facts);
    read_firmware(root, &facts);
    hf_file_line(root, "/sys/hypervisor/type", hypervisor, sizeof hypervisor);
    if (hypervisor[0] != '\0')
        facts.virtual_machine = 1;
    *ret_facts = facts;
}

int hf_boot_id_of(const char *root, char ret_id[64], struct hf_error *error)
{
    static const char path[] = "/proc/sys/kernel/random/boot_id";
    char bytes[128];
    int count = hf_file_start(root, path, bytes, sizeof bytes);

    if (count < 0)
        return hf_fail(error, HF_E_MISSING,
                       "cannot read the boot id from %s%s: without it a reset cannot be told",
                       root != NULL ? root : "", path);
    if (!hf_boot_id_parse(bytes, (size_t)count, ret_id))
        return hf_fail(error, HF_E_INPUT, "%s%s holds no boot id (a UUID and a newline)",
                       root != NULL ? root : "", path);
    return HF_OK;
}

int hf_boot_id(char ret_id[64], struct hf_error *error)
{
    return hf_boot_id_of(NULL, ret_id, error);
}
