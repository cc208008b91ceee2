/*
 * event_text: an event as it goes down the line, written once and shared by all subscribers; and event_log, the newest
 * of them in order of seq.
 *
 *   {"jsonrpc":"2.0","method":"event","params":JSON}\n
 *
 * The log is a ring without holes: `first` to `next - 1`. It forgets its oldest text when it holds too many or too many
 * bytes; whoever still sends that text has a reference of its own. One thread.
 */
#ifndef BELLROPE_IO_EVENT_TEXT_H
#define BELLROPE_IO_EVENT_TEXT_H

#include "core/entry.h"
#include "io/bytes.h"

struct event_text {
    unsigned references;
    enum entry_type type;
    int64_t seq;
    struct event_text *next; /* of a queue that owns it */
    size_t len;
    char bytes[];
};

/* One reference for the caller; NULL where memory is short. */
struct event_text *event_text_new(int64_t seq, enum entry_type type, const char *json, size_t len);
struct event_text *event_text_take(struct event_text *text);
void event_text_drop(struct event_text *text); /* NULL is fine */

/* The same line appended to a buffer, for those who read it from the journal. */
void event_text_wrap(struct bytes *out, const char *json, size_t len);

struct event_log {
    struct event_text **ring;
    size_t slots; /* a power of two */
    int64_t first, next;
    size_t bytes, bytes_max;
};

/* Empty, with `next` the first seq it will get. False where memory is short. */
bool event_log_init(struct event_log *log, size_t slots, size_t bytes_max, int64_t next);
void event_log_free(struct event_log *log);
/* Takes over the caller's reference. A text whose seq is not `next` empties the log first: it holds no gap. */
void event_log_add(struct event_log *log, struct event_text *text);
/* Forgets all; `next` is the seq of the next text. */
void event_log_restart(struct event_log *log, int64_t next);
/* Borrowed; NULL where seq is not in the log. */
struct event_text *event_log_at(const struct event_log *log, int64_t seq);

#endif
