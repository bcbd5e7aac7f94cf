/* holdfast upload: a run's certificates, report and journal to the user's own server, now. */
#include <limits.h>
#include <stdio.h>
#include <string.h>

#include "cli/options.h"
#include "cli/sending.h"
#include "cli/session.h"

static struct {
    const char *run, *profile, *server, *token_file, *ca_file;
    int list, retry, json;
    double for_s;
} settings;

static const struct hf_option options[] = {
    {"run", HF_OPTION_STRING, &settings.run, "DIR", "the run's directory", 0, 0},
    {"profile", HF_OPTION_STRING, &settings.profile, "FILE",
     "the machine's profile: its default run directory", 0, 0},
    {"server", HF_OPTION_STRING, &settings.server, "URL", "instead of the profile's upload.url", 0, 0},
    {"token-file", HF_OPTION_STRING, &settings.token_file, "FILE",
     "with --server: holds the token, mode 0600", 0, 0},
    {"ca-file", HF_OPTION_STRING, &settings.ca_file, "FILE", "with --server: who may vouch for it (PEM)", 0,
     0},
    {"for", HF_OPTION_DURATION, &settings.for_s, "TIME", "give up after so long (default: 10m)", 0, 0},
    {"list", HF_OPTION_FLAG, &settings.list, NULL, "show what was sent and what waits; send nothing", 0, 0},
    {"retry", HF_OPTION_FLAG, &settings.retry, NULL, "what was parked, too", 0, 0},
    {"json", HF_OPTION_FLAG, &settings.json, NULL, "one JSON document on standard output", 0, 0},
    {0},
};

static const struct hf_usage usage = {
    "upload", "sends a run's evidence to your own server", options,
    "PUT URL/MACHINE/RUN/FILE for certificates, report and journal. What the server\n"
    "has already is not sent again. A search does this by itself when its profile\n"
    "names a server; this sends the rest. Exit status: 0 all was sent, 3 something\n"
    "waits or is parked (--list says why), 4 the token file, or this build, is not\n"
    "fit for it.\n"};

static void say(void *context, const char *line)
{
    char words[2048]; /* a server has a say in it */

    (void)context;
    hf_text_harmless(line, words, sizeof words);
    fprintf(settings.json ? stderr : stdout, "%s\n", words);
    (void)fflush(settings.json ? stderr : stdout); /* a failure is found at the end of the command */
}

static int copy_path(const char *from, char *into, size_t size, const char *name, struct hf_error *error)
{
    if (from == NULL || snprintf(into, size, "%s", from) < (int)size)
        return HF_OK;
    return hf_fail(error, HF_E_RANGE, "%s: longer than %zu bytes", name, size - 1);
}

/* The server of the command line, else of the run's profile. */
static int find_server(const char *directory, struct hf_profile_upload *ret_server, struct hf_error *error)
{
    struct hf_profile *profile;
    char path[PATH_MAX];

    if (settings.server != NULL) {
        const char *problem = hf_profile_url_problem(settings.server);

        *ret_server = (struct hf_profile_upload){.silence_s = 60};
        if (problem != NULL)
            return hf_fail(error, HF_E_USAGE, "--server: %s", problem);
        if (copy_path(settings.server, ret_server->url, sizeof ret_server->url, "--server", error) != HF_OK ||
            copy_path(settings.token_file, ret_server->token_file, sizeof ret_server->token_file,
                      "--token-file", error) != HF_OK)
            return error->code;
        return copy_path(settings.ca_file, ret_server->ca_file, sizeof ret_server->ca_file, "--ca-file",
                         error);
    }
    if (settings.token_file != NULL || settings.ca_file != NULL)
        return hf_fail(error, HF_E_USAGE, "--token-file and --ca-file go with --server");
    if (snprintf(path, sizeof path, "%s/profile.json", directory) >= (int)sizeof path)
        return hf_fail(error, HF_E_RANGE, "--run: the path is too long");
    if (hf_profile_read(path, &profile, error) != HF_OK)
        return error->code;
    *ret_server = profile->upload;
    hf_profile_free(profile);
    if (ret_server->url[0] == '\0')
        return hf_fail(error, HF_E_USAGE, "the run's profile names no server (upload.url): add --server URL");
    return HF_OK;
}

/* What the queue says; the exit status that belongs to it. */
static int show(const char *directory, struct hf_error *error)
{
    struct hf_upload_queue *queue;
    struct hf_json_writer writer;
    struct hf_text text;
    int left;

    if (hf_upload_queue_open(directory, 1, &queue, error) != HF_OK)
        return 0;
    left = hf_upload_queue_count(queue) - hf_upload_queue_count_of(queue, HF_UPLOAD_SENT);
    hf_text_init(&text, 4 * 1024 * 1024);
    if (settings.json) {
        hf_json_begin(&writer, &text, 2);
        hf_json_object_open(&writer, NULL);
        hf_json_string(&writer, "run", directory);
        hf_upload_queue_json(queue, &writer);
        hf_json_object_close(&writer);
        hf_text_add_string(&text, "\n");
    } else {
        hf_upload_queue_text(queue, &text);
    }
    printf("%s", text.bytes);
    hf_text_release(&text);
    hf_upload_queue_close(queue);
    return left == 0 ? 0 : 3;
}

static int upload(const char *directory, struct hf_error *error)
{
    struct hf_sending sending = {.directory = directory,
                                 .limit_s = settings.for_s > 0 ? settings.for_s : 600,
                                 .patient = 1,
                                 .retry = settings.retry,
                                 .say = say};

    if (!hf_upload_is_built())
        return hf_fail(
            error, HF_E_MISSING,
            "this build cannot upload: it was made without HOLDFAST_UPLOAD (libcurl); copy the run "
            "directory instead");
    if (find_server(directory, &sending.server, error) != HF_OK)
        return error->code;
    return hf_send(&sending, error);
}

int hf_command_upload(int argc, char **argv)
{
    struct hf_error error = {0};
    char directory[PATH_MAX];
    int status;

    if (hf_options_parse(&usage, argc, argv, &status))
        return status;
    if (settings.list && (settings.retry || settings.server != NULL || settings.for_s > 0))
        (void)hf_fail(&error, HF_E_USAGE, "--list sends nothing: leave --retry, --server and --for out");
    else
        (void)hf_session_directory(settings.run, settings.profile, directory, sizeof directory, &error);
    if (error.code == HF_OK && !settings.list)
        (void)upload(directory, &error);
    status = error.code == HF_OK ? show(directory, &error) : 0;
    return error.code == HF_OK ? hf_command_end("upload", status) : hf_command_fail("upload", &error);
}
