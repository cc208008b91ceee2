/*
 * rowjson: rows of the record as JSON, and the answers of the socket's queries made of them. A marker's row has the members of
 * the `marker` event with the latest of everything, and some more; docs/schema has all of them.
 *
 * The daemon answers its socket with these, the command prints them with --json, the json export is made of them: one shape.
 */
#ifndef BELLROPE_EXPORT_ROWJSON_H
#define BELLROPE_EXPORT_ROWJSON_H

#include "store/query.h"

/* Room that every row fits in. */
#define ROWJSON_BYTES_MAX 40960

/* Each writes an object without a newline and returns its length; 0 where `size` is too small. */
size_t rowjson_marker(const struct query_marker *row, char *out, size_t size);
size_t rowjson_sighting(const struct query_sighting *row, char *bytes, size_t size);
size_t rowjson_span(const struct query_span *row, char *bytes, size_t size);
/* `marker` is the press that took the sample, for its place and timecode; NULL: not known. */
size_t rowjson_sample(const struct query_sample *row, const struct query_marker *marker, char *bytes,
                      size_t size);
size_t rowjson_dive(const struct query_dive *row, char *bytes, size_t size);

enum rowjson_kind { ROWJSON_MARKERS, ROWJSON_SIGHTINGS, ROWJSON_SPANS, ROWJSON_SAMPLES, ROWJSON_DIVES };

struct rowjson_query {
    enum rowjson_kind kind;
    const char *dive; /* NULL: the open one, else the latest; "": what was made without a dive */
    int64_t after;    /* rows with a higher number */
    int64_t limit;    /* rows at most; 0: all */
    bool newest;      /* the last ones, in rising order */
};

/*
 * {"dive":"D007","more":false,"markers":[...]}, from malloc(). `more`: the limit cut rows off. Dives: {"more":...,"dives":[...]}.
 * NULL with a sentence in `why`.
 */
char *rowjson_answer(struct store_reader *reader, const struct rowjson_query *query, char *why,
                     size_t why_size);

/* The dive that is meant where none is named: the open one, else the latest, else "" . False: the database cannot be read. */
bool rowjson_default_dive(struct store_reader *reader, char dive[DIVE_ID_SIZE]);

/* Whether there is a dive of that id: 1, 0, or -1 where the database cannot be read. */
int rowjson_dive_known(struct store_reader *reader, const char *dive);

#endif
