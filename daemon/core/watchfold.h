/*
 * watchfold: the facts of one dive, in the order of their instants, folded into what became of each of them.
 *
 * Inside of watchlog; others use watchlog.h. Every object is opened by exactly one fact, so that objects need no table of their own: what is
 * known of a sighting, span or sample hangs on the fact that opened it, as its outcome. Two folds are compared outcome by outcome.
 *
 * Facts point at each other by index while folding, and by marker number in what is kept, because a late fact moves the ones behind it.
 * The rules of each kind of object live in sighting.c, span.c and container.c.
 */
#ifndef BELLROPE_CORE_WATCHFOLD_H
#define BELLROPE_CORE_WATCHFOLD_H

#include "core/watchlog.h"

#define WATCHFOLD_NONE UINT32_MAX
/* Most outcomes that one press can touch: all that is open and idle at every seat with a relation each, all open spans, two phases, an again, itself. */
#define WATCHFOLD_TOUCHED_MAX (WATCH_SEATS_MAX * (WATCH_TIED_MAX + 1) + WATCH_SPANS_MAX + 8)

/* A fact and what was settled about it when it arrived. */
struct watch_entry {
    struct watch_fact fact;
    uint32_t object;   /* number of what it opened when it first did; 0: never */
    uint32_t transect; /* likewise, of a transect */
    bool struck_by_name;
    bool decided;  /* a sample: the container has answered */
    bool announce; /* it said no, and nobody was told yet */
    bool idled;    /* restoring: its sighting was closed by idleness */
};

enum watch_opens { WATCH_OPENS_NOTHING, WATCH_OPENS_SIGHTING, WATCH_OPENS_SPAN, WATCH_OPENS_SAMPLE };

enum watch_touch { WATCH_TOUCH_LINK = 1, WATCH_TOUCH_OBJECT = 2 };

struct watch_outcome {
    /* of the marker */
    uint32_t sighting, object;
    uint32_t struck_by;
    uint32_t who;   /* marker of the badge in force; 0: none in this dive */
    uint32_t below; /* strikes: the marker of this seat that the next strike would reach; an index */
    uint8_t note;
    bool struck;
    bool fresh; /* not yet folded */
    uint8_t touched;
    /* of the object that it opened; meaningful unless `opens` is NOTHING */
    uint8_t opens, state, close;
    uint32_t number;
    uint32_t closed_by, last_marker, marker_count, individuals;
    uint32_t tied_to, tie_marker, again_of;
    uint32_t gear; /* marker of the gear in use */
    utc_ns key, last, end;
};

struct watch_seat {
    uint32_t open[WATCH_TIED_MAX]; /* indices of opening facts, oldest first */
    uint32_t open_count;
    uint32_t in_hand;  /* index, or NONE */
    uint32_t relation; /* index of a relation that waits for its second subject */
    uint32_t again;    /* index of an `again` that waits for its subject */
    uint32_t badge;    /* index */
    utc_ns last;       /* last marker that went to an open sighting */
};

struct watchfold {
    struct watch_entry *entry;
    struct watch_outcome *out;
    uint32_t count;
    utc_ns begin, end;
    bool ended;
    int64_t idle_ns;
    uint32_t last_sighting, last_span, last_transect, last_sample, last_waypoint; /* highest numbers given */
    char base_who[WATCH_SEATS_MAX][WHO_SIZE]; /* who sat there before the dive's first badge */
    struct watch_seat seat[WATCH_SEATS_MAX];
    uint32_t span[WATCH_SPANS_MAX]; /* indices of open spans, oldest first */
    uint32_t span_count;
    uint32_t phase; /* index of the phase in force */
    uint32_t gear;  /* index */
    bool track;     /* remember what is touched */
    uint32_t touched[WATCHFOLD_TOUCHED_MAX];
    uint32_t touched_count;
};

/* The state before the first fact; numbers given stay given. */
void watchfold_reset(struct watchfold *fold);
/* Adds entry `at`, the one after those applied so far. A strike is not for here: it needs a fold from the beginning. */
void watchfold_apply(struct watchfold *fold, uint32_t at);
/* Folds everything into `fold->out`, then closes what was idle by `horizon` and, when the dive has ended, the rest. */
void watchfold_run(struct watchfold *fold, utc_ns horizon);

/* For the parts. */
void watchfold_touch(struct watchfold *fold, uint32_t at, enum watch_touch what);
/* Marks that fact `at` opens an object of that kind, under the number it has or the next of `last`. */
void watchfold_open(struct watchfold *fold, uint32_t at, enum watch_opens opens, uint32_t *last);
void watchfold_close(struct watchfold *fold, uint32_t at, enum watch_close close, uint32_t by, utc_ns end);

/* Who sits at a seat after what was folded so far; "": not said. */
const char *watchfold_who(const struct watchfold *fold, uint8_t seat);

/* Index of a marker; NONE. Looks from the latest to the earliest. */
uint32_t watchfold_find(const struct watchfold *fold, uint32_t marker);

/* Before the dive's beginning or after its end. */
bool watchfold_outside(const struct watchfold *fold, uint32_t at);

/* What a fact of that kind opens, if anything. */
enum watch_opens watchfold_opens(enum key_kind kind);

#endif
