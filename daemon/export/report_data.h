/*
 * report_data: one dive gathered in memory for what looks at all of it at once: the report and the doctor. Markers are kept with what these
 * show of them, other rows as they are. The size is that of the record (some MB for thousands of markers), not of the telemetry.
 *
 * Nothing struck stands: use report_marker_stands() and report_state_stands() before counting anything.
 */
#ifndef BELLROPE_EXPORT_REPORT_DATA_H
#define BELLROPE_EXPORT_REPORT_DATA_H

#include "store/query.h"

struct report_marker {
    uint32_t number, sighting, object, capacity, instead_of;
    bool struck, replaced; /* replaced: a held key's or chord's marker stands in its place */
    bool waited;           /* it settled because the time to wait ran out: later samples never came */
    enum marker_origin origin;
    const char *kind, *label, *term, *seat, *who, *pad, *note, *phase, *container, *advice;
    struct when when;
    int64_t held_ns; /* from the press until the daemon had it, less its bound; -1: not known */
    enum timecode_trust timecode_trust;
    const char *timecode, *rate;
    double timecode_bound_frames;
    struct marker_position position;
    bool has_depth;
    double depth_m;
    size_t next; /* the next of the same sighting plus 1; 0: none */
};

struct report_channel {
    char channel[CHANNEL_NAME_SIZE], feed[SOURCE_SIZE];
    struct query_channel row;
};

struct report_data {
    struct store_reader *reader;
    const char *dive;
    const struct query_dive *row; /* NULL without one */
    bool timed;                   /* UTC is known: from and to mean something */
    utc_ns from, to;

    struct report_marker *marker; /* by number */
    struct query_sighting *sighting;
    struct query_span *span;
    struct query_sample *sample;
    struct query_identification *identification;
    struct query_remark *remark;
    struct query_strike *strike;
    struct query_notice *notice; /* of the dive, and of no dive while it lasted */
    struct query_notice *before; /* the last of its kind before the dive: of UTC and timecode */
    size_t markers, sightings, spans, samples, identifications, remarks, strikes, notices, befores;

    struct report_channel *channel; /* in order of channel and feed */
    size_t channels;
    size_t *first; /* by number of the sighting: its first marker plus 1; 0: none */
    size_t firsts;
    struct report_room *rooms; /* where texts lie */
    bool no_memory;
};

/* 0, or -1: the reader says why, or `no_memory`. What it took is freed by report_data_free() in either case. */
int report_data_gather(struct report_data *data, struct store_reader *reader, const char *dive,
                       const struct query_dive *row);
void report_data_free(struct report_data *data);

/* Every channel and feed with samples in the dive's time, as query_channels() gave them once. */
void report_channels(const struct report_data *data, query_channel_row *row, void *ctx);

bool report_marker_stands(const struct report_marker *marker);
/* "struck", "withdrawn", "retired" and "refused" do not. */
bool report_state_stands(const char *state);

/* NULL where there is none. */
const struct report_marker *report_marker_of(const struct report_data *data, uint32_t number);
const struct query_sighting *report_sighting_of(const struct report_data *data, uint32_t number);
/* A sighting's markers in order of number: the first, then each next; NULL at the end. */
const struct report_marker *report_sighting_marker(const struct report_data *data, uint32_t sighting);
const struct report_marker *report_next_marker(const struct report_data *data,
                                               const struct report_marker *marker);

/* The end of a span: of an open one, the end of what is known of the dive. */
utc_ns report_span_end(const struct report_data *data, const struct query_span *span);
bool report_span_is_bottom(const struct report_data *data, const struct query_span *span);
/* Sum of the stays on bottom. */
int64_t report_bottom_ns(const struct report_data *data);

/* Whether the sighting has a marker that stands with that term, "rope:ask" say. */
bool report_sighting_has(const struct report_data *data, uint32_t sighting, const char *term);

#endif
