/*
 * server: what socket.c, which listens and fans out, and session.c, which answers one peer, share.
 */
#ifndef BELLROPE_IO_SERVER_H
#define BELLROPE_IO_SERVER_H

#include "io/calls.h"
#include "io/lane.h"
#include "io/listener.h"
#include "io/session.h"
#include "io/socket.h"

/* One listening descriptor. While no descriptor can be had for a new peer it rests for a moment instead of spinning. */
struct server_listener {
    struct socket_server *server;
    int fd; /* -1: none */
    bool is_tcp;
    uv_poll_t poll;
    uv_timer_t rest;
};

struct socket_server {
    uv_loop_t *loop;
    struct socket_backend backend;
    size_t connections_max, message_bytes, queue_events;
    unsigned rate_per_s[2]; /* of unix and TCP peers */
    uint64_t linger_ms;

    struct server_listener listener[2]; /* unix, TCP */
    char unix_path[108];
    struct listener_file unix_file;
    uint16_t tcp_port;
    struct tokens *tokens;

    struct event_log log;
    int64_t published;
    struct event_text *staged_first, *staged_last;

    struct session **session; /* those that are open; connections_max places */
    size_t session_count;
    size_t sessions_alive;                  /* open, or closing with something still under way */
    size_t catching_up;                     /* subscribers that read from the journal */
    struct session *touched, *touched_last; /* first come, first served */
    uv_idle_t turn;                         /* runs while there is something to flush */
    size_t fan_at, fan_left;                /* the place in the table, and how many are still to be visited */

    struct calls calls;
    struct lane lane[SOCKET_LANES];
    struct socket_counts counts;
    struct rate peers_told; /* a storm of peers does not fill the log */

    bool stopping;
    unsigned handles; /* of the server's own that are open */
    void (*stopped)(void *ctx);
    void *stopped_ctx;
};

/* Flushes in the loop's next turns, a slice in each, until all is sent. */
void server_wake(struct socket_server *server);
/* The session is closing: takes it off the table. */
void server_forget(struct socket_server *server, struct session *session);
/* Frees the server when it is stopping and nothing of it is open. */
void server_end_if_done(struct socket_server *server);

#endif
