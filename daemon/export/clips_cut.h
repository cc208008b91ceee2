/*
 * clips_cut: makes one clip or still with ffmpeg. The file is made under `path` as given; its caller gives it its name when it is whole.
 *
 * Exact: frames [from, from + frames) and no other, encoded as H.264 (crf 16, 4:2:0, no frames out of order, so that every player counts them
 * alike) with AAC sound, in MP4. The cut is asked for half a frame early, so that no rounding of times can reach a neighbour, and frames are
 * then counted, not timed. A still is the same with one frame. A copy keeps the recorder's own bytes; see clips_keys.h.
 */
#ifndef BELLROPE_EXPORT_CLIPS_CUT_H
#define BELLROPE_EXPORT_CLIPS_CUT_H

#include "export/clips_keys.h"
#include "export/clips_program.h"

struct clips_cut {
    const struct clips_video *video;
    int64_t from, frames;
    const char *path;     /* where to make it */
    const char *timecode; /* of its first frame; "" */
    const char *title;    /* "" */
    const char *creation; /* RFC 3339; "" */
    int overlay_fd;       /* WebVTT on the video's own time, to be burnt in; -1: none. Exact alone. */
    clips_line_fn *line;  /* gets ffmpeg's "frame=123" lines; NULL: nobody */
    void *ctx;
};

/* 0, or -1 with a sentence. `small`: where to make a small JPEG of the still. */
int clips_cut_exact(const struct clips_cut *cut, char why[CLIPS_WHY_SIZE]);
int clips_cut_copy(const struct clips_cut *cut, const struct clips_keys *keys, char why[CLIPS_WHY_SIZE]);
int clips_cut_still(const struct clips_video *video, int64_t frame, const char *path, const char *small,
                    char why[CLIPS_WHY_SIZE]);

/* ".mp4" and the like: what a clip is kept in. */
const char *clips_cut_ending(const struct clips_video *video, bool exact);

#endif
