/*
 * keyplan: what each key of a pad means.
 *
 * A plan is a text file of sections (docs/keyplan.md). The shell reads the text and calls the setters below once a line, so that the core
 * needs no file and no parser library:
 *
 *   keyplan_begin -> keyplan_set for each "name = value" with its section and line -> keyplan_finish
 *
 * Sections: [plan], [key A1], [keys A1+B1] (two keys together), [container NAME]. In a key's section, names that begin with "hold." speak of
 * the same key held down. Keys are named by row letter and column number, "A1" is the first; on the wire a key is row * columns + column.
 *
 * A struct keyplan is the caller's, of fixed size, and holds no pointers into other memory: it may be copied. A new plan takes the place of
 * an old one between two presses; what was pressed before carries its own copy of what its key meant.
 */
#ifndef BELLROPE_CORE_KEYPLAN_H
#define BELLROPE_CORE_KEYPLAN_H

#include "core/entry.h"

#define KEYPLAN_KEYS_MAX 64
#define KEYPLAN_ROWS_MAX 16 /* A to P */
#define KEYPLAN_COLUMNS_MAX 16
#define KEYPLAN_DEFS_MAX 160 /* taps, holds and chords together */
#define KEYPLAN_CONTAINERS_MAX 32
#define KEYPLAN_ATTRIBUTES 8
#define KEYPLAN_TITLE_SIZE 64
#define CONTAINER_SIZE 24 /* a container's name, "BOX-1": 1 to 23 of [A-Za-z0-9_.-] */
#define GEAR_SIZE 24

/* What a key does; the words of the `kind` line come from key_kind_name(). docs/keyplan.md tells each one's story. */
enum key_kind {
    KEY_KIND_NONE,
    KEY_KIND_SUBJECT,  /* opens a sighting; again while it is open: one more individual */
    KEY_KIND_DETAIL,   /* adds to the open sighting */
    KEY_KIND_RELATION, /* the next subject is tied to this one */
    KEY_KIND_AGAIN,    /* the subject was seen before on this dive */
    KEY_KIND_DONE,     /* closes what is open at this seat */
    KEY_KIND_STRIKE,   /* the last marker of this seat was a slip */
    KEY_KIND_SPAN,     /* press to start, press to end */
    KEY_KIND_TRANSECT, /* a span that is also numbered as a transect */
    KEY_KIND_PHASE,    /* in water, on bottom, off bottom, on deck */
    KEY_KIND_SAMPLE,   /* something was taken */
    KEY_KIND_GEAR,     /* the gear in use from here on */
    KEY_KIND_WAYPOINT, /* a numbered place */
    KEY_KIND_NOTE,     /* a moment worth words */
    KEY_KIND_BADGE,    /* who sits at this seat from here on */
    KEY_KINDS
};

enum key_gesture { KEY_GESTURE_TAP, KEY_GESTURE_HOLD, KEY_GESTURE_CHORD };

/* The stages of a dive, in the order in which they normally come. */
enum dive_phase {
    DIVE_PHASE_NONE,
    DIVE_PHASE_IN_WATER,
    DIVE_PHASE_ON_BOTTOM,
    DIVE_PHASE_OFF_BOTTOM,
    DIVE_PHASE_ON_DECK,
    DIVE_PHASES
};

/* Names as the plan and the record write them; "" for a value out of range. */
const char *key_kind_name(enum key_kind kind);
const char *key_gesture_name(enum key_gesture gesture);
const char *dive_phase_name(enum dive_phase phase);
/* KEY_KIND_NONE, DIVE_PHASE_NONE where no such name exists. */
enum key_kind key_kind_find(const char *name);
enum dive_phase dive_phase_find(const char *name);

/* One meaning of one key (or of two keys together). */
struct key_def {
    char name[KEY_SIZE]; /* "A1"; for a chord "A1+B1", the lower key first */
    uint8_t key;         /* wire index */
    uint8_t with;        /* the other key of a chord, else equal to `key` */
    enum key_gesture gesture;
    enum key_kind kind;
    enum dive_phase phase; /* of a phase key */
    uint32_t lead_ms;      /* how far the start reaches back before the press, 0 to 60000 */
    char label[LABEL_SIZE];
    char term[TERM_SIZE];           /* "dwc:behavior=feeding"; empty: none */
    char container[CONTAINER_SIZE]; /* of a sample key; empty: none */
    char gear[GEAR_SIZE];           /* of a sample key; empty: the gear in use */
    uint32_t line;                  /* where it begins in the file */
};

struct key_container {
    char name[CONTAINER_SIZE];
    char label[LABEL_SIZE];
    uint16_t capacity; /* samples; 0: not limited */
    uint32_t line;
};

/* What is wrong with a plan and where. */
struct keyplan_error {
    uint32_t line;    /* 0: the plan as a whole */
    char section[48]; /* "key A1" */
    char name[24];    /* "kind"; empty: the section as a whole */
    char text[320];   /* what is wrong and what is accepted */
};

struct keyplan {
    char title[KEYPLAN_TITLE_SIZE];
    uint8_t rows, columns;   /* 4 x 4 unless the plan says otherwise */
    uint16_t hold_ms;        /* a key down for so long is held: 600 unless said */
    uint16_t chord_ms;       /* two keys down within so long are pressed together: 120 unless said */
    bool subjects_elsewhere; /* another pad of the same seat has the subject keys */
    uint16_t def_count, container_count;
    struct key_def def[KEYPLAN_DEFS_MAX];
    struct key_container container[KEYPLAN_CONTAINERS_MAX];
    /* What the setters remember until keyplan_finish(); not for others. */
    struct {
        char last_section[48];
        /* The line that gave each attribute; 0: none yet. */
        uint32_t key_line[KEYPLAN_DEFS_MAX][KEYPLAN_ATTRIBUTES];
        uint32_t plan_line[KEYPLAN_ATTRIBUTES];
        uint32_t container_line[KEYPLAN_CONTAINERS_MAX][KEYPLAN_ATTRIBUTES];
    } build;
};

/* Empties the plan and sets what holds unless the file says otherwise. */
void keyplan_begin(struct keyplan *plan);

/*
 * One line of the file. True: taken. False: refused, `error` says why; the caller may go on with the next line to gather all that is wrong,
 * and must then not use the plan. Texts need not outlive the call.
 */
bool keyplan_set(struct keyplan *plan, const char *section, const char *name, const char *value,
                 uint32_t line, struct keyplan_error *error);

/*
 * Checks the plan as a whole: every key has a kind and what that kind needs, containers exist, relations have something to tie. Returns how
 * many things are wrong and puts the first `max` of them into `errors`. 0, and no refusal by keyplan_set: the plan is ready for use.
 */
size_t keyplan_finish(struct keyplan *plan, struct keyplan_error *errors, size_t max);

/* "FILE:12: [key A1] kind: ..." into `out`, cut where it does not fit. */
void keyplan_error_text(const struct keyplan_error *error, const char *file, char *out, size_t size);

/* What a key means; NULL: nothing. For a tap and a hold `with` is not looked at; for a chord the order of the two does not matter. */
const struct key_def *keyplan_find(const struct keyplan *plan, uint8_t key, enum key_gesture gesture,
                                   uint8_t with);

/*
 * The same by name: "A1", "a1", "A1+B1" (a chord, whatever `gesture` says), "A1 hold" or "A1.hold" (a hold). Without a key of that name the
 * text is compared with the labels, case aside, so that a person may say "Fish". NULL: nothing.
 */
const struct key_def *keyplan_find_name(const struct keyplan *plan, const char *name,
                                        enum key_gesture gesture);

/* NULL: the plan has no such container. */
const struct key_container *keyplan_find_container(const struct keyplan *plan, const char *name);

/* "A1" <-> row * columns + column. False where the name is no key of a pad of that size. `out` holds KEY_SIZE. */
bool keyplan_key_index(const char *name, uint8_t rows, uint8_t columns, uint8_t *key);
bool keyplan_key_name(uint8_t key, uint8_t rows, uint8_t columns, char *out);

#endif
