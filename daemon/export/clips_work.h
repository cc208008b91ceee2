/*
 * clips_work: the long part: cuts the clips and stills of a plan, those that the journal does not know as finished, and tells how far it is.
 * What came of each is its `made` in the journal: a clip's {"file", "method": "copy" or "exact", "why", "from", "frames"}, a still's {"file"}.
 */
#ifndef BELLROPE_EXPORT_CLIPS_WORK_H
#define BELLROPE_EXPORT_CLIPS_WORK_H

#include "export/clips_cut.h"
#include "export/clips_journal.h"
#include "export/clips_match.h"

struct clips_work {
    const struct clips_options *options;
    const struct clips_record *record;
    const struct clips_video *videos;
    struct clips_journal journal;
    int overlay_fd[CLIPS_VIDEOS_MAX];       /* burn_in: each video's overlay; -1: none */
    uint64_t overlay_sum[CLIPS_VIDEOS_MAX]; /* of its bytes, for the recipe */
    struct clips_progress progress;
    int64_t piece_begun; /* progress.done when the piece in hand began */
    int64_t piece_cost;
    int64_t encoded; /* frames of the piece in hand, as ffmpeg counts them */
};

/* "T001-S001.CAM1", "T001-M0005.CAM1" of a clip; of a still. */
#define CLIPS_FILE_SIZE 256
void clips_piece_name(const struct clips_work *work, const struct clips_piece *piece,
                      char out[CLIPS_FILE_SIZE]);
void clips_shot_name(const struct clips_work *work, const struct clips_shot *shot, char out[CLIPS_FILE_SIZE]);

/* How much work a plan is. */
void clips_work_measure(struct clips_work *work, const struct clips_plan *plan);

/* What came of it (borrowed), or NULL with a sentence. */
const json_t *clips_work_piece(struct clips_work *work, const struct clips_piece *piece,
                               char why[CLIPS_WHY_SIZE]);
const json_t *clips_work_shot(struct clips_work *work, const struct clips_shot *shot,
                              char why[CLIPS_WHY_SIZE]);

#endif
