#include "core/watchlog.h"

#include "core/container.h"
#include "core/sighting.h"
#include "core/watchemit.h"
#include "core/watchlog_state.h"

#include <stdalign.h>
#include <string.h>

/* Instants and idle times beyond this are no instants of a dive; sums of a few of them still fit in 64 bits. */
#define INSTANT_LIMIT_NS (INT64_C(1) << 62)
#define IDLE_LIMIT_NS (INT64_C(1) << 60)

static size_t rounded(size_t size)
{
    size_t unit = alignof(max_align_t);
    return (size + unit - 1) / unit * unit;
}

size_t watchlog_size(uint32_t capacity)
{
    return rounded(sizeof(struct watchlog)) + rounded(capacity * sizeof(struct watch_entry)) +
           2 * rounded(capacity * sizeof(struct watch_outcome));
}

struct watchlog *watchlog_init(void *memory, size_t size, uint32_t capacity)
{
    struct watchlog *log = memory;
    if (memory == NULL || size < watchlog_size(capacity))
        return NULL;
    unsigned char *at = (unsigned char *)memory + rounded(sizeof *log);
    memset(log, 0, sizeof *log);
    log->capacity = capacity;
    log->fold.entry = (struct watch_entry *)(void *)at;
    at += rounded(capacity * sizeof(struct watch_entry));
    log->fold.out = (struct watch_outcome *)(void *)at;
    at += rounded(capacity * sizeof(struct watch_outcome));
    log->spare = (struct watch_outcome *)(void *)at;
    log->horizon.ns = INT64_MIN;
    watchfold_reset(&log->fold);
    return log;
}

void watchlog_set_idle(struct watchlog *log, int64_t idle_ns)
{
    if (idle_ns < 0 || idle_ns > IDLE_LIMIT_NS)
        idle_ns = 0;
    log->idle_ns = idle_ns;
}

void watchlog_set_planned_bottom(struct watchlog *log, int64_t planned_ns)
{
    log->planned_ns = planned_ns > 0 ? planned_ns : 0;
}

void watch_fact_of_key(struct watch_fact *fact, const struct key_def *key, uint16_t capacity)
{
    *fact = (struct watch_fact){
        .kind = key->kind, .phase = key->phase, .lead_ms = key->lead_ms, .capacity = capacity};
    memcpy(fact->label, key->label, sizeof fact->label);
    memcpy(fact->term, key->term, sizeof fact->term);
    memcpy(fact->container, key->container, sizeof fact->container);
    memcpy(fact->gear, key->gear, sizeof fact->gear);
}

void watchlog_set_who(struct watchlog *log, uint8_t seat, const char *who)
{
    if (seat >= WATCH_SEATS_MAX)
        return;
    size_t length = strlen(who);
    if (length >= WHO_SIZE)
        length = WHO_SIZE - 1;
    memset(log->fold.base_who[seat], 0, WHO_SIZE);
    memcpy(log->fold.base_who[seat], who, length);
}

/* Folds anew and sends what differs from before. */
static void settle(struct watchlog *log, struct watchemit emit)
{
    if (log->held) {
        log->stale = true;
        return;
    }
    struct watch_outcome *before = log->fold.out;
    log->fold.out = log->spare;
    log->spare = before;
    watchfold_run(&log->fold, log->horizon);
    emit.fold = &log->fold;
    watchemit_difference(&emit, before);
    watchemit_refusals(&emit, &log->fold);
}

/* Adds the latest fact to the present state. */
static void append(struct watchlog *log, uint32_t at, watch_sink *sink, void *ctx)
{
    struct watchfold *fold = &log->fold;
    bool sample = fold->entry[at].fact.kind == KEY_KIND_SAMPLE;
    struct watchemit emit = {.fold = fold, .sink = sink, .ctx = ctx, .own = fold->entry[at].fact.marker};
    fold->out[at] = (struct watch_outcome){0};
    if (sample)
        container_decide(fold, at);
    fold->track = true;
    watchfold_apply(fold, at);
    fold->track = false;
    watchemit_touched(&emit, fold);
    if (sample)
        watchemit_refusals(&emit, fold);
}

static bool comes_before(const struct watch_fact *a, const struct watch_fact *b)
{
    return a->at.ns != b->at.ns ? a->at.ns < b->at.ns : a->marker < b->marker;
}

/* Makes room for a fact at its place in time and returns the place. */
static uint32_t insert(struct watchlog *log, const struct watch_entry *entry, const struct watch_outcome *out)
{
    struct watchfold *fold = &log->fold;
    uint32_t at = fold->count;
    while (at > 0 && comes_before(&entry->fact, &fold->entry[at - 1].fact))
        at--;
    memmove(&fold->entry[at + 1], &fold->entry[at], (fold->count - at) * sizeof fold->entry[0]);
    memmove(&fold->out[at + 1], &fold->out[at], (fold->count - at) * sizeof fold->out[0]);
    fold->entry[at] = *entry;
    fold->out[at] = *out;
    fold->count++;
    return at;
}

static void take_out(struct watchlog *log, uint32_t at)
{
    struct watchfold *fold = &log->fold;
    fold->count--;
    memmove(&fold->entry[at], &fold->entry[at + 1], (fold->count - at) * sizeof fold->entry[0]);
    memmove(&fold->out[at], &fold->out[at + 1], (fold->count - at) * sizeof fold->out[0]);
}

static bool is_sound_instant(utc_ns at)
{
    return at.ns > -INSTANT_LIMIT_NS && at.ns < INSTANT_LIMIT_NS;
}

static bool is_sound(const struct watchlog *log, const struct watch_fact *fact)
{
    return fact->marker != 0 && fact->seat < WATCH_SEATS_MAX && fact->kind > KEY_KIND_NONE &&
           fact->kind < KEY_KINDS && is_sound_instant(fact->at) &&
           (fact->marker > log->highest_marker || watchfold_find(&log->fold, fact->marker) == WATCHFOLD_NONE);
}

static struct watch_entry entry_of(struct watchlog *log, const struct watch_fact *fact)
{
    struct watch_entry entry = {.fact = *fact};
    entry.fact.label[LABEL_SIZE - 1] = '\0';
    entry.fact.term[TERM_SIZE - 1] = '\0';
    entry.fact.container[CONTAINER_SIZE - 1] = '\0';
    entry.fact.gear[GEAR_SIZE - 1] = '\0';
    if (fact->marker > log->highest_marker)
        log->highest_marker = fact->marker;
    return entry;
}

/* A marker that the log does not keep. A badge shown between dives counts all the same. */
static struct watch_link pass_by(struct watchlog *log, const struct watch_fact *fact, enum watch_note note)
{
    struct watch_link link = {.marker = fact->marker, .note = note, .who = ""};
    if (fact->seat >= WATCH_SEATS_MAX)
        return link;
    if (!log->begun && fact->kind == KEY_KIND_BADGE)
        watchlog_set_who(log, fact->seat, fact->label);
    if (!log->held)
        link.who = watchfold_who(&log->fold, fact->seat);
    return link;
}

/* The marker `instead_of` was but the beginning of the gesture at index `at`, which takes its place and, where both are of one kind, its object. */
static void take_place(struct watchfold *fold, uint32_t at)
{
    struct watch_entry *entry = &fold->entry[at];
    uint32_t first = watchfold_find(fold, entry->fact.instead_of);
    if (first == WATCHFOLD_NONE || first == at || fold->out[first].struck)
        return;
    struct watch_entry *begun = &fold->entry[first];
    enum watch_opens opens = watchfold_opens(entry->fact.kind);
    begun->struck_by_name = true;
    if (begun->fact.kind != entry->fact.kind || (opens != WATCH_OPENS_SIGHTING && opens != WATCH_OPENS_SPAN))
        return;
    entry->object = begun->object;
    entry->transect = begun->transect;
    begun->object = begun->transect = 0;
}

struct watch_link watchlog_press(struct watchlog *log, const struct watch_fact *fact, watch_sink *sink,
                                 void *ctx)
{
    struct watchfold *fold = &log->fold;
    if (!log->begun || !is_sound(log, fact))
        return pass_by(log, fact, WATCH_NOTE_OUTSIDE);
    if (fold->count == log->capacity)
        return pass_by(log, fact, WATCH_NOTE_LOG_FULL);
    struct watch_entry entry = entry_of(log, fact);
    if (fact->kind == KEY_KIND_WAYPOINT)
        entry.object = ++fold->last_waypoint;
    uint32_t at = insert(log, &entry, &(struct watch_outcome){.fresh = true});
    if (fact->instead_of != 0)
        take_place(fold, at);
    if (log->held) {
        log->stale = true;
        return (struct watch_link){.marker = fact->marker, .who = ""};
    }
    bool latest = at + 1 == fold->count && fact->at.ns >= log->horizon.ns && !fold->ended;
    if (latest && fact->kind != KEY_KIND_STRIKE && fact->instead_of == 0)
        append(log, at, sink, ctx);
    else
        settle(log, (struct watchemit){.sink = sink, .ctx = ctx, .recomputed = true, .own = fact->marker});
    return watchemit_link(fold, at);
}

bool watchlog_strike(struct watchlog *log, uint32_t marker, bool struck, watch_sink *sink, void *ctx)
{
    uint32_t at = watchfold_find(&log->fold, marker);
    if (at == WATCHFOLD_NONE)
        return false;
    bool *by_name = &log->fold.entry[at].struck_by_name;
    if (struck == *by_name || (struck && log->fold.out[at].struck))
        return false;
    *by_name = struck;
    settle(log, (struct watchemit){.sink = sink, .ctx = ctx, .recomputed = true});
    return true;
}

bool watchlog_retime(struct watchlog *log, uint32_t marker, utc_ns at, watch_sink *sink, void *ctx)
{
    uint32_t place = watchfold_find(&log->fold, marker);
    if (place == WATCHFOLD_NONE || !is_sound_instant(at) || log->fold.entry[place].fact.at.ns == at.ns)
        return false;
    struct watch_entry entry = log->fold.entry[place];
    struct watch_outcome out = log->fold.out[place];
    entry.fact.at = at;
    take_out(log, place);
    insert(log, &entry, &out);
    settle(log, (struct watchemit){.sink = sink, .ctx = ctx, .recomputed = true});
    return true;
}

void watchlog_hold(struct watchlog *log)
{
    log->held = true;
}

void watchlog_release(struct watchlog *log, watch_sink *sink, void *ctx)
{
    log->held = false;
    if (log->stale)
        settle(log, (struct watchemit){.sink = sink, .ctx = ctx, .recomputed = true});
    log->stale = false;
}

bool watchlog_idle_due(const struct watchlog *log, utc_ns *due)
{
    bool any = false;
    for (uint8_t s = 0; s < WATCH_SEATS_MAX; s++) {
        utc_ns of_seat;
        if (!sighting_idle_due(&log->fold, s, &of_seat) || (any && of_seat.ns >= due->ns))
            continue;
        *due = of_seat;
        any = true;
    }
    return any;
}

void watchlog_idle(struct watchlog *log, utc_ns now, watch_sink *sink, void *ctx)
{
    bool any = false;
    for (uint8_t s = 0; s < WATCH_SEATS_MAX && !log->held; s++) {
        utc_ns due;
        if (!sighting_idle_due(&log->fold, s, &due) || due.ns > now.ns)
            continue;
        any = true;
        if (due.ns > log->horizon.ns)
            log->horizon = due;
    }
    if (any)
        settle(log, (struct watchemit){.sink = sink, .ctx = ctx});
}

static void start_over(struct watchlog *log, utc_ns at)
{
    log->fold.count = 0;
    log->fold.begin = at;
    log->fold.ended = false;
    log->fold.idle_ns = log->idle_ns;
    log->fold.last_sighting = log->fold.last_span = log->fold.last_transect = 0;
    log->fold.last_sample = log->fold.last_waypoint = 0;
    watchfold_reset(&log->fold);
    log->highest_marker = 0;
    log->horizon.ns = INT64_MIN;
    log->begun = true;
    log->held = log->stale = false;
}

void watchlog_dive_begin(struct watchlog *log, utc_ns at)
{
    watchlog_release(log, NULL, NULL);
    for (uint8_t s = 0; s < WATCH_SEATS_MAX; s++)
        if (log->fold.seat[s].badge != WATCHFOLD_NONE)
            watchlog_set_who(log, s, watchfold_who(&log->fold, s));
    start_over(log, at);
}

void watchlog_dive_end(struct watchlog *log, utc_ns at, watch_sink *sink, void *ctx)
{
    if (!log->begun || log->fold.ended)
        return;
    log->fold.ended = true;
    log->fold.end = at.ns < log->fold.begin.ns ? log->fold.begin : at;
    settle(log, (struct watchemit){.sink = sink, .ctx = ctx});
}

void watchlog_restore_begin(struct watchlog *log, utc_ns at)
{
    start_over(log, at);
}

static void restore_number(struct watchfold *fold, struct watch_entry *entry)
{
    uint32_t *last = NULL;
    switch (watchfold_opens(entry->fact.kind)) {
    case WATCH_OPENS_SIGHTING:
        last = &fold->last_sighting;
        break;
    case WATCH_OPENS_SPAN:
        last = &fold->last_span;
        break;
    case WATCH_OPENS_SAMPLE:
        last = &fold->last_sample;
        entry->decided = true;
        break;
    case WATCH_OPENS_NOTHING:
    default:
        if (entry->fact.kind != KEY_KIND_WAYPOINT) {
            entry->object = 0;
            return;
        }
        last = &fold->last_waypoint;
        if (entry->object == 0)
            entry->object = *last + 1;
    }
    if (entry->object > *last)
        *last = entry->object;
}

bool watchlog_restore_fact(struct watchlog *log, const struct watch_fact *fact,
                           const struct watch_saved *saved)
{
    if (!log->begun || !is_sound(log, fact) || log->fold.count == log->capacity)
        return false;
    struct watch_entry entry = entry_of(log, fact);
    entry.object = saved->object;
    entry.struck_by_name = saved->struck;
    entry.idled = saved->idled;
    restore_number(&log->fold, &entry);
    insert(log, &entry, &(struct watch_outcome){0});
    return true;
}

/* Transects got their numbers in the order in which they got their numbers as spans. */
static void restore_transects(struct watchfold *fold)
{
    for (;;) {
        struct watch_entry *next = NULL;
        for (uint32_t i = 0; i < fold->count; i++) {
            struct watch_entry *entry = &fold->entry[i];
            if (entry->fact.kind == KEY_KIND_TRANSECT && entry->object != 0 && entry->transect == 0 &&
                (next == NULL || entry->object < next->object))
                next = entry;
        }
        if (next == NULL)
            return;
        next->transect = ++fold->last_transect;
    }
}

/* How far idle sightings were closed, as far as it still matters: those that would now be open but were told to be closed. */
static utc_ns restore_horizon(struct watchfold *fold)
{
    utc_ns horizon = {INT64_MIN};
    for (uint8_t s = 0; s < WATCH_SEATS_MAX; s++) {
        const struct watch_seat *seat = &fold->seat[s];
        utc_ns due;
        bool idled = false;
        for (uint32_t i = 0; i < seat->open_count; i++)
            idled = idled || fold->entry[seat->open[i]].idled;
        if (idled && sighting_idle_due(fold, s, &due) && due.ns > horizon.ns)
            horizon = due;
    }
    return horizon;
}

void watchlog_restore_end(struct watchlog *log, const utc_ns *ended)
{
    struct watchfold *fold = &log->fold;
    restore_transects(fold);
    if (ended != NULL) {
        fold->ended = true;
        fold->end = ended->ns < fold->begin.ns ? fold->begin : *ended;
    }
    watchfold_run(fold, log->horizon);
    log->horizon = restore_horizon(fold);
    watchfold_run(fold, log->horizon);
}
