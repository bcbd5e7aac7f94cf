/*
 * Finding sensors, and which part each of them measures.
 *
 * hwmon:    /sys/class/hwmon/hwmonN/{name,device,tempK_input,tempK_label,...} (kernel documentation, hwmon
 * sysfs interface): millidegrees, millivolts, milliamperes, microwatts, microjoules, revolutions a minute.
 * thermal:  /sys/class/thermal/thermal_zoneN/{type,temp}: millidegrees.
 * powercap: /sys/class/powercap/CONTROL:P[:S]/{name,energy_uj,max_energy_range_uj}: microjoules.
 * A thermal zone shows up a second time as a hwmon chip whose device is the zone: only the zone is kept.
 */
#include <errno.h>
#include <limits.h>
#include <math.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#include "base/memory.h"
#include "machine/sensors_private.h"

#define CHIPS_MAX       256
#define ZONE_DEVICE     "thermal_zone"
#define POWERCAP        "/sys/class/powercap"
#define POWERCAPS_MAX   64
#define INPUTS_PER_CHIP 1024

static const struct {
    const char *prefix;
    enum hf_sensor_kind kind;
} inputs[] = {
    {"temp", HF_SENSOR_TEMPERATURE}, {"in", HF_SENSOR_VOLTAGE},    {"curr", HF_SENSOR_CURRENT},
    {"power", HF_SENSOR_POWER},      {"energy", HF_SENSOR_ENERGY}, {"fan", HF_SENSOR_FAN},
};

#define INPUT_KINDS (sizeof inputs / sizeof inputs[0])

/* --- the set grows ---------------------------------------------------------------------------------- */

static struct hf_sensor_slot *slot_new(struct hf_sensors *set)
{
    struct hf_sensor_slot *slot;

    if (set->count == HF_SENSORS_MAX) {
        set->left_out++;
        return NULL;
    }
    if (set->count == set->capacity) {
        int capacity = set->capacity == 0 ? 64 : set->capacity * 2;
        struct hf_sensor_slot *grown = hf_reallocate(set->slot, (size_t)capacity * sizeof *grown);

        if (grown == NULL) {
            set->out_of_memory = 1;
            return NULL;
        }
        set->slot = grown;
        set->capacity = capacity;
    }
    slot = &set->slot[set->count++];
    *slot = (struct hf_sensor_slot){.handle = -1, .fault_handle = -1};
    slot->about.group = -1;
    slot->about.limit_c = slot->about.high = slot->about.critical = (double)NAN;
    return slot;
}

static void make_key(struct hf_sensor *about)
{
    (void)snprintf(about->key, sizeof about->key, "%s@%s/%s", about->chip, about->device, about->input);
}

static double degrees_of(const struct hf_host *host, const char *path)
{
    int64_t millidegree;

    return hf_host_integer(host, path, &millidegree) == 0 && millidegree > 0 && millidegree < 1000000
               ? (double)millidegree / 1000.0
               : (double)NAN;
}

/* --- hwmon ------------------------------------------------------------------------------------------ */

struct found {
    int kind; /* index in inputs[] */
    int number;
    int average; /* only powerK_average is there */
};

struct chip {
    char folder[64];
    char name[HF_SENSOR_NAME_MAX];
    char device[HF_SENSOR_NAME_MAX];
    int count;
    struct found found[INPUTS_PER_CHIP];
};

/* tempK_input, powerK_average: everything else of a chip's folder is looked up later, by name. */
static void take_input(void *argument, const char *name)
{
    struct chip *chip = argument;

    for (size_t i = 0; i < INPUT_KINDS; i++) {
        size_t skip = strlen(inputs[i].prefix);
        char *end;
        long number;

        if (strncmp(name, inputs[i].prefix, skip) != 0 || name[skip] < '0' || name[skip] > '9')
            continue;
        number = strtol(name + skip, &end, 10);
        if (number > 99999 || chip->count == INPUTS_PER_CHIP)
            return;
        if (strcmp(end, "_input") == 0)
            chip->found[chip->count++] = (struct found){(int)i, (int)number, 0};
        else if (inputs[i].kind == HF_SENSOR_POWER && strcmp(end, "_average") == 0)
            chip->found[chip->count++] = (struct found){(int)i, (int)number, 1};
        return;
    }
}

static int compare_found(const void *left, const void *right)
{
    const struct found *a = left;
    const struct found *b = right;

    if (a->kind != b->kind)
        return a->kind - b->kind;
    return a->number != b->number ? a->number - b->number : a->average - b->average;
}

static void add_input(struct hf_sensors *set, const struct chip *chip, const struct found *found)
{
    struct hf_sensor_slot *slot = slot_new(set);
    char stem[96];
    char path[HF_HOST_PATH_MAX];

    if (slot == NULL)
        return;
    slot->about.kind = inputs[found->kind].kind;
    (void)snprintf(slot->about.chip, sizeof slot->about.chip, "%s", chip->name);
    (void)snprintf(slot->about.device, sizeof slot->about.device, "%s", chip->device);
    (void)snprintf(slot->about.input, sizeof slot->about.input, "%s%d", inputs[found->kind].prefix,
                   found->number);
    make_key(&slot->about);
    (void)snprintf(stem, sizeof stem, "%s/%s", chip->folder, slot->about.input);
    (void)snprintf(slot->path, sizeof slot->path, "%s_%s", stem, found->average ? "average" : "input");
    (void)snprintf(slot->name_path, sizeof slot->name_path, "%s/name", chip->folder);
    (void)snprintf(path, sizeof path, "%s_label", stem);
    if (hf_host_line(set->host, path, slot->about.label, sizeof slot->about.label) > 0)
        (void)snprintf(slot->label_path, sizeof slot->label_path, "%s", path);
    (void)snprintf(path, sizeof path, "%s_fault", stem);
    if (hf_host_has(set->host, path))
        (void)snprintf(slot->fault_path, sizeof slot->fault_path, "%s", path);
    if (slot->about.kind != HF_SENSOR_TEMPERATURE)
        return;
    (void)snprintf(path, sizeof path, "%s_max", stem);
    slot->about.high = degrees_of(set->host, path);
    (void)snprintf(path, sizeof path, "%s_crit", stem);
    slot->about.critical = degrees_of(set->host, path);
}

/* The last part of the device link: "0000:00:18.3". Some kernels put the name in the device's folder. */
static int read_chip(const struct hf_host *host, int number, struct chip *chip)
{
    char path[HF_HOST_PATH_MAX];
    char target[512];
    const char *last;

    (void)snprintf(chip->folder, sizeof chip->folder, "/sys/class/hwmon/hwmon%d", number);
    (void)snprintf(path, sizeof path, "%s/device", chip->folder);
    chip->device[0] = '\0';
    if (host->link(host->context, path, target, sizeof target) > 0) {
        last = strrchr(target, '/');
        (void)snprintf(chip->device, sizeof chip->device, "%s", last != NULL ? last + 1 : target);
    }
    (void)snprintf(path, sizeof path, "%s/name", chip->folder);
    chip->count = 0;
    return hf_host_line(host, path, chip->name, sizeof chip->name) > 0 &&
           strncmp(chip->device, ZONE_DEVICE, strlen(ZONE_DEVICE)) != 0;
}

static void find_hwmon(struct hf_sensors *set)
{
    struct chip *chip = hf_allocate(1, sizeof *chip);
    int numbers[CHIPS_MAX];
    int count = hf_host_numbers(set->host, "/sys/class/hwmon", "hwmon", numbers, CHIPS_MAX);

    set->out_of_memory |= chip == NULL;
    for (int i = 0; chip != NULL && i < count; i++) {
        if (!read_chip(set->host, numbers[i], chip))
            continue;
        (void)set->host->list(set->host->context, chip->folder, take_input, chip);
        qsort(chip->found, (size_t)chip->count, sizeof chip->found[0], compare_found);
        for (int at = 0; at < chip->count; at++) {
            const struct found *found = &chip->found[at];

            if (at > 0 && found[-1].kind == found->kind && found[-1].number == found->number)
                continue; /* the average beside the input */
            add_input(set, chip, found);
        }
    }
    hf_free(chip);
}

/* --- thermal zones and powercap --------------------------------------------------------------------- */

static void find_zones(struct hf_sensors *set)
{
    int numbers[CHIPS_MAX];
    int count = hf_host_numbers(set->host, "/sys/class/thermal", ZONE_DEVICE, numbers, CHIPS_MAX);

    for (int i = 0; i < count; i++) {
        struct hf_sensor_slot *slot;
        char type[HF_SENSOR_NAME_MAX];
        char path[HF_HOST_PATH_MAX];
        int same = 0;

        (void)snprintf(path, sizeof path, "/sys/class/thermal/" ZONE_DEVICE "%d/type", numbers[i]);
        if (hf_host_line(set->host, path, type, sizeof type) <= 0)
            continue;
        for (int at = 0; at < set->count; at++)
            same += strcmp(set->slot[at].about.device, ZONE_DEVICE) == 0 &&
                    strcmp(set->slot[at].about.chip, type) == 0;
        slot = slot_new(set);
        if (slot == NULL)
            return;
        slot->about.kind = HF_SENSOR_TEMPERATURE;
        (void)snprintf(slot->name_path, sizeof slot->name_path, "%s", path);
        (void)snprintf(slot->about.chip, sizeof slot->about.chip, "%s", type);
        (void)snprintf(slot->about.device, sizeof slot->about.device, ZONE_DEVICE);
        /* zones of one type are told apart by their order: nothing better is there */
        (void)snprintf(slot->about.input, sizeof slot->about.input, "zone%d", same);
        (void)snprintf(slot->path, sizeof slot->path, "/sys/class/thermal/" ZONE_DEVICE "%d/temp",
                       numbers[i]);
        make_key(&slot->about);
    }
}

struct powercaps {
    int count;
    char name[POWERCAPS_MAX][HF_SENSOR_NAME_MAX];
};

static void take_powercap(void *argument, const char *name)
{
    struct powercaps *powercaps = argument;

    if (powercaps->count < POWERCAPS_MAX && strchr(name, ':') != NULL && strlen(name) < HF_SENSOR_NAME_MAX)
        (void)snprintf(powercaps->name[powercaps->count++], HF_SENSOR_NAME_MAX, "%s", name);
}

static int compare_names(const void *left, const void *right)
{
    return strcmp(left, right);
}

static void add_powercap(struct hf_sensors *set, const char *name)
{
    struct hf_sensor_slot *slot;
    char path[HF_HOST_PATH_MAX];
    int64_t range;

    (void)snprintf(path, sizeof path, POWERCAP "/%s/max_energy_range_uj", name);
    if (hf_host_integer(set->host, path, &range) != 0 || range <= 0)
        range = 0;
    (void)snprintf(path, sizeof path, POWERCAP "/%s/name", name);
    slot = slot_new(set);
    if (slot == NULL)
        return;
    if (hf_host_line(set->host, path, slot->about.label, sizeof slot->about.label) <= 0) {
        set->count--; /* a control type's own folder holds no counter */
        return;
    }
    slot->about.kind = HF_SENSOR_ENERGY;
    (void)snprintf(slot->label_path, sizeof slot->label_path, "%s", path);
    (void)snprintf(slot->about.chip, sizeof slot->about.chip, "powercap");
    (void)snprintf(slot->about.device, sizeof slot->about.device, "%s", name);
    (void)snprintf(slot->about.input, sizeof slot->about.input, "energy");
    (void)snprintf(slot->path, sizeof slot->path, POWERCAP "/%s/energy_uj", name);
    slot->energy.range_uj = (uint64_t)range;
    make_key(&slot->about);
}

static void find_powercaps(struct hf_sensors *set)
{
    struct powercaps powercaps = {0};

    (void)set->host->list(set->host->context, POWERCAP, take_powercap, &powercaps);
    qsort(powercaps.name, (size_t)powercaps.count, sizeof powercaps.name[0], compare_names);
    for (int i = 0; i < powercaps.count; i++)
        add_powercap(set, powercaps.name[i]);
}

void hf_sensors_find(struct hf_sensors *set)
{
    find_hwmon(set);
    find_zones(set);
    find_powercaps(set);
}

/* --- roles ------------------------------------------------------------------------------------------ */

/* "Core 12" and "Package id 0": the number; -1 when the label is another. */
static int number_after(const char *label, const char *words)
{
    size_t skip = strlen(words);
    int64_t number;

    if (strncmp(label, words, skip) != 0 ||
        hf_host_parse_integer(label + skip, strlen(label + skip), &number) != 0 || number < 0 ||
        number > INT16_MAX)
        return -1;
    return (int)number;
}

struct places {
    const int16_t *group_of_cpu;
    int cpu_limit;
    int *package, *core; /* of each CPU; -1 not told */
};

static void read_places(const struct hf_host *host, struct places *places)
{
    for (int cpu = 0; cpu < places->cpu_limit; cpu++) {
        char path[HF_HOST_PATH_MAX];
        int64_t value;

        places->package[cpu] = places->core[cpu] = -1;
        if (places->group_of_cpu[cpu] < 0)
            continue;
        (void)snprintf(path, sizeof path, "/sys/devices/system/cpu/cpu%d/topology/physical_package_id", cpu);
        if (hf_host_integer(host, path, &value) == 0 && value >= 0 && value <= INT16_MAX)
            places->package[cpu] = (int)value;
        (void)snprintf(path, sizeof path, "/sys/devices/system/cpu/cpu%d/topology/core_id", cpu);
        if (hf_host_integer(host, path, &value) == 0 && value >= 0 && value <= INT_MAX)
            places->core[cpu] = (int)value;
    }
}

static int group_at(const struct places *places, int package, int core)
{
    for (int cpu = 0; cpu < places->cpu_limit; cpu++) {
        if (places->core[cpu] == core && places->package[cpu] == package)
            return places->group_of_cpu[cpu];
    }
    return -1;
}

static int is_one_of(const char *text, const char *const *words)
{
    for (; *words != NULL; words++) {
        if (strcmp(text, *words) == 0)
            return 1;
    }
    return 0;
}

/* The processors' own drivers (kernel documentation: coretemp, k10temp, and powercap), and the package's
 * zone. A die's sensor (Tccd) is no core group's: one die may hold two. */
static void role_of(struct hf_sensor *about, const struct places *places)
{
    static const char *const amd_labels[] = {"Tctl", "Tdie", NULL};
    int core = number_after(about->label, "Core ");
    int package = number_after(about->device, "coretemp.");

    if (strcmp(about->chip, "coretemp") == 0 && core >= 0) {
        int group = places->core != NULL ? group_at(places, package < 0 ? 0 : package, core) : -1;

        about->role = group >= 0 ? HF_ROLE_GROUP : HF_ROLE_NONE;
        about->group = group;
    } else if ((strcmp(about->chip, "coretemp") == 0 && (number_after(about->label, "Package id ") >= 0 ||
                                                         number_after(about->label, "Physical id ") >= 0)) ||
               (strcmp(about->chip, "k10temp") == 0 && is_one_of(about->label, amd_labels)) ||
               strcmp(about->chip, "x86_pkg_temp") == 0 ||
               (strcmp(about->chip, "powercap") == 0 && strncmp(about->label, "package-", 8) == 0 &&
                strstr(about->device, "mmio") == NULL)) {
        about->role = HF_ROLE_PACKAGE;
    }
}

void hf_sensors_roles_by_topology(struct hf_sensors *set, const int16_t *group_of_cpu, int cpu_limit)
{
    struct places places = {group_of_cpu, cpu_limit, NULL, NULL};
    int *memory = cpu_limit > 0 ? hf_allocate((size_t)cpu_limit * 2, sizeof *memory) : NULL;

    if (memory != NULL) {
        places.package = memory;
        places.core = memory + cpu_limit;
        read_places(set->host, &places);
    }
    for (int i = 0; i < set->count; i++)
        role_of(&set->slot[i].about, &places);
    hf_free(memory);
}

static int fits(const char *wanted, const char *is)
{
    return wanted[0] == '\0' || strcmp(wanted, is) == 0;
}

void hf_sensors_roles_by_rules(struct hf_sensors *set, const struct hf_sensor_rule *rules, int count,
                               int *ret_matched)
{
    for (int rule = 0; rule < count; rule++)
        ret_matched[rule] = 0;
    for (int i = 0; i < set->count; i++) {
        struct hf_sensor *about = &set->slot[i].about;

        for (int rule = 0; rule < count; rule++) {
            const struct hf_sensor_rule *r = &rules[rule];

            if (strcmp(r->chip, about->chip) != 0 || !fits(r->device, about->device) ||
                !fits(r->input, about->input) || !fits(r->label, about->label))
                continue;
            about->role = r->role;
            about->group = r->role == HF_ROLE_GROUP ? r->group : -1;
            about->limit_c = r->limit_c;
            ret_matched[rule]++;
            break;
        }
    }
}
