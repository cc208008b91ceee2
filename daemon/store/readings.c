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

static bool take_number(const char **at, double *out)
{
    char *end;
    if (**at != '-' && (**at < '0' || **at > '9'))
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
