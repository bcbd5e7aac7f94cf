#include "holdfast/text.h"

#include <assert.h>
#include <errno.h>
#include <fcntl.h>
#include <libgen.h>
#include <limits.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/stat.h>
#include <unistd.h>

#include "base/memory.h"

static char empty_bytes[1];

void hf_text_init(struct hf_text *text, size_t max_size)
{
    assert(max_size > 0);
    *text = (struct hf_text){.bytes = empty_bytes, .max_size = max_size};
}

void hf_text_release(struct hf_text *text)
{
    if (text->capacity > 0)
        hf_free(text->bytes);
    hf_text_init(text, text->max_size > 0 ? text->max_size : 1);
}

void hf_text_clear(struct hf_text *text)
{
    text->size = 0;
    text->overflowed = 0;
    if (text->capacity > 0)
        text->bytes[0] = '\0';
}

/* Room for `more` bytes and the NUL; 0 when the maximum or memory forbids it. */
static int text_reserve(struct hf_text *text, size_t more)
{
    size_t wanted;
    char *bytes;

    if (more > text->max_size - text->size)
        return 0;
    if (text->size + more + 1 <= text->capacity)
        return 1;
    wanted = text->capacity ? text->capacity : 256;
    while (wanted < text->size + more + 1)
        wanted *= 2;
    bytes = hf_reallocate(text->capacity ? text->bytes : NULL, wanted);
    if (bytes == NULL)
        return 0;
    text->bytes = bytes;
    text->capacity = wanted;
    return 1;
}

void hf_text_add(struct hf_text *text, const char *bytes, size_t size)
{
    assert(text->size <= text->max_size);
    if (text->overflowed || !text_reserve(text, size)) {
        text->overflowed = 1;
        return;
    }
    if (size > 0)
        memcpy(text->bytes + text->size, bytes, size);
    text->size += size;
    text->bytes[text->size] = '\0';
}

void hf_text_add_string(struct hf_text *text, const char *string)
{
    hf_text_add(text, string, strlen(string));
}

void hf_text_addf(struct hf_text *text, const char *format, ...)
{
    va_list arguments;
    int size;

    va_start(arguments, format);
    size = vsnprintf(NULL, 0, format, arguments);
    va_end(arguments);
    if (size < 0 || text->overflowed || !text_reserve(text, (size_t)size)) {
        text->overflowed = 1;
        return;
    }
    va_start(arguments, format);
    (void)vsnprintf(text->bytes + text->size, (size_t)size + 1, format, arguments);
    va_end(arguments);
    text->size += (size_t)size;
}

/* --- files ------------------------------------------------------------------------------------------ */

static int read_all(int fd, struct hf_text *text, const char *path, struct hf_error *error)
{
    char buffer[65536];

    for (;;) {
        ssize_t got = read(fd, buffer, sizeof buffer);

        if (got < 0 && errno == EINTR)
            continue;
        if (got < 0)
            return hf_fail_errno(error, errno, "cannot read %s", path);
        if (got == 0)
            return HF_OK;
        hf_text_add(text, buffer, (size_t)got);
        if (text->overflowed)
            return hf_fail(error, HF_E_INPUT, "%s is larger than %zu bytes", path, text->max_size);
    }
}

int hf_text_read_file(struct hf_text *text, const char *path, size_t max_size, struct hf_error *error)
{
    struct hf_text content;
    struct stat status;
    int fd = open(path, O_RDONLY | O_CLOEXEC | O_NONBLOCK | O_NOCTTY);
    int code;

    if (fd < 0)
        return hf_fail_errno(error, errno, "cannot open %s", path);
    hf_text_init(&content, max_size);
    if (fstat(fd, &status) != 0)
        code = hf_fail_errno(error, errno, "cannot stat %s", path);
    else if (!S_ISREG(status.st_mode))
        code = hf_fail(error, HF_E_INPUT, "%s is %s, not a regular file", path,
                       S_ISDIR(status.st_mode) ? "a directory" : "a device, fifo or socket");
    else
        code = read_all(fd, &content, path, error);
    (void)close(fd); /* read only: nothing can be lost */
    if (code != HF_OK) {
        hf_text_release(&content);
        return code;
    }
    *text = content;
    return HF_OK;
}

static int write_all(int fd, const char *bytes, size_t size)
{
    while (size > 0) {
        ssize_t put = write(fd, bytes, size);

        if (put < 0 && errno == EINTR)
            continue;
        if (put < 0)
            return -errno;
        bytes += put;
        size -= (size_t)put;
    }
    return 0;
}

static int sync_folder_of(const char *path)
{
    char copy[PATH_MAX];
    int result = 0;
    int fd;

    (void)snprintf(copy, sizeof copy, "%s", path);
    fd = open(dirname(copy), O_RDONLY | O_DIRECTORY | O_CLOEXEC);
    if (fd < 0)
        return -errno;
    if (fsync(fd) != 0)
        result = -errno;
    (void)close(fd);
    return result;
}

/* The file beside is always a new one: what lies there, a link perhaps, is not written through. */
static int write_beside(const struct hf_text *text, const char *path, unsigned mode, struct hf_error *error)
{
    char beside[PATH_MAX];
    int result;
    int fd;

    if (text->overflowed)
        return hf_fail(error, HF_E_FULL, "the text for %s passed %zu bytes or memory", path, text->max_size);
    if (snprintf(beside, sizeof beside, "%s.new", path) >= (int)sizeof beside)
        return hf_fail(error, HF_E_INPUT, "the path %.60s... is longer than %d bytes", path, PATH_MAX);
    (void)unlink(beside);
    fd = open(beside, O_WRONLY | O_CREAT | O_EXCL | O_CLOEXEC | O_NOFOLLOW, mode);
    if (fd < 0)
        return hf_fail_errno(error, errno, "cannot create %s", beside);
    result = write_all(fd, text->bytes, text->size);
    if (result == 0 && fsync(fd) != 0)
        result = -errno;
    if (close(fd) != 0 && result == 0)
        result = -errno;
    if (result == 0 && rename(beside, path) != 0)
        result = -errno;
    if (result == 0)
        result = sync_folder_of(path);
    if (result != 0) {
        (void)unlink(beside);
        return hf_fail_errno(error, -result, "cannot write %s", path);
    }
    return HF_OK;
}

int hf_text_write_file(const struct hf_text *text, const char *path, struct hf_error *error)
{
    return write_beside(text, path, 0644, error);
}

int hf_text_write_private(const struct hf_text *text, const char *path, struct hf_error *error)
{
    return write_beside(text, path, 0600, error);
}

/* --- lists of CPUs ---------------------------------------------------------------------------------- */

/* One number of a list; -1 when there is none or it is not below limit. */
static int parse_cpu(const char **at, int limit)
{
    long value = 0;

    if (**at < '0' || **at > '9')
        return -1;
    for (; **at >= '0' && **at <= '9'; (*at)++) {
        value = value * 10 + (**at - '0');
        if (value >= limit)
            return -1;
    }
    return (int)value;
}

int hf_text_parse_cpu_list(const char *list, int limit, int *ret_list, int max, int *ret_count,
                           struct hf_error *error)
{
    const char *at = list;
    int count = 0;

    while (*at != '\0' && *at != '\n') {
        int first = parse_cpu(&at, limit);
        int last = first;

        if (first >= 0 && *at == '-') {
            at++;
            last = parse_cpu(&at, limit);
        }
        if (first < 0 || last < first || (*at != ',' && *at != '\0' && *at != '\n'))
            return hf_fail(error, HF_E_INPUT,
                           "\"%.60s\" is not a CPU list like 0-3,8 with numbers below %d (at byte %d)", list,
                           limit, (int)(at - list));
        if (*at == ',' && (at[1] < '0' || at[1] > '9'))
            return hf_fail(error, HF_E_INPUT, "the CPU list \"%.60s\" ends in a comma", list);
        if (*at == ',')
            at++;
        for (int cpu = first; cpu <= last; cpu++) {
            if (count == max)
                return hf_fail(error, HF_E_RANGE, "the CPU list %.60s names more than %d CPUs", list, max);
            ret_list[count++] = cpu;
        }
    }
    *ret_count = count;
    return HF_OK;
}

void hf_text_add_cpu_list(struct hf_text *text, const int *list, int count)
{
    for (int i = 0; i < count;) {
        int last = i;

        while (last + 1 < count && list[last + 1] == list[last] + 1)
            last++;
        hf_text_addf(text, "%s%d", i > 0 ? "," : "", list[i]);
        if (last > i)
            hf_text_addf(text, "-%d", list[last]);
        i = last + 1;
    }
}

/* --- UTF-8 (RFC 3629, section 4: the syntax of UTF-8 byte sequences) --------------------------------- */

static size_t utf8_length(unsigned char lead, unsigned char *ret_low, unsigned char *ret_high)
{
    *ret_low = 0x80;
    *ret_high = 0xbf;
    if (lead < 0x80)
        return 1;
    if (lead >= 0xc2 && lead <= 0xdf)
        return 2;
    if (lead >= 0xe0 && lead <= 0xef) {
        if (lead == 0xe0)
            *ret_low = 0xa0;
        if (lead == 0xed)
            *ret_high = 0x9f;
        return 3;
    }
    if (lead >= 0xf0 && lead <= 0xf4) {
        if (lead == 0xf0)
            *ret_low = 0x90;
        if (lead == 0xf4)
            *ret_high = 0x8f;
        return 4;
    }
    return 0;
}

int hf_text_is_utf8(const char *bytes, size_t size)
{
    const unsigned char *at = (const unsigned char *)bytes;

    for (size_t i = 0; i < size;) {
        unsigned char low;
        unsigned char high;
        size_t length = utf8_length(at[i], &low, &high);

        if (length == 0 || length > size - i)
            return 0;
        if (length > 1 && (at[i + 1] < low || at[i + 1] > high))
            return 0;
        for (size_t k = 2; k < length; k++) {
            if ((at[i + k] & 0xc0) != 0x80)
                return 0;
        }
        i += length;
    }
    return 1;
}
