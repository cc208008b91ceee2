#include "io/wakeup.h"

#include "io/hostclock.h"

#include <stdlib.h>
#include <sys/timerfd.h>
#include <time.h>
#include <unistd.h>

struct wakeup {
    uv_poll_t poll;
    int fd;
    wakeup_fn *fn;
    void *ctx;
};

static void on_ready(uv_poll_t *poll, int status, int events)
{
    struct wakeup *wakeup = poll->data;
    uint64_t times;
    (void)events;
    if (status == 0 && read(wakeup->fd, &times, sizeof times) == (ssize_t)sizeof times)
        wakeup->fn(wakeup->ctx, hostclock_now());
}

struct wakeup *wakeup_new(uv_loop_t *loop, wakeup_fn *fn, void *ctx)
{
    struct wakeup *wakeup = calloc(1, sizeof *wakeup);
    if (wakeup == NULL)
        return NULL;
    wakeup->fn = fn;
    wakeup->ctx = ctx;
    wakeup->fd =
        timerfd_create(CLOCK_BOOTTIME, TFD_NONBLOCK | TFD_CLOEXEC); /* the clock of hostclock_now() */
    if (wakeup->fd >= 0 && uv_poll_init(loop, &wakeup->poll, wakeup->fd) == 0) {
        wakeup->poll.data = wakeup;
        uv_poll_start(&wakeup->poll, UV_READABLE, on_ready);
        return wakeup;
    }
    if (wakeup->fd >= 0)
        close(wakeup->fd);
    free(wakeup);
    return NULL;
}

void wakeup_at(struct wakeup *wakeup, mono_ns at)
{
    struct itimerspec when = {.it_value = {0}}; /* zero: never */
    if (at.ns != INT64_MAX) {
        int64_t ns = at.ns > 0 ? at.ns : 1;
        when.it_value.tv_sec = (time_t)(ns / NS_PER_S);
        when.it_value.tv_nsec = (long)(ns % NS_PER_S);
    }
    (void)timerfd_settime(wakeup->fd, TFD_TIMER_ABSTIME, &when, NULL);
}

static void on_closed(uv_handle_t *handle)
{
    struct wakeup *wakeup = handle->data;
    close(wakeup->fd);
    free(wakeup);
}

void wakeup_close(struct wakeup *wakeup)
{
    if (wakeup != NULL)
        uv_close((uv_handle_t *)&wakeup->poll, on_closed);
}
