/* nmea_field: numbers and letters as they are rarely written (see nmea_field.h). */
#include "core/nmea_field.h"

static const char *skip_blanks(const char *at)
{
    while (*at == ' ') {
        at++;
    }
    return at;
}

struct decimal nmea_field_negative(const char *after_sign)
{
    struct decimal found = unsigned_decimal(after_sign);

    found.value = 0.0 - found.value; /* never -0 */
    return found;
}

struct cursor nmea_field_number(struct cursor c, double *out, bool *known)
{
    const char *at = skip_blanks(c.at);

    *known = false;
    if (ends(*at)) {
        leave(&c, at);
        return c;
    }
    struct decimal found = plain_decimal(at + (*at == '+' && at[1] != '-')); /* one sign */
    if (found.end == NULL) {
        spoil(&c);
        return c;
    }
    leave(&c, skip_blanks(found.end));
    *out = found.value;
    *known = true;
    return c;
}

struct cursor nmea_field_whole(struct cursor c, int *out, bool *known)
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

struct cursor nmea_field_letter(struct cursor c, char wanted)
{
    char found = letter(&c);

    if (found != 0 && found != wanted) {
        spoil(&c);
    }
    return c;
}

const char *nmea_field_fraction(const char *first, int32_t *out)
{
    const char *at = first;

    for (*out = 0; at - first < NANO_DIGITS; at++) {
        *out = *out * 10 + (int32_t)digit(at);
    }
    while (is_digit(*at)) {
        at++;
    }
    return at;
}

struct minutes nmea_field_minutes(const char *at)
{
    uint64_t dddmm = 0;

    at = digits(at, &dddmm);
    return (struct minutes){.end = at, .deg = (unsigned)(dddmm / 100U), .min = (unsigned)(dddmm % 100U)};
}
