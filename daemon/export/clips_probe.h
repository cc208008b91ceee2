/*
 * clips_probe: what a video file says of itself, through ffprobe: rate, frames, and where it lies in time.
 *
 * Its place comes from the timecode of the video stream, else of another stream, else of the file (MOV, MP4, MXF and others carry one as a
 * tag); the label with ';' is drop-frame. A label that drop-frame leaves out (00:01:00;00) is refused, since what it was meant to say
 * cannot be known. Without timecode the file's creation_time is taken, which `note` says: it is a whole second at best, and by the
 * camera's own clock.
 */
#ifndef BELLROPE_EXPORT_CLIPS_PROBE_H
#define BELLROPE_EXPORT_CLIPS_PROBE_H

#include "core/timecode.h"
#include "export/clips.h"

#define CLIPS_NAME_SIZE 96

struct clips_video {
    const char *path;
    char name
        [CLIPS_NAME_SIZE]; /* its file's name without the ending, of [A-Za-z0-9_.-] alone; no two videos have one name */
    char note[400]; /* what there is to say about its place in time; empty: nothing */
    int64_t bytes, mtime_ns;

    char container[64], codec[32]; /* ffprobe's names: "mov,mp4,...", "h264" */
    int width, height;
    bool interlaced, audio;
    bool reorders;    /* frames come in another order than they are shown */
    int32_t num, den; /* frames a second */
    int64_t frames;
    double first_s; /* the first frame's own time within the file */
    double zero_s;  /* the file's; less than first_s where sound begins before the picture */

    bool by_timecode;
    enum timecode_rate rate; /* with by_timecode */
    int64_t start_frame;     /* with by_timecode: the label of the first frame as a count of frames */
    char start_text[TIMECODE_TEXT];
    bool has_creation;
    utc_ns creation; /* without by_timecode: taken for the instant of the first frame */
};

/* ffprobe's JSON. 0, or -1 with a sentence: no video, no rate, nothing that says when. `video_start` as in clips_options. */
int clips_probe_parse(const char *json, size_t len, const char *video_start, struct clips_video *video,
                      char why[CLIPS_WHY_SIZE]);

/* Runs it on `path`, which must outlive the video. 0 or -1. */
int clips_probe(const char *path, const char *video_start, struct clips_video *video,
                char why[CLIPS_WHY_SIZE]);

/* When frame `frame` begins, in s since the first. */
double clips_frame_s(const struct clips_video *video, double frame);

#endif
