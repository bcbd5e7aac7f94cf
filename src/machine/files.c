#include "machine/files.h"

#include <errno.h>
#include <fcntl.h>
#include <limits.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/stat.h>
#include <unistd.h>

#include "holdfast/event.h"
#include "holdfast/text.h"

#define CACHE_INDEX_MAX 16

/* One file's bytes: stops at the end, at an error, or when full. */
static int read_start(int fd, char *bytes, size_t size)
{
    size_t used = 0;

    while (used < size) {
        ssize_t got = read(fd, bytes + used, size - used);

        if (got < 0 && errno == EINTR)
            continue;
        if (got < 0)
            return -1;
        if (got == 0)
            break;
        used += (size_t)got;
    }
    return (int)used;
}

int hf_file_start(const char *root, const char *path, char *ret_bytes, size_t size)
{
    char full[PATH_MAX];
    struct stat status;
    int count = -1;
    int fd;

    ret_bytes[0] = '\0';
    if (snprintf(full, sizeof full, "%s%s", root != NULL ? root : "", path) >= (int)sizeof full)
        return -1;
    fd = open(full, O_RDONLY | O_CLOEXEC | O_NONBLOCK | O_NOCTTY);
    if (fd < 0)
        return -1;
    if (fstat(fd, &status) == 0 && S_ISREG(status.st_mode))
        count = read_start(fd, ret_bytes, size - 1);
    (void)close(fd);
    ret_bytes[count > 0 ? count : 0] = '\0';
    return count;
}

/* What is left of them is beyond ASCII: C1 controls, and characters that reorder or hide text. */
static void drop_harmful(char *text)
{
    size_t length;
    size_t used = 0;

    for (const char *at = text; *at != '\0'; at += length) {
        if (hf_text_is_harmful(hf_text_character(at, &length)))
            continue;
        memmove(text + used, at, length);
        used += length;
    }
    text[used] = '\0';
}

void hf_text_line(const char *bytes, size_t size, char *ret_text, size_t ret_size)
{
    size_t used = 0;
    int blank = 0;

    for (size_t i = 0; i < size && bytes[i] != '\n' && bytes[i] != '\0'; i++) {
        unsigned char byte = (unsigned char)bytes[i];

        if (byte == ' ' || byte == '\t') {
            blank = used > 0;
            continue;
        }
        if (byte < 0x20 || byte == 0x7f)
            continue;
        if (used + 1 + (size_t)blank >= ret_size)
            break;
        if (blank)
            ret_text[used++] = ' ';
        blank = 0;
        ret_text[used++] = (char)byte;
    }
    ret_text[used] = '\0';
    /* Cut in the middle of a character, or never UTF-8 at all: fall back to what every document may hold. */
    while (used > 0 && !hf_text_is_utf8(ret_text, used)) {
        for (size_t i = 0; i < used; i++) {
            if ((unsigned char)ret_text[i] >= 0x80)
                ret_text[i] = '?';
        }
    }
    drop_harmful(ret_text);
}

void hf_file_line(const char *root, const char *path, char *ret_text, size_t size)
{
    char bytes[512];
    int count = hf_file_start(root, path, bytes, sizeof bytes);

    hf_text_line(bytes, count > 0 ? (size_t)count : 0, ret_text, size);
}

int hf_file_cpu_list(const char *root, const char *path, int *ret_list, int max)
{
    struct hf_error ignored = {0};
    char bytes[8192];
    int count = 0;

    if (hf_file_start(root, path, bytes, sizeof bytes) < 0)
        return 0;
    if (hf_text_parse_cpu_list(bytes, HF_CPUS_MAX, ret_list, max, &count, &ignored) != HF_OK)
        return 0;
    return count;
}

int hf_file_has_cache_level(const char *root, int cpu, int level)
{
    for (int index = 0; index < CACHE_INDEX_MAX; index++) {
        char path[96];
        char text[16];

        (void)snprintf(path, sizeof path, "/sys/devices/system/cpu/cpu%d/cache/index%d/level", cpu, index);
        hf_file_line(root, path, text, sizeof text);
        if (text[0] != '\0' && atoi(text) == level)
            return 1;
    }
    return 0;
}
