/*
 * Who may have a hand in a run. What a run proves is what its journal says: nobody else may be able to change
 * it, and nothing in its place may lead our writes elsewhere (symbolic and hard links, fifos, devices).
 *
 * A directory that only its owner may write cannot have its entries exchanged by anyone else, so checking it
 * once, when it is opened, is enough. The mode of the folders above it is the user's business.
 */
#include <errno.h>
#include <fcntl.h>
#include <limits.h>
#include <stdio.h>
#include <string.h>
#include <sys/stat.h>
#include <unistd.h>

#include "record/record_private.h"

static int check_owner(const struct stat *status, const char *path, struct hf_error *error)
{
    if (status->st_uid != geteuid())
        return hf_fail(error, HF_E_INPUT,
                       "%.400s belongs to user %u, not to user %u who runs this: run as its owner, or choose "
                       "another directory with --run",
                       path, (unsigned)status->st_uid, (unsigned)geteuid());
    if ((status->st_mode & (S_IWGRP | S_IWOTH)) != 0)
        return hf_fail(error, HF_E_INPUT,
                       "%.400s can be written by others (mode %03o): look through what it holds, then chmod "
                       "go-w it",
                       path, (unsigned)status->st_mode & 0777u);
    return HF_OK;
}

int hf_own_open_failed(int reason, const char *path, struct hf_error *error)
{
    if (reason == ELOOP)
        return hf_fail(error, HF_E_INPUT, "%.400s is a symbolic link: put the file itself in its place",
                       path);
    if (reason == EISDIR || reason == ENXIO)
        return hf_fail(error, HF_E_INPUT, "%.400s is a directory, device or fifo: put the file in its place",
                       path);
    return hf_fail_errno(error, reason, "cannot open %s", path);
}

int hf_own_file(int fd, const char *path, struct hf_error *error)
{
    struct stat status;

    if (fstat(fd, &status) != 0)
        return hf_fail_errno(error, errno, "cannot stat %s", path);
    if (!S_ISREG(status.st_mode))
        return hf_fail(error, HF_E_INPUT, "%.400s is %s, not a regular file", path,
                       S_ISDIR(status.st_mode) ? "a directory" : "a device, fifo or socket");
    if (status.st_nlink > 1)
        return hf_fail(error, HF_E_INPUT,
                       "%.400s has another name elsewhere (%u hard links): what is written here would be "
                       "written there; replace it by a copy of itself",
                       path, (unsigned)status.st_nlink);
    return check_owner(&status, path, error);
}

/* Without the slashes at its end, which would make open() follow a link. */
static int plain_path(const char *directory, char ret_path[PATH_MAX], struct hf_error *error)
{
    size_t length = strlen(directory);

    while (length > 1 && directory[length - 1] == '/')
        length--;
    if (length >= PATH_MAX)
        return hf_fail(error, HF_E_RANGE, "the path %.60s... is too long", directory);
    (void)snprintf(ret_path, PATH_MAX, "%.*s", (int)length, directory);
    return HF_OK;
}

int hf_own_directory(const char *directory, int *ret_fd, struct hf_error *error)
{
    char path[PATH_MAX];
    struct stat status;
    int fd;

    if (plain_path(directory, path, error) != HF_OK)
        return error->code;
    if (lstat(path, &status) == 0 && S_ISLNK(status.st_mode))
        return hf_fail(error, HF_E_INPUT,
                       "the run directory %.400s is a symbolic link: name the directory itself with --run",
                       path);
    fd = open(path, O_RDONLY | O_DIRECTORY | O_CLOEXEC | O_NOFOLLOW);
    if (fd < 0)
        return hf_fail_errno(error, errno, "cannot open the run directory %s", directory);
    if (fstat(fd, &status) != 0)
        (void)hf_fail_errno(error, errno, "cannot stat %s", directory);
    else
        (void)check_owner(&status, path, error);
    if (error->code != HF_OK) {
        (void)close(fd);
        return error->code;
    }
    *ret_fd = fd;
    return HF_OK;
}

int hf_run_directory_check(const char *directory, struct hf_error *error)
{
    int fd;

    if (hf_own_directory(directory, &fd, error) != HF_OK)
        return error->code;
    (void)close(fd); /* read only */
    return HF_OK;
}
