#include "io/utctext.h"

#include <string.h>

/* Reads exactly `count` digits. */
static bool digits(const char **at, int count, int64_t *out)
{
    int64_t value = 0;
    for (int i = 0; i < count; i++, (*at)++) {
        if (**at < '0' || **at > '9')
            return false;
        value = value * 10 + (**at - '0');
    }
    *out = value;
    return true;
}

static bool one_of(const char **at, const char *set)
{
    if (**at == '\0' || strchr(set, **at) == NULL)
        return false;
    (*at)++;
    return true;
}

/* Days from 1970-01-01 in the proleptic Gregorian calendar: whole years before, leap days among them, days of months. */
static int64_t day_number(int64_t year, int64_t month, int64_t day)
{
    static const int16_t before[12] = {0, 31, 59, 90, 120, 151, 181, 212, 243, 273, 304, 334};
    int64_t past = year - 1;
    int64_t leaps = past / 4 - past / 100 + past / 400 - (1969 / 4 - 1969 / 100 + 1969 / 400);
    bool leap = year % 4 == 0 && (year % 100 != 0 || year % 400 == 0);
    return (year - 1970) * 365 + leaps + before[month - 1] + (leap && month > 2 ? 1 : 0) + day - 1;
}

static bool month_has(int64_t year, int64_t month, int64_t day)
{
    static const int8_t length[12] = {31, 28, 31, 30, 31, 30, 31, 31, 30, 31, 30, 31};
    if (month < 1 || month > 12)
        return false;
    bool leap = year % 4 == 0 && (year % 100 != 0 || year % 400 == 0);
    return day >= 1 && day <= length[month - 1] + (leap && month == 2 ? 1 : 0);
}

static bool decimals(const char **at, int64_t *ns)
{
    *ns = 0;
    if (**at != '.')
        return true;
    (*at)++;
    int64_t unit = NS_PER_S / 10;
    const char *start = *at;
    for (; **at >= '0' && **at <= '9'; (*at)++, unit /= 10)
        *ns += (**at - '0') * unit;
    return *at > start;
}

static bool offset(const char **at, int64_t *seconds)
{
    *seconds = 0;
    if (one_of(at, "Zz"))
        return true;
    int64_t sign = **at == '-' ? -1 : 1, hours, minutes;
    if (!one_of(at, "+-") || !digits(at, 2, &hours) || !one_of(at, ":") || !digits(at, 2, &minutes) ||
        hours > 23 || minutes > 59)
        return false;
    *seconds = sign * (hours * 3600 + minutes * 60);
    return true;
}

bool utctext_parse(const char *text, utc_ns *out)
{
    const char *at = text;
    int64_t year, month, day, hour, minute, second, ns, away;
    bool date = digits(&at, 4, &year) && one_of(&at, "-") && digits(&at, 2, &month) && one_of(&at, "-") &&
                digits(&at, 2, &day) && one_of(&at, "Tt ");
    bool time = date && digits(&at, 2, &hour) && one_of(&at, ":") && digits(&at, 2, &minute) &&
                one_of(&at, ":") && digits(&at, 2, &second) && decimals(&at, &ns) && offset(&at, &away);
    if (!time || *at != '\0' || year < 1970 || year > 2200 || !month_has(year, month, day) || hour > 23 ||
        minute > 59 || second > 60)
        return false;
    if (second == 60) {
        second = 59;
        ns = NS_PER_S - 1;
    }
    int64_t seconds = day_number(year, month, day) * 86400 + hour * 3600 + minute * 60 + second - away;
    if (seconds < 0)
        return false;
    out->ns = seconds * NS_PER_S + ns;
    return true;
}
