/*
 * socket: the daemon's JSON-RPC 2.0 door, one JSON text a line, over a unix socket and, where configured, TCP.
 * docs/socket.md is the contract with other programs; this header is the contract with the app.
 *
 * The socket knows nothing of the engine or the store. The app gives it a table of functions (struct
 * socket_backend) and tells it three things as they happen:
 *
 *   commit    socket_stage()    the JSON text of an entry that is on its way to the disk
 *   publish   socket_publish()  all staged texts up to a seq are on disk: subscribers may have them
 *   reply     socket_reply()    what the engine answered to a command, by its token
 *
 * Everything but the functions marked so runs in the loop's thread. Nothing here blocks: fan-out to many
 * subscribers goes in slices between turns of the loop, so that pads are served in between, and whatever reads
 * the database runs on libuv's worker threads.
 *
 * Subscribers share one copy of each event. Each has only a place in the stream (the seq that comes next): behind
 * the texts kept in memory it reads from the journal in pieces, at the front it follows the live texts, so there is
 * no gap and no repeat by construction. One that takes no byte while `queue_events` more events come is told
 * `dropped {last_seq}` and let go; it may come back and resume by seq.
 */
#ifndef BELLROPE_IO_SOCKET_H
#define BELLROPE_IO_SOCKET_H

#include "core/engine.h"
#include "core/entry.h"

#include <uv.h>

#define SOCKET_WHY_SIZE 512

struct socket_config {
    const char *unix_path;  /* NULL: none */
    unsigned unix_mode;     /* of the socket file; 0: 0660 */
    const char *unix_group; /* NULL: the daemon's own */
    const char *tcp_host;   /* numeric address, or "localhost"; NULL: none */
    uint16_t tcp_port;      /* 0: any free one, see socket_tcp_port() */
    const char *token_file; /* demanded for TCP beyond loopback; asks every TCP peer for `hello` */

    /* 0 takes the default. */
    size_t connections;   /* 256 */
    size_t message_bytes; /* longest line taken, 65536 */
    /* Messages per second and connection; a quicker peer is read more slowly, and nothing of it is lost. */
    unsigned tcp_rate_per_s; /* 2000 */
    unsigned
        unix_rate_per_s; /* 100000: several times what the store takes, so that only what costs it nothing is slowed */
    size_t queue_events;  /* how many events may come while a subscriber takes no byte, 8192 */
    size_t memory_events; /* texts kept for followers, 1024; fewer where they exceed memory_bytes */
    size_t memory_bytes;  /* 4 MiB */
    uint64_t linger_ms;   /* how long a dropped subscriber may still fetch its notice, 10000 */
};

/* What it has to tell people (peers and who they are, refused tokens, dropped subscribers) goes to io/log.h. */

/* Queries that read the database. The answer is the JSON text of the method's result, as docs/schema has it. */
enum socket_query_kind {
    SOCKET_QUERY_MARKERS,
    SOCKET_QUERY_SIGHTINGS,
    SOCKET_QUERY_SAMPLES,
    SOCKET_QUERY_DIVES,
    SOCKET_QUERY_DIVE_KNOWN /* "true" or "false": is there a dive of that id? Asked before dive.begin */
};

struct socket_query {
    enum socket_query_kind kind;
    bool dive_given;         /* false: the dive that is open, else the latest */
    char dive[DIVE_ID_SIZE]; /* empty and given: what was made without a dive */
    int64_t after;           /* only rows of a number greater than this */
    int64_t limit;           /* rows at most; 1 to 10000 */
    bool newest;             /* the last `limit` rows, not the first; still in rising order */
};

/* Worker lanes: calls in one lane never overlap, so the backend needs one reader of the database for each. */
enum socket_lane { SOCKET_LANE_JOURNAL, SOCKET_LANE_QUERY, SOCKET_LANES };

/* One journal row on its way to a subscriber; false: enough, stop. `json` is the text that was staged. */
typedef bool socket_row_fn(void *row_ctx, int64_t seq, enum entry_type type, const char *json, size_t len);
typedef void socket_line_fn(void *line_ctx, const struct engine_status_line *line);

struct socket_backend {
    void *ctx;

    /* Loop thread. Hands a `fields` record to the engine (INPUT_COMMAND). False: not now, the daemon is ending. */
    bool (*command)(void *ctx, const char *record, size_t len);
    /* Loop thread. */
    void (*status)(void *ctx, socket_line_fn *line, void *line_ctx);
    /* Loop thread. The open dive's id; empty: none. */
    const char *(*dive)(void *ctx);

    /* Worker thread, SOCKET_LANE_JOURNAL. Rows with after < seq <= upto in order of seq. False with a sentence in `why`. */
    bool (*journal)(void *ctx, int64_t after, int64_t upto, socket_row_fn *row, void *row_ctx,
                    char why[SOCKET_WHY_SIZE]);
    /* Worker thread, SOCKET_LANE_QUERY. The result's text from malloc(), or NULL with a sentence in `why`. */
    char *(*query)(void *ctx, const struct socket_query *query, char why[SOCKET_WHY_SIZE]);
};

struct socket_server;

/*
 * Listens. `last_seq` is the newest entry that is on disk already. Both tables are copied, the texts in `config` only
 * used during the call. 0, or -1 with a sentence in `why`: another daemon answers on that path (its pid is named), the
 * address cannot be bound, TCP beyond loopback without token_file, token_file unreadable or readable by others.
 * A socket file that nobody answers on is removed; a file that is no socket is left alone and refused. After -1 the loop
 * must turn once more, to close what was opened.
 */
int socket_start(struct socket_server **out, uv_loop_t *loop, const struct socket_config *config,
                 const struct socket_backend *backend, int64_t last_seq, char why[SOCKET_WHY_SIZE]);

/* Closes everything, removes the socket file and calls `done` from the loop; then the server is gone. */
void socket_stop(struct socket_server *server, void (*done)(void *ctx), void *ctx);

void socket_stage(struct socket_server *server, int64_t seq, enum entry_type type, const char *json,
                  size_t len);
void socket_publish(struct socket_server *server, int64_t seq_to);
void socket_reply(struct socket_server *server, const struct engine_reply *reply);

/* The port that is bound; 0: no TCP. */
uint16_t socket_tcp_port(const struct socket_server *server);

/* For `status` and tests. */
struct socket_counts {
    size_t connections, subscribers;
    uint64_t accepted, refused; /* refused: beyond the limit of connections, or a wrong token */
    uint64_t bad_messages;      /* answered with -32700 or -32600 */
    uint64_t dropped;           /* subscribers that stopped reading */
};
void socket_counts(const struct socket_server *server, struct socket_counts *out);

#endif
