#include "base/build.h"

#define WORDS(x)  #x
#define NUMBER(x) WORDS(x)

#if defined(__clang__)
#define COMPILER "clang " NUMBER(__clang_major__) "." NUMBER(__clang_minor__) "." NUMBER(__clang_patchlevel__)
#elif defined(__GNUC__)
#define COMPILER "gcc " NUMBER(__GNUC__) "." NUMBER(__GNUC_MINOR__) "." NUMBER(__GNUC_PATCHLEVEL__)
#else
#define COMPILER "unknown compiler"
#endif

#if defined(__x86_64__)
#define MACHINE ", x86-64"
#elif defined(__aarch64__)
#define MACHINE ", aarch64"
#else
#define MACHINE ""
#endif

#ifdef HOLDFAST_SANITIZED
#define CHECKED ", sanitizers"
#else
#define CHECKED ""
#endif

const char *hf_build_words(void)
{
    return COMPILER MACHINE CHECKED;
}
