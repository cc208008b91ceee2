#include "core/sighting.h"

#include <string.h>

static struct watch_seat *seat_of(struct watchfold *fold, uint32_t at)
{
    return &fold->seat[fold->entry[at].fact.seat];
}

static void link_to(struct watchfold *fold, uint32_t at, uint32_t opener)
{
    struct watch_outcome *sighting = &fold->out[opener];
    fold->out[at].sighting = fold->entry[opener].object;
    sighting->marker_count++;
    /* An `again` that waited for its subject is earlier than the subject, and not its last marker. */
    if (at >= opener) {
        sighting->last = fold->entry[at].fact.at;
        sighting->last_marker = fold->entry[at].fact.marker;
    }
    watchfold_touch(fold, at, WATCH_TOUCH_LINK);
    watchfold_touch(fold, opener, WATCH_TOUCH_OBJECT);
}

static void note_on(struct watchfold *fold, uint32_t at, enum watch_note note)
{
    fold->out[at].note = (uint8_t)note;
    watchfold_touch(fold, at, WATCH_TOUCH_LINK);
}

/* What waited for a subject has waited in vain. */
static void forget(struct watchfold *fold, uint32_t *waiting)
{
    if (*waiting != WATCHFOLD_NONE)
        note_on(fold, *waiting, WATCH_NOTE_UNTIED);
    *waiting = WATCHFOLD_NONE;
}

static void close_all(struct watchfold *fold, struct watch_seat *seat, enum watch_close close, uint32_t by,
                      utc_ns end)
{
    for (uint32_t i = 0; i < seat->open_count; i++)
        watchfold_close(fold, seat->open[i], close, by,
                        close == WATCH_CLOSE_IDLE ? fold->out[seat->open[i]].last : end);
    seat->open_count = 0;
    seat->in_hand = WATCHFOLD_NONE;
    forget(fold, &seat->relation);
}

/* The sighting in hand before the others, then the one opened last. */
static uint32_t open_with_label(const struct watchfold *fold, const struct watch_seat *seat,
                                const char *label)
{
    if (seat->in_hand != WATCHFOLD_NONE && strcmp(fold->entry[seat->in_hand].fact.label, label) == 0)
        return seat->in_hand;
    for (uint32_t i = seat->open_count; i-- > 0;)
        if (strcmp(fold->entry[seat->open[i]].fact.label, label) == 0)
            return seat->open[i];
    return WATCHFOLD_NONE;
}

static bool stands(const struct watch_outcome *out)
{
    return out->opens == WATCH_OPENS_SIGHTING &&
           (out->state == WATCH_STATE_OPEN || out->state == WATCH_STATE_CLOSED);
}

/* The latest closed sighting of the subject of `opener` that began before index `before`; 0: none. */
static uint32_t earlier_of_subject(const struct watchfold *fold, uint32_t opener, uint32_t before)
{
    const char *label = fold->entry[opener].fact.label;
    for (uint32_t i = before; i-- > 0;)
        if (stands(&fold->out[i]) && fold->out[i].state == WATCH_STATE_CLOSED &&
            strcmp(fold->entry[i].fact.label, label) == 0)
            return fold->entry[i].object;
    return 0;
}

static uint32_t opener_of(const struct watchfold *fold, uint32_t number, uint32_t before)
{
    for (uint32_t i = before; i-- > 0;)
        if (stands(&fold->out[i]) && fold->entry[i].object == number)
            return i;
    return WATCHFOLD_NONE;
}

/* Ties `opener` to the earlier sighting that the `again` at index `again` means. */
static void tie_again(struct watchfold *fold, uint32_t again, uint32_t opener)
{
    struct watch_outcome *sighting = &fold->out[opener];
    uint32_t target = fold->entry[again].fact.target;
    uint32_t found = 0;
    if (target != 0) {
        if (opener_of(fold, target, opener) != WATCHFOLD_NONE)
            found = target;
    } else {
        uint32_t known = opener_of(fold, sighting->again_of, opener);
        found = earlier_of_subject(fold, opener, known == WATCHFOLD_NONE ? opener : known);
    }
    if (found == 0)
        note_on(fold, again, WATCH_NOTE_NO_EARLIER);
    else
        sighting->again_of = found;
    link_to(fold, again, opener);
}

static void open_sighting(struct watchfold *fold, struct watch_seat *seat, uint32_t at)
{
    watchfold_open(fold, at, WATCH_OPENS_SIGHTING, &fold->last_sighting);
    fold->out[at].individuals = 1;
    link_to(fold, at, at);
    if (seat->relation != WATCHFOLD_NONE) {
        fold->out[at].tied_to = fold->out[seat->relation].sighting;
        fold->out[at].tie_marker = fold->entry[seat->relation].fact.marker;
        seat->relation = WATCHFOLD_NONE;
    }
    seat->open[seat->open_count++] = at;
    if (seat->again == WATCHFOLD_NONE)
        return;
    utc_ns waited_since = fold->entry[seat->again].fact.at;
    if (fold->idle_ns > 0 && waited_since.ns + fold->idle_ns <= fold->entry[at].fact.at.ns) {
        forget(fold, &seat->again);
    } else {
        tie_again(fold, seat->again, at);
        seat->again = WATCHFOLD_NONE;
    }
}

void sighting_subject(struct watchfold *fold, uint32_t at)
{
    struct watch_seat *seat = seat_of(fold, at);
    const struct watch_fact *fact = &fold->entry[at].fact;
    uint32_t same = WATCHFOLD_NONE;
    if (seat->relation == WATCHFOLD_NONE) {
        same = open_with_label(fold, seat, fact->label);
        if (same == WATCHFOLD_NONE)
            close_all(fold, seat, WATCH_CLOSE_SUBJECT, fact->marker, fact->at);
    }
    if (same != WATCHFOLD_NONE) {
        fold->out[same].individuals++;
        link_to(fold, at, same);
    } else {
        open_sighting(fold, seat, at);
    }
    seat->in_hand = same != WATCHFOLD_NONE ? same : at;
    seat->last = fact->at;
}

void sighting_mention(struct watchfold *fold, uint32_t at)
{
    struct watch_seat *seat = seat_of(fold, at);
    if (seat->in_hand == WATCHFOLD_NONE)
        return;
    link_to(fold, at, seat->in_hand);
    seat->last = fold->entry[at].fact.at;
}

void sighting_detail(struct watchfold *fold, uint32_t at)
{
    if (seat_of(fold, at)->in_hand == WATCHFOLD_NONE)
        note_on(fold, at, WATCH_NOTE_LOOSE);
    sighting_mention(fold, at);
}

void sighting_relation(struct watchfold *fold, uint32_t at)
{
    struct watch_seat *seat = seat_of(fold, at);
    sighting_detail(fold, at);
    if (seat->in_hand == WATCHFOLD_NONE)
        return;
    forget(fold, &seat->relation);
    if (seat->open_count == WATCH_TIED_MAX)
        note_on(fold, at, WATCH_NOTE_TOO_MANY);
    else
        seat->relation = at;
}

void sighting_again(struct watchfold *fold, uint32_t at)
{
    struct watch_seat *seat = seat_of(fold, at);
    forget(fold, &seat->again);
    if (seat->in_hand == WATCHFOLD_NONE) {
        seat->again = at;
        return;
    }
    tie_again(fold, at, seat->in_hand);
    seat->last = fold->entry[at].fact.at;
}

void sighting_done(struct watchfold *fold, uint32_t at)
{
    struct watch_seat *seat = seat_of(fold, at);
    const struct watch_fact *fact = &fold->entry[at].fact;
    sighting_detail(fold, at);
    close_all(fold, seat, WATCH_CLOSE_KEY, fact->marker, fact->at);
    forget(fold, &seat->again);
}

bool sighting_idle_due(const struct watchfold *fold, uint8_t which, utc_ns *due)
{
    if (fold->idle_ns <= 0 || fold->seat[which].open_count == 0)
        return false;
    due->ns = fold->seat[which].last.ns + fold->idle_ns;
    return true;
}

void sighting_idle(struct watchfold *fold, uint8_t which, utc_ns now)
{
    utc_ns due;
    if (sighting_idle_due(fold, which, &due) && due.ns <= now.ns)
        close_all(fold, &fold->seat[which], WATCH_CLOSE_IDLE, 0, now);
}

void sighting_end(struct watchfold *fold, uint8_t which)
{
    struct watch_seat *seat = &fold->seat[which];
    close_all(fold, seat, WATCH_CLOSE_DIVE_END, 0, fold->end);
    forget(fold, &seat->again);
}
