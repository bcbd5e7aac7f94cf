/* What an upload reads of a run beside its queue: where it belongs, and the digest of a journal that grows.
 */
#ifndef HOLDFAST_OUTPUT_UPLOAD_STORE_H
#define HOLDFAST_OUTPUT_UPLOAD_STORE_H

#include <stddef.h>
#include <stdint.h>

#include "holdfast/checksum.h"
#include "holdfast/error.h"

/* "<machine>/<run identity>": the profile's name and the journal's salt. HF_E_NOT_FOUND: no run is there. */
int hf_upload_find_place(const char *directory, char *ret_place, size_t size, struct hf_error *error);

/* The first `bytes` bytes of a journal, whole lines, and the state of their SHA-256: what was hashed once is
 * not read again while the journal grows. All zero: nothing yet. */
struct hf_upload_journal {
    uint64_t bytes;
    uint64_t inode; /* another file: from the beginning */
    struct hf_sha256 sha;
};

int hf_upload_journal_digest(struct hf_upload_journal *journal, const char *path,
                             char ret_digest[HF_SHA256_HEX], struct hf_error *error);

#endif
