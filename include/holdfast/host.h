/*
 * The host's small files: the one seam between the machine layer and /proc, /sys and /dev.
 *
 * Sensors, clocks, hardware error sources and the survey reach the machine through a `struct hf_host`: the
 * live machine, a folder that holds the sys and proc of a recorded one, or a scripted one in tests (values,
 * errors and time that the test decides). Paths always begin with "/" and mean the machine's own root.
 *
 * Calling order: hf_host_open(); use; hf_host_close(). Below a recorded root every link is resolved within
 * that root, so an absolute link in a recording never shows this machine in its place. Nothing can be written
 * there.
 *
 * All calls return a count or 0, or a negative errno: these are not failures of ours but facts about the
 * machine (EACCES is shown as "needs root", ENODATA as "switched off"). Only regular files are read: a
 * folder, a fifo or a device where a file is expected is -EISDIR or -EINVAL, and no call waits for a writer.
 *
 * One host may be used by several threads when its functions allow that; the live one and a recorded one do.
 */
#ifndef HOLDFAST_HOST_H
#define HOLDFAST_HOST_H

#include <stddef.h>
#include <stdint.h>

#include "holdfast/error.h"

#define HF_HOST_PATH_MAX 256 /* bytes of any path asked for here, with its NUL */

typedef void hf_host_each(void *argument, const char *name);

struct hf_host {
    /* A handle for reading again and again, or -errno. */
    int (*open)(void *context, const char *path);
    /* At most size bytes from the file's start, read anew; the count. */
    int (*read)(void *context, int handle, char *ret_bytes, size_t size);
    void (*close)(void *context, int handle);
    /* Every name in a folder but "." and "..", in any order. */
    int (*list)(void *context, const char *path, hf_host_each *each, void *argument);
    /* Where a symbolic link points, as it is written there; NUL-terminated, cut to fit. */
    int (*link)(void *context, const char *path, char *ret_target, size_t size);
    /* One write of the whole text to a file that exists. */
    int (*write)(void *context, const char *path, const char *text);
    /* Makes (1) or removes (0) a folder: instances of the kernel's tracing are made that way. */
    int (*folder)(void *context, const char *path, int wanted);
    int64_t (*monotonic_ns)(void *context);
    int is_live; /* 1: this machine */
    void *context;
};

/* root NULL or "/": this machine. HF_E_NOT_FOUND, HF_E_INPUT when the folder cannot be used. */
int hf_host_open(const char *root, struct hf_host *ret_host, struct hf_error *error);
void hf_host_close(struct hf_host *host); /* zeroed is allowed */

/* --- on top of any host --- */

static inline int64_t hf_host_monotonic_ns(const struct hf_host *host)
{
    return host->monotonic_ns(host->context);
}

/* A file's first size - 1 bytes, NUL-terminated; the count or -errno ("" then). */
int hf_host_bytes(const struct hf_host *host, const char *path, char *ret_bytes, size_t size);

/* The first line as clean text (blanks squeezed, no control characters, UTF-8); its length or -errno. */
int hf_host_line(const struct hf_host *host, const char *path, char *ret_text, size_t size);

/* A whole number that fills the file's first line, decimal; 0, -errno, or -EBADMSG when it is none. */
int hf_host_integer(const struct hf_host *host, const char *path, int64_t *ret_value);

/* The numbers n of the folder's entries named prefix + n, increasing; how many (at most max), or -errno. */
int hf_host_numbers(const struct hf_host *host, const char *path, const char *prefix, int *ret_numbers,
                    int max);

/* 1 when the path can be opened as a regular file. */
int hf_host_has(const struct hf_host *host, const char *path);

/* A whole number that fills the text but for blanks at its end; 0, or -EBADMSG. */
int hf_host_parse_integer(const char *bytes, size_t size, int64_t *ret_value);

#endif
