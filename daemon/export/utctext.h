/*
 * utctext: instants as text for what has a great many of them, one after the other. The same bytes as event_utc_text(): the text of the second
 * is kept, as long as the next one lies in it only the milliseconds are new.
 */
#ifndef BELLROPE_EXPORT_UTCTEXT_H
#define BELLROPE_EXPORT_UTCTEXT_H

#include "core/instant.h"

#define UTCTEXT_SIZE 25 /* "2031-03-04T05:06:07.890Z" and its terminator */

/* Zeroed: nothing is kept yet. */
struct utctext {
    int64_t second; /* since 1970, rounded down */
    char text[UTCTEXT_SIZE];
};

/* Writes the instant with a terminator and returns where that is; `out` has room for UTCTEXT_SIZE. */
char *utctext_put(struct utctext *kept, char *out, utc_ns utc);

#endif
