/*
 * report_walk: what the page shows of the telemetry: the track, the ship's way, depth, temperature and salinity, and the silences of feeds. All
 * channels are read in one walk through the dive, a stretch of time at a time, each once for all that asks for it, so that memory does
 * not grow with their samples: fixes are kept once a second, curves thinned, the ship's way to REPORT_SHIP_POINTS.
 */
#ifndef BELLROPE_EXPORT_REPORT_WALK_H
#define BELLROPE_EXPORT_REPORT_WALK_H

#include "export/report_part.h"

/* Fills in the report's track, ship, depth, temperature, salinity and feeds. 0, or -1: *no_memory, or the reader says why. */
int report_walk(struct report *report, bool *no_memory);

#endif
