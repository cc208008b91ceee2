#include "io/backoff.h"
#include "io/feed_kinds.h"
#include "io/hostclock.h"
#include "io/log.h"

#include <arpa/inet.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

/* DATAGRAM_BYTES: the longest that UDP can carry. QUEUE_BYTES: what the kernel holds while the loop is busy. */
enum { DATAGRAM_BYTES = 65536, QUEUE_BYTES = 512 * 1024, FIRST_WAIT_MS = 250, LAST_WAIT_MS = 8000 };

struct feed_udp {
    uv_udp_t socket;
    uv_timer_t timer; /* runs only while the socket is not bound */
    uv_loop_t *loop;
    int handles; /* that the loop has not closed yet; the socket can be used again when only the timer is left */
    bool closing, up;
    char trouble[192]; /* what was last told of why it is down */
    struct backoff backoff;
    char name[64];
    struct config_feed config;
    int source;
    struct deliver deliver;
    char datagram[DATAGRAM_BYTES];
};

static void on_timer(uv_timer_t *timer);

static void on_closed(uv_handle_t *handle)
{
    struct feed_udp *feed = handle->data;
    if (--feed->handles == 0)
        free(feed);
    else if (!feed->closing)
        uv_timer_start(&feed->timer, on_timer, backoff_next_ms(&feed->backoff), 0);
}

static void go_down(struct feed_udp *feed, const char *step, int error)
{
    char why[192];
    snprintf(why, sizeof why, "%s: %s", step, uv_strerror(error));
    if (strcmp(why, feed->trouble) != 0)
        log_warning("%s: udp:%s:%u: %s; trying again", feed->name, feed->config.host, feed->config.port, why);
    snprintf(feed->trouble, sizeof feed->trouble, "%s", why);
    uv_close((uv_handle_t *)&feed->socket, on_closed);
    bool was_up = feed->up;
    feed->up = false;
    if (was_up)
        deliver_state(&feed->deliver, INPUT_FEED_DOWN, feed->source, "down", why);
}

static void on_alloc(uv_handle_t *handle, size_t suggested, uv_buf_t *out)
{
    struct feed_udp *feed = handle->data;
    (void)suggested;
    *out = uv_buf_init(feed->datagram, sizeof feed->datagram);
}

static void on_datagram(uv_udp_t *socket, ssize_t len, const uv_buf_t *buf, const struct sockaddr *from,
                        unsigned flags)
{
    struct feed_udp *feed = socket->data;
    mono_ns now = hostclock_now();
    (void)flags;
    if (len < 0) {
        go_down(feed, "cannot receive", (int)len);
    } else if (len > 0 && from != NULL) {
        backoff_reset(&feed->backoff);
        feed->deliver.fn(feed->deliver.ctx, INPUT_FEED, feed->source, now, buf->base, (size_t)len);
    }
}

static int read_address(const struct config_feed *config, struct sockaddr_storage *out)
{
    if (uv_ip4_addr(config->host, config->port, (struct sockaddr_in *)out) == 0)
        return 0;
    return uv_ip6_addr(config->host, config->port, (struct sockaddr_in6 *)out);
}

static bool is_multicast(const struct sockaddr_storage *address)
{
    if (address->ss_family == AF_INET6)
        return IN6_IS_ADDR_MULTICAST(&((const struct sockaddr_in6 *)address)->sin6_addr);
    return IN_MULTICAST(ntohl(((const struct sockaddr_in *)address)->sin_addr.s_addr));
}

static bool is_any(const struct sockaddr_storage *address)
{
    if (address->ss_family == AF_INET6)
        return IN6_IS_ADDR_UNSPECIFIED(&((const struct sockaddr_in6 *)address)->sin6_addr);
    return ((const struct sockaddr_in *)address)->sin_addr.s_addr == htonl(INADDR_ANY);
}

/*
 * Groups and broadcasts reach every listener on a machine, so the port is shared with other programs there. On an address
 * of its own a datagram would reach only one of two listeners: that is refused.
 */
static int bind_and_join(struct feed_udp *feed, const char **step)
{
    struct sockaddr_storage address = {0};
    *step = "no numeric address";
    int result = read_address(&feed->config, &address);
    if (result != 0)
        return result;
    bool multicast = is_multicast(&address);
    *step = "cannot listen there";
    result = uv_udp_bind(&feed->socket, (struct sockaddr *)&address,
                         multicast || is_any(&address) ? UV_UDP_REUSEADDR : 0);
    if (result != 0 || !multicast)
        return result;
    *step = "cannot join the group";
    const char *interface = feed->config.interface[0] == '\0' ? NULL : feed->config.interface;
    return uv_udp_set_membership(&feed->socket, feed->config.host, interface, UV_JOIN_GROUP);
}

static void on_timer(uv_timer_t *timer)
{
    struct feed_udp *feed = timer->data;
    const char *step = "cannot make a socket";
    int queue_bytes = QUEUE_BYTES;
    int result = uv_udp_init(feed->loop, &feed->socket);
    if (result != 0) {
        uv_timer_start(&feed->timer, on_timer, backoff_next_ms(&feed->backoff), 0);
        return;
    }
    feed->socket.data = feed;
    feed->handles++;
    result = bind_and_join(feed, &step);
    if (result == 0) {
        step = "cannot receive";
        (void)uv_recv_buffer_size((uv_handle_t *)&feed->socket, &queue_bytes);
        result = uv_udp_recv_start(&feed->socket, on_alloc, on_datagram);
    }
    if (result != 0) {
        go_down(feed, step, result);
        return;
    }
    feed->up = true;
    feed->trouble[0] = '\0';
    log_info("%s: listening on udp:%s:%u", feed->name, feed->config.host, feed->config.port);
    deliver_state(&feed->deliver, INPUT_FEED_UP, feed->source, "up", NULL);
}

struct feed_udp *feed_udp_new(uv_loop_t *loop, const struct feed_plan *plan)
{
    struct feed_udp *feed = calloc(1, sizeof *feed);
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
    feed->handles = 1;
    uv_timer_start(&feed->timer, on_timer, 0, 0);
    return feed;
}

void feed_udp_close(struct feed_udp *feed)
{
    if (feed == NULL || feed->closing)
        return;
    feed->closing = true;
    if (feed->handles == 2 && !uv_is_closing((uv_handle_t *)&feed->socket))
        uv_close((uv_handle_t *)&feed->socket, on_closed);
    uv_close((uv_handle_t *)&feed->timer, on_closed);
}
