/*
 * clockmap: interval arithmetic on two clocks. The header states the model, docs/timing.md proves the steps below.
 *
 * Rejected: a least-squares or Kalman fit (its error figure is a belief, and asymmetric delays bias it without a trace); the least-delay
 * filter of RFC 5905 (keeps one sample of eight and believes its middle); exact linear programming over all constraints (sound and a
 * little tighter, but neither O(window) nor small); asking all entries for each answer (twenty times as long, and no tighter, since carrying
 * from neighbour to neighbour loses nothing: the wander adds up as a square does, and its total is bounded for the map as a whole).
 *
 * Units: x is nominal ns by clock A from the origin; rates are 2^-40; the wander is 2^-80 a ns. With den = 1 the x are exact, otherwise
 * each is a floor and a difference of two is off by less than 1 ns (`slop`).
 */
#include "core/clockmap.h"

#include <string.h>

__extension__ typedef __int128 wide;

#define RATE_BITS 40
#define X_LIMIT (INT64_C(1) << 61)
#define B_LIMIT (INT64_C(1) << 61)
#define SHARE_PPB INT64_C(1000000000)
#define COST_UNKNOWN (-1)
#define COST_MOST (INT64_C(1) << 62)

static bool in_range(int64_t value)
{
    return value > -B_LIMIT && value < B_LIMIT;
}

static wide ceil_shift(wide value, int bits)
{
    return (value + (((wide)1 << bits) - 1)) >> bits;
}

static wide floor_div(wide n, wide d)
{
    wide q = n / d;
    return (n % d != 0 && (n < 0) != (d < 0)) ? q - 1 : q;
}

static wide ceil_div(wide n, wide d)
{
    return -floor_div(-n, d);
}

static int64_t min64(int64_t a, int64_t b)
{
    return a < b ? a : b;
}

static int64_t max64(int64_t a, int64_t b)
{
    return a > b ? a : b;
}

struct clockmap_params clockmap_params_pad(void)
{
    return (struct clockmap_params){.num = 1000,
                                    .den = 1,
                                    .rate_ppb = 6000000,
                                    .wander_ppb_per_s = 10000,
                                    .wander_ppb = 3000000,
                                    .slew_ppb = 50000,
                                    .grain = 4};
}

static bool params_fit(const struct clockmap_params *p)
{
    const int64_t ratio_max = INT64_C(1000000000000);
    return p->num >= 1 && p->num <= ratio_max && p->den >= 1 && p->den <= ratio_max && p->rate_ppb >= 0 &&
           p->rate_ppb <= 100000000 && p->wander_ppb_per_s >= 0 && p->wander_ppb_per_s <= 1000000000 &&
           p->wander_ppb >= 0 && p->wander_ppb <= 200000000 && p->slew_ppb >= 0 && p->slew_ppb <= 100000000 &&
           p->grain >= 0 && p->grain <= 1000000;
}

static int64_t rate_from_ppb(int64_t ppb)
{
    return (int64_t)ceil_div((wide)ppb << RATE_BITS, SHARE_PPB);
}

int clockmap_init(struct clockmap *map, const struct clockmap_params *params)
{
    if (!params_fit(params))
        return -1;
    memset(map, 0, sizeof *map);
    map->params = *params;
    map->rate_max = rate_from_ppb(params->rate_ppb);
    map->wander_max = rate_from_ppb(params->wander_ppb);
    map->slew = rate_from_ppb(params->slew_ppb);
    map->wander =
        (int64_t)ceil_div((wide)params->wander_ppb_per_s << (2 * RATE_BITS), (wide)SHARE_PPB * SHARE_PPB);
    map->wander_full_ns = INT64_MAX;
    if (map->wander > 0) {
        wide full = ((wide)map->wander_max << RATE_BITS) / map->wander;
        map->wander_full_ns = full < X_LIMIT ? (int64_t)full : X_LIMIT;
    }
    clockmap_clear(map);
    return 0;
}

void clockmap_clear(struct clockmap *map)
{
    map->count = 0;
    map->has_origin = false;
    map->drift_hi = map->rate_max + map->slew;
    map->drift_lo = -map->drift_hi;
}

static int64_t slop(const struct clockmap *map)
{
    return map->params.den == 1 ? 0 : 1;
}

/* Nominal ns of tick a from the origin; false where that leaves the range in which nothing below can overflow. */
static bool nominal(const struct clockmap *map, int64_t a, int64_t *x)
{
    wide value = ((wide)a - map->origin) * map->params.num;
    if (map->params.den != 1)
        value = floor_div(value, map->params.den);
    if (value <= -X_LIMIT || value >= X_LIMIT)
        return false;
    *x = (int64_t)value;
    return true;
}

/* Most that the drift can change in d ns. */
static int64_t wander_rate(const struct clockmap *map, int64_t d)
{
    if (d >= map->wander_full_ns)
        return map->wander_max;
    return min64(map->wander_max, (int64_t)ceil_shift((wide)map->wander * d, RATE_BITS));
}

/*
 * Most that clock B can gain on the nominal rate in d ns, from a drift of at most `drift` that nowhere exceeds `drift_most`; with the signs
 * turned, most that it can lose. `grown` is what the wander grows to in d ns: the rate grows with it until it meets its bound, and stays there.
 */
static int64_t most_gain(const struct clockmap *map, int64_t drift, int64_t drift_most, int64_t grown,
                         int64_t d)
{
    const int64_t top = min64(drift_most + map->slew, map->rate_max);
    const int64_t rate = min64(drift + map->slew, top);
    if (grown <= top - rate) /* the mean of a wander that still grows is half of what it has grown to */
        return (int64_t)ceil_shift((wide)(rate + (grown + 1) / 2) * d, RATE_BITS);
    const wide missed = (wide)(top - rate) * (top - rate) / (2 * (wide)map->wander);
    return (int64_t)(ceil_shift((wide)top * d, RATE_BITS) - missed);
}

/* What the wander grows to in d ns; past any rate it may be more than what is given here. */
static int64_t growth(const struct clockmap *map, int64_t d)
{
    const wide grown = ceil_shift((wide)map->wander * d, RATE_BITS), past_any = (wide)1 << (RATE_BITS + 1);
    return (int64_t)(grown < past_any ? grown : past_any);
}

/* What one entry allows at nominal time x. No overflow: |x|, |lo|, |hi| < 2^61, and a gain is less than d / 8. */
static struct clockmap_interval reach(const struct clockmap *map, const struct clockmap_entry *from,
                                      int64_t x)
{
    /* Where x are floors the way is off by less than 1 ns, and what is gained on it by far less than another. */
    const int64_t step = x - from->x, unsure = 2 * slop(map);
    const int64_t d = (step < 0 ? -step : step) + slop(map);
    const int64_t grown = growth(map, d);
    const int64_t faster = most_gain(map, from->rate_hi, map->drift_hi, grown, d) + unsure;
    const int64_t slower = most_gain(map, -from->rate_lo, -map->drift_lo, grown, d) + unsure;
    struct clockmap_interval out = {CLOCKMAP_OPEN_LO, CLOCKMAP_OPEN_HI};
    if (from->lo != CLOCKMAP_OPEN_LO)
        out.lo = from->lo + step - (step >= 0 ? slower : faster);
    if (from->hi != CLOCKMAP_OPEN_HI)
        out.hi = from->hi + step + (step >= 0 ? faster : slower);
    return out;
}

/* The first entry later than tick a. */
static size_t place_of(const struct clockmap *map, int64_t a)
{
    size_t first = 0, count = map->count;
    while (count > 0) {
        const size_t half = count / 2;
        const bool later = map->entry[first + half].a > a;
        first += later ? 0 : half + 1;
        count = later ? half : count - half - 1;
    }
    return first;
}

/* What the neighbours allow at nominal time x, of which the later is entry `after`. They hold what all others say (see the header). */
static struct clockmap_interval reach_near(const struct clockmap *map, size_t after, int64_t x)
{
    struct clockmap_interval out = {CLOCKMAP_OPEN_LO, CLOCKMAP_OPEN_HI};
    if (after > 0)
        out = reach(map, &map->entry[after - 1], x);
    if (after < map->count) {
        const struct clockmap_interval late = reach(map, &map->entry[after], x);
        out.lo = max64(out.lo, late.lo);
        out.hi = min64(out.hi, late.hi);
    }
    return out;
}

/* A mean rate may come out absurd where two constraints contradict each other; it must still compare as absurd. */
static int64_t clamp_rate(wide rate)
{
    const int64_t limit = INT64_C(1) << 60;
    if (rate > limit)
        return limit;
    return rate < -limit ? -limit : (int64_t)rate;
}

static int64_t distance(const struct clockmap *map, const struct clockmap_entry *a,
                        const struct clockmap_entry *b)
{
    return (a->x < b->x ? b->x - a->x : a->x - b->x) + slop(map);
}

static bool entry_empty(const struct clockmap_entry *entry)
{
    return entry->lo > entry->hi || entry->rate_lo > entry->rate_hi;
}

static void raise(struct clockmap_entry *entry, int64_t *lower, int64_t to)
{
    entry->changed = entry->changed || to > *lower;
    *lower = max64(*lower, to);
}

static void reduce(struct clockmap_entry *entry, int64_t *upper, int64_t to)
{
    entry->changed = entry->changed || to < *upper;
    *upper = min64(*upper, to);
}

/* Ends so far out that moving them on could overflow are not taken over: less is known then, nothing false. */
static void narrow_ends(struct clockmap_entry *entry, struct clockmap_interval there)
{
    if (in_range(there.lo))
        raise(entry, &entry->lo, there.lo);
    if (in_range(there.hi))
        reduce(entry, &entry->hi, there.hi);
}

/* ns gained in d ns at a rate. */
static int64_t gained(int64_t rate, int64_t d)
{
    return (int64_t)(((wide)rate * d) >> RATE_BITS);
}

/* The drift at both ends of a pair is at most the mean rate between them, which is at most gain / way, and `bend`. */
static void bound_above(struct clockmap_entry *early, struct clockmap_entry *late, int64_t gain, int64_t way,
                        int64_t bend)
{
    const int64_t rate = clamp_rate(ceil_div((wide)gain * ((wide)1 << RATE_BITS), way)) + bend;
    reduce(early, &early->rate_hi, rate);
    reduce(late, &late->rate_hi, rate);
}

static void bound_below(struct clockmap_entry *early, struct clockmap_entry *late, int64_t gain, int64_t way,
                        int64_t bend)
{
    const int64_t rate = clamp_rate(floor_div((wide)gain * ((wide)1 << RATE_BITS), way)) - bend;
    raise(early, &early->rate_lo, rate);
    raise(late, &late->rate_lo, rate);
}

/*
 * What a pair says about the drift at its ends: |drift at an end - mean drift| <= W2(d) / d, which is half the wander while that still grows.
 * Few pairs say anything new. Which do is seen by a product; only those cost a division.
 */
static void compare(const struct clockmap *map, struct clockmap_entry *early, struct clockmap_entry *late)
{
    const int64_t d = late->x - early->x, unsure = slop(map);
    if (d <= unsure)
        return;
    const int64_t turn = d <= map->wander_full_ns ? gained(map->wander, d + unsure) / 2 + 1 : map->wander_max;
    const int64_t bend = map->slew + turn;
    if (late->hi != CLOCKMAP_OPEN_HI && early->lo != CLOCKMAP_OPEN_LO) {
        const int64_t gain = late->hi - early->lo - d;
        if (gain < gained(max64(early->rate_hi, late->rate_hi) - bend, d))
            bound_above(early, late, gain + unsure, d + (gain + unsure >= 0 ? -unsure : unsure), bend);
    }
    if (late->lo != CLOCKMAP_OPEN_LO && early->hi != CLOCKMAP_OPEN_HI) {
        const int64_t gain = late->lo - early->hi - d;
        if (gain > gained(min64(early->rate_lo, late->rate_lo) + bend, d))
            bound_below(early, late, gain - unsure, d + (gain - unsure >= 0 ? unsure : -unsure), bend);
    }
}

/* Compares `at` with all others. False where one of them becomes impossible. */
static bool compare_all(struct clockmap *map, struct clockmap_entry *at)
{
    struct clockmap_entry *const end = map->entry + map->count;
    for (struct clockmap_entry *other = map->entry; other < at; other++) {
        compare(map, other, at);
        if (entry_empty(other))
            return false;
    }
    for (struct clockmap_entry *other = at + 1; other < end; other++) {
        compare(map, at, other);
        if (entry_empty(other))
            return false;
    }
    return !entry_empty(at);
}

/* Everything that `from` says about its neighbour `to`. False where that becomes impossible. */
static bool tell(const struct clockmap *map, const struct clockmap_entry *from, struct clockmap_entry *to)
{
    const int64_t change = wander_rate(map, distance(map, from, to));
    raise(to, &to->rate_lo, from->rate_lo - change);
    reduce(to, &to->rate_hi, from->rate_hi + change);
    narrow_ends(to, reach(map, from, to->x));
    return !entry_empty(to);
}

/* Entry i has its new bounds: what follows from them for the map as a whole. */
static void settle(struct clockmap *map, size_t i)
{
    struct clockmap_entry *entry = &map->entry[i];
    entry->changed = false;
    map->drift_lo = max64(map->drift_lo, entry->rate_lo - map->wander_max);
    map->drift_hi = min64(map->drift_hi, entry->rate_hi + map->wander_max);
    if (i > 0)
        entry[-1].cost = COST_UNKNOWN;
    if (i + 1 < map->count)
        entry[1].cost = COST_UNKNOWN;
}

/* Passes on what has changed from neighbour to neighbour, up and down. False where one becomes impossible. */
static bool pass_on(struct clockmap *map)
{
    struct clockmap_entry *const entry = map->entry;
    for (size_t i = 1; i < map->count; i++)
        if (entry[i - 1].changed && !tell(map, &entry[i - 1], &entry[i]))
            return false;
    for (size_t i = map->count; i-- > 0;) {
        if (!entry[i].changed)
            continue;
        if (i > 0 && !tell(map, &entry[i], &entry[i - 1]))
            return false;
        settle(map, i);
    }
    return map->drift_lo <= map->drift_hi;
}

/* Width of the answer half way between two neighbours, beyond that of the better of them: what the gap would cost. */
static int64_t gap_cost(const struct clockmap *map, const struct clockmap_entry *before,
                        const struct clockmap_entry *after)
{
    const int64_t middle = before->x + (after->x - before->x) / 2;
    struct clockmap_interval a = reach(map, before, middle), b = reach(map, after, middle);
    const wide width = (wide)min64(a.hi, b.hi) - max64(a.lo, b.lo);
    const wide width_a = (wide)before->hi - before->lo, width_b = (wide)after->hi - after->lo;
    const wide cost = width - (width_a < width_b ? width_a : width_b);
    if (cost < 0)
        return 1;
    return cost < COST_MOST ? (int64_t)cost + 1 : COST_MOST;
}

/* Thins a window that is one too full, but not by `fresh`: see the header for the rule. */
static void evict(struct clockmap *map, const struct clockmap_entry *fresh)
{
    const size_t end = map->count - 1;
    const int64_t newest = map->entry[end].x;
    size_t victim = 1;
    int64_t victim_cost = 0, victim_age = 0;
    for (size_t i = 1; i < end; i++) {
        struct clockmap_entry *entry = &map->entry[i];
        if (entry == fresh)
            continue;
        if (entry->cost < 0)
            entry->cost = gap_cost(map, entry - 1, entry + 1);
        const int64_t age = newest - entry->x + 1;
        /* cost / age < victim_cost / victim_age */
        if (victim_age == 0 || (wide)entry->cost * victim_age < (wide)victim_cost * age) {
            victim = i;
            victim_cost = entry->cost;
            victim_age = age;
        }
    }
    memmove(&map->entry[victim], &map->entry[victim + 1], (map->count - victim - 1) * sizeof map->entry[0]);
    map->count--;
    map->entry[victim - 1].cost = map->entry[victim].cost = COST_UNKNOWN;
}

/* Puts an entry before entry `at`; one of the same tick is replaced, since the new one already holds what it said. */
static struct clockmap_entry *insert(struct clockmap *map, size_t at, const struct clockmap_entry *fresh)
{
    struct clockmap_entry *place = &map->entry[at];
    if (at > 0 && place[-1].a == fresh->a) {
        place--;
    } else {
        memmove(place + 1, place, (map->count - at) * sizeof *place);
        map->count++;
    }
    *place = *fresh;
    return place;
}

static bool constraint_fits(int64_t b_lo, int64_t b_hi)
{
    if (b_lo > b_hi || (b_lo == CLOCKMAP_OPEN_LO && b_hi == CLOCKMAP_OPEN_HI))
        return false;
    return (b_lo == CLOCKMAP_OPEN_LO || in_range(b_lo)) && (b_hi == CLOCKMAP_OPEN_HI || in_range(b_hi));
}

static struct clockmap_entry blank_entry(const struct clockmap *map, int64_t a, int64_t x, int64_t lo,
                                         int64_t hi)
{
    return (struct clockmap_entry){.x = x,
                                   .a = a,
                                   .lo = lo,
                                   .hi = hi,
                                   .rate_lo = map->drift_lo,
                                   .rate_hi = map->drift_hi,
                                   .cost = COST_UNKNOWN,
                                   .changed = true};
}

/* Middle of what is bounded, for the report of a step alone. */
static int64_t rough_middle(struct clockmap_interval i)
{
    if (i.lo == CLOCKMAP_OPEN_LO)
        return i.hi;
    return i.hi == CLOCKMAP_OPEN_HI ? i.lo : clockmap_middle(i);
}

static enum clockmap_result restart(struct clockmap *map, int64_t a, struct clockmap_interval got,
                                    struct clockmap_interval expected)
{
    map->steps++;
    map->step_ns = rough_middle(got) - rough_middle(expected);
    clockmap_clear(map);
    clockmap_add(map, a, got.lo, got.hi);
    return CLOCKMAP_STEP;
}

enum clockmap_result clockmap_add(struct clockmap *map, int64_t a, int64_t b_lo, int64_t b_hi)
{
    if (!constraint_fits(b_lo, b_hi))
        return CLOCKMAP_REJECTED;
    if (!map->has_origin) {
        map->origin = a;
        map->has_origin = true;
    }
    int64_t x;
    if (!nominal(map, a, &x))
        return CLOCKMAP_REJECTED;
    const size_t at = place_of(map, a);
    const struct clockmap_interval got = {b_lo, b_hi}, expected = reach_near(map, at, x);
    struct clockmap_entry fresh = blank_entry(map, a, x, b_lo, b_hi);
    if ((at > 0 && !tell(map, &map->entry[at - 1], &fresh)) ||
        (at < map->count && !tell(map, &map->entry[at], &fresh)))
        return restart(map, a, got, expected);
    struct clockmap_entry *placed = insert(map, at, &fresh);
    if (!compare_all(map, placed) || !pass_on(map))
        return restart(map, a, got, expected);
    if (map->count > CLOCKMAP_WINDOW)
        evict(map, placed);
    return CLOCKMAP_OK;
}

int64_t clockmap_wire_ns(uint32_t bytes, uint32_t baud)
{
    if (baud == 0)
        return 0;
    return (int64_t)((wide)bytes * 10 * SHARE_PPB * 97 / ((wide)baud * 100));
}

enum clockmap_result clockmap_two_way(struct clockmap *map, int64_t sent_ns, int64_t received, int64_t sent,
                                      int64_t got_ns, int64_t wire_out_ns, int64_t wire_back_ns)
{
    if (!in_range(sent_ns) || !in_range(got_ns) || !in_range(wire_out_ns) || !in_range(wire_back_ns))
        return CLOCKMAP_REJECTED;
    if (wire_out_ns < 0 || wire_back_ns < 0 || sent < received || got_ns < sent_ns)
        return CLOCKMAP_REJECTED;
    /* From the ping's arrival to tick `sent` clock B ran on by the nominal time, less the most it can be slow. */
    wide stay = floor_div(((wide)sent - received - map->params.grain) * map->params.num, map->params.den);
    if (stay >= B_LIMIT)
        return CLOCKMAP_REJECTED;
    wide lo = (wide)sent_ns + wire_out_ns + stay -
              ceil_shift(map->rate_max * (stay < 0 ? -stay : stay + 1), RATE_BITS);
    wide hi = (wide)got_ns - wire_back_ns;
    if (lo > hi || lo <= -B_LIMIT || hi >= B_LIMIT)
        return CLOCKMAP_REJECTED;
    return clockmap_add(map, sent, (int64_t)lo, (int64_t)hi);
}

bool clockmap_at_open(const struct clockmap *map, int64_t a, struct clockmap_interval *out)
{
    int64_t x;
    if (map->count == 0 || !nominal(map, a, &x))
        return false;
    struct clockmap_interval all = reach_near(map, place_of(map, a), x);
    /* Neighbours are consistent when added; a crossing elsewhere would mean a model that does not hold. */
    if (all.lo > all.hi) {
        int64_t swap = all.lo;
        all.lo = all.hi;
        all.hi = swap;
    }
    *out = all;
    return true;
}

bool clockmap_at(const struct clockmap *map, int64_t a, struct clockmap_interval *out)
{
    struct clockmap_interval all;
    if (!clockmap_at_open(map, a, &all) || all.lo == CLOCKMAP_OPEN_LO || all.hi == CLOCKMAP_OPEN_HI)
        return false;
    *out = all;
    return true;
}

int clockmap_check(const struct clockmap *map, int64_t a, int64_t b_lo, int64_t b_hi)
{
    struct clockmap_interval now;
    if (!clockmap_at_open(map, a, &now))
        return 0;
    if (b_hi < now.lo)
        return -1;
    return b_lo > now.hi ? 1 : 0;
}

/* An entry bounded on both sides, the newest. */
static const struct clockmap_entry *anchor(const struct clockmap *map)
{
    for (size_t i = map->count; i > 0; i--) {
        const struct clockmap_entry *entry = &map->entry[i - 1];
        if (entry->lo != CLOCKMAP_OPEN_LO && entry->hi != CLOCKMAP_OPEN_HI)
            return entry;
    }
    return NULL;
}

/* A tick certainly before (sign -1) or after (+1) clock B read `anchor's end + gap`: rates stay within 10 %. */
static wide far_tick(const struct clockmap *map, const struct clockmap_entry *from, wide gap, int sign)
{
    wide x = (gap < 0) == (sign < 0) ? gap * 10 / 9 : gap * 10 / 11;
    wide ticks = floor_div(x * map->params.den, map->params.num);
    return (wide)from->a + ticks + sign * (wide)3 * (1 + map->params.den / map->params.num);
}

/* The least tick in lo .. hi whose upper (or lower) end is above (at least) b, the ends growing with the tick. */
static bool bisect(const struct clockmap *map, wide lo, wide hi, int64_t b, bool upper, int64_t *tick)
{
    if (lo < INT64_MIN / 2 || hi > INT64_MAX / 2)
        return false;
    while (lo < hi) {
        wide middle = lo + ((hi - lo) >> 1);
        struct clockmap_interval at;
        if (!clockmap_at(map, (int64_t)middle, &at))
            return false;
        if (upper ? at.hi >= b : at.lo > b)
            hi = middle;
        else
            lo = middle + 1;
    }
    *tick = (int64_t)lo;
    return true;
}

bool clockmap_inverse(const struct clockmap *map, int64_t b, struct clockmap_interval *out)
{
    const struct clockmap_entry *from = anchor(map);
    if (from == NULL || !in_range(b))
        return false;
    const wide lo = far_tick(map, from, (wide)b - from->hi, -1),
               hi = far_tick(map, from, (wide)b - from->lo, 1);
    int64_t first, after;
    if (!bisect(map, lo, hi, b, true, &first) || !bisect(map, lo, hi, b, false, &after))
        return false;
    /* Rounding outward makes the ends grow unevenly by up to 3 ns: step out by that. */
    const int64_t margin = 3 * (1 + map->params.den / map->params.num);
    out->lo = first - margin;
    out->hi = after + margin;
    return true;
}

bool clockmap_rate(const struct clockmap *map, int64_t *lo_ppb, int64_t *hi_ppb)
{
    if (map->count == 0)
        return false;
    const struct clockmap_entry *newest = &map->entry[map->count - 1];
    int64_t lo = max64(newest->rate_lo - map->slew, -map->rate_max);
    int64_t hi = min64(newest->rate_hi + map->slew, map->rate_max);
    *lo_ppb = (int64_t)(((wide)lo * SHARE_PPB) >> RATE_BITS);
    *hi_ppb = (int64_t)ceil_shift((wide)hi * SHARE_PPB, RATE_BITS);
    return true;
}

size_t clockmap_count(const struct clockmap *map)
{
    return map->count;
}

bool clockmap_get(const struct clockmap *map, size_t index, struct clockmap_constraint *out)
{
    if (index >= map->count)
        return false;
    const struct clockmap_entry *entry = &map->entry[index];
    *out = (struct clockmap_constraint){entry->a, entry->lo, entry->hi};
    return true;
}

int64_t clockmap_middle(struct clockmap_interval interval)
{
    return (int64_t)(((wide)interval.lo + interval.hi) >> 1);
}

int64_t clockmap_half(struct clockmap_interval interval)
{
    wide middle = ((wide)interval.lo + interval.hi) >> 1;
    return (int64_t)(interval.hi - middle);
}
