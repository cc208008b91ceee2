/*
 * nmea: NMEA 0183 sentences, from the bytes of a line to values, and from values to channels.
 *
 * Lines come from core/lines.h. A line may open with tag blocks (\...\), which are skipped with their own
 * checksums unread, and with noise before the '$', which is skipped too. The formatter is matched (last three
 * characters of the address), not the talker. The checksum is the exclusive-or of all between '$' and '*'; it
 * is demanded unless the feed is told otherwise; a wrong one is refused always. Coordinates are integers of
 * 1e-9 degree made from the digits; other numbers are the double nearest to the decimal that was written. A
 * field that is empty leaves its flag out of `has`; a field that cannot be read makes the whole sentence
 * malformed, for a line with one spoilt field has no better claim for its others.
 *
 * The layouts are those of NMEA 0183 as commonly published (the standard itself is sold and was not read);
 * where receivers differ by version (extra trailing fields) both are accepted. docs/telemetry.md has the
 * whole table.
 *
 * Pure; nothing allocates; any bytes may be given. NOT FOR NAVIGATION OR VEHICLE SAFETY: this reads for the
 * record.
 */
#ifndef BELLROPE_CORE_NMEA_H
#define BELLROPE_CORE_NMEA_H

#include <stdbool.h>
#include <stddef.h>
#include <stdint.h>

#include "core/instant.h"

enum { NMEA_XDR_MAX = 16, NMEA_XDR_NAME_MAX = 20 };

enum nmea_verdict {
    NMEA_OK,
    NMEA_NO_DATA, /* well formed, but says itself that it has nothing valid, or all its fields are empty */
    NMEA_UNKNOWN, /* good checksum, not a sentence we read */
    NMEA_BAD_CHECKSUM,
    NMEA_NO_CHECKSUM, /* none, and this feed demands one */
    NMEA_MALFORMED,   /* no '$', no address, or a field that is not what it must be */
    NMEA_VERDICTS
};

enum nmea_type {
    NMEA_NONE,
    NMEA_GGA,
    NMEA_RMC,
    NMEA_ZDA,
    NMEA_GLL,
    NMEA_GNS,
    NMEA_GST, /* error of the fix */
    NMEA_VTG,
    NMEA_HDT,
    NMEA_HDG,
    NMEA_THS,
    NMEA_ROT,
    NMEA_DPT,
    NMEA_DBT,
    NMEA_DBS,
    NMEA_MTW,
    NMEA_VHW,
    NMEA_VBW,
    NMEA_XDR,
    NMEA_TYPES
};

/* What a sentence holds. A value whose flag is not in `has` is not to be read. */
enum nmea_field {
    NMEA_HAS_TIME = 1 << 0,
    NMEA_HAS_DATE = 1 << 1,
    NMEA_HAS_POSITION = 1 << 2, /* only where the sentence says that its position is valid */
    NMEA_HAS_QUALITY = 1 << 3,
    NMEA_HAS_SATELLITES = 1 << 4,
    NMEA_HAS_HDOP = 1 << 5,
    NMEA_HAS_ALTITUDE = 1 << 6,
    NMEA_HAS_GEOID = 1 << 7,
    NMEA_HAS_SIGMA = 1 << 8, /* GST: sigma of latitude and longitude */
    NMEA_HAS_HEADING_TRUE = 1 << 9,
    NMEA_HAS_HEADING_MAGNETIC = 1 << 10,
    NMEA_HAS_DEVIATION = 1 << 11,
    NMEA_HAS_VARIATION = 1 << 12,
    NMEA_HAS_COURSE_TRUE = 1 << 13,
    NMEA_HAS_COURSE_MAGNETIC = 1 << 14,
    NMEA_HAS_SPEED = 1 << 15,       /* over ground */
    NMEA_HAS_WATER_SPEED = 1 << 16, /* through water, ahead */
    NMEA_HAS_WATER_ACROSS = 1 << 17,
    NMEA_HAS_GROUND_AHEAD = 1 << 18,
    NMEA_HAS_GROUND_ACROSS = 1 << 19,
    NMEA_HAS_TURN = 1 << 20,
    NMEA_HAS_DEPTH = 1 << 21,
    NMEA_HAS_OFFSET = 1 << 22,
    NMEA_HAS_RANGE = 1 << 23,
    NMEA_HAS_TEMPERATURE = 1 << 24,
    NMEA_HAS_ZONE = 1 << 25,
    NMEA_HAS_XDR = 1 << 26
};

struct nmea_xdr {
    char type; /* A angle, C temperature, D displacement, L salinity, P pressure, ... */
    char unit; /* D degrees, C Celsius, M metres, S ppt, B bar, P pascal; 0 if not given */
    bool known;
    double value;
    char name[NMEA_XDR_NAME_MAX]; /* cut to fit, NUL-terminated */
};

struct nmea_sentence {
    enum nmea_type type;
    char talker[3];
    uint32_t has;
    bool time_trusted; /* the sentence does not call itself invalid (RMC V, GLL V, THS V, GGA quality 0) */
    int32_t time_of_day_s; /* 0..86400; 86400 only in a leap second */
    int32_t time_of_day_ns;
    int16_t year; /* 1980..2199; two digits mean 1980..2079 */
    int8_t month, day;
    int8_t zone_h, zone_min; /* ZDA: local zone, as given */
    int64_t lat_e9, lon_e9;  /* 1e-9 degree, north and east positive */
    int quality; /* GGA's figure; others are mapped on it (0 none, 1, 2 differential, 4, 5, 6 reckoned, 7, 8)
                  */
    int satellites;
    double hdop, altitude_m, geoid_m;
    double lat_sigma_m, lon_sigma_m;
    double heading_true_deg, heading_magnetic_deg;
    double deviation_deg, variation_deg; /* east positive */
    double course_true_deg, course_magnetic_deg;
    double speed_kn;
    double water_speed_kn, water_across_kn;   /* ahead, starboard positive */
    double ground_ahead_kn, ground_across_kn; /* ahead, starboard positive */
    double turn_deg_min;                      /* negative: bow to port */
    double depth_m;                           /* DPT, DBT: below the transducer; DBS: below the surface */
    double offset_m, range_m;                 /* DPT; offset: + to the waterline, - to the keel */
    double temperature_C;
    int xdr_count; /* quads kept; those beyond NMEA_XDR_MAX are counted in xdr_dropped */
    int xdr_dropped;
    struct nmea_xdr xdr[NMEA_XDR_MAX];
};

/* What a feed demands. */
struct nmea_options {
    bool checksum_optional; /* accept lines without '*hh'; a wrong checksum is refused all the same */
};

/* Reads one line (without its terminator). `options` NULL: the strict defaults. `out` is filled on NMEA_OK
 * and NMEA_NO_DATA; its type is also set for NMEA_MALFORMED where the address was recognised. */
enum nmea_verdict nmea_decode(const char *line, size_t len, const struct nmea_options *options,
                              struct nmea_sentence *out);

const char *nmea_type_name(enum nmea_type type);          /* "GGA"; "" for NMEA_NONE */
const char *nmea_verdict_name(enum nmea_verdict verdict); /* "ok", "no data", "bad checksum", ... */

/* Every number of the sentence that is known, with a name that ends in its unit; for showing, not for
 * storing. */
typedef void nmea_value_fn(void *ctx, const char *name, double value);
void nmea_each_value(const struct nmea_sentence *sentence, nmea_value_fn *sink, void *ctx);

/*
 * Sentence to channels. What a sentence means depends on whose it is: a sounder on the vehicle gives its
 * altitude, one on the ship gives nothing of ours. The table is in docs/telemetry.md. A position comes as
 * latitude, then longitude. Returns how many values were handed over.
 */
enum nmea_as { NMEA_AS_SHIP, NMEA_AS_VEHICLE };
typedef void nmea_channel_fn(void *ctx, int channel, double value);
int nmea_to_channels(const struct nmea_sentence *sentence, enum nmea_as as, nmea_channel_fn *sink, void *ctx);

/*
 * UTC of a sentence. ZDA and RMC carry their date. Others get the day that lies nearest to what the last
 * dated sentence of the feed leads to expect: its UTC plus the monotonic time since. So midnight is crossed
 * in either order of sentences. Without a dated sentence so far there is no answer. Zeroed memory is a
 * calendar that knows no date.
 */
struct nmea_calendar {
    bool known;
    int64_t utc_ns;
    int64_t mono_ns;
};

bool nmea_utc(struct nmea_calendar *calendar, const struct nmea_sentence *sentence, mono_ns at, utc_ns *out);

#endif
