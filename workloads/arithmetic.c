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

static struct hf_affine affine_then_mod(struct hf_affine first, struct hf_affine second, uint64_t prime)
{
    hf_u128 increment = (hf_u128)second.multiplier * first.increment + second.increment;

    return (struct hf_affine){hf_multiply_mod(second.multiplier, first.multiplier, prime),
                              (uint64_t)(increment % prime)};
}

struct hf_affine hf_affine_power_mod(struct hf_affine map, uint64_t times, uint64_t prime)
{
    struct hf_affine result = {1, 0};

    assert(map.multiplier < prime && map.increment < prime);
    for (; times != 0; times >>= 1) {
        if (times & 1)
            result = affine_then_mod(result, map, prime);
        map = affine_then_mod(map, map, prime);
    }
    return result;
}
