#include "export/decimal.h"

#include <math.h>
#include <stdbool.h>
#include <stdint.h>
#include <stdio.h>
#include <string.h>

/* The last `count` digits of `value`. */
static char *put_digits(char *out, uint32_t value, int count)
{
    static const char pairs[] =
        "00010203040506070809101112131415161718192021222324252627282930313233343536373839"
        "40414243444546474849505152535455565758596061626364656667686970717273747576777879"
        "8081828384858687888990919293949596979899";
    char *end = out + count;
    for (; count >= 2; count -= 2, value /= 100)
        memcpy(out + count - 2, pairs + 2 * (value % 100), 2);
    if (count == 1)
        *out = (char)('0' + value % 10);
    return end;
}

static int digits_of(uint32_t value)
{
    int count = 1;
    for (; value >= 10; value /= 10)
        count++;
    return count;
}

/*
 * printf rounds the exact value, half to even. value * 10^decimals is off by half a unit in the last place, which below 1e11 is under 1e-5: as
 * long as the product is further than 1e-4 from a half, both round to the same side. What is nearer, bigger or no number is left to printf.
 */
char *decimal_put(char *out, double value, int decimals)
{
    static const double scale[] = {1, 1e1, 1e2, 1e3, 1e4, 1e5, 1e6, 1e7, 1e8, 1e9};
    static const int64_t unit[] = {1, 10, 100, 1000, 10000, 100000, 1000000, 10000000, 100000000, 1000000000};
    double scaled = fabs(value) * scale[decimals];
    bool small = scaled < 1e11 && fabs(value) < 1e9; /* each part fits 32 bits */
    int64_t rounded = small ? (int64_t)scaled : 0;
    double rest = scaled - (double)rounded;
    if (!small || fabs(rest - 0.5) < 1e-4)
        return out + snprintf(out, DECIMAL_SIZE, "%.*f", decimals, value);
    rounded += rest > 0.5;
    int64_t whole = (int64_t)fabs(value), fraction = rounded - whole * unit[decimals];
    if (fraction == unit[decimals]) { /* rounded up to the next whole number */
        whole++;
        fraction = 0;
    }
    if (signbit(value))
        *out++ = '-';
    out = put_digits(out, (uint32_t)whole, digits_of((uint32_t)whole));
    if (decimals > 0) {
        *out++ = '.';
        out = put_digits(out, (uint32_t)fraction, decimals);
    }
    *out = '\0';
    return out;
}

char *decimal_put_short(char *out, double value, int decimals)
{
    char *end = decimal_put(out, value, decimals);
    while (decimals > 0 && end[-1] == '0')
        end--;
    if (end[-1] == '.')
        end--;
    *end = '\0';
    if (strcmp(out, "-0") != 0)
        return end;
    *out = '0';
    out[1] = '\0';
    return out + 1;
}
