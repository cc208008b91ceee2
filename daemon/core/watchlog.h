/*
 * watchlog: from presses to sightings, spans and samples.
 *
 * The automaton of one dive. What goes in are facts: "this key was pressed at this instant at this seat"; what comes out are the objects
 * that a scientist and a navigator want. The result depends on the facts in the order of their instants, whatever the order in which they
 * came: a fact that fits at the end is added to the present state; one that came late, was struck or was given another instant makes the
 * whole dive be folded anew, and what differs from what was published leaves as changes marked `recomputed`. Two things are settled once,
 * when a fact arrives, and stay: the number of an object (numbers are never used twice) and whether a container took a sample, because the
 * person has acted on the answer.
 *
 * Rejected: folding the journal of changes (a late fact could not be put where it belongs), and keeping only open objects (a strike could
 * not reopen what it closed).
 *
 * Rules, in the words of docs/data-model.md
 *   seat      Sightings belong to a seat: each seat has its own open ones. Spans, phases, samples, gear and waypoints belong to the dive.
 *   subject   The subject that is open at this seat already (same label): one more individual. Otherwise it opens a sighting and closes
 *             what was open at this seat, unless a relation ties them. The start reaches back by the key's lead time.
 *   relation  The next subject opens a sighting of its own, tied to the one in hand; both stay open. With nothing open: loose.
 *   detail    Goes to the sighting in hand (the one opened or counted last). With nothing open: loose.
 *   again     Ties the sighting in hand to the latest earlier one of the same subject; pressed again, to the one before that. With nothing
 *             open it waits for the next subject of this seat. A soft key may name the sighting.
 *   done      Closes everything open at this seat.
 *   strike    Strikes the latest marker of this seat that is not struck and is no strike. Pressed again, the one before. A strike is
 *             itself struck by name only (watchlog_strike); what it struck then stands again. Which marker a strike reaches follows from
 *             the order of instants, like everything else.
 *   idle      A sighting without a marker for `idle_ns` is closed then, at whatever seat; it ends at its last marker.
 *   span      Toggles by label. Leaving the bottom (off bottom, on deck, in water) closes every open span.
 *   sample    Gets the next number. A full container refuses: no number, the marker stays. Struck: the number is retired, its place free.
 *   instead   A key held down, or two keys together, say something else than the key-down that came first. The new marker takes its place: the
 *             first is struck as by name, and a sighting or span that it had opened passes on, with its number, if both are of one kind.
 *             Samples do not pass on: their containers may differ.
 *   badge     Who sits at the seat from here on; every marker carries who recorded it.
 *
 * Memory is given once; nothing is allocated later. Up to `capacity` facts a dive. A fact beyond that is not kept here: its link says
 * WATCH_NOTE_LOG_FULL, it changes nothing, and the marker itself is the caller's and is never lost; objects already there stay as they are
 * and may still be struck, retimed and closed by idleness or the dive's end. watchlog_room() tells beforehand.
 *
 * One thread. No clock: instants are UTC nanoseconds, as good as the caller knows them; equal instants go by marker number.
 */
#ifndef BELLROPE_CORE_WATCHLOG_H
#define BELLROPE_CORE_WATCHLOG_H

#include "core/keyplan.h"

#define WATCH_SEATS_MAX 8
#define WATCH_TIED_MAX 16     /* sightings open together at one seat through relations */
#define WATCH_SPANS_MAX 16    /* spans open together */
#define WATCH_CONTENTS_MAX 64 /* sample numbers listed for one container */

/* A press, or what counts as one. A copy of what the key meant is part of it, so that a later key plan changes nothing. */
struct watch_fact {
    uint32_t marker; /* from 1, unique in the dive */
    uint8_t seat;    /* below WATCH_SEATS_MAX */
    enum key_kind kind;
    enum dive_phase phase; /* of a phase */
    utc_ns at;
    uint32_t lead_ms;
    uint32_t target;        /* of `again`: the sighting meant; 0: the latest of the same subject */
    uint32_t instead_of;    /* a held key or a chord: the marker that its key-down made; 0: none */
    uint16_t capacity;      /* of the sample's container when it was pressed; 0: not limited */
    char label[LABEL_SIZE]; /* a badge: the person's name */
    char term[TERM_SIZE];
    char container[CONTAINER_SIZE];
    char gear[GEAR_SIZE];
};

/* What became of a marker, and why it is not where one might expect it. */
enum watch_note {
    WATCH_NOTE_NONE,
    WATCH_NOTE_LOOSE,      /* a detail, relation or done with nothing open at this seat */
    WATCH_NOTE_UNTIED,     /* a relation, or an `again` waiting for a subject, that no subject followed */
    WATCH_NOTE_NO_EARLIER, /* an `again` without an earlier sighting of that subject */
    WATCH_NOTE_REPEATED,   /* the phase was in force already */
    WATCH_NOTE_REFUSED,    /* the container was full */
    WATCH_NOTE_NO_TARGET,  /* a strike with nothing to strike */
    WATCH_NOTE_STRUCK,     /* this marker was a slip */
    WATCH_NOTE_OUTSIDE,    /* before the dive's beginning or after its end, or no dive is open */
    WATCH_NOTE_TOO_MANY,   /* WATCH_TIED_MAX or WATCH_SPANS_MAX reached */
    WATCH_NOTE_LOG_FULL,   /* no room in the watch log */
    WATCH_NOTES
};
/* A sentence for people that says what it means; "" for NONE. */
const char *watch_note_text(enum watch_note note);

enum watch_state {
    WATCH_STATE_OPEN,
    WATCH_STATE_CLOSED,
    WATCH_STATE_STRUCK,   /* the marker that made it was struck */
    WATCH_STATE_WITHDRAWN /* its marker stands, but no longer makes it: an earlier press came late or was struck. The number stays its own */
};
const char *watch_state_name(enum watch_state state);

enum watch_close {
    WATCH_CLOSE_NONE,      /* open, struck or withdrawn */
    WATCH_CLOSE_KEY,       /* done; the span's own key; the next phase */
    WATCH_CLOSE_SUBJECT,   /* another subject: the done was forgotten */
    WATCH_CLOSE_IDLE,      /* no marker for the idle time: the done was forgotten */
    WATCH_CLOSE_DIVE_END,  /* the dive ended with it open */
    WATCH_CLOSE_OFF_BOTTOM /* a span that was open when the bottom was left */
};
const char *watch_close_name(enum watch_close close);

/* Text pointers in the structs below lead into the log and hold until its next call. They are never NULL. */

struct sighting {
    uint32_t number;    /* from 1 in each dive */
    uint32_t opened_by; /* marker */
    uint32_t last_marker;
    uint32_t closed_by;    /* marker of the done or the next subject; 0: none */
    uint32_t marker_count; /* struck ones not counted */
    uint32_t individuals;
    uint8_t seat;
    enum watch_state state;
    enum watch_close close;
    utc_ns key; /* the press that opened it, never altered */
    uint32_t lead_ms;
    utc_ns start;     /* key less lead */
    utc_ns last;      /* last marker */
    utc_ns end;       /* when closed: the done, the next subject, the dive's end; for idle the last marker */
    uint32_t tied_to; /* the sighting that the relation came from; 0: none. "TIED_TO eats THIS" */
    uint32_t tie_marker; /* the relation's marker */
    uint32_t again_of;   /* the earlier sighting; 0: none */
    const char *label, *term, *tie_label, *tie_term;
};

struct span {
    uint32_t number;    /* from 1 in each dive, over all kinds */
    uint32_t transect;  /* number of the transect; 0: it is none */
    enum key_kind kind; /* KEY_KIND_SPAN, KEY_KIND_TRANSECT or KEY_KIND_PHASE */
    enum dive_phase phase;
    uint32_t opened_by, closed_by; /* markers; 0: none */
    uint8_t seat;                  /* that opened it */
    enum watch_state state;
    enum watch_close close;
    utc_ns key;
    uint32_t lead_ms;
    utc_ns start, end; /* end: when closed; never before start */
    const char *label, *term;
};

struct sample {
    uint32_t number; /* from 1 in each dive */
    uint32_t marker;
    uint32_t sighting; /* in hand at this seat when it was taken; 0: none */
    uint8_t seat;
    enum watch_state state; /* CLOSED: it exists; STRUCK: number retired, place free */
    utc_ns at;
    const char *label, *term, *container, *gear; /* container, gear: "" when none */
};

/* Where a marker belongs. */
struct watch_link {
    uint32_t marker;
    uint32_t sighting;  /* 0: none */
    uint32_t object;    /* number of the span, sample or waypoint that it made or ended; 0: none */
    uint32_t struck_by; /* marker of the strike; 0: not struck, or struck by name */
    enum watch_note note;
    const char *who; /* who sat at the seat; "": not said */
};

/* A container said no. */
struct watch_refusal {
    uint32_t marker;
    uint16_t capacity;
    uint32_t held; /* samples in it */
    uint32_t listed;
    uint32_t number[WATCH_CONTENTS_MAX]; /* the first `listed` of them */
    const char *container;
};

/* A marker was struck, or stands again. */
struct watch_strike {
    uint32_t marker;
    uint32_t by; /* the strike's marker; 0: by name */
    bool restored;
};

enum watch_change_type {
    WATCH_CHANGE_STRIKE,
    WATCH_CHANGE_LINK, /* of an earlier marker; that of the press itself is what watchlog_press returns */
    WATCH_CHANGE_SIGHTING,
    WATCH_CHANGE_SPAN,
    WATCH_CHANGE_SAMPLE,
    WATCH_CHANGE_REFUSAL
};

/* An object as it now is, whole: who receives it replaces what he had under that number. */
struct watch_change {
    enum watch_change_type type;
    bool recomputed; /* it comes from putting the record in order, not from the press being the latest */
    union {
        struct watch_strike strike;
        struct watch_link link;
        struct sighting sighting;
        struct span span;
        struct sample sample;
        struct watch_refusal refusal;
    } of;
};

/* Called during the watchlog call that it belongs to; must not call the log back. The change lives as long as the call. */
typedef void watch_sink(void *ctx, const struct watch_change *change);

struct watchlog;

/* Bytes of memory for so many facts; watchlog_init() makes a log in them (aligned for any type, caller's, at least that large). */
size_t watchlog_size(uint32_t capacity);
struct watchlog *watchlog_init(void *memory, size_t size, uint32_t capacity);

/* Idle time after which a sighting is closed; 0: never. From the next dive on; before the first dive at once. */
void watchlog_set_idle(struct watchlog *log, int64_t idle_ns);
/* Bottom time planned for the dive, for watchlog_status(); 0: none. */
void watchlog_set_planned_bottom(struct watchlog *log, int64_t planned_ns);

/* A fact with what the key means; marker, seat, instant and target are the caller's to fill in. `capacity` is of the key's container. */
void watch_fact_of_key(struct watch_fact *fact, const struct key_def *key, uint16_t capacity);

/* Who sits at a seat now, after all that was pressed; "": not said. */
const char *watchlog_who(const struct watchlog *log, uint8_t seat);

/* Who sits at a seat before the dive's first badge; carried over from dive to dive by itself. */
void watchlog_set_who(struct watchlog *log, uint8_t seat, const char *who);

/* Empties the log and opens a dive. Markers before `at` are outside. */
void watchlog_dive_begin(struct watchlog *log, utc_ns at);
/* Closes all that is open. The facts stay until the next begin, so that late ones and strikes still find their place. */
void watchlog_dive_end(struct watchlog *log, utc_ns at, watch_sink *sink, void *ctx);

/*
 * A press, early or late: the log finds its place. Returns where it belongs; what it changes elsewhere goes to the sink. A marker number that
 * is there already, 0, or a seat out of range: note OUTSIDE and no effect (the caller's bug, not the user's).
 */
struct watch_link watchlog_press(struct watchlog *log, const struct watch_fact *fact, watch_sink *sink,
                                 void *ctx);

/*
 * Strikes a marker by name, or (struck = false) takes such a strike back. False: no such marker, or it was so already: a marker that a strike
 * key has struck stands again by striking that strike (link.struck_by names it).
 */
bool watchlog_strike(struct watchlog *log, uint32_t marker, bool struck, watch_sink *sink, void *ctx);

/* A better estimate of a press's instant. False: no such marker, or the instant was the same. */
bool watchlog_retime(struct watchlog *log, uint32_t marker, utc_ns at, watch_sink *sink, void *ctx);

/*
 * Many strikes, retimes and late presses as one: between hold and release nothing is recomputed and nothing leaves; release folds once.
 * Links that watchlog_press returns in between only say that the marker was taken in (or LOG_FULL, OUTSIDE); the true ones come at release.
 * Nothing but presses, strikes and retimes belongs in between: queries then tell of neither before nor after, and the idle timer waits.
 */
void watchlog_hold(struct watchlog *log);
void watchlog_release(struct watchlog *log, watch_sink *sink, void *ctx);

/* Closes sightings that have been idle until `now`. Call it at the instant that watchlog_idle_due() gives. */
void watchlog_idle(struct watchlog *log, utc_ns now, watch_sink *sink, void *ctx);
/* When the next sighting will have been idle for too long; false: none. */
bool watchlog_idle_due(const struct watchlog *log, utc_ns *due);

/*
 * Restoring a dive, open or ended, from the store: begin, then every marker of the dive that watchlog_press was told of, in order of its
 * number, then end. Nothing is emitted. The log is then what it was. `object` is the number of the sighting, span, sample or waypoint whose
 * opening marker this is, in whatever state (0: none; a sample without one was refused). Waypoint numbers may be left 0: they follow from
 * the order. `struck` is: by name. `idled`: the sighting it opened was closed by idleness.
 */
struct watch_saved {
    uint32_t object;
    bool struck;
    bool idled;
};
void watchlog_restore_begin(struct watchlog *log, utc_ns at);
/* False: no room or not acceptable; as watchlog_press. */
bool watchlog_restore_fact(struct watchlog *log, const struct watch_fact *fact,
                           const struct watch_saved *saved);
/* `ended`: NULL while the dive is open. */
void watchlog_restore_end(struct watchlog *log, const utc_ns *ended);

/* How many more facts fit. */
uint32_t watchlog_room(const struct watchlog *log);
uint32_t watchlog_count(const struct watchlog *log);

/* What a person wants to know now. */
struct watch_seat_status {
    uint32_t open;     /* sightings open at the seat */
    uint32_t in_hand;  /* number of the one in hand; 0: none */
    int64_t so_far_ns; /* since its start */
    const char *label; /* "" when none */
    const char *who;
};
struct watch_status {
    bool dive_open;
    enum dive_phase phase;
    int64_t bottom_ns; /* on the bottom so far, all stays together */
    bool planned;
    int64_t left_ns;                    /* planned less bottom; negative: over */
    uint32_t sightings, spans, samples; /* standing ones (not struck, not withdrawn) */
    uint32_t open_spans;
    const char *gear; /* "" when none */
    struct watch_seat_status seat[WATCH_SEATS_MAX];
};
void watchlog_status(const struct watchlog *log, utc_ns now, struct watch_status *status);

/* Objects by number, whatever their state; false: no such number. Waypoints are told by their link alone. */
bool watchlog_sighting(const struct watchlog *log, uint32_t number, struct sighting *out);
bool watchlog_span(const struct watchlog *log, uint32_t number, struct span *out);
bool watchlog_sample(const struct watchlog *log, uint32_t number, struct sample *out);
bool watchlog_link(const struct watchlog *log, uint32_t marker, struct watch_link *out);
/* The highest number given so far. */
uint32_t watchlog_last_sighting(const struct watchlog *log);
uint32_t watchlog_last_span(const struct watchlog *log);
uint32_t watchlog_last_sample(const struct watchlog *log);

/* What is in a container: how many samples, the first `max` of their numbers into `numbers` in order. */
uint32_t watchlog_contents(const struct watchlog *log, const char *container, uint32_t *numbers,
                           uint32_t max);

#endif
