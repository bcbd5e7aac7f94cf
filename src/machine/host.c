/*
 * The live machine and a recorded one: the same code below two roots.
 *
 * A recorded root is entered with openat2(RESOLVE_IN_ROOT): absolute links and ".." stay inside. A kernel
 * older than 5.6 has no such call; there a recorded root is opened by plain path, and its links are not
 * confined.
 */
#include "holdfast/host.h"

#include <assert.h>
#include <dirent.h>
#include <errno.h>
#include <fcntl.h>
#include <limits.h>
#include <linux/openat2.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/stat.h>
#include <sys/syscall.h>
#include <time.h>
#include <unistd.h>

#include "base/memory.h"
#include "machine/files.h"

struct files {
    int root; /* the folder */
    int confined;
};

/* --- below a root ----------------------------------------------------------------------------------- */

static int open_below(const struct files *files, const char *path, int flags)
{
    struct open_how how = {.flags = (uint64_t)(unsigned)(flags | O_CLOEXEC), .resolve = RESOLVE_IN_ROOT};
    int fd;

    assert(path[0] == '/');
    if (files->confined) {
        fd = (int)syscall(SYS_openat2, files->root, path, &how, sizeof how);
        if (fd >= 0 || errno != ENOSYS)
            return fd >= 0 ? fd : -errno;
    }
    fd = openat(files->root, path[1] != '\0' ? path + 1 : ".", flags | O_CLOEXEC);
    return fd >= 0 ? fd : -errno;
}

static int files_open(void *context, const char *path)
{
    struct stat status;
    int fd = open_below(context, path, O_RDONLY | O_NONBLOCK | O_NOCTTY);
    int wrong = 0;

    if (fd < 0)
        return fd;
    if (fstat(fd, &status) != 0)
        wrong = -errno;
    else if (!S_ISREG(status.st_mode))
        wrong = S_ISDIR(status.st_mode) ? -EISDIR : -EINVAL;
    if (wrong == 0)
        return fd;
    (void)close(fd);
    return wrong;
}

static int files_read(void *context, int handle, char *ret_bytes, size_t size)
{
    size_t used = 0;

    (void)context;
    while (used < size && used < INT_MAX) {
        ssize_t got = pread(handle, ret_bytes + used, size - used, (off_t)used);

        if (got < 0 && errno == EINTR)
            continue;
        if (got < 0)
            return -errno;
        used += (size_t)got;
        if (got == 0 || (used <= 64 && ret_bytes[used - 1] == '\n'))
            break; /* one short line is all that a sensor's file holds: no second call to see its end */
    }
    return (int)used;
}

static void files_close(void *context, int handle)
{
    (void)context;
    if (handle >= 0)
        (void)close(handle);
}

static int files_list(void *context, const char *path, hf_host_each *each, void *argument)
{
    int fd = open_below(context, path, O_RDONLY | O_DIRECTORY | O_NONBLOCK);
    struct dirent *entry;
    int count = 0;
    DIR *folder;

    if (fd < 0)
        return fd;
    folder = fdopendir(fd);
    if (folder == NULL) {
        int wrong = -errno;

        (void)close(fd);
        return wrong;
    }
    while ((entry = readdir(folder)) != NULL) {
        if (strcmp(entry->d_name, ".") == 0 || strcmp(entry->d_name, "..") == 0)
            continue;
        each(argument, entry->d_name);
        count++;
    }
    (void)closedir(folder);
    return count;
}

static int files_link(void *context, const char *path, char *ret_target, size_t size)
{
    int fd = open_below(context, path, O_PATH | O_NOFOLLOW);
    ssize_t length;
    int wrong;

    if (fd < 0)
        return fd;
    length = readlinkat(fd, "", ret_target, size - 1);
    wrong = length < 0 ? -errno : 0;
    (void)close(fd);
    if (wrong == -ENOENT) /* what the call says of something that is no link */
        return -EINVAL;
    if (wrong != 0)
        return wrong;
    ret_target[length] = '\0';
    return (int)length;
}

static int files_write(void *context, const char *path, const char *text)
{
    const struct files *files = context;
    ssize_t written;
    int fd;

    if (files->confined)
        return -EROFS;
    fd = open_below(files, path, O_WRONLY | O_NONBLOCK | O_NOCTTY);
    if (fd < 0)
        return fd;
    do {
        written = write(fd, text, strlen(text));
    } while (written < 0 && errno == EINTR);
    if (written < 0) {
        int wrong = -errno;

        (void)close(fd);
        return wrong;
    }
    if (close(fd) != 0)
        return -errno;
    return (size_t)written == strlen(text) ? 0 : -EIO;
}

static int files_folder(void *context, const char *path, int wanted)
{
    const struct files *files = context;
    int result;

    if (files->confined)
        return -EROFS;
    result = wanted ? mkdirat(files->root, path + 1, 0700) : unlinkat(files->root, path + 1, AT_REMOVEDIR);
    return result == 0 ? 0 : -errno;
}

static int64_t files_monotonic_ns(void *context)
{
    struct timespec now = {0};

    (void)context;
    (void)clock_gettime(CLOCK_MONOTONIC, &now);
    return (int64_t)now.tv_sec * 1000000000 + now.tv_nsec;
}

/* --- opening ---------------------------------------------------------------------------------------- */

static int is_live_root(const char *root)
{
    char resolved[PATH_MAX];

    return root == NULL || (realpath(root, resolved) != NULL && strcmp(resolved, "/") == 0);
}

int hf_host_open(const char *root, struct hf_host *ret_host, struct hf_error *error)
{
    int live = is_live_root(root);
    int fd = open(live ? "/" : root, O_PATH | O_DIRECTORY | O_CLOEXEC);
    struct files *files;

    if (fd < 0)
        return hf_fail_errno(error, errno, "cannot use %.200s as the root of a machine", live ? "/" : root);
    files = hf_allocate(1, sizeof *files);
    if (files == NULL) {
        (void)close(fd);
        return hf_fail(error, HF_E_MEMORY, "no memory for the root of a machine");
    }
    *files = (struct files){fd, !live};
    *ret_host = (struct hf_host){files_open,  files_read,   files_close,        files_list, files_link,
                                 files_write, files_folder, files_monotonic_ns, live,       files};
    return HF_OK;
}

void hf_host_close(struct hf_host *host)
{
    struct files *files = host->context;

    if (files != NULL) {
        (void)close(files->root);
        hf_free(files);
    }
    *host = (struct hf_host){0};
}

/* --- on top of any host ----------------------------------------------------------------------------- */

int hf_host_bytes(const struct hf_host *host, const char *path, char *ret_bytes, size_t size)
{
    int handle = host->open(host->context, path);
    int count;

    assert(size > 0);
    ret_bytes[0] = '\0';
    if (handle < 0)
        return handle;
    count = host->read(host->context, handle, ret_bytes, size - 1);
    host->close(host->context, handle);
    ret_bytes[count > 0 ? count : 0] = '\0';
    return count;
}

int hf_host_line(const struct hf_host *host, const char *path, char *ret_text, size_t size)
{
    char bytes[512];
    int count = hf_host_bytes(host, path, bytes, sizeof bytes);

    hf_text_line(bytes, count > 0 ? (size_t)count : 0, ret_text, size);
    return count < 0 ? count : (int)strlen(ret_text);
}

int hf_host_parse_integer(const char *bytes, size_t size, int64_t *ret_value)
{
    size_t at = size > 0 && bytes[0] == '-';
    int negative = at > 0;
    int64_t value = 0;
    size_t digits = 0;

    for (; at < size && bytes[at] >= '0' && bytes[at] <= '9'; at++, digits++) {
        int digit = bytes[at] - '0';

        if (value > (INT64_MAX - digit) / 10)
            return -EBADMSG;
        value = value * 10 + digit;
    }
    while (at < size && (bytes[at] == '\n' || bytes[at] == ' ' || bytes[at] == '\t' || bytes[at] == '\r'))
        at++;
    if (digits == 0 || at != size)
        return -EBADMSG;
    *ret_value = negative ? -value : value;
    return 0;
}

int hf_host_integer(const struct hf_host *host, const char *path, int64_t *ret_value)
{
    char bytes[64];
    int count = hf_host_bytes(host, path, bytes, sizeof bytes);

    return count < 0 ? count : hf_host_parse_integer(bytes, (size_t)count, ret_value);
}

int hf_host_has(const struct hf_host *host, const char *path)
{
    int handle = host->open(host->context, path);

    if (handle < 0)
        return 0;
    host->close(host->context, handle);
    return 1;
}

/* --- numbered entries --- */

struct numbers {
    const char *prefix;
    int *list;
    int count, max;
};

static void take_number(void *argument, const char *name)
{
    struct numbers *numbers = argument;
    size_t skip = strlen(numbers->prefix);
    int64_t value;

    if (numbers->count == numbers->max || strncmp(name, numbers->prefix, skip) != 0 ||
        strlen(name) > skip + 9 || name[skip] < '0' || name[skip] > '9' ||
        hf_host_parse_integer(name + skip, strlen(name + skip), &value) != 0)
        return;
    numbers->list[numbers->count++] = (int)value;
}

static int compare_numbers(const void *left, const void *right)
{
    int a = *(const int *)left;
    int b = *(const int *)right;

    return (a > b) - (a < b);
}

int hf_host_numbers(const struct hf_host *host, const char *path, const char *prefix, int *ret_numbers,
                    int max)
{
    struct numbers numbers = {prefix, ret_numbers, 0, max};
    int result = host->list(host->context, path, take_number, &numbers);

    if (result < 0)
        return result;
    qsort(ret_numbers, (size_t)numbers.count, sizeof ret_numbers[0], compare_numbers);
    return numbers.count;
}
