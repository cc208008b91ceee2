/*
 * nmea: from a line to a sentence (see nmea.h).
 *
 * Fields are read left to right by a cursor that stops at ',' or '*'. The '*' before the checksum is so the sentinel of every
 * loop and no length is compared per byte; a line accepted without a checksum is copied once and gets one. Rejected: splitting
 * into an array of fields first (a second pass over the bytes), and strtod (slow, and it obeys the locale).
 */
#include "core/nmea.h"

#include <string.h>

#include "core/lines.h"

struct cursor {
    const char *at;
    bool bad;
};

static const double power_of_ten[] = {1e0,  1e1,  1e2,  1e3,  1e4,  1e5,  1e6,  1e7,  1e8, 1e9,
                                      1e10, 1e11, 1e12, 1e13, 1e14, 1e15, 1e16, 1e17, 1e18};
static const int32_t nano_scale[] = {1000000000, 100000000, 10000000, 1000000, 100000,
                                     10000,      1000,      100,      10,      1};

enum { DIGITS_MAX = 18, NANO_DIGITS = 9 };

/* ---- fields ---- */

static bool ends(char c)
{
    return c == ',' || c == '*';
}

/* 0 to 9; more for what is no digit. */
static unsigned digit(const char *at)
{
    return (unsigned)(uint8_t)*at - '0';
}

static bool is_digit(char c)
{
    return digit(&c) < 10U;
}

/* Leaves the field at `at`: past the comma, or on the '*', where all further fields are empty. Anything else spoils the sentence. */
static void leave(struct cursor *c, const char *at)
{
    if (*at == ',') {
        c->at = at + 1;
    } else {
        c->at = at;
        c->bad = c->bad || *at != '*';
    }
}

static void spoil(struct cursor *c)
{
    c->bad = true;
}

static const char *skip_blanks(const char *at)
{
    while (*at == ' ') {
        at++;
    }
    return at;
}

static void skip(struct cursor *c)
{
    const char *at = c->at;

    while (!ends(*at)) {
        at++;
    }
    leave(c, at);
}

/* Digits from `at` on, added to *mantissa; overflow is caught by their count. */
static const char *digits(const char *at, uint64_t *mantissa)
{
    uint64_t value = *mantissa;

    for (unsigned d = digit(at); d < 10U; d = digit(++at)) {
        value = value * 10U + d;
    }
    *mantissa = value;
    return at;
}

/* A decimal number from its first digit or its point on, to the end of the field. */
static bool unsigned_number(struct cursor *c, const char *first, double *out)
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
        spoil(c);
        return false;
    }
    leave(c, *at == ',' ? at : skip_blanks(at));
    *out = (double)(int64_t)mantissa / power_of_ten[decimals]; /* the signed conversion is one instruction */
    return true;
}

/* A decimal number; false if the field is empty. */
static bool number(struct cursor *c, double *out)
{
    const char *at = c->at;

    if (is_digit(*at)) { /* nearly all */
        return unsigned_number(c, at, out);
    }
    at = skip_blanks(at);
    if (ends(*at)) {
        leave(c, at);
        return false;
    }
    const bool negative = *at == '-';
    const bool known = unsigned_number(c, at + (negative || *at == '+'), out);
    if (known && negative && *out != 0.0) {
        *out = -*out;
    }
    return known;
}

/* A whole number without sign, of at most nine digits; false if the field is empty. */
static bool whole(struct cursor *c, int *out)
{
    uint64_t value = 0;
    const char *first = skip_blanks(c->at);
    const char *at = digits(first, &value);

    if (at - first > NANO_DIGITS) {
        spoil(c);
        return false;
    }
    leave(c, skip_blanks(at));
    *out = (int)value;
    return at != first;
}

/* A field of one character; 0 if it is empty. */
static char letter(struct cursor *c)
{
    char found = *c->at;

    if (ends(found)) {
        leave(c, c->at);
        return 0;
    }
    leave(c, c->at + 1);
    return found;
}

/* A unit or reference letter that may be missing but must not be another. */
static void expect(struct cursor *c, char wanted)
{
    char found = letter(c);

    if (found != 0 && found != wanted) {
        spoil(c);
    }
}

/* +1, -1, or 0 if the field is empty. */
static int sign_of(struct cursor *c, char plus, char minus)
{
    char found = letter(c);

    if (found == 0) {
        return 0;
    }
    if (found != plus && found != minus) {
        spoil(c);
    }
    return found == plus ? 1 : -1;
}

/* Fraction digits after a point as 1e-9 units; digits beyond the ninth are read over. */
static const char *nano_fraction(const char *at, int32_t *out)
{
    int32_t value = 0;

    *out = 0;
    if (*at != '.') {
        return at;
    }
    const char *first = ++at;
    while (is_digit(*at) && at - first < NANO_DIGITS) {
        value = value * 10 + (*at++ - '0');
    }
    *out = value * nano_scale[at - first];
    while (is_digit(*at)) {
        at++;
    }
    return at;
}

/* dddmm.mmmm and its hemisphere, in 1e-9 degree. False if empty. */
static bool coordinate(struct cursor *c, int64_t max_deg, char plus, char minus, int64_t *out)
{
    uint64_t dddmm = 0;
    int32_t nano = 0;
    const char *first = c->at;
    const char *at = digits(first, &dddmm);
    ptrdiff_t count = at - first;

    at = nano_fraction(at, &nano);
    leave(c, at);
    int sign = sign_of(c, plus, minus);
    if (at == first) {
        return false;
    }
    if (count == 0 || count > 5 || sign == 0) {
        spoil(c);
        return false;
    }
    int64_t minutes = (int64_t)(dddmm % 100U);
    int64_t nano_minutes = ((int64_t)(dddmm / 100U) * 60 + minutes) * NS_PER_S + nano;
    if (minutes >= 60 || nano_minutes > max_deg * 60 * NS_PER_S) {
        spoil(c);
        return false;
    }
    *out = sign * ((nano_minutes + 30) / 60);
    return true;
}

/* Latitude and longitude; true if both are there. */
static bool position(struct cursor *c, struct nmea_sentence *s)
{
    bool lat = coordinate(c, 90, 'N', 'S', &s->lat_e9);
    bool lon = coordinate(c, 180, 'E', 'W', &s->lon_e9);

    return lat && lon;
}

static int two_digits(const char *at)
{
    return (at[0] - '0') * 10 + (at[1] - '0');
}

/* hhmmss or hhmmss.sss */
static void time_of_day(struct cursor *c, struct nmea_sentence *s)
{
    const char *first = c->at;
    const char *at = first;

    if (ends(*at)) {
        leave(c, at);
        return;
    }
    while (is_digit(*at)) {
        at++;
    }
    if (at - first != 6) {
        spoil(c);
        return;
    }
    int hour = two_digits(first);
    int minute = two_digits(first + 2);
    int second = two_digits(first + 4);
    bool leap = hour == 23 && minute == 59 && second == 60;
    if (hour > 23 || minute > 59 || (second > 59 && !leap)) {
        spoil(c);
        return;
    }
    leave(c, nano_fraction(at, &s->time_of_day_ns));
    s->time_of_day_s = hour * 3600 + minute * 60 + second;
    s->has |= NMEA_HAS_TIME;
}

static void date(struct cursor *c, struct nmea_sentence *s, int year, int month, int day)
{
    static const int8_t days[] = {31, 28, 31, 30, 31, 30, 31, 31, 30, 31, 30, 31};
    bool leap = year % 4 == 0 && (year % 100 != 0 || year % 400 == 0);

    if (month < 1 || month > 12 || day < 1 || day > days[month - 1] + (leap && month == 2)) {
        spoil(c);
        return;
    }
    s->year = (int16_t)year;
    s->month = (int8_t)month;
    s->day = (int8_t)day;
    s->has |= NMEA_HAS_DATE;
}

static bool get(struct cursor *c, struct nmea_sentence *s, uint32_t flag, double *out)
{
    bool known = number(c, out);

    s->has |= known ? flag : 0U;
    return known;
}

/* As get(), for what cannot lie outside 0..360. */
static bool get_angle(struct cursor *c, struct nmea_sentence *s, uint32_t flag, double *out)
{
    bool known = get(c, s, flag, out);

    if (known && (*out < 0.0 || *out > 360.0)) {
        spoil(c);
    }
    return known;
}

/* ---- sentences ---- */

static void read_gga(struct cursor *c, struct nmea_sentence *s)
{
    time_of_day(c, s);
    bool placed = position(c, s);
    bool rated = whole(c, &s->quality);
    s->has |= rated ? (uint32_t)NMEA_HAS_QUALITY : 0U;
    s->has |= whole(c, &s->satellites) ? (uint32_t)NMEA_HAS_SATELLITES : 0U;
    get(c, s, NMEA_HAS_HDOP, &s->hdop);
    get(c, s, NMEA_HAS_ALTITUDE, &s->altitude_m);
    expect(c, 'M');
    get(c, s, NMEA_HAS_GEOID, &s->geoid_m);
    expect(c, 'M');
    s->time_trusted = rated && s->quality != 0;
    s->has |= placed && s->time_trusted ? (uint32_t)NMEA_HAS_POSITION : 0U;
}

/* The mode letter that newer receivers add; absent means nothing against the fix. */
static bool mode_valid(struct cursor *c)
{
    return letter(c) != 'N';
}

static void read_rmc(struct cursor *c, struct nmea_sentence *s)
{
    double variation;
    int ddmmyy = 0;

    time_of_day(c, s);
    bool valid = sign_of(c, 'A', 'V') > 0;
    bool placed = position(c, s);
    bool moving = number(c, &s->speed_kn);
    bool heading_for = number(c, &s->course_true_deg);
    const char *before = c->at;
    if (whole(c, &ddmmyy)) {
        int yy = ddmmyy % 100;
        date(c, s, yy >= 80 ? 1900 + yy : 2000 + yy, ddmmyy / 100 % 100, ddmmyy / 10000);
        c->bad = c->bad || c->at - before != 6 + (c->at[-1] == ',');
    }
    bool varied = number(c, &variation);
    int east = sign_of(c, 'E', 'W');
    valid = mode_valid(c) && valid;
    if (heading_for && (s->course_true_deg < 0.0 || s->course_true_deg > 360.0)) {
        spoil(c);
    }
    if (varied && east != 0) {
        s->variation_deg = variation * east;
        s->has |= NMEA_HAS_VARIATION;
    }
    s->time_trusted = valid;
    s->has |= valid && placed ? (uint32_t)NMEA_HAS_POSITION : 0U;
    s->has |= valid && moving ? (uint32_t)NMEA_HAS_SPEED : 0U;
    s->has |= valid && heading_for ? (uint32_t)NMEA_HAS_COURSE_TRUE : 0U;
}

static void read_zda(struct cursor *c, struct nmea_sentence *s)
{
    int day = 0;
    int month = 0;
    int year = 0;
    double hours = 0.0;
    double minutes = 0.0;

    time_of_day(c, s);
    bool dated = whole(c, &day);
    dated = whole(c, &month) && dated;
    dated = whole(c, &year) && dated;
    if (dated && (year < 1980 || year > 2199)) {
        spoil(c);
    } else if (dated) {
        date(c, s, year, month, day);
    }
    if (number(c, &hours) && number(c, &minutes)) {
        if (hours < -13.0 || hours > 14.0 || minutes < -59.0 || minutes > 59.0) {
            spoil(c);
            return;
        }
        s->zone_h = (int8_t)hours;
        s->zone_min = (int8_t)minutes;
        s->has |= NMEA_HAS_ZONE;
    }
}

static void read_gll(struct cursor *c, struct nmea_sentence *s)
{
    bool placed = position(c, s);
    time_of_day(c, s);
    bool valid = sign_of(c, 'A', 'V') > 0;
    valid = mode_valid(c) && valid;

    s->time_trusted = valid;
    s->has |= valid && placed ? (uint32_t)NMEA_HAS_POSITION : 0U;
}

/* The best of the modes, one letter a satellite system, as GGA's quality. */
static int best_mode(struct cursor *c)
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

static void read_gns(struct cursor *c, struct nmea_sentence *s)
{
    time_of_day(c, s);
    bool placed = position(c, s);
    bool rated = !ends(*c->at);
    s->quality = best_mode(c);
    s->has |= rated ? (uint32_t)NMEA_HAS_QUALITY : 0U;
    s->has |= whole(c, &s->satellites) ? (uint32_t)NMEA_HAS_SATELLITES : 0U;
    get(c, s, NMEA_HAS_HDOP, &s->hdop);
    get(c, s, NMEA_HAS_ALTITUDE, &s->altitude_m);
    get(c, s, NMEA_HAS_GEOID, &s->geoid_m);
    s->time_trusted = s->quality != 0;
    s->has |= placed && s->time_trusted ? (uint32_t)NMEA_HAS_POSITION : 0U;
}

static void read_gst(struct cursor *c, struct nmea_sentence *s)
{
    time_of_day(c, s);
    for (int i = 0; i < 4; i++) {
        skip(c); /* rms of the ranges, and the error ellipse */
    }
    bool lat = number(c, &s->lat_sigma_m);
    bool lon = number(c, &s->lon_sigma_m);
    s->has |= lat && lon ? (uint32_t)NMEA_HAS_SIGMA : 0U;
}

static const double kn_per_km_h = 1.0 / 1.852;

/* Knots, or else kilometres an hour. */
static bool speed(struct cursor *c, double *kn)
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

static void read_vtg(struct cursor *c, struct nmea_sentence *s)
{
    get_angle(c, s, NMEA_HAS_COURSE_TRUE, &s->course_true_deg);
    expect(c, 'T');
    get_angle(c, s, NMEA_HAS_COURSE_MAGNETIC, &s->course_magnetic_deg);
    expect(c, 'M');
    s->has |= speed(c, &s->speed_kn) ? (uint32_t)NMEA_HAS_SPEED : 0U;
    if (!mode_valid(c)) {
        s->has = 0;
    }
}

static void read_hdt(struct cursor *c, struct nmea_sentence *s)
{
    get_angle(c, s, NMEA_HAS_HEADING_TRUE, &s->heading_true_deg);
    expect(c, 'T');
}

static void read_hdg(struct cursor *c, struct nmea_sentence *s)
{
    static const uint32_t flag[] = {NMEA_HAS_DEVIATION, NMEA_HAS_VARIATION};
    double *const value[] = {&s->deviation_deg, &s->variation_deg};

    get_angle(c, s, NMEA_HAS_HEADING_MAGNETIC, &s->heading_magnetic_deg);
    for (int i = 0; i < 2; i++) {
        bool known = number(c, value[i]);
        int east = sign_of(c, 'E', 'W');
        if (known && east != 0) {
            *value[i] *= east;
            s->has |= flag[i];
        }
    }
}

static void read_ths(struct cursor *c, struct nmea_sentence *s)
{
    get_angle(c, s, NMEA_HAS_HEADING_TRUE, &s->heading_true_deg);
    if (letter(c) == 'V') {
        s->has = 0;
    }
}

static void read_rot(struct cursor *c, struct nmea_sentence *s)
{
    get(c, s, NMEA_HAS_TURN, &s->turn_deg_min);
    if (sign_of(c, 'A', 'V') < 0) {
        s->has = 0;
    }
}

static void read_dpt(struct cursor *c, struct nmea_sentence *s)
{
    get(c, s, NMEA_HAS_DEPTH, &s->depth_m);
    get(c, s, NMEA_HAS_OFFSET, &s->offset_m);
    get(c, s, NMEA_HAS_RANGE, &s->range_m);
}

/* DBT and DBS: the same depth in three units, of which metres are preferred. */
static void read_depth(struct cursor *c, struct nmea_sentence *s)
{
    double feet;
    double metres;
    double fathoms;
    bool in_feet = number(c, &feet);
    expect(c, 'f');
    bool in_metres = number(c, &metres);
    expect(c, 'M');
    bool in_fathoms = number(c, &fathoms);
    expect(c, 'F');

    if (in_metres) {
        s->depth_m = metres;
    } else if (in_feet) {
        s->depth_m = feet * 0.3048;
    } else if (in_fathoms) {
        s->depth_m = fathoms * 1.8288;
    }
    s->has |= in_metres || in_feet || in_fathoms ? (uint32_t)NMEA_HAS_DEPTH : 0U;
}

static void read_mtw(struct cursor *c, struct nmea_sentence *s)
{
    get(c, s, NMEA_HAS_TEMPERATURE, &s->temperature_C);
    expect(c, 'C');
}

static void read_vhw(struct cursor *c, struct nmea_sentence *s)
{
    get_angle(c, s, NMEA_HAS_HEADING_TRUE, &s->heading_true_deg);
    expect(c, 'T');
    get_angle(c, s, NMEA_HAS_HEADING_MAGNETIC, &s->heading_magnetic_deg);
    expect(c, 'M');
    s->has |= speed(c, &s->water_speed_kn) ? (uint32_t)NMEA_HAS_WATER_SPEED : 0U;
}

/* Two speeds and the status that covers both. */
static void log_pair(struct cursor *c, struct nmea_sentence *s, uint32_t ahead_flag, double *ahead,
                     uint32_t across_flag, double *across)
{
    bool has_ahead = number(c, ahead);
    bool has_across = number(c, across);
    bool valid = sign_of(c, 'A', 'V') > 0;

    s->has |= valid && has_ahead ? ahead_flag : 0U;
    s->has |= valid && has_across ? across_flag : 0U;
}

static void read_vbw(struct cursor *c, struct nmea_sentence *s)
{
    log_pair(c, s, NMEA_HAS_WATER_SPEED, &s->water_speed_kn, NMEA_HAS_WATER_ACROSS, &s->water_across_kn);
    log_pair(c, s, NMEA_HAS_GROUND_AHEAD, &s->ground_ahead_kn, NMEA_HAS_GROUND_ACROSS, &s->ground_across_kn);
}

static void name(struct cursor *c, char out[NMEA_XDR_NAME_MAX])
{
    const char *at = c->at;
    size_t len = 0;

    for (; !ends(*at); at++) {
        if (len < NMEA_XDR_NAME_MAX - 1) {
            out[len++] = *at;
        }
    }
    out[len] = '\0';
    leave(c, at);
}

static void read_xdr(struct cursor *c, struct nmea_sentence *s)
{
    struct nmea_xdr beyond = {.type = 0};

    while (*c->at != '*' && !c->bad) {
        bool room = s->xdr_count < NMEA_XDR_MAX;
        struct nmea_xdr *x = room ? &s->xdr[s->xdr_count] : &beyond;
        x->type = letter(c);
        x->known = number(c, &x->value);
        x->unit = letter(c);
        name(c, x->name);
        s->xdr_count += room;
        s->xdr_dropped += !room;
        s->has |= x->known && room ? (uint32_t)NMEA_HAS_XDR : 0U;
    }
}

/* ---- the line ---- */

typedef void read_fn(struct cursor *c, struct nmea_sentence *s);

#define FORMATTER(a, b, c) ((uint32_t)(a) << 16 | (uint32_t)(b) << 8 | (uint32_t)(c))
#define MEASURED                                                                                             \
    (~(uint32_t)(NMEA_HAS_QUALITY | NMEA_HAS_SATELLITES | NMEA_HAS_HDOP | NMEA_HAS_TIME | NMEA_HAS_DATE))

struct layout {
    enum nmea_type type;
    read_fn *read;
    uint32_t payload; /* without one of these the sentence has no data */
};

static bool layout_of(uint32_t formatter, struct layout *out)
{
#define LAYOUT(a, b, c, id, fn, payload)                                                                     \
    case FORMATTER(a, b, c):                                                                                 \
        *out = (struct layout){id, fn, payload};                                                             \
        return true
    switch (formatter) {
        LAYOUT('G', 'G', 'A', NMEA_GGA, read_gga, NMEA_HAS_POSITION);
        LAYOUT('R', 'M', 'C', NMEA_RMC, read_rmc, NMEA_HAS_POSITION | NMEA_HAS_SPEED | NMEA_HAS_COURSE_TRUE);
        LAYOUT('Z', 'D', 'A', NMEA_ZDA, read_zda, NMEA_HAS_TIME | NMEA_HAS_DATE);
        LAYOUT('G', 'L', 'L', NMEA_GLL, read_gll, NMEA_HAS_POSITION);
        LAYOUT('G', 'N', 'S', NMEA_GNS, read_gns, NMEA_HAS_POSITION);
        LAYOUT('G', 'S', 'T', NMEA_GST, read_gst, NMEA_HAS_SIGMA);
        LAYOUT('V', 'T', 'G', NMEA_VTG, read_vtg, MEASURED);
        LAYOUT('H', 'D', 'T', NMEA_HDT, read_hdt, MEASURED);
        LAYOUT('H', 'D', 'G', NMEA_HDG, read_hdg, NMEA_HAS_HEADING_MAGNETIC);
        LAYOUT('T', 'H', 'S', NMEA_THS, read_ths, MEASURED);
        LAYOUT('R', 'O', 'T', NMEA_ROT, read_rot, MEASURED);
        LAYOUT('D', 'P', 'T', NMEA_DPT, read_dpt, NMEA_HAS_DEPTH);
        LAYOUT('D', 'B', 'T', NMEA_DBT, read_depth, MEASURED);
        LAYOUT('D', 'B', 'S', NMEA_DBS, read_depth, MEASURED);
        LAYOUT('M', 'T', 'W', NMEA_MTW, read_mtw, MEASURED);
        LAYOUT('V', 'H', 'W', NMEA_VHW, read_vhw, MEASURED);
        LAYOUT('V', 'B', 'W', NMEA_VBW, read_vbw, MEASURED);
        LAYOUT('X', 'D', 'R', NMEA_XDR, read_xdr, MEASURED);
    default:
        return false;
    }
#undef LAYOUT
}

static bool is_address_char(char c)
{
    return is_digit(c) || (c >= 'A' && c <= 'Z');
}

/* `start` is the '$'; `star` the '*' that ends the fields. */
static enum nmea_verdict read_body(const char *start, const char *star, struct nmea_sentence *out)
{
    struct layout layout;

    if (!is_address_char(start[1])) {
        return NMEA_MALFORMED;
    }
    /* P opens a maker's own sentences, whose letters mean nothing here. */
    if (star - start < 6 || (start[6] != ',' && start[6] != '*') || start[0] == '!' || start[1] == 'P' ||
        !layout_of(FORMATTER((uint8_t)start[3], (uint8_t)start[4], (uint8_t)start[5]), &layout)) {
        return NMEA_UNKNOWN;
    }
    struct cursor c = {.at = start + 6 + (start[6] == ',')};
    out->type = layout.type;
    out->talker[0] = start[1];
    out->talker[1] = start[2];
    layout.read(&c, out);
    /* A '*' within the fields stopped the cursor short of the end. */
    if (c.bad || (*c.at == '*' && c.at != star)) {
        out->has = 0;
        return NMEA_MALFORMED;
    }
    return (out->has & layout.payload) != 0 ? NMEA_OK : NMEA_NO_DATA;
}

static uint8_t exclusive_or(const char *from, const char *to)
{
    uint64_t word, sum = 0;

    for (; to - from >= 8; from += 8) {
        memcpy(&word, from, sizeof word);
        sum ^= word;
    }
    sum ^= sum >> 32;
    if (to - from >= 4) {
        uint32_t half;
        memcpy(&half, from, sizeof half);
        sum ^= half;
        from += 4;
    }
    sum ^= sum >> 16;
    sum ^= sum >> 8;
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
    char copy[LINES_MAX + 1];

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
    int claimed = hex(star[1]) < 0 || hex(star[2]) < 0 ? -1 : hex(star[1]) * 16 + hex(star[2]);
    if (claimed < 0) {
        return NMEA_MALFORMED;
    }
    if (exclusive_or(start + 1, star) != claimed) {
        start = latest_start(start, end);
        if (exclusive_or(start + 1, star) != claimed) {
            return NMEA_BAD_CHECKSUM;
        }
    }
    return read_body(start, star, out);
}
