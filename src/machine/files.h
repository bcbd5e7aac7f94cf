/*
 * Small files of /proc and /sys, below "/" or below the root of a recorded machine.
 *
 * Nothing here can fail loudly: these facts are decoration, and a recorded or broken tree may hold a folder,
 * a fifo or a dangling link where a file is expected. Whatever cannot be read counts as absent.
 */
#ifndef HOLDFAST_MACHINE_FILES_H
#define HOLDFAST_MACHINE_FILES_H

#include <stddef.h>

/* Up to size - 1 bytes from the start of a regular file, NUL-terminated; the count, or -1 when it cannot be
 * read. root NULL: the live machine. */
int hf_file_start(const char *root, const char *path, char *ret_bytes, size_t size);

/* The first line of bytes as clean text: blanks at the ends and runs of blanks removed, control characters
 * (and others that are harmful: hf_text_is_harmful()) and bytes that are not UTF-8 dropped, cut to fit. */
void hf_text_line(const char *bytes, size_t size, char *ret_text, size_t ret_size);

/* hf_text_line of a file; "" when it cannot be read. */
void hf_file_line(const char *root, const char *path, char *ret_text, size_t size);

/* A CPU list file; the number of CPUs, 0 when absent or malformed. */
int hf_file_cpu_list(const char *root, const char *path, int *ret_list, int max);

/* 1 when the kernel lists a cache of that level for the CPU. */
int hf_file_has_cache_level(const char *root, int cpu, int level);

#endif
