/*
 * Calls that may not be used in src and workloads. The build includes this header before every file; a banned
 * call becomes an undeclared identifier whose name says what to use instead.
 *   strings: hf_text or snprintf      time: hf_time_format, gmtime_r      memory: base/memory.h
 */
#ifndef HOLDFAST_BASE_BANNED_H
#define HOLDFAST_BASE_BANNED_H

/* Headers that legitimately mention the names come first. */
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <time.h>

#undef strcpy
#undef strcat
#undef strncpy
#undef strncat
#undef strtok
#undef sprintf
#undef vsprintf
#define strcpy(...)    strcpy_is_banned_use_snprintf
#define strcat(...)    strcat_is_banned_use_hf_text
#define strncpy(...)   strncpy_is_banned_use_snprintf
#define strncat(...)   strncat_is_banned_use_hf_text
#define strtok(...)    strtok_is_banned
#define sprintf(...)   sprintf_is_banned_use_snprintf
#define vsprintf(...)  vsprintf_is_banned_use_vsnprintf
#define gmtime(...)    gmtime_is_banned_use_hf_time_format
#define localtime(...) localtime_is_banned_use_hf_time_format
#define ctime(...)     ctime_is_banned_use_hf_time_format
#define asctime(...)   asctime_is_banned_use_hf_time_format
#define rand(...)      rand_is_banned_use_hf_random
#define srand(...)     srand_is_banned_use_hf_random
#define system(...)    system_is_banned_use_uv_spawn
#define popen(...)     popen_is_banned_use_uv_spawn
#define sleep(...)     sleep_is_banned_the_loop_waits
#define usleep(...)    usleep_is_banned_the_loop_waits

#ifndef HOLDFAST_MAY_ALLOCATE
#define malloc(...)  malloc_is_banned_use_hf_allocate
#define calloc(...)  calloc_is_banned_use_hf_allocate
#define realloc(...) realloc_is_banned_use_hf_reallocate
#define strdup(...)  strdup_is_banned_use_hf_text
#define strndup(...) strndup_is_banned_use_hf_text
#endif

#endif
