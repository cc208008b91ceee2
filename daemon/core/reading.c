#include "core/reading.h"

#include "core/seawater.h"

#include <string.h>

static void copy(char *out, size_t size, const char *text)
{
    size_t len = strlen(text);
    if (len >= size)
        len = size - 1;
    memcpy(out, text, len);
    out[len] = '\0';
}

static struct marker_reading *add_reading(struct marker_telemetry *telemetry, const char *channel)
{
    if (telemetry->reading_count == MARKER_READINGS_MAX || channel == NULL)
        return NULL;
    struct marker_reading *reading = &telemetry->reading[telemetry->reading_count++];
    copy(reading->channel, sizeof reading->channel, channel);
    reading->source[0] = '\0';
    return reading;
}

static enum reading_method method_of(enum channel_method method)
{
    return method == CHANNEL_INTERPOLATED ? READING_METHOD_INTERPOLATED : READING_METHOD_LAST;
}

static bool read_channel(const struct reading_source *from, int channel, mono_ns at,
                         struct marker_telemetry *out)
{
    struct channel_reading reading;
    channel_at(from->channels, channel, at, &reading);
    struct marker_reading *to = reading.known ? add_reading(out, channel_name(from->names, channel)) : NULL;
    if (to != NULL) {
        to->value = reading.value;
        to->age_s = (double)reading.age_ns / 1e9;
        to->method = method_of(reading.method);
        copy(to->source, sizeof to->source, from->feed_name(from->ctx, reading.feed));
    }
    return reading.settled;
}

/* Between and after fixes the track knows better than a straight line through them, and how well. */
static void prefer_track(const struct reading_source *from, mono_ns at, struct marker_position *out)
{
    struct track_position tracked;
    if (from->track == NULL || !track_at(from->track, at, &tracked))
        return;
    out->lat_deg = channel_rounded(CHANNEL_VEHICLE_LAT, tracked.lat_deg);
    out->lon_deg = channel_rounded(CHANNEL_VEHICLE_LON, tracked.lon_deg);
    out->uncertainty_m = channel_rounded(CHANNEL_VEHICLE_POSITION_UNCERTAINTY, tracked.uncertainty_m);
    out->method = READING_METHOD_FILTERED;
}

static bool read_position(const struct reading_source *from, mono_ns at, struct marker_position *out)
{
    static const char *const names[] = {[CHANNEL_SHIP] = "ship", [CHANNEL_VEHICLE] = "vehicle"};
    bool settled = true;
    memset(out, 0, sizeof *out);
    out->uncertainty_m = -1;
    for (int who = CHANNEL_VEHICLE; who >= CHANNEL_SHIP && !out->known; who--) {
        struct channel_position position;
        channel_position_at(from->channels, (enum channel_who)who, at, &position);
        settled = settled && position.settled;
        if (!position.known)
            continue;
        out->known = true;
        out->lat_deg = position.lat_deg;
        out->lon_deg = position.lon_deg;
        out->uncertainty_m = position.uncertainty_known ? position.uncertainty_m : -1;
        out->method = method_of(position.method);
        out->age_s = (double)position.age_ns / 1e9;
        copy(out->source, sizeof out->source, names[who]);
        copy(out->feed, sizeof out->feed, from->feed_name(from->ctx, position.feed));
        if (who == CHANNEL_VEHICLE)
            prefer_track(from, at, out);
    }
    return settled;
}

static const struct marker_reading *find_reading(const struct marker_telemetry *telemetry, int channel)
{
    const char *name = channel_name(NULL, channel);
    for (uint32_t i = 0; i < telemetry->reading_count; i++)
        if (strcmp(telemetry->reading[i].channel, name) == 0)
            return &telemetry->reading[i];
    return NULL;
}

static void derive(struct marker_telemetry *out, int channel, double value, double age_s)
{
    struct marker_reading *reading = add_reading(out, channel_name(NULL, channel));
    if (reading == NULL)
        return;
    reading->value = channel_rounded(channel, value);
    reading->age_s = age_s;
    reading->method = READING_METHOD_DERIVED;
}

static double older(const struct marker_reading *a, const struct marker_reading *b)
{
    return a->age_s > b->age_s ? a->age_s : b->age_s;
}

/* Depth, salinity and sound speed where no feed gives them and what they follow from is there. Out of range: left out. */
static void derive_missing(struct marker_telemetry *out)
{
    const struct marker_reading *pressure = find_reading(out, CHANNEL_WATER_PRESSURE);
    const struct marker_reading *temperature = find_reading(out, CHANNEL_WATER_TEMPERATURE);
    const struct marker_reading *conductivity = find_reading(out, CHANNEL_WATER_CONDUCTIVITY);
    double value;
    if (pressure == NULL)
        return;
    if (find_reading(out, CHANNEL_VEHICLE_DEPTH) == NULL && out->position.known &&
        seawater_depth_m(pressure->value, out->position.lat_deg, &value) == SEAWATER_OK)
        derive(out, CHANNEL_VEHICLE_DEPTH, value, pressure->age_s);
    if (temperature != NULL && conductivity != NULL && find_reading(out, CHANNEL_WATER_SALINITY) == NULL &&
        seawater_salinity(conductivity->value, temperature->value, pressure->value, &value) == SEAWATER_OK)
        derive(out, CHANNEL_WATER_SALINITY, value, older(conductivity, temperature));
    const struct marker_reading *salinity = find_reading(out, CHANNEL_WATER_SALINITY);
    if (temperature != NULL && salinity != NULL && find_reading(out, CHANNEL_WATER_SOUND_SPEED) == NULL &&
        seawater_sound_speed_m_s(salinity->value, temperature->value, pressure->value, &value) == SEAWATER_OK)
        derive(out, CHANNEL_WATER_SOUND_SPEED, value, older(salinity, temperature));
}

bool reading_at(const struct reading_source *from, mono_ns at, struct marker_telemetry *out)
{
    out->reading_count = 0;
    bool settled = read_position(from, at, &out->position);
    for (int channel = 0; channel < CHANNEL_COUNT; channel++) {
        bool in_position = out->position.known && out->position.source[0] == 'v' &&
                           (channel == CHANNEL_VEHICLE_LAT || channel == CHANNEL_VEHICLE_LON ||
                            channel == CHANNEL_VEHICLE_POSITION_UNCERTAINTY);
        if (!in_position)
            settled = read_channel(from, channel, at, out) && settled;
    }
    derive_missing(out);
    return settled;
}
