/*
 * query: reading the record. Each reader is a read-only connection of its own: it never waits for the writer and the writer never waits for
 * it; it works while a daemon writes, and on a database that nobody has open, also on a read-only disk.
 *
 * Rows are handed to a callback one at a time; memory does not grow with the answer. A row and the texts it points to live until the callback
 * returns; return false from it to stop. A callback may ask the same reader something else. Every query returns the number of rows handed
 * over, or a negative enum store_result, and store_reader_error() says why.
 *
 * A reader belongs to one thread at a time.
 */
#ifndef BELLROPE_STORE_QUERY_H
#define BELLROPE_STORE_QUERY_H

#include "store/store.h"

struct store_reader;

enum store_result store_reader_open(struct store_reader **out, const char *path, struct store_error *error);
void store_reader_close(struct store_reader *reader);
const char *store_reader_error(const struct store_reader *reader);

/* Between the two, every query sees the same state of the record. Keep it short on a living database: its log cannot shrink meanwhile. */
enum store_result store_reader_hold(struct store_reader *reader);
void store_reader_release(struct store_reader *reader);

/* Which records. Zeroed: all of them. */
struct query_want {
    const char *dive; /* NULL: every dive and none; "": those made without a dive */
    int64_t
        after; /* journal and histories: seq above this; markers, sightings ...: number above this (with a dive) */
    int64_t limit; /* at most so many rows; 0: no limit */
    bool
        brief; /* for looking up one of many: markers come without readings, sightings with ask_shore false */
};

/* ---- journal ---- */

struct query_event {
    int64_t seq;
    enum entry_type type;
    const char *event; /* JSON text as it was published */
    size_t len;
    struct when at; /* when the change was made: for a marker, when its press reached the daemon */
};
typedef bool query_event_row(void *ctx, const struct query_event *row);

#define QUERY_TYPE(type) (UINT32_C(1) << (type))
struct query_journal {
    int64_t since;    /* rows with a higher seq */
    int64_t limit;    /* 0: no limit */
    uint32_t types;   /* QUERY_TYPE bits; 0: every type */
    const char *dive; /* NULL: any */
    const char *ref;  /* only the life of this record, "D007-M0112"; NULL: any */
};
int64_t query_journal(struct store_reader *reader, const struct query_journal *want, query_event_row *row,
                      void *ctx);
/* The texts alone, for those who only pass them on. after < seq <= upto. */
typedef bool query_text_row(void *ctx, int64_t seq, enum entry_type type, const char *event, size_t len);
int64_t query_journal_texts(struct store_reader *reader, int64_t after, int64_t upto, query_text_row *row,
                            void *ctx);
/* 0: the journal is empty. */
int64_t query_last_seq(struct store_reader *reader);

/* ---- what the record holds ---- */

struct query_dive {
    char id[DIVE_ID_SIZE];
    bool open;
    struct when begun, ended; /* ended: meaningful unless open */
    int64_t begun_seq, ended_seq;
    struct dive_entry dive;
    uint32_t markers, sightings, spans, samples; /* rows, struck ones too */
};
typedef bool query_dive_row(void *ctx, const struct query_dive *row);
/* In order of their beginning. `after` is not used. */
int64_t query_dives(struct store_reader *reader, const struct query_want *want, query_dive_row *row,
                    void *ctx);

/* A marker with the latest of everything: time, timecode, position and readings as last settled, sighting as last linked. */
struct query_marker {
    int64_t seq; /* of the journal row that made it */
    char dive[DIVE_ID_SIZE];
    char ref[REF_SIZE];
    bool struck;
    uint32_t settlings;     /* times that later values came */
    struct when as_pressed; /* as first committed */
    struct marker marker;
};
typedef bool query_marker_row(void *ctx, const struct query_marker *row);
/* In order of dive and number. */
int64_t query_markers(struct store_reader *reader, const struct query_want *want, query_marker_row *row,
                      void *ctx);
/* In order of UTC, those without one first; `after` is not used. */
int64_t query_markers_by_time(struct store_reader *reader, const struct query_want *want,
                              query_marker_row *row, void *ctx);

/* Where a marker belongs, and nothing else of it: that is found in a third of the time. */
struct query_belonging {
    uint32_t number, sighting; /* sighting 0: none */
    bool struck;
    bool placed;
    double lat_deg, lon_deg;
};
typedef bool query_belonging_row(void *ctx, const struct query_belonging *row);
/* Of every marker of one dive, in order of number. */
int64_t query_belongings(struct store_reader *reader, const char *dive, query_belonging_row *row, void *ctx);

/* How a press came in. */
struct query_arrival {
    uint32_t number;
    mono_ns reached; /* when the daemon had it, on the clock of its run */
    bool waited;     /* it settled last because the time to wait ran out */
};
typedef bool query_arrival_row(void *ctx, const struct query_arrival *row);
/* Of every marker of one dive, in order of number. */
int64_t query_arrivals(struct store_reader *reader, const char *dive, query_arrival_row *row, void *ctx);

struct query_sighting {
    int64_t seq; /* of its latest state */
    char dive[DIVE_ID_SIZE];
    char ref[REF_SIZE];
    struct sighting_entry sighting;
    bool identified;
    struct identification_entry identification; /* the latest */
    bool measured;
    struct measurement_entry measurement; /* the latest */
    bool ask_shore;                       /* a standing marker asks shore for a name (term rope:ask) */
};
typedef bool query_sighting_row(void *ctx, const struct query_sighting *row);
int64_t query_sightings(struct store_reader *reader, const struct query_want *want, query_sighting_row *row,
                        void *ctx);

struct query_span {
    int64_t seq;
    char dive[DIVE_ID_SIZE];
    char ref[REF_SIZE];
    struct span_entry span;
};
typedef bool query_span_row(void *ctx, const struct query_span *row);
int64_t query_spans(struct store_reader *reader, const struct query_want *want, query_span_row *row,
                    void *ctx);

struct query_sample {
    int64_t seq;
    char dive[DIVE_ID_SIZE];
    char ref[REF_SIZE];
    struct sample_entry sample;
};
typedef bool query_sample_row(void *ctx, const struct query_sample *row);
int64_t query_samples(struct store_reader *reader, const struct query_want *want, query_sample_row *row,
                      void *ctx);

/* ---- histories, in order of seq ---- */

struct query_history {
    int64_t seq;
    enum entry_type type;
    char dive[DIVE_ID_SIZE];
    struct when at;
};

struct query_identification {
    struct query_history made;
    struct identification_entry identification;
};
typedef bool query_identification_row(void *ctx, const struct query_identification *row);
int64_t query_identifications(struct store_reader *reader, const struct query_want *want,
                              query_identification_row *row, void *ctx);

struct query_measurement {
    struct query_history made;
    struct measurement_entry measurement;
};
typedef bool query_measurement_row(void *ctx, const struct query_measurement *row);
int64_t query_measurements(struct store_reader *reader, const struct query_want *want,
                           query_measurement_row *row, void *ctx);

struct query_remark {
    struct query_history made;
    struct remark_entry remark;
};
typedef bool query_remark_row(void *ctx, const struct query_remark *row);
int64_t query_remarks(struct store_reader *reader, const struct query_want *want, query_remark_row *row,
                      void *ctx);

struct query_strike {
    struct query_history made;
    struct strike_entry strike;
};
typedef bool query_strike_row(void *ctx, const struct query_strike *row);
int64_t query_strikes(struct store_reader *reader, const struct query_want *want, query_strike_row *row,
                      void *ctx);

/* Pads, feeds, clocks, timecode and faults. */
struct query_notice {
    struct query_history made;
    struct notice_entry notice;
};
typedef bool query_notice_row(void *ctx, const struct query_notice *row);
int64_t query_notices(struct store_reader *reader, const struct query_want *want, query_notice_row *row,
                      void *ctx);

/* ---- telemetry and clocks ---- */

struct query_channel {
    const char *channel, *feed;
    utc_ns first, last;
    uint64_t samples;
    double low, high;
};
typedef bool query_channel_row(void *ctx, const struct query_channel *row);
/* Every channel and feed with samples between the two instants, both included. */
int64_t query_channels(struct store_reader *reader, utc_ns from, utc_ns to, query_channel_row *row,
                       void *ctx);

/*
 * The feed with the most samples of a channel between the two instants, by name where two have as many. Where a channel has one feed alone it
 * is that, unasked how much of it lies there. 1; 0: no feed has it; or a negative store_result.
 */
int64_t query_main_feed(struct store_reader *reader, const char *channel, utc_ns from, utc_ns to,
                        char feed[SOURCE_SIZE]);

struct query_telemetry {
    const char *channel;
    const char *feed; /* NULL: every feed, one after the other */
    utc_ns from, to;  /* both included */
};
struct query_point {
    const char *feed;
    mono_ns at; /* on the clock of `run`'s machine */
    utc_ns utc;
    double value;
    int64_t run;
};
typedef bool query_point_row(void *ctx, const struct query_point *row);
int64_t query_telemetry(struct store_reader *reader, const struct query_telemetry *want, query_point_row *row,
                        void *ctx);

struct query_extremes {
    uint64_t samples;
    double low, high; /* where there are samples */
};
/*
 * How many samples the range has, the lowest and the highest. Blocks of samples that lie within it are not read: what
 * each holds stands beside it. 0 or a negative store_result.
 */
int64_t query_extremes(struct store_reader *reader, const struct query_telemetry *want,
                       struct query_extremes *out);

struct query_observation {
    int64_t run;
    const char *host_boot_id;
    const char *clock;
    int64_t a, lo, hi; /* struct engine_observation */
};
typedef bool query_observation_row(void *ctx, const struct query_observation *row);
/* In the order in which they were made; `clock` NULL: every clock. */
int64_t query_observations(struct store_reader *reader, const char *clock, query_observation_row *row,
                           void *ctx);

/* ---- taking an ended dive up again ---- */

/*
 * What the engine needs to have that dive in hand, open or ended, as INPUT_RESTORE records: restore.dive, restore.watch, restore.fact,
 * restore.end (docs/database.md). STORE_NO_SUCH: no such dive.
 */
enum store_result store_restore_dive(struct store_reader *reader, const char *dive, store_restore_sink *sink,
                                     void *ctx, struct store_error *error);

/* ---- dive pack ---- */

/*
 * Writes one dive as a database of its own: its rows of every table, the runs they belong to, the telemetry and clock observations of its
 * time. It is made under another name and given its own when complete. STORE_NO_SUCH: no such dive. STORE_EXISTS: `path` is there already.
 */
enum store_result store_pack(struct store_reader *reader, const char *dive, const char *path,
                             struct store_error *error);

#endif
