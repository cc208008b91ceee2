/*
 * clips_record: a dive as far as its video needs it, in memory: some 700 bytes a marker, of which a dive has thousands at most. Struck and
 * withdrawn records are not in it.
 */
#ifndef BELLROPE_EXPORT_CLIPS_RECORD_H
#define BELLROPE_EXPORT_CLIPS_RECORD_H

#include "core/timecode.h"
#include "export/clips.h"

#define CLIPS_TITLE_SIZE 256

struct clips_marker {
    uint32_t number, sighting; /* sighting 0: none */
    int64_t utc_ns;            /* markers without any UTC are not in the record */
    int64_t frame;             /* its timecode as a count of frames; -1: none */
    double within;             /* how far into that frame */
    double bound_frames;       /* negative: not known */
    enum timecode_rate rate;
    bool late;  /* entered afterwards: its frame is not that of a key-down */
    bool still; /* subject, detail, again, sample, note, waypoint: what one would want to see */
    bool view;  /* a good view: a detail with the term "rope:view" */
    int64_t lead_ns;
    char kind[KIND_SIZE], label[LABEL_SIZE], note[NOTE_SIZE];
    bool has_depth;
    double depth_m;
};

/* A sighting ('S') or span ('T'). */
struct clips_object {
    char letter;
    uint32_t number, first_marker;
    int64_t start_ns, press_ns, end_ns; /* UTC; start is the press less the key's lead */
    char label[LABEL_SIZE];
    char title[CLIPS_TITLE_SIZE]; /* with its latest identification */
};

struct clips_record {
    char dive[DIVE_ID_SIZE];
    struct clips_marker *marker; /* in order of UTC */
    size_t marker_count, marker_size;
    struct clips_object *object; /* in order of start */
    size_t object_count, object_size;
    int64_t last_ns; /* where what is still open is taken to end */
    bool failed;     /* out of memory */
};

/* 0, or -1 with a sentence; after both clips_record_free(). */
int clips_record_read(struct clips_record *record, struct store_reader *reader, const char *dive,
                      char why[CLIPS_WHY_SIZE]);
void clips_record_free(struct clips_record *record);

/* NULL: it is not there. */
const struct clips_marker *clips_record_marker(const struct clips_record *record, uint32_t number);
const struct clips_object *clips_record_sighting(const struct clips_record *record, uint32_t number);

#endif
