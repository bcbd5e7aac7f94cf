/* A machine of files that a test decides: contents, errors, time, and how long a read takes. */
#ifndef HOLDFAST_TESTS_SCRIPTED_HOST_H
#define HOLDFAST_TESTS_SCRIPTED_HOST_H

#include "tree.h"

#include <errno.h>

#include "holdfast/host.h"

#define SCRIPT_FILES_MAX 1024

struct script_file {
    char path[HF_HOST_PATH_MAX];
    char text[512];
    int wrong; /* errno of open and read; 0: none */
    int is_link;
    int64_t read_ns; /* how long a read takes */
};

struct script {
    struct script_file file[SCRIPT_FILES_MAX];
    int count;
    int64_t now_ns;
    int opened, reads;
    int write_wrong;
    int write_ignored; /* writes are accepted and change nothing */
};

static struct script_file *script_find(struct script *script, const char *path)
{
    for (int i = 0; i < script->count; i++) {
        if (strcmp(script->file[i].path, path) == 0)
            return &script->file[i];
    }
    return NULL;
}

static struct script_file *script_set(struct script *script, const char *path, const char *text)
{
    struct script_file *file = script_find(script, path);

    if (file == NULL) {
        assert_true(script->count < SCRIPT_FILES_MAX);
        file = &script->file[script->count++];
        memset(file, 0, sizeof *file);
        snprintf(file->path, sizeof file->path, "%s", path);
    }
    snprintf(file->text, sizeof file->text, "%s", text);
    file->wrong = 0;
    return file;
}

static __attribute__((unused)) void script_number(struct script *script, const char *path, long long value)
{
    char text[32];

    snprintf(text, sizeof text, "%lld\n", value);
    script_set(script, path, text);
}

static __attribute__((unused)) void script_wrong(struct script *script, const char *path, int wrong)
{
    struct script_file *file = script_find(script, path);

    if (file == NULL)
        file = script_set(script, path, "");
    file->wrong = wrong;
}

static __attribute__((unused)) void script_link(struct script *script, const char *path, const char *target)
{
    script_set(script, path, target)->is_link = 1;
}

/* Forgets every file whose path begins so. */
static __attribute__((unused)) void script_remove(struct script *script, const char *prefix)
{
    for (int i = 0; i < script->count; i++) {
        if (strncmp(script->file[i].path, prefix, strlen(prefix)) == 0)
            script->file[i].path[0] = '\0';
    }
}

static int script_open(void *context, const char *path)
{
    struct script *script = context;
    struct script_file *file = script_find(script, path);

    if (file == NULL || file->is_link)
        return -ENOENT;
    if (file->wrong == EACCES || file->wrong == ENOENT)
        return -file->wrong;
    script->opened++;
    return (int)(file - script->file);
}

static int script_read(void *context, int handle, char *bytes, size_t size)
{
    struct script *script = context;
    struct script_file *file = &script->file[handle];
    size_t length = strlen(file->text);

    script->reads++;
    script->now_ns += file->read_ns;
    if (file->path[0] == '\0')
        return -ENODEV;
    if (file->wrong != 0 && file->wrong != EACCES) /* rights are checked at opening */
        return -file->wrong;
    length = length < size ? length : size;
    memcpy(bytes, file->text, length);
    return (int)length;
}

static void script_close(void *context, int handle)
{
    (void)handle;
    ((struct script *)context)->opened--;
}

/* The immediate children, each once. */
static int script_list(void *context, const char *path, hf_host_each *each, void *argument)
{
    struct script *script = context;
    size_t length = strlen(path);
    int count = 0;

    for (int i = 0; i < script->count; i++) {
        const char *child = script->file[i].path + length + 1;
        char name[HF_HOST_PATH_MAX];
        int seen = 0;

        if (strncmp(script->file[i].path, path, length) != 0 || script->file[i].path[length] != '/')
            continue;
        snprintf(name, sizeof name, "%.*s", (int)strcspn(child, "/"), child);
        for (int before = 0; before < i && !seen; before++) {
            const char *other = script->file[before].path + length + 1;

            seen = strncmp(script->file[before].path, path, length) == 0 &&
                   script->file[before].path[length] == '/' && strcspn(other, "/") == strlen(name) &&
                   strncmp(other, name, strlen(name)) == 0;
        }
        if (seen)
            continue;
        each(argument, name);
        count++;
    }
    return count > 0 ? count : -ENOENT;
}

static int script_link_of(void *context, const char *path, char *target, size_t size)
{
    struct script_file *file = script_find(context, path);

    if (file == NULL)
        return -ENOENT;
    if (!file->is_link)
        return -EINVAL;
    return snprintf(target, size, "%s", file->text);
}

static int script_write(void *context, const char *path, const char *text)
{
    struct script *script = context;
    struct script_file *file = script_find(script, path);
    char line[64];

    if (script->write_wrong != 0)
        return -script->write_wrong;
    if (file == NULL)
        return -ENOENT;
    if (script->write_ignored)
        return 0;
    snprintf(line, sizeof line, "%s\n", text);
    snprintf(file->text, sizeof file->text, "%s", line);
    return 0;
}

static int script_folder(void *context, const char *path, int wanted)
{
    struct script *script = context;
    char marker[HF_HOST_PATH_MAX];

    if (script->write_wrong != 0)
        return -script->write_wrong;
    snprintf(marker, sizeof marker, "%s/.made", path);
    if (!wanted) {
        script_remove(script, path);
        return 0;
    }
    if (script_find(script, marker) != NULL)
        return -EEXIST;
    script_set(script, marker, "");
    return 0;
}

static int64_t script_now(void *context)
{
    return ((struct script *)context)->now_ns;
}

static struct script *script_new(struct hf_host *ret_host)
{
    struct script *script = calloc(1, sizeof *script);

    assert_non_null(script);
    script->now_ns = 1000000000;
    *ret_host = (struct hf_host){script_open,  script_read,   script_close, script_list, script_link_of,
                                 script_write, script_folder, script_now,   1,           script};
    return script;
}

#endif
