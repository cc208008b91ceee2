#include "core/watchfold.h"

#include "core/container.h"
#include "core/sighting.h"
#include "core/span.h"

#include <assert.h>
#include <string.h>

void watchfold_reset(struct watchfold *fold)
{
    for (uint32_t s = 0; s < WATCH_SEATS_MAX; s++)
        fold->seat[s] = (struct watch_seat){.in_hand = WATCHFOLD_NONE,
                                            .relation = WATCHFOLD_NONE,
                                            .again = WATCHFOLD_NONE,
                                            .badge = WATCHFOLD_NONE};
    fold->span_count = 0;
    fold->phase = WATCHFOLD_NONE;
    fold->gear = WATCHFOLD_NONE;
    fold->touched_count = 0;
}

void watchfold_touch(struct watchfold *fold, uint32_t at, enum watch_touch what)
{
    struct watch_outcome *out = &fold->out[at];
    if (!fold->track)
        return;
    if (out->touched == 0) {
        assert(fold->touched_count < WATCHFOLD_TOUCHED_MAX);
        fold->touched[fold->touched_count++] = at;
    }
    out->touched = (uint8_t)(out->touched | what);
}

void watchfold_open(struct watchfold *fold, uint32_t at, enum watch_opens opens, uint32_t *last)
{
    struct watch_entry *entry = &fold->entry[at];
    struct watch_outcome *out = &fold->out[at];
    if (entry->object == 0)
        entry->object = ++*last;
    out->opens = (uint8_t)opens;
    out->number = entry->object;
    out->state = WATCH_STATE_OPEN;
    out->close = WATCH_CLOSE_NONE;
    out->key = entry->fact.at;
    out->last = entry->fact.at;
    watchfold_touch(fold, at, WATCH_TOUCH_OBJECT);
}

void watchfold_close(struct watchfold *fold, uint32_t at, enum watch_close close, uint32_t by, utc_ns end)
{
    struct watch_outcome *out = &fold->out[at];
    out->state = WATCH_STATE_CLOSED;
    out->close = (uint8_t)close;
    out->closed_by = by;
    out->end = end;
    watchfold_touch(fold, at, WATCH_TOUCH_OBJECT);
}

const char *watchfold_who(const struct watchfold *fold, uint8_t seat)
{
    uint32_t badge = fold->seat[seat].badge;
    return badge == WATCHFOLD_NONE ? fold->base_who[seat] : fold->entry[badge].fact.label;
}

uint32_t watchfold_find(const struct watchfold *fold, uint32_t marker)
{
    for (uint32_t i = fold->count; i-- > 0;)
        if (fold->entry[i].fact.marker == marker)
            return i;
    return WATCHFOLD_NONE;
}

enum watch_opens watchfold_opens(enum key_kind kind)
{
    switch (kind) {
    case KEY_KIND_SUBJECT:
        return WATCH_OPENS_SIGHTING;
    case KEY_KIND_SPAN:
    case KEY_KIND_TRANSECT:
    case KEY_KIND_PHASE:
        return WATCH_OPENS_SPAN;
    case KEY_KIND_SAMPLE:
        return WATCH_OPENS_SAMPLE;
    default:
        return WATCH_OPENS_NOTHING;
    }
}

/* A number once given stays with its fact; the object it named is struck with it, or withdrawn. */
static void begin_outcome(struct watchfold *fold, uint32_t at)
{
    const struct watch_entry *entry = &fold->entry[at];
    struct watch_outcome *out = &fold->out[at];
    if (entry->object == 0)
        return;
    out->opens = (uint8_t)watchfold_opens(entry->fact.kind);
    out->number = entry->object;
    out->state = out->struck ? WATCH_STATE_STRUCK : WATCH_STATE_WITHDRAWN;
    out->key = entry->fact.at;
    watchfold_touch(fold, at, WATCH_TOUCH_OBJECT);
}

bool watchfold_outside(const struct watchfold *fold, uint32_t at)
{
    utc_ns when = fold->entry[at].fact.at;
    return when.ns < fold->begin.ns || (fold->ended && when.ns > fold->end.ns);
}

static void dispatch(struct watchfold *fold, uint32_t at)
{
    switch (fold->entry[at].fact.kind) {
    case KEY_KIND_SUBJECT:
        sighting_subject(fold, at);
        break;
    case KEY_KIND_DETAIL:
        sighting_detail(fold, at);
        break;
    case KEY_KIND_RELATION:
        sighting_relation(fold, at);
        break;
    case KEY_KIND_AGAIN:
        sighting_again(fold, at);
        break;
    case KEY_KIND_DONE:
        sighting_done(fold, at);
        break;
    case KEY_KIND_SPAN:
    case KEY_KIND_TRANSECT:
        span_toggle(fold, at);
        break;
    case KEY_KIND_PHASE:
        span_phase(fold, at);
        break;
    case KEY_KIND_SAMPLE:
        container_sample(fold, at);
        break;
    case KEY_KIND_GEAR:
        fold->gear = at;
        break;
    case KEY_KIND_NOTE:
        sighting_mention(fold, at);
        break;
    default: /* a waypoint has its number already; a badge is done; strikes were looked at first */
        break;
    }
}

/* What has been idle for too long is closed at every seat, whoever presses: an `again` elsewhere must find it closed. */
static void close_idle(struct watchfold *fold, utc_ns now)
{
    for (uint8_t s = 0; s < WATCH_SEATS_MAX; s++)
        sighting_idle(fold, s, now);
}

void watchfold_apply(struct watchfold *fold, uint32_t at)
{
    const struct watch_fact *fact = &fold->entry[at].fact;
    struct watch_outcome *out = &fold->out[at];
    struct watch_seat *seat = &fold->seat[fact->seat];
    begin_outcome(fold, at);
    if (fact->kind == KEY_KIND_BADGE && !out->struck)
        seat->badge = at;
    out->who = seat->badge == WATCHFOLD_NONE ? 0 : fold->entry[seat->badge].fact.marker;
    if (out->struck) {
        out->note = WATCH_NOTE_STRUCK;
        return;
    }
    if (fact->kind == KEY_KIND_WAYPOINT)
        out->object = fold->entry[at].object;
    if (watchfold_outside(fold, at)) {
        out->note = WATCH_NOTE_OUTSIDE;
        return;
    }
    close_idle(fold, fact->at);
    dispatch(fold, at);
}

/* Each strike reaches the latest marker of its seat that stands and is no strike: a stack a seat, linked through the outcomes. */
static void find_strikes(struct watchfold *fold)
{
    uint32_t top[WATCH_SEATS_MAX];
    for (uint32_t s = 0; s < WATCH_SEATS_MAX; s++)
        top[s] = WATCHFOLD_NONE;
    for (uint32_t i = 0; i < fold->count; i++) {
        const struct watch_entry *entry = &fold->entry[i];
        struct watch_outcome *out = &fold->out[i];
        uint32_t *reach = &top[entry->fact.seat];
        out->struck = entry->struck_by_name;
        if (out->struck)
            continue;
        if (entry->fact.kind != KEY_KIND_STRIKE) {
            out->below = *reach;
            *reach = i;
        } else if (*reach == WATCHFOLD_NONE) {
            out->note = WATCH_NOTE_NO_TARGET;
        } else {
            struct watch_outcome *target = &fold->out[*reach];
            target->struck = true;
            target->struck_by = entry->fact.marker;
            *reach = target->below;
        }
    }
}

/* A container answers once, in the order in which the presses came, which is that of the marker numbers. */
static void decide_samples(struct watchfold *fold)
{
    for (;;) {
        uint32_t next = WATCHFOLD_NONE;
        for (uint32_t i = 0; i < fold->count; i++) {
            const struct watch_entry *entry = &fold->entry[i];
            if (entry->fact.kind == KEY_KIND_SAMPLE && !entry->decided &&
                (next == WATCHFOLD_NONE || entry->fact.marker < fold->entry[next].fact.marker))
                next = i;
        }
        if (next == WATCHFOLD_NONE)
            return;
        container_decide(fold, next);
    }
}

void watchfold_run(struct watchfold *fold, utc_ns horizon)
{
    for (uint32_t i = 0; i < fold->count; i++)
        fold->out[i] = (struct watch_outcome){0};
    watchfold_reset(fold);
    find_strikes(fold);
    decide_samples(fold);
    for (uint32_t i = 0; i < fold->count; i++)
        watchfold_apply(fold, i);
    if (fold->ended && fold->end.ns > horizon.ns)
        horizon = fold->end;
    close_idle(fold, horizon);
    if (!fold->ended)
        return;
    for (uint8_t s = 0; s < WATCH_SEATS_MAX; s++)
        sighting_end(fold, s);
    span_end(fold);
}
