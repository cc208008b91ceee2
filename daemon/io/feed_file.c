#include "io/arrival.h"
#include "io/backoff.h"
#include "io/feed_kinds.h"
#include "io/hostclock.h"
#include "io/line.h"
#include "io/log.h"

#include <errno.h>
#include <fcntl.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/stat.h>
#include <unistd.h>

/*
 * A regular file: read in pieces, one a turn of the loop, to its end; then the loop watches it (inotify) and reads on
 * when it grows. A file that was cut short is read from its start, one that was renamed or removed is waited for anew.
 * What turns out to be a fifo or a device becomes a line.
 */

enum { PIECE_BYTES = 16384, FIRST_WAIT_MS = 250, LAST_WAIT_MS = 2000 };

struct feed_file {
    uv_timer_t timer; /* absent: the next try; reading: the next piece; at the end of the file: not running */
    uv_fs_event_t watch;    /* at the end of the file */
    struct arrival arrival; /* while it is absent */
    struct line *line;      /* not NULL: it does everything */
    int fd;                 /* -1: absent */
    int handles;
    bool closing;
    bool leaving; /* another file took its place: read to the end, then look there */
    char trouble[192];
    struct backoff backoff;
    char name[64];
    struct config_feed config;
    int source;
    struct deliver deliver;
};

static void on_timer(uv_timer_t *timer);

/* At first again and again; then, where the folder tells what comes, seldom. */
static void try_later(struct feed_file *feed)
{
    uint32_t wait_ms = backoff_next_ms(&feed->backoff);
    if (arrival_watch(&feed->arrival, feed->config.path) && wait_ms >= LAST_WAIT_MS)
        wait_ms = ARRIVAL_QUIET_MS;
    uv_timer_start(&feed->timer, on_timer, wait_ms, 0);
}

static void on_arrival(void *ctx)
{
    struct feed_file *feed = ctx;
    backoff_reset(&feed->backoff);
    if (!feed->closing && feed->fd < 0 && feed->line == NULL)
        uv_timer_start(&feed->timer, on_timer, 0, 0);
}

static void tell(struct feed_file *feed, const char *why)
{
    if (strcmp(why, feed->trouble) != 0)
        log_warning("%s: file:%s: %s; trying again", feed->name, feed->config.path, why);
    snprintf(feed->trouble, sizeof feed->trouble, "%s", why);
}

static void go_down(struct feed_file *feed, const char *why)
{
    close(feed->fd);
    feed->fd = -1;
    (void)uv_fs_event_stop(&feed->watch);
    try_later(feed);
    tell(feed, why);
    deliver_state(&feed->deliver, INPUT_FEED_DOWN, feed->source, "down", why);
}

static void read_on(struct feed_file *feed)
{
    uv_timer_start(&feed->timer, on_timer, 0, 0);
}

static void on_change(uv_fs_event_t *watch, const char *path, int events, int status)
{
    struct feed_file *feed = watch->data;
    (void)path;
    (void)status;
    if (events & UV_RENAME)
        feed->leaving = true;
    if (feed->fd >= 0)
        read_on(feed);
}

/* Watching begins before the last look at the file, so that growth in between is not missed. */
static void follow(struct feed_file *feed)
{
    struct stat info;
    if (!uv_is_active((uv_handle_t *)&feed->watch)) {
        int result = uv_fs_event_start(&feed->watch, on_change, feed->config.path, 0);
        if (result != 0)
            go_down(feed, uv_strerror(result));
        else
            read_on(feed);
        return;
    }
    if (feed->leaving || fstat(feed->fd, &info) != 0 || info.st_nlink == 0) {
        go_down(feed, "renamed or removed");
    } else if (info.st_size < lseek(feed->fd, 0, SEEK_CUR)) {
        (void)lseek(feed->fd, 0, SEEK_SET);
        read_on(feed);
    }
}

static void read_piece(struct feed_file *feed)
{
    char piece[PIECE_BYTES];
    ssize_t got = read(feed->fd, piece, sizeof piece);
    mono_ns now = hostclock_now();
    if (got < 0) {
        go_down(feed, strerror(errno));
    } else if (got == 0) {
        follow(feed);
    } else {
        read_on(feed);
        backoff_reset(&feed->backoff);
        feed->deliver.fn(feed->deliver.ctx, INPUT_FEED, feed->source, now, piece, (size_t)got);
    }
}

static void become_line(struct feed_file *feed)
{
    struct line_plan plan = {.name = feed->name,
                             .path = feed->config.path,
                             .open = line_open_stream,
                             .bytes = INPUT_FEED,
                             .up = INPUT_FEED_UP,
                             .down = INPUT_FEED_DOWN,
                             .source = feed->source,
                             .deliver = feed->deliver};
    close(feed->fd);
    feed->fd = -1;
    arrival_rest(&feed->arrival);
    feed->line = line_new(feed->timer.loop, &plan);
    if (feed->line == NULL)
        try_later(feed);
}

static void try_open(struct feed_file *feed)
{
    struct stat info;
    feed->fd = open(feed->config.path, O_RDONLY | O_NONBLOCK | O_NOCTTY | O_CLOEXEC);
    if (feed->fd < 0 || fstat(feed->fd, &info) != 0) {
        tell(feed, strerror(errno));
        if (feed->fd >= 0)
            close(feed->fd);
        feed->fd = -1;
        try_later(feed);
    } else if (!S_ISREG(info.st_mode)) {
        become_line(feed);
    } else {
        arrival_rest(&feed->arrival);
        feed->trouble[0] = '\0';
        feed->leaving = false;
        log_info("%s: reading file:%s", feed->name, feed->config.path);
        read_on(feed);
        deliver_state(&feed->deliver, INPUT_FEED_UP, feed->source, "up", NULL);
    }
}

static void on_timer(uv_timer_t *timer)
{
    struct feed_file *feed = timer->data;
    if (feed->fd < 0)
        try_open(feed);
    else
        read_piece(feed);
}

struct feed_file *feed_file_new(uv_loop_t *loop, const struct feed_plan *plan)
{
    struct feed_file *feed = calloc(1, sizeof *feed);
    if (feed == NULL)
        return NULL;
    snprintf(feed->name, sizeof feed->name, "%s", plan->name);
    feed->config = *plan->config;
    feed->source = plan->source;
    feed->deliver = plan->deliver;
    feed->fd = -1;
    feed->backoff = (struct backoff){.first_ms = FIRST_WAIT_MS, .last_ms = LAST_WAIT_MS};
    uv_timer_init(loop, &feed->timer);
    uv_fs_event_init(loop, &feed->watch);
    arrival_open(&feed->arrival, loop, on_arrival, feed);
    feed->timer.data = feed->watch.data = feed->arrival.poll.data = feed;
    feed->handles = arrival_is_open(&feed->arrival) ? 3 : 2;
    uv_timer_start(&feed->timer, on_timer, 0, 0);
    return feed;
}

static void on_closed(uv_handle_t *handle)
{
    struct feed_file *feed = handle->data;
    if (--feed->handles == 0)
        free(feed);
}

void feed_file_close(struct feed_file *feed)
{
    if (feed == NULL || feed->closing)
        return;
    feed->closing = true;
    if (feed->line != NULL)
        line_close(feed->line, NULL, NULL);
    if (feed->fd >= 0)
        close(feed->fd);
    feed->fd = -1;
    if (arrival_is_open(&feed->arrival))
        arrival_close(&feed->arrival, on_closed);
    uv_close((uv_handle_t *)&feed->timer, on_closed);
    uv_close((uv_handle_t *)&feed->watch, on_closed);
}
