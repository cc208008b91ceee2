/*
 * dwca: what the tables of a Darwin Core Archive share: lookups in the record, identifiers, and what counts.
 *
 * Events: the dive, its transects and spans, its sightings, its samples; each names the one that it is part of. An occurrence is a sighting
 * that stands, or a sample of one or with a name. Nothing struck, withdrawn or retired is in any table.
 *
 * Memory: 24 bytes for each marker, remark and identification that belongs to a sighting, 24 a transect; the rest does not grow with the dive.
 */
#ifndef BELLROPE_EXPORT_DWCA_H
#define BELLROPE_EXPORT_DWCA_H

#include "export/dataset.h"
#include "export/dwcmedia.h"
#include "export/dwctable.h"
#include "export/export.h"
#include "export/way.h"
#include "export/window.h"

#define DWCA_ID (REF_SIZE + 128)
#define DWCA_TEXT 2048

enum dwca_piece_kind { DWCA_MARKER, DWCA_REMARK, DWCA_NAME };

struct dwca_piece {  /* of a sighting or sample */
    uint32_t number; /* of the sighting or sample */
    char letter;     /* 'S', 'A' */
    enum dwca_piece_kind kind;
    int64_t at; /* a marker's number; the seq of a remark or identification */
};

struct dwca_stay { /* a transect or span, for what happens in it */
    int64_t start_ns, end_ns;
    uint32_t number;
};

/* Of markers. Longitudes are counted from the first one, so that a box over the antimeridian has its west above its east. */
struct dwca_box {
    bool any;
    double west, east, south, north, first_lon;
};

struct dwca {
    struct export_job *job;
    struct export_dataset dataset; /* empty where none was given */
    struct dwczip *zip;
    struct dwcrow row[DWC_TABLES];
    struct window window; /* depth */
    struct way way;
    struct dwcmedia media;
    struct dwca_piece *piece; /* by letter, number, then order */
    size_t pieces, pieces_size;
    struct dwca_stay *stay;
    size_t stays, stays_size;
    struct dwca_box box;
    utc_ns from, to; /* the dive */
    int64_t measurements;
    bool failed; /* out of memory, or the reader says why */
    /* the last ones looked up */
    struct query_marker marker;
    bool marker_brief; /* it is without its readings */
    struct query_sighting sighting;
    struct query_sample sample;
    struct query_identification named;
};

/* Where and how deep something was. */
struct dwca_place {
    bool known;
    double lat_deg, lon_deg;
    double uncertainty_m; /* negative: not known */
    bool depth_known;
    double least_m, most_m;
};

/* Reads what all tables need. 0, or -1 with a sentence in job->why; after both dwca_close(). */
int dwca_open(struct dwca *dwca, struct export_job *job);
void dwca_close(struct dwca *dwca);

/* With the dataset's prefix: "D007-S031"; `suffix` "" for the event, "-O" the occurrence, "-M" the material sample, "-G" the organism. */
void dwca_id(const struct dwca *dwca, char out[DWCA_ID], char letter, uint32_t number, const char *suffix);

/* Looks a record up. False: there is none, or it does not stand. */
bool dwca_find_marker(struct dwca *dwca, uint32_t number);
bool dwca_find_press(struct dwca *dwca, uint32_t number); /* a marker without its readings: quicker */
bool dwca_find_sighting(struct dwca *dwca, uint32_t number);
bool dwca_find_sample(struct dwca *dwca, uint32_t number);

/* The latest name given to a sighting or sample: dwca->named. False: none. */
bool dwca_find_name(struct dwca *dwca, char letter, uint32_t number);

/* Whether a sample is an occurrence: named (then dwca->named), or taken of a sighting that stands (then dwca->sighting). */
bool dwca_sample_occurs(struct dwca *dwca, const struct query_sample *row);

/* The end, or where it is open the dive's end or latest telemetry. */
utc_ns dwca_end(const struct dwca *dwca, const char *closed_by, utc_ns start, utc_ns end);

/* By the marker, and the depths that telemetry had between the two instants. */
void dwca_place(struct dwca *dwca, uint32_t marker, utc_ns from, utc_ns to, struct dwca_place *out);

/* The first of the pieces of a sighting or sample, and how many follow each other. */
size_t dwca_pieces_of(const struct dwca *dwca, char letter, uint32_t number, size_t *count);

/* "dwc:behavior=feeding" with "behavior": "feeding"; without a value, `label`. False: another term. */
bool dwca_term(const char *term, const char *name, const char *label, char *out, size_t size);

/* Adds to a list joined by " | ", as Darwin Core recommends. */
void dwca_join(char *list, size_t size, const char *text);

int dwca_eml(struct dwca *dwca);

/* Rows of the dive, its transects and spans. 0, or -1 with a sentence in job->why. */
int dwca_dive_events(struct dwca *dwca);

/* Rows of a sighting or sample that stands; dwca->failed where they could not be made. */
void dwca_sighting_event(struct dwca *dwca, const struct sighting_entry *sighting);
void dwca_sighting_facts(struct dwca *dwca, const struct sighting_entry *sighting);
void dwca_sighting_occurrence(struct dwca *dwca, const struct query_sighting *found);
void dwca_sighting_relation(struct dwca *dwca, const struct sighting_entry *sighting);
void dwca_sample_event(struct dwca *dwca, const struct sample_entry *sample);
void dwca_sample_facts(struct dwca *dwca, const struct sample_entry *sample);
void dwca_sample_occurrence(struct dwca *dwca, const struct query_sample *found);
void dwca_sample_relation(struct dwca *dwca, const struct sample_entry *sample);
/* "dwc:NAME=value" of dwca->marker, if it is a detail and NAME no column of the occurrence: a fact of the sighting. */
void dwca_detail_fact(struct dwca *dwca, uint32_t sighting);

/* Rows of every name and every length. 0 or -1 with a sentence in job->why. */
int dwca_identifications(struct dwca *dwca);
int dwca_measurements(struct dwca *dwca);

/* What stands for a name where nobody gave one; in use by OBIS, from memory. */
#define DWCA_NO_NAME "incertae sedis"

#endif
