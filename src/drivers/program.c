/* Whose program the command driver runs. As root it must not be one that somebody else can exchange. */
#include <errno.h>
#include <limits.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/stat.h>
#include <unistd.h>

#include "drivers/drivers.h"

/* In a sticky folder (as /tmp is) only the owner of an entry may exchange it, however many may write there.
 */
static int check_entry(const char *program, const char *path, unsigned own_user, struct hf_error *error)
{
    struct stat status;
    int shared;

    if (lstat(path, &status) != 0)
        return hf_fail_errno(error, errno, "cannot stat %.200s", path);
    shared = (status.st_mode & (S_IWGRP | S_IWOTH)) != 0 &&
             !(S_ISDIR(status.st_mode) && (status.st_mode & S_ISVTX) != 0);
    if (status.st_uid != 0 && status.st_uid != own_user)
        return hf_fail(
            error, HF_E_REFUSED,
            "the driver's program %.200s would run as root, but %.200s belongs to user %u, who could "
            "exchange it: chown root it, or keep the program elsewhere",
            program, path, (unsigned)status.st_uid);
    if (shared)
        return hf_fail(
            error, HF_E_REFUSED,
            "the driver's program %.200s would run as root, but others may write %.200s (mode %03o): "
            "chmod go-w it, or keep the program elsewhere",
            program, path, (unsigned)status.st_mode & 0777u);
    return HF_OK;
}

/* The file itself and every folder above it, after links: who can write any of them decides what runs. */
static int check_real(const char *program, char *path, unsigned own_user, struct hf_error *error)
{
    while (check_entry(program, path, own_user, error) == HF_OK) {
        char *slash = strrchr(path, '/');

        if (slash == NULL || strcmp(path, "/") == 0)
            return HF_OK;
        slash[slash == path ? 1 : 0] = '\0';
    }
    return error->code;
}

int hf_driver_check_program(const char *program, unsigned own_user, struct hf_error *error)
{
    char path[PATH_MAX];

    if (realpath(program, path) == NULL)
        return hf_fail_errno(error, errno, "cannot find the driver's program %.200s", program);
    return check_real(program, path, own_user, error);
}
