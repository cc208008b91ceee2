/*
 * clips_match: which frames of which video show what of the dive. No I/O.
 *
 * Where a video carries timecode, a marker's frame is the difference of two labels, exact whatever UTC was; markers of half or twice the
 * video's rate (an LTC word names a pair of frames above 30 a second) are carried over. An instant that is no marker's hangs on the marker
 * nearest in UTC. Midnight is passed the shorter way, so a video may last up to 12 hours. A video without timecode is placed by UTC alone.
 *
 * Two cameras give two clips of one sighting. A recording in several files gives the parts that lie in each. What no video shows is a gap.
 */
#ifndef BELLROPE_EXPORT_CLIPS_MATCH_H
#define BELLROPE_EXPORT_CLIPS_MATCH_H

#include "export/clips_probe.h"
#include "export/clips_record.h"

/* A clip to cut: frames [from, from + frames) of a video, counted from its first. */
struct clips_piece {
    size_t video;
    uint32_t sighting; /* 0: a good view without one */
    uint32_t marker;   /* the first press; for a good view its own */
    bool view;
    int64_t from, frames;
    int64_t press;              /* the first press's frame; may lie outside */
    bool cut_before, cut_after; /* it goes on in another file, or was not recorded */
};

struct clips_shot {
    size_t video;
    const struct clips_marker *marker;
    int64_t frame;
    bool by_timecode; /* else by UTC */
};

struct clips_gap {
    uint32_t sighting;      /* 0: of the dive as a whole, from its first marker to its last */
    int64_t from_ns, to_ns; /* UTC */
};

struct clips_plan {
    struct clips_piece *piece;
    size_t piece_count, piece_size;
    struct clips_shot *shot;
    size_t shot_count, shot_size;
    struct clips_gap *gap;
    size_t gap_count, gap_size;
    bool failed; /* out of memory */
};

/* 0, or -1: out of memory; after both clips_plan_free(). The videos and the record must outlive the plan. */
int clips_match(struct clips_plan *plan, const struct clips_record *record, const struct clips_video *videos,
                size_t count, int64_t lead_ns, int64_t tail_ns);
void clips_plan_free(struct clips_plan *plan);

/* The frame of a key press, which may lie before the first or behind the last. False: nothing ties it to the video. `by_timecode` may be NULL. */
bool clips_marker_frame(const struct clips_video *video, const struct clips_record *record,
                        const struct clips_marker *marker, int64_t *frame, bool *by_timecode);
/* The frame in force at an instant. */
bool clips_frame_at(const struct clips_video *video, const struct clips_record *record, int64_t at_ns,
                    int64_t *frame);
/* The UTC at which a frame began. */
bool clips_utc_at(const struct clips_video *video, const struct clips_record *record, int64_t frame,
                  int64_t *at_ns);

/* The timecode of a frame; "" where the video has none. */
void clips_label(const struct clips_video *video, int64_t frame, char text[TIMECODE_TEXT]);

#endif
