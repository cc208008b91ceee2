/*
 * report_part: the parts of the page, one file each, and what they share. Each writes a whole <section>; 0, or -1 with a sentence in the
 * job's `why`. Letters of a part's heading ids: the contents list of report.c links to them.
 */
#ifndef BELLROPE_EXPORT_REPORT_PART_H
#define BELLROPE_EXPORT_REPORT_PART_H

#include "export/report.h"
#include "export/report_data.h"
#include "export/report_gaps.h"
#include "export/report_series.h"
#include "export/report_stills.h"
#include "export/report_track.h"

/* The ship's way, thinned to every so many positions. */
struct report_ship_point {
    utc_ns utc;
    double lat_deg, lon_deg;
    bool whole; /* its longitude is known */
};

struct report_ship {
    struct report_ship_point *point;
    size_t points;
    uint64_t every;
    uint64_t lats, lons; /* halves of positions that there were */
    int64_t gap_ns;
};

#define REPORT_SHIP_POINTS 2000 /* about so many are kept */

struct report {
    struct export_job *job;
    FILE *out;
    const struct report_options *options;
    struct report_data data;
    struct report_track track;
    struct report_ship ship;
    struct report_series depth, temperature, salinity;
    struct report_feeds feeds;
    struct report_stills stills;
};

#define REPORT_PLOT_PARTS 700 /* of a drawing SVG_WIDTH units wide */

void report_style(FILE *out);

int report_numbers(struct report *report);
int report_map(struct report *report);
int report_plots(struct report *report);
int report_sightings(struct report *report);
int report_samples(struct report *report);
int report_effort(struct report *report);
int report_quality(struct report *report);
int report_struck(struct report *report);
int report_shore(struct report *report);

/* ---- shared by tables (report_table.c) ---- */

/* A part's opening: <section> and its heading. */
void report_section(FILE *out, const char *id, const char *heading);
/* A table in a region that scrolls by itself; columns separated by "|". `stacks`: becomes blocks on a narrow screen. */
void report_table(FILE *out, const char *caption, const char *columns, bool stacks);
void report_table_end(FILE *out);
void report_row(FILE *out);
/* <td>; `label` is the column's title, shown where the table is stacked. */
void report_cell(FILE *out, const char *label);
void report_cell_text(FILE *out, const char *label, const char *text);
void report_cell_number(FILE *out, const char *label, const char *format, ...)
    __attribute__((format(printf, 3, 4)));

/* "S031", a link to the sighting's row where the page has one. */
void report_sighting_link(struct report *report, uint32_t number);
/* "Gorgon sp. inc." of an identification. */
void report_name(FILE *out, const struct identification_entry *identification);
/* Position and depth of a marker, in a cell or a line; "not known". */
void report_place(FILE *out, const struct report_marker *marker);
/* The clock times "05:06:07 to 05:07:10" and how long. */
void report_interval(struct report *report, utc_ns from, utc_ns to, bool open);

/* What a sighting's cells say (report_sighting.c); shared with the page for shore. */
void report_sighting_names(struct report *report, const struct query_sighting *row);
void report_sighting_ties(struct report *report, const struct query_sighting *row);
void report_sighting_notes(struct report *report, const struct query_sighting *row);
void report_sighting_stills(struct report *report, const struct query_sighting *row, bool embed);

#endif
