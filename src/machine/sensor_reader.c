/*
 * A thread that reads the sensors and hands over the newest complete round.
 *
 * Invariants:
 *  1. The set is touched by the thread only, its `about` fields apart, which do not change while it runs.
 *  2. `newest` is a complete round, or nothing; it is copied under the lock, which is never held during a
 * read.
 */
#include <assert.h>
#include <errno.h>
#include <math.h>
#include <pthread.h>
#include <string.h>
#include <time.h>

#include "base/memory.h"
#include "machine/sensors_private.h"

#define STOP_WAIT_S 2

struct hf_sensor_reader {
    struct hf_sensors *set;
    pthread_t thread;
    pthread_mutex_t lock;
    pthread_cond_t wake;
    int64_t period_ns;
    int stop, ended, under_load;
    int64_t newest_ns; /* monotonic, of the host's clock; 0: none yet */
    struct hf_reading *newest;
    struct hf_reading *round; /* the thread's own */
};

static struct timespec after(struct timespec at, int64_t ns)
{
    ns += at.tv_nsec;
    at.tv_sec += (time_t)(ns / 1000000000);
    at.tv_nsec = (long)(ns % 1000000000);
    return at;
}

/* Waits for the next round or for the end; 1: go on. Called and left with the lock held. */
static int wait_for_round(struct hf_sensor_reader *reader, const struct timespec *due)
{
    while (!reader->stop && pthread_cond_timedwait(&reader->wake, &reader->lock, due) != ETIMEDOUT) {
    }
    return !reader->stop;
}

static void *read_rounds(void *argument)
{
    struct hf_sensor_reader *reader = argument;
    const struct hf_host *host = reader->set->host;
    size_t bytes = (size_t)reader->set->count * sizeof reader->round[0];
    struct timespec due;

    (void)clock_gettime(CLOCK_MONOTONIC, &due);
    (void)pthread_mutex_lock(&reader->lock);
    while (!reader->stop) {
        int under_load = reader->under_load;

        (void)pthread_mutex_unlock(&reader->lock);
        (void)hf_sensors_read(reader->set, under_load, hf_host_monotonic_ns(host) + reader->period_ns,
                              reader->round);
        (void)pthread_mutex_lock(&reader->lock);
        if (bytes > 0)
            (void)memcpy(reader->newest, reader->round, bytes);
        reader->newest_ns = hf_host_monotonic_ns(host);
        (void)clock_gettime(CLOCK_MONOTONIC, &due);
        due = after(due, reader->period_ns);
        if (!wait_for_round(reader, &due))
            break;
    }
    reader->ended = 1;
    (void)pthread_cond_broadcast(&reader->wake);
    (void)pthread_mutex_unlock(&reader->lock);
    return NULL;
}

static void reader_free(struct hf_sensor_reader *reader)
{
    (void)pthread_cond_destroy(&reader->wake);
    (void)pthread_mutex_destroy(&reader->lock);
    hf_free(reader->newest);
    hf_free(reader->round);
    hf_free(reader);
}

static struct hf_sensor_reader *reader_new(struct hf_sensors *set, int period_ms)
{
    struct hf_sensor_reader *reader = hf_allocate(1, sizeof *reader);
    size_t count = set->count > 0 ? (size_t)set->count : 1;
    pthread_condattr_t monotonic;

    if (reader == NULL)
        return NULL;
    reader->set = set;
    reader->period_ns = (int64_t)period_ms * 1000000;
    (void)pthread_mutex_init(&reader->lock, NULL);
    (void)pthread_condattr_init(&monotonic);
    (void)pthread_condattr_setclock(&monotonic, CLOCK_MONOTONIC);
    (void)pthread_cond_init(&reader->wake, &monotonic);
    (void)pthread_condattr_destroy(&monotonic);
    reader->newest = hf_allocate(count, sizeof reader->newest[0]);
    reader->round = hf_allocate(count, sizeof reader->round[0]);
    if (reader->newest != NULL && reader->round != NULL)
        return reader;
    reader_free(reader);
    return NULL;
}

int hf_sensor_reader_start(struct hf_sensors *set, int period_ms, struct hf_sensor_reader **ret_reader,
                           struct hf_error *error)
{
    struct hf_sensor_reader *reader;
    int failed;

    assert(period_ms > 0);
    reader = reader_new(set, period_ms);
    if (reader == NULL)
        return hf_fail(error, HF_E_MEMORY, "no memory for the readings of %d sensors", set->count);
    failed = pthread_create(&reader->thread, NULL, read_rounds, reader);
    if (failed != 0) {
        reader_free(reader);
        return hf_fail_errno(error, failed, "cannot start the thread that reads the sensors");
    }
    *ret_reader = reader;
    return HF_OK;
}

void hf_sensor_reader_load(struct hf_sensor_reader *reader, int under_load)
{
    (void)pthread_mutex_lock(&reader->lock);
    reader->under_load = under_load;
    (void)pthread_mutex_unlock(&reader->lock);
}

int hf_sensor_reader_latest(struct hf_sensor_reader *reader, struct hf_reading *ret_readings,
                            int64_t *ret_age_ns)
{
    int64_t now = hf_host_monotonic_ns(reader->set->host);
    int there;

    (void)pthread_mutex_lock(&reader->lock);
    there = reader->newest_ns > 0;
    for (int i = 0; i < reader->set->count; i++)
        ret_readings[i] =
            there ? reader->newest[i] : (struct hf_reading){HF_SENSOR_UNREAD, 0, (double)NAN, (double)NAN, 0};
    *ret_age_ns = there && now > reader->newest_ns ? now - reader->newest_ns : 0;
    (void)pthread_mutex_unlock(&reader->lock);
    return there;
}

int hf_sensor_reader_stop(struct hf_sensor_reader *reader, struct hf_error *error)
{
    struct timespec due;
    int ended;

    if (reader == NULL)
        return HF_OK;
    (void)clock_gettime(CLOCK_MONOTONIC, &due);
    due.tv_sec += STOP_WAIT_S;
    (void)pthread_mutex_lock(&reader->lock);
    reader->stop = 1;
    (void)pthread_cond_broadcast(&reader->wake);
    while (!reader->ended && pthread_cond_timedwait(&reader->wake, &reader->lock, &due) != ETIMEDOUT) {
    }
    ended = reader->ended;
    (void)pthread_mutex_unlock(&reader->lock);
    if (!ended)
        return hf_fail(error, HF_E_BUSY, "a sensor's driver hangs in a read for more than %d s", STOP_WAIT_S);
    (void)pthread_join(reader->thread, NULL);
    reader_free(reader);
    return HF_OK;
}
