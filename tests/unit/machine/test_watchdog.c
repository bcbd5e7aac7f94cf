/* The watchdog against a scripted device: what the kernel's API promises, and what drivers leave out of it.
 */
#include <errno.h>
#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>
#include <stdint.h>
#include <string.h>

#include <cmocka.h>

#include <linux/watchdog.h>

#include "holdfast/watchdog.h"

struct device {
    int open_result;
    int options;
    int granted_s;   /* what SETTIMEOUT grants; 0: the call is unknown */
    int boot_status; /* -1: unknown call */
    int keepalive;   /* result of the ioctl */
    int pets, letters, closed;
    char last_letter;
};

static int device_open(void *context, const char *path)
{
    assert_string_equal(path, "/dev/watchdog");
    return ((struct device *)context)->open_result;
}

static int device_control(void *context, int fd, unsigned long request, void *argument)
{
    struct device *device = context;

    assert_int_equal(fd, 5);
    if (request == WDIOC_GETSUPPORT) {
        struct watchdog_info info = {.options = (uint32_t)device->options, .identity = "scripted"};

        memcpy(argument, &info, sizeof info);
        return 0;
    }
    if (request == WDIOC_SETTIMEOUT || request == WDIOC_GETTIMEOUT) {
        if (device->granted_s == 0)
            return -ENOTTY;
        *(int *)argument = device->granted_s;
        return 0;
    }
    if (request == WDIOC_GETBOOTSTATUS) {
        if (device->boot_status < 0)
            return -ENOTTY;
        *(int *)argument = device->boot_status;
        return 0;
    }
    assert_true(request == WDIOC_KEEPALIVE);
    device->pets += device->keepalive == 0;
    return device->keepalive;
}

static int device_write(void *context, int fd, const char *bytes, uint32_t count)
{
    struct device *device = context;

    assert_int_equal(fd, 5);
    assert_int_equal(count, 1);
    device->letters++;
    device->last_letter = bytes[0];
    return (int)count;
}

static int device_close(void *context, int fd)
{
    assert_int_equal(fd, 5);
    ((struct device *)context)->closed++;
    return 0;
}

static struct hf_watchdog_device ops_of(struct device *device)
{
    return (struct hf_watchdog_device){device_open, device_control, device_write, device_close, device};
}

static void test_life(void **unused)
{
    struct device device = {
        .open_result = 5, .options = WDIOF_MAGICCLOSE, .granted_s = 60, .boot_status = 0x20};
    struct hf_watchdog_device ops = ops_of(&device);
    struct hf_watchdog watchdog;
    struct hf_error error = {0};

    (void)unused;
    assert_int_equal(hf_watchdog_open(&watchdog, &ops, NULL, 30, &error), HF_OK);
    assert_string_equal(watchdog.identity, "scripted");
    assert_int_equal(watchdog.timeout_s, 60); /* as granted, not as asked */
    assert_int_equal(hf_watchdog_interval_s(&watchdog), 20);
    assert_int_equal(watchdog.boot_status & HF_WATCHDOG_BOOT_RESET, HF_WATCHDOG_BOOT_RESET);
    assert_int_equal(device.pets, 1);
    assert_int_equal(hf_watchdog_pet(&watchdog, &error), HF_OK);
    assert_int_equal(device.pets, 2);
    assert_int_equal(hf_watchdog_close(&watchdog, &error), HF_OK);
    assert_int_equal(device.last_letter, 'V'); /* the magic close */
    assert_int_equal(device.closed, 1);
    assert_int_equal(hf_watchdog_close(&watchdog, &error), HF_OK);
    assert_int_equal(device.closed, 1);
}

/* An old driver: no timeout call, no keep-alive call, no boot status; every write is a pet. */
static void test_poor_driver(void **unused)
{
    struct device device = {.open_result = 5, .boot_status = -1, .keepalive = -ENOTTY};
    struct hf_watchdog_device ops = ops_of(&device);
    struct hf_watchdog watchdog;
    struct hf_error error = {0};

    (void)unused;
    assert_int_equal(hf_watchdog_open(&watchdog, &ops, NULL, 2, &error), HF_OK);
    assert_int_equal(watchdog.timeout_s, 2);
    assert_int_equal(hf_watchdog_interval_s(&watchdog), 1);
    assert_int_equal(device.letters, 1);
    assert_int_not_equal(device.last_letter, 'V'); /* a pet must never disarm it */
    assert_int_equal(hf_watchdog_close(&watchdog, &error), HF_E_REFUSED);
    assert_int_not_equal(device.last_letter, 'V');
    assert_non_null(strstr(error.message, "cannot be stopped"));
}

static void test_refusals(void **unused)
{
    static const struct {
        int result, code;
    } cases[] = {
        {-EBUSY, HF_E_BUSY}, {-ENOENT, HF_E_MISSING}, {-ENODEV, HF_E_MISSING}, {-EACCES, HF_E_PERMISSION}};

    (void)unused;
    for (size_t i = 0; i < sizeof cases / sizeof cases[0]; i++) {
        struct device device = {.open_result = cases[i].result};
        struct hf_watchdog_device ops = ops_of(&device);
        struct hf_watchdog watchdog = {.fd = -1};
        struct hf_error error = {0};

        assert_int_equal(hf_watchdog_open(&watchdog, &ops, NULL, 30, &error), cases[i].code);
        assert_int_equal(watchdog.fd, -1);
        assert_int_equal(hf_watchdog_close(&watchdog, &error), HF_OK);
    }
}

static void test_lost_device(void **unused)
{
    struct device device = {.open_result = 5, .granted_s = 30, .keepalive = 0};
    struct hf_watchdog_device ops = ops_of(&device);
    struct hf_watchdog watchdog;
    struct hf_error error = {0};

    (void)unused;
    assert_int_equal(hf_watchdog_open(&watchdog, &ops, NULL, 30, &error), HF_OK);
    device.keepalive = -EIO;
    assert_int_equal(hf_watchdog_pet(&watchdog, &error), HF_E_IO);
    assert_non_null(strstr(error.message, "within 30 s"));
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(test_life),
        cmocka_unit_test(test_poor_driver),
        cmocka_unit_test(test_refusals),
        cmocka_unit_test(test_lost_device),
    };

    return cmocka_run_group_tests(tests, NULL, NULL);
}
