/*
 * subscription: one subscriber's place in the stream of events, and the bytes that come next. No descriptor, no loop.
 *
 *   next   the seq that will be sent next
 *   piece  lines read from the journal (catch-up), sent before anything live
 *   carry  the rest of a line that was begun and must be finished before anything else may go down the connection
 *
 * Behind the log's first text the subscriber waits for a piece (subscription_wants_piece); from there on it follows the
 * log. Because `next` is a seq and not a place in some queue, going from journal to log and back loses and repeats nothing.
 */
#ifndef BELLROPE_IO_SUBSCRIPTION_H
#define BELLROPE_IO_SUBSCRIPTION_H

#include "io/event_text.h"

#include <sys/uio.h>

struct piece_line {
    size_t end; /* offset behind the line */
    int64_t seq;
};

/* Lines as they go down, and which seq each has. `next` is what follows once all are sent. */
struct piece {
    struct bytes bytes;
    struct piece_line *line;
    size_t count, size;
    int64_t next;
};

/* Appends a line made of an event's JSON; `bytes.failed` is set where memory is short. */
void piece_add(struct piece *piece, int64_t seq, const char *json, size_t len);
void piece_free(struct piece *piece);

struct subscription {
    bool on;
    uint32_t types;
    int64_t next;
    struct piece piece;
    struct piece spent; /* empty; its memory is for the next piece, and goes once it has caught up */
    size_t piece_at;    /* bytes of it that are sent */
    size_t piece_line;  /* lines of it that are sent whole */
    struct event_text *carry;
    size_t carry_at;
};

/* Zeroed memory is an ended one. Events after `since`; what was begun before is finished first. */
void subscription_begin(struct subscription *sub, int64_t since, uint32_t types);
/* Ends it, but for the rest of a line that was begun. Afterwards next - 1 is the last seq that the peer has or will have. */
void subscription_end(struct subscription *sub);
void subscription_free(struct subscription *sub);

/* Whether all that was read from the journal for it is sent. */
bool subscription_is_dry(const struct subscription *sub);
/* Whether nothing can be sent before more is read from the journal: rows from `next` on. */
bool subscription_wants_piece(const struct subscription *sub, const struct event_log *log);
/* Takes over the piece's contents and leaves it empty. */
void subscription_give(struct subscription *sub, struct piece *piece);
/* The memory of the piece that was sent last, empty; now the caller's to fill or to free. */
struct piece subscription_take_spent(struct subscription *sub);

/* The rest of the line that is under way; false: none is. */
bool subscription_rest(const struct subscription *sub, struct iovec *out);
/* What to send next, at most `max` parts; passes over events of other types. 0: nothing now. */
size_t subscription_gather(struct subscription *sub, const struct event_log *log, struct iovec *out,
                           size_t max);
/* The first `len` bytes of what was gathered (or of the rest) are sent. */
void subscription_sent(struct subscription *sub, const struct event_log *log, size_t len);

#endif
