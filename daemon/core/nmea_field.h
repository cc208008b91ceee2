/*
 * nmea_field: the fields of a sentence, read left to right by a cursor that stops at ',' or '*'. Serves nmea.c alone.
 *
 * The '*' before the checksum is the sentinel of every loop, so that no length is compared per byte.
 *
 * Where a field begins must not wait for anything: not for arithmetic on the field before (branches are predicted, sums are not), and not for
 * memory. So a cursor is a value that lives in registers: what takes its address is inlined, what is called takes it and returns it. The
 * functions named nmea_field_... read what is rarely written, and are kept out of the short way.
 */
#ifndef BELLROPE_CORE_NMEA_FIELD_H
#define BELLROPE_CORE_NMEA_FIELD_H

#include <stdbool.h>
#include <stddef.h>
#include <stdint.h>
#include <string.h>

#include "core/instant.h"

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
#define LIKELY(condition) __builtin_expect((condition), 1) /* where gcc would put the usual way aside */

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
    if (LIKELY(*at == ',')) {
        c->at = at + 1;
    } else if (*at == '*') {
        c->at = at;
    } else {
        spoil(c);
    }
}

INLINE size_t length(const char *field)
{
    size_t len = 0;

    while (!ends(field[len])) {
        len++;
    }
    return len;
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

    if (LIKELY(*at == '.')) {
        const char *tenths = at + 1;
        at = digits(tenths, &mantissa);
        decimals = at - tenths;
        count += decimals;
    }
    if ((size_t)count - 1U >= DIGITS_MAX) {
        return (struct decimal){.end = NULL};
    }
    /* The signed conversion is one instruction. */
    return (struct decimal){.end = at, .value = (double)(int64_t)mantissa / power_of_ten[decimals]};
}

/* A number after its '-'. */
struct decimal nmea_field_negative(const char *after_sign);

INLINE struct decimal plain_decimal(const char *at)
{
    return *at == '-' ? nmea_field_negative(at + 1) : unsigned_decimal(at);
}

/* A number as rarely written, the last of a sentence, or none. */
struct cursor nmea_field_number(struct cursor c, double *out, bool *known);

/* A decimal number; false if the field is empty. */
INLINE bool number(struct cursor *c, double *out)
{
    const struct decimal found = plain_decimal(c->at);
    bool known;

    if (LIKELY(found.end != NULL && *found.end == ',')) {
        c->at = found.end + 1;
        *out = found.value;
        return true;
    }
    *c = nmea_field_number(*c, out, &known);
    return known;
}

/* As nmea_field_number(). */
struct cursor nmea_field_whole(struct cursor c, int *out, bool *known);

/* A whole number without sign, of at most nine digits; false if the field is empty. */
INLINE bool whole(struct cursor *c, int *out)
{
    uint64_t value = 0;
    const char *at = digits(c->at, &value);
    bool known;

    if (LIKELY(*at == ',' && at != c->at && at - c->at <= NANO_DIGITS)) {
        c->at = at + 1;
        *out = (int)value;
        return true;
    }
    *c = nmea_field_whole(*c, out, &known);
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

struct cursor nmea_field_letter(struct cursor c, char wanted);

/* A unit or reference letter that may be missing but must not be another. */
INLINE void expect(struct cursor *c, char wanted)
{
    if (LIKELY(c->at[0] == wanted && c->at[1] == ',')) {
        c->at += 2;
    } else {
        *c = nmea_field_letter(*c, wanted);
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

/* More than nine digits: those beyond are read over. */
const char *nmea_field_fraction(const char *first, int32_t *out);

/* Fraction digits after a point, if there is one, as 1e-9 units. `four`: at least so many are likely. */
INLINE const char *nano_fraction(const char *at, bool four, int32_t *out)
{
    uint64_t value = 0;
    unsigned high, low;

    *out = 0;
    if (!LIKELY(*at == '.')) {
        return at;
    }
    const char *first = ++at;
    if (four && is_digit(*at) && two_pairs(at, &high, &low)) {
        value = high * 100U + low;
        at += 4;
    }
    at = digits(at, &value);
    if (at - first > NANO_DIGITS) {
        return nmea_field_fraction(first, out);
    }
    *out = (int32_t)value * nano_scale[at - first];
    return at;
}

/* Degrees and minutes before the point, as far as there are digits. `usual`: 4 for ddmm, 5 for dddmm. */
struct minutes {
    const char *end;
    unsigned deg, min;
};

/* Any number of digits. */
struct minutes nmea_field_minutes(const char *at);

INLINE struct minutes whole_minutes(const char *at, int usual)
{
    const int hundreds = usual == 5;
    unsigned deg, min;

    if (LIKELY(is_digit(at[0]) && is_digit(at[hundreds]) && two_pairs(at + hundreds, &deg, &min) &&
               at[usual] == '.')) {
        return (struct minutes){at + usual, hundreds ? deg + digit(at) * 100U : deg, min};
    }
    return nmea_field_minutes(at);
}

/* dddmm.mmmm and its hemisphere, in 1e-9 degree. False if empty. */
INLINE bool coordinate(struct cursor *c, unsigned max_deg, char plus, char minus, int64_t *out)
{
    const char *first = c->at;
    const struct minutes found = whole_minutes(first, max_deg == 90 ? 4 : 5);
    const ptrdiff_t count = found.end - first;
    int32_t nano = 0;
    const char *at = nano_fraction(found.end, true, &nano);

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

#endif
