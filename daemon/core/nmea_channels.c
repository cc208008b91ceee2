/* nmea_channels: what a sentence means for the channels, by whose feed it is. The table is in docs/telemetry.md. */
#include "core/nmea.h"

#include <math.h>
#include <string.h>

#include "core/channel.h"
#include "core/geo.h"

struct out {
    nmea_channel_fn *sink;
    void *ctx;
    int count;
};

static void give(struct out *out, int channel, double value)
{
    out->count++;
    out->sink(out->ctx, channel, value);
}

static void give_position(struct out *out, const struct nmea_sentence *s, int latitude)
{
    if ((s->has & NMEA_HAS_POSITION) != 0) {
        give(out, latitude, (double)s->lat_e9 / 1e9);
        give(out, latitude + 1, (double)s->lon_e9 / 1e9);
    }
}

static void give_motion(struct out *out, const struct nmea_sentence *s, int sog, int cog)
{
    if ((s->has & NMEA_HAS_SPEED) != 0) {
        give(out, sog, s->speed_kn);
    }
    if ((s->has & NMEA_HAS_COURSE_TRUE) != 0) {
        give(out, cog, s->course_true_deg);
    }
}

/* Rounded to what feeds write, so that the sum of decimals is stored as the decimal it is. */
static double rounded(double value)
{
    return round(value * 1e9) / 1e9;
}

/* True heading as given, or from a compass with known variation; a deviation that is not given is none. */
static void give_heading(struct out *out, const struct nmea_sentence *s, int heading)
{
    const uint32_t compass = NMEA_HAS_HEADING_MAGNETIC | NMEA_HAS_VARIATION;

    if ((s->has & NMEA_HAS_HEADING_TRUE) != 0) {
        give(out, heading, s->heading_true_deg);
    } else if ((s->has & compass) == compass) {
        double deviation = (s->has & NMEA_HAS_DEVIATION) != 0 ? s->deviation_deg : 0.0;
        give(out, heading, geo_wrap_360(rounded(s->heading_magnetic_deg + deviation + s->variation_deg)));
    }
}

/* `prefix` is a literal of capital letters, from which small ones differ by one bit: inlined, each is compared without a loop. */
static inline bool starts_with(const char *name, const char *prefix)
{
    const size_t len = strlen(prefix);

    for (size_t i = 0; i < len; i++) {
        if ((name[i] & ~0x20) != prefix[i]) {
            return false;
        }
    }
    return true;
}

/* A transducer without a name, or with a number for one, is taken for what its sentence is about. */
static bool unnamed(const char *name)
{
    while ((*name >= '0' && *name <= '9') || *name == '#') {
        name++;
    }
    return *name == '\0';
}

static bool of_water(const char *name)
{
    return unnamed(name) || starts_with(name, "WATER") || starts_with(name, "SEA") ||
           starts_with(name, "CTD");
}

static void give_pressure(struct out *out, const struct nmea_xdr *x)
{
    if (!of_water(x->name) && !starts_with(x->name, "DEPTH") && !starts_with(x->name, "PRESS")) {
        return;
    }
    if (x->unit == 'B') {
        give(out, CHANNEL_WATER_PRESSURE, rounded(x->value * 10.0));
    } else if (x->unit == 'P') {
        give(out, CHANNEL_WATER_PRESSURE, rounded(x->value / 1e4));
    }
}

static void give_angle(struct out *out, const struct nmea_xdr *x)
{
    if (starts_with(x->name, "PITCH") || starts_with(x->name, "PTCH")) {
        give(out, CHANNEL_VEHICLE_PITCH, x->value);
    } else if (starts_with(x->name, "ROLL")) {
        give(out, CHANNEL_VEHICLE_ROLL, x->value);
    } else if (starts_with(x->name, "HEADING") || starts_with(x->name, "HDG")) {
        give(out, CHANNEL_VEHICLE_HEADING, x->value);
    }
}

static void give_transducer(struct out *out, const struct nmea_xdr *x)
{
    if (!x->known) {
        return;
    }
    if (x->type == 'P') {
        give_pressure(out, x);
    } else if (x->type == 'A' && (x->unit == 'D' || x->unit == 0)) {
        give_angle(out, x);
    } else if (x->type == 'C' && x->unit == 'C' && (of_water(x->name) || starts_with(x->name, "TEMP"))) {
        give(out, CHANNEL_WATER_TEMPERATURE, x->value);
    } else if (x->type == 'L' && (x->unit == 'S' || x->unit == 0)) {
        give(out, CHANNEL_WATER_SALINITY, x->value);
    } else if (x->type == 'D' && x->unit == 'M' && starts_with(x->name, "DEPTH")) {
        give(out, CHANNEL_VEHICLE_DEPTH, x->value);
    } else if (x->type == 'D' && x->unit == 'M' && starts_with(x->name, "ALT")) {
        give(out, CHANNEL_VEHICLE_ALTITUDE, x->value);
    }
}

static void ship(struct out *out, const struct nmea_sentence *s)
{
    switch (s->type) {
    case NMEA_GGA:
    case NMEA_GLL:
    case NMEA_GNS:
        give_position(out, s, CHANNEL_SHIP_LAT);
        return;
    case NMEA_RMC:
        give_position(out, s, CHANNEL_SHIP_LAT);
        give_motion(out, s, CHANNEL_SHIP_SOG, CHANNEL_SHIP_COG);
        return;
    case NMEA_VTG:
        give_motion(out, s, CHANNEL_SHIP_SOG, CHANNEL_SHIP_COG);
        return;
    case NMEA_HDT:
    case NMEA_THS:
    case NMEA_HDG:
        give_heading(out, s, CHANNEL_SHIP_HEADING);
        return;
    default:
        return;
    }
}

static void vehicle_log(struct out *out, const struct nmea_sentence *s)
{
    if ((s->has & NMEA_HAS_GROUND_AHEAD) != 0) {
        give(out, CHANNEL_VEHICLE_SPEED_AHEAD, s->ground_ahead_kn);
    }
    if ((s->has & NMEA_HAS_GROUND_ACROSS) != 0) {
        give(out, CHANNEL_VEHICLE_SPEED_STARBOARD, s->ground_across_kn);
    }
}

/* 2 drms, as everywhere here (core/track.h). */
static void vehicle_error(struct out *out, const struct nmea_sentence *s)
{
    if ((s->has & NMEA_HAS_SIGMA) != 0) {
        give(out, CHANNEL_VEHICLE_POSITION_UNCERTAINTY, 2.0 * hypot(s->lat_sigma_m, s->lon_sigma_m));
    }
}

static void vehicle(struct out *out, const struct nmea_sentence *s)
{
    switch (s->type) {
    case NMEA_GGA:
    case NMEA_GLL:
    case NMEA_GNS:
        give_position(out, s, CHANNEL_VEHICLE_LAT);
        return;
    case NMEA_RMC:
        give_position(out, s, CHANNEL_VEHICLE_LAT);
        give_motion(out, s, CHANNEL_VEHICLE_SOG, CHANNEL_VEHICLE_COG);
        return;
    case NMEA_VTG:
        give_motion(out, s, CHANNEL_VEHICLE_SOG, CHANNEL_VEHICLE_COG);
        return;
    case NMEA_GST:
        vehicle_error(out, s);
        return;
    case NMEA_HDT:
    case NMEA_THS:
    case NMEA_HDG:
        give_heading(out, s, CHANNEL_VEHICLE_HEADING);
        return;
    case NMEA_DPT:
    case NMEA_DBT:
        if ((s->has & NMEA_HAS_DEPTH) != 0) {
            give(out, CHANNEL_VEHICLE_ALTITUDE, s->depth_m);
        }
        return;
    case NMEA_MTW:
        if ((s->has & NMEA_HAS_TEMPERATURE) != 0) {
            give(out, CHANNEL_WATER_TEMPERATURE, s->temperature_C);
        }
        return;
    case NMEA_VBW:
        vehicle_log(out, s);
        return;
    case NMEA_XDR:
        for (int i = 0; i < s->xdr_count; i++) {
            give_transducer(out, &s->xdr[i]);
        }
        return;
    default:
        return;
    }
}

int nmea_to_channels(const struct nmea_sentence *sentence, enum nmea_as as, nmea_channel_fn *sink, void *ctx)
{
    struct out out = {.sink = sink, .ctx = ctx};

    if (as == NMEA_AS_SHIP) {
        ship(&out, sentence);
    } else {
        vehicle(&out, sentence);
    }
    return out.count;
}
