/*
 * utcmap: host monotonic time to UTC, with a bound and a state.
 *
 * One map has one source of truth: the system clock while the kernel says it is synchronised, or a GNSS feed. Until the source has spoken, the
 * system clock serves as a guess whose bound is not known; when it speaks, the same map answers for all earlier instants too, so
 * that what was stamped before can be stamped again.
 *
 * utc_ns is POSIX time. Inside, the map runs on a scale without leap seconds, so that a leap is no step. In an inserted second the answer
 * repeats 23:59:59.x, as Linux does, and `leap_second` is set: print it as 23:59:60.x.
 *
 * What is assumed (docs/timing.md): the kernel's maximum error holds; GNSS sentences arrive within the delay given for them; the host's
 * clock keeps to utcmap_params. A time server that smears leap seconds breaks the first on such a day.
 *
 * The struct is the caller's; nothing allocates; not for use from two threads at once.
 */
#ifndef BELLROPE_CORE_UTCMAP_H
#define BELLROPE_CORE_UTCMAP_H

#include "core/clockmap.h"
#include "core/instant.h"
#include "core/presence.h"

enum clock_state {
    CLOCK_UNSYNCED, /* only an unsynchronised system clock is known, or nothing */
    CLOCK_HOLDOVER, /* carried over from observations made before or after; the bound has grown accordingly */
    CLOCK_SYNCED    /* the source was being observed at that instant */
};

/* "unsynced" "holdover" "synced" */
const char *clock_state_name(enum clock_state state);

enum utcmap_source { UTCMAP_SYSTEM, UTCMAP_GNSS };

/* The values are those that adjtimex returns on Linux; TIME_ERROR (5) means not synchronised and no leap. */
enum utcmap_leap {
    UTCMAP_LEAP_NONE,    /* adjtimex TIME_OK, or not known */
    UTCMAP_LEAP_INSERT,  /* TIME_INS: a second will be inserted at the end of this UTC day */
    UTCMAP_LEAP_DELETE,  /* TIME_DEL */
    UTCMAP_LEAP_RUNNING, /* TIME_OOP: in the inserted second */
    UTCMAP_LEAP_DONE     /* TIME_WAIT: it is over */
};

/* One reading of the system clock between two readings of the monotonic one, and adjtimex's word on it. */
struct utcmap_system {
    mono_ns before, after;
    utc_ns realtime;
    bool synced;         /* STA_UNSYNC clear and the state not TIME_ERROR */
    int64_t maxerror_us; /* the kernel's bound; used when synced */
    int64_t esterror_us; /* the kernel's guess; kept for the record, never used as a bound */
    enum utcmap_leap leap;
};

/* One sentence with a date and a time. It is taken to say: `utc` (to utc + resolution) was the time at an instant between
 * arrival - delay_max and arrival - delay_min. */
struct utcmap_gnss {
    mono_ns arrival;       /* the instant from which the delays count back */
    utc_ns utc;            /* second 60 counts as the first of the next day */
    int64_t resolution_ns; /* weight of the last digit where the receiver truncates; 0 for a fix */
    int64_t delay_min_ns, delay_max_ns;
    bool valid; /* the sentence's own status */
};

/* What an observation brought about; several at once. */
enum utcmap_event {
    UTCMAP_TAKEN = 1 << 0,
    /* Contradicts itself or is marked invalid; counted. */
    UTCMAP_REJECTED = 1 << 1,
    /* A sentence out of its delay, or wrong: left out unless the next ones agree with it; counted. */
    UTCMAP_LATE = 1 << 2,
    /* The source contradicts its own past: the map was restarted; size in step_ns. */
    UTCMAP_STEP = 1 << 3,
    /* The source speaks for the first time, or again: stamp again what was stamped without it. */
    UTCMAP_SYNCED = 1 << 4,
    /* The source has fallen silent, or no longer claims to be synchronised. */
    UTCMAP_LOST = 1 << 5,
    /* A leap second was inserted or deleted. */
    UTCMAP_LEAPT = 1 << 6,
    /* The unsynchronised system clock was set; size in guess_step_ns. */
    UTCMAP_GUESS_STEP = 1 << 7
};

struct utcmap_params {
    struct clockmap_params clock; /* mono against UTC */
    int64_t fresh_ns;   /* an observation counts as present for this long: 30 s (system), 5 s (GNSS) */
    int32_t late_limit; /* so many contradicting sentences in a row are a step and not lateness: 5 */
};
struct utcmap_params utcmap_params_default(enum utcmap_source source);

struct utcmap {
    enum utcmap_source source;
    struct utcmap_params params;
    struct clockmap map;   /* mono ns -> UTC ns plus leaps since the start */
    struct presence heard; /* mono ns in which the source was observed */
    bool synced;           /* as last told to the caller by SYNCED and LOST */
    bool has_guess;        /* realtime - mono of the last system reading */
    int64_t guess_ns;
    bool has_leap;      /* the one leap since the start */
    int64_t leap_at;    /* POSIX midnight at which it falls */
    int32_t leap_s;     /* +1 inserted, -1 deleted */
    int64_t pending_at; /* announced, not yet passed; 0 none */
    int32_t pending_s;
    int32_t late_run; /* contradicting sentences in a row, signed by the side */
    uint64_t taken, rejected, late;
    int64_t step_ns, guess_step_ns;
};

/* 0, or -1 where a parameter is out of range. */
int utcmap_init(struct utcmap *utc, enum utcmap_source source, const struct utcmap_params *params);

/* Each returns a set of enum utcmap_event. A map with source GNSS takes system readings as its guess alone; one with source SYSTEM
 * ignores sentences (0). */
unsigned utcmap_add_system(struct utcmap *utc, const struct utcmap_system *reading);
unsigned utcmap_add_gnss(struct utcmap *utc, const struct utcmap_gnss *sentence);

/* Call now and then (each second): LOST when the source has fallen silent. */
unsigned utcmap_poll(struct utcmap *utc, mono_ns now);

struct utc_answer {
    bool known;       /* there is an answer at all */
    bool bound_known; /* bound_ns holds; false for a guess */
    bool leap_second; /* in an inserted second */
    enum clock_state state;
    utc_ns utc;
    int64_t bound_ns; /* |truth - utc| <= bound_ns */
};

/* UTC at any monotonic instant, before, between or after the observations. */
struct utc_answer utcmap_at(const struct utcmap *utc, mono_ns at);

/* The newest constraint held, lo and hi as POSIX time, for keeping. False where there is none. */
bool utcmap_newest(const struct utcmap *utc, struct clockmap_constraint *out);

/* The monotonic instants that may have been `at`. False where nothing is known (a guess gives a single instant and *is_guess = true). */
bool utcmap_inverse(const struct utcmap *utc, utc_ns at, struct clockmap_interval *mono, bool *is_guess);

#endif
