/*
 * svg: scales, ticks and paths for drawings within a page. Coordinates are in user units with one decimal; a drawing is WIDTH units
 * wide whatever the screen, and the page's style makes its letters larger on a small one. Classes: `o` is left out there.
 */
#ifndef BELLROPE_EXPORT_SVG_H
#define BELLROPE_EXPORT_SVG_H

#include "core/instant.h"

#include <stdio.h>

#define SVG_WIDTH 720

/* A linear map of values to units; `from` may lie above `to`. */
struct svg_scale {
    double from, to; /* values */
    double at, end;  /* units */
};
double svg_place(const struct svg_scale *scale, double value);

/* A step of 1, 2 or 5 times a power of ten that cuts `span` into at most `most` pieces. */
double svg_step(double span, int most);
/* How many decimals labels at that step need. */
int svg_decimals(double step);
/* A step of time that people read well, from 1 s to 1 day, so that `span_ns` has at most `most` pieces. */
int64_t svg_time_step_ns(int64_t span_ns, int most);

/* A polyline of any number of points, written as it goes; points that do not move the pen by a tenth of a unit are left out. */
struct svg_path {
    FILE *out;
    bool open, drawn;
    long x, y; /* tenths of a unit */
};
void svg_path_begin(struct svg_path *path, FILE *out, const char *class_name);
void svg_path_point(struct svg_path *path, double x, double y);
/* A dot where the stroke has round ends. */
void svg_path_dot(struct svg_path *path, double x, double y);
/* The next point begins a new piece. */
void svg_path_break(struct svg_path *path);
void svg_path_end(struct svg_path *path);

/* `role="img"` with a title and a description, both escaped. `id` names them within the page. */
void svg_begin(FILE *out, const char *id, double height, const char *title, const char *description);
void svg_end(FILE *out);

#endif
