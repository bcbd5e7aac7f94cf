/*
 * What a disk may hold after the power was cut, made from an emulator's log of everything that was written to
 * it.
 *
 *   power_cut LOG BEFORE SECTOR SEED OUT WITNESS [lie]
 *
 * LOG is what the emulator's blklogwrites driver wrote (the format of the kernel's dm-log-writes: a super
 * block, then entries of a sector each with their data behind them). BEFORE is the disk as it was before.
 * SECTOR is where the guest put what its journal acknowledged (reset.h). Chooses by SEED an entry at which
 * the power fails, after the first acknowledgement (until then the run need not exist); writes to OUT the
 * disk and to WITNESS the lines told until then.
 *
 * The fault model: what a finished flush came after is there. Of each write since, every sector is the old
 * one or the new one, by itself: all new, all old, new up to somewhere, any mixture. A new sector on a place
 * that held nothing may be garbage or zeros instead; one that held something is never lost in being written
 * again (powersafe overwrite, as disks promise and as the file system's own journal relies on).
 *
 * With "lie" no flush counts: a disk that lies, which the checks must find out.
 *
 * Prints entry, entries, writes since the last flush, sectors lost, sectors of garbage. Exit status 2: it
 * cannot be done.
 */
#include <inttypes.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#include "holdfast/random.h"

#define SECTOR      512
#define MAGIC       UINT64_C(0x6a736677736872)
#define ENTRIES_MAX 1000000

enum {
    ENTRY_FLUSH = 1,
    ENTRY_DISCARD = 4,
    ENTRY_MARK = 8
};

struct entry {
    uint64_t sector, sectors, flags, data_bytes;
    const unsigned char *data;
};

struct bytes {
    unsigned char *at;
    size_t size;
};

static struct {
    struct bytes log, disk;
    struct entry *entry;
    int count;
    int first_line; /* entry that tells the first acknowledgement */
    uint64_t told_at;
    struct hf_random random;
    uint64_t lost, garbage, pending;
} cut;

static void fail(const char *words)
{
    fprintf(stderr, "power_cut: %s\n", words);
    exit(2);
}

static struct bytes read_all(const char *path)
{
    FILE *file = fopen(path, "rb");
    struct bytes bytes = {0};

    if (file == NULL || fseek(file, 0, SEEK_END) != 0)
        fail("a file cannot be read");
    bytes.size = (size_t)ftell(file);
    bytes.at = malloc(bytes.size + 1);
    rewind(file);
    if (bytes.at == NULL || fread(bytes.at, 1, bytes.size, file) != bytes.size)
        fail("a file cannot be read");
    (void)fclose(file);
    return bytes;
}

static void write_all(const char *path, const void *bytes, size_t size)
{
    FILE *file = fopen(path, "wb");

    if (file == NULL || fwrite(bytes, 1, size, file) != size || fclose(file) != 0)
        fail("a file cannot be written");
}

static uint64_t number_at(size_t offset)
{
    uint64_t number = 0;

    for (int i = 7; i >= 0; i--)
        number = number << 8 | cut.log.at[offset + (size_t)i];
    return number;
}

static int is_line(const struct entry *entry)
{
    return entry->sector == cut.told_at && entry->sectors == 1 && entry->data != NULL;
}

/* The super block may be older than the last entries: they are read for as long as they make sense. */
static void read_log(const char *path)
{
    size_t offset = SECTOR;

    cut.log = read_all(path);
    cut.entry = calloc(ENTRIES_MAX, sizeof *cut.entry);
    cut.first_line = -1;
    if (cut.entry == NULL || cut.log.size < SECTOR || number_at(0) != MAGIC)
        fail("this is no log of writes");
    while (cut.count < ENTRIES_MAX && offset + SECTOR <= cut.log.size) {
        struct entry *entry = &cut.entry[cut.count];
        int has_data;

        *entry = (struct entry){.sector = number_at(offset),
                                .sectors = number_at(offset + 8),
                                .flags = number_at(offset + 16),
                                .data_bytes = number_at(offset + 24)};
        has_data = !(entry->flags & (ENTRY_DISCARD | ENTRY_MARK)) && entry->sectors > 0;
        offset += SECTOR;
        if (has_data && (entry->sectors > cut.log.size || offset + entry->sectors * SECTOR > cut.log.size))
            break;
        if (entry->sectors == 0 && entry->flags == 0)
            break; /* nothing was written here yet */
        if (has_data) {
            entry->data = cut.log.at + offset;
            offset += entry->sectors * SECTOR;
        }
        if (is_line(entry) && memcmp(entry->data, "done", 4) == 0 && cut.first_line < 0)
            cut.first_line = cut.count;
        cut.count++;
    }
}

static uint64_t draw(uint64_t below)
{
    return hf_random_below(&cut.random, below);
}

static int is_empty(const unsigned char *sector)
{
    for (int i = 0; i < SECTOR; i++) {
        if (sector[i] != 0)
            return 0;
    }
    return 1;
}

/* How sector number `index` of a pending write ends up. */
static void keep_sector(const struct entry *entry, uint64_t index, int kept, int may_scribble)
{
    unsigned char *place = cut.disk.at + (entry->sector + index) * SECTOR;
    int fresh = is_empty(place);

    if (kept) {
        memcpy(place, entry->data + index * SECTOR, SECTOR);
        return;
    }
    cut.lost++;
    if (!fresh || !may_scribble)
        return;
    cut.garbage++;
    for (int i = 0; i < SECTOR; i++)
        place[i] = (unsigned char)draw(256);
}

static void apply_whole(const struct entry *entry)
{
    memcpy(cut.disk.at + entry->sector * SECTOR, entry->data, entry->sectors * SECTOR);
}

static void apply_pending(const struct entry *entry)
{
    uint64_t fate = draw(5); /* all, none, a beginning, a mixture, a mixture with garbage */
    uint64_t length = draw(entry->sectors + 1);

    cut.pending++;
    for (uint64_t i = 0; i < entry->sectors; i++) {
        int kept = fate == 0 || (fate == 2 && i < length) || (fate >= 3 && draw(2) == 0);

        keep_sector(entry, i, kept, fate == 4);
    }
}

/* A write that is on its way when a flush begins may be logged before the flush ends: it is taken as flushed.
 */
static void cut_at(int place, int lies)
{
    int flushed = 0;

    for (int i = 0; i < place && !lies; i++) {
        if (cut.entry[i].flags & ENTRY_FLUSH)
            flushed = i;
    }
    for (int i = 0; i < place; i++) {
        const struct entry *entry = &cut.entry[i];

        if (entry->data == NULL || (entry->sector + entry->sectors) * SECTOR > cut.disk.size)
            continue;
        if (i <= flushed)
            apply_whole(entry);
        else if (!is_line(entry))
            apply_pending(entry);
    }
}

static void write_lines(const char *path, int place)
{
    FILE *file = fopen(path, "w");

    if (file == NULL)
        fail("the witness cannot be written");
    for (int i = 0; i < place; i++) {
        if (is_line(&cut.entry[i]))
            fprintf(file, "%.*s", SECTOR, (const char *)cut.entry[i].data);
    }
    if (fclose(file) != 0)
        fail("the witness cannot be written");
}

int main(int argc, char **argv)
{
    int place;

    if (argc != 7 && (argc != 8 || strcmp(argv[7], "lie") != 0))
        fail("LOG BEFORE SECTOR SEED OUT WITNESS");
    cut.told_at = strtoull(argv[3], NULL, 10);
    hf_random_init(&cut.random, strtoull(argv[4], NULL, 10), 0);
    read_log(argv[1]);
    cut.disk = read_all(argv[2]);
    if (cut.first_line < 0)
        fail("nothing was acknowledged");
    place = cut.first_line + 1 + (int)draw((uint64_t)(cut.count - cut.first_line));
    cut_at(place, argc == 8);
    write_all(argv[5], cut.disk.at, cut.disk.size);
    write_lines(argv[6], place);
    printf("entry %d of %d pending %" PRIu64 " lost %" PRIu64 " garbage %" PRIu64 "\n", place, cut.count,
           cut.pending, cut.lost, cut.garbage);
    return 0;
}
