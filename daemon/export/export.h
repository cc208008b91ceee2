/*
 * export: a dive's record in an open format. Every format is one file; this is the table of them and what they share.
 *
 * An export is written under another name in the same folder, synced, and given its own name only when complete: there is never
 * half a file under the final name. The same record gives the same bytes: no time of export, no machine's name goes in. Rows
 * stream through; memory does not grow with the dive, but for some bytes a marker where its place in time is needed. A struck record is never written as a valid one.
 */
#ifndef BELLROPE_EXPORT_EXPORT_H
#define BELLROPE_EXPORT_EXPORT_H

#include "store/query.h"

#include <stdio.h>

#define EXPORT_WHY_SIZE 640

struct export_options {
    const char *dive;  /* NULL: the open one, else the latest; "": what was made without a dive */
    const char *table; /* csv: markers, sightings, spans, samples; NULL: markers */
    /* webvtt: what the video's first frame has; where neither is given, the UTC of the dive's begin */
    const char *video_timecode; /* NULL: not given */
    bool has_video_utc;
    utc_ns video_utc;
    int64_t video_length_ns; /* overlay: nothing beyond it; 0: to the dive's end */
    bool as_srt;             /* overlay: SRT instead of WebVTT */
    const char *reel;        /* edl: the source's name, up to 8 characters; NULL: "AX" */
    unsigned part;           /* edl: which list of several, from 1; 0 is 1. export_write() counts it up */
    /* dwca: what the record cannot know; NULL: nothing said */
    const struct export_dataset *dataset;
    const char *media_index; /* dwca: the clips' index.json, for associatedMedia; NULL: none */
    const struct report_options
        *report; /* report: its own, export/report.h; NULL: the whole dive, no stills */
};

/* What a format gets: a reader that sees one state of the record, the open file, and the dive. */
struct export_job {
    struct store_reader *reader;
    FILE *out;
    const struct export_options *options;
    const char *dive;             /* "" without one */
    const struct query_dive *row; /* NULL without one */
    char *why;                    /* of EXPORT_WHY_SIZE bytes */
    void *ctx;                    /* of export_with_dive()'s caller; for formats, see `parts` */
};

struct export_format {
    const char *name;
    const char *summary;
    /* 0, or -1 with a sentence in job->why. Need not look at errors of job->out. */
    int (*write)(struct export_job *job);
    /*
     * Into how many files the dive goes, or -1 with a sentence; NULL: always one. Each is written by `write` with its options->part, in order. What
     * it read may go with job->ctx from part to part, until `done`, which is called in any case.
     */
    int (*parts)(struct export_job *job);
    void (*done)(struct export_job *job); /* with `parts` */
};

extern const struct export_format export_csv, export_json, export_geojson, export_gpx, export_kml,
    export_webvtt, export_srt, export_overlay, export_chapters, export_matroska_chapters, export_edl,
    export_dwca;

/* NULL beyond the last. */
const struct export_format *export_format_at(size_t i);
const struct export_format *export_format_find(const char *name);

/*
 * Writes to `path`, or to standard output where it is "-". 0, or -1 with a sentence in `why`. Where one file does not hold the dive, the others
 * are named after it: cut.edl, cut-2.edl, cut-3.edl; standard output is then refused.
 */
int export_write(const struct export_format *format, struct store_reader *reader,
                 const struct export_options *options, const char *path, char why[EXPORT_WHY_SIZE]);

/*
 * Finds the dive that job->options mean, holds one state of the record, and calls `step` with job->dive and job->row set. `reader`, `options` and
 * `why` are the caller's to set. What `step` returns, or -1 with a sentence in job->why.
 */
typedef int export_step(struct export_job *job);
int export_with_dive(struct export_job *job, export_step *step);

/* For formats: fills why and returns -1; the second says what the reader says. */
int export_fail(struct export_job *job, const char *format, ...) __attribute__((format(printf, 2, 3)));
int export_reader_failed(struct export_job *job);

#endif
