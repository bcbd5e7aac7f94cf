/* What a worker gives up once it is set up: it runs code on a core that may be failing, where a wrong jump
 * can reach any system call. See docs/security.md. */
#ifndef HOLDFAST_HARNESS_CONFINE_H
#define HOLDFAST_HARNESS_CONFINE_H

#include <stddef.h>

/* In a worker's slot; 0 while it has not got so far */
enum hf_confined {
    HF_CONFINED = 1,
    HF_UNCONFINED = 2 /* the reason stands in the slot */
};

/*
 * For this process and for good: no new privileges, no capability but that to lock memory, and a filter of
 * system calls. What remains: memory of its own (never executable), time and sleep, waiting on a futex, its
 * own signals and timer, words on standard error, the end. Anything else ends the process with SIGSYS.
 *
 * Returns HF_CONFINED, or HF_UNCONFINED with the reason in ret_reason: the kernel has no filters or does not
 * allow them, or the environment says HOLDFAST_WORKERS=unconfined (for debuggers, valgrind and coverage). A
 * program built with sanitizers, which open files themselves, is not confined and gives no reason. The work
 * goes on without.
 */
enum hf_confined hf_confine(char *ret_reason, size_t size);

#endif
