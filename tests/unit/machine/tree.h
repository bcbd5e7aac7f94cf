/* Hand-made folders that look like the /sys and /proc of another machine, in a temporary place. */
#ifndef HOLDFAST_TESTS_TREE_H
#define HOLDFAST_TESTS_TREE_H

#include <dirent.h>
#include <ftw.h>
#include <limits.h>
#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>
#include <stdint.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/stat.h>
#include <unistd.h>

#include <cmocka.h>

/* In memory where that is possible: a tree is hundreds of small files. */
static __attribute__((unused)) char *tree_new(void)
{
    char *root = strdup(access("/dev/shm", W_OK | X_OK) == 0 ? "/dev/shm/holdfast-tree-XXXXXX"
                                                             : "/tmp/holdfast-tree-XXXXXX");

    assert_non_null(root);
    assert_non_null(mkdtemp(root));
    return root;
}

static int tree_remove_one(const char *path, const struct stat *status, int type, struct FTW *walk)
{
    (void)status;
    (void)type;
    (void)walk;
    return remove(path);
}

static __attribute__((unused)) void tree_free(char *root)
{
    assert_non_null(strstr(root, "/holdfast-tree-")); /* never anything that was not made here */
    (void)nftw(root, tree_remove_one, 16, FTW_DEPTH | FTW_PHYS);
    free(root);
}

static void tree_path(char *full, const char *root, const char *path)
{
    assert_true(snprintf(full, PATH_MAX, "%s/%s", root, path) < PATH_MAX);
    for (char *at = full + strlen(root) + 1; (at = strchr(at, '/')) != NULL; at++) {
        *at = '\0';
        (void)mkdir(full, 0755);
        *at = '/';
    }
}

static void tree_bytes(const char *root, const char *path, const void *bytes, size_t size)
{
    char full[PATH_MAX];
    FILE *file;

    tree_path(full, root, path);
    file = fopen(full, "we");
    assert_non_null(file);
    assert_int_equal(fwrite(bytes, 1, size, file), size);
    assert_int_equal(fclose(file), 0);
}

static __attribute__((unused)) void tree_file(const char *root, const char *path, const char *text)
{
    tree_bytes(root, path, text, strlen(text));
}

static __attribute__((unused)) void tree_folder(const char *root, const char *path)
{
    char full[PATH_MAX];

    tree_path(full, root, path);
    (void)mkdir(full, 0755);
}

static __attribute__((unused)) void tree_link(const char *root, const char *path, const char *target)
{
    char full[PATH_MAX];

    tree_path(full, root, path);
    (void)unlink(full);
    assert_int_equal(symlink(target, full), 0);
}

#endif
