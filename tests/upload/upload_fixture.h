/*
 * Shared by the upload tests: a small run directory; the server of server.c as a process; an uploader that is
 * driven until something is true. The token is never held in clear: it stands here xor 0x55, so that a search
 * of memory for it finds only what the uploader left.
 */
#ifndef HOLDFAST_TESTS_UPLOAD_FIXTURE_H
#define HOLDFAST_TESTS_UPLOAD_FIXTURE_H

#include "unit/record/record_fixture.h"

#include <signal.h>
#include <sys/wait.h>
#include <time.h>
#include <uv.h>

#include "holdfast/clock.h"
#include "holdfast/upload.h"

#define MASK       0x55
#define TOKEN_SIZE 40

static unsigned char masked_token[TOKEN_SIZE];

__attribute__((unused)) static void token_make(uint64_t seed)
{
    static const char letters[] = "ABCDEFGHIJKLMNOPQRSTUVWXYZabcdefghijklmnopqrstuvwxyz0123456789-._~+/";

    for (int i = 0; i < TOKEN_SIZE; i++) {
        seed = seed * UINT64_C(6364136223846793005) + UINT64_C(1442695040888963407);
        masked_token[i] = (unsigned char)(letters[(seed >> 33) % (sizeof letters - 1)] ^ MASK);
    }
}

__attribute__((unused)) static void token_write(const char *directory, const char *name, mode_t mode)
{
    int fd = open(file_path(directory, name), O_WRONLY | O_CREAT | O_TRUNC | O_CLOEXEC, 0600);

    assert_true(fd >= 0);
    for (int i = 0; i < TOKEN_SIZE; i++) {
        char byte = (char)(masked_token[i] ^ MASK);

        assert_int_equal(write(fd, &byte, 1), 1);
    }
    assert_int_equal(write(fd, "\n", 1), 1);
    assert_int_equal(fchmod(fd, mode), 0);
    (void)close(fd);
}

/* How often the token, or at least its first half, stands in the bytes. */
__attribute__((unused)) static int token_count(const unsigned char *bytes, size_t size)
{
    int count = 0;

    for (size_t at = 0; at + TOKEN_SIZE / 2 <= size; at++) {
        int same = 0;

        while (same < TOKEN_SIZE / 2 && (bytes[at + (size_t)same] ^ MASK) == masked_token[same])
            same++;
        count += same == TOKEN_SIZE / 2;
    }
    return count;
}

__attribute__((unused)) static double seconds(void)
{
    return (double)hf_clock_monotonic_ns(&hf_clock_real) * 1e-9;
}

__attribute__((unused)) static void pause_ms(long ms)
{
    struct timespec time = {ms / 1000, ms % 1000 * 1000000};

    (void)nanosleep(&time, NULL);
}

/* --- a run ------------------------------------------------------------------------------------------------
 */

#define IDENTITY "0x1122334455667788"

/* A journal of `notes` notes, a report, two certificates. */
__attribute__((unused)) static void run_make(char directory[PATH_MAX], int notes)
{
    struct hf_error error = {0};
    struct hf_profile *profile = small_profile_new();
    struct hf_journal_file_ops ops = quick_ops();
    struct hf_run_options options = {
        .profile = profile,
        .journal = {.boot_id = BOOT_A, .file_ops = &ops, .salt = FIXED_SALT, .reserve_bytes = 65536}};
    struct hf_run *run;

    scratch_make(directory);
    assert_ok(hf_run_open(directory, &options, &run, &error));
    for (int i = 0; i < notes; i++) {
        hf_json_string(hf_run_begin_record(run, HF_RECORD_NOTE), "text", "the tide is high");
        assert_ok(hf_run_end_record(run, &error));
        if (i % 100 == 99)
            assert_ok(hf_journal_commit(run->journal, &error));
    }
    assert_ok(hf_journal_commit(run->journal, &error));
    hf_run_close(run);
    hf_profile_free(profile);
    file_write(directory, "report.html", "<html>report 1</html>", 21);
    file_write(directory, "certificate-g%C3%A4.json", "{\"g\":1}", 7);
    file_write(directory, "certificate-g%C3%A4.html", "<html>g</html>", 14);
}

/* --- the server -------------------------------------------------------------------------------------------
 */

struct server {
    pid_t pid;
    char folder[PATH_MAX];
    int port;
};

__attribute__((unused)) static void server_stop(struct server *server)
{
    if (server->pid > 0) {
        (void)kill(server->pid, SIGKILL);
        (void)waitpid(server->pid, NULL, 0);
    }
    server->pid = 0;
}

/* answers: words with blanks between; tls, token: file or NULL; port 0: any. */
__attribute__((unused)) static void server_start(struct server *server, const char *folder, const char *tls,
                                                 const char *token, int port, const char *answers)
{
    char *arguments[40] = {(char *)(uintptr_t)HOLDFAST_UPLOAD_SERVER, (char *)(uintptr_t) "--folder",
                           (char *)(uintptr_t)folder};
    static char words[1000], port_text[16];
    int count = 3;
    size_t size;
    char *text;

    if (tls != NULL) {
        arguments[count++] = (char *)(uintptr_t) "--tls";
        arguments[count++] = (char *)(uintptr_t)tls;
    }
    if (token != NULL) {
        arguments[count++] = (char *)(uintptr_t) "--token";
        arguments[count++] = (char *)(uintptr_t)token;
    }
    (void)snprintf(port_text, sizeof port_text, "%d", port);
    arguments[count++] = (char *)(uintptr_t) "--port";
    arguments[count++] = port_text;
    (void)snprintf(words, sizeof words, "%s", answers);
    for (char *word = strtok(words, " "); word != NULL && count < 38; word = strtok(NULL, " "))
        arguments[count++] = word;
    (void)snprintf(server->folder, sizeof server->folder, "%s", folder);
    (void)unlink(file_path(folder, "port"));
    (void)unlink(file_path(folder, "log"));
    server->pid = fork();
    assert_true(server->pid >= 0);
    if (server->pid == 0) {
        (void)execv(arguments[0], arguments);
        _exit(127);
    }
    for (int tries = 0; (text = file_read(folder, "port", &size)) == NULL; tries++) {
        assert_true(tries < 500);
        pause_ms(20);
    }
    server->port = atoi(text);
    free(text);
}

/* How many lines of its log hold the words. */
__attribute__((unused)) static int server_saw(const struct server *server, const char *words)
{
    size_t size;
    char *text = file_read(server->folder, "log", &size);
    int count = 0;

    if (text == NULL)
        return 0;
    for (char *line = strtok(text, "\n"); line != NULL; line = strtok(NULL, "\n"))
        count += strstr(line, words) != NULL;
    free(text);
    return count;
}

/* The named file as the server has it equals the first `size` bytes of the run's file (all of them: -1). */
__attribute__((unused)) static void server_has(const struct server *server, const char *stored,
                                               const char *directory, const char *file)
{
    size_t want_size, got_size;
    char folder[PATH_MAX + 8];
    char *want = file_read(directory, file, &want_size);
    char *got;

    (void)snprintf(folder, sizeof folder, "%s/store", server->folder);
    got = file_read(folder, stored, &got_size);
    if (want == NULL || got == NULL || want_size != got_size || memcmp(want, got, want_size) != 0)
        fail_msg("%s: the server has %zu bytes, the run %zu", stored, got_size, want_size);
    free(want);
    free(got);
}

/* --- sending ----------------------------------------------------------------------------------------------
 */

struct sending {
    uv_loop_t loop;
    uv_timer_t watch;
    struct hf_upload_queue *queue;
    struct hf_uploader *uploader;
    int (*over)(struct sending *sending);
    double limit_s;
    char said[4000];
};

__attribute__((unused)) static void sending_say(void *context, const char *line)
{
    struct sending *sending = context;
    size_t used = strlen(sending->said);

    (void)snprintf(sending->said + used, sizeof sending->said - used, "%s\n", line);
}

__attribute__((unused)) static void sending_end(struct sending *sending)
{
    hf_uploader_close(sending->uploader);
    uv_close((uv_handle_t *)&sending->watch, NULL);
}

__attribute__((unused)) static void sending_look(uv_timer_t *timer)
{
    struct sending *sending = timer->data;

    if (sending->over(sending) || seconds() > sending->limit_s)
        sending_end(sending);
}

__attribute__((unused)) static int nothing_waits(struct sending *sending)
{
    return hf_upload_queue_count_of(sending->queue, HF_UPLOAD_WAITING) == 0;
}

__attribute__((unused)) static int something_failed(struct sending *sending)
{
    for (int i = 0; i < hf_upload_queue_count(sending->queue); i++) {
        if (hf_upload_queue_at(sending->queue, i)->attempts > 0)
            return 1;
    }
    return 0;
}

/* Sends what waits until `over` says so; fails the test after limit_s. */
__attribute__((unused)) static void send_until(struct sending *sending, const struct hf_upload_options *given,
                                               double limit_s, int (*over)(struct sending *sending))
{
    struct hf_upload_options options = *given;
    struct hf_error error = {0};

    sending->over = over;
    sending->limit_s = seconds() + limit_s;
    sending->said[0] = '\0';
    options.say = sending_say;
    options.context = sending;
    if (options.first_wait_s <= 0)
        options.first_wait_s = 0.05;
    assert_int_equal(uv_loop_init(&sending->loop), 0);
    assert_ok(hf_uploader_new(&sending->loop, sending->queue, &options, &sending->uploader, &error));
    (void)uv_timer_init(&sending->loop, &sending->watch);
    sending->watch.data = sending;
    (void)uv_timer_start(&sending->watch, sending_look, 5, 5);
    (void)uv_run(&sending->loop, UV_RUN_DEFAULT);
    assert_int_equal(uv_loop_close(&sending->loop), 0);
    if (!over(sending))
        fail_msg("not over after %g s; it said: %s", limit_s, sending->said);
}

__attribute__((unused)) static const struct hf_upload_item *item_named(const struct hf_upload_queue *queue,
                                                                       const char *file)
{
    for (int i = 0; i < hf_upload_queue_count(queue); i++) {
        if (strcmp(hf_upload_queue_at(queue, i)->file, file) == 0)
            return hf_upload_queue_at(queue, i);
    }
    fail_msg("%s is not in the queue", file);
    return NULL;
}

#endif
