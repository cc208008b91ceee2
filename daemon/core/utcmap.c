/*
 * utcmap: one clock map from monotonic time to an inner scale that is POSIX time plus the leap seconds since the start. On that scale a leap
 * is nothing; only the way in and the way out know of it. Rejected: following the kernel's clock through a leap (a step of a second
 * that is none), and smearing it (every bound would be wrong by up to half a second for a day).
 */
#include "core/utcmap.h"

#include <stdlib.h>
#include <string.h>

__extension__ typedef __int128 wide;

#define DAY_NS (INT64_C(86400) * NS_PER_S)
#define SANE_NS (INT64_C(1) << 61)

const char *clock_state_name(enum clock_state state)
{
    static const char *const names[] = {"unsynced", "holdover", "synced"};
    return names[state];
}

struct utcmap_params utcmap_params_default(enum utcmap_source source)
{
    /* A crystal is within 100 ppm and the kernel steers it by up to 500 ppm, of which a time daemon uses little once it has settled. The
     * system clock as source means that such a daemon is at work; GNSS means that one hardly is. */
    const bool system = source == UTCMAP_SYSTEM;
    return (struct utcmap_params){.clock = {.num = 1,
                                            .den = 1,
                                            .rate_ppb = system ? 1000000 : 600000,
                                            .wander_ppb_per_s = 100,
                                            .wander_ppb = 50000,
                                            .slew_ppb = system ? 500000 : 100000},
                                  .fresh_ns = (system ? 30 : 5) * NS_PER_S,
                                  .late_limit = 5};
}

int utcmap_init(struct utcmap *utc, enum utcmap_source source, const struct utcmap_params *params)
{
    memset(utc, 0, sizeof *utc);
    if (params->fresh_ns <= 0 || params->late_limit < 1 || params->clock.num != 1 || params->clock.den != 1)
        return -1;
    utc->source = source;
    utc->params = *params;
    return clockmap_init(&utc->map, &params->clock);
}

/* ---- leap seconds ---- */

static int64_t midnight_before(int64_t posix)
{
    int64_t rest = posix % DAY_NS;
    return posix - (rest < 0 ? rest + DAY_NS : rest);
}

static bool is_leap_year(int64_t year)
{
    return (year % 4 == 0 && year % 100 != 0) || year % 400 == 0;
}

/* Leap seconds fall at the end of a month (ITU-R TF.460: June and December first, then March and September, then any). */
static bool starts_month(int64_t midnight)
{
    static const int8_t lengths[] = {31, 28, 31, 30, 31, 30, 31, 31, 30, 31, 30, 31};
    int64_t day = midnight / DAY_NS;
    int64_t year = 1970;
    for (; day >= (is_leap_year(year) ? 366 : 365); year++)
        day -= is_leap_year(year) ? 366 : 365;
    for (int month = 0; day > 0; month++)
        day -= lengths[month] + (month == 1 && is_leap_year(year) ? 1 : 0);
    return day == 0;
}

static unsigned register_leap(struct utcmap *utc, int64_t midnight, int32_t seconds)
{
    utc->pending_at = 0;
    if (utc->has_leap && utc->leap_at == midnight)
        return 0;
    if (utc->has_leap) {
        /* A second one, half a year later at the least: begin anew rather than keep a table. */
        clockmap_clear(&utc->map);
        utc->heard.count = 0;
    }
    utc->has_leap = true;
    utc->leap_at = midnight;
    utc->leap_s = seconds;
    return UTCMAP_LEAPT;
}

/* What the kernel says about leaps, before the reading itself is used. */
static unsigned hear_leap_state(struct utcmap *utc, const struct utcmap_system *reading)
{
    const int64_t posix = reading->realtime.ns;
    if (reading->leap == UTCMAP_LEAP_RUNNING)
        return register_leap(utc, midnight_before(posix) + DAY_NS, 1);
    if (reading->leap == UTCMAP_LEAP_INSERT || reading->leap == UTCMAP_LEAP_DELETE) {
        utc->pending_at = midnight_before(posix) + DAY_NS;
        utc->pending_s = reading->leap == UTCMAP_LEAP_INSERT ? 1 : -1;
        return 0;
    }
    if (utc->pending_at != 0 && posix >= utc->pending_at)
        return register_leap(utc, utc->pending_at, utc->pending_s);
    return 0;
}

/* What to add to a POSIX reading taken at `mono` to get to the inner scale. */
static int64_t leap_shift(const struct utcmap *utc, int64_t posix, int64_t mono, bool running)
{
    if (!utc->has_leap)
        return 0;
    if (posix >= utc->leap_at)
        return utc->leap_s * NS_PER_S;
    if (utc->leap_s < 0 || posix < utc->leap_at - NS_PER_S)
        return 0;
    /* 23:59:59.x, for the first or the second time? */
    struct clockmap_interval now;
    bool after = clockmap_at(&utc->map, mono, &now) && clockmap_middle(now) >= utc->leap_at;
    return running || after ? NS_PER_S : 0;
}

/* Inner scale to POSIX. */
static int64_t to_posix(const struct utcmap *utc, int64_t inner, bool *leap_second)
{
    *leap_second = false;
    if (!utc->has_leap || inner < utc->leap_at - (utc->leap_s < 0 ? NS_PER_S : 0))
        return inner;
    *leap_second = utc->leap_s > 0 && inner < utc->leap_at + NS_PER_S;
    return inner - utc->leap_s * NS_PER_S;
}

/* A contradiction of just a second, just after the end of a month, is a leap that nobody announced. */
static bool unannounced_leap(const struct utcmap *utc, int verdict, int64_t at,
                             struct clockmap_interval inner, int64_t *midnight)
{
    if (verdict == 0 || utc->has_leap)
        return false;
    *midnight = midnight_before(inner.lo + NS_PER_S);
    const int64_t shift = verdict < 0 ? NS_PER_S : -NS_PER_S;
    return *midnight > 0 && starts_month(*midnight) &&
           clockmap_check(&utc->map, at, inner.lo + shift, inner.hi + shift) == 0;
}

/* ---- observations ---- */

static unsigned take(struct utcmap *utc, int64_t at, struct clockmap_interval inner, int64_t from, int64_t to)
{
    unsigned events = UTCMAP_TAKEN;
    switch (clockmap_add(&utc->map, at, inner.lo, inner.hi)) {
    case CLOCKMAP_REJECTED:
        utc->rejected++;
        return UTCMAP_REJECTED;
    case CLOCKMAP_STEP:
        events |= UTCMAP_STEP;
        utc->step_ns = utc->map.step_ns;
        utc->heard.count = 0;
        break;
    case CLOCKMAP_OK:
        break;
    }
    utc->taken++;
    utc->late_run = 0;
    presence_note(&utc->heard, from, to, utc->params.fresh_ns);
    if (!utc->synced) {
        utc->synced = true;
        events |= UTCMAP_SYNCED;
    }
    return events;
}

static unsigned lose(struct utcmap *utc)
{
    if (!utc->synced)
        return 0;
    utc->synced = false;
    return UTCMAP_LOST;
}

/* The system clock as a guess: its difference from monotonic time, and whether somebody has set it. */
static unsigned guess(struct utcmap *utc, const struct utcmap_system *reading)
{
    const int64_t width = reading->after.ns - reading->before.ns;
    const int64_t offset = reading->realtime.ns - (reading->before.ns + width / 2);
    const int64_t change = offset - utc->guess_ns;
    const bool step = utc->has_guess && !reading->synced && llabs(change) > width + NS_PER_MS;
    utc->has_guess = true;
    utc->guess_ns = offset;
    if (!step)
        return 0;
    utc->guess_step_ns = change;
    return UTCMAP_GUESS_STEP;
}

static bool sane(int64_t ns)
{
    return ns > -SANE_NS && ns < SANE_NS;
}

/* The most by which UTC grows in d ns of monotonic time. */
static int64_t most(const struct utcmap *utc, int64_t d)
{
    return d + (int64_t)((wide)d * utc->params.clock.rate_ppb / NS_PER_S) + 1;
}

unsigned utcmap_add_system(struct utcmap *utc, const struct utcmap_system *reading)
{
    const int64_t before = reading->before.ns, after = reading->after.ns, posix = reading->realtime.ns;
    if (!sane(before) || !sane(after) || !sane(posix) || after < before || reading->maxerror_us < 0 ||
        reading->maxerror_us > SANE_NS / NS_PER_US) {
        utc->rejected++;
        return UTCMAP_REJECTED;
    }
    unsigned events = guess(utc, reading);
    if (utc->source != UTCMAP_SYSTEM)
        return events;
    if (!reading->synced)
        return events | lose(utc);
    events |= hear_leap_state(utc, reading);
    const int64_t shift = leap_shift(utc, posix, after, reading->leap == UTCMAP_LEAP_RUNNING);
    const int64_t error = reading->maxerror_us * NS_PER_US;
    struct clockmap_interval inner = {posix + shift - error,
                                      posix + shift + error + most(utc, after - before)};
    int64_t midnight;
    int verdict = clockmap_check(&utc->map, after, inner.lo, inner.hi);
    if (unannounced_leap(utc, verdict, after, inner, &midnight)) {
        events |= register_leap(utc, midnight, verdict < 0 ? 1 : -1);
        inner.lo += utc->leap_s * NS_PER_S;
        inner.hi += utc->leap_s * NS_PER_S;
    }
    return events | take(utc, after, inner, before, after);
}

/* Lateness and glitches come singly, steps stay: leave out a contradiction until it has been repeated. */
static bool doubted(struct utcmap *utc, int verdict)
{
    if (verdict == 0)
        return false;
    if ((utc->late_run < 0) != (verdict < 0))
        utc->late_run = 0;
    utc->late_run += verdict;
    return abs(utc->late_run) < utc->params.late_limit;
}

unsigned utcmap_add_gnss(struct utcmap *utc, const struct utcmap_gnss *sentence)
{
    if (utc->source != UTCMAP_GNSS)
        return 0;
    const int64_t least = sentence->delay_min_ns, longest = sentence->delay_max_ns;
    if (!sentence->valid || !sane(sentence->arrival.ns) || !sane(sentence->utc.ns) || least < 0 ||
        longest < least || !sane(longest) || sentence->resolution_ns < 0 ||
        sentence->resolution_ns > DAY_NS) {
        utc->rejected++;
        return UTCMAP_REJECTED;
    }
    const int64_t at = sentence->arrival.ns - least, posix = sentence->utc.ns;
    const int64_t lo = posix + leap_shift(utc, posix, at, false);
    struct clockmap_interval inner = {lo, lo + sentence->resolution_ns + most(utc, longest - least)};
    unsigned events = 0;
    int64_t midnight;
    int verdict = clockmap_check(&utc->map, at, inner.lo, inner.hi);
    if (unannounced_leap(utc, verdict, at, inner, &midnight)) {
        events |= register_leap(utc, midnight, verdict < 0 ? 1 : -1);
        inner.lo += utc->leap_s * NS_PER_S;
        inner.hi += utc->leap_s * NS_PER_S;
    } else if (doubted(utc, verdict)) {
        utc->late++;
        return UTCMAP_LATE;
    }
    return events | take(utc, at, inner, at, sentence->arrival.ns);
}

unsigned utcmap_poll(struct utcmap *utc, mono_ns now)
{
    const struct presence_span *last = presence_last(&utc->heard);
    if (last == NULL || now.ns - last->to <= utc->params.fresh_ns)
        return 0;
    return lose(utc);
}

/* ---- answers ---- */

struct utc_answer utcmap_at(const struct utcmap *utc, mono_ns at)
{
    struct utc_answer answer = {.state = CLOCK_UNSYNCED};
    struct clockmap_interval inner;
    if (!sane(at.ns))
        return answer;
    if (clockmap_at(&utc->map, at.ns, &inner)) {
        answer.known = answer.bound_known = true;
        answer.utc.ns = to_posix(utc, clockmap_middle(inner), &answer.leap_second);
        answer.bound_ns = clockmap_half(inner);
        answer.state = presence_at(&utc->heard, at.ns, utc->params.fresh_ns) ? CLOCK_SYNCED : CLOCK_HOLDOVER;
    } else if (utc->has_guess) {
        answer.known = true;
        answer.utc.ns = at.ns + utc->guess_ns;
    }
    return answer;
}

bool utcmap_newest(const struct utcmap *utc, struct clockmap_constraint *out)
{
    const size_t count = clockmap_count(&utc->map);
    bool leap_second;
    if (count == 0 || !clockmap_get(&utc->map, count - 1, out))
        return false;
    out->lo = to_posix(utc, out->lo, &leap_second);
    out->hi = to_posix(utc, out->hi, &leap_second);
    if (out->lo > out->hi) /* across the beginning of an inserted second, whose POSIX times repeat */
        out->hi = out->lo;
    return true;
}

bool utcmap_inverse(const struct utcmap *utc, utc_ns at, struct clockmap_interval *mono, bool *is_guess)
{
    if (!sane(at.ns))
        return false;
    *is_guess = false;
    if (clockmap_inverse(&utc->map, at.ns + leap_shift(utc, at.ns, INT64_MIN, false), mono))
        return true;
    if (!utc->has_guess)
        return false;
    *is_guess = true;
    mono->lo = mono->hi = at.ns - utc->guess_ns;
    return true;
}
