/*
 * nmea: from a line to a sentence (see nmea.h).
 *
 * Fields are read left to right by a cursor that stops at ',' or '*'. The '*' before the checksum is so the sentinel of every
 * loop and no length is compared per byte; a line accepted without a checksum is copied once and gets one.
 *
 * Where a field begins must not wait for anything: not for arithmetic on the field before (branches are predicted, sums are not), and not for
 * memory. So a cursor is a value that lives in registers: what takes its address is inlined, what is called takes it and returns it.
 *
 * Rejected: splitting into an array of fields first (a second pass over the bytes), and strtod (slow, and it obeys the locale).
 */
#include "core/nmea.h"

#include <string.h>

#include "core/bytes16.h"
#include "core/lines.h"

/* A sentence with a field that cannot be read goes on at a star of its own, `spoilt`: further fields are empty. */
struct cursor {
    const char *at;
    const char *star; /* the '*' that ends the last field; STAR_ROOM bytes can be read there */
};

enum { STAR_ROOM = 3 }; /* "*hh" */

static const char spoilt[STAR_ROOM] = {'*'};

static const double power_of_ten[] = {1e0,  1e1,  1e2,  1e3,  1e4,  1e5,  1e6,  1e7,  1e8, 1e9,
                                      1e10, 1e11, 1e12, 1e13, 1e14, 1e15, 1e16, 1e17, 1e18};
static const int32_t nano_scale[] = {1000000000, 100000000, 10000000, 1000000, 100000,
                                     10000,      1000,      100,      10,      1};

enum { DIGITS_MAX = 18, NANO_DIGITS = 9 };

#define INLINE static inline __attribute__((always_inline))
#define RARE static __attribute__((noinline)) /* kept out of the short way that nearly every field takes */

/* ---- fields ---- */

INLINE bool ends(char c)
{
    return c == ',' || c == '*';
}

/* 0 to 9; more for what is no digit. */
INLINE unsigned digit(const char *at)
{
    return (unsigned)(uint8_t)*at - '0';
}

INLINE bool is_digit(char c)
{
    return digit(&c) < 10U;
}

INLINE void spoil(struct cursor *c)
{
    *c = (struct cursor){spoilt, spoilt};
}

/* Leaves the field at `at`: past the comma, or on the '*', where all further fields are empty. Anything else spoils the sentence. */
INLINE void leave(struct cursor *c, const char *at)
{
    if (*at == ',') {
        c->at = at + 1;
    } else if (*at == '*') {
        c->at = at;
    } else {
        spoil(c);
    }
}

static size_t length(const char *field)
{
    size_t len = 0;

    while (!ends(field[len])) {
        len++;
    }
    return len;
}

static const char *skip_blanks(const char *at)
{
    while (*at == ' ') {
        at++;
    }
    return at;
}

INLINE void skip(struct cursor *c)
{
    leave(c, c->at + length(c->at));
}

/* Digits from `at` on, added to *mantissa; overflow is caught by their count. */
INLINE const char *digits(const char *at, uint64_t *mantissa)
{
    uint64_t value = *mantissa;

    for (unsigned d = digit(at); d < 10U; d = digit(++at)) {
        value = value * 10U + d;
    }
    *mantissa = value;
    return at;
}

/* Two numbers of two digits each; false if there are not four digits. `at` must lie before the star. */
INLINE bool two_pairs(const char *at, unsigned *first, unsigned *second)
{
    uint32_t four;

    memcpy(&four, at, sizeof four);
#if __BYTE_ORDER__ == __ORDER_BIG_ENDIAN__
    four = __builtin_bswap32(four);
#endif
    four ^= 0x30303030U;
    if ((((four + 0x76767676U) | four) & 0x80808080U) != 0) { /* some byte is above 9 */
        return false;
    }
    four = four * 10U + (four >> 8);
    *first = four & 0xffU;
    *second = four >> 16 & 0xffU;
    return true;
}

/* A decimal number from its first digit or its point on. */
struct decimal {
    const char *end; /* NULL: it is none, or has too many digits */
    double value;
};

INLINE struct decimal unsigned_decimal(const char *first)
{
    uint64_t mantissa = 0;
    const char *at = digits(first, &mantissa);
    ptrdiff_t count = at - first, decimals = 0;

    if (*at == '.') {
        const char *point = ++at;
        at = digits(at, &mantissa);
        decimals = at - point;
        count += decimals;
    }
    if (count == 0 || count > DIGITS_MAX) {
        return (struct decimal){.end = NULL};
    }
    /* The signed conversion is one instruction. */
    return (struct decimal){.end = at, .value = (double)(int64_t)mantissa / power_of_ten[decimals]};
}

static struct decimal plain_decimal(const char *at)
{
    if (*at == '-') {
        struct decimal found = unsigned_decimal(at + 1);
        found.value = 0.0 - found.value; /* never -0 */
        return found;
    }
    return unsigned_decimal(at);
}

/* A number as rarely written, the last of a sentence, or none. */
RARE struct cursor other_number(struct cursor c, double *out, bool *known)
{
    const char *at = skip_blanks(c.at);

    *known = false;
    if (ends(*at)) {
        leave(&c, at);
        return c;
    }
    struct decimal found = plain_decimal(at + (*at == '+' && at[1] != '-'));
    if (found.end == NULL) {
        spoil(&c);
        return c;
    }
    leave(&c, skip_blanks(found.end));
    *out = found.value;
    *known = true;
    return c;
}

/* A decimal number; false if the field is empty. */
INLINE bool number(struct cursor *c, double *out)
{
    const struct decimal found = plain_decimal(c->at);
    bool known;

    if (found.end != NULL && *found.end == ',') {
        c->at = found.end + 1;
        *out = found.value;
        return true;
    }
    *c = other_number(*c, out, &known);
    return known;
}

RARE struct cursor other_whole(struct cursor c, int *out, bool *known)
{
    uint64_t value = 0;
    const char *first = skip_blanks(c.at);
    const char *at = digits(first, &value);

    *known = at != first;
    if (at - first > NANO_DIGITS) {
        spoil(&c);
        return c;
    }
    leave(&c, skip_blanks(at));
    *out = (int)value;
    return c;
}

/* A whole number without sign, of at most nine digits; false if the field is empty. */
INLINE bool whole(struct cursor *c, int *out)
{
    uint64_t value = 0;
    const char *at = digits(c->at, &value);
    bool known;

    if (*at == ',' && at != c->at && at - c->at <= NANO_DIGITS) {
        c->at = at + 1;
        *out = (int)value;
        return true;
    }
    *c = other_whole(*c, out, &known);
    return known;
}

/* A field of one character; 0 if it is empty. */
INLINE char letter(struct cursor *c)
{
    char found = *c->at;

    if (ends(found)) {
        leave(c, c->at);
        return 0;
    }
    leave(c, c->at + 1);
    return found;
}

RARE struct cursor other_letter(struct cursor c, char wanted)
{
    char found = letter(&c);

    if (found != 0 && found != wanted) {
        spoil(&c);
    }
    return c;
}

/* A unit or reference letter that may be missing but must not be another. */
INLINE void expect(struct cursor *c, char wanted)
{
    if (c->at[0] == wanted && c->at[1] == ',') {
        c->at += 2;
    } else {
        *c = other_letter(*c, wanted);
    }
}

/* +1, -1, or 0 if the field is empty. */
INLINE int sign_of(struct cursor *c, char plus, char minus)
{
    char found = letter(c);

    if (found == plus) {
        return 1;
    }
    if (found != 0 && found != minus) {
        spoil(c);
    }
    return found == 0 ? 0 : -1;
}

/* Fraction digits after a point as 1e-9 units; digits beyond the ninth are read over. */
INLINE const char *nano_fraction(const char *at, int32_t *out)
{
    int32_t value = 0;
    unsigned high, low;

    *out = 0;
    if (*at != '.') {
        return at;
    }
    const char *first = ++at;
    if (is_digit(*at) && two_pairs(at, &high, &low)) {
        value = (int32_t)(high * 100U + low);
        at += 4;
    }
    while (is_digit(*at) && at - first < NANO_DIGITS) {
        value = value * 10 + (*at++ - '0');
    }
    *out = value * nano_scale[at - first];
    while (is_digit(*at)) {
        at++;
    }
    return at;
}

/* Degrees and minutes before the point, as far as there are digits. `usual`: 4 for ddmm, 5 for dddmm. */
struct minutes {
    const char *end;
    unsigned deg, min;
};

RARE struct minutes other_minutes(const char *at)
{
    uint64_t dddmm = 0;

    at = digits(at, &dddmm);
    return (struct minutes){.end = at, .deg = (unsigned)(dddmm / 100U), .min = (unsigned)(dddmm % 100U)};
}

INLINE struct minutes whole_minutes(const char *at, int usual)
{
    const int hundreds = usual == 5;
    struct minutes found = {.end = at + usual};

    if (is_digit(at[0]) && is_digit(at[hundreds]) && two_pairs(at + hundreds, &found.deg, &found.min) &&
        *found.end == '.') {
        found.deg += hundreds ? digit(at) * 100U : 0U;
        return found;
    }
    return other_minutes(at);
}

/* dddmm.mmmm and its hemisphere, in 1e-9 degree. False if empty. */
INLINE bool coordinate(struct cursor *c, unsigned max_deg, char plus, char minus, int64_t *out)
{
    const char *first = c->at;
    const struct minutes found = whole_minutes(first, max_deg == 90 ? 4 : 5);
    const ptrdiff_t count = found.end - first;
    int32_t nano = 0;
    const char *at = nano_fraction(found.end, &nano);

    leave(c, at);
    int sign = sign_of(c, plus, minus);
    if (at == first) {
        return false;
    }
    if (count == 0 || count > 5 || sign == 0) {
        spoil(c);
        return false;
    }
    int64_t nano_minutes = ((int64_t)found.deg * 60 + found.min) * NS_PER_S + nano;
    if (found.min >= 60 || nano_minutes > max_deg * 60 * NS_PER_S) {
        spoil(c);
        return false;
    }
    *out = sign * ((nano_minutes + 30) / 60);
    return true;
}

/* Latitude and longitude; *placed if both are there. */
static struct cursor position(struct cursor c, struct nmea_sentence *s, bool *placed)
{
    bool lat = coordinate(&c, 90, 'N', 'S', &s->lat_e9);
    bool lon = coordinate(&c, 180, 'E', 'W', &s->lon_e9);

    *placed = lat && lon;
    return c;
}

/* hhmmss or hhmmss.sss */
static struct cursor time_of_day(struct cursor c, struct nmea_sentence *s)
{
    const char *at = c.at;
    unsigned hour, minute, second;

    if (ends(*at)) {
        leave(&c, at);
        return c;
    }
    if (!two_pairs(at, &hour, &minute) || !two_pairs(at + 2, &minute, &second)) {
        spoil(&c);
        return c;
    }
    bool leap = hour == 23 && minute == 59 && second == 60;
    if (hour > 23 || minute > 59 || (second > 59 && !leap)) {
        spoil(&c);
        return c;
    }
    leave(&c, nano_fraction(at + 6, &s->time_of_day_ns)); /* a seventh digit spoils */
    s->time_of_day_s = (int32_t)(hour * 3600 + minute * 60 + second);
    s->has |= NMEA_HAS_TIME;
    return c;
}

static struct cursor date(struct cursor c, struct nmea_sentence *s, int year, int month, int day)
{
    static const int8_t days[] = {31, 28, 31, 30, 31, 30, 31, 31, 30, 31, 30, 31};
    bool leap = year % 4 == 0 && (year % 100 != 0 || year % 400 == 0);

    if (month < 1 || month > 12 || day < 1 || day > days[month - 1] + (leap && month == 2)) {
        spoil(&c);
        return c;
    }
    s->year = (int16_t)year;
    s->month = (int8_t)month;
    s->day = (int8_t)day;
    s->has |= NMEA_HAS_DATE;
    return c;
}

INLINE bool get(struct cursor *c, struct nmea_sentence *s, uint32_t flag, double *out)
{
    bool known = number(c, out);

    s->has |= known ? flag : 0U;
    return known;
}

/* As get(), for what cannot lie outside 0..360. */
INLINE bool get_angle(struct cursor *c, struct nmea_sentence *s, uint32_t flag, double *out)
{
    bool known = get(c, s, flag, out);

    if (known && (*out < 0.0 || *out > 360.0)) {
        spoil(c);
    }
    return known;
}

/* ---- sentences ---- */

static struct cursor read_gga(struct cursor c, struct nmea_sentence *s)
{
    bool placed;

    c = time_of_day(c, s);
    c = position(c, s, &placed);
    bool rated = whole(&c, &s->quality);
    s->has |= rated ? (uint32_t)NMEA_HAS_QUALITY : 0U;
    s->has |= whole(&c, &s->satellites) ? (uint32_t)NMEA_HAS_SATELLITES : 0U;
    get(&c, s, NMEA_HAS_HDOP, &s->hdop);
    get(&c, s, NMEA_HAS_ALTITUDE, &s->altitude_m);
    expect(&c, 'M');
    get(&c, s, NMEA_HAS_GEOID, &s->geoid_m);
    expect(&c, 'M');
    s->time_trusted = rated && s->quality != 0;
    s->has |= placed && s->time_trusted ? (uint32_t)NMEA_HAS_POSITION : 0U;
    return c;
}

/* The mode letter that newer receivers add; absent means nothing against the fix. */
INLINE bool mode_valid(struct cursor *c)
{
    return letter(c) != 'N';
}

static struct cursor read_rmc(struct cursor c, struct nmea_sentence *s)
{
    double variation;
    int ddmmyy = 0;
    bool placed;

    c = time_of_day(c, s);
    bool valid = sign_of(&c, 'A', 'V') > 0;
    c = position(c, s, &placed);
    bool moving = number(&c, &s->speed_kn);
    bool heading_for = number(&c, &s->course_true_deg);
    const char *before = c.at;
    if (whole(&c, &ddmmyy)) {
        int yy = ddmmyy % 100;
        c = date(c, s, yy >= 80 ? 1900 + yy : 2000 + yy, ddmmyy / 100 % 100, ddmmyy / 10000);
        if (length(before) != 6) {
            spoil(&c);
        }
    }
    bool varied = number(&c, &variation);
    int east = sign_of(&c, 'E', 'W');
    valid = mode_valid(&c) && valid;
    if (heading_for && (s->course_true_deg < 0.0 || s->course_true_deg > 360.0)) {
        spoil(&c);
    }
    if (varied && east != 0) {
        s->variation_deg = variation * east;
        s->has |= NMEA_HAS_VARIATION;
    }
    s->time_trusted = valid;
    s->has |= valid && placed ? (uint32_t)NMEA_HAS_POSITION : 0U;
    s->has |= valid && moving ? (uint32_t)NMEA_HAS_SPEED : 0U;
    s->has |= valid && heading_for ? (uint32_t)NMEA_HAS_COURSE_TRUE : 0U;
    return c;
}

static struct cursor read_zda(struct cursor c, struct nmea_sentence *s)
{
    int day = 0;
    int month = 0;
    int year = 0;
    double hours = 0.0;
    double minutes = 0.0;

    c = time_of_day(c, s);
    bool dated = whole(&c, &day);
    dated = whole(&c, &month) && dated;
    dated = whole(&c, &year) && dated;
    if (dated && (year < 1980 || year > 2199)) {
        spoil(&c);
    } else if (dated) {
        c = date(c, s, year, month, day);
    }
    if (number(&c, &hours) && number(&c, &minutes)) {
        if (hours < -13.0 || hours > 14.0 || minutes < -59.0 || minutes > 59.0) {
            spoil(&c);
            return c;
        }
        s->zone_h = (int8_t)hours;
        s->zone_min = (int8_t)minutes;
        s->has |= NMEA_HAS_ZONE;
    }
    return c;
}

static struct cursor read_gll(struct cursor c, struct nmea_sentence *s)
{
    bool placed;

    c = position(c, s, &placed);
    c = time_of_day(c, s);
    bool valid = sign_of(&c, 'A', 'V') > 0;
    valid = mode_valid(&c) && valid;

    s->time_trusted = valid;
    s->has |= valid && placed ? (uint32_t)NMEA_HAS_POSITION : 0U;
    return c;
}

/* The best of the modes, one letter a satellite system, as GGA's quality. */
INLINE int best_mode(struct cursor *c)
{
    static const struct {
        char mode;
        int quality, rank;
    } known[] = {{'N', 0, 0}, {'S', 8, 1}, {'M', 7, 2}, {'E', 6, 3}, {'A', 1, 4},
                 {'D', 2, 5}, {'P', 3, 6}, {'F', 5, 7}, {'R', 4, 8}};
    int quality = 0;
    int rank = 0;
    const char *at = c->at;

    for (; !ends(*at); at++) {
        for (size_t i = 0; i < sizeof known / sizeof known[0]; i++) {
            if (*at == known[i].mode && known[i].rank > rank) {
                rank = known[i].rank;
                quality = known[i].quality;
            }
        }
    }
    leave(c, at);
    return quality;
}

static struct cursor read_gns(struct cursor c, struct nmea_sentence *s)
{
    bool placed;

    c = time_of_day(c, s);
    c = position(c, s, &placed);
    bool rated = !ends(*c.at);
    s->quality = best_mode(&c);
    s->has |= rated ? (uint32_t)NMEA_HAS_QUALITY : 0U;
    s->has |= whole(&c, &s->satellites) ? (uint32_t)NMEA_HAS_SATELLITES : 0U;
    get(&c, s, NMEA_HAS_HDOP, &s->hdop);
    get(&c, s, NMEA_HAS_ALTITUDE, &s->altitude_m);
    get(&c, s, NMEA_HAS_GEOID, &s->geoid_m);
    s->time_trusted = s->quality != 0;
    s->has |= placed && s->time_trusted ? (uint32_t)NMEA_HAS_POSITION : 0U;
    return c;
}

static struct cursor read_gst(struct cursor c, struct nmea_sentence *s)
{
    c = time_of_day(c, s);
    for (int i = 0; i < 4; i++) {
        skip(&c); /* rms of the ranges, and the error ellipse */
    }
    bool lat = number(&c, &s->lat_sigma_m);
    bool lon = number(&c, &s->lon_sigma_m);
    s->has |= lat && lon ? (uint32_t)NMEA_HAS_SIGMA : 0U;
    return c;
}

static const double kn_per_km_h = 1.0 / 1.852;

/* Knots, or else kilometres an hour. */
INLINE bool speed(struct cursor *c, double *kn)
{
    double km_h;
    bool in_knots = number(c, kn);

    expect(c, 'N');
    bool in_km_h = number(c, &km_h);
    expect(c, 'K');
    if (!in_knots && in_km_h) {
        *kn = km_h * kn_per_km_h;
    }
    return in_knots || in_km_h;
}

static struct cursor read_vtg(struct cursor c, struct nmea_sentence *s)
{
    get_angle(&c, s, NMEA_HAS_COURSE_TRUE, &s->course_true_deg);
    expect(&c, 'T');
    get_angle(&c, s, NMEA_HAS_COURSE_MAGNETIC, &s->course_magnetic_deg);
    expect(&c, 'M');
    s->has |= speed(&c, &s->speed_kn) ? (uint32_t)NMEA_HAS_SPEED : 0U;
    if (!mode_valid(&c)) {
        s->has = 0;
    }
    return c;
}

static struct cursor read_hdt(struct cursor c, struct nmea_sentence *s)
{
    get_angle(&c, s, NMEA_HAS_HEADING_TRUE, &s->heading_true_deg);
    expect(&c, 'T');
    return c;
}

static struct cursor read_hdg(struct cursor c, struct nmea_sentence *s)
{
    static const uint32_t flag[] = {NMEA_HAS_DEVIATION, NMEA_HAS_VARIATION};
    double *const value[] = {&s->deviation_deg, &s->variation_deg};

    get_angle(&c, s, NMEA_HAS_HEADING_MAGNETIC, &s->heading_magnetic_deg);
    for (int i = 0; i < 2; i++) {
        bool known = number(&c, value[i]);
        int east = sign_of(&c, 'E', 'W');
        if (known && east != 0) {
            *value[i] *= east;
            s->has |= flag[i];
        }
    }
    return c;
}

static struct cursor read_ths(struct cursor c, struct nmea_sentence *s)
{
    get_angle(&c, s, NMEA_HAS_HEADING_TRUE, &s->heading_true_deg);
    if (letter(&c) == 'V') {
        s->has = 0;
    }
    return c;
}

static struct cursor read_rot(struct cursor c, struct nmea_sentence *s)
{
    get(&c, s, NMEA_HAS_TURN, &s->turn_deg_min);
    if (sign_of(&c, 'A', 'V') < 0) {
        s->has = 0;
    }
    return c;
}

static struct cursor read_dpt(struct cursor c, struct nmea_sentence *s)
{
    get(&c, s, NMEA_HAS_DEPTH, &s->depth_m);
    get(&c, s, NMEA_HAS_OFFSET, &s->offset_m);
    get(&c, s, NMEA_HAS_RANGE, &s->range_m);
    return c;
}

/* DBT and DBS: the same depth in three units, of which metres are preferred. */
static struct cursor read_depth(struct cursor c, struct nmea_sentence *s)
{
    double feet;
    double metres;
    double fathoms;
    bool in_feet = number(&c, &feet);
    expect(&c, 'f');
    bool in_metres = number(&c, &metres);
    expect(&c, 'M');
    bool in_fathoms = number(&c, &fathoms);
    expect(&c, 'F');

    if (in_metres) {
        s->depth_m = metres;
    } else if (in_feet) {
        s->depth_m = feet * 0.3048;
    } else if (in_fathoms) {
        s->depth_m = fathoms * 1.8288;
    }
    s->has |= in_metres || in_feet || in_fathoms ? (uint32_t)NMEA_HAS_DEPTH : 0U;
    return c;
}

static struct cursor read_mtw(struct cursor c, struct nmea_sentence *s)
{
    get(&c, s, NMEA_HAS_TEMPERATURE, &s->temperature_C);
    expect(&c, 'C');
    return c;
}

static struct cursor read_vhw(struct cursor c, struct nmea_sentence *s)
{
    get_angle(&c, s, NMEA_HAS_HEADING_TRUE, &s->heading_true_deg);
    expect(&c, 'T');
    get_angle(&c, s, NMEA_HAS_HEADING_MAGNETIC, &s->heading_magnetic_deg);
    expect(&c, 'M');
    s->has |= speed(&c, &s->water_speed_kn) ? (uint32_t)NMEA_HAS_WATER_SPEED : 0U;
    return c;
}

/* Two speeds and the status that covers both. */
INLINE void log_pair(struct cursor *c, struct nmea_sentence *s, uint32_t ahead_flag, double *ahead,
                     uint32_t across_flag, double *across)
{
    bool has_ahead = number(c, ahead);
    bool has_across = number(c, across);
    bool valid = sign_of(c, 'A', 'V') > 0;

    s->has |= valid && has_ahead ? ahead_flag : 0U;
    s->has |= valid && has_across ? across_flag : 0U;
}

static struct cursor read_vbw(struct cursor c, struct nmea_sentence *s)
{
    log_pair(&c, s, NMEA_HAS_WATER_SPEED, &s->water_speed_kn, NMEA_HAS_WATER_ACROSS, &s->water_across_kn);
    log_pair(&c, s, NMEA_HAS_GROUND_AHEAD, &s->ground_ahead_kn, NMEA_HAS_GROUND_ACROSS, &s->ground_across_kn);
    return c;
}

RARE struct cursor name_by_bytes(struct cursor c, char out[NMEA_XDR_NAME_MAX])
{
    const char *at = c.at;
    size_t len = 0;

    for (; !ends(*at); at++) {
        if (len < NMEA_XDR_NAME_MAX - 1) {
            out[len++] = *at;
        }
    }
    out[len] = '\0';
    leave(&c, at);
    return c;
}

INLINE void name(struct cursor *c, char out[NMEA_XDR_NAME_MAX])
{
    if (c->star + STAR_ROOM - c->at >= 16) {
        const bytes16 bytes = bytes16_load(c->at);
        const unsigned end = bytes16_bits(bytes16_or(bytes16_equal(bytes, ','), bytes16_equal(bytes, '*')));
        if (end != 0) {
            const unsigned len = (unsigned)__builtin_ctz(end);
            bytes16_store(out, bytes16_first(bytes, len));
            leave(c, c->at + len);
            return;
        }
    }
    *c = name_by_bytes(*c, out);
}

static struct cursor read_xdr(struct cursor c, struct nmea_sentence *s)
{
    struct nmea_xdr beyond = {.type = 0};

    while (*c.at != '*') {
        bool room = s->xdr_count < NMEA_XDR_MAX;
        struct nmea_xdr *x = room ? &s->xdr[s->xdr_count] : &beyond;
        x->type = letter(&c);
        x->known = number(&c, &x->value);
        x->unit = letter(&c);
        name(&c, x->name);
        s->xdr_count += room;
        s->xdr_dropped += !room;
        s->has |= x->known && room ? (uint32_t)NMEA_HAS_XDR : 0U;
    }
    return c;
}

/* ---- the line ---- */

typedef struct cursor read_fn(struct cursor c, struct nmea_sentence *s);

#define FORMATTER(a, b, c) ((uint32_t)(a) << 16 | (uint32_t)(b) << 8 | (uint32_t)(c))
#define MEASURED                                                                                             \
    (~(uint32_t)(NMEA_HAS_QUALITY | NMEA_HAS_SATELLITES | NMEA_HAS_HDOP | NMEA_HAS_TIME | NMEA_HAS_DATE))

struct layout {
    uint32_t formatter; /* 0: a slot not used */
    uint32_t payload;   /* without one of these the sentence has no data */
    read_fn *read;
    enum nmea_type type;
};

/* Its own slot for each formatter that is read: were one taken twice, the compiler would warn. */
enum { SLOTS = 64 };
#define SLOT(a, b, c) (((unsigned)(a) + 2U * (unsigned)(b) + (unsigned)(c)) % SLOTS)
#define LAYOUT(a, b, c, type, read, payload) [SLOT(a, b, c)] = {FORMATTER(a, b, c), payload, read, type}

static const struct layout layouts[SLOTS] = {
    LAYOUT('G', 'G', 'A', NMEA_GGA, read_gga, NMEA_HAS_POSITION),
    LAYOUT('R', 'M', 'C', NMEA_RMC, read_rmc, NMEA_HAS_POSITION | NMEA_HAS_SPEED | NMEA_HAS_COURSE_TRUE),
    LAYOUT('Z', 'D', 'A', NMEA_ZDA, read_zda, NMEA_HAS_TIME | NMEA_HAS_DATE),
    LAYOUT('G', 'L', 'L', NMEA_GLL, read_gll, NMEA_HAS_POSITION),
    LAYOUT('G', 'N', 'S', NMEA_GNS, read_gns, NMEA_HAS_POSITION),
    LAYOUT('G', 'S', 'T', NMEA_GST, read_gst, NMEA_HAS_SIGMA),
    LAYOUT('V', 'T', 'G', NMEA_VTG, read_vtg, MEASURED),
    LAYOUT('H', 'D', 'T', NMEA_HDT, read_hdt, MEASURED),
    LAYOUT('H', 'D', 'G', NMEA_HDG, read_hdg, NMEA_HAS_HEADING_MAGNETIC),
    LAYOUT('T', 'H', 'S', NMEA_THS, read_ths, MEASURED),
    LAYOUT('R', 'O', 'T', NMEA_ROT, read_rot, MEASURED),
    LAYOUT('D', 'P', 'T', NMEA_DPT, read_dpt, NMEA_HAS_DEPTH),
    LAYOUT('D', 'B', 'T', NMEA_DBT, read_depth, MEASURED),
    LAYOUT('D', 'B', 'S', NMEA_DBS, read_depth, MEASURED),
    LAYOUT('M', 'T', 'W', NMEA_MTW, read_mtw, MEASURED),
    LAYOUT('V', 'H', 'W', NMEA_VHW, read_vhw, MEASURED),
    LAYOUT('V', 'B', 'W', NMEA_VBW, read_vbw, MEASURED),
    LAYOUT('X', 'D', 'R', NMEA_XDR, read_xdr, MEASURED),
};

/* By the three letters after the talker; NULL if they are none that is read. */
static const struct layout *layout_of(const char *letters)
{
    const uint8_t a = (uint8_t)letters[0], b = (uint8_t)letters[1], c = (uint8_t)letters[2];
    const struct layout *layout = &layouts[SLOT(a, b, c)];

    return layout->formatter == FORMATTER(a, b, c) && layout->read != NULL ? layout : NULL;
}

static bool is_address_char(char c)
{
    return is_digit(c) || (c >= 'A' && c <= 'Z');
}

/* `start` is the '$'; `star` the '*' that ends the fields. */
static enum nmea_verdict read_body(const char *start, const char *star, struct nmea_sentence *out)
{
    if (!is_address_char(start[1])) {
        return NMEA_MALFORMED;
    }
    /* P opens a maker's own sentences, whose letters mean nothing here. */
    if (star - start < 6 || !ends(start[6]) || start[0] == '!' || start[1] == 'P') {
        return NMEA_UNKNOWN;
    }
    const struct layout *layout = layout_of(start + 3);
    if (layout == NULL) {
        return NMEA_UNKNOWN;
    }
    struct cursor c = {.at = start[6] == ',' ? start + 7 : start + 6, .star = star};
    out->type = layout->type;
    out->talker[0] = start[1];
    out->talker[1] = start[2];
    c = layout->read(c, out);
    /* Either a '*' within the fields stopped the cursor short of the end, or it is the one of what is spoilt. */
    if (*c.at == '*' && c.at != star) {
        out->has = 0;
        return NMEA_MALFORMED;
    }
    return (out->has & layout->payload) != 0 ? NMEA_OK : NMEA_NO_DATA;
}

static uint8_t exclusive_or(const char *from, const char *to)
{
    const bool is_long = to - from >= 16;
    bytes16 bytes = bytes16_none();
    uint64_t sum = 0;

    for (; to - from >= 16; from += 16) {
        bytes = bytes16_xor(bytes, bytes16_load(from));
    }
    if (is_long) {
        bytes = bytes16_xor(bytes, bytes16_last(bytes16_load(to - 16), (size_t)(to - from)));
        from = to;
        sum = bytes16_fold(bytes);
        sum ^= sum >> 32;
        sum ^= sum >> 16;
        sum ^= sum >> 8;
    }
    for (; from < to; from++) {
        sum ^= (uint8_t)*from;
    }
    return (uint8_t)sum;
}

static int hex(char c)
{
    if (is_digit(c)) {
        return c - '0';
    }
    char lower = (char)(c | 0x20);
    return lower >= 'a' && lower <= 'f' ? lower - 'a' + 10 : -1;
}

/* Whether the two digits behind the star are the exclusive-or of what lies between start and star. Most write them in capitals. */
static bool sum_is_right(const char *start, const char *star)
{
    static const char capital[] = "0123456789ABCDEF";
    const uint8_t sum = exclusive_or(start + 1, star);

    return (star[1] == capital[sum >> 4] && star[2] == capital[sum & 15U]) ||
           (hex(star[1]) == sum >> 4 && hex(star[2]) == (sum & 15));
}

/* The last '$' or '!': a sentence holds neither, so all before is a tag block, noise, or a sentence that was cut off. */
static const char *last_start(const char *line, size_t len)
{
    for (const char *at = line + len; at > line; at--) {
        if (at[-1] == '$' || at[-1] == '!') {
            return at - 1;
        }
    }
    return NULL;
}

/* The last one, where `start` is one itself. */
static const char *latest_start(const char *start, const char *end)
{
    const char *later = last_start(start + 1, (size_t)(end - start) - 1);
    return later != NULL ? later : start;
}

static size_t trimmed(const char *line, size_t len)
{
    while (len > 0 && (line[len - 1] == ' ' || line[len - 1] == '\r' || line[len - 1] == '\0')) {
        len--;
    }
    return len;
}

static enum nmea_verdict without_checksum(const char *start, size_t len, const struct nmea_options *options,
                                          struct nmea_sentence *out)
{
    char copy[LINES_MAX + STAR_ROOM] = {0};

    if (memchr(start, '*', len) != NULL || len > LINES_MAX) {
        return NMEA_MALFORMED; /* a checksum was begun and cut */
    }
    if (options == NULL || !options->checksum_optional) {
        return NMEA_NO_CHECKSUM;
    }
    memcpy(copy, start, len);
    copy[len] = '*';
    return len < 2 ? NMEA_MALFORMED : read_body(copy, copy + len, out);
}

enum nmea_verdict nmea_decode(const char *line, size_t len, const struct nmea_options *options,
                              struct nmea_sentence *out)
{
    out->type = NMEA_NONE;
    out->talker[0] = out->talker[1] = out->talker[2] = '\0';
    out->has = 0;
    out->time_trusted = true;
    out->xdr_count = 0;
    out->xdr_dropped = 0;
    len = trimmed(line, len);
    const char *start = len > 0 && line[0] == '$' ? line : last_start(line, len);
    if (start == NULL) {
        return NMEA_MALFORMED;
    }
    const char *end = line + len;
    const char *star = end - 3;
    if (star <= start || *star != '*') {
        start = latest_start(start, end);
        return without_checksum(start, (size_t)(end - start), options, out);
    }
    if (!sum_is_right(start, star)) {
        if (hex(star[1]) < 0 || hex(star[2]) < 0) {
            return NMEA_MALFORMED;
        }
        start = latest_start(start, end);
        if (!sum_is_right(start, star)) {
            return NMEA_BAD_CHECKSUM;
        }
    }
    return read_body(start, star, out);
}
