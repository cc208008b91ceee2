/* Markers: a press with all that is known of its instant; and what becomes known of it afterwards. */
#include "core/engine_state.h"

#include "core/reading.h"

#include <stdio.h>
#include <string.h>

/* How often what waits to be settled is looked at. */
#define SETTLE_EVERY_NS (200 * NS_PER_MS)
/* Telemetry that arrived so long ago is on disk; memory holds about 50 s of it at 10 Hz. */
#define HISTORY_NS (15 * NS_PER_S)

/* ---- telemetry at an instant ---- */

static const char *feed_name(const void *ctx, uint8_t feed)
{
    const struct engine_config *config = ctx;
    return feed < config->feed_count ? config->feed[feed].name : "";
}

/* Everything known at an instant; true where nothing still to come can change it. */
static bool read_telemetry(const struct engine *e, int64_t at_ns, struct marker_telemetry *out)
{
    const struct reading_source source = {e->channels, &e->config.names, &e->track, feed_name, &e->config};
    return reading_at(&source, (mono_ns){at_ns}, out);
}

/* ---- stamps ---- */

static struct when when_of(const struct engine *e, int64_t lo_ns, int64_t hi_ns)
{
    if (lo_ns != INT64_MIN)
        return engine_when(e, lo_ns, hi_ns);
    /* An instant without a lower end: what is said is the latest it can have been, and that its error is not known. */
    struct when when = engine_when(e, hi_ns, hi_ns);
    when.mono_bound_ns = -1;
    when.utc_bound_ns = -1;
    if (when.trust != CLOCK_TRUST_NONE)
        when.trust = CLOCK_TRUST_UNSYNCED;
    return when;
}

static struct timecode_stamp timecode_of(const struct engine *e, int64_t lo_ns, int64_t hi_ns)
{
    if (lo_ns != INT64_MIN)
        return engine_timecode_at(e, lo_ns, hi_ns);
    return (struct timecode_stamp){.bound_frames = -1};
}

/* ---- settling ---- */

static void settle(struct engine *e, const struct unsettled *waiting, const char *cause,
                   const struct marker_telemetry *telemetry)
{
    struct entry *entry = engine_entry(e, ENTRY_SETTLED);
    struct settled *settled = &entry->of.settled;
    engine_copy(entry->dive, sizeof entry->dive, waiting->dive);
    settled->marker = waiting->number;
    engine_copy(settled->cause, sizeof settled->cause, cause);
    settled->when = when_of(e, waiting->lo_ns, waiting->hi_ns);
    settled->timecode = timecode_of(e, waiting->lo_ns, waiting->hi_ns);
    settled->has_timecode = true;
    settled->has_telemetry = true;
    settled->telemetry = *telemetry;
    engine_commit(e, entry);
}

/* Words that come after the press show whether the recorder ran on up to it or had jumped; and after a start the first words come a second
 * later than the first presses. */
static bool timecode_is_there(const struct engine *e, const struct unsettled *waiting)
{
    return !e->config.timecode_from_ltc || waiting->lo_ns == INT64_MIN ||
           tcmap_bracketed(&e->timecode, (mono_ns){waiting->hi_ns});
}

/* The spare entry's telemetry serves as a place to read into: nothing is being made while timers run. */
static bool try_settle(struct engine *e, const struct unsettled *waiting, bool force)
{
    struct marker_telemetry *telemetry = &e->spare.of.settled.telemetry;
    int64_t at = when_of(e, waiting->lo_ns, waiting->hi_ns).mono.ns;
    bool bracketed = read_telemetry(e, at, telemetry) && timecode_is_there(e, waiting);
    if (!bracketed && !force)
        return false;
    settle(e, waiting, bracketed ? "bracketed" : "waited", telemetry);
    return true;
}

static void settle_some(struct engine *e, bool all)
{
    size_t kept = 0;
    for (size_t i = 0; i < e->unsettled_count; i++) {
        struct unsettled waiting = e->unsettled[i];
        if (!try_settle(e, &waiting, all || e->now_ns >= waiting.due_ns))
            e->unsettled[kept++] = waiting;
    }
    e->unsettled_count = kept;
}

void engine_settle_timer(struct engine *e)
{
    settle_some(e, false);
    if (e->unsettled_count > 0)
        e->due_ns[TIMER_SETTLE] = e->now_ns + SETTLE_EVERY_NS;
}

void engine_settle_all(struct engine *e)
{
    settle_some(e, true);
}

static void wait_to_settle(struct engine *e, const char *dive, uint32_t number, int64_t lo_ns, int64_t hi_ns)
{
    if (e->unsettled_count == UNSETTLED_MAX) {
        try_settle(e, &e->unsettled[0], true);
        memmove(e->unsettled, e->unsettled + 1, (UNSETTLED_MAX - 1) * sizeof e->unsettled[0]);
        e->unsettled_count--;
    }
    struct unsettled *waiting = &e->unsettled[e->unsettled_count++];
    engine_copy(waiting->dive, sizeof waiting->dive, dive);
    waiting->number = number;
    waiting->lo_ns = lo_ns;
    waiting->hi_ns = hi_ns;
    waiting->due_ns = e->now_ns + e->config.settle_ns;
    if (e->due_ns[TIMER_SETTLE] == NEVER)
        e->due_ns[TIMER_SETTLE] = e->now_ns + SETTLE_EVERY_NS;
}

void engine_retime_later(struct engine *e, const char *dive, uint32_t number, int64_t lo_ns, int64_t hi_ns)
{
    for (size_t i = 0; i < e->retimed_count; i++)
        if (e->retimed[i].number == number && strcmp(e->retimed[i].dive, dive) == 0)
            return;
    if (e->retimed_count == RETIMED_MAX)
        return;
    struct retimed *marker = &e->retimed[e->retimed_count++];
    *marker = (struct retimed){.number = number, .lo_ns = lo_ns, .hi_ns = hi_ns};
    engine_copy(marker->dive, sizeof marker->dive, dive);
}

/* UTC became known: what was stamped without it gets its true time, and its place in the watch log. */
void engine_retime(struct engine *e)
{
    size_t kept = 0;
    watchlog_hold(e->watch);
    for (size_t i = 0; i < e->retimed_count; i++) {
        struct retimed marker = e->retimed[i];
        struct when when = engine_when(e, marker.lo_ns, marker.hi_ns);
        if (when.trust < CLOCK_TRUST_HOLDOVER) {
            e->retimed[kept++] = marker;
            continue;
        }
        struct entry *entry = engine_entry(e, ENTRY_SETTLED);
        struct settled *settled = &entry->of.settled;
        engine_copy(entry->dive, sizeof entry->dive, marker.dive);
        settled->marker = marker.number;
        engine_copy(settled->cause, sizeof settled->cause, "clock");
        settled->when = when;
        settled->has_timecode =
            !e->config.timecode_from_ltc; /* time of day follows UTC; the recorder's does not */
        if (settled->has_timecode)
            settled->timecode = engine_timecode_at(e, marker.lo_ns, marker.hi_ns);
        engine_commit(e, entry);
        if (marker.dive[0] != '\0' && strcmp(marker.dive, e->dive.id) == 0)
            watchlog_retime(e->watch, marker.number, when.utc, engine_watch_sink, e);
    }
    watchlog_release(e->watch, engine_watch_sink, e);
    e->retimed_count = kept;
    engine_watch_flush(e);
}

/* ---- making one ---- */

static void fill_meaning(struct marker *marker, const struct press *press)
{
    const struct key_def *def = press->def;
    engine_copy(marker->key, sizeof marker->key, def != NULL ? def->name : press->key);
    engine_copy(marker->gesture, sizeof marker->gesture, press->gesture);
    if (def == NULL) {
        engine_copy(marker->kind, sizeof marker->kind, "unassigned");
        engine_copy(marker->label, sizeof marker->label,
                    press->label != NULL ? press->label : "key without a meaning");
        return;
    }
    engine_copy(marker->kind, sizeof marker->kind, key_kind_name(def->kind));
    engine_copy(marker->label, sizeof marker->label, press->label != NULL ? press->label : def->label);
    engine_copy(marker->term, sizeof marker->term, def->term);
    engine_copy(marker->phase, sizeof marker->phase,
                def->phase != DIVE_PHASE_NONE ? dive_phase_name(def->phase) : "");
    engine_copy(marker->container, sizeof marker->container,
                press->container != NULL ? press->container : def->container);
    engine_copy(marker->gear, sizeof marker->gear, def->gear);
    marker->lead_ns = (int64_t)def->lead_ms * NS_PER_MS;
}

static struct watch_link tell_watch(struct engine *e, struct marker *marker, const struct press *press)
{
    struct watch_link nothing = {.note = WATCH_NOTE_OUTSIDE, .who = e->who[press->seat]};
    if (e->dive.id[0] == '\0' || press->def == NULL)
        return nothing;
    struct watch_fact fact;
    const struct key_container *container = press->plan != NULL && marker->container[0] != '\0'
                                                ? keyplan_find_container(press->plan, marker->container)
                                                : NULL;
    watch_fact_of_key(&fact, press->def, container != NULL ? container->capacity : 0);
    fact.marker = marker->number;
    fact.seat = press->seat;
    fact.at = marker->when.utc;
    fact.target = press->target;
    fact.instead_of = press->instead_of;
    engine_copy(fact.label, sizeof fact.label, marker->label);
    engine_copy(fact.container, sizeof fact.container, marker->container);
    marker->capacity = fact.capacity;
    marker->target = fact.target;
    marker->instead_of = fact.instead_of;
    return watchlog_press(e->watch, &fact, engine_watch_sink, e);
}

static void fill_press(const struct engine *e, struct marker *marker, const struct press *press)
{
    marker->origin = press->origin;
    engine_copy(marker->seat, sizeof marker->seat, e->seat[press->seat]);
    engine_copy(marker->pad, sizeof marker->pad, press->serial != NULL ? press->serial : "");
    marker->pad_boot = press->boot_id;
    marker->pad_seq = press->seq;
    marker->tick = press->tick;
    engine_copy(marker->note, sizeof marker->note, press->note != NULL ? press->note : "");
    engine_copy(marker->by, sizeof marker->by, press->by != NULL ? press->by : "");
    marker->when = when_of(e, press->lo_ns, press->hi_ns);
    marker->timecode = timecode_of(e, press->lo_ns, press->hi_ns);
    if (!press->utc_given)
        return;
    /* What was given is what is stored. How well a person knew it nobody knows, unless it comes of a timecode. */
    marker->when.utc = press->utc;
    marker->when.utc_bound_ns = press->utc_bound_ns;
    marker->when.mono_bound_ns = -1;
    marker->when.trust = CLOCK_TRUST_SYNCED;
    if (!e->config.timecode_from_ltc)
        marker->timecode = engine_time_of_day(e, press->utc, press->utc_bound_ns);
    else if (marker->timecode.trust != TIMECODE_TRUST_LOCKED)
        marker->timecode = (struct timecode_stamp){.bound_frames = -1};
}

/* ---- late entries ---- */

/* Whether the record on disk knows the instant better than the telemetry in memory, and somebody can look there: all of its samples have
 * arrived, and memory may not reach back so far. */
static bool is_history(const struct engine *e, const struct press *press)
{
    if (press->origin != MARKER_LATE)
        return false;
    int64_t latest_ns = HISTORY_NS;
    for (size_t i = 0; i < e->config.feed_count; i++)
        if (e->config.feed[i].latency_ns + HISTORY_NS > latest_ns)
            latest_ns = e->config.feed[i].latency_ns + HISTORY_NS;
    return press->hi_ns < e->started_ns || e->now_ns - press->hi_ns > latest_ns;
}

static void ask_the_record(struct engine *e, const struct entry *entry)
{
    struct engine_lookup lookup = {.marker = entry->of.marker.number, .when = entry->of.marker.when};
    if (entry->of.marker.when.trust == CLOCK_TRUST_NONE)
        return;
    engine_copy(lookup.dive, sizeof lookup.dive, entry->dive);
    lookup.want_timecode =
        e->config.timecode_from_ltc && entry->of.marker.timecode.trust != TIMECODE_TRUST_LOCKED;
    e->sink.lookup(e->sink.ctx, &lookup);
}

static enum reading_method method_named(const char *name)
{
    for (int i = READING_METHOD_INTERPOLATED; i <= READING_METHOD_DERIVED; i++)
        if (strcmp(name, reading_method_name((enum reading_method)i)) == 0)
            return (enum reading_method)i;
    return READING_METHOD_LAST;
}

static enum clock_trust trust_named(const char *name)
{
    for (int i = CLOCK_TRUST_NONE; i <= CLOCK_TRUST_SYNCED; i++)
        if (strcmp(name, clock_trust_name((enum clock_trust)i)) == 0)
            return (enum clock_trust)i;
    return CLOCK_TRUST_UNSYNCED;
}

static void stored_position(const struct fields *fields, struct marker_position *out)
{
    char method[16];
    *out = (struct marker_position){.uncertainty_m = -1};
    out->known = fields_real(fields, "lat", &out->lat_deg) && fields_real(fields, "lon", &out->lon_deg) &&
                 fields_real(fields, "age", &out->age_s);
    fields_real(fields, "within_m", &out->uncertainty_m);
    fields_text(fields, "source", out->source, sizeof out->source);
    fields_text(fields, "feed", out->feed, sizeof out->feed);
    fields_text(fields, "method", method, sizeof method);
    out->method = method_named(method);
}

/* r0=CHANNEL VALUE AGE METHOD FEED; the feed may be missing. */
static void stored_readings(const struct fields *fields, struct marker_telemetry *out)
{
    char name[16], text[160];
    out->reading_count = 0;
    for (int i = 0; i < MARKER_READINGS_MAX; i++) {
        struct marker_reading *reading = &out->reading[out->reading_count];
        char method[16];
        snprintf(name, sizeof name, "r%d", i);
        if (!fields_text(fields, name, text, sizeof text))
            break;
        reading->source[0] = '\0';
        if (sscanf(text, "%39s %lf %lf %15s %23s", reading->channel, &reading->value, &reading->age_s, method,
                   reading->source) < 4)
            continue;
        reading->method = method_named(method);
        out->reading_count++;
    }
}

static void stored_timecode(const struct fields *fields, struct settled *settled)
{
    struct timecode_stamp *stamp = &settled->timecode;
    char state[16];
    *stamp = (struct timecode_stamp){.bound_frames = -1};
    settled->has_timecode = fields_text(fields, "timecode", stamp->label, sizeof stamp->label) &&
                            fields_text(fields, "rate", stamp->rate, sizeof stamp->rate) &&
                            fields_int(fields, "frame", &stamp->frame) &&
                            fields_real(fields, "within", &stamp->within);
    fields_real(fields, "bound_frames", &stamp->bound_frames);
    fields_text(fields, "timecode_state", state, sizeof state);
    stamp->trust = strcmp(state, "locked") == 0 ? TIMECODE_TRUST_LOCKED : TIMECODE_TRUST_HOLDOVER;
}

void engine_stored(struct engine *e, const struct fields *fields)
{
    struct entry *entry = engine_entry(e, ENTRY_SETTLED);
    struct settled *settled = &entry->of.settled;
    struct when *when = &settled->when;
    char clock[16];
    int64_t marker;
    if (!fields_int(fields, "marker", &marker) || marker < 1 || marker > UINT32_MAX ||
        !fields_int(fields, "utc", &when->utc.ns) || !fields_int(fields, "mono", &when->mono.ns))
        return;
    when->utc_bound_ns = when->mono_bound_ns = -1;
    fields_int(fields, "bound", &when->utc_bound_ns);
    fields_int(fields, "mono_bound", &when->mono_bound_ns);
    fields_text(fields, "clock", clock, sizeof clock);
    when->trust = trust_named(clock);
    fields_text(fields, "dive", entry->dive, sizeof entry->dive);
    settled->marker = (uint32_t)marker;
    engine_copy(settled->cause, sizeof settled->cause, "record");
    stored_timecode(fields, settled);
    settled->has_telemetry = true;
    stored_position(fields, &settled->telemetry.position);
    stored_readings(fields, &settled->telemetry);
    engine_commit(e, entry);
}

/* A press that waited in its pad while the dive ended still belongs to that dive. */
static bool belongs_to_dive(const struct engine *e, const struct when *when)
{
    if (e->dive.open)
        return true;
    return e->dive.id[0] != '\0' && when->trust != CLOCK_TRUST_NONE && when->utc.ns < e->dive.ended_ns;
}

uint32_t engine_marker(struct engine *e, const struct press *press, enum watch_note *note, char *ref)
{
    struct entry *entry = engine_entry(e, ENTRY_MARKER);
    struct marker *marker = &entry->of.marker;
    char badge[LABEL_SIZE];
    fill_press(e, marker, press);
    fill_meaning(marker, press);
    engine_copy(badge, sizeof badge, marker->label);
    bool in_dive = belongs_to_dive(e, &marker->when);
    engine_copy(entry->dive, sizeof entry->dive, in_dive ? e->dive.id : "");
    marker->number = in_dive ? ++e->dive.markers : ++e->markers_outside;
    if (in_dive && press->def != NULL && press->def->kind == KEY_KIND_SAMPLE)
        engine_sample_note(e, marker->number, press->note);
    entry_ref(ref, entry->dive, 'M', marker->number);

    struct watch_link link = {.note = WATCH_NOTE_OUTSIDE, .who = e->who[press->seat]};
    if (in_dive)
        link = tell_watch(e, marker, press);
    *note = link.note;
    marker->sighting = link.sighting;
    marker->object = link.object;
    engine_copy(marker->advice, sizeof marker->advice, watch_note_text(link.note));
    engine_copy(marker->who, sizeof marker->who, link.who != NULL ? link.who : "");
    /* The words that bracket an instant in recorded timecode are always still to come. */
    marker->settled =
        read_telemetry(e, marker->when.mono.ns, &marker->telemetry) && !e->config.timecode_from_ltc;
    bool look_up = is_history(e, press);
    marker->settled = marker->settled && !look_up;
    engine_commit(e, entry);

    uint32_t number = marker->number;
    bool timed = press->lo_ns != INT64_MIN;
    if (timed && !press->utc_given && marker->when.trust < CLOCK_TRUST_HOLDOVER)
        engine_retime_later(e, in_dive ? e->dive.id : "", number, press->lo_ns, press->hi_ns);
    if (look_up)
        ask_the_record(e, entry);
    else if (timed && !marker->settled)
        wait_to_settle(e, in_dive ? e->dive.id : "", number, press->lo_ns, press->hi_ns);
    if (!in_dive && press->def != NULL && press->def->kind == KEY_KIND_BADGE)
        engine_sits(e, press->seat, badge);
    engine_watch_flush(e);
    engine_idle_arm(e);
    return number;
}
