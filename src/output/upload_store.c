#include "output/upload_store.h"

#include <errno.h>
#include <fcntl.h>
#include <limits.h>
#include <stdio.h>
#include <string.h>
#include <sys/stat.h>
#include <unistd.h>

#include "holdfast/journal.h"
#include "holdfast/profile.h"

#define PIECE (64 * 1024) /* bytes read at a time; longer than any line */

/* --- where a run belongs ----------------------------------------------------------------------------------
 */

static int read_first_line(const char *path, char *line, size_t size, struct hf_error *error)
{
    int fd = open(path, O_RDONLY | O_CLOEXEC);
    ssize_t count;
    char *end;

    if (fd < 0)
        return hf_fail_errno(error, errno, "cannot open %s", path);
    count = pread(fd, line, size - 1, 0);
    (void)close(fd);
    if (count < 0)
        return hf_fail_errno(error, errno, "cannot read %s", path);
    line[count] = '\0';
    end = strchr(line, '\n');
    if (end == NULL)
        return hf_fail(error, HF_E_DAMAGED, "%s has no first line", path);
    *end = '\0';
    return HF_OK;
}

static int read_identity(const char *path, char *ret_salt, size_t size, struct hf_error *error)
{
    char line[HF_JOURNAL_LINE_MAX + 1];
    struct cJSON *document = NULL;
    struct hf_json_reader root, data;

    if (read_first_line(path, line, sizeof line, error) != HF_OK ||
        hf_json_parse(line, strlen(line), path, &document, error) != HF_OK)
        return error->code;
    root = hf_json_root(document, path);
    if (hf_json_get_object(&root, "data", &data, error) == HF_OK &&
        hf_json_get_string(&data, "salt", ret_salt, size, error) == HF_OK &&
        strspn(ret_salt, "0123456789abcdefx") != strlen(ret_salt))
        (void)hf_fail(error, HF_E_DAMAGED, "%s: the salt is none", path);
    hf_json_document_free(document);
    return error->code;
}

int hf_upload_find_place(const char *directory, char *ret_place, size_t size, struct hf_error *error)
{
    char path[PATH_MAX], salt[32];
    struct hf_profile *profile = NULL;

    if (snprintf(path, sizeof path, "%s/profile.json", directory) >= (int)sizeof path)
        return hf_fail(error, HF_E_RANGE, "the run's path is too long");
    if (access(path, F_OK) != 0)
        return hf_fail(error, HF_E_NOT_FOUND, "%s holds no run (there is no profile.json)", directory);
    if (hf_profile_read(path, &profile, error) != HF_OK)
        return error->code;
    if (snprintf(path, sizeof path, "%s/journal.jsonl", directory) < (int)sizeof path &&
        read_identity(path, salt, sizeof salt, error) == HF_OK &&
        snprintf(ret_place, size, "%s/%s", profile->name, salt) >= (int)size)
        (void)hf_fail(error, HF_E_RANGE, "the machine's name is too long");
    hf_profile_free(profile);
    return error->code;
}

/* --- the journal ------------------------------------------------------------------------------------------
 */

/* Takes whole lines into the digest, up to `size`. A last line without its end is being written. */
static int take_lines(struct hf_upload_journal *journal, int fd, uint64_t size, const char *path,
                      struct hf_error *error)
{
    static char piece[PIECE];

    while (journal->bytes < size) {
        uint64_t left = size - journal->bytes;
        ssize_t count = pread(fd, piece, left < PIECE ? (size_t)left : PIECE, (off_t)journal->bytes);
        const char *end = count > 0 ? memrchr(piece, '\n', (size_t)count) : NULL;

        if (count < 0)
            return hf_fail_errno(error, errno, "cannot read %s", path);
        if (end == NULL)
            break;
        hf_sha256_update(&journal->sha, piece, (size_t)(end - piece) + 1);
        journal->bytes += (uint64_t)(end - piece) + 1;
    }
    return HF_OK;
}

int hf_upload_journal_digest(struct hf_upload_journal *journal, const char *path,
                             char ret_digest[HF_SHA256_HEX], struct hf_error *error)
{
    struct hf_sha256 so_far;
    struct stat status;
    int fd = open(path, O_RDONLY | O_CLOEXEC);

    if (fd < 0)
        return hf_fail_errno(error, errno, "cannot open %s", path);
    if (fstat(fd, &status) != 0) {
        (void)hf_fail_errno(error, errno, "cannot look at %s", path);
    } else {
        if (journal->inode != status.st_ino || (uint64_t)status.st_size < journal->bytes ||
            journal->bytes == 0) {
            *journal = (struct hf_upload_journal){.inode = status.st_ino};
            hf_sha256_init(&journal->sha);
        }
        (void)take_lines(journal, fd, (uint64_t)status.st_size, path, error);
    }
    (void)close(fd);
    so_far = journal->sha;
    if (error->code == HF_OK)
        hf_sha256_finish(&so_far, ret_digest);
    return error->code;
}
