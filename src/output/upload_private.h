/* What the queue and the uploader share. */
#ifndef HOLDFAST_OUTPUT_UPLOAD_PRIVATE_H
#define HOLDFAST_OUTPUT_UPLOAD_PRIVATE_H

#include "holdfast/upload.h"

/* Where the server keeps the run: "<machine>/<run identity>". */
const char *hf_upload_queue_place(const struct hf_upload_queue *queue);

/* "<server>/<place>/<file>", the file percent-encoded; overflowed when it is too long. */
void hf_upload_url(const char *server, const char *place, const char *file, struct hf_text *ret_url);

/* "Content-Digest: sha-256=:...:" of a SHA-256 in hexadecimal; "Content-Type: ..." of the file's kind. */
#define HF_UPLOAD_DIGEST_HEADER 96
void hf_upload_digest_header(const char *hex, char ret_header[HF_UPLOAD_DIGEST_HEADER]);
const char *hf_upload_content_type(const char *file);

/* The file to send next: certificates before the report, the report before the journal. -1: nothing is due;
 * *ret_wait_s is then how long until something is, INFINITY when nothing waits. */
int hf_upload_queue_due(const struct hf_upload_queue *queue, int64_t wall_ns, double *ret_wait_s);

/* The index of the file's item now (additions change the order); -1: there is none. */
int hf_upload_queue_find(const struct hf_upload_queue *queue, const char *file);

/* Opens what item `index` sends. -1 and errno on failure. */
int hf_upload_queue_open_file(const struct hf_upload_queue *queue, int index);

/* What became of an attempt to send the bytes with that digest. Each is on disk when it returns. */
int hf_upload_queue_sent(struct hf_upload_queue *queue, int index, const char *digest, int answer,
                         int64_t wall_ns, struct hf_error *error);
int hf_upload_queue_failed(struct hf_upload_queue *queue, int index, int answer, const char *reason, int park,
                           int64_t next_wall_ns, struct hf_error *error);

/* The copy on disk is not what was queued: the file is queued anew. */
int hf_upload_queue_requeue(struct hf_upload_queue *queue, int index, struct hf_error *error);

#endif
