/*
 * videoclock: where in a video an instant of the dive lies, in ns since the video's first frame.
 *
 * The first frame has the UTC or the timecode given by --video-start; where nothing is given, the UTC of the dive's begin. By timecode,
 * a marker's place is the difference of its own timecode to that of the first frame, so it is exact to the frame even where UTC is not;
 * differences are taken over midnight by the shorter way, so a video may be up to 12 hours long. An instant that is no marker's hangs on
 * the marker nearest in time, by UTC.
 */
#ifndef BELLROPE_EXPORT_VIDEOCLOCK_H
#define BELLROPE_EXPORT_VIDEOCLOCK_H

#include "core/timecode.h"
#include "export/export.h"

/* A marker as a hook: 32 bytes each, the only memory that grows with the dive. */
struct videoclock_anchor {
    int64_t utc_ns;
    int64_t video_ns; /* of the press itself, within its frame; meaningful where `placed` */
    int64_t frame;    /* its timecode as a count of frames; -1: none */
    double within;    /* how far into that frame */
    uint8_t rate;     /* enum timecode_rate, with a frame */
    bool placed;
};

struct videoclock {
    bool by_timecode;
    utc_ns zero;                      /* unless by_timecode */
    char zero_text[40];               /* for people; a timecode where by_timecode */
    struct videoclock_anchor *anchor; /* by rising UTC */
    size_t count, size;
    bool failed;
};

/* 0, or -1 with a sentence in job->why. Nothing is allocated. */
int videoclock_begin(struct videoclock *clock, struct export_job *job);

/* The start of the frame in which the marker was pressed; false: not known. Needs no anchors. */
bool videoclock_marker(const struct videoclock *clock, const struct marker *marker, int64_t *video_ns);

/* Takes every marker that is not struck and has a UTC as an anchor. 0 or -1 as above; after both videoclock_free(). */
int videoclock_anchors(struct videoclock *clock, struct export_job *job);
void videoclock_free(struct videoclock *clock);

/* Any instant; false where nothing in the dive ties its UTC to the video. */
bool videoclock_at(const struct videoclock *clock, utc_ns utc, int64_t *video_ns);

/* The anchor with a timecode of that rate nearest to an instant; NULL: none. */
const struct videoclock_anchor *videoclock_near(const struct videoclock *clock, utc_ns utc,
                                                enum timecode_rate rate);

#endif
