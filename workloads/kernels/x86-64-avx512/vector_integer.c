/* vector-integer at 512 bit: AVX-512F, rotations in one instruction. See vector_integer_vector.h. */
#include "workloads/kernels/vector_integer.h"
#include "workloads/features.h"
#include "workloads/kernels/entries.h"
#include "workloads/kernels/intrinsics.h"

/* No constants. */
struct no_rotations {
    uint64_t flaw;
};

#define WIDTH                512
#define TOGETHER             7
#define ISA                  "avx512"
#define NEEDS                HF_FEATURE_AVX512
#define BURST                180
#define ENTRY_NAME           hf_avx512_vector_integer_512
#define VECTOR               __m512i
#define VECTOR_WORDS         8
#define V_LOAD(p)            _mm512_load_si512(p)
#define V_STORE(p, v)        _mm512_store_si512((p), (v))
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
