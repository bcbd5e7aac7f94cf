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

static int place(const char *command_line, const char *wanted_path, int64_t wanted_offset)
{
    char path[HF_RESET_WITNESS_PATH] = "";
    int64_t offset = -7;

    if (!hf_reset_witness_place(command_line, path, &offset))
        return 0;
    assert_string_equal(path, wanted_path);
    assert_int_equal(offset, wanted_offset);
    return 1;
}

static void test_witness(void **unused)
{
    struct hf_reset_witness witness;

    (void)unused;
    assert_int_equal(place("quiet holdfast.witness=ttyS1\n", "/dev/ttyS1", -1), 1);
    assert_int_equal(place("a holdfast.witness=vda@67108864 b", "/dev/vda", 67108864), 1);
    assert_int_equal(place("quiet panic=1", "", 0), 0);
    assert_int_equal(place("a holdfast.witness= b", "", 0), 0);
    assert_int_equal(place("a xholdfast.witness=ttyS1", "", 0), 0);
    assert_int_equal(place("a holdfast.witness=vda@0", "", 0), 0);   /* a disk's beginning */
    assert_int_equal(place("a holdfast.witness=vda@513", "", 0), 0); /* no whole sector */
    assert_int_equal(place("a holdfast.witness=vda@-512", "", 0), 0);
    assert_int_equal(place("a holdfast.witness=../etc/passwd", "", 0), 0);
    hf_reset_witness_open(&witness); /* this machine's kernel was not asked */
    assert_int_equal(witness.fd, -1);
    hf_reset_witness_say(&witness, "done 1\n");
    hf_reset_witness_close(&witness);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(test_command_line),
        cmocka_unit_test(test_turns),
        cmocka_unit_test(test_not_here),
        cmocka_unit_test(test_witness),
    };

    return cmocka_run_group_tests(tests, NULL, NULL);
}
