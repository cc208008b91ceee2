/*
 * readings: the text in which marker.channels and settled.channels hold a marker's readings, back into readings.
 *
 *   {"vehicle.depth_m":{"v":1884.505,"age_s":0.034,"method":"interpolated","feed":"vehicle"},...}
 *
 * The writer's own text is read in one go; what has another shape, because somebody changed it by hand, goes through a JSON library, which
 * takes five times as long. A text beyond reading gives no readings. Pure but for that library's memory.
 */
#ifndef BELLROPE_STORE_READINGS_H
#define BELLROPE_STORE_READINGS_H

#include "core/entry.h"

/* `text` NULL: none. Sets reading_count and what comes with it; of more than MARKER_READINGS_MAX the first. */
void readings_parse(struct marker_telemetry *out, const char *text);

#endif
