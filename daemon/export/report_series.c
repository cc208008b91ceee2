#include "export/report_series.h"

#include "core/seawater.h"

#include <stdio.h>
#include <stdlib.h>
#include <string.h>

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

struct giver_search {
    const char *channel, *feed;
    bool found;
};

static bool look_for_giver(void *ctx, const struct query_channel *row)
{
    struct giver_search *search = ctx;
    search->found = strcmp(row->channel, search->channel) == 0 && strcmp(row->feed, search->feed) == 0;
    return !search->found;
}

bool report_series_gives(const struct report_data *data, const char *channel, const char *feed)
{
    struct giver_search search = {channel, feed, false};
    report_channels(data, look_for_giver, &search);
    return search.found;
}

/* ---- samples ---- */

/* A line is broken where nothing came for longer than ten usual intervals, and than three parts of a thinned one. */
static int64_t gap_of(const struct report_data *data, uint64_t samples, uint32_t parts)
{
    int64_t span = data->to.ns - data->from.ns;
    int64_t usual = samples > 0 ? span / (int64_t)samples * 10 : 0;
    int64_t part = parts > 0 ? span / parts * 3 : 0;
    int64_t gap = usual > part ? usual : part;
    return gap > 5 * NS_PER_S ? gap : 5 * NS_PER_S;
}

bool report_series_begin(struct report_series *series, const struct report_data *data, const char *channel,
                         uint32_t parts)
{
    uint64_t samples = 0;
    *series = (struct report_series){0};
    if (!report_series_feed(data, channel, series->feed, &samples))
        return false;
    series->gap_ns = gap_of(data, samples, parts);
    return true;
}

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

/* ---- thinning ---- */

struct report_thinner report_thin_into(struct report_series *out, const struct report_data *data,
                                       uint32_t parts)
{
    double part_ns = ((double)data->to.ns - (double)data->from.ns + 1) / parts;
    return (struct report_thinner){
        .out = out, .from_ns = (double)data->from.ns, .part_ns = part_ns, .part = -1};
}

void report_thin_end(struct report_thinner *thinner)
{
    if (thinner->part < 0)
        return;
    bool low_first = thinner->low.utc.ns <= thinner->high.utc.ns;
    thinner->failed |= !add_sample(thinner->out, low_first ? thinner->low : thinner->high);
    if (thinner->low.utc.ns != thinner->high.utc.ns)
        thinner->failed |= !add_sample(thinner->out, low_first ? thinner->high : thinner->low);
    thinner->part = -1;
}

static int64_t part_of(const struct report_thinner *thinner, utc_ns at)
{
    return (int64_t)(((double)at.ns - thinner->from_ns) / thinner->part_ns);
}

void report_thin_until(struct report_thinner *thinner, utc_ns at)
{
    if (part_of(thinner, at) != thinner->part)
        report_thin_end(thinner);
}

void report_thin_add(struct report_thinner *thinner, struct report_sample sample)
{
    int64_t part = part_of(thinner, sample.utc);
    if (part != thinner->part) {
        report_thin_end(thinner);
        thinner->part = part;
        thinner->low = thinner->high = sample;
    }
    if (sample.value < thinner->low.value)
        thinner->low = sample;
    if (sample.value > thinner->high.value)
        thinner->high = sample;
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

bool report_series_to_depth(struct report_series *series, const struct report_data *data)
{
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
    return fine;
}
