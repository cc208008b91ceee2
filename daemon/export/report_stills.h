/*
 * report_stills: pictures of sightings, from the index.json of a folder of clips. Read generously, since it is made by another program:
 * wherever an object names a marker or sighting ("marker", "sighting" or "ref") and a picture ("still", "stills", "thumbnail", "image"
 * or "file", a name that ends as JPEG, PNG and WebP do), that picture is of it. A file name that leads out of the folder is left alone.
 */
#ifndef BELLROPE_EXPORT_REPORT_STILLS_H
#define BELLROPE_EXPORT_REPORT_STILLS_H

#include "export/report_data.h"

#include <stdio.h>

#define REPORT_STILL_NAME 200

struct report_still {
    uint32_t sighting, marker; /* 0: not said */
    char file[REPORT_STILL_NAME];
};

struct report_stills {
    struct report_still *still;
    size_t count;
};

/*
 * 0, also where there is no folder or index; -1 with a sentence in `why` where the index does not read. `small`: where a still has a "small" one
 * beside it, that: for a page that holds its pictures itself and is mailed.
 */
int report_stills_read(struct report_stills *stills, const struct report_data *data, const char *folder,
                       bool small, char *why, size_t why_size);
void report_stills_free(struct report_stills *stills);

/* The picture as the value of a src: a path, or where `embed` the picture itself. False: it cannot be read. */
bool report_still_source(FILE *out, const char *folder, const char *link, const char *file, bool embed);

#endif
