/*
 * csvout: rows of comma-separated values as RFC 4180 has them: CR LF behind each row, quotation marks around a field that
 * needs them, doubled inside. What is not known is an empty field.
 */
#ifndef BELLROPE_EXPORT_CSVOUT_H
#define BELLROPE_EXPORT_CSVOUT_H

#include "core/entry.h"

#include <stdio.h>

struct csvout {
    FILE *out;
    bool comma;
};

void csvout_text(struct csvout *csv, const char *text);
void csvout_int(struct csvout *csv, int64_t value);
/* At most so many decimals, trailing zeros cut. */
void csvout_real(struct csvout *csv, double value, int decimals);
void csvout_empty(struct csvout *csv);
void csvout_bool(struct csvout *csv, bool value); /* "yes", "no" */
void csvout_utc(struct csvout *csv, utc_ns utc);
void csvout_ref(struct csvout *csv, const char *dive, char letter, uint32_t number); /* 0: empty */
void csvout_end(struct csvout *csv);

#endif
