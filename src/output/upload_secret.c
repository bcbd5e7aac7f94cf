/*
 * Invariants
 *  1. Blocks lie end to end from the beginning to the end of the memory: each header's size leads to the
 * next.
 *  2. Two free blocks are never neighbours.
 *  3. A free block's bytes are zero.
 * The list is walked from the beginning: libcurl holds a few hundred blocks at most.
 */
#include "output/upload_secret.h"

#include <assert.h>
#include <errno.h>
#include <fcntl.h>
#include <pthread.h>
#include <stdint.h>
#include <string.h>
#include <sys/mman.h>
#include <sys/stat.h>
#include <unistd.h>

#define ALIGNMENT ((size_t)16)

struct block {
    size_t size; /* of what follows this header; a multiple of ALIGNMENT */
    size_t used; /* 0: free */
};

static unsigned char *memory;
static size_t used_bytes;
static pthread_mutex_t mutex = PTHREAD_MUTEX_INITIALIZER; /* libcurl looks names up in a thread */

static struct block *first_block(void)
{
    return (struct block *)(void *)memory;
}

/* NULL behind the last. */
static struct block *next_block(struct block *block)
{
    unsigned char *next = (unsigned char *)(block + 1) + block->size;

    assert(next <= memory + HF_SECRET_BYTES);
    return next == memory + HF_SECRET_BYTES ? NULL : (struct block *)(void *)next;
}

int hf_secret_begin(struct hf_error *error)
{
    void *mapped;

    if (memory != NULL)
        return HF_OK;
    mapped = mmap(NULL, HF_SECRET_BYTES, PROT_READ | PROT_WRITE, MAP_PRIVATE | MAP_ANONYMOUS, -1, 0);
    if (mapped == MAP_FAILED)
        return hf_fail_errno(error, errno, "no memory to keep the token in");
    if (madvise(mapped, HF_SECRET_BYTES, MADV_DONTDUMP) != 0 ||
        madvise(mapped, HF_SECRET_BYTES, MADV_DONTFORK) != 0) {
        int failure = errno;

        (void)munmap(mapped, HF_SECRET_BYTES);
        return hf_fail_errno(error, failure, "the token cannot be kept out of core files");
    }
    (void)mlock(mapped, HF_SECRET_BYTES); /* limits may forbid it: then swap has to be safe */
    memory = mapped;
    *first_block() = (struct block){.size = HF_SECRET_BYTES - sizeof(struct block)};
    return HF_OK;
}

/* Takes `size` bytes of a free block that is large enough; what is left becomes a free block. */
static void *take(struct block *block, size_t size)
{
    if (block->size - size >= sizeof(struct block) + ALIGNMENT) {
        struct block *rest = (struct block *)(void *)((unsigned char *)(block + 1) + size);

        *rest = (struct block){.size = block->size - size - sizeof *rest};
        block->size = size;
    }
    block->used = 1;
    used_bytes += block->size;
    return block + 1;
}

void *hf_secret_allocate(size_t size)
{
    void *taken = NULL;

    assert(memory != NULL);
    if (size > HF_SECRET_BYTES)
        return NULL;
    size = size == 0 ? ALIGNMENT : (size + ALIGNMENT - 1) / ALIGNMENT * ALIGNMENT;
    (void)pthread_mutex_lock(&mutex);
    for (struct block *block = first_block(); block != NULL && taken == NULL; block = next_block(block)) {
        if (!block->used && block->size >= size)
            taken = take(block, size);
    }
    (void)pthread_mutex_unlock(&mutex);
    return taken;
}

/* Joins free neighbours; a header that goes is zeroed. */
static void join(void)
{
    for (struct block *block = first_block(); block != NULL;) {
        struct block *next = next_block(block);

        if (next == NULL || block->used || next->used) {
            block = next;
            continue;
        }
        block->size += sizeof *next + next->size;
        *next = (struct block){0};
    }
}

void hf_secret_free(void *bytes)
{
    struct block *block;

    if (bytes == NULL)
        return;
    assert((unsigned char *)bytes > memory && (unsigned char *)bytes < memory + HF_SECRET_BYTES);
    block = (struct block *)bytes - 1;
    (void)pthread_mutex_lock(&mutex);
    assert(block->used == 1);
    explicit_bzero(bytes, block->size);
    block->used = 0;
    used_bytes -= block->size;
    join();
    (void)pthread_mutex_unlock(&mutex);
}

void *hf_secret_reallocate(void *bytes, size_t size)
{
    size_t had = bytes == NULL ? 0 : ((struct block *)bytes - 1)->size;
    void *taken = hf_secret_allocate(size);

    if (taken == NULL)
        return NULL;
    if (bytes != NULL)
        memcpy(taken, bytes, had < size ? had : size);
    hf_secret_free(bytes);
    return taken;
}

/* Free blocks are zero already (invariant 3). */
void *hf_secret_zeroed(size_t count, size_t size)
{
    return size != 0 && count > SIZE_MAX / size ? NULL : hf_secret_allocate(count * size);
}

char *hf_secret_copy(const char *string)
{
    size_t size = strlen(string) + 1;
    char *copy = hf_secret_allocate(size);

    if (copy != NULL)
        memcpy(copy, string, size);
    return copy;
}

size_t hf_secret_used(void)
{
    return used_bytes;
}

/* --- the token --------------------------------------------------------------------------------------------
 */

static int check_token_file(int fd, const char *path, struct hf_error *error)
{
    struct stat status;

    if (fstat(fd, &status) != 0)
        return hf_fail_errno(error, errno, "cannot look at %s", path);
    if (!S_ISREG(status.st_mode))
        return hf_fail(error, HF_E_INPUT, "%s is no plain file: it must hold the token, and nothing else",
                       path);
    if (status.st_uid != geteuid() && status.st_uid != 0)
        return hf_fail(error, HF_E_PERMISSION,
                       "%s belongs to another user, who could exchange the token: chown it, then chmod 600",
                       path);
    if ((status.st_mode & 07777 & ~(mode_t)0600) != 0)
        return hf_fail(error, HF_E_PERMISSION,
                       "%s has mode %04o: others may get at the token. Run: chmod 600 %s", path,
                       (unsigned)(status.st_mode & 07777), path);
    if (status.st_size < 1 || status.st_size >= HF_TOKEN_MAX)
        return hf_fail(error, HF_E_RANGE, "%s has %lld bytes; a token has 1 to %d", path,
                       (long long)status.st_size, HF_TOKEN_MAX - 1);
    return HF_OK;
}

/* RFC 6750, 2.1: 1*( ALPHA / DIGIT / "-" / "." / "_" / "~" / "+" / "/" ) *"=" */
static int is_token(const char *token)
{
    size_t body = strspn(token, "ABCDEFGHIJKLMNOPQRSTUVWXYZabcdefghijklmnopqrstuvwxyz0123456789-._~+/");

    return body > 0 && strspn(token + body, "=") == strlen(token + body);
}

static int read_token(int fd, const char *path, char *token, struct hf_error *error)
{
    size_t size = 0;
    ssize_t count;

    do {
        count = read(fd, token + size, HF_TOKEN_MAX - 1 - size);
        size += count > 0 ? (size_t)count : 0;
    } while (count > 0 || (count < 0 && errno == EINTR));
    if (count < 0)
        return hf_fail_errno(error, errno, "cannot read %s", path);
    while (size > 0 && (token[size - 1] == '\n' || token[size - 1] == '\r'))
        size--;
    token[size] = '\0';
    if (strlen(token) != size || !is_token(token))
        return hf_fail(error, HF_E_INPUT,
                       "%s holds no token: one line of letters, digits and - . _ ~ + / with = at the end",
                       path);
    return HF_OK;
}

int hf_secret_read_token(const char *path, char **ret_token, struct hf_error *error)
{
    char *token;
    int fd = open(path, O_RDONLY | O_CLOEXEC | O_NONBLOCK); /* a fifo must not stop the night */

    if (fd < 0)
        return hf_fail_errno(error, errno, "cannot open the token file %s", path);
    token = hf_secret_begin(error) == HF_OK ? hf_secret_allocate(HF_TOKEN_MAX) : NULL;
    if (token == NULL)
        (void)hf_fail(error, HF_E_MEMORY, "no memory for the token");
    else if (check_token_file(fd, path, error) == HF_OK)
        (void)read_token(fd, path, token, error);
    (void)close(fd);
    if (error->code != HF_OK) {
        hf_secret_free(token);
        return error->code;
    }
    *ret_token = token;
    return HF_OK;
}
