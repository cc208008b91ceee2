/*
 * channel: telemetry as timed samples, and the value of a quantity at an instant.
 *
 * A channel is one quantity with a unit. Each (channel, feed) pair that delivers has a series: a ring of the
 * last CHANNEL_RING samples in time order. Several feeds may deliver one channel; they are never mixed in one
 * interpolation. The answer comes from the feed with the best priority that knows one, and says which that
 * was.
 *
 * The value at an instant t, from one series:
 *   interpolated   samples on both sides of t (or one at t) no further apart than the feed's stale time: linear, shortest arc for
 *                  angles, on the ellipsoid for positions;
 *   last           else the last sample before t, where it is not older than the stale time;
 *   absent         else. A later sample alone is never taken for the past.
 * Age: for `interpolated` the time from t to the nearer of the two samples; for `last` the time since that sample.
 *
 * Times are instants of measurement. A feed with latency delivers late: channel_instant() takes that off an
 * arrival time. Samples may come out of order: an older one is put into its place, one with the same time
 * replaces the value, one older than everything in a full ring is refused.
 *
 * Latitude and longitude of the ship, and of the vehicle, belong together: the two halves are joined when
 * both have come from one feed with one time, in either order, and only whole positions are kept.
 *
 * The set is a value of about 1.2 MB that its owner places (static or allocated once); nothing here
 * allocates. Pages of series not in use are never touched after channel_set_init() on zeroed memory. One
 * thread at a time.
 */
#ifndef BELLROPE_CORE_CHANNEL_H
#define BELLROPE_CORE_CHANNEL_H

#include <stdbool.h>
#include <stddef.h>
#include <stdint.h>

#include "core/instant.h"

enum {
    CHANNEL_USER_MAX = 32,   /* channels the user may define, x.NAME */
    CHANNEL_NAME_MAX = 40,   /* bytes of a name or unit with its final NUL */
    CHANNEL_FEEDS_MAX = 32,  /* feeds are numbered 0..31 */
    CHANNEL_SOURCES_MAX = 4, /* feeds that may deliver one channel */
    CHANNEL_SERIES_MAX = 96, /* (channel, feed) pairs in all */
    CHANNEL_RING = 512       /* samples kept of each: 51 s at 10 Hz */
};

enum channel_id {
    CHANNEL_SHIP_LAT,
    CHANNEL_SHIP_LON,
    CHANNEL_SHIP_HEADING,
    CHANNEL_SHIP_SOG,
    CHANNEL_SHIP_COG,
    CHANNEL_VEHICLE_LAT,
    CHANNEL_VEHICLE_LON,
    CHANNEL_VEHICLE_POSITION_UNCERTAINTY,
    CHANNEL_VEHICLE_DEPTH,
    CHANNEL_VEHICLE_ALTITUDE,
    CHANNEL_VEHICLE_HEADING,
    CHANNEL_VEHICLE_PITCH,
    CHANNEL_VEHICLE_ROLL,
    CHANNEL_VEHICLE_SOG,
    CHANNEL_VEHICLE_COG,
    CHANNEL_VEHICLE_SPEED_AHEAD,     /* a velocity log's own axes: ahead positive */
    CHANNEL_VEHICLE_SPEED_STARBOARD, /* starboard positive */
    CHANNEL_WATER_PRESSURE,
    CHANNEL_WATER_TEMPERATURE,
    CHANNEL_WATER_CONDUCTIVITY,
    CHANNEL_WATER_SALINITY,
    CHANNEL_WATER_SOUND_SPEED,
    CHANNEL_WATER_OXYGEN,
    CHANNEL_USER_FIRST,
    CHANNEL_COUNT = CHANNEL_USER_FIRST + CHANNEL_USER_MAX,
    CHANNEL_NONE = -1
};

enum channel_kind {
    CHANNEL_LINEAR,
    CHANNEL_ANGLE,    /* degrees, 0..360, shortest arc */
    CHANNEL_LATITUDE, /* half of a position; the longitude has the next number */
    CHANNEL_LONGITUDE
};

/* The names of the channels that the user defines. Zeroed memory is an empty table. */
struct channel_names {
    int count;
    char name[CHANNEL_USER_MAX][CHANNEL_NAME_MAX];
    char unit[CHANNEL_USER_MAX][CHANNEL_NAME_MAX];
};

/*
 * Names are those of the contract, such as "vehicle.depth_m", or the user's "x.NAME" (letters, digits, '_',
 * '-', '.'). `names` may be NULL where only the contract's are wanted. channel_find: CHANNEL_NONE for a name
 * not known. channel_register: finds or adds an x.NAME; CHANNEL_NONE if the name is not of that form, too
 * long, or the table is full. A NULL unit keeps the one already given ("" at first). channel_name: NULL for a
 * number that names nothing.
 */
int channel_find(const struct channel_names *names, const char *name);
int channel_register(struct channel_names *names, const char *name, const char *unit);
const char *channel_name(const struct channel_names *names, int id);
const char *channel_unit(const struct channel_names *names, int id);
enum channel_kind channel_kind(int id);

/* Decimals beyond which the channel says nothing, in its unit; and a value rounded to them, for what is computed (derived or filtered)
 * before it is shown or stored: as a decimal it also takes far less room in a sample block. Feeds' own values are kept as they came. */
int channel_decimals(int id);
double channel_rounded(int id, double value);

struct channel_sample {
    int64_t at_ns;
    double value;  /* a position's latitude */
    double second; /* a position's longitude; else unused */
};

struct channel_series {
    int16_t channel;
    uint8_t feed;
    uint16_t next; /* where the next sample goes; the newest lies before it, the oldest `count` before it */
    uint16_t count;
    int64_t newest_ns; /* the time of the newest sample; INT64_MIN where there is none */
    struct channel_sample ring[CHANNEL_RING];
};

struct channel_feed {
    bool declared;
    uint8_t priority;   /* 0 is asked first; feeds of equal priority in order of their number */
    int64_t stale_ns;   /* a sample older than this is no answer, and a gap longer than this is not bridged */
    int64_t latency_ns; /* how long after its instant a sample arrives */
};

struct channel_half {
    bool known;
    bool latitude;
    uint8_t feed;
    int64_t at_ns;
    double value;
};

struct channel_set {
    struct channel_feed feed[CHANNEL_FEEDS_MAX];
    uint8_t source_count[CHANNEL_COUNT];
    uint8_t source[CHANNEL_COUNT][CHANNEL_SOURCES_MAX]; /* series numbers, best priority first */
    uint8_t found[CHANNEL_COUNT]
                 [CHANNEL_FEEDS_MAX]; /* the number of the pair's series and 1; 0: it has none */
    uint8_t series_count;
    int64_t newest_arrival_ns; /* the latest arrival of anything: what "silent" is judged by */
    struct channel_half half[2][CHANNEL_FEEDS_MAX];
    struct channel_series series[CHANNEL_SERIES_MAX];
};

enum channel_verdict {
    CHANNEL_ADDED,
    CHANNEL_WAITING,   /* half of a position, kept until the other half comes */
    CHANNEL_TOO_OLD,   /* older than all of a full ring */
    CHANNEL_BAD_VALUE, /* not finite, or a latitude or longitude that is none */
    CHANNEL_NO_ROOM,   /* too many feeds for this channel, or no series left */
    CHANNEL_BAD_ID     /* no such channel or feed */
};

enum channel_method { CHANNEL_ABSENT, CHANNEL_LAST, CHANNEL_INTERPOLATED };

struct channel_reading {
    double value;
    int64_t age_ns;
    enum channel_method method;
    uint8_t feed;
    bool known;
    /* No sample still to come, if each feed delivers in order, can change this answer: every feed that had a say has a sample at or
     * after the instant, or has been silent for so long that what it sends next can no longer reach back to it. True where no feed ever
     * delivered the channel. */
    bool settled;
};

struct channel_position {
    bool known;
    enum channel_method method;
    double lat_deg, lon_deg;
    bool uncertainty_known;
    double uncertainty_m; /* radius, about 95 % */
    int64_t age_ns;
    uint8_t feed;
    bool settled;
};

enum channel_who { CHANNEL_SHIP, CHANNEL_VEHICLE };

void channel_set_init(struct channel_set *set);

/* Declares a feed; a feed not declared has priority 255, no latency, and goes stale after 5 s. Call before
 * its first sample; a later call sets stale and latency anew and re-orders its sources. Returns false for a
 * number out of range. */
bool channel_feed_declare(struct channel_set *set, uint8_t feed, uint8_t priority, int64_t stale_ns,
                          int64_t latency_ns);

/* The instant that a sample arriving now was measured: arrival less the feed's latency. */
mono_ns channel_instant(const struct channel_set *set, uint8_t feed, mono_ns arrived);

enum channel_verdict channel_add(struct channel_set *set, int id, uint8_t feed, mono_ns at, double value);

void channel_at(const struct channel_set *set, int id, mono_ns instant, struct channel_reading *out);

/* The uncertainty is the feed's own vehicle.position_uncertainty_m at that instant; unknown for the ship. */
void channel_position_at(const struct channel_set *set, enum channel_who who, mono_ns instant,
                         struct channel_position *out);

/* The time of the newest sample that a feed delivered for a channel; false if it never did. */
bool channel_newest(const struct channel_set *set, int id, uint8_t feed, mono_ns *at);

const char *channel_method_name(enum channel_method method); /* "absent", "last", "interpolated" */

#endif
