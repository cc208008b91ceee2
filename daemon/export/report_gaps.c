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

static void look_between(struct report_feed *feed, utc_ns at)
{
    int64_t apart = at.ns - feed->latest.ns;
    if (apart > feed->threshold_ns) {
        keep_gap(feed, (struct report_gap){feed->latest, at});
    } else {
        feed->spoken_ns += apart;
        feed->spoken++;
    }
    feed->latest = at;
}

void report_feed_hear(struct report_feed *feed, utc_ns at)
{
    if (at.ns > feed->latest.ns)
        look_between(feed, at);
}

void report_feeds_begin(struct report_feeds *feeds, const struct report_data *data)
{
    *feeds = (struct report_feeds){0};
    report_channels(data, take_channel, feeds);
    for (size_t i = 0; i < feeds->count; i++) {
        struct report_feed *feed = &feeds->feed[i];
        int64_t usual =
            (feed->last.ns - feed->first.ns) / (int64_t)(feed->samples > 1 ? feed->samples - 1 : 1);
        feed->threshold_ns = usual * 10 > GAP_LEAST_NS ? usual * 10 : GAP_LEAST_NS;
        feed->latest = data->from;
    }
}

struct report_feed *report_feeds_judged(struct report_feeds *feeds, const char *channel, const char *feed)
{
    for (size_t i = 0; i < feeds->count; i++)
        if (strcmp(feeds->feed[i].name, feed) == 0 && strcmp(feeds->feed[i].channel, channel) == 0)
            return &feeds->feed[i];
    return NULL;
}

static bool take_point(void *ctx, const struct query_point *row)
{
    report_feed_hear(ctx, row->utc);
    return true;
}

int report_feeds_end(struct report_feeds *feeds, const struct report_data *data)
{
    for (size_t i = 0; i < feeds->count; i++) {
        struct report_feed *feed = &feeds->feed[i];
        struct query_telemetry want = {
            .channel = feed->channel, .feed = feed->name, .from = data->from, .to = data->to};
        if (!feed->heard && query_telemetry(data->reader, &want, take_point, feed) < 0)
            return -1;
        look_between(feed, data->to);
        feed->interval_s = feed->spoken > 0 ? (double)feed->spoken_ns / 1e9 / (double)feed->spoken : 0;
    }
    return 0;
}
