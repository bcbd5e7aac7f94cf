/*
 * Parsers of the machine's base facts: bytes in, fields out. What a sample does not tell is left as it was.
 */
#ifndef HOLDFAST_MACHINE_FACTS_H
#define HOLDFAST_MACHINE_FACTS_H

#include <stddef.h>

#include "holdfast/topology.h"

/* /proc/cpuinfo: only its first processor is looked at. x86 and Arm forms. */
void hf_facts_parse_cpuinfo(const char *bytes, size_t size, struct hf_machine_facts *facts);

/* /proc/version: "Linux version 6.1.0 (somebody@somewhere) ..."; only the release is kept. */
void hf_facts_parse_version(const char *bytes, size_t size, struct hf_machine_facts *facts);

/* /proc/meminfo: "MemTotal:  16384 kB". */
void hf_facts_parse_meminfo(const char *bytes, size_t size, struct hf_machine_facts *facts);

/* /sys/devices/system/cpu/smt/control, and smt/active for kernels without it. */
void hf_facts_parse_smt_control(const char *bytes, size_t size, struct hf_machine_facts *facts);
void hf_facts_parse_smt_active(const char *bytes, size_t size, struct hf_machine_facts *facts);

/* One scaling_governor after the other: the first is kept, a different one turns it into "mixed". */
void hf_facts_parse_governor(const char *bytes, size_t size, struct hf_machine_facts *facts);

/* A UUID and at most a newline: 1 and ret_id in lower case; 0 when it is none. */
int hf_boot_id_parse(const char *bytes, size_t size, char ret_id[64]);

/* Everything unknown. */
void hf_facts_init(struct hf_machine_facts *facts);

#endif
