#include "holdfast/random.h"

#include <assert.h>
#include <math.h>

uint64_t hf_mix64(uint64_t word)
{
    word ^= word >> 30;
    word *= UINT64_C(0xbf58476d1ce4e5b9);
    word ^= word >> 27;
    word *= UINT64_C(0x94d049bb133111eb);
    return word ^ (word >> 31);
}

static uint64_t rotate_left(uint64_t word, int bits)
{
    return (word << bits) | (word >> (64 - bits));
}

void hf_random_init(struct hf_random *random, uint64_t seed, uint64_t stream)
{
    uint64_t counter = hf_mix64(seed ^ hf_mix64(stream + UINT64_C(0x9e3779b97f4a7c15)));

    for (int i = 0; i < 4; i++) {
        counter += UINT64_C(0x9e3779b97f4a7c15);
        random->state[i] = hf_mix64(counter);
    }
    if ((random->state[0] | random->state[1] | random->state[2] | random->state[3]) == 0)
        random->state[0] = 1;
}

uint64_t hf_random_u64(struct hf_random *random)
{
    uint64_t *s = random->state;
    uint64_t result = rotate_left(s[1] * 5, 7) * 9;
    uint64_t shifted = s[1] << 17;

    s[2] ^= s[0];
    s[3] ^= s[1];
    s[1] ^= s[2];
    s[0] ^= s[3];
    s[2] ^= shifted;
    s[3] = rotate_left(s[3], 45);
    return result;
}

uint64_t hf_random_below(struct hf_random *random, uint64_t bound)
{
    uint64_t threshold;
    uint64_t word;

    assert(bound >= 1);
    threshold = (0 - bound) % bound; /* 2^64 mod bound: words below it would favour small results */
    do {
        word = hf_random_u64(random);
    } while (word < threshold);
    return word % bound;
}

double hf_random_uniform(struct hf_random *random)
{
    return ((double)(hf_random_u64(random) >> 11) + 0.5) * 0x1p-53;
}

double hf_random_exponential(struct hf_random *random)
{
    return -log(hf_random_uniform(random));
}

double hf_random_normal(struct hf_random *random)
{
    double radius = sqrt(2.0 * hf_random_exponential(random));

    return radius * cos(6.283185307179586 * hf_random_uniform(random));
}
