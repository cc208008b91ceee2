#include "io/backoff.h"
#include "io/feed_kinds.h"
#include "io/hostclock.h"
#include "io/log.h"

#include <netdb.h>
#include <netinet/in.h>
#include <netinet/tcp.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

/*
 * waiting --timer--> resolving --> connecting (each address in turn) --> up
 *    ^------------------- any failure, the peer's end, close -------------'
 *
 * A peer that vanishes without a word is noticed by TCP's keep-alive after about 25 s of silence.
 */

enum {
    FIRST_WAIT_MS = 250,
    LAST_WAIT_MS = 8000,
    CONNECT_WAIT_MS = 10000,
    IDLE_S = 10,
    PROBE_S = 5,
    PROBES = 3,
    READ_BYTES = 65536
};

struct feed_tcp {
    uv_tcp_t socket;
    uv_timer_t timer; /* waiting: the next try; connecting: patience; up: not running */
    uv_getaddrinfo_t lookup;
    uv_connect_t connect;
    uv_loop_t *loop;
    struct addrinfo *addresses, *address;
    int pending; /* handles and look-ups that the loop has not finished with */
    bool looking_up, socket_open, closing, up;
    char trouble[192];
    struct backoff backoff;
    char name[64];
    struct config_feed config;
    int source;
    struct deliver deliver;
    char bytes[READ_BYTES];
};

static void on_wait_over(uv_timer_t *timer);
static void connect_next(struct feed_tcp *feed);

static void finished_one(struct feed_tcp *feed)
{
    if (--feed->pending > 0)
        return;
    uv_freeaddrinfo(feed->addresses);
    free(feed);
}

static void wait_and_try(struct feed_tcp *feed)
{
    uv_freeaddrinfo(feed->addresses);
    feed->addresses = feed->address = NULL;
    uv_timer_start(&feed->timer, on_wait_over, backoff_next_ms(&feed->backoff), 0);
}

static void on_socket_closed(uv_handle_t *handle)
{
    struct feed_tcp *feed = handle->data;
    feed->socket_open = false;
    if (!feed->closing && feed->address != NULL)
        connect_next(feed);
    else if (!feed->closing)
        wait_and_try(feed);
    finished_one(feed);
}

static void close_socket(struct feed_tcp *feed)
{
    uv_timer_stop(&feed->timer);
    if (feed->socket_open && !uv_is_closing((uv_handle_t *)&feed->socket))
        uv_close((uv_handle_t *)&feed->socket, on_socket_closed);
}

static void tell(struct feed_tcp *feed, const char *why)
{
    if (strcmp(why, feed->trouble) != 0)
        log_warning("%s: tcp:%s:%u: %s; trying again", feed->name, feed->config.host, feed->config.port, why);
    snprintf(feed->trouble, sizeof feed->trouble, "%s", why);
}

/* The address in hand does not do: the next one, or all of it later. */
static void give_up_address(struct feed_tcp *feed, const char *why)
{
    feed->address = feed->address->ai_next;
    if (feed->address == NULL)
        tell(feed, why);
    close_socket(feed);
}

static void go_down(struct feed_tcp *feed, const char *why)
{
    feed->up = false;
    feed->address = NULL;
    close_socket(feed);
    tell(feed, why);
    deliver_state(&feed->deliver, INPUT_FEED_DOWN, feed->source, "down", why);
}

static void on_alloc(uv_handle_t *handle, size_t suggested, uv_buf_t *out)
{
    struct feed_tcp *feed = handle->data;
    (void)suggested;
    *out = uv_buf_init(feed->bytes, sizeof feed->bytes);
}

static void on_bytes(uv_stream_t *stream, ssize_t len, const uv_buf_t *buf)
{
    struct feed_tcp *feed = stream->data;
    mono_ns now = hostclock_now();
    if (len < 0) {
        go_down(feed, len == UV_EOF ? "the other end closed the connection" : uv_strerror((int)len));
    } else if (len > 0) {
        backoff_reset(&feed->backoff);
        feed->deliver.fn(feed->deliver.ctx, INPUT_FEED, feed->source, now, buf->base, (size_t)len);
    }
}

static void watch_peer(struct feed_tcp *feed)
{
    uv_os_fd_t fd;
    int probe_s = PROBE_S, probes = PROBES;
    (void)uv_tcp_keepalive(&feed->socket, 1, IDLE_S);
    if (uv_fileno((uv_handle_t *)&feed->socket, &fd) == 0) {
        (void)setsockopt(fd, IPPROTO_TCP, TCP_KEEPINTVL, &probe_s, sizeof probe_s);
        (void)setsockopt(fd, IPPROTO_TCP, TCP_KEEPCNT, &probes, sizeof probes);
    }
}

static void on_connected(uv_connect_t *request, int status)
{
    struct feed_tcp *feed = request->data;
    if (feed->closing || uv_is_closing((uv_handle_t *)&feed->socket))
        return;
    if (status == 0)
        status = uv_read_start((uv_stream_t *)&feed->socket, on_alloc, on_bytes);
    if (status != 0) {
        give_up_address(feed, uv_strerror(status));
        return;
    }
    uv_timer_stop(&feed->timer);
    watch_peer(feed);
    feed->up = true;
    feed->trouble[0] = '\0';
    log_info("%s: connected to tcp:%s:%u", feed->name, feed->config.host, feed->config.port);
    deliver_state(&feed->deliver, INPUT_FEED_UP, feed->source, "up", NULL);
}

static void on_connect_slow(uv_timer_t *timer)
{
    give_up_address(timer->data, "no answer within 10 s");
}

static void connect_next(struct feed_tcp *feed)
{
    int result = uv_tcp_init(feed->loop, &feed->socket);
    if (result == 0) {
        feed->socket.data = feed;
        feed->connect.data = feed;
        feed->socket_open = true;
        feed->pending++;
        result = uv_tcp_connect(&feed->connect, &feed->socket, feed->address->ai_addr, on_connected);
    }
    if (result == 0) {
        uv_timer_start(&feed->timer, on_connect_slow, CONNECT_WAIT_MS, 0);
    } else if (feed->socket_open) {
        give_up_address(feed, uv_strerror(result));
    } else {
        tell(feed, uv_strerror(result));
        wait_and_try(feed);
    }
}

static void on_looked_up(uv_getaddrinfo_t *request, int status, struct addrinfo *addresses)
{
    struct feed_tcp *feed = request->data;
    feed->looking_up = false;
    feed->addresses = feed->address = addresses;
    if (!feed->closing && status == 0) {
        connect_next(feed);
    } else if (!feed->closing) {
        tell(feed, uv_strerror(status));
        wait_and_try(feed);
    }
    finished_one(feed);
}

static void on_wait_over(uv_timer_t *timer)
{
    struct feed_tcp *feed = timer->data;
    struct addrinfo hints = {.ai_family = AF_UNSPEC, .ai_socktype = SOCK_STREAM};
    char port[8];
    snprintf(port, sizeof port, "%u", feed->config.port);
    feed->lookup.data = feed;
    int result = uv_getaddrinfo(feed->loop, &feed->lookup, on_looked_up, feed->config.host, port, &hints);
    if (result == 0) {
        feed->looking_up = true;
        feed->pending++;
    } else {
        tell(feed, uv_strerror(result));
        wait_and_try(feed);
    }
}

struct feed_tcp *feed_tcp_new(uv_loop_t *loop, const struct feed_plan *plan)
{
    struct feed_tcp *feed = calloc(1, sizeof *feed);
    if (feed == NULL)
        return NULL;
    snprintf(feed->name, sizeof feed->name, "%s", plan->name);
    feed->config = *plan->config;
    feed->source = plan->source;
    feed->deliver = plan->deliver;
    feed->loop = loop;
    feed->backoff = (struct backoff){.first_ms = FIRST_WAIT_MS, .last_ms = LAST_WAIT_MS};
    uv_timer_init(loop, &feed->timer);
    feed->timer.data = feed;
    feed->pending = 1;
    uv_timer_start(&feed->timer, on_wait_over, 0, 0);
    return feed;
}

static void on_timer_closed(uv_handle_t *handle)
{
    finished_one(handle->data);
}

void feed_tcp_close(struct feed_tcp *feed)
{
    if (feed == NULL || feed->closing)
        return;
    feed->closing = true;
    if (feed->looking_up)
        (void)uv_cancel((uv_req_t *)&feed->lookup);
    close_socket(feed);
    uv_close((uv_handle_t *)&feed->timer, on_timer_closed);
}
