/* Commands from the socket: each is answered once, and only when what came of it is on disk. docs/socket.md names their fields. */
#include "core/engine_state.h"

#include "core/event.h"
#include "core/laserscale.h"
#include "core/openname.h"

#include <stdarg.h>
#include <stdio.h>
#include <string.h>

struct command {
    struct engine *engine;
    const struct fields *fields;
    int64_t token;
};

static void refuse(const struct command *command, enum engine_refusal refusal, const char *format, ...)
    __attribute__((format(printf, 3, 4)));

static void refuse(const struct command *command, enum engine_refusal refusal, const char *format, ...)
{
    struct engine_reply reply = {.token = command->token, .refusal = refusal};
    va_list args;
    va_start(args, format);
    vsnprintf(reply.text, sizeof reply.text, format, args);
    va_end(args);
    command->engine->sink.reply(command->engine->sink.ctx, &reply);
}

/* Done: the answer goes out when all entries made for the command are durable. */
static void done(const struct command *command, int64_t seq, const char *ref)
{
    struct answer *answer = engine_answer(command->engine);
    answer->reply.token = command->token;
    answer->reply.seq = seq;
    engine_copy(answer->reply.ref, sizeof answer->reply.ref, ref);
}

static void text_of(const struct command *command, const char *name, char *out, size_t size)
{
    if (!fields_text(command->fields, name, out, size))
        out[0] = '\0';
}

/* ---- dives ---- */

static bool id_is_sound(const char *id)
{
    size_t len = strlen(id);
    static const char letters[] = "ABCDEFGHIJKLMNOPQRSTUVWXYZabcdefghijklmnopqrstuvwxyz0123456789";
    return len > 0 && len < DIVE_ID_SIZE && strchr(letters, id[0]) != NULL &&
           strspn(id, "ABCDEFGHIJKLMNOPQRSTUVWXYZabcdefghijklmnopqrstuvwxyz0123456789_.-") == len;
}

static void dive_text(const struct command *command, const char *name, const char *otherwise, char *out)
{
    text_of(command, name, out, LABEL_SIZE);
    if (out[0] == '\0')
        engine_copy(out, LABEL_SIZE, otherwise);
}

static void dive_entry(struct engine *e, const char *state)
{
    struct entry *entry = engine_entry(e, ENTRY_DIVE);
    engine_copy(entry->dive, sizeof entry->dive, e->dive.id);
    engine_copy(entry->of.dive.state, sizeof entry->of.dive.state, state);
    engine_copy(entry->of.dive.vehicle, LABEL_SIZE, e->dive.vehicle);
    engine_copy(entry->of.dive.ship, LABEL_SIZE, e->dive.ship);
    engine_copy(entry->of.dive.site, LABEL_SIZE, e->dive.site);
    entry->of.dive.planned_bottom_ns = e->dive.planned_bottom_ns;
    engine_commit(e, entry);
}

static void dive_begin(const struct command *command)
{
    struct engine *e = command->engine;
    char id[64];
    text_of(command, "id", id, sizeof id);
    if (e->dive.open) {
        refuse(command, REFUSED_DIVE_OPEN, "dive %s is open; end it first", e->dive.id);
        return;
    }
    if (strcmp(id, e->dive.id) ==
        0) { /* the shell asks the database; a dive that ended a moment ago may not be in it yet */
        refuse(command, REFUSED_STATE,
               "there is a dive %s already; give another id (`bellrope dive list` shows them)", id);
        return;
    }
    if (!id_is_sound(id)) {
        refuse(command, REFUSED_PARAMS,
               "'%s' cannot be a dive's id: 1 to 31 letters, digits, '_', '.' or '-', the first a letter or "
               "digit",
               id);
        return;
    }
    struct when now = engine_when(e, e->now_ns, e->now_ns);
    engine_settle_all(e);
    memset(&e->dive, 0, sizeof e->dive);
    engine_copy(e->dive.id, sizeof e->dive.id, id);
    dive_text(command, "vehicle", e->config.vehicle, e->dive.vehicle);
    dive_text(command, "ship", e->config.ship, e->dive.ship);
    dive_text(command, "site", e->config.site, e->dive.site);
    e->dive.planned_bottom_ns = e->config.planned_bottom_ns;
    fields_int(command->fields, "planned_bottom_ns", &e->dive.planned_bottom_ns);
    watchlog_set_planned_bottom(e->watch, e->dive.planned_bottom_ns);
    e->dive.begun_ns = now.utc.ns;
    e->sample_note_count = 0;
    memset(e->recent, 0, sizeof e->recent);
    watchlog_dive_begin(e->watch, now.utc);
    for (uint8_t seat = 0; seat < WATCH_SEATS_MAX; seat++)
        watchlog_set_who(e->watch, seat, e->who[seat]);
    e->dive.open = true;
    dive_entry(e, "begun");
    done(command, e->seq, id);
}

static void dive_end(const struct command *command)
{
    struct engine *e = command->engine;
    if (!e->dive.open) {
        refuse(command, REFUSED_NO_DIVE, "no dive is open");
        return;
    }
    struct when now = engine_when(e, e->now_ns, e->now_ns);
    watchlog_dive_end(e->watch, now.utc, engine_watch_sink, e);
    engine_watch_flush(e);
    e->dive.ended_ns = now.utc.ns;
    dive_entry(e, "ended");
    e->dive.open = false;
    engine_idle_arm(e);
    done(command, e->seq, e->dive.id);
}

/* ---- presses ---- */

static const struct pad_link *pad_of_seat(const struct engine *e, const char *seat)
{
    for (size_t i = 0; i < e->config.pad_count; i++)
        if (e->pad[i].has_plan && (seat[0] == '\0' || strcmp(e->config.pad[i].seat, seat) == 0))
            return &e->pad[i];
    return NULL;
}

/* A seat that is known, from the configuration or from the record: a name with a slip in it would stand nowhere else. */
static bool find_seat(const struct command *command, const char *name, uint8_t *out)
{
    const struct engine *e = command->engine;
    char all[WATCH_SEATS_MAX * (SEAT_SIZE + 2)] = "";
    for (uint8_t i = 0; i < e->seat_count; i++) {
        *out = i;
        if (strcmp(e->seat[i], name) == 0)
            return true;
        size_t len = strlen(all);
        snprintf(all + len, sizeof all - len, "%s%s", i > 0 ? ", " : "", e->seat[i]);
    }
    refuse(command, REFUSED_NO_SUCH, "there is no seat '%s'; there are: %s", name, all);
    return false;
}

/* A command that names its dive is about the one in hand; the shell has taken an ended one up again where no other was open. */
static bool in_hand(const struct command *command)
{
    const struct engine *e = command->engine;
    char dive[DIVE_ID_SIZE];
    text_of(command, "dive", dive, sizeof dive);
    if (dive[0] == '\0' || strcmp(dive, e->dive.id) == 0)
        return true;
    if (e->dive.open)
        refuse(command, REFUSED_DIVE_OPEN,
               "dive %s is open; presses and strikes in dive %s can be entered when it has ended", e->dive.id,
               dive);
    else
        refuse(command, REFUSED_NO_SUCH, "there is no dive %s; `bellrope dive list` shows the dives", dive);
    return false;
}

/* Into an ended dive nothing can be entered but what happened on it. */
static bool within_dive(const struct command *command, int64_t at_ns)
{
    const struct engine *e = command->engine;
    if (!fields_has(command->fields, "dive") || e->dive.open ||
        (at_ns >= e->dive.begun_ns && at_ns < e->dive.ended_ns))
        return true;
    refuse(command, REFUSED_PARAMS,
           "that instant is not within dive %s, which has ended; `bellrope dive list` "
           "shows when it began and ended; give --at",
           e->dive.id);
    return false;
}

static bool timecode_instant(const struct engine *e, const char *text, int64_t *lo, int64_t *hi,
                             const char **why)
{
    struct timecode label;
    int64_t frame;
    struct clockmap_interval interval;
    *why = "no such timecode was heard in this run of the recorder";
    if (timecode_parse(text, e->config.rate, &label) != 0 ||
        timecode_to_frame(label, e->config.rate, &frame) != 0) {
        *why = "that is no timecode label of the configured rate";
        return false;
    }
    if (e->config.timecode_from_ltc) {
        if (!tcmap_inverse(&e->timecode, frame, &interval))
            return false;
    } else {
        /* time of day: the latest instant not after now whose label it is */
        struct when now = engine_when(e, e->now_ns, e->now_ns);
        const int64_t day_ns = 86400 * NS_PER_S;
        int64_t in_day = timecode_frame_start_ns(frame, e->config.rate);
        int64_t utc = now.utc.ns - now.utc.ns % day_ns + in_day;
        bool guess;
        if (utc > now.utc.ns)
            utc -= day_ns;
        if (now.trust == CLOCK_TRUST_NONE || !utcmap_inverse(&e->utc, (utc_ns){utc}, &interval, &guess))
            return false;
    }
    *lo = interval.lo;
    *hi = interval.hi;
    return true;
}

/*
 * An instant that a person gives as UTC, or that the record on disk gives for a timecode. It stays what was given, however far back it lies:
 * the host's own clock says nothing about it, and its monotonic time is only a place to look for telemetry.
 */
static bool given_utc(const struct command *command, struct press *press, const struct when *now, int64_t utc,
                      int64_t bound_ns, struct clockmap_interval *interval)
{
    struct engine *e = command->engine;
    bool guess;
    if (now->trust == CLOCK_TRUST_NONE) {
        refuse(command, REFUSED_STATE, "UTC is not known, so that instant cannot be found; use --ago");
        return false;
    }
    if (utc > now->utc.ns) {
        refuse(command, REFUSED_PARAMS, "that instant is in the future");
        return false;
    }
    if (!utcmap_inverse(&e->utc, (utc_ns){utc}, interval, &guess))
        interval->lo = interval->hi = e->now_ns - (now->utc.ns - utc);
    int64_t middle = clockmap_middle(*interval);
    interval->lo = interval->hi = middle < e->now_ns ? middle : e->now_ns;
    press->utc_given = true;
    press->utc = (utc_ns){utc};
    press->utc_bound_ns = bound_ns;
    return true;
}

/* When a soft key was meant: now, or an instant that a person gives, which makes it a late entry. */
static bool soft_instant(const struct command *command, struct press *press)
{
    struct engine *e = command->engine;
    int64_t ago, utc, bound;
    char timecode[32];
    const char *why = "";
    struct when now = engine_when(e, e->now_ns, e->now_ns);
    struct clockmap_interval interval = {e->now_ns, e->now_ns};
    press->origin = MARKER_LATE;
    if (fields_int(command->fields, "ago_ns", &ago)) {
        if (ago < 0) {
            refuse(command, REFUSED_PARAMS, "ago must not be negative: a press cannot be in the future");
            return false;
        }
        interval.lo = interval.hi = e->now_ns - ago;
    } else if (fields_int(command->fields, "at_utc", &utc)) {
        if (!given_utc(command, press, &now, utc, -1, &interval))
            return false;
    } else if (fields_text(command->fields, "at_timecode", timecode, sizeof timecode)) {
        bool heard = timecode_instant(e, timecode, &interval.lo, &interval.hi, &why) &&
                     (!fields_has(command->fields, "dive") || e->dive.open);
        bool stored = !heard && fields_int(command->fields, "stored_utc", &utc) &&
                      fields_int(command->fields, "stored_bound", &bound);
        if (stored && !given_utc(command, press, &now, utc, bound, &interval))
            return false;
        if (!heard && !stored) {
            refuse(command, REFUSED_PARAMS, "timecode %s cannot be placed: %s; use --at UTC or --ago",
                   timecode, why);
            return false;
        }
    } else {
        press->origin = MARKER_FROM_SOFT;
    }
    if (interval.lo > e->now_ns) {
        refuse(command, REFUSED_PARAMS, "that instant is in the future");
        return false;
    }
    press->lo_ns = interval.lo;
    press->hi_ns = interval.hi;
    return within_dive(command,
                       press->utc_given ? press->utc.ns : engine_when(e, interval.lo, interval.hi).utc.ns);
}

static void finish_press(const struct command *command, const struct press *press)
{
    struct engine *e = command->engine;
    enum watch_note note;
    char ref[REF_SIZE];
    int64_t seq = e->seq + 1;
    engine_marker(e, press, &note, ref);
    done(command, seq, ref);
    struct answer *answer = &e->answer[(e->answer_first + e->answer_count - 1) % ANSWERS_MAX];
    if (note == WATCH_NOTE_REFUSED) {
        answer->reply.refusal = REFUSED_FULL;
        engine_copy(answer->reply.text, sizeof answer->reply.text,
                    "the container is full; the marker was kept without a sample");
    } else {
        engine_copy(answer->reply.text, sizeof answer->reply.text, watch_note_text(note));
    }
}

static void soft_press(const struct command *command)
{
    struct engine *e = command->engine;
    char key[LABEL_SIZE], seat[SEAT_SIZE], note[NOTE_SIZE], target[REF_SIZE], by[WHO_SIZE];
    text_of(command, "by", by, sizeof by);
    text_of(command, "key", key, sizeof key);
    text_of(command, "seat", seat, sizeof seat);
    text_of(command, "note", note, sizeof note);
    const struct pad_link *pad = pad_of_seat(e, seat);
    const struct key_def *def = pad != NULL ? keyplan_find_name(&pad->plan, key, KEY_GESTURE_TAP) : NULL;
    if (def == NULL) {
        refuse(command, REFUSED_NO_SUCH, "no key '%s'%s%s; `bellrope keys` shows the plan", key,
               seat[0] != '\0' ? " at seat " : "", seat);
        return;
    }
    struct press press = {.seat = pad->seat,
                          .pad = -1,
                          .def = def,
                          .plan = &pad->plan,
                          .key = def->name,
                          .gesture = "soft",
                          .note = note,
                          .by = by};
    char dive[DIVE_ID_SIZE], letter;
    if (fields_text(command->fields, "target", target, sizeof target) &&
        (!entry_ref_parse(target, dive, &letter, &press.target) || letter != 'S')) {
        refuse(command, REFUSED_PARAMS, "'%s' is no sighting's reference such as S31", target);
        return;
    }
    if (in_hand(command) && soft_instant(command, &press))
        finish_press(command, &press);
}

/* A sample without a key: into any container that a plan knows, or one that is named now and has no limit. */
static void soft_sample(const struct command *command)
{
    struct engine *e = command->engine;
    char container[CONTAINER_SIZE], seat[SEAT_SIZE], note[NOTE_SIZE], by[WHO_SIZE];
    text_of(command, "by", by, sizeof by);
    text_of(command, "container", container, sizeof container);
    text_of(command, "seat", seat, sizeof seat);
    text_of(command, "note", note, sizeof note);
    if (!e->dive.open && !(fields_has(command->fields, "dive") && e->dive.id[0] != '\0')) {
        refuse(command, REFUSED_NO_DIVE, "no dive is open: a sample needs one; `bellrope dive begin ID`");
        return;
    }
    if (container[0] == '\0') {
        refuse(command, REFUSED_PARAMS, "say which container the sample went into");
        return;
    }
    const struct keyplan *plan = NULL;
    const char *label = "Sample";
    for (size_t i = 0; i < e->config.pad_count && plan == NULL; i++) {
        const struct key_container *known =
            e->pad[i].has_plan ? keyplan_find_container(&e->pad[i].plan, container) : NULL;
        if (known != NULL) {
            plan = &e->pad[i].plan;
            label = known->label[0] != '\0' ? known->label : label;
        }
    }
    struct key_def def = {.kind = KEY_KIND_SAMPLE};
    engine_copy(def.label, sizeof def.label, label);
    engine_copy(def.container, sizeof def.container, container);
    uint8_t at;
    if (!find_seat(command, seat[0] != '\0' ? seat : "nav", &at))
        return;
    struct press press = {.seat = at,
                          .pad = -1,
                          .def = &def,
                          .plan = plan,
                          .key = "",
                          .gesture = "soft",
                          .note = note,
                          .by = by};
    if (in_hand(command) && soft_instant(command, &press))
        finish_press(command, &press);
}

/* ---- adding to the record ---- */

/* A full reference of what the command means. False: refused already. */
static bool target_of(const struct command *command, char *ref, char *letter, uint32_t *number, char *dive)
{
    struct engine *e = command->engine;
    char text[REF_SIZE];
    text_of(command, "ref", text, sizeof text);
    if (strcmp(text, "last") == 0) {
        if (!in_hand(command))
            return false;
        if (e->dive.markers == 0) {
            refuse(command, REFUSED_NO_SUCH, "there is no marker yet in this dive");
            return false;
        }
        *letter = 'M';
        *number = e->dive.markers;
        engine_copy(dive, DIVE_ID_SIZE, e->dive.id);
    } else if (!entry_ref_parse(text, dive, letter, number)) {
        refuse(command, REFUSED_PARAMS,
               "'%s' is no reference; give one such as M112, S31, A4, D007-M0112 or last", text);
        return false;
    }
    if (dive[0] == '\0' && !fields_text(command->fields, "dive", dive, DIVE_ID_SIZE))
        engine_copy(dive, DIVE_ID_SIZE, e->dive.id);
    if (fields_has(command->fields, "absent")) {
        refuse(command, REFUSED_NO_SUCH, "there is no %c%u in dive %s; `bellrope dive list` shows the dives",
               *letter, *number, dive);
        return false;
    }
    bool here = strcmp(dive, e->dive.id) == 0;
    uint32_t highest = !here            ? UINT32_MAX
                       : *letter == 'M' ? (e->dive.id[0] != '\0' ? e->dive.markers : e->markers_outside)
                       : *letter == 'S' ? watchlog_last_sighting(e->watch)
                       : *letter == 'T' ? watchlog_last_span(e->watch)
                                        : watchlog_last_sample(e->watch);
    if (*number > highest) {
        refuse(command, REFUSED_NO_SUCH, "there is no %c%u in dive %s; the last is %c%u", *letter, *number,
               dive[0] != '\0' ? dive : "none", *letter, highest);
        return false;
    }
    entry_ref(ref, dive, *letter, *number);
    return true;
}

static struct entry *entry_about(struct engine *e, enum entry_type type, const char *dive)
{
    struct entry *entry = engine_entry(e, type);
    engine_copy(entry->dive, sizeof entry->dive, dive);
    return entry;
}

static void remark(const struct command *command)
{
    struct engine *e = command->engine;
    char ref[REF_SIZE], dive[DIVE_ID_SIZE], letter, text[NOTE_SIZE * 4];
    uint32_t number;
    if (!fields_text(command->fields, "text", text, sizeof text) || text[0] == '\0') {
        refuse(command, REFUSED_PARAMS, "a remark needs a text of 1 to %d bytes", NOTE_SIZE * 4 - 1);
        return;
    }
    if (!target_of(command, ref, &letter, &number, dive))
        return;
    struct entry *entry = entry_about(e, ENTRY_REMARK, dive);
    engine_copy(entry->of.remark.target, REF_SIZE, ref);
    engine_copy(entry->of.remark.text, sizeof entry->of.remark.text, text);
    text_of(command, "by", entry->of.remark.by, WHO_SIZE);
    engine_commit(e, entry);
    done(command, e->seq, ref);
}

/* The marker that a reference stands for: a sighting, span or sample is struck through the press that made it. */
static uint32_t marker_behind(const struct engine *e, char letter, uint32_t number)
{
    struct sighting sighting;
    struct span span;
    struct sample sample;
    if (letter == 'S' && watchlog_sighting(e->watch, number, &sighting))
        return sighting.opened_by;
    if (letter == 'T' && watchlog_span(e->watch, number, &span))
        return span.opened_by;
    if (letter == 'A' && watchlog_sample(e->watch, number, &sample))
        return sample.marker;
    return letter == 'M' ? number : 0;
}

static void strike(const struct command *command)
{
    struct engine *e = command->engine;
    char ref[REF_SIZE], dive[DIVE_ID_SIZE], letter;
    uint32_t number;
    if (!target_of(command, ref, &letter, &number, dive))
        return;
    text_of(command, "why", e->strike_why, sizeof e->strike_why);
    text_of(command, "by", e->strike_by, sizeof e->strike_by);
    int64_t undo = 0;
    fields_int(command->fields, "undo", &undo);
    bool here = strcmp(dive, e->dive.id) == 0 && dive[0] != '\0';
    bool in_watch =
        here && watchlog_strike(e->watch, marker_behind(e, letter, number), undo == 0, engine_watch_sink, e);
    if (in_watch) {
        engine_watch_flush(e);
        engine_idle_arm(e);
    } else {
        struct watch_link link;
        if (here && watchlog_link(e->watch, marker_behind(e, letter, number), &link)) {
            refuse(command, REFUSED_STATE, "%s is %s already", ref, undo == 0 ? "struck" : "standing");
            return;
        }
        if (!here && e->dive.open && dive[0] != '\0') {
            refuse(command, REFUSED_DIVE_OPEN,
                   "dive %s is open; presses and strikes in dive %s can be entered when it has ended",
                   e->dive.id, dive);
            return;
        }
        /* outside the watch log: made without a dive, or a marker without a meaning */
        struct entry *entry = entry_about(e, ENTRY_STRIKE, dive);
        engine_copy(entry->of.strike.target, REF_SIZE, ref);
        engine_copy(entry->of.strike.why, sizeof entry->of.strike.why, e->strike_why);
        engine_copy(entry->of.strike.by, WHO_SIZE, e->strike_by);
        entry->of.strike.restored = undo != 0;
        engine_commit(e, entry);
    }
    e->strike_why[0] = e->strike_by[0] = '\0';
    done(command, e->seq, ref);
}

/* What the shell found on the user's checklist: spelling, rank and identifier, where the person did not say them. */
static void from_checklist(const struct command *command, struct identification_entry *to)
{
    int64_t listed;
    char text[OPENNAME_NAME_SIZE];
    to->listed = -1;
    if (!fields_int(command->fields, "listed", &listed))
        return;
    to->listed = listed != 0;
    if (fields_text(command->fields, "listed_name", text, sizeof text))
        engine_copy(to->name, sizeof to->name, text);
    if (to->rank[0] == '\0')
        text_of(command, "listed_rank", to->rank, sizeof to->rank);
    if (to->name_id[0] == '\0')
        text_of(command, "listed_id", to->name_id, sizeof to->name_id);
}

static void identify(const struct command *command)
{
    struct engine *e = command->engine;
    char ref[REF_SIZE], dive[DIVE_ID_SIZE], letter, name[OPENNAME_NAME_SIZE],
        qualifier[OPENNAME_QUALIFIER_SIZE];
    uint32_t number;
    struct openname parsed;
    const char *why = "";
    text_of(command, "name", name, sizeof name);
    text_of(command, "qualifier", qualifier, sizeof qualifier);
    bool readable = qualifier[0] != '\0' ? openname_qualify(name, qualifier, &parsed, &why)
                                         : openname_parse(name, &parsed, &why);
    if (!readable) {
        refuse(command, REFUSED_PARAMS, "'%s' cannot be taken as a name: %s", name, why);
        return;
    }
    if (!target_of(command, ref, &letter, &number, dive))
        return;
    if (letter != 'S' && letter != 'A') {
        refuse(command, REFUSED_PARAMS,
               "%s is not a sighting (S31) or a sample (A4): only those carry identifications", ref);
        return;
    }
    struct entry *entry = entry_about(e, ENTRY_IDENTIFICATION, dive);
    struct identification_entry *to = &entry->of.identification;
    engine_copy(to->target, REF_SIZE, ref);
    engine_copy(to->name, sizeof to->name, parsed.name);
    engine_copy(to->qualifier, sizeof to->qualifier, parsed.qualifier);
    snprintf(to->verbatim, sizeof to->verbatim, "%s%s%s", name, qualifier[0] != '\0' ? " " : "", qualifier);
    text_of(command, "rank", to->rank, sizeof to->rank);
    text_of(command, "name_id", to->name_id, sizeof to->name_id);
    text_of(command, "by", to->by, sizeof to->by);
    text_of(command, "why", to->why, sizeof to->why);
    from_checklist(command, to);
    engine_commit(e, entry);
    done(command, e->seq, ref);
    struct answer *answer = &e->answer[(e->answer_first + e->answer_count - 1) % ANSWERS_MAX];
    text_of(command, "advice", answer->reply.text, sizeof answer->reply.text);
}

static void seat(const struct command *command)
{
    struct engine *e = command->engine;
    char name[SEAT_SIZE], who[WHO_SIZE];
    text_of(command, "seat", name, sizeof name);
    text_of(command, "who", who, sizeof who);
    uint8_t at;
    if (!find_seat(command, name, &at))
        return;
    if (e->dive.open) { /* a fact of the dive, as a badge key makes it: markers before it keep their name */
        struct key_def def = {.kind = KEY_KIND_BADGE};
        struct press press = {.seat = at,
                              .origin = MARKER_FROM_SOFT,
                              .pad = -1,
                              .def = &def,
                              .key = "",
                              .gesture = "soft",
                              .label = who,
                              .lo_ns = e->now_ns,
                              .hi_ns = e->now_ns};
        enum watch_note note;
        char ref[REF_SIZE];
        engine_marker(e, &press, &note, ref);
    } else {
        engine_sits(e, at, who);
    }
    done(command, e->seq, name);
}

/* ---- retiming ---- */

static void retimed_entry(struct engine *e, uint32_t number, const struct press *press)
{
    struct entry *entry = entry_about(e, ENTRY_SETTLED, e->dive.id);
    struct settled *settled = &entry->of.settled;
    settled->marker = number;
    engine_copy(settled->cause, sizeof settled->cause, "retimed");
    settled->when = (struct when){.mono = {press->lo_ns},
                                  .mono_bound_ns = -1,
                                  .utc = press->utc,
                                  .utc_bound_ns = -1,
                                  .trust = CLOCK_TRUST_SYNCED};
    settled->has_timecode = !e->config.timecode_from_ltc;
    if (settled->has_timecode)
        settled->timecode = engine_time_of_day(e, press->utc, -1);
    struct engine_lookup lookup = {.marker = number, .when = settled->when};
    lookup.want_timecode = e->config.timecode_from_ltc;
    engine_copy(lookup.dive, sizeof lookup.dive, e->dive.id);
    engine_commit(e, entry);
    e->sink.lookup(e->sink.ctx, &lookup);
}

/* A marker belongs to another instant: it keeps the time of its press beside the new one, who says so and why stand in a remark. */
static void retime(const struct command *command)
{
    struct engine *e = command->engine;
    struct press press = {.pad = -1};
    struct clockmap_interval interval = {e->now_ns, e->now_ns};
    struct when now = engine_when(e, e->now_ns, e->now_ns);
    char ref[REF_SIZE], dive[DIVE_ID_SIZE], letter, why[NOTE_SIZE], utc_text[32];
    uint32_t number;
    int64_t utc;
    if (!target_of(command, ref, &letter, &number, dive) || !in_hand(command))
        return;
    if (letter != 'M' || strcmp(dive, e->dive.id) != 0 || dive[0] == '\0') {
        refuse(command, e->dive.open && letter == 'M' ? REFUSED_DIVE_OPEN : REFUSED_PARAMS,
               "%s cannot be retimed: give a marker such as M112 of the open dive, or of an ended one while "
               "none is open",
               ref);
        return;
    }
    if (!fields_int(command->fields, "at_utc", &utc)) {
        refuse(command, REFUSED_PARAMS, "say when it was: at_utc");
        return;
    }
    if (!given_utc(command, &press, &now, utc, -1, &interval))
        return;
    press.lo_ns = interval.lo;
    retimed_entry(e, number, &press);
    event_utc_text(press.utc, utc_text);
    text_of(command, "why", why, sizeof why);
    struct entry *entry = entry_about(e, ENTRY_REMARK, dive);
    engine_copy(entry->of.remark.target, REF_SIZE, ref);
    snprintf(entry->of.remark.text, sizeof entry->of.remark.text, "retimed to %s%s%s", utc_text,
             why[0] != '\0' ? ": " : "", why);
    text_of(command, "by", entry->of.remark.by, WHO_SIZE);
    engine_commit(e, entry);
    watchlog_retime(e->watch, number, press.utc, engine_watch_sink, e);
    engine_watch_flush(e);
    engine_idle_arm(e);
    done(command, e->seq, ref);
}

/* ---- measuring ---- */

static void size(const struct command *command)
{
    struct engine *e = command->engine;
    struct laserscale_measure measure = {.spacing_m = 0.10, .spacing_sigma_m = 0.001, .pixel_sigma = 1};
    struct laserscale_length length;
    char ref[REF_SIZE], dive[DIVE_ID_SIZE], letter;
    uint32_t number;
    fields_real(command->fields, "spacing_m", &measure.spacing_m);
    fields_real(command->fields, "spacing_sigma_m", &measure.spacing_sigma_m);
    fields_real(command->fields, "pixel_sigma", &measure.pixel_sigma);
    if (!fields_real(command->fields, "pixels", &measure.object_pixels) ||
        !fields_real(command->fields, "laser_pixels", &measure.laser_pixels) ||
        !laserscale_length(&measure, &length)) {
        refuse(command, REFUSED_PARAMS,
               "a length needs pixels and laser_pixels above 0, a spacing above 0 and errors of 0 or more");
        return;
    }
    if (!target_of(command, ref, &letter, &number, dive))
        return;
    if (letter != 'S' && letter != 'A') {
        refuse(command, REFUSED_PARAMS,
               "%s is not a sighting (S31) or a sample (A4): only those carry lengths", ref);
        return;
    }
    struct entry *entry = entry_about(e, ENTRY_MEASUREMENT, dive);
    struct measurement_entry *to = &entry->of.measurement;
    engine_copy(to->target, REF_SIZE, ref);
    engine_copy(to->quantity, sizeof to->quantity, "length");
    engine_copy(to->method, sizeof to->method, "paired lasers");
    to->value_m = length.length_m;
    to->sigma_m = length.sigma_m;
    to->object_pixels = measure.object_pixels;
    to->laser_pixels = measure.laser_pixels;
    to->pixel_sigma = measure.pixel_sigma;
    to->spacing_m = measure.spacing_m;
    to->spacing_sigma_m = measure.spacing_sigma_m;
    text_of(command, "note", to->note, sizeof to->note);
    text_of(command, "by", to->by, sizeof to->by);
    engine_commit(e, entry);
    done(command, e->seq, ref);
    struct answer *answer = &e->answer[(e->answer_first + e->answer_count - 1) % ANSWERS_MAX];
    snprintf(answer->reply.text, sizeof answer->reply.text, "%.4f m, within %.4f m (one standard deviation)",
             length.length_m, length.sigma_m);
}

/* ---- the clapper ---- */

void engine_clap_give_up(struct engine *e, const char *why)
{
    struct command command = {.engine = e, .token = e->clap.token};
    e->clap.waiting = false;
    refuse(&command, REFUSED_STATE, "the lamp was not lit: %s; clap again", why);
}

/* Without a timecode: flash the lamp. With one: it is the first recorded frame that shows the lamp lit. */
static void clap(const struct command *command)
{
    struct engine *e = command->engine;
    char label_text[32], pad_name[PAD_SIZE];
    text_of(command, "pad", pad_name, sizeof pad_name);
    if (!e->config.timecode_from_ltc) {
        refuse(command, REFUSED_STATE, "a clap measures recorded timecode; [timecode] source is time-of-day");
        return;
    }
    if (fields_text(command->fields, "frame", label_text, sizeof label_text)) {
        struct timecode label;
        int64_t frame;
        if (!e->clap.lit || timecode_parse(label_text, e->timecode.rate, &label) != 0 ||
            timecode_to_frame(label, e->timecode.rate, &frame) != 0) {
            refuse(command, REFUSED_PARAMS, "%s",
                   e->clap.lit ? "that is no label of the rate in force" : "clap first, then give the frame");
            return;
        }
        int64_t middle = e->clap.lo_ns + (e->clap.hi_ns - e->clap.lo_ns) / 2;
        int result =
            tcmap_clap(&e->timecode, (mono_ns){middle}, (e->clap.hi_ns - e->clap.lo_ns) / 2 + 1, frame);
        if (result < 0) {
            refuse(command, REFUSED_STATE, "no timecode was known when the lamp was lit; clap again");
            return;
        }
        struct engine_observation offset = {"clap", e->timecode.offset_uf, -e->timecode.offset_error_uf,
                                            e->timecode.offset_error_uf};
        e->sink.observe(e->sink.ctx, &offset);
        engine_notice(e, ENTRY_TIMECODE, "clap", result == 0 ? "measured" : "measured anew",
                      "recorded less heard timecode is %.3f frames, within %.3f; it applies from here on",
                      (double)e->timecode.offset_uf / 1e6, (double)e->timecode.offset_error_uf / 1e6);
        done(command, e->seq, label_text);
        return;
    }
    int pad = -1;
    for (int i = 0; i < (int)e->config.pad_count && pad < 0; i++)
        if (e->pad[i].greeted && !e->config.pad[i].is_evdev &&
            (pad_name[0] == '\0' || strcmp(pad_name, e->pad[i].serial) == 0 ||
             strcmp(pad_name, e->config.pad[i].name) == 0))
            pad = i;
    if (pad < 0) {
        refuse(command, REFUSED_NO_SUCH, "no pad %s is linked to flash its lamp", pad_name);
        return;
    }
    if (e->clap.waiting) {
        refuse(command, REFUSED_STATE, "a lamp is being lit already; wait for it");
        return;
    }
    e->clap.waiting = true;
    e->clap.lit = false;
    e->clap.pad = pad;
    e->clap.id++;
    e->clap.token = command->token;
    e->clap.asked_ns = e->now_ns;
    struct wire_message message = {.type = WIRE_FLASH, .u.flash = {.id = e->clap.id, .time_ms = 500}};
    engine_pad_send(e, pad, &message);
}

/* ---- dispatch ---- */

void engine_command(struct engine *e, const struct fields *fields)
{
    static const struct {
        const char *op;
        void (*run)(const struct command *command);
    } ops[] = {
        {"press", soft_press}, {"sample", soft_sample}, {"dive.begin", dive_begin}, {"dive.end", dive_end},
        {"remark", remark},    {"strike", strike},      {"identify", identify},     {"seat", seat},
        {"clap", clap},        {"size", size},          {"retime", retime},
    };
    struct command command = {.engine = e, .fields = fields};
    char op[24];
    fields_int(fields, "token", &command.token);
    text_of(&command, "op", op, sizeof op);
    if (strcmp(op, "stored") == 0) { /* the shell's, and owed no answer */
        engine_stored(e, fields);
        return;
    }
    if (engine_answers_full(e) || (e->store_failing && e->answer_count > ANSWERS_MAX / 2)) {
        refuse(&command, REFUSED_STORE,
               "the store cannot keep up or cannot write; nothing was taken. `bellrope status` says why");
        return;
    }
    for (size_t i = 0; i < sizeof ops / sizeof ops[0]; i++) {
        if (strcmp(op, ops[i].op) == 0) {
            ops[i].run(&command);
            return;
        }
    }
    refuse(&command, REFUSED_PARAMS, "'%s' is no command", op);
}
