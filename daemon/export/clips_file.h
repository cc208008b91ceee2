/* clips_file: a file in the clips' folder, whole or not at all: made in its hidden folder .part, synced, and renamed. */
#ifndef BELLROPE_EXPORT_CLIPS_FILE_H
#define BELLROPE_EXPORT_CLIPS_FILE_H

#include "export/clips.h"

#include <stdio.h>

#define CLIPS_PATH_SIZE 2048

/* Makes the folder and those in it, and takes away what an interrupted run left in .part. 0, or -1 with a sentence. */
int clips_folder_make(const char *folder, char why[CLIPS_WHY_SIZE]);
/* Takes away .part. */
void clips_folder_done(const char *folder);

/* Where to make a file: ".part/PID-name" in the folder. `file` is relative to it. */
void clips_file_part(const char *folder, const char *file, char path[CLIPS_PATH_SIZE]);
/* Gives what was made there its name. 0, or -1 with a sentence; then it is taken away. */
int clips_file_keep(const char *folder, const char *file, char why[CLIPS_WHY_SIZE]);

/* Writes a whole file; need not look at errors of `out`. */
typedef void clips_file_write(void *ctx, FILE *out);
int clips_file_make(const char *folder, const char *file, clips_file_write *write, void *ctx,
                    char why[CLIPS_WHY_SIZE]);

#endif
