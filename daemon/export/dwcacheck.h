/*
 * dwcacheck: what an archive of occurrences would still ask for before it takes a dive, as a list to act on. What OBIS requires and recommends
 * is from the OBIS manual; the rest follows from the terms' own definitions.
 */
#ifndef BELLROPE_EXPORT_DWCACHECK_H
#define BELLROPE_EXPORT_DWCACHECK_H

#include "export/export.h"

struct dwcacheck_item {
    bool required;    /* false: recommended */
    const char *ref;  /* of the record it is about; the dive's id or "dataset" otherwise */
    const char *term; /* the Darwin Core term, or what of the EML */
    const char *what; /* what is missing */
    const char *todo; /* what to do about it */
};
typedef void dwcacheck_row(void *ctx, const struct dwcacheck_item *item);

/* Number of items, or -1 with a sentence in `why`. */
int64_t dwcacheck(struct store_reader *reader, const struct export_options *options, dwcacheck_row *row,
                  void *ctx, char why[EXPORT_WHY_SIZE]);

#endif
