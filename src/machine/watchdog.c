#include "holdfast/watchdog.h"

#include <assert.h>
#include <errno.h>
#include <fcntl.h>
#include <linux/watchdog.h>
#include <stdio.h>
#include <string.h>
#include <sys/ioctl.h>
#include <unistd.h>

_Static_assert(HF_WATCHDOG_BOOT_OVERHEAT == WDIOF_OVERHEAT &&
                   HF_WATCHDOG_BOOT_POWER_UNDER == WDIOF_POWERUNDER &&
                   HF_WATCHDOG_BOOT_RESET == WDIOF_CARDRESET,
               "the kernel's bits");

static int live_open(void *context, const char *path)
{
    int fd = open(path, O_WRONLY | O_CLOEXEC);

    (void)context;
    return fd >= 0 ? fd : -errno;
}

static int live_control(void *context, int fd, unsigned long request, void *argument)
{
    (void)context;
    return ioctl(fd, request, argument) < 0 ? -errno : 0;
}

static int live_write(void *context, int fd, const char *bytes, uint32_t count)
{
    (void)context;
    return write(fd, bytes, count) < 0 ? -errno : 0;
}

static int live_close(void *context, int fd)
{
    (void)context;
    return close(fd) < 0 ? -errno : 0;
}

const struct hf_watchdog_device hf_watchdog_device_live = {live_open, live_control, live_write, live_close,
                                                           NULL};

static int control(const struct hf_watchdog *watchdog, unsigned long request, void *argument)
{
    return watchdog->device->control(watchdog->device->context, watchdog->fd, request, argument);
}

static int open_failed(const char *path, int negative_errno, struct hf_error *error)
{
    switch (negative_errno) {
    case -EBUSY:
        return hf_fail(error, HF_E_BUSY,
                       "%s is held by another program (systemd's RuntimeWatchdogSec?): one owner only", path);
    case -ENOENT:
    case -ENODEV:
    case -ENXIO:
        return hf_fail(error, HF_E_MISSING,
                       "there is no %s: load the module of the board's watchdog (wdctl and lsmod help)",
                       path);
    default:
        return hf_fail_errno(error, -negative_errno, "cannot open %s", path);
    }
}

/* What the driver does not know stays unknown; only the timeout matters, and that has a default of the
 * driver's. */
static void learn(struct hf_watchdog *watchdog, int wanted_s)
{
    struct watchdog_info info = {0};
    int seconds = wanted_s;
    int status = 0;

    if (control(watchdog, WDIOC_GETSUPPORT, &info) == 0) {
        (void)snprintf(watchdog->identity, sizeof watchdog->identity, "%.32s", (const char *)info.identity);
        watchdog->can_stop = (info.options & WDIOF_MAGICCLOSE) != 0;
    }
    if (control(watchdog, WDIOC_SETTIMEOUT, &seconds) != 0 &&
        control(watchdog, WDIOC_GETTIMEOUT, &seconds) != 0)
        seconds = 0;
    watchdog->timeout_s = seconds > 0 ? seconds : wanted_s;
    if (control(watchdog, WDIOC_GETBOOTSTATUS, &status) == 0)
        watchdog->boot_status = (unsigned)status;
}

int hf_watchdog_open(struct hf_watchdog *watchdog, const struct hf_watchdog_device *device, const char *path,
                     int timeout_s, struct hf_error *error)
{
    const char *node = path != NULL ? path : "/dev/watchdog";
    int fd;

    assert(timeout_s > 0);
    fd = device->open(device->context, node);
    if (fd < 0)
        return open_failed(node, fd, error);
    *watchdog = (struct hf_watchdog){.device = device, .fd = fd};
    learn(watchdog, timeout_s);
    return hf_watchdog_pet(watchdog, error);
}

int hf_watchdog_pet(struct hf_watchdog *watchdog, struct hf_error *error)
{
    int result = control(watchdog, WDIOC_KEEPALIVE, NULL);

    if (result == -ENOTTY || result == -EOPNOTSUPP) /* every write is a pet, too */
        result = watchdog->device->write(watchdog->device->context, watchdog->fd, "p", 1);
    if (result < 0)
        return hf_fail_errno(error, -result,
                             "the watchdog %s cannot be reached: the machine will reset within %d s",
                             watchdog->identity, watchdog->timeout_s);
    return HF_OK;
}

int hf_watchdog_interval_s(const struct hf_watchdog *watchdog)
{
    return watchdog->timeout_s >= 3 ? watchdog->timeout_s / 3 : 1;
}

int hf_watchdog_close(struct hf_watchdog *watchdog, struct hf_error *error)
{
    const struct hf_watchdog_device *device = watchdog->device;
    int stopped;

    if (device == NULL || watchdog->fd < 0)
        return HF_OK;
    stopped = watchdog->can_stop && device->write(device->context, watchdog->fd, "V", 1) >= 0;
    (void)device->close(device->context, watchdog->fd);
    watchdog->fd = -1;
    if (!stopped)
        return hf_fail(
            error, HF_E_REFUSED,
            "the watchdog %s cannot be stopped: the machine will reset within %d s unless another program "
            "takes it over",
            watchdog->identity, watchdog->timeout_s);
    return HF_OK;
}
