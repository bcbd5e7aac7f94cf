#include "machine/source.h"

#include <assert.h>
#include <errno.h>
#include <limits.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/stat.h>
#include <unistd.h>

#include "holdfast/text.h"

#define ENVIRONMENT_VALUE_MAX 65536

/* --- choosing and checking -------------------------------------------------------------------------- */

static int is_directory(const char *path)
{
    struct stat status;

    return stat(path, &status) == 0 && S_ISDIR(status.st_mode);
}

static int has_directory(const char *folder, const char *below)
{
    char path[PATH_MAX];

    return snprintf(path, sizeof path, "%s/%s", folder, below) < (int)sizeof path && is_directory(path);
}

static int is_live_root(const char *root)
{
    char resolved[PATH_MAX];

    return realpath(root, resolved) != NULL && strcmp(resolved, "/") == 0;
}

/* The folder itself, and `needed` below it, which tells a recorded machine from any other folder. */
static int check_folder(const struct hf_source *source, const char *needed, struct hf_error *error)
{
    if (!is_directory(source->value))
        return hf_fail(error, HF_E_NOT_FOUND,
                       "%s names %s, which is %s; correct the path (this machine is not shown in its place)",
                       source->named_by, source->value,
                       access(source->value, F_OK) == 0 ? "not a folder" : "not there or not readable");
    if (has_directory(source->value, needed))
        return HF_OK;
    if (has_directory(source->value, "fsroot/sys"))
        return hf_fail(error, HF_E_INPUT, "%s names %s; the recorded machine is in its subfolder fsroot",
                       source->named_by, source->value);
    return hf_fail(error, HF_E_INPUT, "%s names %s, which holds no %s: it is not a recorded machine",
                   source->named_by, source->value, needed);
}

static int check_xml(const struct hf_source *source, struct hf_error *error)
{
    struct stat status;

    if (stat(source->value, &status) != 0)
        return hf_fail_errno(error, errno, "%s names %s; correct the path", source->named_by, source->value);
    if (!S_ISREG(status.st_mode))
        return hf_fail(error, HF_E_INPUT, "%s names %s, which is not a regular file", source->named_by,
                       source->value);
    return HF_OK;
}

static int source_check(const struct hf_source *source, struct hf_error *error)
{
    switch (source->kind) {
    case HF_SOURCE_ROOT:
        return check_folder(source, "sys/devices/system/cpu", error);
    case HF_SOURCE_CPUID:
        return is_directory(source->value) ? HF_OK : check_folder(source, ".", error);
    case HF_SOURCE_XML:
        return check_xml(source, error);
    case HF_SOURCE_SYNTHETIC:
    case HF_SOURCE_LIVE:
        return HF_OK;
    }
    return HF_OK;
}

static const struct {
    enum hf_source_kind kind;
    const char *variable;
} variables[] = {
    {HF_SOURCE_ROOT, "HWLOC_FSROOT"},
    {HF_SOURCE_CPUID, "HWLOC_CPUID_PATH"},
    {HF_SOURCE_SYNTHETIC, "HWLOC_SYNTHETIC"},
    {HF_SOURCE_XML, "HWLOC_XMLFILE"},
};

#define VARIABLE_COUNT (sizeof variables / sizeof variables[0])

static struct hf_source source_of_environment(void)
{
    for (size_t i = 0; i < VARIABLE_COUNT; i++) {
        const char *value = getenv(variables[i].variable);

        if (value != NULL && value[0] != '\0')
            return (struct hf_source){variables[i].kind, value, variables[i].variable};
    }
    return (struct hf_source){HF_SOURCE_LIVE, NULL, NULL};
}

int hf_source_choose(const char *root, struct hf_source *ret_source, struct hf_error *error)
{
    struct hf_source source =
        root != NULL ? (struct hf_source){HF_SOURCE_ROOT, root, "--root"} : source_of_environment();
    int code;

    if (source.kind == HF_SOURCE_ROOT && is_live_root(source.value))
        source = (struct hf_source){HF_SOURCE_LIVE, NULL, NULL};
    code = source_check(&source, error);
    if (code == HF_OK)
        *ret_source = source;
    return code;
}

/* --- the environment that hwloc reads ---------------------------------------------------------------- */

/* Everything hwloc might act on. What does not belong to the chosen source is hidden from it, so a variable
 * that was overruled, or HWLOC_THISSYSTEM on a recorded machine, cannot change what is loaded. */
static const char *const touched[] = {"HWLOC_FSROOT",     "HWLOC_CPUID_PATH", "HWLOC_SYNTHETIC",
                                      "HWLOC_XMLFILE",    "HWLOC_COMPONENTS", "HWLOC_THISSYSTEM",
                                      "HWLOC_HIDE_ERRORS"};

#define TOUCHED_COUNT (sizeof touched / sizeof touched[0])

struct environment {
    int was_set[TOUCHED_COUNT];
    struct hf_text old[TOUCHED_COUNT];
};

static void environment_keep(struct environment *kept)
{
    for (size_t i = 0; i < TOUCHED_COUNT; i++) {
        const char *value = getenv(touched[i]);

        hf_text_init(&kept->old[i], ENVIRONMENT_VALUE_MAX);
        kept->was_set[i] = value != NULL;
        if (value != NULL)
            hf_text_add_string(&kept->old[i], value);
    }
}

static void environment_put_back(struct environment *kept)
{
    for (size_t i = 0; i < TOUCHED_COUNT; i++) {
        if (kept->was_set[i])
            (void)setenv(touched[i], kept->old[i].bytes, 1);
        else
            (void)unsetenv(touched[i]);
        hf_text_release(&kept->old[i]);
    }
}

static int environment_for(const struct hf_source *source)
{
    int result = 0;

    for (size_t i = 0; i < VARIABLE_COUNT; i++)
        result |= unsetenv(variables[i].variable);
    if (source->kind != HF_SOURCE_LIVE)
        result |= unsetenv("HWLOC_THISSYSTEM");
    if (source->kind == HF_SOURCE_ROOT) {
        result |= setenv("HWLOC_FSROOT", source->value, 1);
        result |= setenv("HWLOC_COMPONENTS", "linux,stop", source->named_by[0] == '-');
    }
    if (source->kind == HF_SOURCE_CPUID) {
        result |= setenv("HWLOC_CPUID_PATH", source->value, 1);
        result |= setenv("HWLOC_COMPONENTS", "x86,stop", 0);
    }
    result |=
        setenv("HWLOC_HIDE_ERRORS", "2", 0); /* a library does not print; a person may still ask for it */
    return result;
}

/* --- loading ---------------------------------------------------------------------------------------- */

static int hand_over(const struct hf_source *source, hwloc_topology_t hwloc, struct hf_error *error)
{
    /* Without DONT_CHANGE_BINDING the discovery would move this thread over all CPUs. */
    unsigned long flags = HWLOC_TOPOLOGY_FLAG_INCLUDE_DISALLOWED | HWLOC_TOPOLOGY_FLAG_DONT_CHANGE_BINDING;

    if (hwloc_topology_set_flags(hwloc, flags) != 0)
        return hf_fail_errno(error, errno, "hwloc refuses its flags 0x%lx", flags);
    if (source->kind == HF_SOURCE_XML && hwloc_topology_set_xml(hwloc, source->value) != 0)
        return hf_fail(error, HF_E_INPUT, "%s names %s, which is not a topology that hwloc can read",
                       source->named_by, source->value);
    if (source->kind == HF_SOURCE_SYNTHETIC && hwloc_topology_set_synthetic(hwloc, source->value) != 0)
        return hf_fail(error, HF_E_INPUT, "%s is \"%.100s\", which describes no topology", source->named_by,
                       source->value);
    if (hwloc_topology_load(hwloc) != 0) {
        if (source->kind == HF_SOURCE_LIVE)
            return hf_fail_errno(error, errno, "hwloc cannot read this machine's topology");
        return hf_fail(error, HF_E_INPUT,
                       "%s names %.200s, which hwloc %s cannot load (damaged, or a newer format)",
                       source->named_by, source->value, HWLOC_VERSION);
    }
    if (source->kind != HF_SOURCE_LIVE && hwloc_topology_is_thissystem(hwloc))
        return hf_fail(error, HF_E_REFUSED, "%s names %.200s, but hwloc showed this machine in its place",
                       source->named_by, source->value);
    return HF_OK;
}

int hf_source_load(const struct hf_source *source, hwloc_topology_t *ret_hwloc, struct hf_error *error)
{
    struct hf_source stable = *source;
    struct environment kept;
    struct hf_text value; /* source->value may point into the environment that is about to change */
    hwloc_topology_t hwloc;
    int code;

    environment_keep(&kept);
    hf_text_init(&value, ENVIRONMENT_VALUE_MAX);
    if (source->value != NULL)
        hf_text_add_string(&value, source->value);
    stable.value = value.bytes;
    if (value.overflowed || environment_for(&stable) != 0) {
        code = hf_fail(error, HF_E_MEMORY, "no memory for the environment that hwloc reads");
    } else if (hwloc_topology_init(&hwloc) != 0) {
        code = hf_fail(error, HF_E_MEMORY, "no memory for a topology");
    } else {
        code = hand_over(&stable, hwloc, error);
        if (code == HF_OK)
            *ret_hwloc = hwloc;
        else
            hwloc_topology_destroy(hwloc);
    }
    environment_put_back(&kept);
    hf_text_release(&value);
    return code;
}
