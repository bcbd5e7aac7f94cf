/*
 * Memory for a secret: one fixed piece of address space that no core file holds (MADV_DONTDUMP), that no
 * child inherits (MADV_DONTFORK), that is not swapped out where the limits allow (mlock), and of which every
 * block is zeroed when it is given back. libcurl's allocations all lie in it, so its copies of the token do,
 * too.
 */
#ifndef HOLDFAST_OUTPUT_UPLOAD_SECRET_H
#define HOLDFAST_OUTPUT_UPLOAD_SECRET_H

#include <stddef.h>

#include "holdfast/error.h"

#define HF_SECRET_BYTES ((size_t)4 * 1024 * 1024) /* of all blocks together */
#define HF_TOKEN_MAX    4096                      /* bytes, with the NUL */

/* Maps the memory; done once. HF_E_MEMORY. */
int hf_secret_begin(struct hf_error *error);

/* As the C library's, from any thread; NULL when the memory is used up. */
void *hf_secret_allocate(size_t size);
void hf_secret_free(void *memory);
void *hf_secret_reallocate(void *memory, size_t size);
void *hf_secret_zeroed(size_t count, size_t size);
char *hf_secret_copy(const char *string);

size_t hf_secret_used(void); /* bytes in blocks that were not given back; 0 when all were */

/* The token of the file, in secret memory: release with hf_secret_free(). The file must be a plain one of
 * this user's (or root's) that nobody else may read or write (mode 0600): HF_E_PERMISSION. One line of the
 * characters of RFC 6750's b64token: HF_E_INPUT, which does not repeat it. */
int hf_secret_read_token(const char *path, char **ret_token, struct hf_error *error);

#endif
