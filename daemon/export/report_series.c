#include "export/report_series.h"

#include "core/seawater.h"

#include <stdio.h>
#include <stdlib.h>
#include <string.h>

/* What belongs to one instant in a derived value is no further apart than this. */
#define TOGETHER_NS (2 * NS_PER_S)

/* ---- which feed ---- */

struct feed_search {
    const char *channel;
    char *feed;
    uint64_t samples;
};

static bool look_at_channel(void *ctx, const struct query_channel *row)
{
    struct feed_search *search = ctx;
    if (strcmp(row->channel, search->channel) != 0 || row->samples <= search->samples)
        return true;
    search->samples = row->samples;
    snprintf(search->feed, SOURCE_SIZE, "%s", row->feed);
    return true;
}

bool report_series_feed(const struct report_data *data, const char *channel, char feed[SOURCE_SIZE],
                        uint64_t *samples)
{
    struct feed_search search = {.channel = channel, .feed = feed};
    feed[0] = '\0';
    report_channels(data, look_at_channel, &search);
    *samples = search.samples;
    return search.samples > 0;
}

/* ---- reading ---- */

static bool add_sample(struct report_series *series, struct report_sample sample)
{
    size_t count = series->count;
    if (count == 0 || (count & (count - 1)) == 0) {
        size_t room = count == 0 ? 1 : count * 2;
        struct report_sample *grown = realloc(series->sample, room * sizeof *grown);
        if (grown == NULL)
            return false;
        series->sample = grown;
    }
    if (count == 0 || sample.value < series->low) {
        series->low = sample.value;
        series->low_at = sample.utc;
    }
    if (count == 0 || sample.value > series->high) {
        series->high = sample.value;
        series->high_at = sample.utc;
    }
    series->sample[series->count++] = sample;
    return true;
}

static bool read_point(void *ctx, const struct query_point *row)
{
    return add_sample(ctx, (struct report_sample){row->utc, row->value});
}

/* A line is broken where nothing came for longer than ten usual intervals, and than three parts of a thinned one. */
static int64_t gap_of(const struct report_data *data, uint64_t samples, uint32_t parts)
{
    int64_t span = data->to.ns - data->from.ns;
    int64_t usual = samples > 0 ? span / (int64_t)samples * 10 : 0;
    int64_t part = parts > 0 ? span / parts * 3 : 0;
    int64_t gap = usual > part ? usual : part;
    return gap > 5 * NS_PER_S ? gap : 5 * NS_PER_S;
}

int report_series_read(struct report_series *series, const struct report_data *data, const char *channel,
                       const char *feed, uint32_t parts)
{
    uint64_t samples = 0;
    *series = (struct report_series){0};
    if (!report_series_feed(data, channel, series->feed, &samples))
        return 0;
    if (feed != NULL)
        snprintf(series->feed, sizeof series->feed, "%s", feed);
    struct query_telemetry want = {
        .channel = channel, .feed = series->feed, .from = data->from, .to = data->to, .parts = parts};
    series->gap_ns = gap_of(data, samples, parts);
    int64_t rows = query_telemetry(data->reader, &want, read_point, series);
    return rows < 0 || (size_t)rows != series->count ? -1 : 0;
}

void report_series_free(struct report_series *series)
{
    free(series->sample);
    *series = (struct report_series){0};
}

const struct report_sample *report_series_before(const struct report_series *series, utc_ns at, size_t *from)
{
    while (*from + 1 < series->count && series->sample[*from + 1].utc.ns <= at.ns)
        (*from)++;
    return *from < series->count && series->sample[*from].utc.ns <= at.ns ? &series->sample[*from] : NULL;
}

static bool near_value(const struct report_series *series, utc_ns at, size_t *from, double *value)
{
    const struct report_sample *sample = report_series_before(series, at, from);
    if (sample == NULL || at.ns - sample->utc.ns > TOGETHER_NS)
        return false;
    *value = sample->value;
    return true;
}

/* ---- thinning what was derived ---- */

/* Takes values in order of time and keeps the lowest and the highest of each part. */
struct thinner {
    struct report_series *out;
    int64_t from_ns, part_ns, part;
    struct report_sample low, high;
    bool any, failed;
};

static void thin_flush(struct thinner *thinner)
{
    bool low_first = thinner->low.utc.ns <= thinner->high.utc.ns;
    if (!thinner->any)
        return;
    thinner->failed |= !add_sample(thinner->out, low_first ? thinner->low : thinner->high);
    if (thinner->low.utc.ns != thinner->high.utc.ns)
        thinner->failed |= !add_sample(thinner->out, low_first ? thinner->high : thinner->low);
    thinner->any = false;
}

static void thin_add(struct thinner *thinner, struct report_sample sample)
{
    int64_t part = (sample.utc.ns - thinner->from_ns) / thinner->part_ns;
    if (part != thinner->part)
        thin_flush(thinner);
    thinner->part = part;
    if (!thinner->any || sample.value < thinner->low.value)
        thinner->low = sample;
    if (!thinner->any || sample.value > thinner->high.value)
        thinner->high = sample;
    thinner->any = true;
}

static struct thinner thin_into(struct report_series *out, const struct report_data *data, uint32_t parts)
{
    int64_t part = (data->to.ns - data->from.ns) / (parts > 0 ? parts : 1);
    return (struct thinner){.out = out, .from_ns = data->from.ns, .part_ns = part > 0 ? part : 1, .part = -1};
}

/* ---- depth from pressure ---- */

/* The latitude of the first marker with a position. 45 degrees is in the middle of what it can do: 0.3 % of depth at most. */
static double some_latitude(const struct report_data *data)
{
    for (size_t i = 0; i < data->markers; i++)
        if (data->marker[i].position.known)
            return data->marker[i].position.lat_deg;
    return 45;
}

int report_series_depth(struct report_series *series, const struct report_data *data, uint32_t parts)
{
    if (report_series_read(series, data, "vehicle.depth_m", NULL, parts) != 0)
        return -1;
    if (series->count > 0)
        return 0;
    if (report_series_read(series, data, "water.pressure_dbar", NULL, parts) != 0)
        return -1;
    double latitude = some_latitude(data), depth;
    struct report_series out = *series;
    out.sample = NULL;
    out.count = 0;
    out.derived = "from pressure, UNESCO 44";
    bool fine = true;
    for (size_t i = 0; i < series->count; i++)
        if (seawater_depth_m(series->sample[i].value, latitude, &depth) == SEAWATER_OK)
            fine = add_sample(&out, (struct report_sample){series->sample[i].utc, depth}) && fine;
    report_series_free(series);
    *series = out;
    return fine ? 0 : -1;
}

int report_series_temperature(struct report_series *series, const struct report_data *data, uint32_t parts)
{
    return report_series_read(series, data, "water.temperature_C", NULL, parts);
}

/* ---- salinity from conductivity ---- */

struct water {
    struct report_series temperature, pressure;
    size_t at_temperature, at_pressure;
    struct thinner thinner;
};

static bool derive_salinity(void *ctx, const struct query_point *row)
{
    struct water *water = ctx;
    double t90_C, pressure_dbar, salinity;
    if (near_value(&water->temperature, row->utc, &water->at_temperature, &t90_C) &&
        near_value(&water->pressure, row->utc, &water->at_pressure, &pressure_dbar) &&
        seawater_salinity(row->value, t90_C, pressure_dbar, &salinity) == SEAWATER_OK)
        thin_add(&water->thinner, (struct report_sample){row->utc, salinity});
    return !water->thinner.failed;
}

static int derive_from(struct report_series *series, const struct report_data *data, struct water *water,
                       uint32_t parts)
{
    struct query_telemetry want = {
        .channel = "water.conductivity_mS_cm", .feed = series->feed, .from = data->from, .to = data->to};
    if (report_series_read(&water->temperature, data, "water.temperature_C", series->feed, 0) != 0 ||
        report_series_read(&water->pressure, data, "water.pressure_dbar", series->feed, 0) != 0)
        return -1;
    if (water->pressure.count == 0 &&
        report_series_read(&water->pressure, data, "water.pressure_dbar", NULL, 0) != 0)
        return -1;
    water->thinner = thin_into(series, data, parts);
    if (query_telemetry(data->reader, &want, derive_salinity, water) < 0)
        return -1;
    thin_flush(&water->thinner);
    return water->thinner.failed ? -1 : 0;
}

int report_series_salinity(struct report_series *series, const struct report_data *data, uint32_t parts)
{
    uint64_t samples = 0;
    struct water water = {0};
    if (report_series_read(series, data, "water.salinity", NULL, parts) != 0)
        return -1;
    if (series->count > 0)
        return 0;
    if (!report_series_feed(data, "water.conductivity_mS_cm", series->feed, &samples))
        return 0;
    series->derived = "from conductivity, temperature and pressure, PSS-78";
    series->gap_ns = gap_of(data, samples, parts);
    int result = derive_from(series, data, &water, parts);
    report_series_free(&water.temperature);
    report_series_free(&water.pressure);
    return result;
}
