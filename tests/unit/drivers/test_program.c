/* Whose program the command driver runs: each way in which somebody else could exchange it must be refused.
 */
#include <limits.h>
#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>
#include <stdint.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/stat.h>
#include <unistd.h>

#include <cmocka.h>

#include "drivers/drivers.h"

static char base[] = "/tmp/holdfast-program-XXXXXX";
static char program[64], above[64], folder[64];

static int make(void **unused)
{
    FILE *file;

    (void)unused;
    assert_non_null(mkdtemp(base));
    (void)snprintf(above, sizeof above, "%s/above", base);
    (void)snprintf(folder, sizeof folder, "%s/above/folder", base);
    (void)snprintf(program, sizeof program, "%s/above/folder/program", base);
    assert_int_equal(mkdir(above, 0755), 0);
    assert_int_equal(mkdir(folder, 0755), 0);
    file = fopen(program, "we");
    assert_non_null(file);
    (void)fclose(file);
    assert_int_equal(chmod(program, 0755), 0);
    assert_int_equal(chmod(folder, 0755), 0);
    assert_int_equal(chmod(above, 0755), 0);
    return 0;
}

static int remove_all(void **unused)
{
    (void)unused;
    (void)unlink(program);
    (void)rmdir(folder);
    (void)rmdir(above);
    return rmdir(base);
}

static void expect(const char *path, int code, const char *names)
{
    struct hf_error error = {0};

    assert_int_equal(hf_driver_check_program(path, geteuid(), &error), code);
    if (names != NULL && strstr(error.message, names) == NULL)
        fail_msg("\"%s\" does not name \"%s\"", error.message, names);
}

static void test_modes(void **unused)
{
    static const unsigned shared[] = {0775, 0757, 0777};

    (void)unused;
    expect(program, HF_OK, NULL);
    for (int i = 0; i < 3; i++) {
        const char *places[] = {program, folder, above};

        for (int p = 0; p < 3; p++) {
            assert_int_equal(chmod(places[p], shared[i]), 0);
            expect(program, HF_E_REFUSED, places[p]);
            assert_int_equal(chmod(places[p], 0755), 0);
        }
    }
    assert_int_equal(chmod(above, 01777), 0); /* as /tmp, which stands above all of this, is */
    expect(program, HF_OK, NULL);
    assert_int_equal(chmod(above, 0755), 0);
    assert_int_equal(chmod(program, 01777), 0); /* a sticky file is no folder */
    expect(program, HF_E_REFUSED, program);
    assert_int_equal(chmod(program, 0755), 0);
}

static void test_links(void **unused)
{
    char link[64];

    (void)unused;
    (void)snprintf(link, sizeof link, "%s/link", base);
    assert_int_equal(symlink("above/folder/program", link), 0);
    expect(link, HF_OK, NULL);
    assert_int_equal(chmod(folder, 0777), 0);
    expect(link, HF_E_REFUSED, folder); /* where it leads to counts */
    assert_int_equal(chmod(folder, 0755), 0);
    assert_int_equal(unlink(link), 0);
    expect(link, HF_E_NOT_FOUND, "link");
}

static void test_owner(void **unused)
{
    struct hf_error error = {0};

    (void)unused;
    if (geteuid() != 0) {
        assert_int_equal(hf_driver_check_program(program, geteuid() + 1, &error), HF_E_REFUSED);
        return;
    }
    assert_int_equal(chown(folder, 65534, 65534), 0);
    assert_int_equal(hf_driver_check_program(program, 0, &error), HF_E_REFUSED);
    assert_non_null(strstr(error.message, "belongs to user 65534"));
    hf_error_clear(&error);
    assert_int_equal(hf_driver_check_program(program, 65534, &error), HF_OK);
    assert_int_equal(chown(folder, 0, 0), 0);
}

int main(void)
{
    const struct CMUnitTest tests[] = {cmocka_unit_test(test_modes), cmocka_unit_test(test_links),
                                       cmocka_unit_test(test_owner)};

    return cmocka_run_group_tests(tests, make, remove_all);
}
