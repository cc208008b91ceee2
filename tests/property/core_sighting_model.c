/*
 * The watch log against a reference model, over random sequences of presses, late presses, strikes, retimes, held batches, idle timers, dive
 * ends and crashes. The model is written apart from the product and in another manner: it keeps no state between markers but asks, for
 * each marker in turn, questions of the history before it ("which sightings of this seat are open? which subject was pressed last?"), and works
 * everything out anew after each step.
 *
 * Invariants, by the names that a failure prints
 *   published-is-true     what the sink was told, put together, is the model's state: the journal replayed gives the same state
 *   asked-is-true         the queries say the same
 *   one-sighting          a marker is in at most one sighting, and that is of its own seat and counts it
 *   no-negative           no span or sighting ends before it starts
 *   number-once           a number always belongs to the same marker, and no other
 *   no-empty-change       a change is told only where something changed
 *   crash-is-nothing      any prefix, a crash, and a restore from what was published goes on as if nothing had happened
 *   same-again            the same steps tell the same changes in the same order
 *   status-is-true        bottom time, open things and counts add up
 *
 * BELLROPE_SEED sets the seed, BELLROPE_LONG=1 runs 1,000,000 sequences, BELLROPE_COUNT any number.
 */
#include "core/watchlog.h"

#include <inttypes.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#define MARKS_MAX 48
#define STEPS_MAX 44
#define SEATS 3
#define DEFAULT_COUNT 40000
#define LONG_COUNT 1000000

/* --- chance --- */

static uint64_t chance_state;

static uint64_t chance(uint64_t below)
{
    uint64_t z = (chance_state += UINT64_C(0x9e3779b97f4a7c15));
    z = (z ^ (z >> 30)) * UINT64_C(0xbf58476d1ce4e5b9);
    z = (z ^ (z >> 27)) * UINT64_C(0x94d049bb133111eb);
    return (z ^ (z >> 31)) % below;
}

static uint64_t run_seed, run_sequence;

static void tell_sequence(void);

static void fail(const char *invariant, const char *what, uint32_t which)
{
    tell_sequence();
    fprintf(stderr, "core_sighting_model: %s: %s %u (BELLROPE_SEED=%" PRIu64 ", sequence %" PRIu64 ")\n",
            invariant, what, which, run_seed, run_sequence);
    abort();
}

static void expect(bool holds, const char *invariant, const char *what, uint32_t which)
{
    if (!holds)
        fail(invariant, what, which);
}

/* --- the model --- */

struct mark {
    struct watch_fact fact;
    bool by_name; /* struck by name */
    bool answered, refused;
    uint32_t number, transect;
    /* worked out */
    bool struck;
    uint32_t struck_by, sighting, object;
    enum watch_note note;
    char who[WHO_SIZE];
};

struct thing { /* a sighting, span or sample of the model */
    uint32_t number, transect, opened_by, closed_by, last_marker, count, individuals, tied_to, tie_marker,
        again_of, in;
    enum watch_state state;
    enum watch_close close;
    int64_t key, last, end;
    char gear[LABEL_SIZE];
};

struct model {
    struct mark mark[MARKS_MAX]; /* in the order in which they came: mark i has number i + 1 */
    uint32_t marks;
    uint32_t order[MARKS_MAX];
    struct thing sighting[MARKS_MAX], span[MARKS_MAX],
        sample[MARKS_MAX]; /* by the index of the opening mark; number 0: none */
    uint32_t sightings, spans, transects, samples, waypoints; /* numbers given */
    int64_t begin, end, idle, horizon;
    bool ended;
};

static bool is_inside(const struct model *m, const struct mark *mark)
{
    return mark->fact.at.ns >= m->begin && !(m->ended && mark->fact.at.ns > m->end);
}

static bool counts(const struct model *m, const struct mark *mark)
{
    return !mark->struck && is_inside(m, mark);
}

static bool is_open(const struct thing *thing)
{
    return thing->number != 0 && thing->state == WATCH_STATE_OPEN;
}

static uint8_t seat_of(const struct model *m, uint32_t i)
{
    return m->mark[i].fact.seat;
}

static void put_in_order(struct model *m)
{
    for (uint32_t i = 0; i < m->marks; i++) {
        uint32_t place = 0;
        for (uint32_t j = 0; j < m->marks; j++) {
            int64_t a = m->mark[j].fact.at.ns, b = m->mark[i].fact.at.ns;
            place += a < b || (a == b && j < i);
        }
        m->order[place] = i;
    }
}

static void work_out_strikes(struct model *m)
{
    for (uint32_t i = 0; i < m->marks; i++) {
        struct mark *mark = &m->mark[i];
        mark->struck = mark->by_name;
        mark->struck_by = mark->sighting = mark->object = 0;
        mark->note = WATCH_NOTE_NONE;
    }
    for (uint32_t p = 0; p < m->marks; p++) {
        struct mark *strike = &m->mark[m->order[p]];
        if (strike->fact.kind != KEY_KIND_STRIKE || strike->struck)
            continue;
        struct mark *hit = NULL;
        for (uint32_t q = 0; q < p; q++) {
            struct mark *other = &m->mark[m->order[q]];
            if (other->fact.seat == strike->fact.seat && other->fact.kind != KEY_KIND_STRIKE &&
                !other->struck)
                hit = other;
        }
        if (hit == NULL) {
            strike->note = WATCH_NOTE_NO_TARGET;
        } else {
            hit->struck = true;
            hit->struck_by = strike->fact.marker;
        }
    }
}

static uint32_t held_in(const struct model *m, const char *container)
{
    uint32_t held = 0;
    for (uint32_t i = 0; i < m->marks; i++)
        held += m->mark[i].fact.kind == KEY_KIND_SAMPLE && m->mark[i].number != 0 && counts(m, &m->mark[i]) &&
                strcmp(m->mark[i].fact.container, container) == 0;
    return held;
}

static void answer_samples(struct model *m)
{
    for (uint32_t i = 0; i < m->marks; i++) {
        struct mark *mark = &m->mark[i];
        if (mark->fact.kind != KEY_KIND_SAMPLE || mark->answered)
            continue;
        mark->answered = true;
        mark->refused = mark->fact.container[0] != '\0' && mark->fact.capacity != 0 &&
                        held_in(m, mark->fact.container) >= mark->fact.capacity;
        if (!mark->refused)
            mark->number = ++m->samples;
    }
}

static uint32_t open_at(const struct model *m, uint8_t seat)
{
    uint32_t open = 0;
    for (uint32_t i = 0; i < m->marks; i++)
        open += seat_of(m, i) == seat && is_open(&m->sighting[i]);
    return open;
}

static uint32_t opener_of_number(const struct model *m, uint32_t number)
{
    uint32_t i = 0;
    while (i < m->marks && (number == 0 || m->sighting[i].number != number))
        i++;
    return i;
}

/* Position, before `p`, of the latest subject of this seat whose sighting is open; `p` when there is none. */
static uint32_t latest_subject(const struct model *m, uint8_t seat, uint32_t p)
{
    for (uint32_t q = p; q-- > 0;) {
        uint32_t i = m->order[q];
        if (seat_of(m, i) == seat && m->mark[i].fact.kind == KEY_KIND_SUBJECT && m->mark[i].sighting != 0 &&
            is_open(&m->sighting[opener_of_number(m, m->mark[i].sighting)]))
            return q;
    }
    return p;
}

/* Index of the mark that opened the sighting in hand; marks: none. */
static uint32_t in_hand(const struct model *m, uint8_t seat, uint32_t p)
{
    uint32_t q = latest_subject(m, seat, p);
    return q == p ? m->marks : opener_of_number(m, m->mark[m->order[q]].sighting);
}

/* A relation that still waits: pressed after the latest subject, tied to nothing, not given up. */
static uint32_t waiting_relation(const struct model *m, uint8_t seat, uint32_t p)
{
    uint32_t from = latest_subject(m, seat, p);
    for (uint32_t q = p; from != p && q-- > from;) {
        const struct mark *mark = &m->mark[m->order[q]];
        if (mark->fact.seat == seat && mark->fact.kind == KEY_KIND_RELATION && counts(m, mark) &&
            mark->note == WATCH_NOTE_NONE)
            return m->order[q];
    }
    return m->marks;
}

static uint32_t waiting_again(const struct model *m, uint8_t seat, uint32_t p)
{
    for (uint32_t q = p; q-- > 0;) {
        const struct mark *mark = &m->mark[m->order[q]];
        if (mark->fact.seat == seat && mark->fact.kind == KEY_KIND_AGAIN && counts(m, mark) &&
            mark->sighting == 0 && mark->note == WATCH_NOTE_NONE)
            return m->order[q];
    }
    return m->marks;
}

static int64_t latest_sign(const struct model *m, uint8_t seat)
{
    int64_t latest = INT64_MIN;
    for (uint32_t i = 0; i < m->marks; i++) {
        const struct mark *mark = &m->mark[i];
        if (mark->fact.seat == seat && mark->sighting != 0 &&
            is_open(&m->sighting[opener_of_number(m, mark->sighting)]) && mark->fact.at.ns > latest)
            latest = mark->fact.at.ns;
    }
    return latest;
}

static void close_seat(struct model *m, uint8_t seat, uint32_t p, enum watch_close how, uint32_t by,
                       int64_t end)
{
    uint32_t relation = waiting_relation(m, seat, p);
    if (relation < m->marks)
        m->mark[relation].note = WATCH_NOTE_UNTIED;
    for (uint32_t i = 0; i < m->marks; i++) {
        struct thing *thing = &m->sighting[i];
        if (seat_of(m, i) != seat || !is_open(thing))
            continue;
        thing->state = WATCH_STATE_CLOSED;
        thing->close = how;
        thing->closed_by = by;
        thing->end = how == WATCH_CLOSE_IDLE ? thing->last : end;
    }
}

static void close_if_idle(struct model *m, uint8_t seat, uint32_t p, int64_t now)
{
    if (m->idle > 0 && open_at(m, seat) > 0 && latest_sign(m, seat) + m->idle <= now)
        close_seat(m, seat, p, WATCH_CLOSE_IDLE, 0, 0);
}

/* Mark `i` goes to the sighting that mark `opener` opened. `later`: it is the sighting's latest so far. */
static void belong(struct model *m, uint32_t i, uint32_t opener, bool later)
{
    struct thing *thing = &m->sighting[opener];
    m->mark[i].sighting = thing->number;
    thing->count++;
    if (later) {
        thing->last = m->mark[i].fact.at.ns;
        thing->last_marker = m->mark[i].fact.marker;
    }
}

static struct thing *begin_thing(struct model *m, struct thing *table, uint32_t i, uint32_t *given)
{
    struct mark *mark = &m->mark[i];
    if (mark->number == 0)
        mark->number = ++*given;
    table[i] = (struct thing){.number = mark->number,
                              .opened_by = mark->fact.marker,
                              .state = WATCH_STATE_OPEN,
                              .key = mark->fact.at.ns,
                              .last = mark->fact.at.ns};
    return &table[i];
}

static uint32_t position_of(const struct model *m, uint32_t i)
{
    uint32_t p = 0;
    while (m->order[p] != i)
        p++;
    return p;
}

/* What an `again` means for the sighting that mark `opener` opened; 0: nothing. */
static uint32_t returned_to(const struct model *m, const struct mark *again, uint32_t opener)
{
    uint32_t best = 0, limit = position_of(m, opener);
    uint32_t known = m->sighting[opener].again_of;
    if (again->fact.target == 0 && known != 0)
        limit = position_of(m, opener_of_number(m, known));
    for (uint32_t q = 0; q < limit; q++) {
        uint32_t i = m->order[q];
        const struct thing *thing = &m->sighting[i];
        if (thing->number == 0 || (thing->state != WATCH_STATE_OPEN && thing->state != WATCH_STATE_CLOSED))
            continue;
        if (again->fact.target != 0 ? thing->number == again->fact.target
                                    : thing->state == WATCH_STATE_CLOSED &&
                                          strcmp(m->mark[i].fact.label, m->mark[opener].fact.label) == 0)
            best = thing->number;
    }
    return best;
}

static void return_to(struct model *m, uint32_t again, uint32_t opener, bool later)
{
    uint32_t earlier = returned_to(m, &m->mark[again], opener);
    if (earlier != 0)
        m->sighting[opener].again_of = earlier;
    else
        m->mark[again].note = WATCH_NOTE_NO_EARLIER;
    belong(m, again, opener, later);
}

static void new_subject(struct model *m, uint32_t i, uint32_t relation, uint32_t again)
{
    struct thing *thing = begin_thing(m, m->sighting, i, &m->sightings);
    thing->individuals = 1;
    belong(m, i, i, true);
    if (relation < m->marks) {
        thing->tied_to = m->mark[relation].sighting;
        thing->tie_marker = m->mark[relation].fact.marker;
    }
    if (again == m->marks)
        return;
    if (m->idle > 0 && m->mark[again].fact.at.ns + m->idle <= m->mark[i].fact.at.ns)
        m->mark[again].note = WATCH_NOTE_UNTIED;
    else
        return_to(m, again, i, false);
}

static void subject(struct model *m, uint32_t p)
{
    uint32_t i = m->order[p];
    uint8_t seat = seat_of(m, i);
    uint32_t relation = waiting_relation(m, seat, p), again = waiting_again(m, seat, p);
    uint32_t same = m->marks, hand = in_hand(m, seat, p);
    if (relation == m->marks) {
        for (uint32_t q = 0; q < p; q++)
            if (seat_of(m, m->order[q]) == seat && is_open(&m->sighting[m->order[q]]) &&
                strcmp(m->mark[m->order[q]].fact.label, m->mark[i].fact.label) == 0)
                same = m->order[q];
        if (hand < m->marks && strcmp(m->mark[hand].fact.label, m->mark[i].fact.label) == 0)
            same = hand;
        if (same == m->marks)
            close_seat(m, seat, p, WATCH_CLOSE_SUBJECT, m->mark[i].fact.marker, m->mark[i].fact.at.ns);
    }
    if (same < m->marks) {
        m->sighting[same].individuals++;
        belong(m, i, same, true);
    } else {
        new_subject(m, i, relation, again);
    }
}

static void loose_or_not(struct model *m, uint32_t p, bool needed)
{
    uint32_t i = m->order[p], hand = in_hand(m, seat_of(m, i), p);
    if (hand < m->marks)
        belong(m, i, hand, true);
    else if (needed)
        m->mark[i].note = WATCH_NOTE_LOOSE;
}

static void relation(struct model *m, uint32_t p)
{
    uint32_t i = m->order[p], earlier = waiting_relation(m, seat_of(m, i), p);
    loose_or_not(m, p, true);
    if (m->mark[i].sighting == 0)
        return;
    if (earlier < m->marks)
        m->mark[earlier].note = WATCH_NOTE_UNTIED;
    if (open_at(m, seat_of(m, i)) >= WATCH_TIED_MAX)
        m->mark[i].note = WATCH_NOTE_TOO_MANY;
}

static void again(struct model *m, uint32_t p)
{
    uint32_t i = m->order[p], hand = in_hand(m, seat_of(m, i), p),
             earlier = waiting_again(m, seat_of(m, i), p);
    if (earlier < m->marks)
        m->mark[earlier].note = WATCH_NOTE_UNTIED;
    if (hand < m->marks)
        return_to(m, i, hand, true);
}

static void done(struct model *m, uint32_t p)
{
    uint32_t i = m->order[p], waits = waiting_again(m, seat_of(m, i), p);
    loose_or_not(m, p, true);
    close_seat(m, seat_of(m, i), p, WATCH_CLOSE_KEY, m->mark[i].fact.marker, m->mark[i].fact.at.ns);
    if (waits < m->marks)
        m->mark[waits].note = WATCH_NOTE_UNTIED;
}

static void close_thing(struct thing *thing, enum watch_close how, uint32_t by, int64_t end)
{
    thing->state = WATCH_STATE_CLOSED;
    thing->close = how;
    thing->closed_by = by;
    thing->end = end;
}

static void toggle(struct model *m, uint32_t p)
{
    uint32_t i = m->order[p], open = 0;
    struct mark *mark = &m->mark[i];
    for (uint32_t j = 0; j < m->marks; j++) {
        const struct watch_fact *other = &m->mark[j].fact;
        if (!is_open(&m->span[j]) || other->kind == KEY_KIND_PHASE)
            continue;
        open++;
        if (other->kind != mark->fact.kind || strcmp(other->label, mark->fact.label) != 0)
            continue;
        close_thing(&m->span[j], WATCH_CLOSE_KEY, mark->fact.marker, mark->fact.at.ns);
        mark->object = m->span[j].number;
        return;
    }
    if (open >= WATCH_SPANS_MAX) {
        mark->note = WATCH_NOTE_TOO_MANY;
        return;
    }
    struct thing *span = begin_thing(m, m->span, i, &m->spans);
    if (mark->fact.kind == KEY_KIND_TRANSECT && mark->transect == 0)
        mark->transect = ++m->transects;
    span->transect = mark->transect;
    mark->object = span->number;
}

static void phase(struct model *m, uint32_t p)
{
    uint32_t i = m->order[p];
    struct mark *mark = &m->mark[i];
    enum dive_phase to = mark->fact.phase, from = DIVE_PHASE_NONE;
    for (uint32_t j = 0; j < m->marks; j++)
        if (is_open(&m->span[j]) && m->mark[j].fact.kind == KEY_KIND_PHASE)
            from = m->mark[j].fact.phase;
    if (from == to) {
        mark->note = WATCH_NOTE_REPEATED;
        return;
    }
    bool leaves = from == DIVE_PHASE_ON_BOTTOM || to == DIVE_PHASE_OFF_BOTTOM || to == DIVE_PHASE_ON_DECK;
    for (uint32_t j = 0; j < m->marks; j++) {
        if (!is_open(&m->span[j]))
            continue;
        if (m->mark[j].fact.kind == KEY_KIND_PHASE)
            close_thing(&m->span[j], WATCH_CLOSE_KEY, mark->fact.marker, mark->fact.at.ns);
        else if (leaves)
            close_thing(&m->span[j], WATCH_CLOSE_OFF_BOTTOM, mark->fact.marker, mark->fact.at.ns);
    }
    mark->object = begin_thing(m, m->span, i, &m->spans)->number;
}

static void sample(struct model *m, uint32_t p)
{
    uint32_t i = m->order[p];
    struct mark *mark = &m->mark[i];
    if (mark->refused) {
        mark->note = WATCH_NOTE_REFUSED;
        return;
    }
    struct thing *sample = begin_thing(m, m->sample, i, &m->samples);
    sample->state = WATCH_STATE_CLOSED;
    mark->object = sample->number;
    loose_or_not(m, p, false);
    sample->in = mark->sighting;
    strcpy(sample->gear, mark->fact.gear);
    for (uint32_t q = 0; q < p && mark->fact.gear[0] == '\0'; q++)
        if (m->mark[m->order[q]].fact.kind == KEY_KIND_GEAR && counts(m, &m->mark[m->order[q]]))
            strcpy(sample->gear, m->mark[m->order[q]].fact.label);
}

static void look_at(struct model *m, uint32_t p)
{
    struct mark *mark = &m->mark[m->order[p]];
    mark->who[0] = '\0';
    for (uint32_t q = 0; q <= p; q++) {
        const struct mark *badge = &m->mark[m->order[q]];
        if (badge->fact.kind == KEY_KIND_BADGE && badge->fact.seat == mark->fact.seat && !badge->struck)
            strcpy(mark->who, badge->fact.label);
    }
    if (mark->struck) {
        mark->note = WATCH_NOTE_STRUCK;
        return;
    }
    if (mark->fact.kind == KEY_KIND_WAYPOINT)
        mark->object = mark->number;
    if (!is_inside(m, mark)) {
        mark->note = WATCH_NOTE_OUTSIDE;
        return;
    }
    for (uint8_t s = 0; s < SEATS; s++)
        close_if_idle(m, s, p, mark->fact.at.ns);
    switch (mark->fact.kind) {
    case KEY_KIND_SUBJECT:
        subject(m, p);
        break;
    case KEY_KIND_RELATION:
        relation(m, p);
        break;
    case KEY_KIND_AGAIN:
        again(m, p);
        break;
    case KEY_KIND_DONE:
        done(m, p);
        break;
    case KEY_KIND_DETAIL:
    case KEY_KIND_NOTE:
        loose_or_not(m, p, mark->fact.kind == KEY_KIND_DETAIL);
        break;
    case KEY_KIND_SPAN:
    case KEY_KIND_TRANSECT:
        toggle(m, p);
        break;
    case KEY_KIND_PHASE:
        phase(m, p);
        break;
    case KEY_KIND_SAMPLE:
        sample(m, p);
        break;
    default:
        break;
    }
}

/* Things whose mark stands no longer, or stands and makes them no longer. */
static void leave_traces(struct model *m, struct thing *table, bool (*makes)(enum key_kind))
{
    for (uint32_t i = 0; i < m->marks; i++) {
        const struct mark *mark = &m->mark[i];
        if (makes(mark->fact.kind) && mark->number != 0 && table[i].number == 0)
            table[i] = (struct thing){.number = mark->number,
                                      .transect = mark->transect,
                                      .opened_by = mark->fact.marker,
                                      .key = mark->fact.at.ns,
                                      .state = mark->struck ? WATCH_STATE_STRUCK : WATCH_STATE_WITHDRAWN};
    }
}

static bool makes_sighting(enum key_kind kind)
{
    return kind == KEY_KIND_SUBJECT;
}

static bool makes_span(enum key_kind kind)
{
    return kind == KEY_KIND_SPAN || kind == KEY_KIND_TRANSECT || kind == KEY_KIND_PHASE;
}

static bool makes_sample(enum key_kind kind)
{
    return kind == KEY_KIND_SAMPLE;
}

static void work_out(struct model *m)
{
    memset(m->sighting, 0, sizeof m->sighting);
    memset(m->span, 0, sizeof m->span);
    memset(m->sample, 0, sizeof m->sample);
    put_in_order(m);
    work_out_strikes(m);
    answer_samples(m);
    for (uint32_t p = 0; p < m->marks; p++)
        look_at(m, p);
    for (uint8_t s = 0; s < SEATS; s++) {
        close_if_idle(m, s, m->marks, m->ended && m->end > m->horizon ? m->end : m->horizon);
        uint32_t waits = waiting_again(m, s, m->marks);
        if (!m->ended)
            continue;
        close_seat(m, s, m->marks, WATCH_CLOSE_DIVE_END, 0, m->end);
        if (waits < m->marks)
            m->mark[waits].note = WATCH_NOTE_UNTIED;
    }
    for (uint32_t i = 0; i < m->marks && m->ended; i++)
        if (is_open(&m->span[i]))
            close_thing(&m->span[i], WATCH_CLOSE_DIVE_END, 0, m->end);
    leave_traces(m, m->sighting, makes_sighting);
    leave_traces(m, m->span, makes_span);
    leave_traces(m, m->sample, makes_sample);
}

/* --- what was published --- */

struct record {
    struct watch_link link[MARKS_MAX];
    char who[MARKS_MAX][WHO_SIZE];
    struct sighting sighting[MARKS_MAX];
    struct span span[MARKS_MAX];
    struct sample sample[MARKS_MAX];
    char gear[MARKS_MAX][LABEL_SIZE];
    uint32_t tie_length[MARKS_MAX];
    bool struck[MARKS_MAX];
    uint64_t digest; /* of all changes in their order */
    uint32_t changes;
    const struct model *model; /* for labels */
};

static void digest(struct record *r, uint64_t value)
{
    r->digest = (r->digest ^ value) * UINT64_C(0x100000001b3);
    r->digest ^= r->digest >> 29;
}

static bool same_link(const struct watch_link *a, const struct watch_link *b)
{
    return a->sighting == b->sighting && a->object == b->object && a->struck_by == b->struck_by &&
           a->note == b->note;
}

static bool same_sighting(const struct sighting *a, const struct sighting *b)
{
    return a->opened_by == b->opened_by && a->last_marker == b->last_marker && a->closed_by == b->closed_by &&
           a->marker_count == b->marker_count && a->individuals == b->individuals && a->state == b->state &&
           a->close == b->close && a->key.ns == b->key.ns && a->last.ns == b->last.ns &&
           a->end.ns == b->end.ns && a->tied_to == b->tied_to && a->tie_marker == b->tie_marker &&
           a->again_of == b->again_of;
}

static bool same_span(const struct span *a, const struct span *b)
{
    return a->opened_by == b->opened_by && a->closed_by == b->closed_by && a->state == b->state &&
           a->close == b->close && a->key.ns == b->key.ns && a->end.ns == b->end.ns &&
           a->transect == b->transect;
}

static void hear_link(struct record *r, const struct watch_link *link)
{
    uint32_t i = link->marker - 1;
    expect(r->link[i].marker == 0 || !same_link(&r->link[i], link) || strcmp(r->who[i], link->who) != 0,
           "no-empty-change", "marker", link->marker);
    r->link[i] = *link;
    strcpy(r->who[i], link->who);
    digest(r, link->marker * 7919u + link->sighting * 31u + link->object * 17u + (unsigned)link->note);
}

/* Whether a number may go from marker `from` to `to`: the same marker, or one that came instead of it. */
static bool is_heir(const struct model *m, uint32_t from, uint32_t to)
{
    while (to != from && to != 0)
        to = m->mark[to - 1].fact.instead_of;
    return to == from;
}

static void hear_sighting(struct record *r, const struct sighting *now)
{
    struct sighting *known = &r->sighting[now->number];
    expect(known->number == 0 || is_heir(r->model, known->opened_by, now->opened_by), "number-once",
           "sighting", now->number);
    expect(known->number == 0 || !same_sighting(known, now), "no-empty-change", "sighting", now->number);
    expect(strcmp(now->label, r->model->mark[now->opened_by - 1].fact.label) == 0, "published-is-true",
           "label of sighting", now->number);
    expect(now->start.ns == now->key.ns - now->lead_ms * NS_PER_MS, "published-is-true", "start of sighting",
           now->number);
    *known = *now;
    r->tie_length[now->number] = (uint32_t)strlen(now->tie_label);
    digest(r, now->number * 104729u + now->marker_count * 13u + (unsigned)now->state);
}

static void hear_span(struct record *r, const struct span *now)
{
    struct span *known = &r->span[now->number];
    expect(known->number == 0 || is_heir(r->model, known->opened_by, now->opened_by), "number-once", "span",
           now->number);
    expect(known->number == 0 || !same_span(known, now), "no-empty-change", "span", now->number);
    *known = *now;
    digest(r, now->number * 1299709u + (unsigned)now->close);
}

static void hear_sample(struct record *r, const struct sample *now)
{
    struct sample *known = &r->sample[now->number];
    bool same = known->number != 0 && known->state == now->state && known->sighting == now->sighting &&
                known->at.ns == now->at.ns && strcmp(r->gear[now->number], now->gear) == 0;
    expect(known->number == 0 || known->marker == now->marker, "number-once", "sample", now->number);
    expect(!same, "no-empty-change", "sample", now->number);
    *known = *now;
    strcpy(r->gear[now->number], now->gear);
    digest(r, now->number * 15485863u + now->sighting);
}

static void hear(void *ctx, const struct watch_change *change)
{
    struct record *r = ctx;
    r->changes++;
    digest(r, (uint64_t)change->type * 2 + change->recomputed);
    switch (change->type) {
    case WATCH_CHANGE_STRIKE:
        r->struck[change->of.strike.marker - 1] = !change->of.strike.restored;
        break;
    case WATCH_CHANGE_LINK:
        hear_link(r, &change->of.link);
        break;
    case WATCH_CHANGE_SIGHTING:
        hear_sighting(r, &change->of.sighting);
        break;
    case WATCH_CHANGE_SPAN:
        hear_span(r, &change->of.span);
        break;
    case WATCH_CHANGE_SAMPLE:
        hear_sample(r, &change->of.sample);
        break;
    case WATCH_CHANGE_REFUSAL:
        expect(r->model->mark[change->of.refusal.marker - 1].refused, "published-is-true",
               "refusal of marker", change->of.refusal.marker);
        expect(change->of.refusal.held >= change->of.refusal.capacity, "published-is-true",
               "refusal of marker", change->of.refusal.marker);
        break;
    }
}

/* --- comparing --- */

static void compare_mark(const struct model *m, const struct record *r, const struct watchlog *log,
                         uint32_t i)
{
    const struct mark *mark = &m->mark[i];
    struct watch_link want = {.marker = i + 1,
                              .sighting = mark->sighting,
                              .object = mark->object,
                              .struck_by = mark->struck_by,
                              .note = mark->note};
    struct watch_link asked;
    expect(r->link[i].marker == i + 1 && same_link(&r->link[i], &want), "published-is-true", "marker", i + 1);
    expect(strcmp(r->who[i], mark->who) == 0, "published-is-true", "who of marker", i + 1);
    expect(r->struck[i] == mark->struck, "published-is-true", "strike of marker", i + 1);
    expect(watchlog_link(log, i + 1, &asked) && same_link(&asked, &want) && strcmp(asked.who, mark->who) == 0,
           "asked-is-true", "marker", i + 1);
    if (mark->sighting == 0)
        return;
    const struct sighting *in = &r->sighting[mark->sighting];
    expect(in->number == mark->sighting && in->seat == mark->fact.seat &&
               (in->state == WATCH_STATE_OPEN || in->state == WATCH_STATE_CLOSED),
           "one-sighting", "marker", i + 1);
}

static void compare_sighting(const struct model *m, const struct record *r, const struct watchlog *log,
                             uint32_t i)
{
    const struct thing *t = &m->sighting[i];
    struct sighting asked, want = {
                               .opened_by = t->opened_by,
                               .last_marker = t->last_marker,
                               .closed_by = t->closed_by,
                               .marker_count = t->count,
                               .individuals = t->individuals,
                               .state = t->state,
                               .close = t->close,
                               .key = {t->key},
                               .last = {t->last},
                               .end = {t->end},
                               .tied_to = t->tied_to,
                               .tie_marker = t->tie_marker,
                               .again_of = t->again_of,
                           };
    const struct sighting *told = &r->sighting[t->number];
    expect(told->number == t->number && same_sighting(told, &want), "published-is-true", "sighting",
           t->number);
    expect(watchlog_sighting(log, t->number, &asked) && same_sighting(&asked, &want), "asked-is-true",
           "sighting", t->number);
    expect((r->tie_length[t->number] > 0) == (t->tie_marker != 0), "published-is-true", "tie of sighting",
           t->number);
    expect(t->state != WATCH_STATE_CLOSED || told->end.ns >= told->start.ns, "no-negative", "sighting",
           t->number);
    uint32_t members = 0;
    for (uint32_t j = 0; j < m->marks; j++)
        members += r->link[j].sighting == t->number;
    expect(told->marker_count == members, "one-sighting", "sighting", t->number);
}

static void compare_span(const struct model *m, const struct record *r, const struct watchlog *log,
                         uint32_t i)
{
    const struct thing *t = &m->span[i];
    const struct span *told = &r->span[t->number];
    struct span asked, want = {.opened_by = t->opened_by,
                               .closed_by = t->closed_by,
                               .state = t->state,
                               .close = t->close,
                               .key = {t->key},
                               .end = {t->end},
                               .transect = t->transect};
    expect(told->number == t->number && same_span(told, &want), "published-is-true", "span", t->number);
    expect(watchlog_span(log, t->number, &asked) && same_span(&asked, &want), "asked-is-true", "span",
           t->number);
    expect(t->state != WATCH_STATE_CLOSED || told->end.ns >= told->start.ns, "no-negative", "span",
           t->number);
}

static void compare_sample(const struct model *m, const struct record *r, const struct watchlog *log,
                           uint32_t i)
{
    const struct thing *t = &m->sample[i];
    const struct sample *told = &r->sample[t->number];
    struct sample asked;
    expect(told->number == t->number && told->marker == t->opened_by && told->state == t->state &&
               told->at.ns == t->key,
           "published-is-true", "sample", t->number);
    if (t->state != WATCH_STATE_CLOSED)
        return;
    expect(told->sighting == t->in && strcmp(r->gear[t->number], t->gear) == 0, "published-is-true", "sample",
           t->number);
    expect(watchlog_sample(log, t->number, &asked) && asked.sighting == t->in &&
               strcmp(asked.gear, t->gear) == 0,
           "asked-is-true", "sample", t->number);
}

static void compare_status(const struct model *m, const struct watchlog *log, int64_t now)
{
    struct watch_status status;
    int64_t bottom = 0;
    uint32_t standing = 0, open_spans = 0;
    watchlog_status(log, (utc_ns){now}, &status);
    for (uint32_t i = 0; i < m->marks; i++) {
        const struct thing *span = &m->span[i];
        bool is_phase = m->mark[i].fact.kind == KEY_KIND_PHASE;
        standing += m->sighting[i].number != 0 &&
                    (m->sighting[i].state == WATCH_STATE_OPEN || m->sighting[i].state == WATCH_STATE_CLOSED);
        open_spans += is_open(span) && !is_phase;
        if (is_phase && span->number != 0 && m->mark[i].fact.phase == DIVE_PHASE_ON_BOTTOM) {
            if (is_open(span))
                bottom += now > span->key ? now - span->key : 0;
            else if (span->state == WATCH_STATE_CLOSED)
                bottom += span->end - span->key;
        }
    }
    expect(status.bottom_ns == bottom, "status-is-true", "bottom time, s",
           (uint32_t)(status.bottom_ns / NS_PER_S));
    expect(status.sightings == standing, "status-is-true", "sightings", status.sightings);
    expect(status.open_spans == open_spans, "status-is-true", "open spans", status.open_spans);
    for (uint8_t s = 0; s < SEATS; s++) {
        uint32_t hand = in_hand(m, s, m->marks);
        expect(status.seat[s].open == open_at(m, s), "status-is-true", "open at seat", s);
        expect(status.seat[s].in_hand == (hand < m->marks ? m->sighting[hand].number : 0), "status-is-true",
               "in hand at seat", s);
    }
    expect(watchlog_contents(log, "BOX", NULL, 0) == held_in(m, "BOX"), "status-is-true", "contents",
           held_in(m, "BOX"));
}

static void compare(const struct model *m, const struct record *r, const struct watchlog *log, int64_t now)
{
    for (uint32_t i = 0; i < m->marks; i++) {
        compare_mark(m, r, log, i);
        if (m->sighting[i].number != 0)
            compare_sighting(m, r, log, i);
        if (m->span[i].number != 0)
            compare_span(m, r, log, i);
        if (m->sample[i].number != 0)
            compare_sample(m, r, log, i);
    }
    compare_status(m, log, now);
}

/* --- random sequences --- */

struct run {
    struct model model;
    struct record record;
    void *memory[2];
    struct watchlog *log;
    int which; /* of the two memories */
    int64_t now;
    bool held, crashed, may_crash;
    uint32_t busy; /* how many kinds of key this sequence uses */
};

static struct watchlog *fresh_log(struct run *run)
{
    run->which = 1 - run->which;
    struct watchlog *log = watchlog_init(run->memory[run->which], watchlog_size(MARKS_MAX), MARKS_MAX);
    watchlog_set_idle(log, run->model.idle);
    return log;
}

static struct watch_fact random_fact(const struct run *run, int64_t at)
{
    static const enum key_kind kinds[] = {
        KEY_KIND_SUBJECT, KEY_KIND_SUBJECT,  KEY_KIND_SUBJECT, KEY_KIND_DETAIL,
        KEY_KIND_DONE,    KEY_KIND_RELATION, KEY_KIND_AGAIN,   KEY_KIND_STRIKE,
        KEY_KIND_SAMPLE,  KEY_KIND_SPAN,     KEY_KIND_PHASE,   KEY_KIND_TRANSECT,
        KEY_KIND_BADGE,   KEY_KIND_NOTE,     KEY_KIND_GEAR,    KEY_KIND_WAYPOINT,
    };
    struct watch_fact fact = {.marker = run->model.marks + 1, .seat = (uint8_t)chance(SEATS), .at = {at}};
    fact.kind = kinds[chance(run->busy)];
    fact.lead_ms = (uint32_t)chance(3) * 2500;
    fact.phase = fact.kind == KEY_KIND_PHASE ? (enum dive_phase)(1 + chance(4)) : DIVE_PHASE_NONE;
    fact.label[0] = (char)('a' + chance(3));
    if (fact.kind == KEY_KIND_AGAIN && chance(4) == 0)
        fact.target = 1 + (uint32_t)chance(6);
    if (fact.kind == KEY_KIND_SAMPLE && chance(4) != 0) {
        strcpy(fact.container, "BOX");
        fact.capacity = (uint16_t)chance(4);
    }
    if (fact.kind == KEY_KIND_SAMPLE && chance(4) == 0)
        strcpy(fact.gear, "net");
    return fact;
}

/* The key was held: it says something else than it did a moment ago, for the same instant. */
static void change_gesture(const struct model *m, struct watch_fact *fact)
{
    const struct mark *first = &m->mark[chance(m->marks)];
    fact->instead_of = first->fact.marker;
    fact->at = first->fact.at;
    fact->seat = first->fact.seat;
    if (chance(2) == 0)
        fact->kind = first->fact.kind;
}

/* The latest mark takes the place of another, and what that had begun. */
static void hand_over(struct model *m)
{
    struct mark *heir = &m->mark[m->marks - 1];
    if (heir->fact.instead_of == 0 || m->mark[heir->fact.instead_of - 1].struck)
        return;
    struct mark *first = &m->mark[heir->fact.instead_of - 1];
    first->by_name = true;
    if (first->fact.kind != heir->fact.kind ||
        !(makes_sighting(heir->fact.kind) || makes_span(heir->fact.kind)))
        return;
    heir->number = first->number;
    heir->transect = first->transect;
    first->number = first->transect = 0;
}

static void step_press(struct run *run, bool late)
{
    struct model *m = &run->model;
    if (m->marks == MARKS_MAX - 1)
        return;
    run->now += late ? 0 : (int64_t)chance(3) * NS_PER_S;
    int64_t at = late ? run->now - (int64_t)chance(30) * NS_PER_S : run->now;
    struct watch_fact fact = random_fact(run, at);
    if (m->marks > 0 && chance(8) == 0)
        change_gesture(m, &fact);
    m->mark[m->marks] = (struct mark){.fact = fact};
    if (fact.kind == KEY_KIND_WAYPOINT)
        m->mark[m->marks].number = ++m->waypoints;
    m->marks++;
    hand_over(m);
    if (!run->held)
        work_out(m);
    struct watch_link link = watchlog_press(run->log, &fact, hear, &run->record);
    expect(link.marker == fact.marker, "published-is-true", "returned marker", link.marker);
    if (!run->held) {
        run->record.link[fact.marker - 1] = link;
        strcpy(run->record.who[fact.marker - 1], link.who);
    }
}

static void step_strike(struct run *run)
{
    struct model *m = &run->model;
    if (m->marks == 0)
        return;
    struct mark *mark = &m->mark[chance(m->marks)];
    bool struck = chance(3) != 0;
    bool worth = struck != mark->by_name && !(struck && mark->struck);
    if (worth)
        mark->by_name = struck;
    if (worth && !run->held)
        work_out(m);
    expect(watchlog_strike(run->log, mark->fact.marker, struck, hear, &run->record) == worth, "asked-is-true",
           "strike of", mark->fact.marker);
}

static void step_retime(struct run *run)
{
    struct model *m = &run->model;
    if (m->marks == 0)
        return;
    struct mark *mark = &m->mark[chance(m->marks)];
    int64_t at = mark->fact.at.ns + ((int64_t)chance(7) - 3) * NS_PER_S;
    mark->fact.at.ns = at;
    if (!run->held)
        work_out(m);
    watchlog_retime(run->log, mark->fact.marker, (utc_ns){at}, hear, &run->record);
}

static void step_idle(struct run *run)
{
    struct model *m = &run->model;
    bool any = false;
    if (run->held)
        return;
    for (uint8_t s = 0; s < SEATS && m->idle > 0; s++) {
        int64_t due = open_at(m, s) > 0 ? latest_sign(m, s) + m->idle : INT64_MAX;
        if (due > run->now)
            continue;
        any = true;
        m->horizon = due > m->horizon ? due : m->horizon;
    }
    if (any)
        work_out(m);
    watchlog_idle(run->log, (utc_ns){run->now}, hear, &run->record);
}

static void step_end(struct run *run)
{
    struct model *m = &run->model;
    if (m->ended)
        return;
    m->ended = true;
    m->end = run->now;
    if (!run->held)
        work_out(m);
    watchlog_dive_end(run->log, (utc_ns){run->now}, hear, &run->record);
}

static void step_release(struct run *run)
{
    if (!run->held)
        return;
    run->held = false;
    work_out(&run->model);
    watchlog_release(run->log, hear, &run->record);
}

/* The number under which the record knows what marker `i` opened. */
static uint32_t recorded_number(const struct record *r, uint32_t marker, struct watch_saved *saved)
{
    for (uint32_t n = 1; n < MARKS_MAX; n++) {
        if (r->sighting[n].number != 0 && r->sighting[n].opened_by == marker) {
            saved->idled = r->sighting[n].close == WATCH_CLOSE_IDLE;
            return n;
        }
        if (r->span[n].number != 0 && r->span[n].opened_by == marker)
            return n;
        if (r->sample[n].number != 0 && r->sample[n].marker == marker)
            return n;
    }
    return 0;
}

/* What a store would do: read the markers and what was published of them, nothing else. */
static void step_crash(struct run *run)
{
    struct model *m = &run->model;
    if (run->held || !run->may_crash)
        return;
    run->log = fresh_log(run);
    watchlog_restore_begin(run->log, (utc_ns){m->begin});
    for (uint32_t i = 0; i < m->marks; i++) {
        struct watch_saved saved = {0};
        saved.object = recorded_number(&run->record, i + 1, &saved);
        saved.struck = run->record.struck[i] && run->record.link[i].struck_by == 0;
        expect(watchlog_restore_fact(run->log, &m->mark[i].fact, &saved), "crash-is-nothing", "marker",
               i + 1);
    }
    utc_ns end = {m->end};
    watchlog_restore_end(run->log, m->ended ? &end : NULL);
    run->crashed = true;
}

/* Most of a sequence is live: a hold is seldom taken and soon let go. */
static void step_hold(struct run *run)
{
    if (run->held) {
        step_release(run);
    } else if (chance(3) == 0) {
        run->held = true;
        watchlog_hold(run->log);
    }
}

static void step(struct run *run)
{
    switch (chance(24)) {
    case 0:
    case 1:
        step_strike(run);
        break;
    case 2:
    case 3:
        step_retime(run);
        break;
    case 4:
    case 5:
    case 6:
        step_press(run, true);
        break;
    case 7:
        run->now += (int64_t)chance(20) * NS_PER_S;
        step_idle(run);
        break;
    case 8:
    case 9:
        step_hold(run);
        break;
    case 10:
    case 11:
        step_crash(run);
        break;
    case 12:
        if (chance(8) == 0)
            step_end(run);
        break;
    default:
        step_press(run, false);
    }
    /* How far the idle timer had been is not kept over a crash; the timer itself catches up at once. */
    if (run->crashed)
        step_idle(run);
}

static uint64_t run_once(struct run *run, uint64_t seed, bool look)
{
    chance_state = seed;
    memset(&run->model, 0, sizeof run->model);
    memset(&run->record, 0, sizeof run->record);
    run->record.model = &run->model;
    run->now = 100 * NS_PER_S;
    run->held = run->crashed = false;
    run->may_crash = chance(2) == 0;
    run->busy = 6 + (uint32_t)chance(11);
    run->model.begin = run->now - (int64_t)chance(2) * 100 * NS_PER_S;
    run->model.horizon = INT64_MIN;
    run->model.idle = (int64_t)chance(4) * 6 * NS_PER_S;
    run->log = fresh_log(run);
    watchlog_dive_begin(run->log, (utc_ns){run->model.begin});
    uint32_t steps = 4 + (uint32_t)chance(STEPS_MAX - 4);
    uint32_t eager = (uint32_t)chance(4);
    for (uint32_t i = 0; i < steps; i++) {
        step(run);
        if (look && !run->held && (eager == 0 || i + 1 == steps))
            compare(&run->model, &run->record, run->log, run->now);
    }
    step_release(run);
    if (run->crashed)
        step_idle(run);
    if (look)
        compare(&run->model, &run->record, run->log, run->now);
    return run->record.digest;
}

static struct run the_run;

/* The markers in their order, as the model has them and as they were told. */
static void tell_sequence(void)
{
    const struct model *m = &the_run.model;
    for (uint32_t p = 0; p < m->marks; p++) {
        uint32_t i = m->order[p];
        const struct mark *mark = &m->mark[i];
        const struct watch_link *told = &the_run.record.link[i];
        fprintf(stderr,
                "  M%u %+.0f s seat %u %s %s number %u struck %d: sighting %u, object %u, note %d; told %u, "
                "%u, %d\n",
                i + 1, (double)(mark->fact.at.ns - m->begin) / 1e9, mark->fact.seat,
                key_kind_name(mark->fact.kind), mark->fact.label, mark->number, mark->struck, mark->sighting,
                mark->object, (int)mark->note, told->sighting, told->object, (int)told->note);
    }
    fprintf(stderr, "  idle after %.0f s, dive %s\n", (double)m->idle / 1e9, m->ended ? "ended" : "open");
}

static uint64_t number_from(const char *name, uint64_t fallback)
{
    const char *text = getenv(name);
    return text == NULL || text[0] == '\0' ? fallback : strtoull(text, NULL, 10);
}

int main(void)
{
    uint64_t markers = 0, changes = 0;
    bool is_long = number_from("BELLROPE_LONG", 0) != 0;
    uint64_t count = number_from("BELLROPE_COUNT", is_long ? LONG_COUNT : DEFAULT_COUNT);
    run_seed = number_from("BELLROPE_SEED", 20310304);
    for (int i = 0; i < 2; i++) {
        the_run.memory[i] = malloc(watchlog_size(MARKS_MAX));
        if (the_run.memory[i] == NULL)
            return 1;
    }
    for (run_sequence = 0; run_sequence < count; run_sequence++) {
        uint64_t seed = run_seed * UINT64_C(1000003) + run_sequence;
        uint64_t told = run_once(&the_run, seed, true);
        markers += the_run.model.marks;
        changes += the_run.record.changes;
        if (run_sequence % 16 == 0)
            expect(run_once(&the_run, seed, false) == told, "same-again", "sequence", (uint32_t)run_sequence);
    }
    for (int i = 0; i < 2; i++)
        free(the_run.memory[i]);
    printf("core_sighting_model: seed %" PRIu64 ": %" PRIu64 " sequences, %" PRIu64 " markers, %" PRIu64
           " changes: every invariant held\n",
           run_seed, count, markers, changes);
    return 0;
}
