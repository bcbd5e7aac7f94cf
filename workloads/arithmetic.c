#include "workloads/arithmetic.h"

#include <assert.h>

uint64_t hf_power_mod(uint64_t base, uint64_t exponent, uint64_t prime)
{
    uint64_t result = 1;

    assert(base < prime);
    for (; exponent != 0; exponent >>= 1) {
        if (exponent & 1)
            result = hf_multiply_mod(result, base, prime);
        base = hf_multiply_mod(base, base, prime);
    }
    return result;
}

struct hf_affine hf_affine_power(struct hf_affine map, uint64_t times)
{
    struct hf_affine result = {1, 0};

    for (; times != 0; times >>= 1) {
        if (times & 1)
            result = hf_affine_then(result, map);
        map = hf_affine_then(map, map);
    }
    return result;
}
