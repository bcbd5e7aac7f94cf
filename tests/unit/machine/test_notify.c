/* Telling the service manager: a datagram socket stands in for it. Protocol: systemd, sd_notify(3). */
#include <errno.h>
#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>
#include <stdint.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/socket.h>
#include <sys/un.h>
#include <unistd.h>

#include <cmocka.h>

#include "holdfast/notify.h"

static int listen_at(const char *name)
{
    struct sockaddr_un address = {.sun_family = AF_UNIX};
    int fd = socket(AF_UNIX, SOCK_DGRAM | SOCK_NONBLOCK | SOCK_CLOEXEC, 0);

    assert_true(fd >= 0);
    (void)snprintf(address.sun_path, sizeof address.sun_path, "%s", name);
    if (name[0] == '@')
        address.sun_path[0] = '\0';
    assert_int_equal(bind(fd, (struct sockaddr *)&address,
                          (socklen_t)(offsetof(struct sockaddr_un, sun_path) + strlen(name))),
                     0);
    return fd;
}

static void expect(int fd, const char *wanted)
{
    char got[256];
    ssize_t size = recv(fd, got, sizeof got - 1, 0);

    assert_true(size >= 0);
    got[size] = '\0';
    assert_string_equal(got, wanted);
}

static void check_address(const char *name)
{
    struct hf_notify notify;
    struct hf_error error = {0};
    int fd = listen_at(name);

    assert_int_equal(setenv("NOTIFY_SOCKET", name, 1), 0);
    assert_int_equal(setenv("WATCHDOG_USEC", "6000000", 1), 0);
    assert_int_equal(setenv("WATCHDOG_PID", "4711", 1), 0);
    assert_int_equal(hf_notify_open(&notify, 4711, &error), HF_OK);
    assert_true(notify.watchdog_s == 6);
    assert_null(getenv("NOTIFY_SOCKET")); /* workers do not inherit it */
    assert_null(getenv("WATCHDOG_USEC"));
    assert_int_equal(hf_notify_send(&notify, "READY=1\nSTATUS=ready"), 1);
    expect(fd, "READY=1\nSTATUS=ready");
    (void)close(fd);
    assert_int_equal(hf_notify_send(&notify, "WATCHDOG=1"), 0); /* nobody there: no failure, no signal */
    hf_notify_close(&notify);
    hf_notify_close(&notify);
    assert_int_equal(hf_notify_send(&notify, "WATCHDOG=1"), 0);
}

static void test_addresses(void **unused)
{
    char folder[] = "/tmp/holdfast-notify-XXXXXX";
    char path[64];
    char abstract[64];

    (void)unused;
    assert_non_null(mkdtemp(folder));
    (void)snprintf(path, sizeof path, "%s/socket", folder);
    check_address(path);
    (void)unlink(path);
    (void)rmdir(folder);
    (void)snprintf(abstract, sizeof abstract, "@holdfast-test-%d", (int)getpid());
    check_address(abstract);
}

static void test_nobody(void **unused)
{
    struct hf_notify notify;
    struct hf_error error = {0};

    (void)unused;
    (void)unsetenv("NOTIFY_SOCKET");
    assert_int_equal(hf_notify_open(&notify, getpid(), &error), HF_OK);
    assert_int_equal(notify.fd, -1);
    assert_int_equal(hf_notify_send(&notify, "READY=1"), 0);
}

static void test_bad_addresses(void **unused)
{
    static const char *const bad[] = {"", "/", "@", "relative/path", "vsock:2:1234"};
    char long_name[200];

    (void)unused;
    memset(long_name, 'x', sizeof long_name - 1);
    long_name[0] = '/';
    long_name[sizeof long_name - 1] = '\0';
    for (size_t i = 0; i <= sizeof bad / sizeof bad[0]; i++) {
        const char *name = i < sizeof bad / sizeof bad[0] ? bad[i] : long_name;
        struct hf_notify notify;
        struct hf_error error = {0};

        assert_int_equal(setenv("NOTIFY_SOCKET", name, 1), 0);
        assert_int_equal(hf_notify_open(&notify, getpid(), &error), HF_E_INPUT);
        assert_int_equal(notify.fd, -1);
    }
    (void)unsetenv("NOTIFY_SOCKET");
}

/* The interval belongs to the process that the manager started, not to one that it forked. */
static void test_watchdog_of_another(void **unused)
{
    struct hf_notify notify;
    struct hf_error error = {0};

    (void)unused;
    assert_int_equal(setenv("NOTIFY_SOCKET", "@holdfast-nobody", 1), 0);
    assert_int_equal(setenv("WATCHDOG_USEC", "6000000", 1), 0);
    assert_int_equal(setenv("WATCHDOG_PID", "1", 1), 0);
    assert_int_equal(hf_notify_open(&notify, 4711, &error), HF_OK);
    assert_true(notify.watchdog_s == 0);
    hf_notify_close(&notify);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(test_addresses),
        cmocka_unit_test(test_nobody),
        cmocka_unit_test(test_bad_addresses),
        cmocka_unit_test(test_watchdog_of_another),
    };

    return cmocka_run_group_tests(tests, NULL, NULL);
}
