/*
 * Which machine is described: this one, or one that was recorded or made up.
 *
 * hwloc falls back to the live machine without a word when HWLOC_FSROOT, HWLOC_XMLFILE or HWLOC_SYNTHETIC
 * cannot be used. Here the source is chosen and checked first, and what was loaded is checked again
 * afterwards.
 */
#ifndef HOLDFAST_MACHINE_SOURCE_H
#define HOLDFAST_MACHINE_SOURCE_H

#include <hwloc.h>

#include "holdfast/error.h"

enum hf_source_kind {
    HF_SOURCE_LIVE,
    HF_SOURCE_ROOT,      /* a directory with the /sys and /proc of a recorded machine */
    HF_SOURCE_CPUID,     /* a directory of recorded CPUID answers */
    HF_SOURCE_SYNTHETIC, /* a description in words: "pack:1 l3:4 core:4 pu:2" */
    HF_SOURCE_XML
};

struct hf_source {
    enum hf_source_kind kind;
    const char *value; /* path or description; NULL when live; points into the environment or the argument */
    const char *named_by; /* "--root", "HWLOC_XMLFILE", ... for messages */
};

/* The argument wins over the environment; among the variables hwloc's own order holds. An empty variable
 * counts as unset. HF_E_NOT_FOUND or HF_E_INPUT when a recorded machine is named that is not there. */
int hf_source_choose(const char *root, struct hf_source *ret_source, struct hf_error *error);

/* Loads it. The environment is changed for the length of the call and put back, so no other thread may read
 * or write it at that moment. The caller destroys *ret_hwloc. */
int hf_source_load(const struct hf_source *source, hwloc_topology_t *ret_hwloc, struct hf_error *error);

#endif
