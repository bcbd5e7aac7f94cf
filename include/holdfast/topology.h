/*
 * Topology: which core groups this machine has, and where a process can be pinned.
 *
 * A core group is the cores that share a last-level cache. hwloc tells; where it cannot, the fallback order is: the
 * highest unified cache below level 3, package, NUMA node, all CPUs as one group, and `source` says so.
 * Environment variables of hwloc (HWLOC_FSROOT, HWLOC_XMLFILE, HWLOC_SYNTHETIC, HWLOC_COMPONENTS) are honoured, so other
 * machines can be tried here; `is_this_system` is then 0 and no real driver may start.
 */
#ifndef HOLDFAST_TOPOLOGY_H
#define HOLDFAST_TOPOLOGY_H

#include <stdint.h>

#include "holdfast/error.h"
#include "holdfast/event.h"

struct hf_topology_group {
    char name[HF_NAME_MAX];    /* "g0", "g1", ... in order of the first CPU */
    int cpu_count;
    int cpu_first;             /* index in hf_topology.cpu[] */
    int core_count;            /* physical cores */
    int cache_level;           /* 0: no cache information */
    uint64_t cache_bytes;
    char source[48];           /* "level-3 cache", "package (no cache information)", ... */
};

struct hf_topology {
    int is_this_system;
    int group_count;
    struct hf_topology_group group[HF_GROUPS_MAX];
    int cpu_count;             /* usable CPUs */
    int16_t cpu[HF_CPUS_MAX];  /* group after group, increasing within a group */
    int16_t core[HF_CPUS_MAX]; /* of cpu[i]: a number that SMT siblings share */
    int thread_of_core[HF_CPUS_MAX]; /* of cpu[i]: 0 first thread of its core, 1 second, ... */
    int offline_count, not_allowed_count; /* CPUs that exist but cannot be used, and why */
    int package_count, numa_count;
    int smt;                   /* 1: some core has more than one usable thread */
    char notes[512];           /* sentences for a person: bogus caches dropped, asymmetric, guessed, ... */
};

/* About 100 KiB: allocate it (hf_topology_new). root: NULL, or a directory root of a recorded machine (--root). */
int hf_topology_new(const char *root, struct hf_topology **ret_topology, struct hf_error *error);
void hf_topology_free(struct hf_topology *topology);

/* Pins the calling process to one CPU with sched_setaffinity and reads it back (sched_getaffinity and getcpu).
 * HF_E_PERMISSION or HF_E_MISSING with the reason. */
int hf_pin_to_cpu(int cpu, struct hf_error *error);

/* CPUs this process may run on, increasing. */
int hf_allowed_cpus(int16_t *ret_cpus, int max, int *ret_count, struct hf_error *error);

/* The kernel's boot id, a UUID; with root: that of the recorded machine. */
int hf_boot_id(char ret_id[64], struct hf_error *error);

/* Base facts for survey, session-begin and the certificate's conditions; "" or -1 where unknown. */
struct hf_machine_facts {
    char cpu_model[96];
    char cpu_vendor[32];
    int cpu_family, cpu_model_number, cpu_stepping;
    char microcode[32];
    char kernel[96];
    char firmware_vendor[64], firmware_version[64], firmware_date[32];
    char smt[24];              /* "on", "off", "not supported", "" */
    char governor[32];
    uint64_t memory_bytes;
    int virtual_machine;       /* 1: a hypervisor is present */
};

void hf_machine_facts_read(const char *root, struct hf_machine_facts *ret_facts);

#endif
