/* Feeds: bytes to lines, lines to values, values to channels, the track, UTC and the store. A bad line is counted and dropped. */
#include "core/engine_state.h"

#include <inttypes.h>
#include <string.h>

static void store_sample(struct engine *e, int feed, int channel, mono_ns at, double value)
{
    at.ns -=
        at.ns % NS_PER_US; /* no clock of a feed is better, and whole microseconds take a quarter less room */
    struct utc_answer utc = utcmap_at(&e->utc, at);
    struct engine_sample sample = {.channel = channel_name(&e->config.names, channel),
                                   .feed = e->config.feed[feed].name,
                                   .at = at,
                                   .utc = {utc.known ? utc.utc.ns : 0},
                                   .value = value};
    if (sample.channel != NULL)
        e->sink.sample(e->sink.ctx, &sample);
}

static void note(bool *has, double *to, double value)
{
    *has = true;
    *to = value;
}

/* The vehicle's acoustic position goes to the channels through the track's filter. */
static void take_value(struct feed_context *context, int channel, double value)
{
    struct engine *e = context->engine;
    struct feed_state *state = &e->feed[context->feed];
    if (channel == CHANNEL_VEHICLE_LAT) {
        note(&context->has_lat, &context->lat_deg, value);
        return;
    }
    if (channel == CHANNEL_VEHICLE_LON) {
        note(&context->has_lon, &context->lon_deg, value);
        return;
    }
    channel_add(e->channels, channel, (uint8_t)context->feed, context->at, value);
    if (channel == CHANNEL_VEHICLE_POSITION_UNCERTAINTY) {
        note(&state->has_uncertainty, &state->uncertainty_m, value);
        state->uncertainty_ns = context->at.ns;
    } else if (channel == CHANNEL_VEHICLE_SOG) {
        note(&context->has_sog, &context->sog_kn, value);
    } else if (channel == CHANNEL_VEHICLE_COG) {
        note(&context->has_cog, &context->cog_deg, value);
    } else if (channel == CHANNEL_VEHICLE_SPEED_AHEAD) {
        note(&context->has_ahead, &context->ahead_kn, value);
    } else if (channel == CHANNEL_VEHICLE_SPEED_STARBOARD) {
        note(&context->has_starboard, &context->starboard_kn, value);
    }
}

/* Raw values go to the store as they came. */
static void on_value(void *ctx, int channel, double value)
{
    struct feed_context *context = ctx;
    store_sample(context->engine, context->feed, channel, context->at, value);
    take_value(context, channel, value);
}

/* The vehicle's speed over ground steadies its track between fixes. */
static void add_velocity(const struct feed_context *context, struct track_fix *fix)
{
    struct channel_reading heading;
    if (context->has_sog && context->has_cog) {
        track_velocity_from_course(fix, context->sog_kn, context->cog_deg);
    } else if (context->has_ahead && context->has_starboard) {
        channel_at(context->engine->channels, CHANNEL_VEHICLE_HEADING, context->at, &heading);
        if (heading.known)
            track_velocity_from_log(fix, context->ahead_kn, context->starboard_kn, heading.value);
    }
}

/* How deep it is, near enough for the noise of a fix: at its instant, else as heard last. A dbar is a metre within 3 %. */
static bool rough_depth(const struct engine *e, mono_ns at, double *depth_m)
{
    static const int channels[] = {CHANNEL_VEHICLE_DEPTH, CHANNEL_WATER_PRESSURE};
    const mono_ns instants[] = {at, {e->now_ns}};
    for (size_t i = 0; i < 4; i++) {
        struct channel_reading reading;
        channel_at(e->channels, channels[i / 2], instants[i % 2], &reading);
        *depth_m = reading.known ? reading.value : 0;
        if (reading.known)
            return true;
    }
    return false;
}

static void add_position(const struct feed_context *context, struct track_fix *fix)
{
    struct engine *e = context->engine;
    const struct feed_state *state = &e->feed[context->feed];
    fix->position_known = true;
    fix->lat_deg = context->lat_deg;
    fix->lon_deg = context->lon_deg;
    fix->sigma_known = state->has_uncertainty &&
                       context->at.ns - state->uncertainty_ns <= e->config.feed[context->feed].stale_ns;
    fix->sigma_m = fix->sigma_known ? track_sigma_of_radius_m(state->uncertainty_m) : 0;
    fix->depth_known = rough_depth(e, context->at, &fix->depth_m);
}

static void add_fix(const struct feed_context *context)
{
    struct engine *e = context->engine;
    struct track_fix fix = {.at = context->at};
    struct track_position filtered;
    bool position = context->has_lat && context->has_lon;
    if (position)
        add_position(context, &fix);
    add_velocity(context, &fix);
    if (!fix.position_known && !fix.velocity_known)
        return;
    enum track_verdict verdict = track_add(&e->track, &fix);
    bool taken = verdict == TRACK_STARTED || verdict == TRACK_RESTARTED || verdict == TRACK_ACCEPTED;
    if (!position || !taken || !track_at(&e->track, context->at, &filtered))
        return;
    uint8_t feed = (uint8_t)context->feed;
    channel_add(e->channels, CHANNEL_VEHICLE_LAT, feed, context->at,
                channel_rounded(CHANNEL_VEHICLE_LAT, filtered.lat_deg));
    channel_add(e->channels, CHANNEL_VEHICLE_LON, feed, context->at,
                channel_rounded(CHANNEL_VEHICLE_LON, filtered.lon_deg));
    channel_add(e->channels, CHANNEL_VEHICLE_POSITION_UNCERTAINTY, feed, context->at,
                channel_rounded(CHANNEL_VEHICLE_POSITION_UNCERTAINTY, filtered.uncertainty_m));
}

static void take_utc(struct engine *e, int feed, const struct nmea_sentence *sentence)
{
    struct feed_state *state = &e->feed[feed];
    utc_ns utc;
    if (!nmea_utc(&state->calendar, sentence, (mono_ns){state->now_ns}, &utc) || feed != e->config.utc_feed)
        return;
    if (sentence->type != NMEA_ZDA && sentence->type != NMEA_RMC)
        return;
    struct utcmap_gnss reading = {.arrival = {state->now_ns},
                                  .utc = utc,
                                  .delay_min_ns = e->config.utc_delay_min_ns,
                                  .delay_max_ns = e->config.utc_delay_max_ns,
                                  .valid = sentence->time_trusted};
    engine_utc_events(e, utcmap_add_gnss(&e->utc, &reading));
}

static void nmea_line(struct feed_context *context, const char *line, size_t len)
{
    struct engine *e = context->engine;
    struct feed_state *state = &e->feed[context->feed];
    const struct engine_feed_config *config = &e->config.feed[context->feed];
    struct nmea_options options = {.checksum_optional = config->checksum_optional};
    struct nmea_sentence sentence;
    enum nmea_verdict verdict = nmea_decode(line, len, &options, &sentence);
    if (verdict == NMEA_UNKNOWN || verdict == NMEA_NO_DATA) {
        state->other++;
        return;
    }
    if (verdict != NMEA_OK) {
        state->bad++;
        state->last_bad = verdict;
        return;
    }
    state->good++;
    take_utc(e, context->feed, &sentence);
    nmea_to_channels(&sentence, config->subject == FEED_AS_SHIP ? NMEA_AS_SHIP : NMEA_AS_VEHICLE, on_value,
                     context);
}

static void columns_line(struct feed_context *context, const char *line, size_t len)
{
    struct engine *e = context->engine;
    struct feed_state *state = &e->feed[context->feed];
    enum columns_verdict verdict =
        columns_decode(&e->config.feed[context->feed].columns, line, len, on_value, context);
    if (verdict == COLUMNS_OK) {
        state->good++;
    } else if (verdict == COLUMNS_PASSED_OVER || verdict == COLUMNS_NO_DATA) {
        state->other++;
    } else {
        state->bad++;
        state->last_bad_columns = verdict;
    }
}

static void on_line(void *ctx, const char *line, size_t len)
{
    struct feed_context context = *(struct feed_context *)ctx; /* each line begins anew */
    if (context.engine->config.feed[context.feed].format == FEED_NMEA)
        nmea_line(&context, line, len);
    else
        columns_line(&context, line, len);
    add_fix(&context);
}

/* How long without a byte until people are told; twice the stale time, so that one lost line is no news. */
static int64_t silence_ns(const struct engine *e, int feed)
{
    int64_t stale = e->config.feed[feed].stale_ns;
    return 2 * (stale > 0 ? stale : 5 * NS_PER_S);
}

void engine_feed_bytes(struct engine *e, int feed, const void *bytes, size_t len)
{
    struct feed_state *state = &e->feed[feed];
    const char *name = e->config.feed[feed].name;
    state->now_ns = e->now_ns;
    state->heard_ns = e->now_ns;
    struct feed_context context = {
        .engine = e, .feed = feed, .at = channel_instant(e->channels, (uint8_t)feed, (mono_ns){e->now_ns})};
    uint64_t bad_before = state->bad + state->lines.overlong;
    lines_feed(&state->lines, bytes, len, on_line, &context);
    if (e->config.feed[feed].datagrams)
        lines_end(&state->lines, on_line, &context);
    if (state->silent) {
        state->silent = false;
        engine_notice(e, ENTRY_FEED, name, "heard", "the feed is heard again");
    }
    if (!state->bad_told && state->bad + state->lines.overlong > bad_before) {
        state->bad_told = true; /* once a run: `status` has the count */
        engine_notice(e, ENTRY_FEED, name, "bad line",
                      "a line could not be read (%s) and was dropped; status counts them",
                      state->bad == 0 ? "longer than 1,024 bytes"
                      : e->config.feed[feed].format == FEED_NMEA
                          ? nmea_verdict_name(state->last_bad)
                          : columns_verdict_name(state->last_bad_columns));
    }
    e->due_ns[TIMER_FEED + feed] = e->now_ns + silence_ns(e, feed);
}

void engine_feed_recall(struct engine *e, int feed, int channel, mono_ns at, double value)
{
    struct feed_context *line = &e->recalled;
    if (line->engine == NULL || line->feed != feed || line->at.ns != at.ns) {
        engine_feed_recalled(e);
        *line = (struct feed_context){.engine = e, .feed = feed, .at = at};
    }
    take_value(line, channel, value);
}

void engine_feed_recalled(struct engine *e)
{
    if (e->recalled.engine != NULL)
        add_fix(&e->recalled);
    e->recalled.engine = NULL;
}

void engine_feed_up(struct engine *e, int feed, bool up, const struct fields *fields)
{
    struct feed_state *state = &e->feed[feed];
    const char *name = e->config.feed[feed].name;
    char why[200];
    fields_text(fields, "why", why, sizeof why);
    if (up == state->up)
        return;
    state->up = up;
    if (up) {
        engine_notice(e, ENTRY_FEED, name, "open", "the feed is open%s%s", why[0] != '\0' ? ": " : "", why);
        e->due_ns[TIMER_FEED + feed] = e->now_ns + silence_ns(e, feed);
        state->heard_ns = e->now_ns;
    } else {
        engine_notice(e, ENTRY_FEED, name, "lost", "%s; it is opened again",
                      why[0] != '\0' ? why : "the feed ended");
        e->due_ns[TIMER_FEED + feed] = NEVER;
        struct feed_context context = {.engine = e,
                                       .feed = feed,
                                       .at =
                                           channel_instant(e->channels, (uint8_t)feed, (mono_ns){e->now_ns})};
        lines_end(&state->lines, on_line, &context);
    }
}

void engine_feed_timer(struct engine *e, int feed)
{
    struct feed_state *state = &e->feed[feed];
    state->silent = true;
    engine_notice(e, ENTRY_FEED, e->config.feed[feed].name, "silent",
                  "nothing heard for %.0f s: markers go without it",
                  (double)(e->now_ns - state->heard_ns) / 1e9);
}
