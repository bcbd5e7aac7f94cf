/*
 * exp and ln over whole rows, several cells at once. Plain arithmetic without any call of the library: the
 * same bits on every machine of one instruction set, which a replayed belief relies on.
 *
 * Accuracy: 1e-14 relative (exp), 1e-14 absolute (ln of what lies within e^+-1), else relative; a test holds
 * them against the library. exp: arguments are held within +-700. ln: arguments must be normal and above 0.
 */
#ifndef HOLDFAST_PLAN_VECTOR_MATH_H
#define HOLDFAST_PLAN_VECTOR_MATH_H

#include <stdint.h>
#include <string.h>

#define VECTOR_WIDTH 2 /* what every x86-64 and aarch64 has; arrays are padded to a multiple of it */

typedef double vector_double __attribute__((vector_size(VECTOR_WIDTH * sizeof(double))));
typedef int64_t vector_int64 __attribute__((vector_size(VECTOR_WIDTH * sizeof(int64_t))));

static inline vector_double vector_load(const double *from)
{
    vector_double value;

    memcpy(&value, from, sizeof value);
    return value;
}

static inline vector_double vector_all(double value)
{
    const vector_double zero = {0};

    return zero + value;
}

static inline void vector_store(double *to, vector_double value)
{
    memcpy(to, &value, sizeof value);
}

/* Where mask is all ones: a, else b. */
static inline vector_double vector_select(vector_int64 mask, vector_double a, vector_double b)
{
    return (vector_double)(((vector_int64)a & mask) | ((vector_int64)b & ~mask));
}

/* 2^n times a Taylor polynomial of the rest, |rest| <= ln(2)/2: the 13th term is below 1e-16. */
static inline vector_double vector_exp(vector_double x)
{
    const vector_double zero = {0};
    const vector_double round = zero + 6755399441055744.0; /* 1.5 x 2^52: adding it rounds to an integer */
    vector_double n, rest, sum;
    vector_int64 power;

    x = vector_select(x < -700.0, zero - 700.0, x);
    x = vector_select(x > 700.0, zero + 700.0, x);
    n = x * 1.4426950408889634 + round;
    power = (vector_int64)n << 52;
    n -= round;
    rest = x - n * 6.93147180369123816490e-01;
    rest -= n * 1.90821492927058770002e-10;
    sum = zero + 1.0 / 479001600.0;
    sum = sum * rest + 1.0 / 39916800.0;
    sum = sum * rest + 1.0 / 3628800.0;
    sum = sum * rest + 1.0 / 362880.0;
    sum = sum * rest + 1.0 / 40320.0;
    sum = sum * rest + 1.0 / 5040.0;
    sum = sum * rest + 1.0 / 720.0;
    sum = sum * rest + 1.0 / 120.0;
    sum = sum * rest + 1.0 / 24.0;
    sum = sum * rest + 1.0 / 6.0;
    sum = sum * rest + 0.5;
    sum = sum * rest + 1.0;
    sum = sum * rest + 1.0;
    return (vector_double)((vector_int64)sum + power);
}

/* x = 2^n m, m within sqrt(1/2) and sqrt(2); ln m = 2 artanh((m - 1) / (m + 1)), whose series ends at 1e-17.
 */
static inline vector_double vector_log(vector_double x)
{
    const vector_double zero = {0};
    const vector_int64 whole = {0};
    vector_int64 bits = (vector_int64)x + 0x95f6199ba0cc8LL; /* carries into the exponent from sqrt(2) on */
    vector_int64 exponent = (vector_int64)(((vector_int64)(bits >> 52)) | (whole + 0x4330000000000000LL));
    vector_double n = (vector_double)exponent - (4503599627370496.0 + 1023.0);
    vector_double m = (vector_double)(((vector_int64)x) - ((bits & (whole + 0x7ff0000000000000LL)) -
                                                           (whole + 0x3ff0000000000000LL)));
    vector_double s = (m - 1.0) / (m + 1.0);
    vector_double square = s * s;
    vector_double sum = zero + 1.0 / 19.0;

    sum = sum * square + 1.0 / 17.0;
    sum = sum * square + 1.0 / 15.0;
    sum = sum * square + 1.0 / 13.0;
    sum = sum * square + 1.0 / 11.0;
    sum = sum * square + 1.0 / 9.0;
    sum = sum * square + 1.0 / 7.0;
    sum = sum * square + 1.0 / 5.0;
    sum = sum * square + 1.0 / 3.0;
    sum = sum * square + 1.0;
    return n * 6.93147180369123816490e-01 + (2.0 * s * sum + n * 1.90821492927058770002e-10);
}

#endif
