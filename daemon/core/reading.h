/*
 * reading: everything that is known of ship, vehicle and water at one instant, as a marker carries it.
 *
 * Position: the vehicle's, else the ship's; between and after acoustic fixes the track, where there is one. Then every channel that has a
 * value. Last what follows from others and no feed gives: depth from pressure, salinity, sound speed (core/seawater.h).
 *
 * Used twice: by the engine on its rings, and by the store on samples read back from disk (store/instant.h), so that a late entry is read
 * as the press would have been. Pure.
 */
#ifndef BELLROPE_CORE_READING_H
#define BELLROPE_CORE_READING_H

#include "core/channel.h"
#include "core/entry.h"
#include "core/track.h"

struct reading_source {
    const struct channel_set *channels;
    const struct channel_names *names; /* the user's x.NAME */
    const struct track *track;         /* NULL: positions lie on straight lines between fixes */
    const char *(*feed_name)(const void *ctx, uint8_t feed); /* never NULL */
    const void *ctx;
};

/* True where nothing still to come can change the answer. */
bool reading_at(const struct reading_source *from, mono_ns at, struct marker_telemetry *out);

#endif
