#include "export/decimal.h"

#include <math.h>
#include <stdint.h>
#include <stdio.h>
#include <string.h>

/* Digits of `value`, at least so many. */
static char *put_digits(char *out, uint64_t value, int least)
{
    char digits[20];
    int count = 0;
    while (value > 0 || count < least) {
        digits[count++] = (char)('0' + value % 10);
        value /= 10;
    }
    while (count > 0)
        *out++ = digits[--count];
    return out;
}

/*
 * printf rounds the exact value, half to even. value * 10^decimals is off by half a unit in the last place, which below 1e11 is under 1e-5: as
 * long as the product is further than 1e-4 from a half, both round to the same side. What is nearer, bigger or no number is left to printf.
 */
char *decimal_put(char *out, double value, int decimals)
{
    static const double scale[] = {1, 1e1, 1e2, 1e3, 1e4, 1e5, 1e6, 1e7, 1e8, 1e9};
    static const uint64_t unit[] = {1,      10,      100,      1000,      10000,
                                    100000, 1000000, 10000000, 100000000, 1000000000};
    double scaled = fabs(value) * scale[decimals];
    double whole = floor(scaled);
    if (!(scaled < 1e11) || fabs(scaled - whole - 0.5) < 1e-4)
        return out + snprintf(out, DECIMAL_SIZE, "%.*f", decimals, value);
    const uint64_t one = unit[decimals];
    uint64_t rounded = (uint64_t)whole + (scaled - whole > 0.5 ? 1 : 0);
    if (signbit(value))
        *out++ = '-';
    out = put_digits(out, rounded / one, 1);
    if (decimals > 0) {
        *out++ = '.';
        out = put_digits(out, rounded % one, decimals);
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
