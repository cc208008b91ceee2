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

/* A row is as many texts as the table has columns, in that order, and dwcrow_end(). */
struct dwcrow {
    struct dwczip *zip;
    const struct dwctable *table;
    size_t columns, at;
};

/* Begins the table's file and writes its header. */
void dwcrow_open(struct dwcrow *row, struct dwczip *zip, enum dwctable_which which);
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
