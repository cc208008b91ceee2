/*
 * channel: rings of samples per (channel, feed), and the choice among them (see channel.h).
 *
 * Rejected: one ring per channel with the samples of all feeds mixed. Two sounders a metre apart would then be interpolated into
 * each other, and a slow feed would be pushed out of the ring by a fast one.
 */
#include "core/channel.h"

#include <ctype.h>
#include <math.h>
#include <string.h>

#include "core/geo.h"

struct channel_def {
    const char *name;
    const char *unit;
    enum channel_kind kind;
    int decimals;
};

static const struct channel_def defs[CHANNEL_USER_FIRST] = {
    [CHANNEL_SHIP_LAT] = {"ship.lat_deg", "deg", CHANNEL_LATITUDE, 7},
    [CHANNEL_SHIP_LON] = {"ship.lon_deg", "deg", CHANNEL_LONGITUDE, 7},
    [CHANNEL_SHIP_HEADING] = {"ship.heading_deg", "deg", CHANNEL_ANGLE, 2},
    [CHANNEL_SHIP_SOG] = {"ship.sog_kn", "kn", CHANNEL_LINEAR, 2},
    [CHANNEL_SHIP_COG] = {"ship.cog_deg", "deg", CHANNEL_ANGLE, 2},
    [CHANNEL_VEHICLE_LAT] = {"vehicle.lat_deg", "deg", CHANNEL_LATITUDE, 7},
    [CHANNEL_VEHICLE_LON] = {"vehicle.lon_deg", "deg", CHANNEL_LONGITUDE, 7},
    [CHANNEL_VEHICLE_POSITION_UNCERTAINTY] = {"vehicle.position_uncertainty_m", "m", CHANNEL_LINEAR, 2},
    [CHANNEL_VEHICLE_DEPTH] = {"vehicle.depth_m", "m", CHANNEL_LINEAR, 3},
    [CHANNEL_VEHICLE_ALTITUDE] = {"vehicle.altitude_m", "m", CHANNEL_LINEAR, 3},
    [CHANNEL_VEHICLE_HEADING] = {"vehicle.heading_deg", "deg", CHANNEL_ANGLE, 2},
    [CHANNEL_VEHICLE_PITCH] = {"vehicle.pitch_deg", "deg", CHANNEL_LINEAR, 2},
    [CHANNEL_VEHICLE_ROLL] = {"vehicle.roll_deg", "deg", CHANNEL_LINEAR, 2},
    [CHANNEL_VEHICLE_SOG] = {"vehicle.sog_kn", "kn", CHANNEL_LINEAR, 3},
    [CHANNEL_VEHICLE_COG] = {"vehicle.cog_deg", "deg", CHANNEL_ANGLE, 2},
    [CHANNEL_VEHICLE_SPEED_AHEAD] = {"vehicle.speed_ahead_kn", "kn", CHANNEL_LINEAR, 3},
    [CHANNEL_VEHICLE_SPEED_STARBOARD] = {"vehicle.speed_starboard_kn", "kn", CHANNEL_LINEAR, 3},
    [CHANNEL_WATER_PRESSURE] = {"water.pressure_dbar", "dbar", CHANNEL_LINEAR, 3},
    [CHANNEL_WATER_TEMPERATURE] = {"water.temperature_C", "C", CHANNEL_LINEAR, 4},
    [CHANNEL_WATER_CONDUCTIVITY] = {"water.conductivity_mS_cm", "mS/cm", CHANNEL_LINEAR, 4},
    [CHANNEL_WATER_SALINITY] = {"water.salinity", "1", CHANNEL_LINEAR, 4},
    [CHANNEL_WATER_SOUND_SPEED] = {"water.sound_speed_m_s", "m/s", CHANNEL_LINEAR, 3},
    [CHANNEL_WATER_OXYGEN] = {"water.oxygen_umol_kg", "umol/kg", CHANNEL_LINEAR, 2},
};

/* Kept out of the short way that nearly every sample takes, which then needs no registers saved. */
#define RARE __attribute__((noinline))

static const int64_t stale_default_ns = 5 * NS_PER_S;

/* ---- names ---- */

static bool is_user(const struct channel_names *names, int id)
{
    return names != NULL && id >= CHANNEL_USER_FIRST && id - CHANNEL_USER_FIRST < names->count;
}

int channel_find(const struct channel_names *names, const char *name)
{
    for (int id = 0; id < CHANNEL_USER_FIRST; id++) {
        if (strcmp(defs[id].name, name) == 0) {
            return id;
        }
    }
    for (int i = 0; names != NULL && i < names->count; i++) {
        if (strcmp(names->name[i], name) == 0) {
            return CHANNEL_USER_FIRST + i;
        }
    }
    return CHANNEL_NONE;
}

static bool user_name_ok(const char *name)
{
    size_t len = strlen(name);

    if (strncmp(name, "x.", 2) != 0 || len < 3 || len >= CHANNEL_NAME_MAX) {
        return false;
    }
    for (const char *c = name + 2; *c != '\0'; c++) {
        if (!isalnum((unsigned char)*c) && strchr("_-.", *c) == NULL) {
            return false;
        }
    }
    return true;
}

int channel_register(struct channel_names *names, const char *name, const char *unit)
{
    int id = channel_find(names, name);

    if (id == CHANNEL_NONE) {
        if (!user_name_ok(name) || names->count >= CHANNEL_USER_MAX) {
            return CHANNEL_NONE;
        }
        id = CHANNEL_USER_FIRST + names->count++;
        memcpy(names->name[id - CHANNEL_USER_FIRST], name, strlen(name) + 1);
        names->unit[id - CHANNEL_USER_FIRST][0] = '\0';
    }
    if (id < CHANNEL_USER_FIRST) {
        return CHANNEL_NONE;
    }
    if (unit != NULL && strlen(unit) < CHANNEL_NAME_MAX) {
        memcpy(names->unit[id - CHANNEL_USER_FIRST], unit, strlen(unit) + 1);
    }
    return id;
}

const char *channel_name(const struct channel_names *names, int id)
{
    if (id >= 0 && id < CHANNEL_USER_FIRST) {
        return defs[id].name;
    }
    return is_user(names, id) ? names->name[id - CHANNEL_USER_FIRST] : NULL;
}

const char *channel_unit(const struct channel_names *names, int id)
{
    if (id >= 0 && id < CHANNEL_USER_FIRST) {
        return defs[id].unit;
    }
    return is_user(names, id) ? names->unit[id - CHANNEL_USER_FIRST] : NULL;
}

enum channel_kind channel_kind(int id)
{
    return id >= 0 && id < CHANNEL_USER_FIRST ? defs[id].kind : CHANNEL_LINEAR;
}

int channel_decimals(int id)
{
    return id >= 0 && id < CHANNEL_USER_FIRST ? defs[id].decimals : 6;
}

double channel_rounded(int id, double value)
{
    static const double scale[] = {1e0, 1e1, 1e2, 1e3, 1e4, 1e5, 1e6, 1e7};
    double scaled = value * scale[channel_decimals(id)];

    return fabs(scaled) < 4503599627370496.0 ? round(scaled) / scale[channel_decimals(id)] : value;
}

const char *channel_method_name(enum channel_method method)
{
    static const char *const names[] = {"absent", "last", "interpolated"};

    return names[method];
}

/* ---- one series ---- */

/* The ring's length is a power of two, so that places wrap below zero too. */
static unsigned slot_of(const struct channel_series *series, unsigned index)
{
    return ((unsigned)series->next - series->count + index) % CHANNEL_RING;
}

static const struct channel_sample *sample_at(const struct channel_series *series, unsigned index)
{
    return &series->ring[slot_of(series, index)];
}

/* How many samples lie at or before t. */
static unsigned count_to(const struct channel_series *series, int64_t t)
{
    unsigned low = 0;
    unsigned high = series->count;

    while (low < high) {
        unsigned middle = (low + high) / 2;
        if (sample_at(series, middle)->at_ns <= t) {
            low = middle + 1;
        } else {
            high = middle;
        }
    }
    return low;
}

static void append(struct channel_series *series, struct channel_sample sample)
{
    series->ring[series->next] = sample;
    series->next = (series->next + 1U) % CHANNEL_RING;
    if (series->count < CHANNEL_RING) {
        series->count++;
    }
    series->newest_ns = sample.at_ns;
}

/* Puts a late sample into its place; so the shift is paid here and not by every search. */
RARE static enum channel_verdict insert(struct channel_series *series, int64_t at_ns, double value,
                                        double second)
{
    const struct channel_sample sample = {.at_ns = at_ns, .value = value, .second = second};
    unsigned place = count_to(series, sample.at_ns);

    if (place > 0 && sample_at(series, place - 1)->at_ns == sample.at_ns) {
        series->ring[slot_of(series, place - 1)] = sample;
        return CHANNEL_ADDED;
    }
    if (series->count == CHANNEL_RING) {
        if (place == 0) {
            return CHANNEL_TOO_OLD;
        }
        series->count--;
        place--;
    }
    append(series, *sample_at(series, series->count - 1U)); /* the newest stays the newest, one place on */
    for (unsigned i = series->count - 2U; i > place; i--) {
        series->ring[slot_of(series, i)] = *sample_at(series, i - 1);
    }
    series->ring[slot_of(series, place)] = sample;
    return CHANNEL_ADDED;
}

/* Not inlined, or gcc works out where the series lies again for each of its fields. */
__attribute__((noinline)) static enum channel_verdict put(struct channel_series *series, int64_t at_ns,
                                                          double value, double second)
{
    if (at_ns <= series->newest_ns && series->count > 0) {
        return insert(series, at_ns, value, second);
    }
    append(series, (struct channel_sample){.at_ns = at_ns, .value = value, .second = second});
    return CHANNEL_ADDED;
}

/* ---- feeds and sources ---- */

void channel_set_init(struct channel_set *set)
{
    memset(set->source_count, 0, sizeof set->source_count);
    memset(set->found, 0, sizeof set->found);
    memset(set->half, 0, sizeof set->half);
    set->series_count = 0;
    set->newest_arrival_ns = INT64_MIN;
    for (int i = 0; i < CHANNEL_FEEDS_MAX; i++) {
        set->feed[i] = (struct channel_feed){.priority = UINT8_MAX, .stale_ns = stale_default_ns};
    }
}

static bool goes_before(const struct channel_set *set, uint8_t feed, uint8_t other)
{
    uint8_t mine = set->feed[feed].priority;
    uint8_t theirs = set->feed[other].priority;

    return mine < theirs || (mine == theirs && feed < other);
}

/* Moves the source at `index` of a channel forward to its place. */
static void sort_in(struct channel_set *set, int id, unsigned index)
{
    uint8_t *source = set->source[id];

    for (; index > 0; index--) {
        uint8_t mine = source[index];
        uint8_t before = source[index - 1];
        if (!goes_before(set, set->series[mine].feed, set->series[before].feed)) {
            break;
        }
        source[index] = before;
        source[index - 1] = mine;
    }
}

bool channel_feed_declare(struct channel_set *set, uint8_t feed, uint8_t priority, int64_t stale_ns,
                          int64_t latency_ns)
{
    if (feed >= CHANNEL_FEEDS_MAX) {
        return false;
    }
    set->feed[feed] = (struct channel_feed){
        .declared = true, .priority = priority, .stale_ns = stale_ns, .latency_ns = latency_ns};
    for (int id = 0; id < CHANNEL_COUNT; id++) {
        for (unsigned i = 1; i < set->source_count[id]; i++) {
            sort_in(set, id, i);
        }
    }
    return true;
}

mono_ns channel_instant(const struct channel_set *set, uint8_t feed, mono_ns arrived)
{
    return (mono_ns){arrived.ns - (feed < CHANNEL_FEEDS_MAX ? set->feed[feed].latency_ns : 0)};
}

static const struct channel_series *find_series(const struct channel_set *set, int id, uint8_t feed)
{
    unsigned found = set->found[id][feed];

    return found > 0 ? &set->series[found - 1] : NULL;
}

/* The pair's first sample comes; false if there is no room. */
static bool begin_series(struct channel_set *set, int id, uint8_t feed)
{
    if (set->source_count[id] == CHANNEL_SOURCES_MAX || set->series_count == CHANNEL_SERIES_MAX) {
        return false;
    }
    uint8_t number = set->series_count++;
    struct channel_series *series = &set->series[number];
    series->channel = (int16_t)id;
    series->feed = feed;
    series->next = 0;
    series->count = 0;
    series->newest_ns = INT64_MIN;
    set->found[id][feed] = set->series_count;
    set->source[id][set->source_count[id]++] = number;
    sort_in(set, id, set->source_count[id] - 1U);
    return true;
}

/* ---- adding ---- */

/* Brings a value into the channel's range; false if it has none there. */
static bool normalise(enum channel_kind kind, double *value)
{
    if (!isfinite(*value)) {
        return false;
    }
    switch (kind) {
    case CHANNEL_ANGLE:
        *value = geo_wrap_360(*value);
        return true;
    case CHANNEL_LATITUDE:
        return *value >= -90.0 && *value <= 90.0;
    case CHANNEL_LONGITUDE:
        if (!(*value >= -360.0 && *value <= 360.0)) {
            return false;
        }
        *value = geo_wrap_180(*value);
        return true;
    case CHANNEL_LINEAR:
        break;
    }
    return true;
}

static enum channel_verdict store(struct channel_set *set, int id, uint8_t feed, int64_t at_ns, double value,
                                  double second);

RARE static enum channel_verdict store_first(struct channel_set *set, int id, uint8_t feed, int64_t at_ns,
                                             double value, double second)
{
    return begin_series(set, id, feed) ? store(set, id, feed, at_ns, value, second) : CHANNEL_NO_ROOM;
}

/* The sample in its parts: written to memory piece by piece and read back whole, it would stall the processor each time. */
static enum channel_verdict store(struct channel_set *set, int id, uint8_t feed, int64_t at_ns, double value,
                                  double second)
{
    unsigned found = set->found[id][feed];
    int64_t arrived = at_ns + set->feed[feed].latency_ns;

    if (found == 0) {
        return store_first(set, id, feed, at_ns, value, second);
    }
    if (arrived > set->newest_arrival_ns) {
        set->newest_arrival_ns = arrived;
    }
    return put(&set->series[found - 1], at_ns, value, second);
}

static enum channel_who who_of(int id)
{
    return id == CHANNEL_SHIP_LAT || id == CHANNEL_SHIP_LON ? CHANNEL_SHIP : CHANNEL_VEHICLE;
}

static int latitude_of(enum channel_who who)
{
    return who == CHANNEL_SHIP ? CHANNEL_SHIP_LAT : CHANNEL_VEHICLE_LAT;
}

static enum channel_verdict add_half(struct channel_set *set, int id, bool latitude, uint8_t feed, mono_ns at,
                                     double value)
{
    enum channel_who who = who_of(id);
    struct channel_half *half = &set->half[who][feed];

    if (half->known && half->at_ns == at.ns && half->latitude != latitude) {
        half->known = false;
        return store(set, latitude_of(who), feed, at.ns, latitude ? value : half->value,
                     latitude ? half->value : value);
    }
    *half = (struct channel_half){
        .known = true, .latitude = latitude, .feed = feed, .at_ns = at.ns, .value = value};
    return CHANNEL_WAITING;
}

/* Halves of positions, and values that are not in their channel's range as they come. */
RARE static enum channel_verdict add_other(struct channel_set *set, int id, uint8_t feed, mono_ns at,
                                           double value)
{
    enum channel_kind kind = channel_kind(id);

    if (!normalise(kind, &value)) {
        return CHANNEL_BAD_VALUE;
    }
    if (kind == CHANNEL_LATITUDE || kind == CHANNEL_LONGITUDE) {
        return add_half(set, id, kind == CHANNEL_LATITUDE, feed, at, value);
    }
    return store(set, id, feed, at.ns, value, 0.0);
}

enum channel_verdict channel_add(struct channel_set *set, int id, uint8_t feed, mono_ns at, double value)
{
    if (id < 0 || id >= CHANNEL_COUNT || feed >= CHANNEL_FEEDS_MAX) {
        return CHANNEL_BAD_ID;
    }
    enum channel_kind kind = channel_kind(id);
    if (kind == CHANNEL_LINEAR ? isfinite(value) : kind == CHANNEL_ANGLE && value >= 0.0 && value < 360.0) {
        return store(set, id, feed, at.ns, value, 0.0);
    }
    return add_other(set, id, feed, at, value);
}

/* ---- asking ---- */

/* What one series says: the value, and for positions its second half. */
struct answer {
    enum channel_method method;
    double value, second;
    int64_t age_ns;
    bool settled;
};

static void between(enum channel_kind kind, const struct channel_sample *a, const struct channel_sample *b,
                    double fraction, struct answer *out)
{
    switch (kind) {
    case CHANNEL_ANGLE:
        out->value = geo_wrap_360(a->value + fraction * geo_wrap_180(b->value - a->value));
        return;
    case CHANNEL_LATITUDE:
    case CHANNEL_LONGITUDE:
        geo_between(a->value, a->second, b->value, b->second, fraction, &out->value, &out->second);
        return;
    case CHANNEL_LINEAR:
        out->value = a->value * (1.0 - fraction) + b->value * fraction;
        return;
    }
}

/*
 * No sample still to come, in order, can alter what the series says about t: it has one at or after t; or whatever it sends from now
 * on was measured after t and too long after its newest sample to be joined to it.
 */
static bool settled_at(const struct channel_set *set, const struct channel_series *series, int64_t t)
{
    const struct channel_feed *feed = &set->feed[series->feed];
    int64_t newest = series->newest_ns;
    int64_t earliest_to_come = set->newest_arrival_ns - feed->latency_ns;

    return newest >= t || (earliest_to_come > t && earliest_to_come - newest > feed->stale_ns);
}

static struct answer ask(const struct channel_set *set, const struct channel_series *series, int64_t t)
{
    struct answer out = {.method = CHANNEL_ABSENT, .settled = settled_at(set, series, t)};
    int64_t stale_ns = set->feed[series->feed].stale_ns;
    unsigned place = count_to(series, t);

    if (place == 0) {
        return out;
    }
    const struct channel_sample *before = sample_at(series, place - 1);
    const struct channel_sample *after = place < series->count ? sample_at(series, place) : NULL;
    int64_t since = t - before->at_ns;
    out.value = before->value;
    out.second = before->second;
    out.age_ns = since;
    if (since == 0) {
        out.method = CHANNEL_INTERPOLATED;
    } else if (after != NULL && after->at_ns - before->at_ns <= stale_ns) {
        int64_t until = after->at_ns - t;
        out.method = CHANNEL_INTERPOLATED;
        out.age_ns = since < until ? since : until;
        between(channel_kind(series->channel), before, after, (double)since / (double)(since + until), &out);
    } else if (since <= stale_ns) {
        out.method = CHANNEL_LAST;
    }
    return out;
}

/* Goes through the feeds of a channel, best first, to the first that knows. Settled only if all before it are. */
static struct answer ask_all(const struct channel_set *set, int id, int64_t t, uint8_t *feed)
{
    struct answer out = {.method = CHANNEL_ABSENT};
    bool settled = true;

    for (unsigned i = 0; i < set->source_count[id]; i++) {
        const struct channel_series *series = &set->series[set->source[id][i]];
        out = ask(set, series, t);
        settled = settled && out.settled;
        if (out.method != CHANNEL_ABSENT) {
            *feed = series->feed;
            break;
        }
    }
    out.settled = settled;
    return out;
}

void channel_at(const struct channel_set *set, int id, mono_ns instant, struct channel_reading *out)
{
    *out = (struct channel_reading){.method = CHANNEL_ABSENT, .settled = true};
    if (id < 0 || id >= CHANNEL_COUNT) {
        return;
    }
    bool longitude = channel_kind(id) == CHANNEL_LONGITUDE;
    struct answer answer = ask_all(set, longitude ? id - 1 : id, instant.ns, &out->feed);
    out->known = answer.method != CHANNEL_ABSENT;
    out->method = answer.method;
    out->settled = answer.settled;
    if (out->known) {
        out->value = longitude ? answer.second : answer.value;
        out->age_ns = answer.age_ns;
    }
}

void channel_position_at(const struct channel_set *set, enum channel_who who, mono_ns instant,
                         struct channel_position *out)
{
    *out = (struct channel_position){.method = CHANNEL_ABSENT};
    struct answer answer = ask_all(set, latitude_of(who), instant.ns, &out->feed);

    out->known = answer.method != CHANNEL_ABSENT;
    out->method = answer.method;
    out->settled = answer.settled;
    if (!out->known) {
        return;
    }
    out->lat_deg = answer.value;
    out->lon_deg = answer.second;
    out->age_ns = answer.age_ns;
    const struct channel_series *uncertainty =
        who == CHANNEL_VEHICLE ? find_series(set, CHANNEL_VEHICLE_POSITION_UNCERTAINTY, out->feed) : NULL;
    if (uncertainty != NULL) {
        struct answer radius = ask(set, uncertainty, instant.ns);
        out->uncertainty_known = radius.method != CHANNEL_ABSENT;
        out->uncertainty_m = radius.value;
    }
}

bool channel_newest(const struct channel_set *set, int id, uint8_t feed, mono_ns *at)
{
    if (id < 0 || id >= CHANNEL_COUNT) {
        return false;
    }
    int key = channel_kind(id) == CHANNEL_LONGITUDE ? id - 1 : id;
    const struct channel_series *series = find_series(set, key, feed);
    if (series == NULL) {
        return false;
    }
    at->ns = series->newest_ns;
    return true;
}
