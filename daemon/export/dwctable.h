/*
 * dwctable: the tables of a Darwin Core Archive and their rows. A table is a tab-separated UTF-8 file with a header row; meta.xml maps each
 * column to a term. The first column ties the row to its event: its own id in the core, the core's id in the extensions (Darwin Core text
 * guide, https://dwc.tdwg.org/text/).
 */
#ifndef BELLROPE_EXPORT_DWCTABLE_H
#define BELLROPE_EXPORT_DWCTABLE_H

#include "core/instant.h"
#include "export/dwczip.h"

#include <stdint.h>
#include <stdio.h>

#define DWCTABLE_COLUMNS_MAX 40

struct dwctable {
    const char *file;
    const char *row_type;
    bool core;
    const char *const *terms; /* URIs, in the order of the columns, ended by NULL */
};

enum dwctable_which {
    DWC_EVENT,
    DWC_OCCURRENCE,
    DWC_IDENTIFICATION,
    DWC_MEASUREMENT,
    DWC_RELATION,
    DWC_TABLES
};
extern const struct dwctable dwctables[DWC_TABLES];

/*
 * A row is as many texts as the table has columns, in that order, and dwcrow_end(). The rows of a table are kept in a temporary file until they
 * go into the archive, so that all tables can be written at the same time.
 */
struct dwcrow {
    FILE *rows;
    const struct dwctable *table;
    size_t columns, at;
    size_t used; /* of what is not yet in the file */
    char bytes[8192];
};

/* Writes the table's header. False: there is no temporary file to be had, errno says why. After both dwcrow_close(). */
bool dwcrow_open(struct dwcrow *row, enum dwctable_which which);
void dwcrow_close(struct dwcrow *row);
/* All rows as the next file of the archive. False: what was written cannot be read, errno says why. */
bool dwcrow_pour(struct dwcrow *row, struct dwczip *zip);
/* Tabs and line ends become spaces: the text guide has no other way without quoting. */
void dwcrow_text(struct dwcrow *row, const char *text);
void dwcrow_texts(struct dwcrow *row, size_t count, const char *const *texts);
void dwcrow_empty(struct dwcrow *row);
void dwcrow_int(struct dwcrow *row, int64_t value);
/* At most so many decimals, trailing zeros cut. */
void dwcrow_real(struct dwcrow *row, double value, int decimals);
void dwcrow_utc(struct dwcrow *row, utc_ns utc);
void dwcrow_end(struct dwcrow *row);

/* Into meta.xml. */
bool dwctable_meta(struct dwczip *zip);

#endif
