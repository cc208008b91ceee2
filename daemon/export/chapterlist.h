/*
 * chapterlist: what of a dive is a chapter of its video: phases, transects, spans and sightings, in order of their start. Struck and
 * withdrawn ones are none. `chapters` and `matroska-chapters` write it. Memory: 32 bytes a chapter and what videoclock keeps.
 */
#ifndef BELLROPE_EXPORT_CHAPTERLIST_H
#define BELLROPE_EXPORT_CHAPTERLIST_H

#include "export/export.h"
#include "export/videoclock.h"

#define CHAPTERLIST_TITLE 320

struct chapter {
    int64_t start_ns, end_ns; /* since the video's first frame; start 0 or more, end above start */
    uint32_t number;
    char letter; /* 'S' sighting, 'T' span */
};

struct chapterlist {
    struct export_job *job;
    struct videoclock clock;
    struct chapter *chapter;
    size_t count, size;
    uint64_t unplaced, before; /* left out: place in the video not known; over before its first frame */
    int64_t last_utc_ns; /* where what is still open is taken to end: the dive's end, or its last marker */
    bool failed;
};

/* 0, or -1 with a sentence in job->why; after both chapterlist_close(). */
int chapterlist_open(struct chapterlist *list, struct export_job *job);
void chapterlist_close(struct chapterlist *list);

/* "Fish: Gadus cf. morhua (D007-S031)"; the reference alone goes to `ref`. False: the reader failed. */
bool chapterlist_title(const struct chapterlist *list, const struct chapter *chapter,
                       char title[CHAPTERLIST_TITLE], char ref[REF_SIZE]);

#endif
