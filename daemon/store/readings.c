#include "store/readings.h"

#include "store/reader.h"

#include <jansson.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

/* ---- the writer's own text ---- */

/* Passes over `expected`. */
static bool skip(const char **at, const char *expected)
{
    size_t len = strlen(expected);
    if (strncmp(*at, expected, len) != 0)
        return false;
    *at += len;
    return true;
}

/* A string without escapes, up to and with its closing quote; the opening one was passed over. */
static bool take_text(const char **at, char *out, size_t size)
{
    size_t len = strcspn(*at, "\"\\");
    if ((*at)[len] != '"' || len >= size)
        return false;
    memcpy(out, *at, len);
    out[len] = '\0';
    *at += len + 1;
    return true;
}

static bool is_digit(char c)
{
    return c >= '0' && c <= '9';
}

/* Up to 15 digits, with or without a point: the digits as an integer and the power of ten are exact, so that one division rounds rightly (Clinger,
 * "How to read floating point numbers accurately", 1990). Anything else is left to strtod(). */
static bool take_short_number(const char **at, double *out)
{
    static const double power[] = {1e0, 1e1, 1e2,  1e3,  1e4,  1e5,  1e6,  1e7,
                                   1e8, 1e9, 1e10, 1e11, 1e12, 1e13, 1e14, 1e15};
    const char *c = *at + (**at == '-' ? 1 : 0);
    int64_t digits = 0;
    int count = 0, decimals = 0;
    for (bool point = false; is_digit(*c) || (*c == '.' && !point); c++) {
        point |= *c == '.';
        if (*c == '.')
            continue;
        digits = digits * 10 + (*c - '0');
        decimals += point ? 1 : 0;
        if (++count > 15)
            return false;
    }
    if (count == 0 || *c == 'e' || *c == 'E' || c[-1] == '.')
        return false;
    double value = (double)digits / power[decimals];
    *out = **at == '-' ? -value : value;
    *at = c;
    return true;
}

static bool take_number(const char **at, double *out)
{
    char *end;
    if (take_short_number(at, out))
        return true;
    if (**at != '-' && !is_digit(**at))
        return false;
    *out = strtod(*at, &end);
    *at = end;
    return true;
}

/* "NAME":{...} */
static bool take_reading(const char **at, struct marker_reading *out)
{
    char method[16];
    if (!skip(at, "\"") || !take_text(at, out->channel, sizeof out->channel) || !skip(at, ":{\"v\":") ||
        !take_number(at, &out->value) || !skip(at, ",\"age_s\":") || !take_number(at, &out->age_s) ||
        !skip(at, ",\"method\":\"") || !take_text(at, method, sizeof method))
        return false;
    out->method = reader_method(method);
    out->source[0] = '\0'; /* what was derived has no feed */
    if (skip(at, ",\"feed\":\"") && !take_text(at, out->source, sizeof out->source))
        return false;
    return skip(at, "}");
}

static bool parse_own(struct marker_telemetry *out, const char *text)
{
    out->reading_count = 0;
    if (strcmp(text, "{}") == 0)
        return true;
    if (!skip(&text, "{"))
        return false;
    do {
        if (out->reading_count == MARKER_READINGS_MAX ||
            !take_reading(&text, &out->reading[out->reading_count++]))
            return false;
    } while (skip(&text, ","));
    return strcmp(text, "}") == 0;
}

/* ---- any other ---- */

static const char *member_text(json_t *object, const char *name)
{
    const char *text = json_string_value(json_object_get(object, name));
    return text != NULL ? text : "";
}

static void parse_any(struct marker_telemetry *out, const char *text)
{
    json_t *channels = json_loads(text, 0, NULL);
    const char *name;
    json_t *value;
    out->reading_count = 0;
    json_object_foreach(channels, name, value)
    {
        if (out->reading_count == MARKER_READINGS_MAX || !json_is_number(json_object_get(value, "v")))
            continue;
        struct marker_reading *reading = &out->reading[out->reading_count++];
        snprintf(reading->channel, sizeof reading->channel, "%s", name);
        reading->value = json_number_value(json_object_get(value, "v"));
        reading->age_s = json_number_value(json_object_get(value, "age_s"));
        reading->method = reader_method(member_text(value, "method"));
        snprintf(reading->source, sizeof reading->source, "%s", member_text(value, "feed"));
    }
    json_decref(channels);
}

void readings_parse(struct marker_telemetry *out, const char *text)
{
    out->reading_count = 0;
    if (text != NULL && !parse_own(out, text))
        parse_any(out, text);
}
