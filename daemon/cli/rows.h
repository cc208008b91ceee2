/*
 * rows: the rows of a kind, from the daemon or from the database, in one shape (docs/schema). With --db the database is read;
 * else the daemon is asked, and where none answers the configuration's database is read instead, which is said on stderr.
 */
#ifndef BELLROPE_CLI_ROWS_H
#define BELLROPE_CLI_ROWS_H

#include "cli/target.h"
#include "export/rowjson.h"

#include <jansson.h>

struct rows_want {
    enum rowjson_kind kind;
    const char *dive; /* NULL: the open one, else the latest */
    int64_t last;     /* only so many, the newest; 0: all */
};

/* An array to be json_decref'd; NULL after saying why. `dive` (may be NULL) receives which dive it is. */
json_t *rows_get(const struct options *options, const struct rows_want *want, char dive[DIVE_ID_SIZE]);

/* --last N and --dive ID of a verb that lists. False: said why. */
bool rows_want_read(const struct options *options, struct rows_want *want);

#endif
