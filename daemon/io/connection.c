#include "io/connection.h"

#include <errno.h>
#include <poll.h>
#include <stdlib.h>
#include <string.h>
#include <sys/socket.h>
#include <unistd.h>

#define READ_BYTES 65536
/* Replies that wait to be fetched before reading stops. */
#define REPLIES_MANY ((size_t)256 * 1024)
#define PARTS_MAX 64
/* Sends in one visit; more waits for the next turn of the loop, so that one quick reader holds up nobody. */
#define SENDS_A_VISIT 4
/* Lines taken in one visit, likewise. */
#define LINES_A_VISIT 32

static void watch(struct connection *connection);

static bool has_output(const struct connection *connection)
{
    struct iovec rest;
    return connection->replies.len > connection->replies_sent || subscription_rest(&connection->sub, &rest);
}

static bool takes_lines(struct connection *connection)
{
    return !connection->closing && !connection->finishing &&
           connection->replies.len - connection->replies_sent < REPLIES_MANY &&
           connection->events->admit(connection);
}

static void one_line(struct connection *connection, const char *line, size_t len)
{
    if (connection->skipping) {
        connection->skipping = false;
        return;
    }
    if (len > 0 && line[len - 1] == '\r')
        len--;
    if (len > connection->message_bytes)
        connection->events->overlong(connection);
    else if (len > 0)
        connection->events->line(connection, line, len);
}

/* Takes whole lines off the front; how many bytes they were. */
static size_t take_lines(struct connection *connection, const char *bytes, size_t len)
{
    size_t at = 0;
    unsigned lines = 0;
    connection->paused = false;
    while (at < len) {
        const char *end = memchr(bytes + at, '\n', len - at);
        if (end == NULL)
            break;
        bool is_due = lines++ < LINES_A_VISIT;
        if (!is_due)
            connection->events->again(connection);
        if (!is_due || !takes_lines(connection)) {
            connection->paused = true;
            break;
        }
        size_t line_len = (size_t)(end - bytes) - at;
        one_line(connection, bytes + at, line_len);
        at += line_len + 1;
    }
    return at;
}

/* What is left in the buffer is a line without its end: too long, or the last one of a peer that has closed its side. */
static void judge_rest(struct connection *connection)
{
    if (connection->paused || connection->closing)
        return;
    if (connection->in.len > connection->message_bytes || connection->skipping) {
        if (!connection->skipping)
            connection->events->overlong(connection);
        connection->skipping = true;
        bytes_clear(&connection->in);
    }
    if (connection->eof && connection->in.len > 0) {
        if (!takes_lines(connection)) {
            connection->paused = true;
            return;
        }
        one_line(connection, connection->in.at, connection->in.len);
        bytes_clear(&connection->in);
    }
}

static void take(struct connection *connection, const char *bytes, size_t len)
{
    if (connection->in.len > 0) {
        bytes_put(&connection->in, bytes, len);
        bytes_skip(&connection->in, take_lines(connection, connection->in.at, connection->in.len));
    } else {
        size_t done = take_lines(connection, bytes, len);
        if (done < len)
            bytes_put(&connection->in, bytes + done, len - done);
    }
    if (connection->in.failed) {
        connection_close(connection);
        return;
    }
    judge_rest(connection);
    if (connection->in.len == 0)
        bytes_free(&connection->in);
}

/* Whether the peer has closed both its sides; only then does a unix socket say so. */
static bool is_hung_up(int fd)
{
    struct pollfd look = {.fd = fd};
    return poll(&look, 1, 0) == 1 && (look.revents & (POLLHUP | POLLERR)) != 0;
}

static void end_if_done(struct connection *connection)
{
    if (connection->closing || has_output(connection))
        return;
    bool done = connection->eof && !connection->paused && !connection->sub.on &&
                !connection->events->waits(connection);
    if (done || connection->finishing)
        connection_close(connection);
}

static void read_some(struct connection *connection)
{
    char bytes[READ_BYTES];
    ssize_t got;
    do
        got = recv(connection->fd, bytes, sizeof bytes, MSG_DONTWAIT);
    while (got < 0 && errno == EINTR);
    if (got < 0) {
        if (errno != EAGAIN && errno != EWOULDBLOCK)
            connection_close(connection);
        return;
    }
    if (got > 0) {
        take(connection, bytes, (size_t)got);
    } else {
        connection->eof = true;
        judge_rest(connection);
        if (is_hung_up(connection->fd))
            connection_close(connection);
        end_if_done(connection);
    }
    watch(connection);
}

static void on_poll(uv_poll_t *handle, int status, int happened)
{
    struct connection *connection = handle->data;
    if (status < 0) {
        connection_close(connection);
        return;
    }
    if ((happened & UV_READABLE) != 0 && !connection->paused && !connection->eof)
        read_some(connection);
    if ((happened & UV_WRITABLE) != 0 && !connection->closing) {
        connection->blocked = false;
        watch(connection);
        connection->events->again(connection);
    }
}

static void watch(struct connection *connection)
{
    if (connection->closing)
        return;
    bool reads = !connection->eof && !connection->paused && !connection->finishing;
    int mask = (reads ? UV_READABLE : 0) | (connection->blocked ? UV_WRITABLE : 0);
    if (mask == connection->mask)
        return;
    connection->mask = mask;
    if (mask == 0)
        uv_poll_stop(&connection->poll);
    else if (uv_poll_start(&connection->poll, mask, on_poll) != 0)
        connection_close(connection);
}

int connection_open(struct connection *connection, uv_loop_t *loop, int fd,
                    const struct connection_events *events, const struct event_log *log, size_t message_bytes)
{
    connection->events = events;
    connection->log = log;
    connection->message_bytes = message_bytes;
    connection->fd = fd;
    if (uv_poll_init(loop, &connection->poll, fd) != 0) {
        close(fd);
        return -1;
    }
    uv_timer_init(loop, &connection->timer);
    connection->handles = 2;
    connection->poll.data = connection->timer.data = connection;
    watch(connection);
    return 0;
}

/* Replies go first, but never into the middle of an event. */
static size_t gather(struct connection *connection, struct iovec *part)
{
    size_t waiting = connection->replies.len - connection->replies_sent;
    if (waiting == 0)
        return subscription_gather(&connection->sub, connection->log, part, PARTS_MAX);
    size_t count = subscription_rest(&connection->sub, &part[0]) ? 1 : 0;
    part[count++] =
        (struct iovec){.iov_base = connection->replies.at + connection->replies_sent, .iov_len = waiting};
    return count;
}

static void account(struct connection *connection, size_t sent)
{
    connection->sent += sent;
    size_t waiting = connection->replies.len - connection->replies_sent;
    if (waiting == 0) {
        subscription_sent(&connection->sub, connection->log, sent);
        return;
    }
    struct iovec rest = {0};
    size_t line = subscription_rest(&connection->sub, &rest) ? rest.iov_len : 0;
    size_t of_line = sent < line ? sent : line;
    subscription_sent(&connection->sub, connection->log, of_line);
    connection->replies_sent += sent - of_line;
    if (connection->replies_sent < connection->replies.len)
        return;
    connection->replies_sent = 0;
    if (connection->replies.size > REPLIES_MANY / 4)
        bytes_free(&connection->replies);
    else
        bytes_clear(&connection->replies);
}

static size_t total(const struct iovec *part, size_t count)
{
    size_t sum = 0;
    for (size_t i = 0; i < count; i++)
        sum += part[i].iov_len;
    return sum;
}

/* One send. False: nothing to send, nothing more can be sent now, or the connection is closing. */
static bool send_once(struct connection *connection)
{
    struct iovec part[PARTS_MAX];
    size_t count = gather(connection, part);
    connection->blocked = count > 0;
    if (count == 0)
        return false;
    struct msghdr message = {.msg_iov = part, .msg_iovlen = count};
    ssize_t sent;
    do
        sent = sendmsg(connection->fd, &message, MSG_NOSIGNAL | MSG_DONTWAIT);
    while (sent < 0 && errno == EINTR);
    if (sent < 0) {
        if (errno != EAGAIN && errno != EWOULDBLOCK)
            connection_close(connection);
        return false;
    }
    size_t asked = total(part, count);
    account(connection, (size_t)sent);
    return (size_t)sent == asked;
}

void connection_flush(struct connection *connection)
{
    if (connection->closing)
        return;
    if (connection->replies.failed) {
        connection_close(connection);
        return;
    }
    for (int i = 0; i < SENDS_A_VISIT; i++)
        if (!send_once(connection))
            break;
    if (connection->closing)
        return;
    if (!connection->blocked && subscription_wants_piece(&connection->sub, connection->log))
        connection->events->wants_piece(connection);
    if (connection->paused)
        connection_resume(connection);
    end_if_done(connection);
    watch(connection);
}

void connection_resume(struct connection *connection)
{
    if (connection->closing)
        return;
    connection->paused = false;
    if (connection->in.len > 0)
        take(connection, "", 0);
    end_if_done(connection);
    watch(connection);
}

void connection_finish(struct connection *connection)
{
    if (connection->closing)
        return;
    subscription_end(&connection->sub);
    connection->finishing = true;
    connection_flush(connection);
}

static void handle_closed(uv_handle_t *handle)
{
    struct connection *connection = handle->data;
    if (--connection->handles > 0)
        return;
    bytes_free(&connection->in);
    bytes_free(&connection->replies);
    subscription_free(&connection->sub);
    connection->events->freed(connection);
}

void connection_close(struct connection *connection)
{
    if (connection->closing)
        return;
    connection->closing = true;
    connection->sub.on = false;
    uv_close((uv_handle_t *)&connection->poll, handle_closed);
    uv_close((uv_handle_t *)&connection->timer, handle_closed);
    close(connection->fd);
    connection->events->closed(connection);
}
