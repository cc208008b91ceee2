/* The watch log's changes as journal entries. A change is only noted while the log works; the objects are asked for afterwards, whole. */
#include "core/engine_state.h"

#include <inttypes.h>
#include <stdio.h>
#include <string.h>

uint8_t engine_seat(struct engine *e, const char *name)
{
    for (size_t i = 0; i < e->seat_count; i++)
        if (strcmp(e->seat[i], name) == 0)
            return (uint8_t)i;
    if (e->seat_count == WATCH_SEATS_MAX)
        return WATCH_SEATS_MAX;
    engine_copy(e->seat[e->seat_count], SEAT_SIZE, name);
    return (uint8_t)e->seat_count++;
}

void engine_sits(struct engine *e, uint8_t seat, const char *who)
{
    if (seat >= e->seat_count || strcmp(e->who[seat], who) == 0)
        return;
    engine_copy(e->who[seat], WHO_SIZE, who);
    struct entry *entry = engine_entry(e, ENTRY_SEAT);
    engine_copy(entry->of.seat.seat, SEAT_SIZE, e->seat[seat]);
    engine_copy(entry->of.seat.who, WHO_SIZE, who);
    engine_commit(e, entry);
}

static uint32_t change_number(const struct watch_change *change)
{
    switch (change->type) {
    case WATCH_CHANGE_STRIKE:
        return change->of.strike.marker;
    case WATCH_CHANGE_LINK:
        return change->of.link.marker;
    case WATCH_CHANGE_SIGHTING:
        return change->of.sighting.number;
    case WATCH_CHANGE_SPAN:
        return change->of.span.number;
    case WATCH_CHANGE_SAMPLE:
        return change->of.sample.number;
    default:
        return change->of.refusal.marker;
    }
}

void engine_watch_sink(void *ctx, const struct watch_change *change)
{
    struct engine *e = ctx;
    if (e->restoring || e->change_count == CHANGES_MAX)
        return; /* the table holds every object and marker of a full log */
    struct change_ref *ref = &e->change[e->change_count++];
    *ref = (struct change_ref){
        .type = (uint8_t)change->type, .recomputed = change->recomputed, .number = change_number(change)};
    if (change->type == WATCH_CHANGE_STRIKE) {
        ref->restored = change->of.strike.restored;
        ref->by = change->of.strike.by;
    } else if (change->type == WATCH_CHANGE_REFUSAL) {
        e->refusal = change->of.refusal;
        engine_copy(e->refusal_container, sizeof e->refusal_container, change->of.refusal.container);
        e->refusal.container = e->refusal_container;
    }
}

static struct entry *watch_entry(struct engine *e, enum entry_type type)
{
    struct entry *entry = engine_entry(e, type);
    engine_copy(entry->dive, sizeof entry->dive, e->dive.id);
    return entry;
}

static void sighting_entry(struct engine *e, const struct change_ref *ref)
{
    struct sighting sighting;
    if (!watchlog_sighting(e->watch, ref->number, &sighting))
        return;
    struct entry *entry = watch_entry(e, ENTRY_SIGHTING);
    struct sighting_entry *to = &entry->of.sighting;
    to->number = sighting.number;
    engine_copy(to->seat, sizeof to->seat, e->seat[sighting.seat]);
    engine_copy(to->state, sizeof to->state, watch_state_name(sighting.state));
    engine_copy(to->label, sizeof to->label, sighting.label);
    engine_copy(to->term, sizeof to->term, sighting.term);
    to->first_marker = sighting.opened_by;
    to->last_marker = sighting.last_marker;
    to->marker_count = sighting.marker_count;
    to->individuals = sighting.individuals;
    to->start = sighting.start;
    to->lead_ns = (int64_t)sighting.lead_ms * NS_PER_MS;
    to->end = sighting.end;
    if (sighting.close != WATCH_CLOSE_NONE)
        engine_copy(to->closed_by, sizeof to->closed_by, watch_close_name(sighting.close));
    to->tied_to = sighting.tied_to;
    engine_copy(to->tie, sizeof to->tie, sighting.tie_label);
    engine_copy(to->tie_term, sizeof to->tie_term, sighting.tie_term);
    to->again_of = sighting.again_of;
    to->recomputed = ref->recomputed;
    engine_commit(e, entry);
}

static void span_entry(struct engine *e, const struct change_ref *ref)
{
    struct span span;
    if (!watchlog_span(e->watch, ref->number, &span))
        return;
    struct entry *entry = watch_entry(e, ENTRY_SPAN);
    struct span_entry *to = &entry->of.span;
    to->number = span.number;
    engine_copy(to->kind, sizeof to->kind, key_kind_name(span.kind));
    to->transect = span.transect;
    engine_copy(to->label, sizeof to->label, span.label);
    engine_copy(to->term, sizeof to->term, span.term);
    engine_copy(to->seat, sizeof to->seat, e->seat[span.seat]);
    engine_copy(to->state, sizeof to->state, watch_state_name(span.state));
    to->first_marker = span.opened_by;
    to->last_marker = span.closed_by;
    to->start = span.start;
    to->end = span.end;
    if (span.close != WATCH_CLOSE_NONE)
        engine_copy(to->closed_by, sizeof to->closed_by, watch_close_name(span.close));
    to->recomputed = ref->recomputed;
    engine_commit(e, entry);
}

void engine_sample_note(struct engine *e, uint32_t marker, const char *text)
{
    if (text == NULL || text[0] == '\0')
        return;
    struct sample_note *note = &e->sample_note[e->sample_note_count++ % SAMPLE_NOTES_MAX];
    note->marker = marker;
    engine_copy(note->text, sizeof note->text, text);
}

static const char *note_of_sample(const struct engine *e, uint32_t marker)
{
    size_t kept = e->sample_note_count < SAMPLE_NOTES_MAX ? e->sample_note_count : SAMPLE_NOTES_MAX;
    for (size_t i = 0; i < kept; i++)
        if (e->sample_note[i].marker == marker)
            return e->sample_note[i].text;
    return "";
}

static void sample_entry(struct engine *e, const struct change_ref *ref)
{
    struct sample sample;
    if (!watchlog_sample(e->watch, ref->number, &sample))
        return;
    struct entry *entry = watch_entry(e, ENTRY_SAMPLE);
    struct sample_entry *to = &entry->of.sample;
    bool stands = sample.state == WATCH_STATE_CLOSED;
    to->number = sample.number;
    engine_copy(to->state, sizeof to->state, stands ? "taken" : "retired");
    engine_copy(to->container, sizeof to->container, sample.container);
    engine_copy(to->gear, sizeof to->gear, sample.gear);
    engine_copy(to->seat, sizeof to->seat, e->seat[sample.seat]);
    engine_copy(to->label, sizeof to->label, sample.label);
    engine_copy(to->term, sizeof to->term, sample.term);
    engine_copy(to->note, sizeof to->note, note_of_sample(e, sample.marker));
    to->marker = sample.marker;
    to->sighting = sample.sighting;
    to->taken = sample.at;
    if (!stands)
        engine_copy(to->why, sizeof to->why, "struck: the number is not used again, its place is free");
    to->recomputed = ref->recomputed;
    engine_commit(e, entry);
}

/* "BOX-1 is full (2 of 2): D007-A003, D007-A004" */
static void refusal_text(const struct engine *e, char *out, size_t size)
{
    const struct watch_refusal *refusal = &e->refusal;
    int used = snprintf(out, size, "%s is full (%" PRIu32 " of %u):", refusal->container, refusal->held,
                        (unsigned)refusal->capacity);
    for (uint32_t i = 0; i < refusal->listed && used > 0 && (size_t)used < size; i++) {
        char ref[REF_SIZE];
        entry_ref(ref, e->dive.id, 'A', refusal->number[i]);
        used += snprintf(out + used, size - (size_t)used, "%s %s", i > 0 ? "," : "", ref);
    }
}

static void refusal_entry(struct engine *e, const struct change_ref *ref)
{
    struct entry *entry = watch_entry(e, ENTRY_SAMPLE);
    struct sample_entry *to = &entry->of.sample;
    engine_copy(to->state, sizeof to->state, "refused");
    engine_copy(to->container, sizeof to->container, e->refusal.container);
    to->marker = ref->number;
    to->taken = entry->at.utc;
    refusal_text(e, to->why, sizeof to->why);
    engine_commit(e, entry);
}

static void strike_entry(struct engine *e, const struct change_ref *ref)
{
    struct entry *entry = watch_entry(e, ENTRY_STRIKE);
    struct strike_entry *to = &entry->of.strike;
    entry_ref(to->target, e->dive.id, 'M', ref->number);
    to->restored = ref->restored;
    to->by_marker = ref->by;
    if (ref->by != 0) {
        char by[REF_SIZE];
        entry_ref(by, e->dive.id, 'M', ref->by);
        snprintf(to->why, sizeof to->why, "struck from the pad by %s", by);
    } else {
        engine_copy(to->why, sizeof to->why, e->strike_why);
        engine_copy(to->by, sizeof to->by, e->strike_by);
    }
    engine_commit(e, entry);
}

static void link_entry(struct engine *e, const struct change_ref *ref)
{
    struct watch_link link;
    if (!watchlog_link(e->watch, ref->number, &link))
        return;
    struct entry *entry = watch_entry(e, ENTRY_LINK);
    struct link_entry *to = &entry->of.link;
    to->marker = link.marker;
    to->sighting = link.sighting;
    to->object = link.object;
    to->struck_by = link.struck_by;
    engine_copy(to->advice, sizeof to->advice, watch_note_text(link.note));
    engine_copy(to->who, sizeof to->who, link.who != NULL ? link.who : "");
    engine_commit(e, entry);
}

void engine_watch_flush(struct engine *e)
{
    for (size_t i = 0; i < e->change_count; i++) {
        const struct change_ref *ref = &e->change[i];
        if (ref->type == WATCH_CHANGE_STRIKE)
            strike_entry(e, ref);
        else if (ref->type == WATCH_CHANGE_LINK)
            link_entry(e, ref);
        else if (ref->type == WATCH_CHANGE_SIGHTING)
            sighting_entry(e, ref);
        else if (ref->type == WATCH_CHANGE_SPAN)
            span_entry(e, ref);
        else if (ref->type == WATCH_CHANGE_SAMPLE)
            sample_entry(e, ref);
        else
            refusal_entry(e, ref);
    }
    e->change_count = 0;
    /* A badge came, was struck or found another place. After the dive's end only a new badge or command says who sits where. */
    for (uint8_t seat = 0; e->dive.open && seat < e->seat_count; seat++)
        engine_sits(e, seat, watchlog_who(e->watch, seat));
}

/* ---- idleness ---- */

void engine_idle_arm(struct engine *e)
{
    utc_ns due;
    struct when now = engine_when(e, e->now_ns, e->now_ns);
    e->due_ns[TIMER_IDLE] = NEVER;
    if (now.trust == CLOCK_TRUST_NONE || !watchlog_idle_due(e->watch, &due))
        return;
    int64_t wait = due.ns - now.utc.ns;
    e->due_ns[TIMER_IDLE] = e->now_ns + (wait > NS_PER_MS ? wait : NS_PER_MS);
}

void engine_idle_timer(struct engine *e)
{
    struct when now = engine_when(e, e->now_ns, e->now_ns);
    if (now.trust == CLOCK_TRUST_NONE)
        return;
    watchlog_idle(e->watch, now.utc, engine_watch_sink, e);
    engine_watch_flush(e);
    engine_idle_arm(e);
}
