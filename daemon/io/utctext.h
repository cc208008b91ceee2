/*
 * utctext: reads an RFC 3339 date-time, "1996-12-19T16:39:57-08:00". Upper or lower case T and Z, a blank instead of T
 * (RFC 3339 section 5.6, notes), any number of decimals of which nine count. Second 60 (section 5.7) is taken as the last
 * nanosecond of second 59, for POSIX time has no name for it.
 */
#ifndef BELLROPE_IO_UTCTEXT_H
#define BELLROPE_IO_UTCTEXT_H

#include "core/instant.h"

/* False where the text is anything else, or the year is before 1970 or after 2200. */
bool utctext_parse(const char *text, utc_ns *out);

#endif
