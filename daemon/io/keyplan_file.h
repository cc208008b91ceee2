/*
 * keyplan_file: a key plan as a file, one section a key, read into core/keyplan.
 */
#ifndef BELLROPE_IO_KEYPLAN_FILE_H
#define BELLROPE_IO_KEYPLAN_FILE_H

#include "core/keyplan.h"
#include "io/ini_text.h"

/* Reads `text` as the contents of `file`. Returns the number of problems, each told to `report` with line and key. */
int keyplan_file_parse(struct keyplan *out, const char *file, const char *text, size_t len,
                       const struct ini_text_report *report);

/* The same from disk; *text is the caller's to free (NULL where the file could not be read). */
int keyplan_file_load(struct keyplan *out, const char *path, char **text, size_t *len,
                      const struct ini_text_report *report);

#endif
