/*
 * matrix-byte at 512 bit: products of bytes summed four at a time in 32 bits (VNNI). See matrix.h.
 *
 * The panel's bytes are residues in [0, p), A's are balanced; p = 251, so 512 products stay below 2^24, where
 * single precision holds whole numbers exactly: the reduction goes through it. The quotient is wrong by at
 * most 2^-7, so where it lies next to half a whole number the remainder may be 126 or -126, and is a residue
 * all the same; beyond that it is a flaw.
 */
#include "workloads/features.h"
#include "workloads/kernels/intrinsics.h"
#include "workloads/kernels/matrix.h"

#define ROWS          8
#define VECTORS       2
#define COLUMNS       32
#define PRIME         251
#define END           126
#define MAGIC         0x1.8p23f
#define LIMIT_VECTORS 20

/* Not the intrinsic: gcc 12 copies the sum to and fro around it. */
#define MULTIPLY_ADD(sum, unsigned_bytes, signed_bytes)                                                      \
    __asm__("vpdpbusd %2, %1, %0" : "+v"(sum) : "v"(unsigned_bytes), "v"(signed_bytes))

HF_MATRIX_FUNCTIONS(hf_matrix_byte_512, HF_MATRIX_VECTOR)

struct constants {
    __m512 p, inverse, magic;
};

struct extremes {
    __m512 high, low;
};

/* In [0, p). */
HF_INLINE __m512i reduced(__m512i sum, const struct constants *k, struct extremes *extremes)
{
    __m512 number = _mm512_cvtepi32_ps(sum);
    __m512 q = _mm512_sub_ps(_mm512_fmadd_ps(number, k->inverse, k->magic), k->magic);
    __m512 rest = _mm512_fnmadd_ps(q, k->p, number);
    __m512i whole = _mm512_cvtps_epi32(rest);

    extremes->high = _mm512_max_ps(extremes->high, rest);
    extremes->low = _mm512_min_ps(extremes->low, rest);
    return _mm512_add_epi32(whole, _mm512_and_si512(_mm512_srai_epi32(whole, 31), _mm512_set1_epi32(PRIME)));
}

HF_INLINE void turn(struct hf_matrix_state *state, const uint8_t *store, int n, const struct constants *k,
                    struct extremes *extremes)
{
    uint64_t blocks = (uint64_t)(n / ROWS);
    uint64_t block = state->turns % blocks;
    uint64_t panel = state->turns / blocks % 2;
    const uint8_t *x = state->panels + panel * HF_MATRIX_SIZE_MAX * COLUMNS;
    uint8_t *y = state->panels + (1 - panel) * HF_MATRIX_SIZE_MAX * COLUMNS + block * ROWS * COLUMNS;
    const int32_t *a = (const int32_t *)(const void *)(store + block * (uint64_t)n * ROWS);
    __m512i sum[ROWS][VECTORS];

    HF_UNROLL
    for (int row = 0; row < ROWS; row++) {
        HF_UNROLL
        for (int v = 0; v < VECTORS; v++)
            sum[row][v] = _mm512_setzero_si512();
    }
    for (int left = n / 4; left > 0; left--) {
        __m512i in[VECTORS];

        HF_UNROLL
        for (int v = 0; v < VECTORS; v++)
            in[v] = _mm512_load_si512(x + v * 64);
        HF_UNROLL
        for (int row = 0; row < ROWS; row++) {
            __m512i factor = _mm512_set1_epi32(a[row]);

            HF_UNROLL
            for (int v = 0; v < VECTORS; v++)
                MULTIPLY_ADD(sum[row][v], in[v], factor);
        }
        x += 4 * COLUMNS;
        a += ROWS;
    }
    HF_UNROLL
    for (int row = 0; row < ROWS; row += 4) {
        HF_UNROLL
        for (int v = 0; v < VECTORS; v++) {
            __m512i bytes = reduced(sum[row][v], k, extremes);

            HF_UNROLL
            for (int i = 1; i < 4; i++)
                bytes = _mm512_or_si512(
                    bytes, _mm512_slli_epi32(reduced(sum[row + i][v], k, extremes), (unsigned)(8 * i)));
            _mm512_store_si512(y + row * COLUMNS + v * 64, bytes);
        }
    }
    state->turns++;
}

HF_INLINE uint64_t flaw_of(const struct constants *k, const struct extremes *extremes)
{
    float lane[5][16] __attribute__((aligned(64)));
    uint64_t flaw = 0;

    _mm512_store_ps(lane[0], extremes->high);
    _mm512_store_ps(lane[1], extremes->low);
    _mm512_store_ps(lane[2], k->p);
    _mm512_store_ps(lane[3], k->inverse);
    _mm512_store_ps(lane[4], k->magic);
    for (int i = 0; i < 16; i++)
        flaw |= (uint64_t)(lane[0][i] > END) | (uint64_t)(lane[1][i] < -END) |
                (uint64_t)(lane[2][i] != (float)PRIME) | (uint64_t)(lane[3][i] != 1.0F / (float)PRIME) |
                (uint64_t)(lane[4][i] != MAGIC);
    return flaw;
}

HF_KERNEL_CODE static void advance_byte(void *opaque_state, uint64_t steps)
{
    struct hf_matrix_state *state = opaque_state;
    const uint8_t *store = hf_matrix_store(HF_MATRIX_BYTE, HF_MATRIX_VECTOR, ROWS, state->size);
    struct constants k = {_mm512_set1_ps((float)PRIME), _mm512_set1_ps(1.0F / (float)PRIME),
                          _mm512_set1_ps(MAGIC)};
    struct extremes extremes = {_mm512_setzero_ps(), _mm512_setzero_ps()};
    const int n = hf_matrix_size(state->size);
    uint64_t up = 0;
    uint64_t down = steps;

    __asm__ volatile("" : "+v"(k.p), "+v"(k.inverse), "+v"(k.magic));
    while (store != NULL && up < steps && down != 0) {
        for (int left = HF_MATRIX_SIZE_MAX / n; left > 0; left--)
            turn(state, store, n, &k, &extremes);
        up++;
        down--;
        HF_OPAQUE(down);
    }
    state->flaw |= flaw_of(&k, &extremes) | (up ^ steps) | down; /* without A: no step was taken */
}

/* Independent multiply-adds of bytes and nothing else. */
static uint64_t limit_loop(uint64_t rounds)
{
    __m512i x[LIMIT_VECTORS];
    __m512i factor = _mm512_set1_epi32(0x01020304);

    __asm__ volatile("" : "+v"(factor));
    HF_UNROLL
    for (int i = 0; i < LIMIT_VECTORS; i++)
        x[i] = _mm512_set1_epi32(i);
    for (uint64_t round = 0; round < rounds; round++) {
        HF_UNROLL
        for (int i = 0; i < LIMIT_VECTORS; i++)
            MULTIPLY_ADD(x[i], factor, factor);
    }
    HF_UNROLL
    for (int i = 0; i < LIMIT_VECTORS; i++)
        __asm__ volatile("" : "+v"(x[i]));
    return rounds * LIMIT_VECTORS;
}

extern const struct hf_kernel hf_avx512_matrix_byte_512;
const struct hf_kernel hf_avx512_matrix_byte_512 = {
    .name = "matrix-byte",
    .isa = "avx512+vnni",
    .needs = HF_FEATURE_AVX512 | HF_FEATURE_VNNI,
    .width_bits = 512,
    .load_class = HF_LOAD_VECTOR_INT,
    .state_bytes = HF_MATRIX_STATE_BYTES(COLUMNS, 1),
    .live_state = HF_LIVE_VECTOR | HF_LIVE_MEMORY,
    .live_bits = HF_MATRIX_LIVE_BITS,
    .burst_steps = 40,
    .operations_per_step = HF_MATRIX_SIZE_MAX / 4.0 * ROWS * VECTORS,
    .limit = "byte multiply-add issue",
    .limit_loop = limit_loop,
    .start = hf_matrix_byte_512_start,
    .advance = advance_byte,
    .digest = hf_matrix_byte_512_digest,
    .expect = hf_matrix_byte_512_expect,
    .locate = hf_matrix_byte_512_locate,
    .plant = hf_matrix_byte_512_plant,
};
