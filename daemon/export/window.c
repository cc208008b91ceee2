#include "export/window.h"

#include "core/geo.h"

#include <stdio.h>
#include <stdlib.h>
#include <string.h>

/* A query looks at the blocks of 20 minutes before what it wants: so much is worth asking for at once. */
#define STRETCH_NS (1200 * NS_PER_S)
/* Of a longer range mostly whole blocks are wanted, whose extremes need no reading. */
#define ENDS_NS (120 * NS_PER_S)

int window_open(struct window *window, struct store_reader *reader, utc_ns from, utc_ns to,
                const char *const *names)
{
    *window = (struct window){.reader = reader, .from_ns = 1, .to_ns = 0};
    int64_t result = 0;
    for (; *names != NULL && window->channels < WINDOW_CHANNELS_MAX && result >= 0; names++) {
        struct window_channel *channel = &window->channel[window->channels++];
        channel->name = *names;
        channel->angle = strstr(*names, "heading_deg") != NULL || strstr(*names, "cog_deg") != NULL ||
                         strstr(*names, "lon_deg") != NULL;
        result = query_main_feed(reader, *names, from, to, channel->feed);
    }
    return result < 0 ? -1 : 0;
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

/* Samples from `from_ns` on stay. */
static void forget_before(struct window_channel *channel, int64_t from_ns)
{
    size_t first = 0;
    while (first < channel->count && channel->sample[first].utc_ns < from_ns)
        first++;
    channel->count -= first;
    if (first > 0 && channel->count > 0)
        memmove(channel->sample, channel->sample + first, channel->count * sizeof channel->sample[0]);
    channel->at = 0;
}

/* Going forward, what is loaded already is not read again. */
int window_load(struct window *window, int64_t from_ns, int64_t to_ns)
{
    bool goes_on = from_ns >= window->from_ns && from_ns <= window->to_ns && to_ns > window->to_ns;
    int64_t missing_ns = goes_on ? window->to_ns + 1 : from_ns;
    window->from_ns = from_ns;
    window->to_ns = to_ns;
    for (size_t i = 0; i < window->channels; i++) {
        struct load load = {.window = window, .channel = &window->channel[i]};
        forget_before(load.channel, goes_on ? from_ns : INT64_MAX);
        if (load.channel->feed[0] == '\0')
            continue;
        struct query_telemetry want = {
            .channel = load.channel->name, .feed = load.channel->feed, .from = {missing_ns}, .to = {to_ns}};
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

struct extremes {
    bool any;
    double low, high;
};

static void widen(struct extremes *extremes, double value)
{
    if (!extremes->any || value < extremes->low)
        extremes->low = value;
    if (!extremes->any || value > extremes->high)
        extremes->high = value;
    extremes->any = true;
}

/* The first of the loaded samples not before the instant. */
static size_t first_from(const struct window_channel *channel, int64_t at_ns)
{
    size_t low = 0, high = channel->count;
    while (low < high) {
        size_t middle = low + (high - low) / 2;
        if (channel->sample[middle].utc_ns < at_ns)
            low = middle + 1;
        else
            high = middle;
    }
    return low;
}

bool window_extremes(struct window *window, size_t index, utc_ns from, utc_ns to, double *low, double *high)
{
    struct window_channel *channel = &window->channel[index];
    struct extremes extremes = {0};
    if (channel->feed[0] == '\0' || window->failed)
        return false;
    if (to.ns - from.ns > ENDS_NS) {
        struct query_telemetry want = {
            .channel = channel->name, .feed = channel->feed, .from = from, .to = to};
        struct query_extremes found;
        window->failed |= query_extremes(window->reader, &want, &found) < 0;
        extremes = (struct extremes){found.samples > 0, found.low, found.high};
    } else {
        if ((from.ns < window->from_ns || to.ns > window->to_ns) &&
            window_load(window, from.ns, from.ns + STRETCH_NS) != 0)
            return false;
        for (size_t i = first_from(channel, from.ns);
             i < channel->count && channel->sample[i].utc_ns <= to.ns; i++)
            widen(&extremes, channel->sample[i].value);
    }
    *low = extremes.low;
    *high = extremes.high;
    return extremes.any && !window->failed;
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
