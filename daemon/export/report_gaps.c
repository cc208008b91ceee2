#include "export/report_gaps.h"

#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#define GAP_LEAST_NS (5 * NS_PER_S)

static bool take_channel(void *ctx, const struct query_channel *row)
{
    struct report_feeds *feeds = ctx;
    size_t at = 0;
    while (at < feeds->count && strcmp(feeds->feed[at].name, row->feed) != 0)
        at++;
    if (at == sizeof feeds->feed / sizeof feeds->feed[0])
        return true;
    if (at == feeds->count)
        feeds->feed[feeds->count++] = (struct report_feed){0};
    struct report_feed *feed = &feeds->feed[at];
    if (row->samples <= feed->samples)
        return true;
    snprintf(feed->name, sizeof feed->name, "%s", row->feed);
    snprintf(feed->channel, sizeof feed->channel, "%s", row->channel);
    feed->samples = row->samples;
    feed->first = row->first;
    feed->last = row->last;
    return true;
}

struct gap_search {
    struct report_feed *feed;
    int64_t threshold_ns, spoken_ns;
    uint64_t spoken;
    utc_ns last;
};

static int64_t length_of(const struct report_gap *gap)
{
    return gap->to.ns - gap->from.ns;
}

/* In place of the shortest that is kept, where there is no room. */
static void keep_gap(struct report_feed *feed, struct report_gap gap)
{
    size_t most = sizeof feed->longest / sizeof feed->longest[0], shortest = 0;
    feed->gaps++;
    feed->silent_ns += length_of(&gap);
    if (feed->kept < most) {
        feed->longest[feed->kept++] = gap;
        return;
    }
    for (size_t i = 1; i < most; i++)
        if (length_of(&feed->longest[i]) < length_of(&feed->longest[shortest]))
            shortest = i;
    if (length_of(&feed->longest[shortest]) >= length_of(&gap))
        return;
    memmove(&feed->longest[shortest], &feed->longest[shortest + 1],
            (most - shortest - 1) * sizeof feed->longest[0]);
    feed->longest[most - 1] = gap;
}

static void look_between(struct gap_search *search, utc_ns to)
{
    int64_t apart = to.ns - search->last.ns;
    if (apart > search->threshold_ns) {
        keep_gap(search->feed, (struct report_gap){search->last, to});
    } else {
        search->spoken_ns += apart;
        search->spoken++;
    }
    search->last = to;
}

static bool take_point(void *ctx, const struct query_point *row)
{
    struct gap_search *search = ctx;
    if (row->utc.ns > search->last.ns)
        look_between(search, row->utc);
    return true;
}

static int search_feed(struct report_feed *feed, const struct report_data *data)
{
    int64_t usual = (feed->last.ns - feed->first.ns) / (int64_t)(feed->samples > 1 ? feed->samples - 1 : 1);
    struct gap_search search = {.feed = feed, .threshold_ns = usual * 10, .last = data->from};
    struct query_telemetry want = {
        .channel = feed->channel, .feed = feed->name, .from = data->from, .to = data->to};
    if (search.threshold_ns < GAP_LEAST_NS)
        search.threshold_ns = GAP_LEAST_NS;
    if (query_telemetry(data->reader, &want, take_point, &search) < 0)
        return -1;
    look_between(&search, data->to);
    feed->interval_s = search.spoken > 0 ? (double)search.spoken_ns / 1e9 / (double)search.spoken : 0;
    return 0;
}

int report_feeds_gather(struct report_feeds *feeds, const struct report_data *data)
{
    *feeds = (struct report_feeds){0};
    if (!data->timed)
        return 0;
    report_channels(data, take_channel, feeds);
    for (size_t i = 0; i < feeds->count; i++)
        if (search_feed(&feeds->feed[i], data) != 0)
            return -1;
    return 0;
}
