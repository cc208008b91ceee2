#include "io/catchup.h"

#include "io/fetch.h"
#include "io/server.h"

/* Held for all who catch up at once, roughly: each holds up to two pieces. */
#define BYTES_OF_ALL ((size_t)16 << 20)

static void set_behind(struct session *session, bool behind)
{
    struct catchup *catchup = &session->catchup;
    if (catchup->behind == behind)
        return;
    catchup->behind = behind;
    if (behind)
        session->server->catching_up++;
    else
        session->server->catching_up--;
}

void catchup_forget(struct session *session)
{
    struct catchup *catchup = &session->catchup;
    catchup->turn++;
    catchup->has_ready = false;
    catchup->bytes = FETCH_BYTES_FIRST;
    piece_free(&catchup->ready);
    set_behind(session, false);
}

static void on_piece(void *ctx, struct fetch *fetch);

static void read_ahead(struct session *session)
{
    struct catchup *catchup = &session->catchup;
    struct socket_server *server = session->server;
    if (catchup->reading || catchup->has_ready || server->stopping)
        return;
    set_behind(session, catchup->next < server->log.first);
    struct piece room = subscription_take_spent(&session->io.sub);
    if (!catchup->behind) {
        piece_free(&room);
        return;
    }
    size_t share = BYTES_OF_ALL / 2 / server->catching_up;
    if (share < FETCH_BYTES_FIRST)
        share = FETCH_BYTES_FIRST;
    struct fetch want = {.after = catchup->next - 1,
                         .upto = server->published,
                         .types = session->io.sub.types,
                         .bytes = catchup->bytes < share ? catchup->bytes : share,
                         .turn = catchup->turn,
                         .piece = room};
    catchup->reading = true;
    if (!fetch_start(&server->lane[SOCKET_LANE_JOURNAL], &server->backend, &want, on_piece,
                     session_take(session))) {
        catchup->reading = false;
        piece_free(&room);
        connection_close(&session->io);
        session_drop(session);
    }
}

static void take_piece(struct session *session, struct fetch *fetch)
{
    struct catchup *catchup = &session->catchup;
    catchup->next = fetch->piece.next;
    if (fetch->piece.bytes.len >= catchup->bytes && catchup->bytes < FETCH_BYTES_MOST)
        catchup->bytes *= 2;
    if (subscription_is_dry(&session->io.sub)) {
        subscription_give(&session->io.sub, &fetch->piece);
    } else {
        catchup->ready = fetch->piece;
        catchup->has_ready = true;
        fetch->piece = (struct piece){0};
    }
    read_ahead(session);
}

static void on_piece(void *ctx, struct fetch *fetch)
{
    struct session *session = ctx;
    session->catchup.reading = false;
    bool current = !session->io.closing && session->io.sub.on && fetch->turn == session->catchup.turn;
    if (current && fetch->failed)
        session_let_go(session, fetch->why);
    else if (current)
        take_piece(session, fetch);
    session_touch(session);
    session_drop(session);
}

void catchup_go_on(struct session *session)
{
    struct catchup *catchup = &session->catchup;
    struct subscription *sub = &session->io.sub;
    if (catchup->has_ready) {
        catchup->has_ready = false;
        subscription_give(sub, &catchup->ready);
        session_touch(session);
    } else if (!catchup->reading) {
        catchup->next = sub->next;
    }
    read_ahead(session);
}
