/*
 * clips_keys: what cutting without encoding costs. A copy can begin at a key frame alone, and must end where the decoder has all it needs.
 *
 * Of the packets around the wanted frames (ffprobe; in the order in which they are decoded) it takes those from the last key frame at or before
 * the first wanted frame up to the first place, at or behind the last wanted frame, where what was taken is a run of frames without a hole. A
 * group that is open (frames shown before its key frame but decoded after it) cannot begin a clip: such video is encoded again.
 */
#ifndef BELLROPE_EXPORT_CLIPS_KEYS_H
#define BELLROPE_EXPORT_CLIPS_KEYS_H

#include "export/clips_probe.h"

#define CLIPS_HASH_SIZE 32

struct clips_keys {
    double first_s;             /* when it is shown, by its own time stamp */
    int64_t first, frames;      /* what a copy has in it: [first, first + frames) */
    char hash[CLIPS_HASH_SIZE]; /* of the key frame's packet, to see afterwards that it was that one */
};

/* 0; 1: no such copy can be made, `why` says why; -1: ffprobe failed. */
int clips_keys_find(const struct clips_video *video, int64_t from, int64_t frames, struct clips_keys *keys,
                    char why[CLIPS_WHY_SIZE]);

/* The same of ffprobe's JSON: 0; 1 with a sentence; 2: the packets begin too late. */
int clips_keys_parse(const char *json, size_t len, const struct clips_video *video, int64_t from,
                     int64_t frames, struct clips_keys *keys, char why[CLIPS_WHY_SIZE]);

/* Whether a file's first picture packet has that hash. */
bool clips_keys_begins(const char *path, const char *hash);

#endif
