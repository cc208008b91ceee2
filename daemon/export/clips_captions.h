/*
 * clips_captions: captions (WebVTT) and chapters (FFmpeg metadata) for a stretch of one video, which may be all of it or a clip. Times count from
 * the stretch's first frame; what lies outside is left out, what reaches in is cut. A chapter's times are whole frames.
 */
#ifndef BELLROPE_EXPORT_CLIPS_CAPTIONS_H
#define BELLROPE_EXPORT_CLIPS_CAPTIONS_H

#include "export/clips_match.h"

#include <stdio.h>

/* What `ctx` points to. */
struct clips_stretch {
    const struct clips_record *record;
    const struct clips_video *video;
    int64_t from, frames;
};

void clips_captions_write(void *ctx, FILE *out);
void clips_chapters_write(void *ctx, FILE *out);

#endif
