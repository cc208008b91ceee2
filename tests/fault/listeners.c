#include "listeners.h"

#include <inttypes.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

enum { RETRY_NS = 10000000, LINE_ROOM = 131072 };

struct listener {
    struct listeners *all;
    uv_pipe_t pipe;
    uv_connect_t connect;
    uv_write_t write;
    char request[128];
    bool open, closing;
    int64_t last, retry_ns;
    char *line;
    size_t len;
};

struct listeners {
    uv_loop_t *loop;
    const char *socket;
    struct listener *of;
    int count;
    bool ending;
    uint64_t *heard;
    int64_t room;
    struct listeners_count counts;
};

uint64_t listeners_hash(const char *text, uint64_t len)
{
    uint64_t hash = UINT64_C(14695981039346656037); /* FNV-1a */
    for (uint64_t i = 0; i < len; i++)
        hash = (hash ^ (unsigned char)text[i]) * UINT64_C(1099511628211);
    return hash == 0 ? 1 : hash;
}

uint64_t listeners_heard(const struct listeners *listeners, int64_t seq)
{
    return seq >= 0 && seq < listeners->room ? listeners->heard[seq] : 0;
}

static void note(struct listeners *all, int64_t seq, uint64_t hash)
{
    if (seq < 0)
        return;
    if (seq >= all->room) {
        int64_t room = 2 * seq + 1024;
        all->heard = realloc(all->heard, (size_t)room * sizeof *all->heard);
        if (all->heard == NULL)
            abort();
        memset(all->heard + all->room, 0, (size_t)(room - all->room) * sizeof *all->heard);
        all->room = room;
    }
    if (all->heard[seq] == 0)
        all->heard[seq] = hash;
    all->counts.different += all->heard[seq] != hash;
}

static void on_line(struct listener *listener, const char *line, size_t len)
{
    static const char opening[] = "{\"jsonrpc\":\"2.0\",\"method\":\"event\",\"params\":{\"seq\":";
    const size_t params = sizeof opening - 1 - strlen("{\"seq\":");
    if (len < sizeof opening || memcmp(line, opening, sizeof opening - 1) != 0)
        return;
    int64_t seq = strtoll(line + sizeof opening - 1, NULL, 10);
    listener->all->counts.events++;
    listener->all->counts.twice += seq <= listener->last;
    listener->all->counts.missed += seq > listener->last + 1 ? seq - listener->last - 1 : 0;
    listener->last = seq;
    note(listener->all, seq, listeners_hash(line + params, len - params - 1));
}

static void on_closed(uv_handle_t *handle)
{
    struct listener *listener = handle->data;
    listener->open = listener->closing = false;
    listener->len = 0;
}

static void hang_up(struct listener *listener)
{
    if (listener->closing)
        return;
    listener->closing = true;
    uv_close((uv_handle_t *)&listener->pipe, on_closed);
}

static void on_alloc(uv_handle_t *handle, size_t suggested, uv_buf_t *buf)
{
    struct listener *listener = handle->data;
    (void)suggested;
    *buf = uv_buf_init(listener->line + listener->len, (unsigned)(LINE_ROOM - listener->len));
}

static void on_read(uv_stream_t *stream, ssize_t got, const uv_buf_t *buf)
{
    struct listener *listener = stream->data;
    (void)buf;
    if (got < 0) {
        hang_up(listener);
        return;
    }
    listener->len += (size_t)got;
    char *from = listener->line;
    char *end = listener->line + listener->len;
    char *newline;
    while ((newline = memchr(from, '\n', (size_t)(end - from))) != NULL) {
        *newline = '\0';
        on_line(listener, from, (size_t)(newline - from));
        from = newline + 1;
    }
    listener->len = (size_t)(end - from);
    memmove(listener->line, from, listener->len);
}

static void on_written(uv_write_t *write, int status)
{
    (void)write;
    (void)status;
}

static void on_connected(uv_connect_t *connect, int status)
{
    struct listener *listener = connect->data;
    if (status != 0) {
        hang_up(listener);
        return;
    }
    listener->all->counts.reconnects++;
    int len = snprintf(listener->request, sizeof listener->request,
                       "{\"jsonrpc\":\"2.0\",\"id\":1,\"method\":\"subscribe\",\"params\":{\"since\":%" PRId64
                       "}}\n",
                       listener->last);
    uv_buf_t buf = uv_buf_init(listener->request, (unsigned)len);
    (void)uv_write(&listener->write, (uv_stream_t *)&listener->pipe, &buf, 1, on_written);
    (void)uv_read_start((uv_stream_t *)&listener->pipe, on_alloc, on_read);
}

struct listeners *listeners_new(uv_loop_t *loop, const char *socket, int count)
{
    struct listeners *listeners = calloc(1, sizeof *listeners);
    if (listeners == NULL)
        abort();
    listeners->loop = loop;
    listeners->socket = socket;
    listeners->count = count;
    listeners->of = calloc((size_t)count + 1, sizeof *listeners->of);
    if (listeners->of == NULL)
        abort();
    for (int i = 0; i < count; i++) {
        listeners->of[i].all = listeners;
        listeners->of[i].line = malloc(LINE_ROOM);
        if (listeners->of[i].line == NULL)
            abort();
    }
    return listeners;
}

void listeners_watch(struct listeners *listeners, int64_t now_ns)
{
    for (int i = 0; i < listeners->count && !listeners->ending; i++) {
        struct listener *listener = &listeners->of[i];
        if (listener->open || listener->closing || now_ns < listener->retry_ns)
            continue;
        listener->retry_ns = now_ns + RETRY_NS;
        listener->open = true;
        uv_pipe_init(listeners->loop, &listener->pipe, 0);
        listener->pipe.data = listener->connect.data = listener;
        uv_pipe_connect(&listener->connect, &listener->pipe, listeners->socket, on_connected);
    }
}

void listeners_close(struct listeners *listeners)
{
    listeners->ending = true;
    for (int i = 0; i < listeners->count; i++)
        if (listeners->of[i].open)
            hang_up(&listeners->of[i]);
}

void listeners_free(struct listeners *listeners)
{
    for (int i = 0; i < listeners->count; i++)
        free(listeners->of[i].line);
    free(listeners->of);
    free(listeners->heard);
    free(listeners);
}

void listeners_count(const struct listeners *listeners, struct listeners_count *out)
{
    *out = listeners->counts;
    out->least = INT64_MAX;
    for (int i = 0; i < listeners->count; i++)
        if (listeners->of[i].last < out->least)
            out->least = listeners->of[i].last;
}
