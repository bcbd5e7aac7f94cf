/* What the tests of src/base share. */
#ifndef HOLDFAST_TESTS_BASE_TEST_H
#define HOLDFAST_TESTS_BASE_TEST_H

#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>
#include <stdint.h>

#include <cmocka.h>

#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#include "holdfast/error.h"

/* Success, or the error's words. */
#define assert_ok(call)                                                                                      \
    do {                                                                                                     \
        int assert_ok_code = (call);                                                                         \
        if (assert_ok_code != HF_OK)                                                                         \
            fail_msg("%s: %s: %s", #call, hf_error_name(assert_ok_code), error.message);                     \
    } while (0)

/* The code, and words that the message must hold; clears the error. */
#define assert_error(call, expected_code, words)                                                             \
    do {                                                                                                     \
        int assert_error_code = (call);                                                                      \
        if (assert_error_code != (expected_code) || error.code != (expected_code))                           \
            fail_msg("%s: got %s (%s), expected %s", #call, hf_error_name(assert_error_code), error.message, \
                     hf_error_name(expected_code));                                                          \
        if (strstr(error.message, (words)) == NULL)                                                          \
            fail_msg("%s: \"%s\" lacks \"%s\"", #call, error.message, (words));                              \
        hf_error_clear(&error);                                                                              \
    } while (0)

#endif
