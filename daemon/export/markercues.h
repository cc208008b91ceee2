/* markercues: the markers of a dive as captions; webvtt and srt are this in two styles. */
#ifndef BELLROPE_EXPORT_MARKERCUES_H
#define BELLROPE_EXPORT_MARKERCUES_H

#include "export/caption.h"
#include "export/export.h"

/*
 * A cue begins at the press and lasts 4 s. One that begins before the video's first frame but reaches into it starts at 0; struck markers
 * and those whose place in the video is not known have no cue, and in WebVTT a note says how many. Memory: 16 bytes a marker.
 */
int markercues_write(struct export_job *job, enum caption_style style);

#endif
