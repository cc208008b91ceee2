/* nmea_values: names of sentences and verdicts, and the known numbers of a sentence one by one, for showing. */
#include "core/nmea.h"

const char *nmea_type_name(enum nmea_type type)
{
    static const char *const names[NMEA_TYPES] = {"",    "GGA", "RMC", "ZDA", "GLL", "GNS", "GST",
                                                  "VTG", "HDT", "HDG", "THS", "ROT", "DPT", "DBT",
                                                  "DBS", "MTW", "VHW", "VBW", "XDR"};

    return names[type];
}

const char *nmea_verdict_name(enum nmea_verdict verdict)
{
    static const char *const names[NMEA_VERDICTS] = {"ok",           "no data",     "unknown sentence",
                                                     "bad checksum", "no checksum", "malformed"};

    return names[verdict];
}

struct named {
    uint32_t flag;
    const char *name;
    double value;
};

void nmea_each_value(const struct nmea_sentence *sentence, nmea_value_fn *sink, void *ctx)
{
    const struct nmea_sentence *s = sentence;
    /* Values without their flag may be unset memory; they are copied into the table only where the flag is there. */
#define V(flag, name, value)                                                                                 \
    {                                                                                                        \
        flag, name, (s->has & (uint32_t)(flag)) != 0 ? (double)(value) : 0.0                                 \
    }
    const struct named table[] = {
        V(NMEA_HAS_TIME, "time_of_day_s", s->time_of_day_s + s->time_of_day_ns / 1e9),
        V(NMEA_HAS_DATE, "year", s->year),
        V(NMEA_HAS_DATE, "month", s->month),
        V(NMEA_HAS_DATE, "day", s->day),
        V(NMEA_HAS_ZONE, "zone_h", s->zone_h),
        V(NMEA_HAS_ZONE, "zone_min", s->zone_min),
        V(NMEA_HAS_POSITION, "lat_deg", (double)s->lat_e9 / 1e9),
        V(NMEA_HAS_POSITION, "lon_deg", (double)s->lon_e9 / 1e9),
        V(NMEA_HAS_QUALITY, "quality", s->quality),
        V(NMEA_HAS_SATELLITES, "satellites", s->satellites),
        V(NMEA_HAS_HDOP, "hdop", s->hdop),
        V(NMEA_HAS_ALTITUDE, "altitude_m", s->altitude_m),
        V(NMEA_HAS_GEOID, "geoid_m", s->geoid_m),
        V(NMEA_HAS_SIGMA, "lat_sigma_m", s->lat_sigma_m),
        V(NMEA_HAS_SIGMA, "lon_sigma_m", s->lon_sigma_m),
        V(NMEA_HAS_HEADING_TRUE, "heading_true_deg", s->heading_true_deg),
        V(NMEA_HAS_HEADING_MAGNETIC, "heading_magnetic_deg", s->heading_magnetic_deg),
        V(NMEA_HAS_DEVIATION, "deviation_deg", s->deviation_deg),
        V(NMEA_HAS_VARIATION, "variation_deg", s->variation_deg),
        V(NMEA_HAS_COURSE_TRUE, "course_true_deg", s->course_true_deg),
        V(NMEA_HAS_COURSE_MAGNETIC, "course_magnetic_deg", s->course_magnetic_deg),
        V(NMEA_HAS_SPEED, "speed_kn", s->speed_kn),
        V(NMEA_HAS_WATER_SPEED, "water_speed_kn", s->water_speed_kn),
        V(NMEA_HAS_WATER_ACROSS, "water_across_kn", s->water_across_kn),
        V(NMEA_HAS_GROUND_AHEAD, "ground_ahead_kn", s->ground_ahead_kn),
        V(NMEA_HAS_GROUND_ACROSS, "ground_across_kn", s->ground_across_kn),
        V(NMEA_HAS_TURN, "turn_deg_min", s->turn_deg_min),
        V(NMEA_HAS_DEPTH, "depth_m", s->depth_m),
        V(NMEA_HAS_OFFSET, "offset_m", s->offset_m),
        V(NMEA_HAS_RANGE, "range_m", s->range_m),
        V(NMEA_HAS_TEMPERATURE, "temperature_C", s->temperature_C),
    };
#undef V

    for (unsigned i = 0; i < sizeof table / sizeof table[0]; i++) {
        if ((s->has & table[i].flag) != 0) {
            sink(ctx, table[i].name, table[i].value);
        }
    }
    for (int i = 0; (s->has & NMEA_HAS_XDR) != 0 && i < s->xdr_count; i++) {
        if (s->xdr[i].known) {
            sink(ctx, s->xdr[i].name, s->xdr[i].value);
        }
    }
}
