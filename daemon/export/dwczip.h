/*
 * dwczip: a zip archive written straight through to an open file by libarchive, an entry at a time, each streamed. No entry has a time of
 * change: zip keeps local time, so the same record would give other bytes in another time zone.
 */
#ifndef BELLROPE_EXPORT_DWCZIP_H
#define BELLROPE_EXPORT_DWCZIP_H

#include <stdbool.h>
#include <stddef.h>
#include <stdio.h>

struct dwczip;

/* NULL: out of memory. The file stays the caller's. */
struct dwczip *dwczip_open(FILE *out);
/* Begins an entry and ends the one before. */
void dwczip_entry(struct dwczip *zip, const char *name);
void dwczip_write(struct dwczip *zip, const char *bytes, size_t len);
/* Ends the archive. False, with a sentence in `why`, where anything failed on the way. */
bool dwczip_close(struct dwczip *zip, char *why, size_t size);

#endif
