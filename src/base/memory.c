#include "base/memory.h"

#include <stdlib.h>

void *hf_allocate(size_t count, size_t size)
{
    return calloc(count, size);
}

void *hf_reallocate(void *memory, size_t size)
{
    return realloc(memory, size);
}

void hf_free(void *memory)
{
    free(memory);
}
