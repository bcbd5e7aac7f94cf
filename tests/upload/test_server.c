/* Upload against a real server process on loopback: every answer, every way to fail, and what is done about
 * it. */
#include "upload_fixture.h"

#include <math.h>
#include <sys/mman.h>
#include <sys/resource.h>

#define CERTIFICATE  "certificate-g%C3%A4.json"
#define STORED(file) "evidence_heron_" IDENTITY "_" file

static char ca_folder[PATH_MAX], server_folder[PATH_MAX], run_folder[PATH_MAX];
static char ca_file[PATH_MAX], token_file[PATH_MAX], url[128];
static struct server server;
static struct sending sending;

static char *ca_path(const char *name)
{
    static char path[4][PATH_MAX];
    static int next;
    char *into = path[next++ % 4];

    (void)snprintf(into, PATH_MAX, "%.4000s/%s", ca_folder, name);
    return into;
}

static struct hf_upload_options to_server(int tls)
{
    (void)snprintf(url, sizeof url, "%s://127.0.0.1:%d/evidence/", tls ? "https" : "http", server.port);
    return (struct hf_upload_options){
        .url = url, .token_file = token_file, .ca_file = ca_file, .silence_s = 5};
}

/* A server with the answers, and the run queued. */
static struct hf_upload_options begin(const char *certificate, const char *answers)
{
    struct hf_error error = {0};

    scratch_make(server_folder);
    run_make(run_folder, 300);
    server_start(&server, server_folder, certificate, token_file, 0, answers);
    assert_ok(hf_upload_queue_open(run_folder, 0, &sending.queue, &error));
    assert_ok(hf_upload_queue_add_run(sending.queue, &error));
    assert_int_equal(hf_upload_queue_count(sending.queue), 4);
    return to_server(certificate != NULL);
}

static int finish(void **state)
{
    (void)state;
    hf_upload_queue_close(sending.queue);
    sending.queue = NULL;
    server_stop(&server);
    scratch_remove(run_folder);
    scratch_remove(server_folder);
    return 0;
}

static int copies_left(void)
{
    DIR *folder = opendir(file_path(run_folder, "upload"));
    struct dirent *entry;
    int count = 0;

    assert_non_null(folder);
    while ((entry = readdir(folder)) != NULL)
        count += entry->d_name[0] != '.' && strcmp(entry->d_name, "queue.json") != 0;
    (void)closedir(folder);
    return count;
}

/* --- sent --- */

static void test_sent(void **state)
{
    struct hf_upload_options options = begin(ca_path("good.pem"), "201");
    struct hf_error error = {0};

    (void)state;
    send_until(&sending, &options, 10, nothing_waits);
    assert_int_equal(server_saw(&server, "digest=ok token=ok"), 4);
    assert_int_equal(server_saw(&server, ""), 4);
    server_has(&server, STORED("journal.jsonl"), run_folder, "journal.jsonl");
    server_has(&server, STORED("report.html"), run_folder, "report.html");
    server_has(&server, STORED("certificate-g%25C3%25A4.json"), run_folder, CERTIFICATE);
    assert_int_equal(copies_left(), 0);
    /* the same again: nothing is sent */
    assert_ok(hf_upload_queue_add_run(sending.queue, &error));
    send_until(&sending, &options, 10, nothing_waits);
    assert_int_equal(server_saw(&server, ""), 4);
    /* a new report: it alone */
    file_write(run_folder, "report.html", "<html>report 2</html>", 21);
    assert_ok(hf_upload_queue_add_run(sending.queue, &error));
    assert_int_equal(hf_upload_queue_count_of(sending.queue, HF_UPLOAD_WAITING), 1);
    send_until(&sending, &options, 10, nothing_waits);
    assert_int_equal(server_saw(&server, ""), 5);
    server_has(&server, STORED("report.html"), run_folder, "report.html");
}

static void test_plain_to_loopback(void **state)
{
    struct hf_upload_options options = begin(NULL, "201");

    (void)state;
    options.token_file = "";
    send_until(&sending, &options, 10, nothing_waits);
    assert_int_equal(server_saw(&server, "digest=ok token=none"), 4);
}

/* What a server repeats of the request is not kept anywhere. */
static void test_echo(void **state)
{
    struct hf_upload_options options = begin(ca_path("good.pem"), "echo:401 echo:201");
    size_t size;
    char *queue;

    (void)state;
    send_until(&sending, &options, 10, nothing_waits);
    queue = file_read(run_folder, "upload/queue.json", &size);
    assert_non_null(queue);
    assert_int_equal(token_count((unsigned char *)queue, size), 0);
    assert_int_equal(token_count((unsigned char *)sending.said, strlen(sending.said)), 0);
    free(queue);
}

/* --- tried again --- */

static void test_tried_again(void **state)
{
    struct hf_upload_options options = begin(ca_path("good.pem"), "500 502 503 408 201");

    (void)state;
    send_until(&sending, &options, 20, nothing_waits);
    assert_int_equal(hf_upload_queue_count_of(sending.queue, HF_UPLOAD_SENT), 4);
    assert_int_equal(server_saw(&server, ""), 8);
    assert_non_null(strstr(sending.said, "was not sent: the server answered 500; again in"));
}

static void check_retry_after(const char *answer, double least_s)
{
    char answers[64];
    struct hf_upload_options options;
    double began_s;

    (void)snprintf(answers, sizeof answers, "%s 201", answer);
    options = begin(ca_path("good.pem"), answers);
    began_s = seconds();
    send_until(&sending, &options, 20, nothing_waits);
    if (seconds() - began_s < least_s)
        fail_msg("%s: sent again after %.2f s", answer, seconds() - began_s);
    assert_int_equal(server_saw(&server, ""), 5);
    (void)finish(NULL);
}

static void test_retry_after(void **state)
{
    (void)state;
    check_retry_after("429:2", 2.0);
    check_retry_after("503:@3", 1.5); /* a date has whole seconds */
    begin(ca_path("good.pem"), "201");
}

static double wait_s[4];

/* Keeps the wait after each attempt. */
static int failed_four_times(struct sending *now)
{
    const struct hf_upload_item *item = item_named(now->queue, CERTIFICATE);

    if (item->attempts > 0 && item->attempts <= 4 && wait_s[item->attempts - 1] == 0)
        wait_s[item->attempts - 1] = (double)(item->next_wall_ns - hf_clock_wall_ns(&hf_clock_real)) * 1e-9;
    return item->attempts >= 4;
}

/* 0.2, 0.4, 0.8, 1.6 s, each between half of it and all (less what passed before we looked). */
static void test_backoff_grows(void **state)
{
    struct hf_upload_options options = begin(ca_path("good.pem"), "500");

    (void)state;
    options.first_wait_s = 0.2;
    send_until(&sending, &options, 30, failed_four_times);
    for (int i = 0; i < 4; i++) {
        double full_s = ldexp(0.2, i);

        if (!(wait_s[i] <= full_s + 0.001 && wait_s[i] > 0.5 * full_s - 0.5))
            fail_msg("wait %d is %.3f s of %.1f", i, wait_s[i], full_s);
    }
    assert_true(wait_s[3] > wait_s[0]);
}

static void test_refused(void **state)
{
    struct hf_upload_options options = begin(ca_path("good.pem"), "201");
    int port = server.port;

    (void)state;
    server_stop(&server);
    send_until(&sending, &options, 10, something_failed);
    assert_int_equal(hf_upload_queue_count_of(sending.queue, HF_UPLOAD_WAITING), 4);
    server_start(&server, server_folder, ca_path("good.pem"), token_file, port, "201");
    send_until(&sending, &options, 20, nothing_waits);
    assert_int_equal(hf_upload_queue_count_of(sending.queue, HF_UPLOAD_SENT), 4);
}

static void test_cut_off(void **state)
{
    struct hf_upload_options options = begin(ca_path("good.pem"), "201 201 201 cut:2000 cut:0 201");

    (void)state;
    send_until(&sending, &options, 20, nothing_waits);
    assert_int_equal(server_saw(&server, "cut:2000 bytes=2000/"), 1);
    assert_int_equal(server_saw(&server, "cut:0 bytes=0/"), 1);
    assert_int_equal(hf_upload_queue_count_of(sending.queue, HF_UPLOAD_SENT), 4);
    server_has(&server, STORED("journal.jsonl"), run_folder, "journal.jsonl");
}

/* Neither an answer nor an end: given up after the silence, and tried again. */
static void test_mute(void **state)
{
    struct hf_upload_options options = begin(ca_path("good.pem"), "mute 201");
    double began_s = seconds();

    (void)state;
    options.silence_s = 1;
    send_until(&sending, &options, 20, nothing_waits);
    assert_true(seconds() - began_s >= 1);
    assert_int_equal(server_saw(&server, "mute"), 1);
    assert_int_equal(server_saw(&server, " 201 "), 4);
}

/* Slow is not silent: a transfer that takes longer than the silence ends well. */
static void test_slow(void **state)
{
    struct hf_upload_options options;
    size_t size = 3 * 1024 * 1024;
    char *report = calloc(size, 1);
    struct hf_error error = {0};
    double began_s;

    (void)state;
    assert_non_null(report);
    options = begin(ca_path("good.pem"), "201 201 slow:15 201");
    memset(report, 'r', size);
    file_write(run_folder, "report.html", report, size);
    free(report);
    assert_ok(hf_upload_queue_add_run(sending.queue, &error));
    options.silence_s = 1;
    began_s = seconds();
    send_until(&sending, &options, 60, nothing_waits);
    assert_true(seconds() - began_s > 1.5);
    assert_int_equal(server_saw(&server, "slow:15 bytes=3145728/3145728 digest=ok"), 1);
    server_has(&server, STORED("report.html"), run_folder, "report.html");
}

/* --- parked --- */

static void check_parked(const char *answer, const char *words)
{
    struct hf_upload_options options = begin(ca_path("good.pem"), answer);
    const struct hf_upload_item *item;
    struct hf_error error = {0};
    int port = server.port;

    send_until(&sending, &options, 10, nothing_waits);
    assert_int_equal(hf_upload_queue_count_of(sending.queue, HF_UPLOAD_PARKED), 4);
    item = item_named(sending.queue, "report.html");
    if (strstr(item->reason, words) == NULL)
        fail_msg("%s: the reason is: %s", answer, item->reason);
    assert_int_equal(server_saw(&server, ""), 4);
    assert_int_equal(server_saw(&server, "/elsewhere"), 0);
    /* newer content stays parked; a person's word sends it */
    file_write(run_folder, "report.html", "<html>report 3</html>", 21);
    assert_ok(hf_upload_queue_add_run(sending.queue, &error));
    send_until(&sending, &options, 10, nothing_waits);
    assert_int_equal(server_saw(&server, ""), 4);
    server_stop(&server);
    server_start(&server, server_folder, ca_path("good.pem"), token_file, port, "201");
    assert_ok(hf_upload_queue_retry(sending.queue, &error));
    send_until(&sending, &options, 10, nothing_waits);
    assert_int_equal(hf_upload_queue_count_of(sending.queue, HF_UPLOAD_SENT), 4);
    server_has(&server, STORED("report.html"), run_folder, "report.html");
    (void)finish(NULL);
}

static void test_parked(void **state)
{
    (void)state;
    check_parked("401", "401: it does not accept the token");
    check_parked("413", "413: 21 bytes are too many for it");
    check_parked("404", "answered 404");
    check_parked("302", "302: redirects are refused");
    check_parked("307", "307: redirects are refused");
    check_parked("early:413", "413");
    begin(ca_path("good.pem"), "201");
}

/* --- the server is not who it should be --- */

/* Nothing of the request, the token least of all, may reach such a server. */
static void check_untrusted(const char *certificate, const char *words)
{
    struct hf_upload_options options = begin(certificate, "201");
    const struct hf_upload_item *item;

    send_until(&sending, &options, 10, something_failed);
    item = item_named(sending.queue, CERTIFICATE);
    assert_int_equal(hf_upload_queue_count_of(sending.queue, HF_UPLOAD_WAITING), 4);
    if (item->attempts == 0)
        item = item_named(sending.queue, "certificate-g%C3%A4.html");
    if (strstr(item->reason, words) == NULL)
        fail_msg("the reason is: %s", item->reason);
    assert_int_equal(server_saw(&server, ""), 0);
    (void)finish(NULL);
}

static void test_untrusted(void **state)
{
    (void)state;
    check_untrusted(ca_path("wrong-name.pem"), "no alternative certificate subject name matches");
    check_untrusted(ca_path("expired.pem"), "certificate has expired");
    check_untrusted(ca_path("stranger.pem"), "unable to get local issuer certificate");
    begin(ca_path("good.pem"), "201");
}

/* The system's authorities do not know ours. */
static void test_system_authorities(void **state)
{
    struct hf_upload_options options = begin(ca_path("good.pem"), "201");

    (void)state;
    options.ca_file = "";
    send_until(&sending, &options, 10, something_failed);
    assert_int_equal(server_saw(&server, ""), 0);
}

static void test_speaks_no_tls(void **state)
{
    struct hf_upload_options options = begin(NULL, "201");

    (void)state;
    (void)snprintf(url, sizeof url, "https://127.0.0.1:%d/evidence", server.port);
    options.silence_s = 1;
    send_until(&sending, &options, 10, something_failed);
    assert_int_equal(server_saw(&server, ""), 0);
}

/* --- the files --- */

/* One bit of the copy flips while it waits: the server never gets all of it, and the right one follows. */
static void test_damaged_copy(void **state)
{
    struct hf_upload_options options = begin(ca_path("good.pem"), "201");
    const struct hf_upload_item *item = item_named(sending.queue, "report.html");
    char name[64];

    (void)state;
    (void)snprintf(name, sizeof name, "upload/%.16s-report.html", item->digest);
    file_write(run_folder, name, "<html>rfport 1</html>", 21);
    send_until(&sending, &options, 20, nothing_waits);
    assert_non_null(strstr(sending.said, "what was read is not what was queued"));
    server_has(&server, STORED("report.html"), run_folder, "report.html");
    assert_int_equal(server_saw(&server, "bytes=0/21"), 1); /* announced, never sent */
    assert_int_equal(hf_upload_queue_count_of(sending.queue, HF_UPLOAD_SENT), 4);
}

static void test_lost_copy(void **state)
{
    struct hf_upload_options options = begin(ca_path("good.pem"), "201");
    const struct hf_upload_item *item = item_named(sending.queue, "report.html");
    char name[64];

    (void)state;
    (void)snprintf(name, sizeof name, "upload/%.16s-report.html", item->digest);
    assert_int_equal(unlink(file_path(run_folder, name)), 0);
    send_until(&sending, &options, 20, nothing_waits);
    server_has(&server, STORED("report.html"), run_folder, "report.html");
}

static void test_lost_token(void **state)
{
    struct hf_upload_options options = begin(ca_path("good.pem"), "201");
    struct hf_error error = {0};
    char missing[PATH_MAX];

    (void)state;
    (void)snprintf(missing, sizeof missing, "%s/none", run_folder);
    options.token_file = missing;
    assert_int_equal(uv_loop_init(&sending.loop), 0);
    assert_error(hf_uploader_new(&sending.loop, sending.queue, &options, &sending.uploader, &error),
                 HF_E_NOT_FOUND, "cannot open the token file");
    assert_int_equal(uv_loop_close(&sending.loop), 0);
}

/* --- a process of its own: secret memory is not for a fork without an exec --- */

/* This program again: sends what the run's queue holds until `mode` says otherwise. */
static pid_t child_start(const char *mode, const struct hf_upload_options *options)
{
    pid_t child = fork();

    assert_true(child >= 0);
    if (child == 0) {
        (void)execl("/proc/self/exe", "child", mode, run_folder, options->url, options->token_file,
                    options->ca_file, server_folder, (char *)NULL);
        _exit(127);
    }
    return child;
}

static int never(struct sending *now)
{
    (void)now;
    return 0;
}

static int abort_in_transfer(struct sending *now)
{
    (void)now;
    if (server_saw(&server, "201") < 1)
        return 0;
    pause_ms(200);
    abort();
}

static volatile char marker[] = "a word that a core file holds";

static int child_main(char **argv)
{
    struct hf_upload_options options = {
        .url = argv[3], .token_file = argv[4], .ca_file = argv[5], .silence_s = 20};
    struct rlimit limit = {RLIM_INFINITY, RLIM_INFINITY};
    int wants_core = strcmp(argv[1], "core") == 0;
    struct hf_error error = {0};

    marker[0] = 'A';
    (void)snprintf(server.folder, sizeof server.folder, "%s", argv[6]);
    if (marker[1] != ' ' || chdir(argv[2]) != 0 || (wants_core && setrlimit(RLIMIT_CORE, &limit) != 0))
        return 3;
    if (hf_upload_queue_open(argv[2], 0, &sending.queue, &error) == HF_OK)
        send_until(&sending, &options, 30, wants_core ? abort_in_transfer : never);
    return 1;
}

/* Killed with a transfer half done: another process goes on with what the queue says. */
static void test_killed(void **state)
{
    struct hf_upload_options options = begin(ca_path("good.pem"), "201 slow:400 201");
    struct hf_error error = {0};
    pid_t child;

    (void)state;
    hf_upload_queue_close(sending.queue);
    sending.queue = NULL;
    child = child_start("killed", &options);
    for (int tries = 0; server_saw(&server, " 201 ") < 1 && tries < 500; tries++)
        pause_ms(20);
    pause_ms(100);
    assert_int_equal(kill(child, SIGKILL), 0);
    (void)waitpid(child, NULL, 0);
    assert_ok(hf_upload_queue_open(run_folder, 0, &sending.queue, &error));
    assert_int_equal(hf_upload_queue_count_of(sending.queue, HF_UPLOAD_SENT), 1);
    assert_int_equal(hf_upload_queue_count_of(sending.queue, HF_UPLOAD_WAITING), 3);
    send_until(&sending, &options, 30, nothing_waits);
    assert_int_equal(hf_upload_queue_count_of(sending.queue, HF_UPLOAD_SENT), 4);
    server_has(&server, STORED("journal.jsonl"), run_folder, "journal.jsonl");
}

/* --- the token in memory ----------------------------------------------------------------------------------
 */

/* Every mapping of this process that a core file would hold. */
static int tokens_in_memory(void)
{
    FILE *maps = fopen("/proc/self/smaps", "r");
    int memory = open("/proc/self/mem", O_RDONLY | O_CLOEXEC);
    unsigned long from = 0, to = 0;
    char line[1000];
    int count = 0;

    assert_non_null(maps);
    assert_true(memory >= 0);
    while (fgets(line, sizeof line, maps) != NULL) {
        unsigned long a, b;
        char rights[8];

        if (sscanf(line, "%lx-%lx %7s", &a, &b, rights) == 3 && strchr(rights, '-') != NULL) {
            from = a;
            to = b;
        } else if (strncmp(line, "VmFlags:", 8) == 0 && strstr(line, " rd") != NULL &&
                   strstr(line, " dd") == NULL && to - from < (1UL << 30)) {
            unsigned char *bytes =
                mmap(NULL, to - from, PROT_READ | PROT_WRITE, MAP_PRIVATE | MAP_ANONYMOUS, -1, 0);
            long size;

            assert_ptr_not_equal(bytes, MAP_FAILED);
            size = pread(memory, bytes, to - from, (off_t)from);
            if (size > 0)
                count += token_count(bytes, (size_t)size);
            (void)munmap(bytes, to - from);
        }
    }
    (void)fclose(maps);
    (void)close(memory);
    return count;
}

static int tokens_seen, looks;

/* Looks at memory while the server has everything and says nothing. */
static int look_in_transfer(struct sending *now)
{
    (void)now;
    if (looks > 0 || server_saw(&server, "201") < 1)
        return looks > 0;
    pause_ms(200);
    looks++;
    tokens_seen += tokens_in_memory();
    return 0;
}

static void test_memory(void **state)
{
    (void)state;
    for (int tls = 0; tls < 2; tls++) {
        struct hf_upload_options options = begin(tls ? ca_path("good.pem") : NULL, "201 mute");

        tokens_seen = looks = 0;
        send_until(&sending, &options, 20, look_in_transfer);
        assert_int_equal(looks, 1);
        assert_int_equal(tokens_seen, 0);
        assert_int_equal(tokens_in_memory(), 0); /* and afterwards */
        (void)finish(NULL);
    }
    begin(ca_path("good.pem"), "201");
}

/* The look finds what it is there to find. */
static void test_memory_look(void **state)
{
    unsigned char *token = malloc(TOKEN_SIZE);

    begin(ca_path("good.pem"), "201");
    (void)state;
    assert_non_null(token);
    for (int i = 0; i < TOKEN_SIZE; i++)
        token[i] = masked_token[i] ^ MASK;
    assert_true(tokens_in_memory() > 0);
    explicit_bzero(token, TOKEN_SIZE);
    free(token);
    assert_int_equal(tokens_in_memory(), 0);
}

/* A real core file of a process in the middle of a transfer: the marker is in it, the token is not. */
static void test_core_file(void **state)
{
    struct hf_upload_options options = begin(ca_path("good.pem"), "201 mute");
    char pattern[64] = "";
    int fd = open("/proc/sys/kernel/core_pattern", O_RDONLY);
    size_t size;
    char *core;
    pid_t child;
    int status;

    (void)state;
    assert_true(fd < 0 || read(fd, pattern, sizeof pattern - 1) > 0);
    (void)close(fd);
    hf_upload_queue_close(sending.queue);
    sending.queue = NULL;
    child = child_start("core", &options);
    assert_int_equal(waitpid(child, &status, 0), child);
    assert_true(WIFSIGNALED(status) && WTERMSIG(status) == SIGABRT);
    core = file_read(run_folder, "core", &size);
    if (core == NULL)
        core = file_read(run_folder, strcmp(pattern, "core") == 0 ? "core" : "core.dump", &size);
    if (core == NULL) {
        print_message("note: no core file is written here (core_pattern %s): memory was looked at instead\n",
                      pattern);
        return;
    }
    assert_non_null(memmem(core, size, "A word that a core file holds", 29));
    assert_int_equal(token_count((unsigned char *)core, size), 0);
    free(core);
}

/* --- all of it --------------------------------------------------------------------------------------------
 */

static int set_up(void **state)
{
    char command[2 * PATH_MAX + 32];

    (void)state;
    token_make((uint64_t)hf_clock_wall_ns(&hf_clock_real));
    scratch_make(ca_folder);
    (void)snprintf(command, sizeof command, "'%s' --make-ca '%s'", HOLDFAST_UPLOAD_SERVER, ca_folder);
    assert_int_equal(system(command), 0);
    (void)snprintf(ca_file, sizeof ca_file, "%s/ca.pem", ca_folder);
    (void)snprintf(token_file, sizeof token_file, "%s/token", ca_folder);
    token_write(ca_folder, "token", 0600);
    return 0;
}

static int tear_down(void **state)
{
    (void)state;
    scratch_remove(ca_folder);
    return 0;
}

#define CASE(name) cmocka_unit_test_teardown(name, finish)

int main(int argc, char **argv)
{
    const struct CMUnitTest tests[] = {
        CASE(test_sent),          CASE(test_plain_to_loopback),
        CASE(test_tried_again),   CASE(test_retry_after),
        CASE(test_backoff_grows), CASE(test_refused),
        CASE(test_cut_off),       CASE(test_mute),
        CASE(test_slow),          CASE(test_parked),
        CASE(test_untrusted),     CASE(test_system_authorities),
        CASE(test_speaks_no_tls), CASE(test_damaged_copy),
        CASE(test_lost_copy),     CASE(test_lost_token),
        CASE(test_killed),        CASE(test_memory),
        CASE(test_memory_look),   CASE(test_core_file),
        CASE(test_echo), /* last: what a server sends back stays in the TLS library's memory (docs/upload.md)
                          */
    };

    (void)signal(SIGPIPE, SIG_IGN);
    if (argc == 7)
        return child_main(argv);
    return cmocka_run_group_tests(tests, set_up, tear_down);
}
