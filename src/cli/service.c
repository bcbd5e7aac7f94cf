/*
 * The service. One unit for all runs, `holdfast@.service`, whose argument is the run's directory; a link
 * makes it start at boot.
 *
 *   /etc/systemd/system/holdfast@.service, holdfast-awake.service   unless they are installed already
 *   /etc/systemd/system/holdfast@RUN.service.d/arguments.conf       only with further arguments
 *   /etc/systemd/system/multi-user.target.wants/holdfast@RUN.service
 *
 * RUN is the directory as systemd-escape --path writes it (systemd.unit(5), "String escaping").
 */
#include "cli/service.h"

#include <ctype.h>
#include <dirent.h>
#include <errno.h>
#include <limits.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/stat.h>
#include <unistd.h>

#include "cli/options.h"
#include "cli/service_units.h"
#include "holdfast/text.h"

#define UNITS  "/etc/systemd/system"
#define WANTS  UNITS "/multi-user.target.wants"
#define BINARY "@HOLDFAST_BINARY@"
#define OURS   "# holdfast: " /* how every file that is ours begins */
#define NAME   256            /* bytes of a unit's name; NAME_MAX of the file systems */

struct service {
    const struct hf_service_request *request;
    char binary[PATH_MAX];
    char run[PATH_MAX]; /* absolute, links resolved */
    char unit[NAME];    /* holdfast@....service */
};

/* --- names ------------------------------------------------------------------------------------------------
 */

/* Appends one byte of a path as systemd escapes it; 0 when there is no room. */
static int escape_byte(char *ret_name, size_t size, size_t *length, char byte)
{
    int plain = isalnum((unsigned char)byte) || byte == ':' || byte == '_' || (byte == '.' && *length > 0);
    int count;

    if (byte == '/')
        count = snprintf(ret_name + *length, size - *length, "-");
    else if (plain)
        count = snprintf(ret_name + *length, size - *length, "%c", byte);
    else
        count = snprintf(ret_name + *length, size - *length, "\\x%02x", (unsigned)(unsigned char)byte);
    if (count < 0 || (size_t)count >= size - *length)
        return 0;
    *length += (size_t)count;
    return 1;
}

static int name_unit(struct service *service, struct hf_error *error)
{
    char escaped[NAME - 24] = "";
    size_t length = 0;

    for (const char *byte = service->run + 1; *byte != '\0'; byte++) {
        if (iscntrl((unsigned char)*byte) || *byte == '$')
            return hf_fail(error, HF_E_INPUT,
                           "a service cannot name %s: choose a directory without control "
                           "characters and $ in its name",
                           service->run);
        if (!escape_byte(escaped, sizeof escaped, &length, *byte))
            return hf_fail(error, HF_E_RANGE, "%s: the path is too long for the name of a service",
                           service->run);
    }
    (void)snprintf(service->unit, sizeof service->unit, "holdfast@%s.service", escaped);
    return HF_OK;
}

static int below(const struct service *service, const char *path, char ret_path[PATH_MAX],
                 struct hf_error *error)
{
    const char *root = service->request->root;

    if (snprintf(ret_path, PATH_MAX, "%s%s", root != NULL ? root : "", path) >= PATH_MAX)
        return hf_fail(error, HF_E_RANGE, "--root: the path is too long");
    return HF_OK;
}

static int exists_below(const struct service *service, const char *path)
{
    struct hf_error error = {0};
    char full[PATH_MAX];
    struct stat status;

    return below(service, path, full, &error) == HF_OK && lstat(full, &status) == 0;
}

static int open_service(const struct hf_service_request *request, struct service *ret_service,
                        struct hf_error *error)
{
    ssize_t size = readlink("/proc/self/exe", ret_service->binary, sizeof ret_service->binary - 1);

    ret_service->request = request;
    if (size < 0)
        return hf_fail_errno(error, errno, "cannot find this program's own file");
    ret_service->binary[size] = '\0';
    if (realpath(request->run, ret_service->run) == NULL)
        return hf_fail_errno(error, errno, "cannot find the run's directory %s", request->run);
    return name_unit(ret_service, error);
}

/* --- writing ----------------------------------------------------------------------------------------------
 */

static int make_folders(char *path, struct hf_error *error)
{
    for (char *slash = strchr(path + 1, '/'); slash != NULL; slash = strchr(slash + 1, '/')) {
        *slash = '\0';
        if (mkdir(path, 0755) != 0 && errno != EEXIST)
            return hf_fail_errno(error, errno, "cannot make %s", path);
        *slash = '/';
    }
    return HF_OK;
}

static void show(const char *path, const char *text)
{
    printf("wrote %s:\n", path);
    for (const char *line = text; *line != '\0';) {
        size_t length = strcspn(line, "\n");

        printf("%s%.*s\n", length > 0 ? "    " : "", (int)length, line);
        line += length + (line[length] == '\n');
    }
}

static int write_file(const struct service *service, const char *path, const struct hf_text *text,
                      struct hf_error *error)
{
    char full[PATH_MAX];

    if (text->overflowed)
        return hf_fail(error, HF_E_MEMORY, "no memory for %s", path);
    if (below(service, path, full, error) != HF_OK || make_folders(full, error) != HF_OK ||
        hf_text_write_file(text, full, error) != HF_OK)
        return error->code;
    show(full, text->bytes);
    return HF_OK;
}

/* The folder that holds the unit as `cmake --install` left it; NULL: none does. */
static const char *installed_in(const struct service *service, const char *unit)
{
    static const char *const folders[] = {"/usr/local/lib/systemd/system", "/usr/lib/systemd/system",
                                          "/lib/systemd/system"};
    char path[PATH_MAX];

    for (size_t i = 0; i < sizeof folders / sizeof folders[0]; i++) {
        (void)snprintf(path, sizeof path, "%s/%s", folders[i], unit);
        if (exists_below(service, path))
            return folders[i];
    }
    return NULL;
}

/* `text` with the program's own path where BINARY stands. */
static int write_unit(const struct service *service, const char *unit, const char *text,
                      struct hf_error *error)
{
    const char *place = strstr(text, BINARY);
    struct hf_text words;
    char path[PATH_MAX];

    if (installed_in(service, unit) != NULL) {
        printf("%s is installed already, in %s\n", unit, installed_in(service, unit));
        return HF_OK;
    }
    hf_text_init(&words, 65536);
    if (place != NULL) {
        hf_text_add(&words, text, (size_t)(place - text));
        hf_text_add_string(&words, service->binary);
        text = place + strlen(BINARY);
    }
    hf_text_add_string(&words, text);
    (void)snprintf(path, sizeof path, UNITS "/%s", unit);
    (void)write_file(service, path, &words, error);
    hf_text_release(&words);
    return error->code;
}

static void add_arguments(const struct service *service, struct hf_text *text)
{
    if (service->request->accept_the_risk)
        hf_text_add_string(text, " --i-accept-the-risk");
    if (service->request->guard != NULL)
        hf_text_addf(text, " --guard %s", service->request->guard);
}

static int write_arguments(const struct service *service, struct hf_error *error)
{
    struct hf_text arguments;
    struct hf_text text;
    char path[PATH_MAX];

    hf_text_init(&arguments, 1024);
    hf_text_init(&text, 4096);
    add_arguments(service, &arguments);
    if (arguments.size > 0) {
        hf_text_addf(&text,
                     OURS
                     "further arguments of this search\n[Service]\nEnvironment=\"HOLDFAST_ARGUMENTS=%s\"\n",
                     arguments.bytes + 1);
        (void)snprintf(path, sizeof path, UNITS "/%s.d/arguments.conf", service->unit);
        (void)write_file(service, path, &text, error);
    }
    hf_text_release(&text);
    hf_text_release(&arguments);
    return error->code;
}

static int write_link(const struct service *service, struct hf_error *error)
{
    const char *folder = installed_in(service, "holdfast@.service");
    char target[PATH_MAX];
    char path[PATH_MAX];
    char full[PATH_MAX];

    (void)snprintf(target, sizeof target, "%s/holdfast@.service", folder != NULL ? folder : UNITS);
    (void)snprintf(path, sizeof path, WANTS "/%s", service->unit);
    if (below(service, path, full, error) != HF_OK || make_folders(full, error) != HF_OK)
        return error->code;
    if (unlink(full) != 0 && errno != ENOENT)
        return hf_fail_errno(error, errno, "cannot replace %s", full);
    if (symlink(target, full) != 0)
        return hf_fail_errno(error, errno, "cannot make the link %s", full);
    printf("wrote %s -> %s\n", full, target);
    return HF_OK;
}

/* --- installing -------------------------------------------------------------------------------------------
 */

/* The search is resumed by its run directory alone: it must have begun. */
static int check_run(const struct service *service, struct hf_error *error)
{
    char path[PATH_MAX + 32];

    (void)snprintf(path, sizeof path, "%s/journal.jsonl", service->run);
    if (access(path, F_OK) == 0)
        return HF_OK;
    return hf_fail(
        error, HF_E_NOT_FOUND,
        "%s holds no run: start the search once by hand, see that it works, stop it with Ctrl-C, then "
        "install the service",
        service->run);
}

/* 'path' for a shell: each ' becomes '\''. */
static void add_quoted(struct hf_text *text, const char *path)
{
    hf_text_add_string(text, "'");
    for (; *path != '\0'; path++) {
        if (*path == '\'')
            hf_text_add_string(text, "'\\''");
        else
            hf_text_add(text, path, 1);
    }
    hf_text_add_string(text, "'");
}

/* The same rules as the unit's: a search that was killed goes on, one that has ended does not. */
static void print_start_line(const struct service *service)
{
    struct hf_text line;

    hf_text_init(&line, 4 * PATH_MAX);
    hf_text_add_string(&line, "(while :; do ");
    add_quoted(&line, service->binary);
    hf_text_add_string(&line, " search --run ");
    add_quoted(&line, service->run);
    hf_text_add_string(&line, " --lines");
    add_arguments(service, &line);
    hf_text_add_string(&line, "; [ $? -gt 128 ] || break; sleep 1; done) >>/var/log/holdfast.log 2>&1 &");
    printf("there is no systemd here: nothing was written. This line, in a script that is run as root at the "
           "end of "
           "every boot (/etc/rc.local, before its exit), does the same:\n%s\n",
           line.bytes);
    hf_text_release(&line);
}

static int install(struct service *service, struct hf_error *error)
{
    if (open_service(service->request, service, error) != HF_OK || check_run(service, error) != HF_OK)
        return error->code;
    if (!exists_below(service, "/run/systemd/system")) { /* sd_booted(3) */
        print_start_line(service);
        return HF_OK;
    }
    if (write_unit(service, "holdfast@.service", search_unit, error) != HF_OK ||
        write_unit(service, "holdfast-awake.service", awake_unit, error) != HF_OK ||
        write_arguments(service, error) != HF_OK || write_link(service, error) != HF_OK)
        return error->code;
    printf("\nThe search in %s goes on at every boot from now on. At once:\n"
           "  systemctl daemon-reload && systemctl start '%s'\n"
           "What it says: journalctl -u '%s'. Never again: holdfast search --remove-service --run DIR\n",
           service->run, service->unit, service->unit);
    return HF_OK;
}

int hf_service_install(const struct hf_service_request *request)
{
    struct service service = {.request = request};
    struct hf_error error = {0};

    return install(&service, &error) == HF_OK ? hf_command_end("search", 0)
                                              : hf_command_fail("search", &error);
}

/* --- removing ---------------------------------------------------------------------------------------------
 */

static int is_ours(const char *path)
{
    struct hf_error error = {0};
    struct hf_text text;
    int ours;

    if (hf_text_read_file(&text, path, 65536, &error) != HF_OK)
        return 0;
    ours = text.size >= strlen(OURS) && strncmp(text.bytes, OURS, strlen(OURS)) == 0;
    hf_text_release(&text);
    return ours;
}

/* A link, or a file that begins as ours do. */
static int remove_one(const struct service *service, const char *path, int *count, struct hf_error *error)
{
    char full[PATH_MAX];
    struct stat status;

    if (below(service, path, full, error) != HF_OK)
        return error->code;
    if (lstat(full, &status) != 0)
        return errno == ENOENT ? HF_OK : hf_fail_errno(error, errno, "cannot look at %s", full);
    if (!S_ISLNK(status.st_mode) && !is_ours(full)) {
        printf("left %s alone: holdfast did not write it\n", full);
        return HF_OK;
    }
    if (unlink(full) != 0)
        return hf_fail_errno(error, errno, "cannot remove %s", full);
    printf("removed %s\n", full);
    *count += 1;
    return HF_OK;
}

/* How many searches are still started at boot. */
static int links_left(const struct service *service)
{
    struct hf_error error = {0};
    char folder[PATH_MAX];
    struct dirent *entry;
    int count = 0;
    DIR *names;

    if (below(service, WANTS, folder, &error) != HF_OK)
        return 1;
    names = opendir(folder);
    while (names != NULL && (entry = readdir(names)) != NULL)
        count += strncmp(entry->d_name, "holdfast@", strlen("holdfast@")) == 0;
    if (names != NULL)
        (void)closedir(names);
    return count;
}

static int remove_all(struct service *service, struct hf_error *error)
{
    char path[PATH_MAX];
    char folder[PATH_MAX];
    int count = 0;

    if (open_service(service->request, service, error) != HF_OK)
        return error->code;
    (void)snprintf(path, sizeof path, WANTS "/%s", service->unit);
    if (remove_one(service, path, &count, error) != HF_OK)
        return error->code;
    (void)snprintf(path, sizeof path, UNITS "/%s.d/arguments.conf", service->unit);
    if (remove_one(service, path, &count, error) != HF_OK)
        return error->code;
    (void)snprintf(path, sizeof path, UNITS "/%s.d", service->unit);
    if (below(service, path, folder, error) == HF_OK)
        (void)rmdir(folder); /* somebody else's drop-ins stay */
    if (links_left(service) == 0 &&
        (remove_one(service, UNITS "/holdfast@.service", &count, error) != HF_OK ||
         remove_one(service, UNITS "/holdfast-awake.service", &count, error) != HF_OK))
        return error->code;
    if (count == 0)
        printf("there was no service for %s\n", service->run);
    else
        printf("\nThe search in %s is no longer started at boot. To stop it now:\n"
               "  systemctl stop '%s'; systemctl daemon-reload\n",
               service->run, service->unit);
    return HF_OK;
}

int hf_service_remove(const struct hf_service_request *request)
{
    struct service service = {.request = request};
    struct hf_error error = {0};

    return remove_all(&service, &error) == HF_OK ? hf_command_end("search", 0)
                                                 : hf_command_fail("search", &error);
}
