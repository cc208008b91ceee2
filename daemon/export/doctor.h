/*
 * doctor: what went wrong on a dive, in plain words with times. Judged from the record alone, so the same for a live database and for one
 * that was made again from a tape: what the daemon told (pads, feeds, clocks, timecode, store), put together to "from ... to ...", and what
 * the markers show (no place, no synchronised time, long in a pad, not settled).
 */
#ifndef BELLROPE_EXPORT_DOCTOR_H
#define BELLROPE_EXPORT_DOCTOR_H

#include "export/report_data.h"

enum doctor_weight {
    DOCTOR_NOTE,   /* good to know */
    DOCTOR_TROUBLE /* something in the record is worse for it */
};

struct doctor_finding {
    enum doctor_weight weight;
    const char *kind;  /* "clock", "timecode", "feed", "pad", "store", "press", "position": for programs */
    const char *about; /* "P-03", a feed's name ...; "" */
    bool timed;        /* `from` is known, and `to` where `lasting`; to is the dive's end where `unended` */
    bool lasting, unended;
    utc_ns from, to;
    const char *text; /* a sentence without times */
};
/* Pointers live until it returns. */
typedef void doctor_tell(void *ctx, const struct doctor_finding *finding);

/* Looks at one dive ("": what was made without one) and tells its findings by kind, each in order of time. 0, or -1 with a sentence in `why`. */
int doctor_examine(struct store_reader *reader, const char *dive, const struct query_dive *row,
                   doctor_tell *tell_it, void *ctx, char *why, size_t why_size);

#endif
