#include "export/report_walk.h"

#include "core/seawater.h"
#include "export/window.h"

#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#define STRETCH_NS (1200 * NS_PER_S)
#define STRETCHES_MOST 2000 /* a month; what lasts longer, markers made without a dive say, is mostly empty */
/* Depth and uncertainty go with a fix where they are no older than this. */
#define BESIDE_NS (10 * NS_PER_S)
/* What belongs to one instant in a derived value is no further apart than this. */
#define TOGETHER_NS (2 * NS_PER_S)
/* Both halves of a fix have one instant; UTC of a sample is interpolated, so that it may differ by some microseconds. */
#define SAME_NS NS_PER_MS
/* Depth is the noise of a fix, for which it need not be exact. */
#define DEPTH_PARTS 20000

#define NONE SIZE_MAX

/* What takes the samples of one channel. */
struct listener {
    struct report_thinner curve; /* its `out` NULL: none */
    struct report_feed *feed;    /* NULL: not the channel by which a feed is judged */
};

struct walk {
    struct report *report;
    const struct report_data *data;
    struct window window;
    struct listener listener[WINDOW_CHANNELS_MAX];
    /* channels; NONE */
    size_t lat, lon, uncertainty, depth, ship_lat, ship_lon;
    size_t conductivity, water_temperature, water_pressure; /* where salinity is derived from them */
    struct report_thinner salinity;

    struct report_thinner depths; /* for the fixes */
    struct report_series depth_of_fixes;
    size_t depth_index;
    int64_t fixed_ns;    /* fixes before this were made */
    int64_t lon_used_ns; /* the latest longitude that is part of one */

    struct report_ship_point ship_at; /* with the latest longitude */
    int64_t lon_passed_ns;            /* its instant */
    size_t lon_index;                 /* the next one of the window */
    bool failed;                      /* out of memory */
};

/* ---- which channels ---- */

/* The channel of that feed, listened to once however often it is asked for. */
static size_t listen_to(struct walk *walk, const char *name, const char *feed)
{
    struct window *window = &walk->window;
    for (size_t i = 0; i < window->channels; i++)
        if (strcmp(window->channel[i].name, name) == 0 && strcmp(window->channel[i].feed, feed) == 0)
            return i;
    if (window->channels == WINDOW_CHANNELS_MAX || !report_series_gives(walk->data, name, feed))
        return NONE;
    struct window_channel *channel = &window->channel[window->channels];
    channel->name = name;
    snprintf(channel->feed, sizeof channel->feed, "%s", feed);
    struct report_feed *judged = report_feeds_judged(&walk->report->feeds, name, feed);
    if (judged != NULL)
        judged->heard = true;
    walk->listener[window->channels].feed = judged;
    return window->channels++;
}

static size_t listen_to_main(struct walk *walk, const char *name)
{
    char feed[SOURCE_SIZE];
    uint64_t samples;
    return report_series_feed(walk->data, name, feed, &samples) ? listen_to(walk, name, feed) : NONE;
}

/* A channel as a curve. NONE: nobody gives it. */
static size_t draw_curve(struct walk *walk, struct report_series *series, const char *name)
{
    if (!report_series_begin(series, walk->data, name, REPORT_PLOT_PARTS))
        return NONE;
    size_t channel = listen_to(walk, name, series->feed);
    if (channel != NONE)
        walk->listener[channel].curve = report_thin_into(series, walk->data, REPORT_PLOT_PARTS);
    return channel;
}

static void choose_salinity(struct walk *walk)
{
    struct report_series *series = &walk->report->salinity;
    walk->conductivity = NONE;
    if (draw_curve(walk, series, "water.salinity") != NONE ||
        !report_series_begin(series, walk->data, "water.conductivity_mS_cm", REPORT_PLOT_PARTS))
        return;
    series->derived = "from conductivity, temperature and pressure, PSS-78";
    walk->salinity = report_thin_into(series, walk->data, REPORT_PLOT_PARTS);
    walk->conductivity = listen_to(walk, "water.conductivity_mS_cm", series->feed);
    walk->water_temperature = listen_to(walk, "water.temperature_C", series->feed);
    walk->water_pressure = listen_to(walk, "water.pressure_dbar", series->feed);
    if (walk->water_pressure == NONE)
        walk->water_pressure = listen_to_main(walk, "water.pressure_dbar");
    if (walk->water_temperature == NONE || walk->water_pressure == NONE)
        walk->conductivity = NONE;
}

static int choose_ship(struct walk *walk)
{
    struct report_ship *ship = &walk->report->ship;
    struct report_series series;
    struct query_extremes all;
    walk->ship_lat = walk->ship_lon = NONE;
    if (!report_series_begin(&series, walk->data, "ship.lat_deg", 0))
        return 0;
    struct query_telemetry want = {
        .channel = "ship.lat_deg", .feed = series.feed, .from = walk->data->from, .to = walk->data->to};
    if (query_extremes(walk->data->reader, &want, &all) < 0)
        return -1;
    ship->gap_ns = series.gap_ns;
    ship->every = all.samples / REPORT_SHIP_POINTS + 1;
    walk->ship_lat = listen_to(walk, "ship.lat_deg", series.feed);
    walk->ship_lon = listen_to(walk, "ship.lon_deg", series.feed);
    return 0;
}

static void choose_track(struct walk *walk)
{
    char *feed = walk->report->track.feed;
    uint64_t samples;
    walk->lat = walk->lon = walk->uncertainty = NONE;
    if (!report_series_feed(walk->data, "vehicle.lat_deg", feed, &samples))
        return;
    walk->lat = listen_to(walk, "vehicle.lat_deg", feed);
    walk->lon = listen_to(walk, "vehicle.lon_deg", feed);
    walk->uncertainty = listen_to(walk, "vehicle.position_uncertainty_m", feed);
}

static int choose(struct walk *walk)
{
    struct report *report = walk->report;
    report_feeds_begin(&report->feeds, walk->data);
    choose_track(walk);
    walk->depth = draw_curve(walk, &report->depth, "vehicle.depth_m");
    if (walk->depth == NONE)
        draw_curve(walk, &report->depth, "water.pressure_dbar");
    walk->depths = report_thin_into(&walk->depth_of_fixes, walk->data, DEPTH_PARTS);
    draw_curve(walk, &report->temperature, "water.temperature_C");
    choose_salinity(walk);
    return choose_ship(walk);
}

/* ---- a stretch: what came in [from, to) ---- */

/* The first of the samples not before the instant. */
static size_t first_from(const struct window_channel *channel, int64_t at_ns)
{
    size_t i = 0;
    while (i < channel->count && channel->sample[i].utc_ns < at_ns)
        i++;
    return i;
}

/* The last sample at or before an instant and no older than that, the search starting at *from, which moves on. For rising instants. */
static bool value_beside(const struct walk *walk, size_t index, int64_t at_ns, int64_t oldest_ns,
                         size_t *from, double *value)
{
    if (index == NONE)
        return false;
    const struct window_channel *channel = &walk->window.channel[index];
    while (*from < channel->count && channel->sample[*from].utc_ns <= at_ns)
        (*from)++;
    if (*from == 0 || at_ns - channel->sample[*from - 1].utc_ns > oldest_ns)
        return false;
    *value = channel->sample[*from - 1].value;
    return true;
}

/* What asks for one channel alone. */
static void hear(struct walk *walk, size_t index, int64_t from_ns, int64_t to_ns)
{
    const struct window_channel *channel = &walk->window.channel[index];
    struct listener *listener = &walk->listener[index];
    for (size_t i = first_from(channel, from_ns); i < channel->count && channel->sample[i].utc_ns < to_ns;
         i++) {
        struct report_sample sample = {{channel->sample[i].utc_ns}, channel->sample[i].value};
        if (listener->curve.out != NULL)
            report_thin_add(&listener->curve, sample);
        if (listener->feed != NULL)
            report_feed_hear(listener->feed, sample.utc);
        if (index == walk->depth)
            report_thin_add(&walk->depths, sample);
    }
}

static void derive_salinity(struct walk *walk, int64_t from_ns, int64_t to_ns)
{
    const struct window_channel *channel = &walk->window.channel[walk->conductivity];
    size_t temperature_at = 0, pressure_at = 0;
    for (size_t i = first_from(channel, from_ns); i < channel->count && channel->sample[i].utc_ns < to_ns;
         i++) {
        int64_t at_ns = channel->sample[i].utc_ns;
        double t90_C, pressure_dbar, salinity;
        if (value_beside(walk, walk->water_temperature, at_ns, TOGETHER_NS, &temperature_at, &t90_C) &&
            value_beside(walk, walk->water_pressure, at_ns, TOGETHER_NS, &pressure_at, &pressure_dbar) &&
            seawater_salinity(channel->sample[i].value, t90_C, pressure_dbar, &salinity) == SEAWATER_OK)
            report_thin_add(&walk->salinity, (struct report_sample){{at_ns}, salinity});
    }
}

static bool depth_at(struct walk *walk, utc_ns at, double *depth_m)
{
    const struct report_sample *sample = report_series_before(&walk->depth_of_fixes, at, &walk->depth_index);
    if (sample == NULL || at.ns - sample->utc.ns > BESIDE_NS)
        return false;
    *depth_m = sample->value;
    return true;
}

/* The next longitude of the same instant; NULL: none. */
static const struct window_sample *other_half(const struct window_channel *lon, int64_t at_ns, size_t *from)
{
    while (*from < lon->count && lon->sample[*from].utc_ns < at_ns - SAME_NS)
        (*from)++;
    return *from < lon->count && lon->sample[*from].utc_ns <= at_ns + SAME_NS ? &lon->sample[(*from)++]
                                                                              : NULL;
}

/* From where the last ones were made. */
static void make_fixes(struct walk *walk, int64_t until_ns)
{
    const struct window_channel *lat = &walk->window.channel[walk->lat];
    const struct window_channel *lons = &walk->window.channel[walk->lon];
    size_t lon_at = first_from(lons, walk->lon_used_ns + 1), uncertainty_at = 0;
    for (size_t i = first_from(lat, walk->fixed_ns); i < lat->count && lat->sample[i].utc_ns < until_ns;
         i++) {
        int64_t at_ns = lat->sample[i].utc_ns;
        const struct window_sample *lon = other_half(lons, at_ns, &lon_at);
        double radius_m;
        if (lon == NULL)
            continue;
        walk->lon_used_ns = lon->utc_ns;
        struct track_fix fix = {
            .at = {at_ns}, .lat_deg = lat->sample[i].value, .lon_deg = lon->value, .position_known = true};
        fix.depth_known = depth_at(walk, (utc_ns){at_ns}, &fix.depth_m);
        fix.sigma_known =
            value_beside(walk, walk->uncertainty, at_ns, BESIDE_NS, &uncertainty_at, &radius_m) &&
            radius_m > 0;
        if (fix.sigma_known)
            fix.sigma_m = track_sigma_of_radius_m(radius_m);
        walk->failed |= !report_track_add(&walk->report->track, &fix);
    }
    walk->fixed_ns = until_ns;
}

static bool keep_ship(struct report_ship *ship, struct report_ship_point point)
{
    size_t count = ship->points;
    if ((count & (count - 1)) == 0) { /* full at each power of two */
        struct report_ship_point *grown = realloc(ship->point, (count == 0 ? 1 : count * 2) * sizeof *grown);
        if (grown == NULL)
            return false;
        ship->point = grown;
    }
    ship->point[ship->points++] = point;
    return true;
}

/* Takes longitudes before an instant. */
static void pass_longitudes(struct walk *walk, int64_t until_ns)
{
    if (walk->ship_lon == NONE)
        return;
    const struct window_channel *lon = &walk->window.channel[walk->ship_lon];
    size_t *at = &walk->lon_index;
    for (; *at < lon->count && lon->sample[*at].utc_ns < until_ns; (*at)++) {
        walk->lon_passed_ns = lon->sample[*at].utc_ns;
        walk->ship_at.lon_deg = lon->sample[*at].value;
        walk->ship_at.whole = true;
        walk->report->ship.lons++;
    }
}

/* Every so many latitudes, each with the latest longitude. */
static void follow_ship(struct walk *walk, int64_t from_ns, int64_t to_ns)
{
    struct report_ship *ship = &walk->report->ship;
    const struct window_channel *lat = &walk->window.channel[walk->ship_lat];
    if (walk->ship_lon != NONE)
        walk->lon_index = first_from(&walk->window.channel[walk->ship_lon], walk->lon_passed_ns + 1);
    for (size_t i = first_from(lat, from_ns); i < lat->count && lat->sample[i].utc_ns < to_ns; i++) {
        pass_longitudes(walk, lat->sample[i].utc_ns + SAME_NS + 1);
        if (ship->lats++ % ship->every != 0)
            continue;
        walk->ship_at.utc.ns = lat->sample[i].utc_ns;
        walk->ship_at.lat_deg = lat->sample[i].value;
        walk->failed |= !keep_ship(ship, walk->ship_at);
    }
    pass_longitudes(walk, to_ns);
}

/* ---- the walk ---- */

/* Fixes lag behind, for a part of the depths is done only when it is over. */
static int64_t lag_ns(const struct walk *walk)
{
    return (int64_t)walk->depths.part_ns + 1 + 2 * SAME_NS;
}

static void take_stretch(struct walk *walk, int64_t from_ns, int64_t to_ns)
{
    bool last = to_ns > walk->data->to.ns;
    for (size_t i = 0; i < walk->window.channels; i++)
        hear(walk, i, from_ns, to_ns);
    if (last)
        report_thin_end(&walk->depths);
    else
        report_thin_until(&walk->depths, (utc_ns){to_ns - 1});
    if (walk->lat != NONE && walk->lon != NONE)
        make_fixes(walk, last ? to_ns : to_ns - lag_ns(walk));
    if (walk->conductivity != NONE)
        derive_salinity(walk, from_ns, to_ns);
    if (walk->ship_lat != NONE)
        follow_ship(walk, from_ns, to_ns);
}

static int walk_all(struct walk *walk)
{
    const struct report_data *data = walk->data;
    int64_t share_ns = (data->to.ns - data->from.ns) / STRETCHES_MOST;
    int64_t stretch_ns = share_ns > STRETCH_NS ? share_ns : STRETCH_NS;
    for (int64_t at_ns = data->from.ns, next_ns; at_ns <= data->to.ns; at_ns = next_ns) {
        next_ns = data->to.ns - at_ns < stretch_ns ? data->to.ns + 1 : at_ns + stretch_ns;
        int64_t first_ns = at_ns - lag_ns(walk) - BESIDE_NS, last_ns = next_ns + SAME_NS;
        if (window_load(&walk->window, first_ns > data->from.ns ? first_ns : data->from.ns,
                        last_ns < data->to.ns ? last_ns : data->to.ns) != 0)
            return -1;
        take_stretch(walk, at_ns, next_ns);
    }
    return 0;
}

/* Ends curves and track. */
static void finish(struct walk *walk)
{
    struct report *report = walk->report;
    for (size_t i = 0; i < WINDOW_CHANNELS_MAX; i++) {
        report_thin_end(&walk->listener[i].curve);
        walk->failed |= walk->listener[i].curve.failed;
    }
    report_thin_end(&walk->salinity);
    walk->failed |= walk->salinity.failed || walk->depths.failed;
    if (walk->depth == NONE && report->depth.count > 0)
        walk->failed |= !report_series_to_depth(&report->depth, walk->data);
    if (report->track.fixes > 0)
        walk->failed |= !report_track_smooth(&report->track);
}

static struct walk *walk_new(struct report *report)
{
    struct walk *walk = calloc(1, sizeof *walk);
    if (walk == NULL)
        return NULL;
    walk->report = report;
    walk->data = &report->data;
    walk->window = (struct window){.reader = report->data.reader, .from_ns = 1, .to_ns = 0};
    walk->fixed_ns = walk->lon_used_ns = walk->lon_passed_ns = INT64_MIN;
    walk->salinity.part = -1;
    for (size_t i = 0; i < WINDOW_CHANNELS_MAX; i++)
        walk->listener[i].curve.part = -1;
    return walk;
}

int report_walk(struct report *report, bool *no_memory)
{
    struct walk *walk = walk_new(report);
    *no_memory = walk == NULL;
    if (walk == NULL)
        return -1;
    int result = choose(walk);
    if (result == 0)
        result = walk_all(walk);
    window_close(&walk->window); /* before the smoother takes its room */
    report_series_free(&walk->depth_of_fixes);
    if (result == 0)
        finish(walk);
    *no_memory = walk->failed;
    free(walk);
    return result == 0 && !*no_memory ? 0 : -1;
}
