/* Which reset a kernel command line asks for. Nothing here resets anything: this kernel's own asks for none.
 */
#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>
#include <stdint.h>

#include <cmocka.h>

#include "holdfast/reset.h"

static void test_command_line(void **unused)
{
    (void)unused;
    assert_int_equal(hf_reset_of_command_line("quiet holdfast.reset=panic panic=1\n"), HF_RESET_PANIC);
    assert_int_equal(hf_reset_of_command_line("holdfast.reset=mixed"), HF_RESET_MIXED);
    assert_int_equal(hf_reset_of_command_line("holdfast.reset=spin\n"), HF_RESET_SPIN);
    assert_int_equal(hf_reset_of_command_line("holdfast.reset=wait x"), HF_RESET_WAIT);
    assert_int_equal(hf_reset_of_command_line("holdfast.reset=reboot"), HF_RESET_REBOOT);
    assert_int_equal(hf_reset_of_command_line("quiet panic=1"), HF_RESET_NONE);
    assert_int_equal(hf_reset_of_command_line("holdfast.reset=panicking"), HF_RESET_NONE);
    assert_int_equal(hf_reset_of_command_line("holdfast.reset="), HF_RESET_NONE);
    assert_int_equal(hf_reset_of_command_line("holdfast.reset=none"), HF_RESET_NONE);
    assert_int_equal(hf_reset_of_command_line("xholdfast.reset=panic"), HF_RESET_NONE);
    assert_int_equal(hf_reset_of_command_line(""), HF_RESET_NONE);
}

static void test_turns(void **unused)
{
    (void)unused;
    assert_int_equal(hf_reset_turn(HF_RESET_MIXED, 1), HF_RESET_REBOOT);
    assert_int_equal(hf_reset_turn(HF_RESET_MIXED, 2), HF_RESET_PANIC);
    assert_int_equal(hf_reset_turn(HF_RESET_MIXED, 3), HF_RESET_SPIN);
    assert_int_equal(hf_reset_turn(HF_RESET_MIXED, 4), HF_RESET_WAIT);
    assert_int_equal(hf_reset_turn(HF_RESET_MIXED, 5), HF_RESET_REBOOT);
    assert_int_equal(hf_reset_turn(HF_RESET_PANIC, 3), HF_RESET_PANIC);
    assert_int_equal(hf_reset_turn(HF_RESET_NONE, 3), HF_RESET_NONE);
}

static void test_not_here(void **unused)
{
    (void)unused;
    hf_reset_here(1); /* returns */
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(test_command_line),
        cmocka_unit_test(test_turns),
        cmocka_unit_test(test_not_here),
    };

    return cmocka_run_group_tests(tests, NULL, NULL);
}
