/*
 * vector-integer with AVX-512: rotations in one instruction, 32 vector registers at every width. See
 * vector_integer_vector.h.
 */
#include "workloads/kernels/vector_integer.h"
#include "workloads/features.h"
#include "workloads/kernels/entries.h"
#include "workloads/kernels/intrinsics.h"

/* No constants. */
struct no_rotations {
    uint64_t flaw;
};

#define WIDTH                128
#define IN_REGISTERS         1
#define LIMIT                "issue of vector add, exclusive or, rotate and shuffle"
#define ISA                  "avx512"
#define NEEDS                HF_FEATURE_AVX512
#define BURST                100
#define ENTRY_NAME           hf_avx512_vector_integer_128
#define VECTOR               __m128i
#define VECTOR_WORDS         2
#define V_LOAD(p)            _mm_load_si128((const __m128i *)(const void *)(p))
#define V_STORE(p, v)        _mm_store_si128((__m128i *)(void *)(p), (v))
#define V_ADD(a, b)          _mm_add_epi32((a), (b))
#define V_XOR(a, b)          _mm_xor_si128((a), (b))
#define V_SHUFFLE(a, p)      _mm_shuffle_epi32((a), (p))
#define V_OPAQUE(v)          __asm__ volatile("" : "+v"(v))
#define ROTATIONS            struct no_rotations
#define ROTATIONS_SET()      ((struct no_rotations){0})
#define ROTATIONS_CHANGED(r) ((r).flaw)
#define V_ROTATE_16(a, r)    _mm_rol_epi32((a), 16)
#define V_ROTATE_12(a, r)    _mm_rol_epi32((a), 12)
#define V_ROTATE_8(a, r)     _mm_rol_epi32((a), 8)
#define V_ROTATE_7(a, r)     _mm_rol_epi32((a), 7)
#define ROW_OPERATIONS       30
#include "workloads/kernels/vector_integer_vector.h"

#define WIDTH                256
#define IN_REGISTERS         1
#define LIMIT                "issue of vector add, exclusive or, rotate and shuffle"
#define ISA                  "avx512"
#define NEEDS                HF_FEATURE_AVX512
#define BURST                100
#define ENTRY_NAME           hf_avx512_vector_integer_256
#define VECTOR               __m256i
#define VECTOR_WORDS         4
#define V_LOAD(p)            _mm256_load_si256((const __m256i *)(const void *)(p))
#define V_STORE(p, v)        _mm256_store_si256((__m256i *)(void *)(p), (v))
#define V_ADD(a, b)          _mm256_add_epi32((a), (b))
#define V_XOR(a, b)          _mm256_xor_si256((a), (b))
#define V_SHUFFLE(a, p)      _mm256_shuffle_epi32((a), (p))
#define V_OPAQUE(v)          __asm__ volatile("" : "+v"(v))
#define ROTATIONS            struct no_rotations
#define ROTATIONS_SET()      ((struct no_rotations){0})
#define ROTATIONS_CHANGED(r) ((r).flaw)
#define V_ROTATE_16(a, r)    _mm256_rol_epi32((a), 16)
#define V_ROTATE_12(a, r)    _mm256_rol_epi32((a), 12)
#define V_ROTATE_8(a, r)     _mm256_rol_epi32((a), 8)
#define V_ROTATE_7(a, r)     _mm256_rol_epi32((a), 7)
#define ROW_OPERATIONS       30
#include "workloads/kernels/vector_integer_vector.h"

#define WIDTH                512
#define IN_REGISTERS         1
#define LIMIT                "issue of vector add, exclusive or, rotate and shuffle"
#define ISA                  "avx512"
#define NEEDS                HF_FEATURE_AVX512
#define BURST                100
#define ENTRY_NAME           hf_avx512_vector_integer_512
#define VECTOR               __m512i
#define VECTOR_WORDS         8
#define V_LOAD(p)            _mm512_load_si512((const __m512i *)(const void *)(p))
#define V_STORE(p, v)        _mm512_store_si512((__m512i *)(void *)(p), (v))
#define V_ADD(a, b)          _mm512_add_epi32((a), (b))
#define V_XOR(a, b)          _mm512_xor_si512((a), (b))
#define V_SHUFFLE(a, p)      _mm512_shuffle_epi32((a), (_MM_PERM_ENUM)(p))
#define V_OPAQUE(v)          __asm__ volatile("" : "+v"(v))
#define ROTATIONS            struct no_rotations
#define ROTATIONS_SET()      ((struct no_rotations){0})
#define ROTATIONS_CHANGED(r) ((r).flaw)
#define V_ROTATE_16(a, r)    _mm512_rol_epi32((a), 16)
#define V_ROTATE_12(a, r)    _mm512_rol_epi32((a), 12)
#define V_ROTATE_8(a, r)     _mm512_rol_epi32((a), 8)
#define V_ROTATE_7(a, r)     _mm512_rol_epi32((a), 7)
#define ROW_OPERATIONS       30
#include "workloads/kernels/vector_integer_vector.h"
