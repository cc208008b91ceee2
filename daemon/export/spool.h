/*
 * spool: what is made now and belongs further down in the file, in a temporary file of $TMPDIR, so that memory does not grow with it.
 */
#ifndef BELLROPE_EXPORT_SPOOL_H
#define BELLROPE_EXPORT_SPOOL_H

#include <stdio.h>

/* To be written to; fclose() takes it away. NULL: there is no room for it, errno says why. */
FILE *spool_open(void);

/* Copies what was written since the last pour to `out`, and begins anew. 0, or -1: not all that was written is there. */
int spool_pour(FILE *spool, FILE *out);

#endif
