#include "io/socket.h"

#include "io/log.h"
#include "io/server.h"

#include <errno.h>
#include <inttypes.h>
#include <netinet/in.h>
#include <netinet/tcp.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/resource.h>
#include <sys/socket.h>
#include <unistd.h>

#define ACCEPTS_A_VISIT 16
/* A turn of the loop serves so many peers with so many bytes, a few microseconds each and a few gigabytes a second: a pad never
 * waits longer than that. */
#define PEERS_A_TURN 64
#define BYTES_A_TURN ((size_t)512 * 1024)
#define REST_MS 200
/* Open files that are no peer's: the database, its log and readers, pads, feeds, the tape. */
#define FILES_BESIDE 128
#define PEERS_TOLD_PER_S 20

/* -- fan-out, a slice in each turn of the loop -- */

/* What one turn may still do. */
struct slice {
    size_t peers, bytes;
};

static bool is_used_up(const struct slice *slice)
{
    return slice->peers == 0 || slice->bytes == 0;
}

static void spend(struct slice *slice, uint64_t bytes)
{
    slice->peers--;
    slice->bytes -= bytes < slice->bytes ? (size_t)bytes : slice->bytes;
}

/* Up to `*last`, which is NULL when it has had its turn: who is touched meanwhile comes in the next turn. */
static void flush_touched(struct socket_server *server, struct slice *slice, struct session **last)
{
    while (*last != NULL && !is_used_up(slice)) {
        struct session *session = server->touched;
        uint64_t sent = session->io.sent;
        if (session == *last)
            *last = NULL;
        server->touched = session->next_touched;
        session->next_touched = NULL;
        session->touched = false;
        connection_flush(&session->io);
        spend(slice, session->io.sent - sent);
        session_drop(session);
    }
}

static void fan_on(struct socket_server *server, struct slice *slice)
{
    while (server->fan_left > 0 && server->session_count > 0 && !is_used_up(slice)) {
        server->fan_left--;
        server->fan_at = (server->fan_at + 1) % server->session_count;
        struct session *session = server->session[server->fan_at];
        uint64_t sent = session->io.sent;
        if (!session->io.sub.on)
            continue;
        session_take(session);
        session_fan(session);
        spend(slice, session->io.sent - sent);
        session_drop(session);
    }
}

/* Half a slice each, so that neither those who can take more again nor those who wait for what is new keep out the others. */
static void on_turn(uv_idle_t *turn)
{
    struct socket_server *server = turn->data;
    struct slice first = {PEERS_A_TURN / 2, BYTES_A_TURN / 2}, second = first;
    struct session *last = server->touched != NULL ? server->touched_last : NULL;
    flush_touched(server, &first, &last);
    second.peers += first.peers;
    second.bytes += first.bytes;
    fan_on(server, &second);
    flush_touched(server, &second, &last);
    if (server->touched == NULL && (server->fan_left == 0 || server->session_count == 0))
        uv_idle_stop(turn);
}

void server_wake(struct socket_server *server)
{
    if (!server->stopping)
        uv_idle_start(&server->turn, on_turn);
}

void socket_stage(struct socket_server *server, int64_t seq, enum entry_type type, const char *json,
                  size_t len)
{
    struct event_text *text = event_text_new(seq, type, json, len);
    if (text == NULL) /* the log then has a gap, and those behind it read from the journal */
        return;
    if (server->staged_last != NULL)
        server->staged_last->next = text;
    else
        server->staged_first = text;
    server->staged_last = text;
}

void socket_publish(struct socket_server *server, int64_t seq_to)
{
    while (server->staged_first != NULL && server->staged_first->seq <= seq_to) {
        struct event_text *text = server->staged_first;
        server->staged_first = text->next;
        if (server->staged_first == NULL)
            server->staged_last = NULL;
        text->next = NULL;
        event_log_add(&server->log, text);
    }
    if (seq_to <= server->published)
        return;
    server->published = seq_to;
    if (server->log.next <= seq_to) /* the newest has no text: all read from the journal */
        event_log_restart(&server->log, seq_to + 1);
    server->fan_left = server->session_count;
    if (server->fan_left > 0)
        server_wake(server);
}

void socket_reply(struct socket_server *server, const struct engine_reply *reply)
{
    struct answer answer;
    if (!calls_take(&server->calls, reply->token, &answer))
        return;
    if (reply->refusal != REFUSED_NOT) {
        answer_error(&answer, reply->refusal, reply->text);
        return;
    }
    struct bytes out = {0};
    if (reply->seq > 0)
        bytes_print(&out, "{\"seq\":%" PRId64 ",\"ref\":", reply->seq);
    else
        bytes_text(&out, "{\"seq\":null,\"ref\":");
    if (reply->ref[0] != '\0')
        bytes_json_text(&out, reply->ref);
    else
        bytes_text(&out, "null");
    if (reply->text[0] != '\0') {
        bytes_text(&out, ",\"note\":");
        bytes_json_text(&out, reply->text);
    }
    bytes_text(&out, "}");
    if (out.failed)
        answer_error(&answer, JSONRPC_INTERNAL, "done, but out of memory for the answer");
    else
        answer_result(&answer, out.at, out.len);
    bytes_free(&out);
}

/* -- peers come and go -- */

static void refuse_peer(struct socket_server *server, int fd)
{
    struct bytes out = {0};
    server->counts.refused++;
    jsonrpc_put_error(&out, "null", JSONRPC_BUSY, "too many connections; try again later");
    bytes_text(&out, "\n");
    if (!out.failed)
        (void)send(fd, out.at, out.len, MSG_NOSIGNAL | MSG_DONTWAIT);
    bytes_free(&out);
    close(fd);
}

static void tune_tcp(int fd)
{
    int yes = 1, idle_s = 60, between_s = 15, probes = 4;
    setsockopt(fd, IPPROTO_TCP, TCP_NODELAY, &yes, sizeof yes);
    setsockopt(fd, SOL_SOCKET, SO_KEEPALIVE, &yes, sizeof yes);
    setsockopt(fd, IPPROTO_TCP, TCP_KEEPIDLE, &idle_s, sizeof idle_s);
    setsockopt(fd, IPPROTO_TCP, TCP_KEEPINTVL, &between_s, sizeof between_s);
    setsockopt(fd, IPPROTO_TCP, TCP_KEEPCNT, &probes, sizeof probes);
}

static void add_peer(struct socket_server *server, int fd, bool is_tcp)
{
    if (server->session_count == server->connections_max) {
        refuse_peer(server, fd);
        return;
    }
    if (is_tcp)
        tune_tcp(fd);
    struct session *session = session_new(server, fd, is_tcp);
    if (session == NULL)
        return;
    server->counts.accepted++;
    server->sessions_alive++;
    session->place = server->session_count;
    server->session[server->session_count++] = session;
    if (rate_take(&server->peers_told, (int64_t)uv_now(server->loop) * NS_PER_MS) == 0)
        log_info("socket: %s connected", session->peer);
}

void server_forget(struct socket_server *server, struct session *session)
{
    struct session *last = server->session[--server->session_count];
    server->session[session->place] = last;
    last->place = session->place;
    /* the table has moved under a fan-out: go round once more, so that nobody is passed over */
    if (server->fan_left > 0)
        server->fan_left = server->session_count;
}

static void on_listener(uv_poll_t *poll, int status, int happened);

static void on_rested(uv_timer_t *timer)
{
    struct server_listener *listener = timer->data;
    uv_poll_start(&listener->poll, UV_READABLE, on_listener);
}

static void on_listener(uv_poll_t *poll, int status, int happened)
{
    struct server_listener *listener = poll->data;
    (void)happened;
    for (int i = 0; status == 0 && i < ACCEPTS_A_VISIT; i++) {
        int fd = accept4(listener->fd, NULL, NULL, SOCK_NONBLOCK | SOCK_CLOEXEC);
        if (fd >= 0) {
            add_peer(listener->server, fd, listener->is_tcp);
            continue;
        }
        if (errno == EAGAIN || errno == EWOULDBLOCK)
            return;
        if (errno == EMFILE || errno == ENFILE || errno == ENOBUFS || errno == ENOMEM) {
            log_error("socket: cannot take another peer: %s; raise the limit of open files", strerror(errno));
            uv_poll_stop(&listener->poll);
            uv_timer_start(&listener->rest, on_rested, REST_MS, 0);
            return;
        }
    }
}

/* -- start and stop -- */

static int listen_on(struct socket_server *server, struct server_listener *listener, int fd)
{
    listener->fd = fd;
    if (uv_poll_init(server->loop, &listener->poll, fd) != 0)
        return -1;
    uv_timer_init(server->loop, &listener->rest);
    listener->poll.data = listener->rest.data = listener;
    server->handles += 2;
    return uv_poll_start(&listener->poll, UV_READABLE, on_listener);
}

static int open_listeners(struct socket_server *server, const struct socket_config *config, char *why)
{
    int fd;
    if (config->unix_path != NULL && config->unix_path[0] != '\0') {
        unsigned mode = config->unix_mode != 0 ? config->unix_mode : 0660;
        fd = listener_unix(config->unix_path, mode, config->unix_group, &server->unix_file, why,
                           SOCKET_WHY_SIZE);
        if (fd < 0)
            return -1;
        snprintf(server->unix_path, sizeof server->unix_path, "%s", config->unix_path);
        if (listen_on(server, &server->listener[0], fd) != 0)
            return -1;
    }
    if (config->tcp_host == NULL || config->tcp_host[0] == '\0')
        return 0;
    server->tcp_port = config->tcp_port;
    fd = listener_tcp(config->tcp_host, &server->tcp_port, server->tokens != NULL, why, SOCKET_WHY_SIZE);
    return fd < 0 ? -1 : listen_on(server, &server->listener[1], fd);
}

static size_t or_default(size_t given, size_t otherwise)
{
    return given != 0 ? given : otherwise;
}

/* Many systems give a program 1,024 open files and let it have more. */
static void allow_files(size_t connections)
{
    struct rlimit limit;
    rlim_t wanted = connections + FILES_BESIDE;
    if (getrlimit(RLIMIT_NOFILE, &limit) != 0 || limit.rlim_cur >= wanted)
        return;
    rlim_t allowed = limit.rlim_max < wanted ? limit.rlim_max : wanted;
    limit.rlim_cur = allowed;
    if (setrlimit(RLIMIT_NOFILE, &limit) != 0 || allowed < wanted)
        log_warning("socket: %zu connections need %llu open files, and %llu are allowed; raise LimitNOFILE "
                    "(ulimit -Hn), or fewer peers get in",
                    connections, (unsigned long long)wanted, (unsigned long long)limit.rlim_max);
}

static int set_up(struct socket_server *server, const struct socket_config *config, int64_t last_seq)
{
    server->connections_max = or_default(config->connections, 256);
    allow_files(server->connections_max);
    server->message_bytes = or_default(config->message_bytes, 65536);
    server->queue_events = or_default(config->queue_events, 8192);
    server->rate_per_s[0] = (unsigned)or_default(config->unix_rate_per_s, 100000);
    server->rate_per_s[1] = (unsigned)or_default(config->tcp_rate_per_s, 2000);
    server->linger_ms = config->linger_ms != 0 ? config->linger_ms : 10000;
    server->published = last_seq;
    rate_start(&server->peers_told, PEERS_TOLD_PER_S, (int64_t)uv_now(server->loop) * NS_PER_MS);
    for (int i = 0; i < 2; i++)
        server->listener[i] = (struct server_listener){.server = server, .fd = -1, .is_tcp = i == 1};
    for (int i = 0; i < SOCKET_LANES; i++)
        lane_init(&server->lane[i], server->loop);
    uv_idle_init(server->loop, &server->turn);
    server->turn.data = server;
    server->handles = 1;
    server->session = calloc(server->connections_max, sizeof(struct session *));
    bool done = server->session != NULL && calls_init(&server->calls) &&
                event_log_init(&server->log, or_default(config->memory_events, 1024),
                               or_default(config->memory_bytes, (size_t)4 << 20), last_seq + 1);
    return done ? 0 : -1;
}

int socket_start(struct socket_server **out, uv_loop_t *loop, const struct socket_config *config,
                 const struct socket_backend *backend, int64_t last_seq, char why[SOCKET_WHY_SIZE])
{
    *out = NULL;
    snprintf(why, SOCKET_WHY_SIZE, "socket: out of memory");
    struct socket_server *server = calloc(1, sizeof *server);
    if (server == NULL)
        return -1;
    server->loop = loop;
    server->backend = *backend;
    bool fine = set_up(server, config, last_seq) == 0;
    if (fine && config->token_file != NULL && config->token_file[0] != '\0') {
        server->tokens = tokens_load(config->token_file, why, SOCKET_WHY_SIZE);
        fine = server->tokens != NULL;
    }
    if (fine && open_listeners(server, config, why) == 0) {
        *out = server;
        return 0;
    }
    socket_stop(server, NULL, NULL);
    return -1;
}

static void free_server(struct socket_server *server)
{
    while (server->staged_first != NULL) {
        struct event_text *text = server->staged_first;
        server->staged_first = text->next;
        event_text_drop(text);
    }
    if (server->log.ring != NULL)
        event_log_free(&server->log);
    tokens_free(server->tokens);
    free(server->session);
    free(server);
}

void server_end_if_done(struct socket_server *server)
{
    if (!server->stopping || server->handles > 0 || server->sessions_alive > 0)
        return;
    for (int i = 0; i < SOCKET_LANES; i++)
        if (!lane_is_idle(&server->lane[i]))
            return;
    void (*stopped)(void *ctx) = server->stopped;
    void *ctx = server->stopped_ctx;
    free_server(server);
    if (stopped != NULL)
        stopped(ctx);
}

static void own_handle_closed(uv_handle_t *handle)
{
    struct socket_server *server = handle->data;
    server->handles--;
    server_end_if_done(server);
}

static void close_listener(struct server_listener *listener)
{
    if (listener->fd < 0)
        return;
    /* from here on the handles' data is the server, which the closing is counted on */
    if (listener->poll.data != NULL) {
        listener->poll.data = listener->rest.data = listener->server;
        uv_close((uv_handle_t *)&listener->poll, own_handle_closed);
        uv_close((uv_handle_t *)&listener->rest, own_handle_closed);
    }
    close(listener->fd);
    listener->fd = -1;
}

void socket_stop(struct socket_server *server, void (*done)(void *ctx), void *ctx)
{
    server->stopped = done;
    server->stopped_ctx = ctx;
    server->stopping = true;
    for (int i = 0; i < 2; i++)
        close_listener(&server->listener[i]);
    if (server->unix_path[0] != '\0')
        listener_unlink(server->unix_path, &server->unix_file);
    uv_close((uv_handle_t *)&server->turn, own_handle_closed);
    struct slice all = {SIZE_MAX, SIZE_MAX};
    struct session *last = server->touched != NULL ? server->touched_last : NULL;
    flush_touched(server, &all, &last);
    for (int i = 0; i < SOCKET_LANES; i++)
        lane_stop(&server->lane[i]);
    calls_free(&server->calls);
    while (server->session_count > 0)
        connection_close(&server->session[0]->io);
}

uint16_t socket_tcp_port(const struct socket_server *server)
{
    return server->tcp_port;
}

void socket_counts(const struct socket_server *server, struct socket_counts *out)
{
    *out = server->counts;
    out->connections = server->session_count;
    out->subscribers = 0;
    for (size_t i = 0; i < server->session_count; i++)
        out->subscribers += server->session[i]->io.sub.on ? 1 : 0;
}
