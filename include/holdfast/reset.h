/*
 * Real resets, for the emulated machine of the tests and for nothing else.
 *
 * The rig model says when the machine resets. On a workstation the supervisor then only dies; in an emulator,
 * whose kernel was started with holdfast.reset=HOW, the guest really goes down that way, so that journal,
 * file system, boot and resume are tested as a whole. Without the word on the kernel's command line nothing
 * here does anything.
 */
#ifndef HOLDFAST_RESET_H
#define HOLDFAST_RESET_H

#include <stdint.h>

enum hf_reset {
    HF_RESET_NONE,   /* not asked for */
    HF_RESET_REBOOT, /* at once, nothing synced (sysrq b) */
    HF_RESET_PANIC,  /* the kernel crashes (sysrq c) and, with kernel.panic set, resets */
    HF_RESET_SPIN, /* real-time loops on every CPU: the kernel lives, nothing else does; a watchdog ends it */
    HF_RESET_WAIT, /* says so on the console and waits for what the emulator's monitor does */
    HF_RESET_MIXED, /* the next of reboot, panic, spin, wait: by the number of the reset */
    HF_RESET_COUNT
};

/* HOW of a kernel command line: reboot, panic, spin, wait, mixed. Anything else: HF_RESET_NONE. */
enum hf_reset hf_reset_of_command_line(const char *command_line);

/* The kind for reset number `number` (from 1): itself, or for HF_RESET_MIXED the one whose turn it is. */
enum hf_reset hf_reset_turn(enum hf_reset kind, unsigned long number);

/* Does it, when this kernel's command line asks for it. Returns only when nothing was asked for or it cannot
 * be done. */
void hf_reset_here(unsigned long number);

/*
 * Where the emulated machine tells, from outside the file system, what its journal has acknowledged:
 * holdfast.witness=NAME on the kernel's command line is the terminal /dev/NAME, holdfast.witness=NAME@BYTE a
 * sector of the disk /dev/NAME, written past the kernel's cache, so that it stands in the emulator's log of
 * all writes exactly where it happened. Without the word nothing is opened.
 */
#define HF_RESET_WITNESS_PATH 64

struct hf_reset_witness {
    int fd;         /* -1: none */
    int64_t offset; /* of the sector; -1: a terminal */
};

/* Where it is by a kernel's command line: 1, or 0 when it names no place that can be. */
int hf_reset_witness_place(const char *command_line, char ret_path[HF_RESET_WITNESS_PATH],
                           int64_t *ret_offset);
void hf_reset_witness_open(struct hf_reset_witness *witness);
/* One line, of less than 512 bytes; on its way out of the machine when the call returns. */
void hf_reset_witness_say(const struct hf_reset_witness *witness, const char *line);
void hf_reset_witness_close(struct hf_reset_witness *witness);

#endif
