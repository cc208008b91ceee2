/*
 * entry: one journal row as the core makes it. Every change of the record is one entry; the store writes it and the tables it changes in
 * one transaction, `event` turns it into the JSON text that subscribers receive.
 *
 * Entries are numbered by the core without gaps (`seq` from 1). They are plain values: text is copied in, bounded and terminated; nothing
 * points anywhere. Unknown is a flag or an empty text, never a number that looks like one.
 */
#ifndef BELLROPE_CORE_ENTRY_H
#define BELLROPE_CORE_ENTRY_H

#include "core/instant.h"

#include <stddef.h>

#define DIVE_ID_SIZE 32 /* "D007": 1 to 31 of [A-Za-z0-9_.-], begins with a letter or digit */
#define REF_SIZE 48     /* "D007-M0112"; without a dive "M0112" */
#define SEAT_SIZE 16    /* "science" */
#define PAD_SIZE 16     /* the serial that the pad reports, "P-03"; empty for a soft key */
#define KEY_SIZE 16     /* "A1", or "A1+B1" for a chord */
#define LABEL_SIZE 48
#define TERM_SIZE 96 /* "dwc:behavior=feeding" */
#define KIND_SIZE 16
#define WHO_SIZE 48
#define NOTE_SIZE 512
#define CHANNEL_NAME_SIZE 40
#define SOURCE_SIZE 24 /* a feed's name */
#define MARKER_READINGS_MAX 48

/* The journal's event types; names as the socket writes them come from entry_type_name(). */
enum entry_type {
    ENTRY_MARKER,
    ENTRY_SETTLED,
    ENTRY_SIGHTING,
    ENTRY_SPAN,
    ENTRY_SAMPLE,
    ENTRY_IDENTIFICATION,
    ENTRY_REMARK,
    ENTRY_STRIKE,
    ENTRY_LINK, /* an earlier marker now belongs elsewhere in the record */
    ENTRY_DIVE,
    ENTRY_SEAT,
    ENTRY_PAD,
    ENTRY_FEED,
    ENTRY_CLOCK,
    ENTRY_TIMECODE,
    ENTRY_FAULT,
    ENTRY_MEASUREMENT,
    ENTRY_TYPES
};
const char *entry_type_name(enum entry_type type);
/* ENTRY_TYPES where no type has that name. */
enum entry_type entry_type_find(const char *name);

/* How far the UTC of an instant can be trusted. */
enum clock_trust {
    CLOCK_TRUST_NONE,     /* no UTC known at all: utc is not set */
    CLOCK_TRUST_UNSYNCED, /* the machine's clock, which nobody disciplines: the bound is not known */
    CLOCK_TRUST_HOLDOVER, /* was disciplined; the bound grows */
    CLOCK_TRUST_SYNCED
};
const char *clock_trust_name(enum clock_trust trust);

/* When: monotonic for computing, UTC for people, each with the half width of the interval that holds the truth. */
struct when {
    mono_ns mono;
    int64_t mono_bound_ns; /* -1: not known */
    utc_ns utc;            /* meaningful unless trust is NONE */
    int64_t utc_bound_ns;  /* -1: not known */
    enum clock_trust trust;
};

enum timecode_trust { TIMECODE_TRUST_NONE, TIMECODE_TRUST_HOLDOVER, TIMECODE_TRUST_LOCKED };
const char *timecode_trust_name(enum timecode_trust trust);

struct timecode_stamp {
    enum timecode_trust trust;
    char label[16];      /* "05:06:07:02"; empty when trust is NONE */
    char rate[12];       /* "25", "29.97df" */
    int64_t frame;       /* frame count in the day of that rate */
    double within;       /* how far into the frame the instant lies, 0 to 1 */
    double bound_frames; /* half width, frames; negative: not known */
};

enum reading_method {
    READING_METHOD_INTERPOLATED,
    READING_METHOD_LAST,
    READING_METHOD_FILTERED,
    READING_METHOD_DERIVED
};
const char *reading_method_name(enum reading_method method);

/* A channel's value at the instant. */
struct marker_reading {
    char channel[CHANNEL_NAME_SIZE];
    double value;
    double age_s; /* distance in time to the nearest sample used, 0 or more */
    enum reading_method method;
    char source[SOURCE_SIZE];
};

struct marker_position {
    bool known;
    double lat_deg, lon_deg; /* WGS 84 */
    double uncertainty_m;    /* negative: not known */
    char source[8];          /* "vehicle" or "ship" */
    char feed[SOURCE_SIZE];
    enum reading_method method;
    double age_s;
};

enum marker_origin {
    MARKER_FROM_KEY,  /* a key-down on a pad */
    MARKER_FROM_SOFT, /* a soft key: the instant is the command's arrival */
    MARKER_LATE /* entered afterwards for an instant given by a person: never to be mistaken for a key-down */
};
const char *marker_origin_name(enum marker_origin origin);

struct marker_telemetry {
    struct marker_position position;
    uint32_t reading_count;
    struct marker_reading reading[MARKER_READINGS_MAX];
};

struct marker {
    uint32_t number; /* from 1 in each dive */
    enum marker_origin origin;
    char seat[SEAT_SIZE];
    char who[WHO_SIZE]; /* who sits at the seat; empty: not said */
    char pad[PAD_SIZE];
    uint32_t pad_boot, pad_seq;
    pad_tick tick;
    char key[KEY_SIZE];
    char gesture[12]; /* "tap", "hold", "chord", "soft" */
    char kind[KIND_SIZE];
    char label[LABEL_SIZE];
    char term[TERM_SIZE];
    int64_t lead_ns;
    char note[NOTE_SIZE];
    char by[WHO_SIZE]; /* who entered a soft key or a late entry; empty: not said */
    /* What the watch log needs to take this marker up again after a restart (core/watchlog.h). */
    char phase[16];
    char container[24], gear[24];
    uint32_t capacity, target;
    uint32_t
        instead_of;    /* a held key or a chord: the marker of its key-down, whose place it takes; 0: none */
    uint32_t sighting; /* number in the dive; 0: none */
    uint32_t object;   /* number of the sighting, span, sample or waypoint that it made or ended; 0: none */
    char advice[128];  /* why it is not where one might expect it; empty: nothing to say */
    struct when when;
    struct timecode_stamp timecode;
    bool settled;
    struct marker_telemetry
        telemetry; /* last: the store and the shells copy no more readings than there are */
};

/* What became known about a marker afterwards; the marker itself stays as it was. */
struct settled {
    uint32_t marker;
    char cause[24]; /* "bracketed", "waited", "clock" (UTC became known), "record" (a late entry) */
    struct when when;
    bool has_timecode, has_telemetry; /* false: that part stays as it was */
    struct timecode_stamp timecode;
    struct marker_telemetry telemetry;
};

struct sighting_entry {
    uint32_t number;
    char seat[SEAT_SIZE];
    char state[12]; /* "open", "closed", "struck", "withdrawn" */
    char label[LABEL_SIZE];
    char term[TERM_SIZE];
    uint32_t first_marker, last_marker;
    uint32_t marker_count;
    uint32_t individuals;
    utc_ns start; /* first press less the key's lead time */
    int64_t lead_ns;
    utc_ns end;           /* meaningful when closed */
    char closed_by[20];   /* as watch_close_name() says: "key", "idle" ... */
    char tie[LABEL_SIZE]; /* the relation's label; empty: none */
    char tie_term[TERM_SIZE];
    uint32_t tied_to;  /* another sighting */
    uint32_t again_of; /* the earlier sighting it returns to */
    bool recomputed;
};

struct span_entry {
    uint32_t number;
    char kind[KIND_SIZE]; /* "span", "phase", "transect" */
    uint32_t transect;    /* number of the transect; 0: it is none */
    char label[LABEL_SIZE];
    char term[TERM_SIZE];
    char seat[SEAT_SIZE];
    char state[12]; /* "open", "closed", "struck" */
    uint32_t first_marker, last_marker;
    utc_ns start, end;
    char closed_by[20];
    bool recomputed;
};

struct sample_entry {
    uint32_t number; /* 0: a full container refused it */
    char state[12];  /* "taken", "retired", "refused" */
    char container[24], gear[24];
    char seat[SEAT_SIZE];
    char label[LABEL_SIZE];
    char term[TERM_SIZE];
    char note[NOTE_SIZE];
    uint32_t marker;
    uint32_t sighting; /* in hand when it was taken; 0: none */
    utc_ns taken;
    char why[NOTE_SIZE]; /* why refused or retired */
    bool recomputed;
};

struct identification_entry {
    char target[REF_SIZE]; /* a sighting or sample */
    char name[LABEL_SIZE * 2];
    char verbatim[LABEL_SIZE * 2];
    char rank[24];
    char qualifier[LABEL_SIZE];
    char name_id[TERM_SIZE]; /* identifier from the checklist; empty: none */
    int8_t listed;           /* 1: the name is on the checklist, 0: it is not, -1: there was no checklist */
    char by[WHO_SIZE];
    char why[NOTE_SIZE];
};

/* The length of what a sighting or sample is about, measured in a picture between two laser dots (core/laserscale.h). */
struct measurement_entry {
    char target[REF_SIZE];
    char quantity[16]; /* "length" */
    char method[32];   /* "paired lasers" */
    double value_m;
    double sigma_m; /* one standard deviation, of the random error alone */
    double object_pixels, laser_pixels, pixel_sigma;
    double spacing_m, spacing_sigma_m;
    char note[NOTE_SIZE]; /* which frame, which end to which */
    char by[WHO_SIZE];
};

struct remark_entry {
    char target[REF_SIZE];
    char text[NOTE_SIZE * 4];
    char by[WHO_SIZE];
};

struct strike_entry {
    char target[REF_SIZE];
    bool restored;      /* a strike that was itself struck */
    uint32_t by_marker; /* the strike key's marker; 0: struck by name */
    char by[WHO_SIZE];
    char why[NOTE_SIZE];
};

struct link_entry {
    uint32_t marker;
    uint32_t sighting, object, struck_by; /* numbers in the dive; 0: none */
    char advice[128];
    char who[WHO_SIZE];
};

struct dive_entry {
    char state[12];            /* "begun", "ended" */
    int64_t planned_bottom_ns; /* 0: not said */
    char vehicle[LABEL_SIZE], ship[LABEL_SIZE], site[LABEL_SIZE];
};

struct seat_entry {
    char seat[SEAT_SIZE];
    char who[WHO_SIZE];
};

/* Pads, feeds, clocks, timecode and faults share one shape: what it is about, what happened, and a sentence for people. */
struct notice_entry {
    char about[REF_SIZE]; /* "P-03", feed name, "utc", "recorder", "store" */
    char state[24];       /* "linked", "lost", "stepped", "locked" ... */
    char text[NOTE_SIZE];
    bool has_value;
    double value; /* e.g. the size of a step in seconds */
};

struct entry {
    int64_t seq;
    enum entry_type type;
    char dive[DIVE_ID_SIZE]; /* empty: no dive was open */
    struct when at;          /* when the core made it */
    union {
        struct sighting_entry sighting;
        struct span_entry span;
        struct sample_entry sample;
        struct identification_entry identification;
        struct measurement_entry measurement;
        struct remark_entry remark;
        struct strike_entry strike;
        struct link_entry link;
        struct dive_entry dive;
        struct seat_entry seat;
        struct notice_entry notice;
        struct settled settled;
        struct marker marker;
    } of;
};

/* The bytes of `entry` that carry something: the readings beyond reading_count need not be copied. */
size_t entry_size(const struct entry *entry);

/* "D007-M0112", or "M0112" without a dive. `letter` is M, S (sighting), T (span), A (sample). `out` holds REF_SIZE. */
void entry_ref(char *out, const char *dive, char letter, uint32_t number);

/* Reads "D007-M0112", "M0112", "M112", "S31": the dive part may be missing (then `dive` is empty). False: not a reference. */
bool entry_ref_parse(const char *text, char dive[DIVE_ID_SIZE], char *letter, uint32_t *number);

#endif
