/* The only door to the allocator: zeroed memory, or NULL. Everything else in src may not call malloc. */
#ifndef HOLDFAST_BASE_MEMORY_H
#define HOLDFAST_BASE_MEMORY_H

#include <stddef.h>

void *hf_allocate(size_t count, size_t size);
void *hf_reallocate(void *memory, size_t size); /* not zeroed */
void hf_free(void *memory);

#endif
