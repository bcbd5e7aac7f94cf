/* The compiler's vector intrinsics. Their header brings an allocator along that base/banned.h would trip
 * over. */
#ifndef HOLDFAST_WORKLOADS_INTRINSICS_H
#define HOLDFAST_WORKLOADS_INTRINSICS_H

#pragma push_macro("malloc")
#undef malloc
#include <immintrin.h>
#pragma pop_macro("malloc")

#endif
