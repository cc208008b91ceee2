/*
 * dwcmedia: files that show a sighting, from the index.json that `bellrope clips` leaves. Read generously: wherever an object names a
 * sighting or marker ("sighting", "marker" or "ref") and a file ("clip", "still", "file", "image", or a list "clips", "stills", "files",
 * "images"), the file is of that sighting.
 */
#ifndef BELLROPE_EXPORT_DWCMEDIA_H
#define BELLROPE_EXPORT_DWCMEDIA_H

#include "export/export.h"

struct dwcmedia_file {
    uint32_t sighting;
    char *name;
};

struct dwcmedia {
    struct dwcmedia_file *file; /* by sighting, in the order of the index */
    size_t count;
};

/* `path` NULL: none. 0, or -1 with a sentence in job->why; after both dwcmedia_close(). */
int dwcmedia_open(struct dwcmedia *media, struct export_job *job, const char *path);
void dwcmedia_close(struct dwcmedia *media);

#endif
