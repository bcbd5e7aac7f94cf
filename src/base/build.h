/* How this program was built, for the record: evidence names it beside the version. */
#ifndef HOLDFAST_BASE_BUILD_H
#define HOLDFAST_BASE_BUILD_H

/* "gcc 12.2.0, x86-64": compiler, its version, machine; the same for the same build. */
const char *hf_build_words(void);

#endif
