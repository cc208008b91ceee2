/*
 * session: what one peer may do and what its lines mean. Between the connection, which moves bytes, and the server, which
 * has the engine's and the store's functions.
 */
#ifndef BELLROPE_IO_SESSION_H
#define BELLROPE_IO_SESSION_H

#include "io/catchup.h"
#include "io/connection.h"
#include "io/rate.h"
#include "io/tokens.h"

struct socket_server;

struct session {
    struct connection io; /* first: the same address */
    struct socket_server *server;
    unsigned references; /* the connection's own, and one for each open answer and job */
    unsigned open_answers;
    unsigned open_queries;
    enum token_role role;
    struct rate rate;
    size_t place; /* in the server's table */
    bool is_tcp;
    bool touched;
    struct session *next_touched;
    struct catchup catchup;
    uint64_t sent_before; /* io.sent when it was last seen to move */
    int64_t moved_at;     /* what was published then */
    char peer[96];
};

/* Takes over `fd`. NULL where that fails; the descriptor is closed. */
struct session *session_new(struct socket_server *server, int fd, bool is_tcp);

/* Something was written for it: the server flushes it in its next turn. */
void session_touch(struct session *session);
struct session *session_take(struct session *session);
void session_drop(struct session *session);

/* Sends what there is, and lets go of a subscriber that has not moved for too long. */
void session_fan(struct session *session);

/* Tells a subscriber `dropped` and why, and ends its connection once that is fetched. */
void session_let_go(struct session *session, const char *why);

#endif
