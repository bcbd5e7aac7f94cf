/* Comparison of doubles, with cmocka and what it wants included before it. */
#ifndef TESTS_NEAR_H
#define TESTS_NEAR_H

#include <math.h>
#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>
#include <stdint.h>

#include <cmocka.h>

/* cmocka's own comparison is one of floats. Prints both sides. */
#define assert_near(value, wanted, tolerance)                                                                \
    do {                                                                                                     \
        double value_ = (value), wanted_ = (wanted);                                                         \
        if (!(fabs(value_ - wanted_) <= (tolerance)))                                                        \
            fail_msg("%s is %.17g, wanted %.17g within %g", #value, value_, wanted_, (double)(tolerance));   \
    } while (0)

#endif
