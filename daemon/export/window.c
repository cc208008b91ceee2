#include "export/window.h"

#include "core/geo.h"

#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#define STRETCH_NS (120 * NS_PER_S)

static bool choose_feed(void *ctx, const struct query_channel *row)
{
    struct window *window = ctx;
    for (size_t i = 0; i < window->channels; i++) {
        struct window_channel *channel = &window->channel[i];
        if (strcmp(channel->name, row->channel) == 0 && row->samples > channel->samples) {
            channel->samples = row->samples;
            snprintf(channel->feed, sizeof channel->feed, "%s", row->feed);
        }
    }
    return true;
}

int window_open(struct window *window, struct store_reader *reader, utc_ns from, utc_ns to,
                const char *const *names)
{
    *window = (struct window){.reader = reader, .from_ns = 1, .to_ns = 0};
    for (; *names != NULL && window->channels < WINDOW_CHANNELS_MAX; names++) {
        struct window_channel *channel = &window->channel[window->channels++];
        channel->name = *names;
        channel->angle = strstr(*names, "heading_deg") != NULL || strstr(*names, "cog_deg") != NULL ||
                         strstr(*names, "lon_deg") != NULL;
    }
    return query_channels(reader, from, to, choose_feed, window) < 0 ? -1 : 0;
}

void window_close(struct window *window)
{
    for (size_t i = 0; i < window->channels; i++)
        free(window->channel[i].sample);
    window->channels = 0;
}

struct load {
    struct window *window;
    struct window_channel *channel;
};

static bool take_point(void *ctx, const struct query_point *row)
{
    struct load *load = ctx;
    struct window_channel *channel = load->channel;
    if (channel->count == channel->size) {
        size_t size = channel->size == 0 ? 512 : channel->size * 2;
        struct window_sample *grown = realloc(channel->sample, size * sizeof *grown);
        load->window->failed = grown == NULL;
        if (grown == NULL)
            return false;
        channel->sample = grown;
        channel->size = size;
    }
    channel->sample[channel->count++] = (struct window_sample){row->utc.ns, row->value};
    return true;
}

static int by_time(const void *a, const void *b)
{
    const struct window_sample *x = a, *y = b;
    if (x->utc_ns != y->utc_ns)
        return x->utc_ns < y->utc_ns ? -1 : 1;
    return x->value < y->value ? -1 : x->value > y->value;
}

/* Blocks come in order of their first sample and may overlap, where telemetry came late. */
static void put_in_order(struct window_channel *channel)
{
    for (size_t i = 1; i < channel->count; i++) {
        if (channel->sample[i].utc_ns < channel->sample[i - 1].utc_ns) {
            qsort(channel->sample, channel->count, sizeof channel->sample[0], by_time);
            return;
        }
    }
}

int window_load(struct window *window, int64_t from_ns, int64_t to_ns)
{
    window->from_ns = from_ns;
    window->to_ns = to_ns;
    for (size_t i = 0; i < window->channels; i++) {
        struct load load = {.window = window, .channel = &window->channel[i]};
        load.channel->count = load.channel->at = 0;
        if (load.channel->feed[0] == '\0')
            continue;
        struct query_telemetry want = {
            .channel = load.channel->name, .feed = load.channel->feed, .from = {from_ns}, .to = {to_ns}};
        if (query_telemetry(window->reader, &want, take_point, &load) < 0)
            window->failed = true;
        put_in_order(load.channel);
    }
    return window->failed ? -1 : 0;
}

static double between(const struct window_channel *channel, const struct window_sample *a,
                      const struct window_sample *b, int64_t at_ns)
{
    double fraction = (double)(at_ns - a->utc_ns) / (double)(b->utc_ns - a->utc_ns);
    if (!channel->angle)
        return a->value + fraction * (b->value - a->value);
    return a->value + fraction * geo_wrap_180(b->value - a->value);
}

bool window_value(struct window *window, size_t index, utc_ns utc, double *value)
{
    struct window_channel *channel = &window->channel[index];
    if (channel->feed[0] == '\0' || window->failed)
        return false;
    if (utc.ns - WINDOW_GAP_NS < window->from_ns || utc.ns + WINDOW_GAP_NS > window->to_ns)
        if (window_load(window, utc.ns - WINDOW_GAP_NS, utc.ns + STRETCH_NS + WINDOW_GAP_NS) != 0)
            return false;
    while (channel->at > 0 && channel->sample[channel->at - 1].utc_ns > utc.ns)
        channel->at--;
    while (channel->at < channel->count && channel->sample[channel->at].utc_ns <= utc.ns)
        channel->at++;
    if (channel->at == 0) /* nothing at or before it */
        return false;
    const struct window_sample *before = &channel->sample[channel->at - 1];
    if (channel->at < channel->count) {
        const struct window_sample *after = before + 1;
        if (after->utc_ns - before->utc_ns <= WINDOW_GAP_NS) {
            *value = between(channel, before, after, utc.ns);
            return true;
        }
    }
    *value = before->value;
    return utc.ns - before->utc_ns <= WINDOW_GAP_NS;
}

static bool latest(void *ctx, const struct query_channel *row)
{
    utc_ns *last = ctx;
    if (row->last.ns > last->ns)
        *last = row->last;
    return true;
}

int window_last(struct store_reader *reader, utc_ns from, utc_ns *last)
{
    *last = from;
    return query_channels(reader, from, (utc_ns){INT64_MAX}, latest, last) < 0 ? -1 : 0;
}
