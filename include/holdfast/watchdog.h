/*
 * The hardware watchdog: resets a machine on which nothing moves any more.
 *
 * Calling order: hf_watchdog_open() starts the timer; hf_watchdog_pet() at least every interval_s from then
 * on, and only while all is well: a missed pet is the point, not a failure; hf_watchdog_close() ends it.
 * Whoever dies without closing leaves the timer running, and the machine resets after timeout_s: that is what
 * we want.
 *
 * One opener only. systemd's RuntimeWatchdogSec holds the same device; then opening says so, and systemd's
 * own watchdog of this service (notify.h) does the work.
 *
 * Source: the kernel's watchdog API (linux/watchdog.h, Documentation/watchdog/watchdog-api.rst).
 */
#ifndef HOLDFAST_WATCHDOG_H
#define HOLDFAST_WATCHDOG_H

#include <stdint.h>

#include "holdfast/error.h"

/* The device behind the timer: a seam for tests. Each returns 0 or more, or a negative errno. */
struct hf_watchdog_device {
    int (*open)(void *context, const char *path);
    int (*control)(void *context, int fd, unsigned long request, void *argument); /* ioctl */
    int (*write)(void *context, int fd, const char *bytes, uint32_t count);
    int (*close)(void *context, int fd);
    void *context;
};

extern const struct hf_watchdog_device hf_watchdog_device_live;

struct hf_watchdog {
    const struct hf_watchdog_device *device;
    int fd;               /* -1: none */
    char identity[33];    /* as the driver names itself */
    int timeout_s;        /* as granted */
    int can_stop;         /* the driver knows the magic close; with nowayout it stays on nevertheless */
    unsigned boot_status; /* why the machine booted last: bits of HF_WATCHDOG_BOOT */
};

enum hf_watchdog_boot {
    HF_WATCHDOG_BOOT_OVERHEAT = 0x1,
    HF_WATCHDOG_BOOT_POWER_UNDER = 0x10,
    HF_WATCHDOG_BOOT_RESET = 0x20 /* this watchdog reset the machine */
};

/* Opens `path` (NULL: /dev/watchdog) and asks for timeout_s (what was granted is in the struct).
 * HF_E_MISSING: there is none; HF_E_BUSY: another program holds it; HF_E_PERMISSION: needs root. The timer
 * runs from here on. */
int hf_watchdog_open(struct hf_watchdog *watchdog, const struct hf_watchdog_device *device, const char *path,
                     int timeout_s, struct hf_error *error);

/* Starts the timer anew. HF_E_IO: it could not be reached; the machine will reset. */
int hf_watchdog_pet(struct hf_watchdog *watchdog, struct hf_error *error);

/* Pets often enough: a third of the granted timeout, at least a second. */
int hf_watchdog_interval_s(const struct hf_watchdog *watchdog);

/* Stops the timer (magic close) and closes; HF_E_REFUSED when the driver cannot stop it: the machine will
 * reset unless somebody else opens and pets it. A watchdog that is not open is fine. */
int hf_watchdog_close(struct hf_watchdog *watchdog, struct hf_error *error);

#endif
