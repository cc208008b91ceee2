/*
 * nmea_utc: the UTC of a sentence, with the day found for those that carry only a time (see nmea.h).
 *
 * Day numbers: March-based years make the leap day the last of the year, so that one linear formula counts the days of the months
 * (the usual civil-calendar arithmetic; checked in the tests against published dates).
 */
#include "core/nmea.h"

static const int64_t day_ns = 86400 * NS_PER_S;

/* Days from 1970-01-01. */
static int64_t day_number(int year, int month, int day)
{
    int64_t y = year - (month <= 2);
    int64_t from_march = (month + 9) % 12;
    int64_t before_month = (153 * from_march + 2) / 5;

    return 365 * y + y / 4 - y / 100 + y / 400 + before_month + day - 719469;
}

static int64_t floor_div(int64_t a, int64_t b)
{
    return a / b - (a % b < 0);
}

/* The time of day on that day which lies nearest to what is expected. */
static int64_t nearest(int64_t expected_ns, int64_t time_ns)
{
    int64_t day = floor_div(expected_ns - time_ns + day_ns / 2, day_ns);

    return day * day_ns + time_ns;
}

bool nmea_utc(struct nmea_calendar *calendar, const struct nmea_sentence *sentence, mono_ns at, utc_ns *out)
{
    if ((sentence->has & NMEA_HAS_TIME) == 0 || !sentence->time_trusted) {
        return false;
    }
    int64_t time_ns = sentence->time_of_day_s * NS_PER_S + sentence->time_of_day_ns;
    if ((sentence->has & NMEA_HAS_DATE) != 0) {
        int64_t day = day_number(sentence->year, sentence->month, sentence->day);
        *calendar = (struct nmea_calendar){.known = true, .utc_ns = day * day_ns + time_ns, .mono_ns = at.ns};
        out->ns = calendar->utc_ns;
        return true;
    }
    if (!calendar->known) {
        return false;
    }
    out->ns = nearest(calendar->utc_ns + (at.ns - calendar->mono_ns), time_ns);
    return true;
}
