/* What the store remembers, taken up again before any other input. docs/data-model.md lists the records. */
#include "core/engine_state.h"

#include <stdlib.h>
#include <string.h>

static uint32_t number_of(const struct fields *fields, const char *name)
{
    int64_t value = 0;
    if (!fields_int(fields, name, &value) || value < 0 || value > UINT32_MAX)
        return 0;
    return (uint32_t)value;
}

static void restore_dive(struct engine *e, const struct fields *fields)
{
    bool again = e->dive.id[0] != '\0';
    if (again)
        engine_settle_all(e);
    memset(&e->dive, 0, sizeof e->dive);
    fields_text(fields, "id", e->dive.id, sizeof e->dive.id);
    fields_text(fields, "vehicle", e->dive.vehicle, sizeof e->dive.vehicle);
    fields_text(fields, "ship", e->dive.ship, sizeof e->dive.ship);
    fields_text(fields, "site", e->dive.site, sizeof e->dive.site);
    fields_int(fields, "begun_utc", &e->dive.begun_ns);
    fields_int(fields, "planned_bottom", &e->dive.planned_bottom_ns);
    watchlog_set_planned_bottom(e->watch, e->dive.planned_bottom_ns);
    e->dive.markers = number_of(fields, "markers");
    e->dive.open = !fields_int(fields, "ended_utc", &e->dive.ended_ns) && e->dive.id[0] != '\0';
    e->sample_note_count = 0;
    memset(e->recent, 0, sizeof e->recent);
    for (uint8_t seat = 0; seat < WATCH_SEATS_MAX; seat++)
        watchlog_set_who(e->watch, seat, "");
    watchlog_restore_begin(e->watch, (utc_ns){e->dive.begun_ns});
    e->restoring = true;
}

static void restore_seat(struct engine *e, const struct fields *fields)
{
    char seat[SEAT_SIZE], who[WHO_SIZE];
    fields_text(fields, "seat", seat, sizeof seat);
    fields_text(fields, "who", who, sizeof who);
    uint8_t at = engine_seat(e, seat);
    if (at == WATCH_SEATS_MAX)
        return;
    engine_copy(e->who[at], WHO_SIZE, who);
}

/* Who sat there when the dive began: its own badges come after. */
static void restore_watch(struct engine *e, const struct fields *fields)
{
    char seat[SEAT_SIZE], who[WHO_SIZE];
    fields_text(fields, "seat", seat, sizeof seat);
    fields_text(fields, "who", who, sizeof who);
    watchlog_set_who(e->watch, engine_seat(e, seat), who);
}

static void restore_press(struct engine *e, const struct fields *fields)
{
    char serial[PAD_SIZE];
    if (fields_text(fields, "pad", serial, sizeof serial))
        engine_boot_mark(engine_boot(e, serial, number_of(fields, "boot")), number_of(fields, "seq"),
                         PRESS_KEPT);
}

/* "pad SERIAL BOOT": a serial has no blanks. Other clocks are observed anew at once and need no restoring. */
static void restore_clock(struct engine *e, const struct fields *fields)
{
    char clock[64];
    int64_t a, lo, hi;
    if (!fields_text(fields, "clock", clock, sizeof clock) || !fields_int(fields, "a", &a) ||
        !fields_int(fields, "lo", &lo) || !fields_int(fields, "hi", &hi))
        return;
    if (strcmp(clock, "clap") == 0) {
        tcmap_set_offset(&e->timecode, a, hi);
        return;
    }
    char *blank = strrchr(clock, ' ');
    if (strncmp(clock, "pad ", 4) != 0 || blank == clock + 3)
        return;
    *blank = '\0';
    struct boot *boot = engine_boot(e, clock + 4, (uint32_t)strtoul(blank + 1, NULL, 10));
    clockmap_add(&boot->map, a, lo, hi);
    boot->heard_ns = hi < e->now_ns ? hi : e->now_ns;
    if (lo > boot->alive_ns)
        boot->alive_ns = lo;
}

static void restore_fact(struct engine *e, const struct fields *fields)
{
    struct watch_fact fact = {.marker = number_of(fields, "number")};
    struct watch_saved saved = {.object = number_of(fields, "object"),
                                .struck = number_of(fields, "struck") != 0,
                                .idled = number_of(fields, "idled") != 0};
    char text[SEAT_SIZE], kind[KIND_SIZE], phase[KIND_SIZE];
    int64_t lead_ns = 0;
    fields_text(fields, "seat", text, sizeof text);
    fields_text(fields, "kind", kind, sizeof kind);
    fields_text(fields, "phase", phase, sizeof phase);
    fact.seat = engine_seat(e, text);
    fact.kind = key_kind_find(kind);
    fact.phase = dive_phase_find(phase);
    if (fact.kind == KEY_KIND_NONE) /* "unassigned": the watch log was never told of it */
        return;
    fields_int(fields, "utc", &fact.at.ns);
    fields_int(fields, "lead_ns", &lead_ns);
    fact.lead_ms = (uint32_t)(lead_ns / NS_PER_MS);
    fact.target = number_of(fields, "target");
    fact.instead_of = number_of(fields, "instead_of");
    fact.capacity = (uint16_t)number_of(fields, "capacity");
    fields_text(fields, "label", fact.label, sizeof fact.label);
    fields_text(fields, "term", fact.term, sizeof fact.term);
    fields_text(fields, "container", fact.container, sizeof fact.container);
    fields_text(fields, "gear", fact.gear, sizeof fact.gear);
    if (fact.kind == KEY_KIND_SAMPLE) {
        char note[NOTE_SIZE];
        fields_text(fields, "note", note, sizeof note);
        engine_sample_note(e, fact.marker, note);
    }
    if (!watchlog_restore_fact(e->watch, &fact, &saved))
        engine_log(
            e, ENGINE_LOG_WARNING,
            "marker %u of dive %s cannot be taken up again: the watch log is full; the marker itself is safe",
            fact.marker, e->dive.id);
}

static void restore_unsettled(struct engine *e, const struct fields *fields)
{
    int64_t mono, bound;
    if (fields_int(fields, "mono", &mono) && fields_int(fields, "mono_bound", &bound) && bound >= 0)
        engine_retime_later(e, e->dive.id, number_of(fields, "number"), mono - bound, mono + bound);
}

/* Feeds and channels go by name: the configuration may have changed. */
static void restore_sample(struct engine *e, const struct fields *fields)
{
    char feed[SOURCE_SIZE], channel[CHANNEL_NAME_SIZE];
    mono_ns at;
    double value;
    fields_text(fields, "feed", feed, sizeof feed);
    fields_text(fields, "channel", channel, sizeof channel);
    int id = channel_find(&e->config.names, channel);
    if (id == CHANNEL_NONE || !fields_int(fields, "at", &at.ns) || !fields_real(fields, "value", &value))
        return;
    for (size_t i = 0; i < e->config.feed_count; i++)
        if (strcmp(e->config.feed[i].name, feed) == 0)
            engine_feed_recall(e, (int)i, id, at, value);
}

static void restore_end(struct engine *e)
{
    engine_feed_recalled(e);
    const utc_ns ended = {e->dive.ended_ns};
    if (e->restoring)
        watchlog_restore_end(e->watch, e->dive.open ? NULL : &ended);
    e->restoring = false;
    engine_idle_arm(e);
}

void engine_restore(struct engine *e, const struct fields *fields)
{
    char op[32];
    fields_text(fields, "op", op, sizeof op);
    if (strcmp(op, "restore.seq") == 0) {
        fields_int(fields, "last", &e->seq);
        e->committed_seq = e->seq;
    } else if (strcmp(op, "restore.dive") == 0) {
        restore_dive(e, fields);
    } else if (strcmp(op, "restore.outside") == 0) {
        e->markers_outside = number_of(fields, "markers");
    } else if (strcmp(op, "restore.seat") == 0) {
        restore_seat(e, fields);
    } else if (strcmp(op, "restore.watch") == 0) {
        restore_watch(e, fields);
    } else if (strcmp(op, "restore.press") == 0) {
        restore_press(e, fields);
    } else if (strcmp(op, "restore.clock") == 0) {
        restore_clock(e, fields);
    } else if (strcmp(op, "restore.fact") == 0) {
        restore_fact(e, fields);
    } else if (strcmp(op, "restore.unsettled") == 0) {
        restore_unsettled(e, fields);
    } else if (strcmp(op, "restore.sample") == 0) {
        restore_sample(e, fields);
    } else if (strcmp(op, "restore.end") == 0) {
        restore_end(e);
    }
}
