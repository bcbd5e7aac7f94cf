/*
 * Kernel settings a night needs: a machine that locks up or panics must reset by itself, not wait for a
 * person.
 *
 * hf_kernel_settings_survey() reads what is in force beside what the night wants. Whoever writes them
 * journals the old values first (src/harness/undo.h). They do not outlive a boot, so after a reset there is
 * nothing to restore.
 *
 * Source of the wishes: the kernel's Documentation/admin-guide/sysctl/kernel.rst. A soft lockup panics after
 * twice watchdog_thresh (20 s by default).
 */
#ifndef HOLDFAST_KERNEL_SETTINGS_H
#define HOLDFAST_KERNEL_SETTINGS_H

#include <stdint.h>

#include "holdfast/host.h"

struct hf_kernel_setting {
    const char *file;   /* "/proc/sys/kernel/panic" */
    const char *reason; /* why the night wants it */
    int64_t wanted;
    int64_t found; /* what is in force; valid when trouble is 0 */
    int satisfied; /* 1: nothing to do */
    int trouble;   /* 0, or the negative errno of reading it: -ENOENT when this kernel has none */
};

#define HF_KERNEL_SETTINGS 7

/* All settings, in a fixed order. */
void hf_kernel_settings_survey(const struct hf_host *host,
                               struct hf_kernel_setting ret_settings[HF_KERNEL_SETTINGS]);

#endif
