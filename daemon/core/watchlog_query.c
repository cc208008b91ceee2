#include "core/watchlog.h"

#include "core/container.h"
#include "core/watchemit.h"
#include "core/watchlog_state.h"

static const char *const note_texts[WATCH_NOTES] = {
    [WATCH_NOTE_NONE] = "",
    [WATCH_NOTE_LOOSE] = "no sighting was open at this seat: kept as a loose marker; press a subject first",
    [WATCH_NOTE_UNTIED] = "no subject followed: nothing is tied",
    [WATCH_NOTE_NO_EARLIER] = "no earlier sighting of this subject on this dive: nothing is tied",
    [WATCH_NOTE_REPEATED] = "the dive was in this phase already",
    [WATCH_NOTE_REFUSED] = "the container is full: no sample was made; choose another container",
    [WATCH_NOTE_NO_TARGET] = "nothing to strike at this seat",
    [WATCH_NOTE_STRUCK] = "struck",
    [WATCH_NOTE_OUTSIDE] = "outside the dive: part of no sighting, span or sample",
    [WATCH_NOTE_TOO_MANY] = "too much is open together: kept, without effect; press done or end a span",
    [WATCH_NOTE_LOG_FULL] =
        "the dive has more markers than the record can order: kept as a loose marker; begin a new dive",
};

static const char *const state_names[] = {"open", "closed", "struck", "withdrawn"};
static const char *const close_names[] = {"", "key", "next subject", "idle", "dive end", "off bottom"};

const char *watch_note_text(enum watch_note note)
{
    return (unsigned)note < WATCH_NOTES ? note_texts[note] : "";
}

const char *watch_state_name(enum watch_state state)
{
    return (unsigned)state < sizeof state_names / sizeof state_names[0] ? state_names[state] : "";
}

const char *watch_close_name(enum watch_close close)
{
    return (unsigned)close < sizeof close_names / sizeof close_names[0] ? close_names[close] : "";
}

const char *watchlog_who(const struct watchlog *log, uint8_t seat)
{
    return seat < WATCH_SEATS_MAX ? watchfold_who(&log->fold, seat) : "";
}

uint32_t watchlog_room(const struct watchlog *log)
{
    return log->capacity - log->fold.count;
}

uint32_t watchlog_count(const struct watchlog *log)
{
    return log->fold.count;
}

static uint32_t find_object(const struct watchlog *log, enum watch_opens opens, uint32_t number)
{
    for (uint32_t i = log->fold.count; number != 0 && i-- > 0;)
        if (log->fold.out[i].opens == (uint8_t)opens && log->fold.out[i].number == number)
            return i;
    return WATCHFOLD_NONE;
}

bool watchlog_sighting(const struct watchlog *log, uint32_t number, struct sighting *out)
{
    uint32_t at = find_object(log, WATCH_OPENS_SIGHTING, number);
    if (at != WATCHFOLD_NONE)
        *out = watchemit_sighting(&log->fold, at);
    return at != WATCHFOLD_NONE;
}

bool watchlog_span(const struct watchlog *log, uint32_t number, struct span *out)
{
    uint32_t at = find_object(log, WATCH_OPENS_SPAN, number);
    if (at != WATCHFOLD_NONE)
        *out = watchemit_span(&log->fold, at);
    return at != WATCHFOLD_NONE;
}

bool watchlog_sample(const struct watchlog *log, uint32_t number, struct sample *out)
{
    uint32_t at = find_object(log, WATCH_OPENS_SAMPLE, number);
    if (at != WATCHFOLD_NONE)
        *out = watchemit_sample(&log->fold, at);
    return at != WATCHFOLD_NONE;
}

bool watchlog_link(const struct watchlog *log, uint32_t marker, struct watch_link *out)
{
    uint32_t at = watchfold_find(&log->fold, marker);
    if (at != WATCHFOLD_NONE)
        *out = watchemit_link(&log->fold, at);
    return at != WATCHFOLD_NONE;
}

uint32_t watchlog_last_sighting(const struct watchlog *log)
{
    return log->fold.last_sighting;
}

uint32_t watchlog_last_span(const struct watchlog *log)
{
    return log->fold.last_span;
}

uint32_t watchlog_last_sample(const struct watchlog *log)
{
    return log->fold.last_sample;
}

uint32_t watchlog_contents(const struct watchlog *log, const char *container, uint32_t *numbers, uint32_t max)
{
    return container_contents(&log->fold, container, numbers, max);
}

static void count_objects(const struct watchlog *log, utc_ns now, struct watch_status *status)
{
    const struct watchfold *fold = &log->fold;
    for (uint32_t i = 0; i < fold->count; i++) {
        const struct watch_outcome *out = &fold->out[i];
        if (out->state != WATCH_STATE_OPEN && out->state != WATCH_STATE_CLOSED)
            continue;
        status->sightings += out->opens == WATCH_OPENS_SIGHTING;
        status->samples += out->opens == WATCH_OPENS_SAMPLE;
        if (out->opens != WATCH_OPENS_SPAN)
            continue;
        const struct watch_fact *fact = &fold->entry[i].fact;
        status->spans += fact->kind != KEY_KIND_PHASE;
        if (fact->kind == KEY_KIND_PHASE && fact->phase == DIVE_PHASE_ON_BOTTOM) {
            utc_ns until = out->state == WATCH_STATE_OPEN ? now : out->end;
            status->bottom_ns += until.ns > out->key.ns ? until.ns - out->key.ns : 0;
        }
    }
}

static void look_at_seat(const struct watchlog *log, uint8_t which, utc_ns now,
                         struct watch_seat_status *status)
{
    const struct watch_seat *seat = &log->fold.seat[which];
    status->who = watchfold_who(&log->fold, which);
    status->label = "";
    status->open = seat->open_count;
    if (seat->in_hand == WATCHFOLD_NONE)
        return;
    struct sighting in_hand = watchemit_sighting(&log->fold, seat->in_hand);
    status->in_hand = in_hand.number;
    status->label = in_hand.label;
    status->so_far_ns = now.ns > in_hand.start.ns ? now.ns - in_hand.start.ns : 0;
}

void watchlog_status(const struct watchlog *log, utc_ns now, struct watch_status *status)
{
    const struct watchfold *fold = &log->fold;
    *status = (struct watch_status){.dive_open = log->begun && !fold->ended, .gear = ""};
    status->phase = fold->phase == WATCHFOLD_NONE ? DIVE_PHASE_NONE : fold->entry[fold->phase].fact.phase;
    status->open_spans = fold->span_count;
    if (fold->gear != WATCHFOLD_NONE)
        status->gear = fold->entry[fold->gear].fact.label;
    count_objects(log, now, status);
    status->planned = log->planned_ns > 0;
    status->left_ns = status->planned ? log->planned_ns - status->bottom_ns : 0;
    for (uint8_t s = 0; s < WATCH_SEATS_MAX; s++)
        look_at_seat(log, s, now, &status->seat[s]);
}
