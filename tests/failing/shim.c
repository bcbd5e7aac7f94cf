/*
 * Loaded in front of the C library into the program under test (LD_PRELOAD): makes its Nth allocation fail,
 * once or from there on, and tells the tracer (failing_calls.c) where main() is about to begin. Programs that
 * it starts do not get it.
 *
 * FAILING_ALLOCATION: "12" the twelfth; "12+" that and all after it; absent: none.
 */
#include <errno.h>
#include <stdatomic.h>
#include <stddef.h>
#include <stdlib.h>
#include <string.h>
#include <sys/syscall.h>
#include <unistd.h>

#include "failing/marks.h"

extern void *__libc_malloc(size_t size);
extern void *__libc_calloc(size_t count, size_t size);
extern void *__libc_realloc(void *memory, size_t size);

static _Atomic unsigned long count;
static unsigned long fails_at; /* 0: none */
static int for_ever;

static int fails(void)
{
    unsigned long number = ++count;

    if (fails_at == 0 || number < fails_at || (number > fails_at && !for_ever))
        return 0;
    (void)syscall(SYS_getppid, number == fails_at ? MARK_FAILED : MARK_AGAIN);
    errno = ENOMEM;
    return 1;
}

__attribute__((visibility("default"))) void *malloc(size_t size)
{
    return fails() ? NULL : __libc_malloc(size);
}

__attribute__((visibility("default"))) void *calloc(size_t members, size_t size)
{
    return fails() ? NULL : __libc_calloc(members, size);
}

__attribute__((visibility("default"))) void *realloc(void *memory, size_t size)
{
    return fails() ? NULL : __libc_realloc(memory, size);
}

__attribute__((constructor)) static void begin(void)
{
    const char *wish = getenv("FAILING_ALLOCATION");
    char *end;

    if (wish != NULL) {
        fails_at = strtoul(wish, &end, 10);
        for_ever = *end == '+';
    }
    count = 0; /* libraries were set up before */
    (void)unsetenv("LD_PRELOAD");
    (void)unsetenv("FAILING_ALLOCATION");
    (void)syscall(SYS_getppid, MARK_BEGIN);
}

__attribute__((destructor)) static void end(void)
{
    (void)syscall(SYS_getppid, MARK_COUNT, count);
}
