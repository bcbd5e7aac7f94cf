/*
 * Recordings: the files of /proc and /sys that the survey reads, copied to a folder, so that somebody's odd
 * machine can be looked at (--root) and become a test.
 *
 * What is copied stands in one table (src/machine/recording.c), file by file: processor model, topology,
 * caches, clock policies, sensors, error counters, firmware version. Never: serial numbers (of board, memory
 * or processor), names of the host or its users, network addresses, the kernel's command line or log, the
 * boot id. Of /proc/cpuinfo, /proc/meminfo, /proc/stat and /proc/interrupts only the lines that are needed.
 */
#ifndef HOLDFAST_RECORDING_H
#define HOLDFAST_RECORDING_H

#include "holdfast/error.h"
#include "holdfast/host.h"

struct hf_recording_totals {
    int files, links, unreadable;
};

/* Makes the folder, which must not exist yet or be empty, and fills it. HF_E_REFUSED: it holds something;
 * HF_E_IO, HF_E_FULL, HF_E_PERMISSION when it cannot be written. */
int hf_recording_save(const struct hf_host *host, const char *folder, struct hf_recording_totals *ret_totals,
                      struct hf_error *error);

#endif
