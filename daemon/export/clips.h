/*
 * clips: what of a dive there is to see in its video files, cut out and listed.
 *
 * Each video is placed on the dive by its own start timecode (clips_probe.h), sightings and good views are matched to its frames
 * (clips_match.h), and cut (clips_cut.h). A folder comes of it that needs nothing else:
 *
 *   index.html, index.json   the page and the list, docs/clips.md
 *   clips/                   T001-S001.CAM1.mov and beside it .vtt (captions) and .chapters.txt (FFmpeg metadata)
 *   stills/, small/          T001-M0003.CAM1.png, the frame of the key press; the same small, for pages
 *   videos/                  CAM1.vtt, CAM1.chapters.txt and CAM1.overlay.vtt, for the whole of a video
 *   journal.jsonl            what is finished; work that was interrupted goes on from there (clips_journal.h)
 *
 * Videos are only read. Work is done by the programs ffmpeg and ffprobe. Nothing is there under its final name before it is whole.
 */
#ifndef BELLROPE_EXPORT_CLIPS_H
#define BELLROPE_EXPORT_CLIPS_H

#include "store/query.h"

#include <jansson.h>

#define CLIPS_WHY_SIZE 640
#define CLIPS_VIDEOS_MAX 64

/* Frames of video, which is what time goes by; `what` is the piece in hand. */
struct clips_progress {
    int64_t done, total;
    int64_t pieces_done, pieces_total;
    int64_t skipped; /* of `done`: finished by an earlier run */
    const char *what;
};
typedef void clips_progress_fn(void *ctx, const struct clips_progress *progress);

struct clips_options {
    const char *folder; /* made where it is not there; its parent must be */
    const char *dive;   /* NULL: the open one, else the latest */
    const char *
        video_start; /* the first frame's timecode, instead of what the file says; one video only. NULL: not given */
    bool exact;      /* encode again, so that a clip has just its own frames */
    bool burn_in;    /* `exact`, with UTC, depth, heading, temperature and sighting in the picture */
    int64_t lead_ns; /* before the first press; negative: the key's own lead, else CLIPS_LEAD_NS */
    int64_t tail_ns; /* after the sighting's end */
    clips_progress_fn *on_progress; /* may be NULL */
    void *ctx;
};
#define CLIPS_LEAD_NS (5 * NS_PER_S) /* our judgement; no published figure */
#define CLIPS_TAIL_NS (5 * NS_PER_S)

/*
 * Does all of it. The index (json_decref() it), or NULL with a sentence in `why`. A video that cannot be placed or a piece that cannot be cut
 * is named in the index under "left_out" or "failed", and the rest is done.
 */
json_t *clips_make(struct store_reader *reader, const char *const *videos, size_t count,
                   const struct clips_options *options, char why[CLIPS_WHY_SIZE]);

#endif
