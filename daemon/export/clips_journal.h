/*
 * clips_journal: what is finished, so that interrupted work goes on where it was. journal.jsonl in the clips' folder has a line of JSON for each
 * piece, added when the piece has its name: {"file", "recipe", "bytes", "made": {...}}. The recipe says all that the piece depends on (video,
 * its size and time, frames, method); a piece is done again where its recipe, or its size on disk, is another. A line that was cut off by
 * a crash is passed over.
 */
#ifndef BELLROPE_EXPORT_CLIPS_JOURNAL_H
#define BELLROPE_EXPORT_CLIPS_JOURNAL_H

#include "export/clips.h"

#include <stdio.h>

struct clips_journal {
    char folder[1024];
    json_t *known; /* by file */
    FILE *out;
};

/* 0, or -1 with a sentence; after both clips_journal_close(). */
int clips_journal_open(struct clips_journal *journal, const char *folder, char why[CLIPS_WHY_SIZE]);
void clips_journal_close(struct clips_journal *journal);

/* What is known of a finished piece (borrowed), or NULL: it must be made. `file` is relative to the folder. */
json_t *clips_journal_find(const struct clips_journal *journal, const char *file, const char *recipe);

/* The piece has its name. Takes over `made`. 0, or -1: the journal cannot be written. */
int clips_journal_add(struct clips_journal *journal, const char *file, const char *recipe, json_t *made);

#endif
