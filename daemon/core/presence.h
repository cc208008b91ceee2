/*
 * presence: the spans of time in which something was being heard, the newest PRESENCE_SPANS of them.
 *
 * Spans are noted in the order of time. When the list is full the oldest span is forgotten, so that it errs to "not heard". The struct is
 * the caller's; all zero is empty. The unit is the caller's too.
 */
#ifndef BELLROPE_CORE_PRESENCE_H
#define BELLROPE_CORE_PRESENCE_H

#include <stdbool.h>
#include <stddef.h>
#include <stdint.h>

#define PRESENCE_SPANS 16

struct presence_span {
    int64_t from, to;
};

struct presence {
    struct presence_span span[PRESENCE_SPANS];
    size_t count;
};

/* Heard from `from` to `to`. Joins the newest span where no more than `gap` lies between; what lies before it is dropped. */
void presence_note(struct presence *presence, int64_t from, int64_t to, int64_t gap);

/* The newest span; NULL while there is none. */
const struct presence_span *presence_last(const struct presence *presence);

/* Whether `at` lies in a span, or no more than `after` behind one. */
bool presence_at(const struct presence *presence, int64_t at, int64_t after);

#endif
