/*
 * instant: what the record on disk knows of one instant, for entries that are made afterwards: telemetry from the stored samples, timecode from
 * the markers on either side, and the other way round the instant of a timecode.
 *
 * Timecode is carried from a marker that was stamped at its press (never from another late entry) at the nominal rate. A recorder's clock is
 * taken to keep to UTC within 100 ppm (common practice, no published source: crystals in cameras and recorders are better); the bound grows
 * by that. Where a marker stands on either side both must agree within their bounds: else the timecode jumped in between, and nothing is
 * said. Nothing is carried further than an hour.
 *
 * A reader's thread. Bounds are half widths.
 */
#ifndef BELLROPE_STORE_INSTANT_H
#define BELLROPE_STORE_INSTANT_H

#include "store/query.h"

/* Positions and readings at `at`. `config` says which feed is asked first and when one is stale; NULL: in order of their names, 5 s. False: the
 * database cannot be read, or memory is short; `out` is then empty. */
bool instant_telemetry(struct store_reader *reader, const struct engine_config *config, utc_ns at,
                       struct marker_telemetry *out);

/* The recorder's timecode at `at`, from the markers of `dive`. False: not known. Its trust is never LOCKED: it was not heard there. */
bool instant_timecode(struct store_reader *reader, const char *dive, utc_ns at, struct timecode_stamp *out);

/* The middle of the frame that carries this label, from the markers of `dive`. False: not known, or no label of their rate. */
bool instant_of_timecode(struct store_reader *reader, const char *dive, const char *label, utc_ns *at,
                         int64_t *bound_ns);

#endif
