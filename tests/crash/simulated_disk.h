/*
 * A disk that can lose power: journal file operations that know what is durable and what is only pending.
 *
 * The real file plays the page cache: reads see every write at once. Beside it stands what would survive: the
 * content as of the last sync, and the list of writes since. At the chosen call the power fails: from then on
 * every call fails, and disk_crash() replaces the real file by what the disk might hold: each pending write
 * is kept, dropped, cut short, scribbled over sector by sector, pierced by a hole, or present only as
 * zeros. A file whose directory was never synced may be gone.
 *
 * The fault model (what a disk may do): nothing that was synced is touched, and sectors of one write are
 * independent. The lies below break it on purpose: the tests must then find lost records, or they prove
 * nothing.
 */
#ifndef HOLDFAST_TESTS_SIMULATED_DISK_H
#define HOLDFAST_TESTS_SIMULATED_DISK_H

#define SCRATCH_PREFERRED "/dev/shm" /* thousands of crashes: spare the disk */
#include "unit/record/record_fixture.h"

#include "holdfast/random.h"

#define DISK_FILES_MAX   4
#define DISK_PENDING_MAX 64
#define DISK_SECTOR      64 /* smaller than any disk's: more ways to tear a line of 200 to 400 bytes */

enum disk_call {
    DISK_WRITE = 1,
    DISK_SYNC = 2,
    DISK_SYNC_FOLDER = 4,
    DISK_READ = 8,
    DISK_TRUNCATE = 16
};
#define DISK_CHANGES (DISK_WRITE | DISK_SYNC | DISK_SYNC_FOLDER | DISK_TRUNCATE)

enum disk_fault {
    DISK_POWER,      /* the power fails in the call */
    DISK_ERROR_ONCE, /* the call fails with disk.error_number, the later ones work */
    DISK_ERROR_FROM, /* it and all later ones of its kind fail */
    DISK_SHORT,      /* a write of some bytes only; a read of some bytes only */
    DISK_FLIP        /* a read returns one wrong bit */
};

enum disk_lie {
    DISK_HONEST = 0,
    DISK_LIES_ABOUT_SYNC = 1,
    DISK_LIES_ABOUT_FOLDERS = 2
};

struct disk_pending {
    int is_truncate;
    int64_t offset; /* of the write; the new size of a truncate */
    size_t size;
    char *bytes;
};

struct disk_file {
    ino_t inode;
    char path[PATH_MAX];
    int entry_is_durable;
    char *durable;
    size_t durable_size;
    struct disk_pending pending[DISK_PENDING_MAX];
    int pending_count;
};

static struct {
    /* chosen by the test */
    int classes;   /* calls that count, of enum disk_call */
    long fault_at; /* the call, from 1; 0: never */
    enum disk_fault fault;
    int error_number;
    int lies;
    struct hf_random random;
    /* kept here */
    long calls;
    int struck; /* the fault has happened */
    int dead;
    int file_count;
    struct disk_file file[DISK_FILES_MAX];
} disk;

/* Everything that stands on the disk is durable; no fault is planned. */
__attribute__((unused)) static void disk_power_on(uint64_t seed)
{
    for (int i = 0; i < disk.file_count; i++) {
        for (int k = 0; k < disk.file[i].pending_count; k++)
            free(disk.file[i].pending[k].bytes);
        free(disk.file[i].durable);
    }
    memset(&disk, 0, sizeof disk);
    hf_random_init(&disk.random, seed, 0);
}

static char *disk_content(const char *path, size_t *ret_size)
{
    int fd = open(path, O_RDONLY | O_CLOEXEC);
    struct stat status;
    char *bytes;

    assert_true(fd >= 0);
    assert_int_equal(fstat(fd, &status), 0);
    bytes = malloc((size_t)status.st_size + 1);
    assert_non_null(bytes);
    assert_int_equal(pread(fd, bytes, (size_t)status.st_size, 0), status.st_size);
    *ret_size = (size_t)status.st_size;
    (void)close(fd);
    return bytes;
}

static struct disk_file *disk_file_of(int fd)
{
    struct disk_file *file;
    struct stat status;
    char link[64];
    ssize_t length;

    assert_int_equal(fstat(fd, &status), 0);
    for (int i = 0; i < disk.file_count; i++) {
        if (disk.file[i].inode == status.st_ino)
            return &disk.file[i];
    }
    assert_true(disk.file_count < DISK_FILES_MAX);
    file = &disk.file[disk.file_count++];
    file->inode = status.st_ino;
    (void)snprintf(link, sizeof link, "/proc/self/fd/%d", fd);
    length = readlink(link, file->path, sizeof file->path - 1);
    assert_true(length > 0);
    file->path[length] = '\0';
    file->entry_is_durable = status.st_size > 0; /* an empty file was made just now */
    file->durable = disk_content(file->path, &file->durable_size);
    return file;
}

static void disk_add_pending(struct disk_file *file, int is_truncate, int64_t offset, const void *bytes,
                             size_t size)
{
    struct disk_pending *pending = &file->pending[file->pending_count++];

    assert_true(file->pending_count <= DISK_PENDING_MAX);
    *pending = (struct disk_pending){.is_truncate = is_truncate, .offset = offset, .size = size};
    if (is_truncate)
        return;
    pending->bytes = malloc(size);
    assert_non_null(pending->bytes);
    memcpy(pending->bytes, bytes, size);
}

/* Counts the call; 1 when the fault strikes it. */
static int disk_strikes(enum disk_call call)
{
    int counts = (disk.classes & (int)call) != 0;

    disk.calls += counts;
    if (!counts || disk.fault_at == 0)
        return 0;
    if (disk.calls == disk.fault_at || (disk.fault == DISK_ERROR_FROM && disk.calls > disk.fault_at)) {
        disk.struck = 1;
        if (disk.fault == DISK_POWER)
            disk.dead = 1;
        errno = disk.error_number;
        return 1;
    }
    return 0;
}

static int disk_is_dead(void)
{
    errno = EIO;
    return disk.dead;
}

static long disk_write(int fd, const void *bytes, size_t size)
{
    struct disk_file *file;
    struct stat status;

    if (disk_is_dead())
        return -1;
    file = disk_file_of(fd);
    if (disk_strikes(DISK_WRITE)) {
        if (disk.fault == DISK_ERROR_ONCE || disk.fault == DISK_ERROR_FROM)
            return -1;
        if (disk.fault == DISK_SHORT)
            size = (size_t)hf_random_below(&disk.random, size);
    }
    assert_int_equal(fstat(fd, &status), 0);
    disk_add_pending(file, 0, status.st_size, bytes, size);
    assert_int_equal(write(fd, bytes, size), (long)size);
    errno = EIO;
    return disk.dead ? -1 : (long)size;
}

static int disk_sync(int fd)
{
    struct disk_file *file;

    if (disk_is_dead() || disk_strikes(DISK_SYNC))
        return -1;
    if (disk.lies & DISK_LIES_ABOUT_SYNC)
        return 0;
    file = disk_file_of(fd);
    for (int i = 0; i < file->pending_count; i++)
        free(file->pending[i].bytes);
    file->pending_count = 0;
    free(file->durable);
    file->durable = disk_content(file->path, &file->durable_size);
    return 0;
}

static int disk_sync_folder(int fd)
{
    (void)fd;
    if (disk_is_dead() || disk_strikes(DISK_SYNC_FOLDER))
        return -1;
    if (disk.lies & DISK_LIES_ABOUT_FOLDERS)
        return 0;
    for (int i = 0; i < disk.file_count; i++)
        disk.file[i].entry_is_durable = 1;
    return 0;
}

static long disk_read_at(int fd, void *bytes, size_t size, int64_t offset)
{
    long got;

    if (disk_is_dead())
        return -1;
    got = pread(fd, bytes, size, offset);
    if (got > 0 && disk_strikes(DISK_READ)) {
        if (disk.fault == DISK_ERROR_ONCE || disk.fault == DISK_ERROR_FROM || disk.fault == DISK_POWER)
            return -1;
        if (disk.fault == DISK_SHORT)
            return 1 + (long)hf_random_below(&disk.random, (uint64_t)got);
        ((char *)bytes)[hf_random_below(&disk.random, (uint64_t)got)] ^= 1;
    }
    return got;
}

static int disk_truncate(int fd, int64_t size)
{
    if (disk_is_dead())
        return -1;
    if (disk_strikes(DISK_TRUNCATE) && disk.fault != DISK_POWER)
        return -1;
    disk_add_pending(disk_file_of(fd), 1, size, NULL, 0);
    assert_int_equal(ftruncate(fd, size), 0);
    errno = EIO;
    return disk.dead ? -1 : 0;
}

__attribute__((unused)) static const struct hf_journal_file_ops disk_ops = {
    disk_write, disk_sync, disk_sync_folder, disk_read_at, disk_truncate};

/* --- after the crash --------------------------------------------------------------------------------------
 */

struct disk_image {
    char bytes[1 << 16];
    size_t size;
};

static void image_put(struct disk_image *image, int64_t offset, const char *bytes, size_t size)
{
    assert_true((size_t)offset + size <= sizeof image->bytes);
    if (image->size < (size_t)offset + size) {
        memset(image->bytes + image->size, 0, (size_t)offset + size - image->size);
        image->size = (size_t)offset + size;
    }
    memcpy(image->bytes + offset, bytes, size);
}

/* Each sector of the write arrived, is still zero, or holds garbage. */
static void disk_scribble(char *bytes, size_t size, int64_t offset)
{
    for (size_t at = 0; at < size;) {
        size_t part = DISK_SECTOR - (size_t)(offset + (int64_t)at) % DISK_SECTOR;
        uint64_t fate = hf_random_below(&disk.random, 4);

        if (part > size - at)
            part = size - at;
        for (size_t i = 0; i < part && fate <= 1; i++)
            bytes[at + i] = fate == 0 ? '\0' : (char)hf_random_u64(&disk.random);
        at += part;
    }
}

static void disk_apply(struct disk_image *image, struct disk_pending *pending)
{
    size_t size = pending->size;

    if (pending->is_truncate) {
        if (hf_random_below(&disk.random, 2) == 0 && image->size > (size_t)pending->offset)
            image->size = (size_t)pending->offset;
        return;
    }
    switch (hf_random_below(&disk.random, 6)) {
    case 0: /* dropped */
        return;
    case 1: /* cut short */
        size = (size_t)hf_random_below(&disk.random, size + 1);
        break;
    case 2:
        disk_scribble(pending->bytes, size, pending->offset);
        break;
    case 4: { /* a hole, the rest arrived */
        size_t start = (size_t)hf_random_below(&disk.random, size);

        memset(pending->bytes + start, 0, 1 + (size_t)hf_random_below(&disk.random, size - start));
        break;
    }
    case 3: /* the file grew, the data did not arrive */
        memset(pending->bytes, 0, size);
        break;
    default: /* kept */
        break;
    }
    image_put(image, pending->offset, pending->bytes, size);
}

/* What the files hold when the power is back. */
__attribute__((unused)) static void disk_crash(void)
{
    static struct disk_image image;

    for (int i = 0; i < disk.file_count; i++) {
        struct disk_file *file = &disk.file[i];
        int fd;

        if (!file->entry_is_durable && hf_random_below(&disk.random, 2) == 0) {
            (void)unlink(file->path);
            continue;
        }
        image.size = 0;
        image_put(&image, 0, file->durable, file->durable_size);
        for (int k = 0; k < file->pending_count; k++)
            disk_apply(&image, &file->pending[k]);
        (void)unlink(file->path);
        fd = open(file->path, O_WRONLY | O_CREAT | O_EXCL | O_CLOEXEC, 0600);
        assert_true(fd >= 0);
        assert_int_equal(write(fd, image.bytes, image.size), (long)image.size);
        (void)close(fd);
    }
}

#endif
