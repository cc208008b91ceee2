/*
 * report: a dive as one HTML page that needs nothing else: no network, no script. docs/report.md says what each part shows and how it is
 * worked out. It is written as any export is: whole or not at all, and the same record gives the same bytes.
 */
#ifndef BELLROPE_EXPORT_REPORT_H
#define BELLROPE_EXPORT_REPORT_H

#include "export/export.h"

/* The options that export_write() is given with export_report point to these. */
struct report_options {
    bool for_shore;      /* only what is asked of specialists, pictures within the page */
    double view_width_m; /* width of the field of view; 0: not known */
    const char *clips;   /* folder of stills, with an index.json; NULL: none */
    const char *link;    /* how the page gets there, with a "/" at its end: "clips/"; NULL: as `clips` */
};

extern const struct export_format export_report;

#endif
