/*
 * timefile: records of one size, in order of time, in a temporary file of $TMPDIR, so that memory does not grow with them: written once, then read
 * from any instant on, as often as wanted.
 */
#ifndef BELLROPE_EXPORT_TIMEFILE_H
#define BELLROPE_EXPORT_TIMEFILE_H

#include "core/instant.h"

#include <stddef.h>

struct timefile;

/* A record begins with its utc_ns; `size` is that of its struct. NULL with errno. */
struct timefile *timefile_open(size_t size);
void timefile_close(struct timefile *file); /* NULL: nothing */

/*
 * Room for one more record, to be filled in all over before the next call, in order of time; none after timefile_seek(). Nothing is said of a
 * failure: timefile_seek() knows.
 */
void *timefile_add(struct timefile *file);

/* The first record not before the instant becomes the next. 0, or -1 with errno: not all that was added is there. */
int timefile_seek(struct timefile *file, utc_ns at);

/* The next record, good until the next call; NULL behind the last, or with `error` above 0, an errno: it cannot be read. */
const void *timefile_next(struct timefile *file, int *error);

#endif
