/*
 * A marker's event of the size it has on a dive, as the engine's own writer makes it: 19 readings, as with a bridge, a vehicle and a CTD
 * (about 2,060 bytes, what the 3,000 markers of tests/data/dives/long.rig have in the mean). The vehicle and its numbers are invented.
 */
#ifndef TESTS_BENCH_BENCH_FANOUT_EVENT_H
#define TESTS_BENCH_BENCH_FANOUT_EVENT_H

#include "core/event.h"

#include <stdio.h>
#include <string.h>

static inline void bench_event_readings(struct marker_telemetry *telemetry)
{
    static const char *const channels[] = {"ship.lat_deg",
                                           "ship.lon_deg",
                                           "ship.heading_deg",
                                           "ship.sog_kn",
                                           "ship.cog_deg",
                                           "vehicle.depth_m",
                                           "vehicle.heading_deg",
                                           "vehicle.pitch_deg",
                                           "vehicle.roll_deg",
                                           "water.pressure_dbar",
                                           "water.temperature_C",
                                           "water.conductivity_mS_cm",
                                           "water.oxygen_umol_kg",
                                           "x.turbidity",
                                           "x.fluorescence",
                                           "x.redox",
                                           "x.methane",
                                           "water.salinity",
                                           "water.sound_speed_m_s"};
    telemetry->position = (struct marker_position){.known = true,
                                                   .lat_deg = -21.4175596,
                                                   .lon_deg = -8.2694889,
                                                   .uncertainty_m = 3,
                                                   .source = "vehicle",
                                                   .feed = "acoustic",
                                                   .method = READING_METHOD_FILTERED,
                                                   .age_s = 1.82};
    telemetry->reading_count = sizeof channels / sizeof channels[0];
    for (uint32_t i = 0; i < telemetry->reading_count; i++) {
        struct marker_reading *reading = &telemetry->reading[i];
        *reading = (struct marker_reading){.value = 18.0993 + i, .age_s = 0.03, .source = "vehicle"};
        snprintf(reading->channel, sizeof reading->channel, "%s", channels[i]);
        reading->method = READING_METHOD_LAST;
    }
}

/* Fills `entry`, which the caller may use for more than one: only `seq` differs. */
static inline void bench_event_marker(struct entry *entry)
{
    *entry = (struct entry){.type = ENTRY_MARKER, .dive = "B001"};
    entry->at = (struct when){.mono = {1000},
                              .mono_bound_ns = 200000,
                              .utc = {INT64_C(1930000000000000000)},
                              .utc_bound_ns = 4044000,
                              .trust = CLOCK_TRUST_SYNCED};
    struct marker *marker = &entry->of.marker;
    *marker = (struct marker){.number = 112,
                              .seat = "science",
                              .pad = "P-02",
                              .key = "A1",
                              .gesture = "tap",
                              .kind = "subject",
                              .label = "Fish",
                              .sighting = 31,
                              .when = entry->at};
    marker->timecode = (struct timecode_stamp){
        .trust = TIMECODE_TRUST_LOCKED, .label = "05:00:29:24", .rate = "25", .bound_frames = 0.191};
    bench_event_readings(&marker->telemetry);
}

#endif
