/*
 * nmea: from a line to a sentence (see nmea.h). The fields are read by nmea_field.h.
 *
 * A line accepted without a checksum is copied once and gets a '*', at which its last field ends. Rejected: splitting into an array of fields first
 * (a second pass over the bytes; their places, kept in memory, are waited for), and strtod (slow, and it obeys the locale).
 */
#include "core/nmea.h"

#include <string.h>

#include "core/bytes16.h"
#include "core/lines.h"
#include "core/nmea_field.h"

#define RARE static __attribute__((noinline)) /* kept out of the short way that nearly every line takes */

/* ---- parts of sentences ---- */

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
    leave(&c, nano_fraction(at + 6, false, &s->time_of_day_ns)); /* a seventh digit spoils */
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

RARE struct cursor other_name(struct cursor c, char out[NMEA_XDR_NAME_MAX])
{
    const size_t len = length(c.at);

    memset(out, 0, NMEA_XDR_NAME_MAX);
    memcpy(out, c.at, len < NMEA_XDR_NAME_MAX ? len : NMEA_XDR_NAME_MAX - 1);
    leave(&c, c.at + len);
    return c;
}

INLINE void name(struct cursor *c, char out[NMEA_XDR_NAME_MAX])
{
    if (c->star + STAR_ROOM - c->at >= 16) {
        const bytes16 bytes = bytes16_load(c->at);
        const unsigned end = bytes16_bits(bytes16_or(bytes16_equal(bytes, ','), bytes16_equal(bytes, '*')));
        if (LIKELY(end != 0)) {
            const unsigned len = (unsigned)__builtin_ctz(end);
            bytes16_store(out, bytes16_first(bytes, len));
            leave(c, c->at + len);
            return;
        }
    }
    *c = other_name(*c, out);
}

static struct cursor read_xdr(struct cursor c, struct nmea_sentence *s)
{
    struct nmea_xdr beyond = {.type = 0};
    int count = 0;

    for (; *c.at != '*'; count++) {
        struct nmea_xdr *x = count < NMEA_XDR_MAX ? &s->xdr[count] : &beyond;
        x->type = letter(&c);
        x->known = number(&c, &x->value);
        x->unit = letter(&c);
        name(&c, x->name);
        s->has |= x->known && x != &beyond ? (uint32_t)NMEA_HAS_XDR : 0U;
    }
    s->xdr_count = count < NMEA_XDR_MAX ? count : NMEA_XDR_MAX;
    s->xdr_dropped = count - s->xdr_count;
    return c;
}

/* ---- the line ---- */

enum { ADDRESS_LEN = 6 }; /* "$GPGGA" */

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
    if (star - start < ADDRESS_LEN || start[0] == '!' || start[1] == 'P') {
        return NMEA_UNKNOWN;
    }
    const struct layout *layout = layout_of(start + 3);
    if (layout == NULL) {
        return NMEA_UNKNOWN;
    }
    struct cursor c = {.at = start + ADDRESS_LEN, .star = star};
    if (LIKELY(*c.at == ',')) {
        c.at++;
    } else if (*c.at != '*') {
        return NMEA_UNKNOWN;
    }
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

/* The exclusive-or of 8, 4, 2 and 1 bytes, as they make up `len`, which is below 16. */
static uint64_t sum_of_few(const char *from, size_t len)
{
    uint64_t sum = 0, eight;
    uint32_t four;
    uint16_t two;

    if ((len & 8U) != 0) {
        memcpy(&eight, from, sizeof eight);
        sum = eight;
        from += sizeof eight;
    }
    if ((len & 4U) != 0) {
        memcpy(&four, from, sizeof four);
        sum ^= four;
        from += sizeof four;
    }
    if ((len & 2U) != 0) {
        memcpy(&two, from, sizeof two);
        sum ^= two;
        from += sizeof two;
    }
    return (len & 1U) != 0 ? sum ^ (uint8_t)*from : sum;
}

static uint64_t sum_of_many(const char *from, const char *to)
{
    const char *last = to - 16;
    bytes16 sum = bytes16_load(from);

    for (from += 16; from <= last; from += 16) {
        sum = bytes16_xor(sum, bytes16_load(from));
    }
    return bytes16_fold(bytes16_xor(sum, bytes16_last(bytes16_load(last), (size_t)(to - from))));
}

INLINE uint8_t exclusive_or(const char *from, const char *to)
{
    uint64_t sum = to - from < 16 ? sum_of_few(from, (size_t)(to - from)) : sum_of_many(from, to);

    sum ^= sum >> 32;
    sum ^= sum >> 16;
    return (uint8_t)(sum ^ sum >> 8);
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
INLINE bool sum_is_right(const char *start, const char *star)
{
    static const char capital[] = "0123456789ABCDEF";
    const uint8_t sum = exclusive_or(start + 1, star);

    return LIKELY(star[1] == capital[sum >> 4] && star[2] == capital[sum & 15U]) ||
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
    char copy[LINES_MAX + STAR_ROOM];

    if (memchr(start, '*', len) != NULL || len > LINES_MAX) {
        return NMEA_MALFORMED; /* a checksum was begun and cut */
    }
    if (options == NULL || !options->checksum_optional) {
        return NMEA_NO_CHECKSUM;
    }
    memcpy(copy, start, len);
    memcpy(copy + len, spoilt, STAR_ROOM);
    return len < 2 ? NMEA_MALFORMED : read_body(copy, copy + len, out);
}

/* The checksum is not that of all since `start`. */
RARE enum nmea_verdict from_latest_start(const char *start, const char *end, struct nmea_sentence *out)
{
    const char *star = end - STAR_ROOM;

    if (hex(star[1]) < 0 || hex(star[2]) < 0) {
        return NMEA_MALFORMED;
    }
    start = latest_start(start, end);
    return sum_is_right(start, star) ? read_body(start, star, out) : NMEA_BAD_CHECKSUM;
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
    const char *start = LIKELY(len > 0 && line[0] == '$') ? line : last_start(line, len);
    if (start == NULL) {
        return NMEA_MALFORMED;
    }
    const char *end = line + len;
    const char *star = end - STAR_ROOM;
    if (star <= start || *star != '*') {
        start = latest_start(start, end);
        return without_checksum(start, (size_t)(end - start), options, out);
    }
    return LIKELY(sum_is_right(start, star)) ? read_body(start, star, out)
                                             : from_latest_start(start, end, out);
}
