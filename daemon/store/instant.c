#include "store/instant.h"

#include "core/reading.h"
#include "core/timecode.h"
#include "store/reader.h"

#include <math.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#define STALE_DEFAULT_NS (5 * NS_PER_S)
#define CARRY_MOST_NS (3600 * NS_PER_S)
#define RATE_ERROR 100e-6

/* ---- telemetry ---- */

struct series_found {
    int channel;
    uint8_t feed;
    bool has_before, has_after;
    struct channel_sample before, after;
};

struct gathering {
    struct store_reader *reader;
    utc_ns at;
    int64_t reach_ns; /* the longest stale time */
    struct channel_set *set;
    struct channel_names names;
    char feed[CHANNEL_FEEDS_MAX][SOURCE_SIZE];
    uint8_t feed_count;
    struct series_found found[CHANNEL_SERIES_MAX];
    size_t found_count;
    bool failed;
};

/* Of one series the samples on either side. */
struct sides {
    int64_t at_ns;
    bool has_before, has_after;
    struct query_point before, after;
};

static bool on_point(void *ctx, const struct query_point *point)
{
    struct sides *sides = ctx;
    if (point->utc.ns <= sides->at_ns && (!sides->has_before || point->utc.ns >= sides->before.utc.ns)) {
        sides->has_before = true;
        sides->before = *point;
    } else if (point->utc.ns > sides->at_ns && (!sides->has_after || point->utc.ns < sides->after.utc.ns)) {
        sides->has_after = true;
        sides->after = *point;
    }
    return true;
}

static int feed_number(struct gathering *g, const char *name)
{
    for (int i = 0; i < g->feed_count; i++)
        if (strcmp(g->feed[i], name) == 0)
            return i;
    if (g->feed_count == CHANNEL_FEEDS_MAX)
        return -1;
    snprintf(g->feed[g->feed_count], SOURCE_SIZE, "%s", name);
    channel_feed_declare(g->set, g->feed_count, g->feed_count, STALE_DEFAULT_NS, 0);
    return g->feed_count++;
}

/* Time in the set is UTC: across restarts of the machine that is the axis which all samples share. */
static bool on_channel(void *ctx, const struct query_channel *row)
{
    struct gathering *g = ctx;
    int channel = channel_find(&g->names, row->channel);
    if (channel == CHANNEL_NONE)
        channel = channel_register(&g->names, row->channel, NULL);
    int feed = feed_number(g, row->feed);
    if (channel == CHANNEL_NONE || feed < 0 || g->found_count == CHANNEL_SERIES_MAX)
        return true;
    struct sides sides = {.at_ns = g->at.ns};
    struct query_telemetry want = {.channel = row->channel,
                                   .feed = row->feed,
                                   .from = {g->at.ns - g->reach_ns},
                                   .to = {g->at.ns + g->reach_ns}};
    if (query_telemetry(g->reader, &want, on_point, &sides) < 0)
        g->failed = true;
    g->found[g->found_count++] =
        (struct series_found){.channel = channel,
                              .feed = (uint8_t)feed,
                              .has_before = sides.has_before,
                              .has_after = sides.has_after,
                              .before = {.at_ns = sides.before.utc.ns, .value = sides.before.value},
                              .after = {.at_ns = sides.after.utc.ns, .value = sides.after.value}};
    return !g->failed;
}

/* All that lies before and then all that lies after: the halves of a position are joined when they follow one another. */
static void fill_set(struct gathering *g)
{
    for (size_t i = 0; i < g->found_count; i++) {
        const struct series_found *found = &g->found[i];
        if (found->has_before)
            channel_add(g->set, found->channel, found->feed, (mono_ns){found->before.at_ns},
                        found->before.value);
    }
    for (size_t i = 0; i < g->found_count; i++) {
        const struct series_found *found = &g->found[i];
        if (found->has_after)
            channel_add(g->set, found->channel, found->feed, (mono_ns){found->after.at_ns},
                        found->after.value);
    }
}

static const char *feed_name(const void *ctx, uint8_t feed)
{
    const struct gathering *g = ctx;
    return feed < g->feed_count ? g->feed[feed] : "";
}

static void take_config(struct gathering *g, const struct engine_config *config)
{
    g->reach_ns = STALE_DEFAULT_NS;
    if (config == NULL)
        return;
    g->names = config->names;
    for (size_t i = 0; i < config->feed_count; i++) {
        int64_t stale_ns = config->feed[i].stale_ns > 0 ? config->feed[i].stale_ns : STALE_DEFAULT_NS;
        int feed = feed_number(g, config->feed[i].name);
        channel_feed_declare(g->set, (uint8_t)feed, (uint8_t)feed, stale_ns, 0);
        if (stale_ns > g->reach_ns)
            g->reach_ns = stale_ns;
    }
}

bool instant_telemetry(struct store_reader *reader, const struct engine_config *config, utc_ns at,
                       struct marker_telemetry *out)
{
    struct gathering *g = calloc(1, sizeof *g);
    struct channel_set *set = calloc(1, sizeof *set);
    bool good = g != NULL && set != NULL;
    out->reading_count = 0;
    out->position = (struct marker_position){.uncertainty_m = -1};
    if (good) {
        g->reader = reader;
        g->at = at;
        g->set = set;
        channel_set_init(set);
        take_config(g, config);
        good = query_channels(reader, (utc_ns){at.ns - g->reach_ns}, (utc_ns){at.ns + g->reach_ns},
                              on_channel, g) >= 0 &&
               !g->failed;
    }
    if (good) {
        fill_set(g);
        const struct reading_source source = {set, &g->names, NULL, feed_name, g};
        (void)reading_at(&source, (mono_ns){at.ns}, out);
    }
    free(set);
    free(g);
    return good;
}

/* ---- timecode ---- */

/* A marker that was stamped at its press. */
struct anchor {
    bool known;
    int64_t utc_ns, utc_bound_ns;
    enum timecode_rate rate;
    double frame; /* and how far into it */
    double bound_frames;
};

/* clang-format off */
#define ANCHOR_COLUMNS                                                                                                          \
    "SELECT utc_ns, coalesce(utc_bound_ns, 0), timecode_rate, timecode_frame, timecode_within, coalesce(timecode_bound_frames, 0) " \
    "FROM marker_now WHERE dive = ? AND origin <> 'late' AND timecode_state IN ('locked', 'holdover') AND utc_ns IS NOT NULL "
/* clang-format on */

static struct anchor anchor_of(struct reader_query *query)
{
    struct anchor anchor = {.known = false};
    char rate[12];
    if (reader_row(query)) {
        anchor.utc_ns = sql_take_int(&query->take);
        anchor.utc_bound_ns = sql_take_int(&query->take);
        sql_take_text(&query->take, rate, sizeof rate);
        anchor.frame = (double)sql_take_int(&query->take);
        anchor.frame += sql_take_real(&query->take, 0);
        anchor.bound_frames = sql_take_real(&query->take, 0);
        anchor.known = timecode_rate_parse(rate, &anchor.rate) == 0;
    }
    if (reader_end(query) < 0)
        anchor.known = false;
    return anchor;
}

static struct anchor anchor_at(struct store_reader *reader, const char *sql, const char *dive, int64_t key)
{
    struct reader_query query;
    reader_begin(&query, reader, sql);
    sql_bind_text(&query.bind, dive);
    sql_bind_int(&query.bind, key);
    return anchor_of(&query);
}

static double frames_per_ns(enum timecode_rate rate)
{
    int32_t num, den;
    timecode_rate_fraction(rate, &num, &den);
    return (double)num / den / 1e9;
}

/* An interval of frames, or of nanoseconds. */
struct guess {
    bool known;
    double middle, half;
};

static struct guess frame_guess(const struct anchor *anchor, int64_t at_ns)
{
    struct guess guess = {.known = anchor->known && llabs(at_ns - anchor->utc_ns) <= CARRY_MOST_NS};
    if (!guess.known)
        return guess;
    double per_ns = frames_per_ns(anchor->rate), away_ns = (double)(at_ns - anchor->utc_ns);
    guess.middle = anchor->frame + away_ns * per_ns;
    guess.half =
        anchor->bound_frames + ((double)anchor->utc_bound_ns + fabs(away_ns) * RATE_ERROR) * per_ns + 1e-6;
    return guess;
}

/* Both guesses must hold; not known where they contradict each other. */
static struct guess agreed(struct guess a, struct guess b)
{
    if (!a.known || !b.known)
        return a.known ? a : b;
    double low = fmax(a.middle - a.half, b.middle - b.half),
           high = fmin(a.middle + a.half, b.middle + b.half);
    return (struct guess){.known = low <= high, .middle = (low + high) / 2, .half = (high - low) / 2};
}

bool instant_timecode(struct store_reader *reader, const char *dive, utc_ns at, struct timecode_stamp *out)
{
    struct anchor before =
        anchor_at(reader, ANCHOR_COLUMNS "AND utc_ns <= ? ORDER BY utc_ns DESC LIMIT 1", dive, at.ns);
    struct anchor after =
        anchor_at(reader, ANCHOR_COLUMNS "AND utc_ns > ? ORDER BY utc_ns LIMIT 1", dive, at.ns);
    struct guess guess = {.known = false};
    *out = (struct timecode_stamp){.bound_frames = -1};
    if (!before.known || !after.known || before.rate == after.rate)
        guess = agreed(frame_guess(&before, at.ns), frame_guess(&after, at.ns));
    if (!guess.known)
        return false;
    enum timecode_rate rate = before.known ? before.rate : after.rate;
    double whole = floor(guess.middle);
    out->trust = TIMECODE_TRUST_HOLDOVER;
    out->frame = timecode_wrap((int64_t)whole, rate);
    out->within = guess.middle - whole;
    out->bound_frames = guess.half;
    snprintf(out->rate, sizeof out->rate, "%s", timecode_rate_name(rate));
    timecode_format(timecode_from_frame(out->frame, rate), rate, out->label);
    return true;
}

static struct guess utc_guess(const struct anchor *anchor, int64_t frame)
{
    struct guess guess = {.known = anchor->known};
    if (!guess.known)
        return guess;
    double per_ns = frames_per_ns(anchor->rate);
    double away_ns = ((double)frame + 0.5 - anchor->frame) / per_ns;
    guess.known = fabs(away_ns) <= CARRY_MOST_NS;
    guess.middle = away_ns;
    guess.half =
        (anchor->bound_frames + 0.5) / per_ns + (double)anchor->utc_bound_ns + fabs(away_ns) * RATE_ERROR;
    return guess;
}

bool instant_of_timecode(struct store_reader *reader, const char *dive, const char *label, utc_ns *at,
                         int64_t *bound_ns)
{
    struct anchor any = anchor_at(reader, ANCHOR_COLUMNS "AND number >= ? ORDER BY number LIMIT 1", dive, 1);
    struct timecode parsed;
    int64_t frame;
    if (!any.known || timecode_parse(label, any.rate, &parsed) != 0 ||
        timecode_to_frame(parsed, any.rate, &frame) != 0)
        return false;
    struct anchor before = anchor_at(
        reader, ANCHOR_COLUMNS "AND timecode_frame <= ? ORDER BY timecode_frame DESC LIMIT 1", dive, frame);
    struct anchor after = anchor_at(
        reader, ANCHOR_COLUMNS "AND timecode_frame > ? ORDER BY timecode_frame LIMIT 1", dive, frame);
    before.known = before.known && before.rate == any.rate;
    after.known = after.known && after.rate == any.rate;
    int64_t base =
        before.known ? before.utc_ns : after.utc_ns; /* doubles hold nanoseconds of an hour, not of an age */
    struct guess a = utc_guess(&before, frame), b = utc_guess(&after, frame);
    a.middle += (double)(before.utc_ns - base);
    b.middle += (double)(after.utc_ns - base);
    struct guess guess = agreed(a, b);
    if (!guess.known)
        return false;
    at->ns = base + llround(guess.middle);
    *bound_ns = llround(guess.half) + 1;
    return true;
}
