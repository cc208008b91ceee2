/*
 * listing: what `markers`, `sightings` and `samples` share: fetch the rows, print a table or one JSON row a line.
 */
#ifndef BELLROPE_CLI_LISTING_H
#define BELLROPE_CLI_LISTING_H

#include "cli/rows.h"
#include "cli/table.h"

struct listing {
    enum rowjson_kind kind;
    const char *noun; /* "marker" */
    const struct table_column *columns;
    size_t column_count;
    void (*add_row)(struct table *table, const json_t *row);
    const char *only;   /* a flag of the verb that lets through only ... */
    const char *member; /* ... rows where this member is true; NULL: there is no such flag */
};

extern const struct cli_option LISTING_OPTIONS[];

int listing_run(const struct options *options, const struct listing *listing);

#endif
