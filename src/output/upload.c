/*
 * The uploader: libcurl's multi interface, one file at a time, on a libuv loop.
 *
 *            wake / retry timer                    answer, failure
 *   IDLE ------------------------> SENDING ---------------------------> IDLE
 *     \                              |  begin_transfer()  end_transfer()
 *      `--- hf_uploader_close() -----'---> CLOSING (handles) ---> freed in on_closed()
 *
 * Invariants
 *  1. easy != NULL exactly while a file is on its way: then fd >= 0, `file` and `digest` say what is sent.
 *  2. libcurl asks for sockets and times through on_socket_wanted() and on_time_wanted(); nothing here
 * blocks: names are looked up in libcurl's own thread, files come from the page cache.
 *  3. What an attempt came to is on disk (the queue) before the next one begins. A queue that cannot be
 * written stops the uploader for this session (`stopped`), never the run.
 *  4. After hf_uploader_close() nothing of the owner is touched: neither queue nor callbacks.
 */
#include "holdfast/upload.h"

#ifdef HOLDFAST_UPLOAD

#include <assert.h>
#include <curl/curl.h>
#include <errno.h>
#include <fcntl.h>
#include <math.h>
#include <netinet/in.h>
#include <stdio.h>
#include <string.h>
#include <unistd.h>
#include <uv.h>

#include "base/memory.h"
#include "holdfast/clock.h"
#include "holdfast/random.h"
#include "output/upload_private.h"
#include "output/upload_secret.h"

#define CONNECT_LIMIT_S 30L
#define FIRST_WAIT_S    2.0
#define WAIT_MAX_S      900.0
#define ASKED_MAX_S     86400.0 /* of a Retry-After */
#define DOUBLINGS_MAX   16

struct hf_uploader {
    uv_loop_t *loop;
    uv_timer_t curl_timer;  /* libcurl's */
    uv_timer_t retry_timer; /* until the next file is due */
    int open_timers;
    struct hf_upload_queue *queue;
    struct hf_upload_options options;
    char url[512], token_file[256], ca_file[256];
    struct hf_random random;
    int closing, stopped;

    CURLM *multi;
    CURL *easy;
    struct curl_slist *headers;
    char problem[CURL_ERROR_SIZE];
    char file[HF_UPLOAD_NAME_MAX];
    char digest[HF_SHA256_HEX];
    uint64_t bytes, read_bytes;
    struct hf_sha256 sha; /* of what was read */
    int fd;
    int file_changed; /* what was read is not what was queued */
};

/* A socket of libcurl's. */
struct peer {
    uv_poll_t poll;
    struct hf_uploader *uploader;
    curl_socket_t socket;
};

static void begin_transfer(struct hf_uploader *uploader);
static void end_transfer(struct hf_uploader *uploader, CURLcode result);

int hf_upload_is_built(void)
{
    return 1;
}

static void say(const struct hf_uploader *uploader, const char *words)
{
    char line[512];

    if (uploader->options.say == NULL)
        return;
    (void)snprintf(line, sizeof line, "upload: %s", words);
    uploader->options.say(uploader->options.context, line);
}

/* --- libcurl on the loop
 * ------------------------------------------------------------------------------------ */

static void read_messages(struct hf_uploader *uploader)
{
    CURLMsg *message;
    int left;

    while ((message = curl_multi_info_read(uploader->multi, &left)) != NULL) {
        if (message->msg == CURLMSG_DONE && message->easy_handle == uploader->easy)
            end_transfer(uploader, message->data.result);
    }
    if (uploader->easy == NULL && !uploader->closing)
        begin_transfer(uploader);
}

static void on_ready(uv_poll_t *poll, int status, int events)
{
    struct peer *peer = poll->data;
    struct hf_uploader *uploader = peer->uploader;
    int flags = 0;
    int running;

    if (status < 0)
        flags = CURL_CSELECT_ERR;
    if (events & UV_READABLE)
        flags |= CURL_CSELECT_IN;
    if (events & UV_WRITABLE)
        flags |= CURL_CSELECT_OUT;
    (void)curl_multi_socket_action(uploader->multi, peer->socket, flags, &running); /* may end the peer */
    read_messages(uploader);
}

static void on_curl_timer(uv_timer_t *timer)
{
    struct hf_uploader *uploader = timer->data;
    int running;

    (void)curl_multi_socket_action(uploader->multi, CURL_SOCKET_TIMEOUT, 0, &running);
    read_messages(uploader);
}

static int on_time_wanted(CURLM *multi, long wait_ms, void *context)
{
    struct hf_uploader *uploader = context;

    (void)multi;
    if (uploader->closing)
        return 0;
    if (wait_ms < 0)
        (void)uv_timer_stop(&uploader->curl_timer);
    else /* 0 means soon: libcurl must not be called from inside itself */
        (void)uv_timer_start(&uploader->curl_timer, on_curl_timer, wait_ms == 0 ? 1 : (uint64_t)wait_ms, 0);
    return 0;
}

static void free_peer(uv_handle_t *handle)
{
    hf_free(handle->data);
}

static struct peer *new_peer(struct hf_uploader *uploader, curl_socket_t socket)
{
    struct peer *peer = hf_allocate(1, sizeof *peer);

    if (peer == NULL)
        return NULL;
    peer->uploader = uploader;
    peer->socket = socket;
    if (uv_poll_init_socket(uploader->loop, &peer->poll, socket) != 0) {
        hf_free(peer);
        return NULL;
    }
    peer->poll.data = peer;
    if (!uploader->options.keeps_loop)
        uv_unref((uv_handle_t *)&peer->poll);
    (void)curl_multi_assign(uploader->multi, socket, peer);
    return peer;
}

static int on_socket_wanted(CURL *easy, curl_socket_t socket, int what, void *context, void *socket_context)
{
    struct hf_uploader *uploader = context;
    struct peer *peer = socket_context;
    int events = 0;

    (void)easy;
    if (what == CURL_POLL_REMOVE) {
        if (peer != NULL) {
            (void)uv_poll_stop(&peer->poll);
            uv_close((uv_handle_t *)&peer->poll, free_peer);
            (void)curl_multi_assign(uploader->multi, socket, NULL);
        }
        return 0;
    }
    if (peer == NULL && (peer = new_peer(uploader, socket)) == NULL)
        return -1;
    if (what != CURL_POLL_IN)
        events |= UV_WRITABLE;
    if (what != CURL_POLL_OUT)
        events |= UV_READABLE;
    return uv_poll_start(&peer->poll, events, on_ready) == 0 ? 0 : -1;
}

/* --- what libcurl reads, and where to it connects
 * ----------------------------------------------------------- */

static int is_loopback(const struct sockaddr *address)
{
    if (address->sa_family == AF_INET)
        return ntohl(((const struct sockaddr_in *)(const void *)address)->sin_addr.s_addr) >> 24 == 127;
    return address->sa_family == AF_INET6 &&
           IN6_IS_ADDR_LOOPBACK(&((const struct sockaddr_in6 *)(const void *)address)->sin6_addr);
}

/* Closed at exec from birth. Plain http: whatever the name was resolved to, only this machine. */
static curl_socket_t open_socket(void *context, curlsocktype purpose, struct curl_sockaddr *address)
{
    struct hf_uploader *uploader = context;

    (void)purpose;
    if (strncmp(uploader->url, "http://", 7) == 0 && !is_loopback(&address->addr))
        return CURL_SOCKET_BAD;
    return socket(address->family, address->socktype | SOCK_CLOEXEC, address->protocol);
}

/* The last piece goes only when all of it was what was queued: else the server gets less than announced. */
static size_t read_file(char *bytes, size_t size, size_t count, void *context)
{
    struct hf_uploader *uploader = context;
    uint64_t left = uploader->bytes - uploader->read_bytes;
    size_t wanted = left < size * count ? (size_t)left : size * count;
    char digest[HF_SHA256_HEX];
    ssize_t got;

    if (wanted == 0)
        return 0;
    do
        got = pread(uploader->fd, bytes, wanted, (off_t)uploader->read_bytes);
    while (got < 0 && errno == EINTR);
    if (got > 0) {
        hf_sha256_update(&uploader->sha, bytes, (size_t)got);
        uploader->read_bytes += (uint64_t)got;
    }
    if (got > 0 && uploader->read_bytes < uploader->bytes)
        return (size_t)got;
    if (got > 0) {
        struct hf_sha256 sha = uploader->sha;

        hf_sha256_finish(&sha, digest);
        if (strcmp(digest, uploader->digest) == 0)
            return (size_t)got;
    }
    uploader->file_changed = 1;
    return CURL_READFUNC_ABORT;
}

/* libcurl begins anew when a kept connection turns out to be closed. */
static int rewind_file(void *context, curl_off_t offset, int origin)
{
    struct hf_uploader *uploader = context;

    if (origin != SEEK_SET || offset != 0)
        return CURL_SEEKFUNC_CANTSEEK;
    uploader->read_bytes = 0;
    hf_sha256_init(&uploader->sha);
    return CURL_SEEKFUNC_OK;
}

/* What the server says beside its status is not kept: it might repeat the token. */
static size_t drop(char *bytes, size_t size, size_t count, void *context)
{
    (void)bytes;
    (void)context;
    return size * count;
}

/* --- a transfer
 * --------------------------------------------------------------------------------------------- */

static int add_header(struct hf_uploader *uploader, const char *header)
{
    struct curl_slist *longer = curl_slist_append(uploader->headers, header);

    if (longer == NULL)
        return -1;
    uploader->headers = longer;
    return 0;
}

#define SET(option, value)                                                                                   \
    do {                                                                                                     \
        if (curl_easy_setopt(uploader->easy, (option), (value)) != CURLE_OK)                                 \
            return hf_fail(error, HF_E_MISSING, "this libcurl refuses the option " #option);                 \
    } while (0)

static int set_connection(struct hf_uploader *uploader, struct hf_error *error)
{
    int is_tls = strncmp(uploader->url, "https://", 8) == 0;
    double silence_s = uploader->options.silence_s > 0 ? uploader->options.silence_s : 60;

    SET(CURLOPT_PROTOCOLS_STR, is_tls ? "https" : "http");
    SET(CURLOPT_HTTP_VERSION, (long)CURL_HTTP_VERSION_1_1);
    SET(CURLOPT_FOLLOWLOCATION, 0L);
    SET(CURLOPT_PROXY, ""); /* straight to the server: no proxy sees the token */
    SET(CURLOPT_NETRC, (long)CURL_NETRC_IGNORED);
    SET(CURLOPT_NOSIGNAL, 1L);
    SET(CURLOPT_SSL_VERIFYPEER, 1L);
    SET(CURLOPT_SSL_VERIFYHOST, 2L);
    SET(CURLOPT_SSLVERSION, (long)CURL_SSLVERSION_TLSv1_2);
    if (uploader->ca_file[0] != '\0') {
        SET(CURLOPT_CAINFO, uploader->ca_file);
        SET(CURLOPT_CAPATH, NULL); /* the given authorities instead of the system's, not beside them */
    }
    SET(CURLOPT_CONNECTTIMEOUT, silence_s < CONNECT_LIMIT_S ? (long)ceil(silence_s) : CONNECT_LIMIT_S);
    SET(CURLOPT_LOW_SPEED_LIMIT, 1L);
    SET(CURLOPT_LOW_SPEED_TIME, (long)ceil(silence_s));
    SET(CURLOPT_OPENSOCKETFUNCTION, open_socket);
    SET(CURLOPT_OPENSOCKETDATA, uploader);
    SET(CURLOPT_ERRORBUFFER, uploader->problem);
    return HF_OK;
}

static int set_content(struct hf_uploader *uploader, struct hf_error *error)
{
    char header[HF_UPLOAD_DIGEST_HEADER];
    struct hf_text url;

    hf_upload_url(uploader->url, hf_upload_queue_place(uploader->queue), uploader->file, &url);
    if (url.overflowed || curl_easy_setopt(uploader->easy, CURLOPT_URL, url.bytes) != CURLE_OK)
        (void)hf_fail(error, HF_E_RANGE, "the address is too long");
    hf_text_release(&url);
    if (error->code != HF_OK)
        return error->code;
    hf_upload_digest_header(uploader->digest, header);
    if (add_header(uploader, header) != 0 ||
        add_header(uploader, hf_upload_content_type(uploader->file)) != 0)
        return hf_fail(error, HF_E_MEMORY, "no memory for the headers");
    SET(CURLOPT_HTTPHEADER, uploader->headers);
    SET(CURLOPT_UPLOAD, 1L);
    SET(CURLOPT_INFILESIZE_LARGE, (curl_off_t)uploader->bytes);
    SET(CURLOPT_READFUNCTION, read_file);
    SET(CURLOPT_READDATA, uploader);
    SET(CURLOPT_SEEKFUNCTION, rewind_file);
    SET(CURLOPT_SEEKDATA, uploader);
    SET(CURLOPT_WRITEFUNCTION, drop);
    return HF_OK;
}

static int set_token(struct hf_uploader *uploader, struct hf_error *error)
{
    char *token = NULL;
    CURLcode result;

    if (uploader->token_file[0] == '\0')
        return HF_OK;
    if (hf_secret_read_token(uploader->token_file, &token, error) != HF_OK)
        return error->code;
    SET(CURLOPT_HTTPAUTH, (long)CURLAUTH_BEARER);
    result = curl_easy_setopt(uploader->easy, CURLOPT_XOAUTH2_BEARER, token); /* libcurl takes a copy */
    hf_secret_free(token);
    return result == CURLE_OK ? HF_OK : hf_fail(error, HF_E_MEMORY, "no memory for the token");
}

static void release_transfer(struct hf_uploader *uploader)
{
    if (uploader->easy != NULL) {
        (void)curl_multi_remove_handle(uploader->multi, uploader->easy);
        curl_easy_cleanup(uploader->easy);
    }
    curl_slist_free_all(uploader->headers);
    if (uploader->fd >= 0)
        (void)close(uploader->fd);
    uploader->easy = NULL;
    uploader->headers = NULL;
    uploader->fd = -1;
}

static int start(struct hf_uploader *uploader, int index, struct hf_error *error)
{
    const struct hf_upload_item *item = hf_upload_queue_at(uploader->queue, index);

    (void)snprintf(uploader->file, sizeof uploader->file, "%s", item->file);
    (void)snprintf(uploader->digest, sizeof uploader->digest, "%s", item->digest);
    uploader->bytes = item->bytes;
    uploader->read_bytes = 0;
    uploader->file_changed = 0;
    uploader->problem[0] = '\0';
    hf_sha256_init(&uploader->sha);
    uploader->fd = hf_upload_queue_open_file(uploader->queue, index);
    if (uploader->fd < 0) {
        uploader->file_changed = 1;
        return hf_fail_errno(error, errno, "cannot open what was queued");
    }
    uploader->easy = curl_easy_init();
    if (uploader->easy == NULL)
        return hf_fail(error, HF_E_MEMORY, "no memory for a transfer");
    if (set_connection(uploader, error) != HF_OK || set_content(uploader, error) != HF_OK ||
        set_token(uploader, error) != HF_OK)
        return error->code;
    if (curl_multi_add_handle(uploader->multi, uploader->easy) != CURLM_OK)
        return hf_fail(error, HF_E_MEMORY, "libcurl does not take the transfer");
    return HF_OK;
}

/* --- what became of it
 * -------------------------------------------------------------------------------------- */

/* "full jitter" between half the wait and all of it: many machines that lost one server come back spread out.
 */
static double wait_of(struct hf_uploader *uploader, int attempts, double asked_s)
{
    double first_s = uploader->options.first_wait_s > 0 ? uploader->options.first_wait_s : FIRST_WAIT_S;
    double wait_s = fmin(ldexp(first_s, attempts < DOUBLINGS_MAX ? attempts : DOUBLINGS_MAX), WAIT_MAX_S);

    return fmax(wait_s * (0.5 + 0.5 * hf_random_uniform(&uploader->random)), fmin(asked_s, ASKED_MAX_S));
}

/* The queue cannot be written: nothing is sent any more in this session, and the run goes on. */
static void stop(struct hf_uploader *uploader, const struct hf_error *error)
{
    uploader->stopped = 1;
    say(uploader, error->message);
}

static void keep_failure(struct hf_uploader *uploader, int answer, const char *reason, int park,
                         double asked_s)
{
    int index = hf_upload_queue_find(uploader->queue, uploader->file);
    const struct hf_upload_item *item = hf_upload_queue_at(uploader->queue, index);
    double wait_s = wait_of(uploader, item->attempts, asked_s);
    int64_t next_ns = hf_clock_wall_ns(&hf_clock_real) + (int64_t)(wait_s * 1e9);
    int is_news = item->attempts == 0 || park || strcmp(item->reason, reason) != 0;
    struct hf_error error = {0};
    char words[400];

    if (park)
        (void)snprintf(words, sizeof words, "%s is parked: %s; holdfast upload --retry tries it again",
                       uploader->file, reason);
    else
        (void)snprintf(words, sizeof words, "%s was not sent: %s; again in %.0f s", uploader->file, reason,
                       ceil(wait_s));
    if (uploader->file_changed)
        (void)hf_upload_queue_requeue(uploader->queue, index, &error);
    if (error.code == HF_OK)
        (void)hf_upload_queue_failed(uploader->queue, index, answer, reason, park, next_ns, &error);
    if (error.code != HF_OK)
        stop(uploader, &error);
    else if (is_news)
        say(uploader, words);
}

static void keep_success(struct hf_uploader *uploader, int answer)
{
    int index = hf_upload_queue_find(uploader->queue, uploader->file);
    struct hf_error error = {0};
    char words[400];

    (void)snprintf(words, sizeof words, "%s was sent, %llu bytes: %d", uploader->file,
                   (unsigned long long)uploader->bytes, answer);
    if (hf_upload_queue_sent(uploader->queue, index, uploader->digest, answer,
                             hf_clock_wall_ns(&hf_clock_real), &error) != HF_OK)
        stop(uploader, &error);
    else
        say(uploader, words);
}

static void judge_answer(struct hf_uploader *uploader, int answer, double asked_s)
{
    char reason[HF_UPLOAD_REASON_MAX];
    int again = answer == 408 || answer == 429 || answer >= 500;

    if (answer >= 200 && answer < 300) {
        keep_success(uploader, answer);
        return;
    }
    if (answer >= 300 && answer < 400)
        (void)snprintf(reason, sizeof reason,
                       "the server answered %d: redirects are refused; name the place "
                       "itself in the profile",
                       answer);
    else if (answer == 401 || answer == 403)
        (void)snprintf(reason, sizeof reason, "the server answered %d: it does not accept the token", answer);
    else if (answer == 413)
        (void)snprintf(reason, sizeof reason, "the server answered 413: %llu bytes are too many for it",
                       (unsigned long long)uploader->bytes);
    else
        (void)snprintf(reason, sizeof reason, "the server answered %d", answer);
    keep_failure(uploader, answer, reason, !again, asked_s);
}

static void judge_failure(struct hf_uploader *uploader, CURLcode result, int answer)
{
    char reason[HF_UPLOAD_REASON_MAX];

    if (uploader->file_changed)
        (void)snprintf(reason, sizeof reason, "what was read is not what was queued; it is queued anew");
    else if (result == CURLE_COULDNT_CONNECT && strncmp(uploader->url, "http://", 7) == 0 &&
             strncmp(uploader->problem, "Couldn't open socket", 8) == 0)
        (void)snprintf(reason, sizeof reason, "plain http goes to this machine only");
    else
        (void)snprintf(reason, sizeof reason, "%s",
                       uploader->problem[0] != '\0' ? uploader->problem : curl_easy_strerror(result));
    keep_failure(uploader, answer, reason, 0, 0);
}

static void end_transfer(struct hf_uploader *uploader, CURLcode result)
{
    curl_off_t asked_s = 0;
    long answer = 0;

    (void)curl_easy_getinfo(uploader->easy, CURLINFO_RESPONSE_CODE, &answer);
    (void)curl_easy_getinfo(uploader->easy, CURLINFO_RETRY_AFTER, &asked_s);
    release_transfer(uploader);
    /* A server may answer no and close before it has read everything: the answer counts. */
    if (result == CURLE_OK || answer >= 300)
        judge_answer(uploader, (int)answer, (double)asked_s);
    else
        judge_failure(uploader, result, (int)answer);
}

/* --- one after the other
 * ------------------------------------------------------------------------------------ */

static void on_retry_timer(uv_timer_t *timer)
{
    begin_transfer(timer->data);
}

static void begin_transfer(struct hf_uploader *uploader)
{
    while (uploader->easy == NULL && !uploader->stopped && !uploader->closing) {
        struct hf_error error = {0};
        double wait_s;
        int index = hf_upload_queue_due(uploader->queue, hf_clock_wall_ns(&hf_clock_real), &wait_s);

        if (index < 0) {
            if (isfinite(wait_s))
                (void)uv_timer_start(&uploader->retry_timer, on_retry_timer, (uint64_t)(wait_s * 1e3) + 1, 0);
            break;
        }
        if (start(uploader, index, &error) == HF_OK)
            return;
        release_transfer(uploader);
        keep_failure(uploader, 0, error.message, 0, 0);
    }
    if (uploader->easy == NULL && !uploader->closing && uploader->options.idle != NULL)
        uploader->options.idle(uploader->options.context);
}

void hf_uploader_wake(struct hf_uploader *uploader)
{
    assert(!uploader->closing);
    if (uploader->easy == NULL && !uploader->stopped) /* from the loop: not from inside the caller */
        (void)uv_timer_start(&uploader->retry_timer, on_retry_timer, 0, 0);
}

/* --- beginning and end
 * -------------------------------------------------------------------------------------- */

static int copy(char *into, size_t size, const char *from, const char *what, struct hf_error *error)
{
    if (snprintf(into, size, "%s", from != NULL ? from : "") < (int)size)
        return HF_OK;
    return hf_fail(error, HF_E_RANGE, "the %s is longer than %zu bytes", what, size - 1);
}

static int copy_options(struct hf_uploader *uploader, const struct hf_upload_options *options,
                        struct hf_error *error)
{
    const char *problem = hf_profile_url_problem(options->url);
    char *token = NULL;

    if (problem != NULL)
        return hf_fail(error, HF_E_INPUT, "the server's address %s", problem);
    uploader->options = *options;
    if (copy(uploader->url, sizeof uploader->url, options->url, "server's address", error) != HF_OK ||
        copy(uploader->token_file, sizeof uploader->token_file, options->token_file, "token file's path",
             error) != HF_OK ||
        copy(uploader->ca_file, sizeof uploader->ca_file, options->ca_file, "path of the authorities",
             error) != HF_OK)
        return error->code;
    if (uploader->ca_file[0] != '\0' && access(uploader->ca_file, R_OK) != 0)
        return hf_fail_errno(error, errno, "cannot read the authorities in %s", uploader->ca_file);
    if (uploader->token_file[0] == '\0')
        return HF_OK;
    if (hf_secret_read_token(uploader->token_file, &token, error) == HF_OK)
        hf_secret_free(token);
    return error->code;
}

static int begin_curl(struct hf_uploader *uploader, struct hf_error *error)
{
    static int begun;

    if (hf_secret_begin(error) != HF_OK)
        return error->code;
    if (!begun && curl_global_init_mem(CURL_GLOBAL_DEFAULT, hf_secret_allocate, hf_secret_free,
                                       hf_secret_reallocate, hf_secret_copy, hf_secret_zeroed) != CURLE_OK)
        return hf_fail(error, HF_E_MISSING, "libcurl cannot be used");
    begun = 1;
    uploader->multi = curl_multi_init();
    if (uploader->multi == NULL)
        return hf_fail(error, HF_E_MEMORY, "no memory for libcurl");
    (void)curl_multi_setopt(uploader->multi, CURLMOPT_SOCKETFUNCTION, on_socket_wanted);
    (void)curl_multi_setopt(uploader->multi, CURLMOPT_SOCKETDATA, uploader);
    (void)curl_multi_setopt(uploader->multi, CURLMOPT_TIMERFUNCTION, on_time_wanted);
    (void)curl_multi_setopt(uploader->multi, CURLMOPT_TIMERDATA, uploader);
    return HF_OK;
}

static void begin_timers(struct hf_uploader *uploader)
{
    uv_timer_t *timers[2] = {&uploader->curl_timer, &uploader->retry_timer};

    for (int i = 0; i < 2; i++) {
        (void)uv_timer_init(uploader->loop, timers[i]); /* cannot fail */
        timers[i]->data = uploader;
        if (!uploader->options.keeps_loop)
            uv_unref((uv_handle_t *)timers[i]);
    }
    uploader->open_timers = 2;
}

int hf_uploader_new(struct uv_loop_s *loop, struct hf_upload_queue *queue,
                    const struct hf_upload_options *options, struct hf_uploader **ret_uploader,
                    struct hf_error *error)
{
    struct hf_uploader *uploader = hf_allocate(1, sizeof *uploader);

    if (uploader == NULL)
        return hf_fail(error, HF_E_MEMORY, "no memory for the uploader");
    uploader->loop = loop;
    uploader->queue = queue;
    uploader->fd = -1;
    hf_random_init(&uploader->random, (uint64_t)hf_clock_wall_ns(&hf_clock_real), (uint64_t)getpid());
    if (copy_options(uploader, options, error) != HF_OK || begin_curl(uploader, error) != HF_OK) {
        hf_free(uploader);
        return error->code;
    }
    begin_timers(uploader);
    hf_uploader_wake(uploader);
    *ret_uploader = uploader;
    return HF_OK;
}

static void on_closed(uv_handle_t *handle)
{
    struct hf_uploader *uploader = handle->data;

    if (--uploader->open_timers == 0)
        hf_free(uploader);
}

void hf_uploader_close(struct hf_uploader *uploader)
{
    if (uploader == NULL)
        return;
    assert(!uploader->closing);
    uploader->closing = 1;
    release_transfer(uploader);
    (void)curl_multi_cleanup(uploader->multi); /* gives the sockets back through on_socket_wanted() */
    uploader->multi = NULL;
    uv_close((uv_handle_t *)&uploader->curl_timer, on_closed);
    uv_close((uv_handle_t *)&uploader->retry_timer, on_closed);
}

#endif
