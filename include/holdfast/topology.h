/*
 * Topology: which core groups this machine has, and where a thread can be pinned.
 *
 * A core group is the cores that share a last-level cache: level 3, else the highest unified level there is.
 * Without any cache information the group is guessed: the package, else the NUMA node, else all CPUs;
 * `source` says which. CPUs that lie outside the last-level caches of the others form one group of their own.
 *
 * hwloc's environment variables (HWLOC_FSROOT, HWLOC_CPUID_PATH, HWLOC_SYNTHETIC, HWLOC_XMLFILE,
 * HWLOC_COMPONENTS) are honoured, so other machines can be tried here; `is_this_system` is then 0, whatever
 * HWLOC_THISSYSTEM says, and no real driver may start. A recorded machine that is missing or damaged is
 * refused; this machine is never shown in its place.
 *
 * Calling order: hf_topology_new(), read, hf_topology_free(). Not for two threads at once: hwloc takes its
 * sources from the environment, which is changed and put back within hf_topology_new().
 */
#ifndef HOLDFAST_TOPOLOGY_H
#define HOLDFAST_TOPOLOGY_H

#include <stdint.h>

#include "holdfast/error.h"
#include "holdfast/event.h"

struct hf_topology_group {
    char name[HF_NAME_MAX]; /* "g0", "g1", ... in order of the first CPU */
    int cpu_count;
    int cpu_first;   /* index in hf_topology.cpu[] */
    int core_count;  /* physical cores */
    int package;     /* its number, from 0; -1: not told */
    int cache_level; /* 0: no cache information */
    uint64_t cache_bytes;
    char source[48]; /* "level-3 cache", "package (no cache information)", ... */
};

struct hf_topology {
    int is_this_system;
    int group_count;
    struct hf_topology_group group[HF_GROUPS_MAX];
    int cpu_count;             /* usable CPUs */
    int16_t cpu[HF_CPUS_MAX];  /* group after group, increasing within a group */
    int16_t core[HF_CPUS_MAX]; /* of cpu[i]: a number that SMT siblings share, unique over the machine */
    int thread_of_core[HF_CPUS_MAX]; /* of cpu[i]: 0 first usable thread of its core, 1 second, ... */
    int offline_count;               /* CPUs that exist but are switched off */
    int not_allowed_count;           /* CPUs that a cgroup or the affinity of this process forbids */
    int package_count, numa_count;   /* with at least one usable CPU; 0: not told */
    int smt;                         /* 1: some core has more than one usable thread */
    char notes[512]; /* sentences for a person: bogus caches dropped, asymmetric, guessed, ... */
};

/* root: NULL, or the folder that holds a recorded machine's sys and proc (--root; it wins over the
 * environment; "/" is this machine). HF_E_NOT_FOUND, HF_E_INPUT or HF_E_REFUSED when a recorded machine
 * cannot be used, HF_E_MISSING when no CPU is left, HF_E_RANGE beyond HF_GROUPS_MAX groups or HF_CPUS_MAX
 * CPUs. */
int hf_topology_new(const char *root, struct hf_topology **ret_topology, struct hf_error *error);
void hf_topology_free(struct hf_topology *topology); /* NULL is allowed */

/* Pins the calling thread to one CPU with sched_setaffinity and reads it back (sched_getaffinity and getcpu).
 * HF_E_PERMISSION or HF_E_MISSING with the reason. */
int hf_pin_to_cpu(int cpu, struct hf_error *error);

/* CPUs this process may run on, increasing. */
int hf_allowed_cpus(int16_t *ret_cpus, int max, int *ret_count, struct hf_error *error);

/* The kernel's boot id, a UUID in lower case: a new one after each boot. HF_E_MISSING, or HF_E_INPUT when it
 * is no UUID. root: a recorded machine's; hf_boot_id() is this machine's. */
int hf_boot_id_of(const char *root, char ret_id[64], struct hf_error *error);
int hf_boot_id(char ret_id[64], struct hf_error *error);

/* Base facts for survey, session-begin and the certificate's conditions. Unknown: "" for texts, -1 for the
 * int fields (virtual_machine too), 0 for memory_bytes. Never serial numbers, names of the host, or
 * addresses. */
struct hf_machine_facts {
    char cpu_model[96];
    char cpu_vendor[32];
    int cpu_family, cpu_model_number, cpu_stepping;
    char microcode[32];
    char kernel[96];
    char firmware_vendor[64], firmware_version[64], firmware_date[32];
    char smt[24];      /* "on", "off", "not supported", "" */
    char governor[32]; /* "mixed" when the CPUs do not agree */
    uint64_t memory_bytes;
    int virtual_machine; /* 1: a hypervisor is present */
};

/* Cannot fail: what cannot be read is unknown. root as above. */
void hf_machine_facts_read(const char *root, struct hf_machine_facts *ret_facts);

#endif
