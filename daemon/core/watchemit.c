#include "core/watchemit.h"

#include "core/container.h"

#include <string.h>

/* Who is meant by a badge's marker; 0: who sat there before the first badge. */
static const char *who_by(const struct watchfold *fold, uint8_t seat, uint32_t badge)
{
    uint32_t at = badge == 0 ? WATCHFOLD_NONE : watchfold_find(fold, badge);
    return at == WATCHFOLD_NONE ? fold->base_who[seat] : fold->entry[at].fact.label;
}

/* The gear that sample `at` was taken with: its key's own, or what a gear key had put in use. */
static const char *gear_by(const struct watchfold *fold, uint32_t at, uint32_t gear)
{
    const char *own = fold->entry[at].fact.gear;
    uint32_t in_use = own[0] != '\0' || gear == 0 ? WATCHFOLD_NONE : watchfold_find(fold, gear);
    return in_use == WATCHFOLD_NONE ? own : fold->entry[in_use].fact.label;
}

struct sighting watchemit_sighting(const struct watchfold *fold, uint32_t at)
{
    const struct watch_fact *fact = &fold->entry[at].fact;
    const struct watch_outcome *out = &fold->out[at];
    struct sighting sighting = {
        .number = out->number,
        .opened_by = fact->marker,
        .last_marker = out->last_marker,
        .closed_by = out->closed_by,
        .marker_count = out->marker_count,
        .individuals = out->individuals,
        .seat = fact->seat,
        .state = (enum watch_state)out->state,
        .close = (enum watch_close)out->close,
        .key = out->key,
        .lead_ms = fact->lead_ms,
        .start = {out->key.ns - (int64_t)fact->lead_ms * NS_PER_MS},
        .last = out->last,
        .end = out->end,
        .tied_to = out->tied_to,
        .tie_marker = out->tie_marker,
        .again_of = out->again_of,
        .label = fact->label,
        .term = fact->term,
        .tie_label = "",
        .tie_term = "",
    };
    uint32_t tie = out->tie_marker == 0 ? WATCHFOLD_NONE : watchfold_find(fold, out->tie_marker);
    if (tie != WATCHFOLD_NONE) {
        sighting.tie_label = fold->entry[tie].fact.label;
        sighting.tie_term = fold->entry[tie].fact.term;
    }
    return sighting;
}

struct span watchemit_span(const struct watchfold *fold, uint32_t at)
{
    const struct watch_entry *entry = &fold->entry[at];
    const struct watch_outcome *out = &fold->out[at];
    /* A phase begins when it is said to begin: two of them must not overlap. */
    uint32_t lead_ms = entry->fact.kind == KEY_KIND_PHASE ? 0 : entry->fact.lead_ms;
    return (struct span){
        .number = out->number,
        .transect = entry->transect,
        .kind = entry->fact.kind,
        .phase = entry->fact.phase,
        .opened_by = entry->fact.marker,
        .closed_by = out->closed_by,
        .seat = entry->fact.seat,
        .state = (enum watch_state)out->state,
        .close = (enum watch_close)out->close,
        .key = out->key,
        .lead_ms = lead_ms,
        .start = {out->key.ns - (int64_t)lead_ms * NS_PER_MS},
        .end = out->end,
        .label = entry->fact.label,
        .term = entry->fact.term,
    };
}

struct sample watchemit_sample(const struct watchfold *fold, uint32_t at)
{
    const struct watch_fact *fact = &fold->entry[at].fact;
    const struct watch_outcome *out = &fold->out[at];
    return (struct sample){
        .number = out->number,
        .marker = fact->marker,
        .sighting = out->sighting,
        .seat = fact->seat,
        .state = (enum watch_state)out->state,
        .at = out->key,
        .label = fact->label,
        .term = fact->term,
        .container = fact->container,
        .gear = gear_by(fold, at, out->gear),
    };
}

struct watch_link watchemit_link(const struct watchfold *fold, uint32_t at)
{
    const struct watch_outcome *out = &fold->out[at];
    return (struct watch_link){
        .marker = fold->entry[at].fact.marker,
        .sighting = out->sighting,
        .object = out->object,
        .struck_by = out->struck_by,
        .note = (enum watch_note)out->note,
        .who = who_by(fold, fold->entry[at].fact.seat, out->who),
    };
}

static void send(const struct watchemit *emit, struct watch_change *change)
{
    change->recomputed = emit->recomputed;
    if (emit->sink != NULL)
        emit->sink(emit->ctx, change);
}

static void send_link(const struct watchemit *emit, uint32_t at)
{
    struct watch_change change = {.type = WATCH_CHANGE_LINK};
    if (emit->fold->entry[at].fact.marker == emit->own)
        return;
    change.of.link = watchemit_link(emit->fold, at);
    send(emit, &change);
}

static void send_object(const struct watchemit *emit, uint32_t at)
{
    struct watch_change change;
    switch ((enum watch_opens)emit->fold->out[at].opens) {
    case WATCH_OPENS_SIGHTING:
        change.type = WATCH_CHANGE_SIGHTING;
        change.of.sighting = watchemit_sighting(emit->fold, at);
        break;
    case WATCH_OPENS_SPAN:
        change.type = WATCH_CHANGE_SPAN;
        change.of.span = watchemit_span(emit->fold, at);
        break;
    case WATCH_OPENS_SAMPLE:
        change.type = WATCH_CHANGE_SAMPLE;
        change.of.sample = watchemit_sample(emit->fold, at);
        break;
    case WATCH_OPENS_NOTHING:
    default:
        return;
    }
    send(emit, &change);
}

static void sort(uint32_t *index, uint32_t count)
{
    for (uint32_t i = 1; i < count; i++) {
        uint32_t value = index[i], place = i;
        for (; place > 0 && index[place - 1] > value; place--)
            index[place] = index[place - 1];
        index[place] = value;
    }
}

void watchemit_touched(const struct watchemit *emit, struct watchfold *fold)
{
    sort(fold->touched, fold->touched_count);
    for (uint32_t i = 0; i < fold->touched_count; i++)
        if (fold->out[fold->touched[i]].touched & WATCH_TOUCH_LINK)
            send_link(emit, fold->touched[i]);
    for (uint32_t i = 0; i < fold->touched_count; i++) {
        if (fold->out[fold->touched[i]].touched & WATCH_TOUCH_OBJECT)
            send_object(emit, fold->touched[i]);
        fold->out[fold->touched[i]].touched = 0;
    }
    fold->touched_count = 0;
}

static bool link_differs(const struct watchfold *fold, const struct watch_outcome *before, uint32_t at)
{
    const struct watch_outcome *a = &before[at], *b = &fold->out[at];
    if (a->fresh || a->sighting != b->sighting || a->object != b->object || a->struck != b->struck ||
        a->struck_by != b->struck_by || a->note != b->note)
        return true;
    uint8_t seat = fold->entry[at].fact.seat;
    return a->who != b->who && strcmp(who_by(fold, seat, a->who), who_by(fold, seat, b->who)) != 0;
}

static bool sample_differs(const struct watchfold *fold, const struct watch_outcome *before, uint32_t at)
{
    const struct watch_outcome *a = &before[at], *b = &fold->out[at];
    if (a->sighting != b->sighting)
        return true;
    return a->gear != b->gear && strcmp(gear_by(fold, at, a->gear), gear_by(fold, at, b->gear)) != 0;
}

static bool object_differs(const struct watchfold *fold, const struct watch_outcome *before, uint32_t at)
{
    const struct watch_outcome *a = &before[at], *b = &fold->out[at];
    if (a->opens == WATCH_OPENS_NOTHING && b->opens == WATCH_OPENS_NOTHING)
        return false;
    if (a->opens != b->opens || a->number != b->number || a->state != b->state || a->close != b->close ||
        a->closed_by != b->closed_by || a->last_marker != b->last_marker ||
        a->marker_count != b->marker_count || a->individuals != b->individuals || a->tied_to != b->tied_to ||
        a->tie_marker != b->tie_marker || a->again_of != b->again_of || a->key.ns != b->key.ns ||
        a->last.ns != b->last.ns || a->end.ns != b->end.ns)
        return true;
    return b->opens == WATCH_OPENS_SAMPLE && sample_differs(fold, before, at);
}

static void send_strike(const struct watchemit *emit, uint32_t at)
{
    const struct watch_outcome *out = &emit->fold->out[at];
    struct watch_change change = {
        .type = WATCH_CHANGE_STRIKE,
        .of.strike = {.marker = emit->fold->entry[at].fact.marker,
                      .by = out->struck_by,
                      .restored = !out->struck},
    };
    send(emit, &change);
}

void watchemit_difference(const struct watchemit *emit, const struct watch_outcome *before)
{
    const struct watchfold *fold = emit->fold;
    for (uint32_t i = 0; i < fold->count; i++)
        if (before[i].struck != fold->out[i].struck ||
            (fold->out[i].struck && before[i].struck_by != fold->out[i].struck_by))
            send_strike(emit, i);
    for (uint32_t i = 0; i < fold->count; i++)
        if (link_differs(fold, before, i))
            send_link(emit, i);
    for (uint32_t i = 0; i < fold->count; i++)
        if (object_differs(fold, before, i))
            send_object(emit, i);
}

void watchemit_refusals(const struct watchemit *emit, struct watchfold *fold)
{
    for (uint32_t i = 0; i < fold->count; i++) {
        struct watch_entry *entry = &fold->entry[i];
        if (!entry->announce)
            continue;
        entry->announce = false;
        struct watch_change change = {.type = WATCH_CHANGE_REFUSAL};
        struct watch_refusal *refusal = &change.of.refusal;
        refusal->marker = entry->fact.marker;
        refusal->capacity = entry->fact.capacity;
        refusal->container = entry->fact.container;
        refusal->held = container_contents(fold, entry->fact.container, refusal->number, WATCH_CONTENTS_MAX);
        refusal->listed = refusal->held < WATCH_CONTENTS_MAX ? refusal->held : WATCH_CONTENTS_MAX;
        send(emit, &change);
    }
}
