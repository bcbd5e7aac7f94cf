/*
 * Upload: a run's certificates, report and journal go to a server of the user's own, by HTTPS PUT.
 *
 * Two halves. The queue says on disk what is to be sent (files only; always built). The uploader sends it
 * with libcurl's multi interface on a libuv loop that is handed in (HOLDFAST_UPLOAD; hf_upload_is_built()).
 *
 * Calling order: hf_upload_queue_open(), hf_upload_queue_add_run() whenever there is something new,
 * hf_uploader_new() on a loop, hf_uploader_wake() after each addition; at the end hf_uploader_close(), let
 * the loop run until it has nothing left, hf_upload_queue_close().
 *
 * What is sent: PUT <url>/<machine>/<run identity>/<file>, with Content-Digest (RFC 9530) and, when there is
 * a token file, a bearer token (RFC 6750). Sending the same bytes twice does no harm and does not happen:
 * what the server has accepted is known by its digest.
 *
 * The answer decides: 2xx sent; 408, 429, 5xx, and whatever went wrong on the way: tried again, after a wait
 * that doubles from 2 s to 15 min, with jitter, and never before the server's Retry-After; any other answer,
 * redirects with it: parked, until a person says `holdfast upload --retry`.
 *
 * The token is read from its file for each transfer, into memory that no core file holds and that is zeroed
 * when it is given back (upload_secret.h); libcurl's own copies lie there, too.
 */
#ifndef HOLDFAST_UPLOAD_H
#define HOLDFAST_UPLOAD_H

#include <stdint.h>

#include "holdfast/checksum.h"
#include "holdfast/error.h"
#include "holdfast/event.h"
#include "holdfast/json.h"
#include "holdfast/profile.h"

struct uv_loop_s;

/* --- the queue: DIR/upload/queue.json, and copies of what changes while it waits ----------------------- */

#define HF_UPLOAD_NAME_MAX   192
#define HF_UPLOAD_REASON_MAX 256
#define HF_UPLOAD_ITEMS_MAX  1024 /* files of a run; more are refused */

enum hf_upload_state {
    HF_UPLOAD_SENT,    /* nothing waits: the server has what was last queued */
    HF_UPLOAD_WAITING, /* to be sent, or to be tried again at next_wall_ns */
    HF_UPLOAD_PARKED   /* a person decides */
};

const char *hf_upload_state_name(enum hf_upload_state state); /* "sent", "waiting", "parked" */

/* One file. The journal only grows: its first `bytes` bytes are what is sent; of any other file a copy. */
struct hf_upload_item {
    char file[HF_UPLOAD_NAME_MAX]; /* in the run directory */
    enum hf_upload_state state;
    uint64_t bytes;                  /* of what was last queued */
    char digest[HF_SHA256_HEX];      /* and its SHA-256 */
    char sent_digest[HF_SHA256_HEX]; /* of what the server has; "": nothing */
    int64_t queued_wall_ns;
    int64_t next_wall_ns;              /* not before; 0: at once */
    int64_t sent_wall_ns;              /* 0: never */
    int attempts;                      /* since it was queued or retried */
    int answer;                        /* HTTP status of the last attempt; 0: there was none */
    char reason[HF_UPLOAD_REASON_MAX]; /* of the last failure; "" */
};

struct hf_upload_queue;

/* Opens the queue of a run, which is made when it is not there. HF_E_BUSY: another process is sending this
 * run's evidence. A queue that cannot be read is moved aside (queue.damaged) and begun anew: what was sent is
 * sent again, which does no harm. `read_only`: a look, without the lock; no queue yet is an empty one. */
int hf_upload_queue_open(const char *directory, int read_only, struct hf_upload_queue **ret_queue,
                         struct hf_error *error);
void hf_upload_queue_close(struct hf_upload_queue *queue); /* NULL is allowed */

/* Names the server that the queue is for, before anything is added. Another one than before has nothing yet:
 * what the one before was sent is queued anew with the next addition. */
int hf_upload_queue_for(struct hf_upload_queue *queue, const char *url, struct hf_error *error);

/* Queues what the run directory holds now: certificates, report.html, the journal. What the server has
 * already, and what waits already, is left alone; a newer version takes the place of one that waits; what is
 * parked stays parked. On disk when it returns. */
int hf_upload_queue_add_run(struct hf_upload_queue *queue, struct hf_error *error);

/* Parked files wait again, and waiting ones are due. */
int hf_upload_queue_retry(struct hf_upload_queue *queue, struct hf_error *error);

int hf_upload_queue_count(const struct hf_upload_queue *queue);
int hf_upload_queue_count_of(const struct hf_upload_queue *queue, enum hf_upload_state state);
const struct hf_upload_item *hf_upload_queue_at(const struct hf_upload_queue *queue, int index);

/* A line per file for a person; an object with the array "files". */
void hf_upload_queue_text(const struct hf_upload_queue *queue, struct hf_text *text);
void hf_upload_queue_json(const struct hf_upload_queue *queue, struct hf_json_writer *writer);

/* --- the uploader ----------------------------------------------------------------------------------------
 */

int hf_upload_is_built(void);

struct hf_upload_options {
    const char *url;        /* checked with hf_profile_url_problem() */
    const char *token_file; /* "" or NULL: no token is sent */
    const char *ca_file;    /* "" or NULL: the system's authorities */
    double silence_s;       /* 0: 60 */
    double first_wait_s;    /* before the second attempt; 0: 2; tests use less */
    int keeps_loop;         /* 1: the loop goes on while something waits; 0: it ends without regard to that */
    /* A line per outcome, for a person; may be NULL. */
    void (*say)(void *context, const char *line);
    /* Nothing is on its way, and nothing is due at once; may be NULL. */
    void (*idle)(void *context);
    void *context;
};

struct hf_uploader;

/* Starts with what waits. The queue must outlive it; strings are copied. HF_E_MISSING without
 * HOLDFAST_UPLOAD; HF_E_PERMISSION: the token file may be read by others. */
int hf_uploader_new(struct uv_loop_s *loop, struct hf_upload_queue *queue,
                    const struct hf_upload_options *options, struct hf_uploader **ret_uploader,
                    struct hf_error *error);

/* Something was queued. */
void hf_uploader_wake(struct hf_uploader *uploader);

/* Stops what is on its way; it stays queued. The memory is given back in a later turn of the loop. NULL is
 * allowed. */
void hf_uploader_close(struct hf_uploader *uploader);

#endif
