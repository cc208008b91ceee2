#include "core/presence.h"

#include <string.h>

void presence_note(struct presence *presence, int64_t from, int64_t to, int64_t gap)
{
    if (presence->count > 0) {
        struct presence_span *last = &presence->span[presence->count - 1];
        if (from - last->to <= gap) {
            if (to > last->to)
                last->to = to;
            return;
        }
    }
    if (presence->count == PRESENCE_SPANS) {
        memmove(&presence->span[0], &presence->span[1], (PRESENCE_SPANS - 1) * sizeof presence->span[0]);
        presence->count--;
    }
    presence->span[presence->count++] = (struct presence_span){from, to};
}

const struct presence_span *presence_last(const struct presence *presence)
{
    return presence->count == 0 ? NULL : &presence->span[presence->count - 1];
}

bool presence_at(const struct presence *presence, int64_t at, int64_t after)
{
    for (size_t i = presence->count; i > 0; i--) {
        const struct presence_span *span = &presence->span[i - 1];
        if (at >= span->from)
            return at - span->to <= after;
    }
    return false;
}
