#include "cli/show.h"

#include "io/utctext.h"

#include <inttypes.h>
#include <math.h>
#include <stdio.h>
#include <string.h>

const char *show_text(const json_t *row, const char *name)
{
    const char *text = json_string_value(json_object_get(row, name));
    return text != NULL ? text : "";
}

const char *show_time(const json_t *row, const char *name, char out[SHOW_SIZE])
{
    const char *utc = show_text(row, name);
    if (strlen(utc) < 23)
        return "-";
    snprintf(out, SHOW_SIZE, "%.12s", utc + 11);
    return out;
}

const char *show_date_time(const json_t *row, const char *name, char out[SHOW_SIZE])
{
    const char *utc = show_text(row, name);
    if (strlen(utc) < 19)
        return "-";
    snprintf(out, SHOW_SIZE, "%.10s %.8s", utc, utc + 11);
    return out;
}

const char *show_bound(const json_t *row, char out[SHOW_SIZE])
{
    const json_t *bound = json_object_get(row, "utc_bound_ms");
    if (!json_is_number(bound))
        return "±?";
    double ms = json_number_value(bound);
    if (ms < 9999.5)
        snprintf(out, SHOW_SIZE, "±%.*f ms", ms < 99.95 ? 1 : 0, ms);
    else
        snprintf(out, SHOW_SIZE, "±%.0f s", ms / 1000);
    return out;
}

const char *show_ref(const json_t *row, const char *name)
{
    const char *ref = show_text(row, name);
    const char *dash = strrchr(ref, '-');
    return dash != NULL ? dash + 1 : ref;
}

const char *show_channel(const json_t *row, const char *channel, int decimals, char out[SHOW_SIZE])
{
    const json_t *value = json_object_get(json_object_get(json_object_get(row, "channels"), channel), "v");
    if (!json_is_number(value))
        return "";
    snprintf(out, SHOW_SIZE, "%.*f", decimals, json_number_value(value));
    return out;
}

const char *show_position(const json_t *row, char out[SHOW_SIZE])
{
    const json_t *position = json_object_get(row, "position");
    if (!json_is_object(position))
        return "";
    double lat = json_number_value(json_object_get(position, "lat"));
    double lon = json_number_value(json_object_get(position, "lon"));
    snprintf(out, SHOW_SIZE, "%.5f %c %.5f %c", fabs(lat), lat < 0 ? 'S' : 'N', fabs(lon),
             lon < 0 ? 'W' : 'E');
    return out;
}

const char *show_duration(const json_t *row, const char *from, const char *to, char out[SHOW_SIZE])
{
    utc_ns start, end;
    if (!utctext_parse(show_text(row, from), &start) || !utctext_parse(show_text(row, to), &end))
        return "";
    int64_t s = (end.ns - start.ns + NS_PER_S / 2) / NS_PER_S;
    snprintf(out, SHOW_SIZE, "%" PRId64 ":%02" PRId64 ":%02" PRId64, s / 3600, s / 60 % 60, s % 60);
    return out;
}
