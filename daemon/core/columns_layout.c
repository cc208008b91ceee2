/* columns_layout: the layout of a columns feed as its configuration is read, with errors that say what is accepted. */
#include "core/columns.h"

#include <ctype.h>
#include <stdio.h>
#include <string.h>

struct unit {
    const char *name;
    const char *of; /* the channel's own unit */
    double scale, offset;
};

static const double atmosphere_dbar = 10.1325;
static const double dbar_per_psi = 0.689475729316836;

/* channel value = scale * number + offset. The first of each group is the channel's own. */
static const struct unit units[] = {
    {"deg", "deg", 1.0, 0.0},
    {"rad", "deg", 57.295779513082321, 0.0},
    {"mrad", "deg", 0.057295779513082321, 0.0},
    {"kn", "kn", 1.0, 0.0},
    {"m/s", "kn", 3600.0 / 1852.0, 0.0},
    {"cm/s", "kn", 36.0 / 1852.0, 0.0},
    {"mm/s", "kn", 3.6 / 1852.0, 0.0},
    {"km/h", "kn", 1.0 / 1.852, 0.0},
    {"m", "m", 1.0, 0.0},
    {"cm", "m", 0.01, 0.0},
    {"mm", "m", 0.001, 0.0},
    {"ft", "m", 0.3048, 0.0},
    {"fathom", "m", 1.8288, 0.0},
    {"dbar", "dbar", 1.0, 0.0},
    {"bar", "dbar", 10.0, 0.0},
    {"mbar", "dbar", 0.01, 0.0},
    {"Pa", "dbar", 1e-4, 0.0},
    {"kPa", "dbar", 0.1, 0.0},
    {"MPa", "dbar", 100.0, 0.0},
    {"psi", "dbar", dbar_per_psi, 0.0},
    {"dbar_abs", "dbar", 1.0, -atmosphere_dbar},
    {"bar_abs", "dbar", 10.0, -atmosphere_dbar},
    {"kPa_abs", "dbar", 0.1, -atmosphere_dbar},
    {"psi_abs", "dbar", dbar_per_psi, -atmosphere_dbar},
    {"C", "C", 1.0, 0.0},
    {"C68", "C", 1.0 / 1.00024, 0.0},
    {"F", "C", 1.0 / 1.8, -32.0 / 1.8},
    {"K", "C", 1.0, -273.15},
    {"mS/cm", "mS/cm", 1.0, 0.0},
    {"S/m", "mS/cm", 10.0, 0.0},
    {"mS/m", "mS/cm", 0.01, 0.0},
    {"uS/cm", "mS/cm", 0.001, 0.0},
    {"1", "1", 1.0, 0.0},
    {"psu", "1", 1.0, 0.0},
    {"m/s", "m/s", 1.0, 0.0},
    {"ft/s", "m/s", 0.3048, 0.0},
    {"umol/kg", "umol/kg", 1.0, 0.0},
    {"umol/L", "umol/kg", 1.0 / 1.025, 0.0},
    {"mL/L", "umol/kg", 44.6596 / 1.025, 0.0},
    {"mg/L", "umol/kg", 31.2512 / 1.025, 0.0},
};

enum { UNIT_COUNT = sizeof units / sizeof units[0] };

/* Writes the sentence and is false. */
#define refuse(error, ...) ((void)snprintf(error, COLUMNS_ERROR_MAX, __VA_ARGS__), false)

bool columns_set_separator(struct columns *columns, const char *text, char *error)
{
    static const struct {
        const char *name;
        char separator;
    } known[] = {{"comma", ','}, {"semicolon", ';'}, {"tab", '\t'}, {"space", ' '}};

    columns->fixed = strcmp(text, "fixed") == 0;
    if (columns->fixed) {
        return true;
    }
    for (size_t i = 0; i < sizeof known / sizeof known[0]; i++) {
        if (strcmp(text, known[i].name) == 0) {
            columns->separator = known[i].separator;
            return true;
        }
    }
    bool of_numbers = text[0] != '\0' && strchr("0123456789.+-eE", text[0]) != NULL;
    if (strlen(text) != 1 || !isgraph((unsigned char)text[0]) || of_numbers) {
        return refuse(
            error,
            "separator \"%.40s\": accepted are comma, semicolon, tab, space, fixed, or one character "
            "that no number contains",
            text);
    }
    columns->separator = text[0];
    return true;
}

bool columns_set_prefix(struct columns *columns, const char *text, char *error)
{
    size_t len = strlen(text);

    if (len >= COLUMNS_PREFIX_MAX) {
        return refuse(error, "prefix \"%.40s\": at most %d bytes are accepted", text, COLUMNS_PREFIX_MAX - 1);
    }
    memcpy(columns->prefix, text, len);
    columns->prefix_len = (uint8_t)len;
    return true;
}

/* A whole number from 1 to `max`; NULL if there is none, else what follows it. */
static const char *small_number(const char *text, int max, uint16_t *out)
{
    int value = 0;
    const char *at = text;

    for (; isdigit((unsigned char)*at); at++) {
        value = value * 10 + (*at - '0');
        if (value > max) {
            return NULL;
        }
    }
    *out = (uint16_t)value;
    return at != text && value > 0 ? at : NULL;
}

static bool read_place(const struct columns *columns, const char *which, struct columns_field *field,
                       char *error)
{
    int max = columns->fixed ? 1024 : COLUMNS_NUMBER_MAX;
    const char *rest = small_number(which, max, &field->first);

    field->last = field->first;
    if (columns->fixed && rest != NULL) {
        rest = *rest == '-' ? small_number(rest + 1, max, &field->last) : NULL;
    }
    if (rest == NULL || *rest != '\0' || field->last < field->first) {
        return columns->fixed
                   ? refuse(error,
                            "column.%.40s: a fixed layout takes characters FROM-TO counted from 1, "
                            "such as column.10-17, up to %d",
                            which, max)
                   : refuse(error, "column.%.40s: a number from 1 to %d is accepted", which, max);
    }
    return true;
}

/* '_' stands for '/' except before "abs", so that units can be written as in channel names. */
static bool same_unit(const char *text, const char *name)
{
    for (; *text != '\0' && *name != '\0'; text++, name++) {
        if (*text != *name && !(*text == '_' && *name == '/')) {
            return false;
        }
    }
    return *text == *name;
}

static void list_units(const char *of, char *out, size_t size)
{
    size_t used = 0;

    out[0] = '\0';
    for (int i = 0; i < UNIT_COUNT; i++) {
        if (strcmp(units[i].of, of) == 0 && used + strlen(units[i].name) + 2 < size) {
            used += (size_t)snprintf(out + used, size - used, "%s%s", used > 0 ? " " : "", units[i].name);
        }
    }
}

static bool read_unit(const char *channel, const char *of, const char *text, struct columns_field *field,
                      char *error)
{
    char accepted[120];

    field->scale = 1.0;
    field->offset = 0.0;
    if (*text == '\0') {
        return true;
    }
    for (int i = 0; i < UNIT_COUNT; i++) {
        if (strcmp(units[i].of, of) == 0 && same_unit(text, units[i].name)) {
            field->scale = units[i].scale;
            field->offset = units[i].offset;
            return true;
        }
    }
    list_units(of, accepted, sizeof accepted);
    return refuse(error, "unit \"%.24s\" of %.39s: accepted are %s", text, channel, accepted);
}

/* "CHANNEL [unit]" into two texts; false if there are more, none, or they are too long. */
static bool split(const char *what, char channel[CHANNEL_NAME_MAX], char unit[CHANNEL_NAME_MAX])
{
    char *const out[] = {channel, unit};

    channel[0] = unit[0] = '\0';
    for (int i = 0; i < 2; i++) {
        what += strspn(what, " \t");
        size_t len = strcspn(what, " \t");
        if (len >= CHANNEL_NAME_MAX) {
            return false;
        }
        memcpy(out[i], what, len);
        out[i][len] = '\0';
        what += len;
    }
    what += strspn(what, " \t");
    return *what == '\0' && channel[0] != '\0';
}

static bool read_channel(struct channel_names *names, const char *what, struct columns_field *field,
                         char *error)
{
    char channel[CHANNEL_NAME_MAX];
    char unit[CHANNEL_NAME_MAX];

    if (!split(what, channel, unit)) {
        return refuse(error, "\"%.60s\": accepted is CHANNEL, or CHANNEL and a unit", what);
    }
    int id = channel_find(names, channel);
    if (id == CHANNEL_NONE || id >= CHANNEL_USER_FIRST) {
        id = channel_register(names, channel, unit[0] != '\0' ? unit : NULL);
        unit[0] = '\0';
    }
    if (id == CHANNEL_NONE) {
        return refuse(error,
                      "\"%.39s\" is no channel: accepted are the names in docs/telemetry.md, such as "
                      "water.temperature_C, and up to %d of your own as x.NAME",
                      channel, CHANNEL_USER_MAX);
    }
    field->channel = (int16_t)id;
    return read_unit(channel, channel_unit(names, id), unit, field, error);
}

bool columns_set_column(struct columns *columns, struct channel_names *names, const char *which,
                        const char *what, char *error)
{
    struct columns_field field = {.first = 0};

    if (columns->count == COLUMNS_MAX) {
        return refuse(error, "column.%.40s: at most %d columns are accepted", which, COLUMNS_MAX);
    }
    if (!read_place(columns, which, &field, error) || !read_channel(names, what, &field, error)) {
        return false;
    }
    int place = columns->count++;
    for (; place > 0 && columns->field[place - 1].first > field.first; place--) {
        columns->field[place] = columns->field[place - 1];
    }
    columns->field[place] = field;
    return true;
}

static bool has(const struct columns *columns, int channel)
{
    for (int i = 0; i < columns->count; i++) {
        if (columns->field[i].channel == channel) {
            return true;
        }
    }
    return false;
}

bool columns_check(const struct columns *columns, char *error)
{
    static const int latitudes[] = {CHANNEL_SHIP_LAT, CHANNEL_VEHICLE_LAT};

    if (columns->count == 0) {
        return refuse(error, "no column is named: say column.N = CHANNEL [unit] for at least one");
    }
    for (int i = 0; i < columns->count; i++) {
        for (int k = 0; k < i; k++) {
            if (columns->field[i].channel == columns->field[k].channel) {
                return refuse(error,
                              "column.%d and column.%d both give the same channel: take one of them out",
                              columns->field[k].first, columns->field[i].first);
            }
        }
        bool whole_number_layout = columns->field[i].first == columns->field[i].last;
        if (!columns->fixed && !whole_number_layout) {
            return refuse(error, "column.%d-%d: a range of characters needs separator = fixed",
                          columns->field[i].first, columns->field[i].last);
        }
    }
    for (int i = 0; i < 2; i++) {
        if (has(columns, latitudes[i]) != has(columns, latitudes[i] + 1)) {
            return refuse(error, "%s and %s must both be named: half a position is none",
                          channel_name(NULL, latitudes[i]), channel_name(NULL, latitudes[i] + 1));
        }
    }
    return true;
}
