/* clips_index: index.json, entry by entry, as docs/clips.md describes it. Each gives a fresh object. */
#ifndef BELLROPE_EXPORT_CLIPS_INDEX_H
#define BELLROPE_EXPORT_CLIPS_INDEX_H

#include "export/clips_work.h"

json_t *clips_index_video(const struct clips_work *work, const struct clips_video *video, bool overlay);
json_t *clips_index_clip(const struct clips_work *work, const struct clips_piece *piece, const json_t *made);
json_t *clips_index_still(const struct clips_work *work, const struct clips_shot *shot, const json_t *made);
json_t *clips_index_gap(const struct clips_work *work, const struct clips_gap *gap);
/* `file` could not be had. */
json_t *clips_index_without(const char *file, const char *why);

/* Gives each clip its "poster": the small still of its own press, else of any press of its sighting in that video. */
void clips_index_posters(json_t *index);

#endif
