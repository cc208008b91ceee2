#include "core/jsonout.h"

#include <math.h>
#include <stdio.h>
#include <string.h>

void jsonout_begin(struct jsonout *out, char *bytes, size_t size)
{
    *out = (struct jsonout){.at = bytes, .start = bytes, .end = bytes + size - 1};
}

size_t jsonout_end(struct jsonout *out)
{
    *out->at = '\0';
    return out->full ? 0 : (size_t)(out->at - out->start);
}

static void put(struct jsonout *out, const char *bytes, size_t len)
{
    if (out->full || len > (size_t)(out->end - out->at)) {
        out->full = true;
        return;
    }
    memcpy(out->at, bytes, len);
    out->at += len;
}

static void put_char(struct jsonout *out, char c)
{
    put(out, &c, 1);
}

static void begin_value(struct jsonout *out, const char *name)
{
    if (out->comma)
        put_char(out, ',');
    out->comma = true;
    if (name != NULL) {
        put_char(out, '"');
        put(out, name, strlen(name));
        put(out, "\":", 2);
    }
}

void jsonout_open(struct jsonout *out, const char *name, char bracket)
{
    begin_value(out, name);
    put_char(out, bracket);
    out->comma = false;
}

void jsonout_close(struct jsonout *out, char bracket)
{
    put_char(out, bracket);
    out->comma = true;
}

/* How many bytes a well-formed UTF-8 sequence at `s` has (Unicode 15, table 3-7); 0 where it is none. */
static size_t utf8_sequence(const unsigned char *s)
{
    if (s[0] < 0x80)
        return 1;
    unsigned char low = 0x80, high = 0xBF;
    size_t len;
    if (s[0] >= 0xC2 && s[0] <= 0xDF) {
        len = 2;
    } else if ((s[0] & 0xF0) == 0xE0) {
        len = 3;
        low = s[0] == 0xE0 ? 0xA0 : low;
        high = s[0] == 0xED ? 0x9F : high;
    } else if (s[0] >= 0xF0 && s[0] <= 0xF4) {
        len = 4;
        low = s[0] == 0xF0 ? 0x90 : low;
        high = s[0] == 0xF4 ? 0x8F : high;
    } else {
        return 0;
    }
    if (s[1] < low || s[1] > high)
        return 0;
    for (size_t i = 2; i < len; i++)
        if (s[i] < 0x80 || s[i] > 0xBF)
            return 0;
    return len;
}

static void put_escaped(struct jsonout *out, unsigned char c)
{
    static const char short_escapes[] = "\bb\tt\nn\ff\rr\"\"\\\\";
    const char *found = c != '\0' ? strchr(short_escapes, c) : NULL;
    /* the first of each pair is the character itself */
    if (found != NULL && (found - short_escapes) % 2 == 0) {
        const char pair[2] = {'\\', found[1]};
        put(out, pair, 2);
        return;
    }
    char text[8];
    snprintf(text, sizeof text, "\\u%04x", c);
    put(out, text, 6);
}

void jsonout_text(struct jsonout *out, const char *name, const char *text)
{
    begin_value(out, name);
    put_char(out, '"');
    const unsigned char *at = (const unsigned char *)text;
    while (*at != '\0') {
        const unsigned char *plain = at;
        while (*at >= 0x20 && *at < 0x7F && *at != '"' && *at != '\\')
            at++;
        put(out, (const char *)plain, (size_t)(at - plain));
        if (*at == '\0')
            break;
        size_t len = utf8_sequence(at);
        if (len > 1) {
            put(out, (const char *)at, len);
            at += len;
        } else if (len == 0) {
            put(out, "\xEF\xBF\xBD", 3);
            at++;
        } else {
            put_escaped(out, *at++);
        }
    }
    put_char(out, '"');
}

void jsonout_text_or_null(struct jsonout *out, const char *name, const char *text)
{
    if (text[0] == '\0')
        jsonout_null(out, name);
    else
        jsonout_text(out, name, text);
}

static void put_digits(struct jsonout *out, uint64_t value, int least)
{
    char digits[20];
    int count = 0;
    do {
        digits[19 - count++] = (char)('0' + value % 10);
        value /= 10;
    } while (value > 0 || count < least);
    put(out, digits + 20 - count, (size_t)count);
}

void jsonout_int(struct jsonout *out, const char *name, int64_t value)
{
    begin_value(out, name);
    if (value < 0)
        put_char(out, '-');
    put_digits(out, value < 0 ? 0 - (uint64_t)value : (uint64_t)value, 1);
}

void jsonout_real(struct jsonout *out, const char *name, double value, int decimals)
{
    static const double scale[] = {1, 1e1, 1e2, 1e3, 1e4, 1e5, 1e6, 1e7, 1e8, 1e9};
    static const uint64_t unit[] = {1,      10,      100,      1000,      10000,
                                    100000, 1000000, 10000000, 100000000, 1000000000};
    double scaled = fabs(value) * scale[decimals];
    if (!isfinite(value)) {
        jsonout_null(out, name);
        return;
    }
    begin_value(out, name);
    if (scaled >= 9e15) { /* beyond exact integers: leave it to libc */
        char text[40];
        int len = snprintf(text, sizeof text, "%.17g", value);
        put(out, text, (size_t)len);
        return;
    }
    uint64_t whole = (uint64_t)(scaled + 0.5);
    if (value < 0 && whole > 0)
        put_char(out, '-');
    put_digits(out, whole / unit[decimals], 1);
    uint64_t fraction = whole % unit[decimals];
    if (fraction == 0)
        return;
    while (fraction % 10 == 0) {
        fraction /= 10;
        decimals--;
    }
    put_char(out, '.');
    put_digits(out, fraction, decimals);
}

void jsonout_bool(struct jsonout *out, const char *name, bool value)
{
    begin_value(out, name);
    put(out, value ? "true" : "false", value ? 4 : 5);
}

void jsonout_null(struct jsonout *out, const char *name)
{
    begin_value(out, name);
    put(out, "null", 4);
}
