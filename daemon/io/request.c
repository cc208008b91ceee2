#include "io/request.h"

#include "io/utctext.h"

#include <math.h>
#include <stdio.h>
#include <string.h>

/* How a param is checked and, for commands, under which name it goes into the record. */
enum param_type {
    PARAM_TEXT,    /* a text of less than `size` bytes */
    PARAM_DIVE,    /* a dive's id */
    PARAM_SECONDS, /* 0 or more; into the record in nanoseconds */
    PARAM_MINUTES, /* 1 to 10080; into the record in nanoseconds */
    PARAM_UTC,     /* RFC 3339; into the record in nanoseconds */
    PARAM_WHOLE,   /* 0 or more, up to 2^53 - 1 */
    PARAM_ABOVE_0, /* a number */
    PARAM_FROM_0,  /* a number, 0 or more */
    PARAM_FLAG,    /* true or false */
    PARAM_TYPES    /* an array of names of event types */
};

struct param {
    const char *name;
    const char *field; /* NULL: the same name */
    size_t size;
    enum param_type type;
    bool must;
    bool may_be_empty;
};

struct method {
    const char *name;
    enum request_kind kind;
    bool writes;
    enum socket_query_kind query;
    const struct param *params; /* ends with a zeroed entry */
};

static const struct param NO_PARAMS[] = {{0}};
static const struct param HELLO[] = {{"token", NULL, REQUEST_TOKEN_SIZE, PARAM_TEXT, true, false}, {0}};
static const struct param SUBSCRIBE[] = {
    {"since", NULL, 0, PARAM_WHOLE, false, false}, {"types", NULL, 0, PARAM_TYPES, false, false}, {0}};
static const struct param PRESS[] = {{"key", NULL, LABEL_SIZE, PARAM_TEXT, true, false},
                                     {"seat", NULL, SEAT_SIZE, PARAM_TEXT, false, false},
                                     {"note", NULL, NOTE_SIZE, PARAM_TEXT, false, true},
                                     {"target", NULL, REF_SIZE, PARAM_TEXT, false, false},
                                     {"ago_s", "ago_ns", 0, PARAM_SECONDS, false, false},
                                     {"at_utc", NULL, 0, PARAM_UTC, false, false},
                                     {"at_timecode", NULL, 16, PARAM_TEXT, false, false},
                                     {"by", NULL, WHO_SIZE, PARAM_TEXT, false, false},
                                     {"dive", NULL, DIVE_ID_SIZE, PARAM_DIVE, false, false},
                                     {0}};
static const struct param SAMPLE[] = {{"container", NULL, 24, PARAM_TEXT, true, false},
                                      {"note", NULL, NOTE_SIZE, PARAM_TEXT, false, true},
                                      {"seat", NULL, SEAT_SIZE, PARAM_TEXT, false, false},
                                      {"ago_s", "ago_ns", 0, PARAM_SECONDS, false, false},
                                      {"at_utc", NULL, 0, PARAM_UTC, false, false},
                                      {"at_timecode", NULL, 16, PARAM_TEXT, false, false},
                                      {"by", NULL, WHO_SIZE, PARAM_TEXT, false, false},
                                      {"dive", NULL, DIVE_ID_SIZE, PARAM_DIVE, false, false},
                                      {0}};
static const struct param DIVE_BEGIN[] = {
    {"id", NULL, DIVE_ID_SIZE, PARAM_DIVE, true, false},
    {"vehicle", NULL, LABEL_SIZE, PARAM_TEXT, false, true},
    {"ship", NULL, LABEL_SIZE, PARAM_TEXT, false, true},
    {"site", NULL, LABEL_SIZE, PARAM_TEXT, false, true},
    {"planned_bottom_min", "planned_bottom_ns", 0, PARAM_MINUTES, false, false},
    {0}};
static const struct param REMARK[] = {{"ref", NULL, REF_SIZE, PARAM_TEXT, true, false},
                                      {"text", NULL, NOTE_SIZE * 4, PARAM_TEXT, true, false},
                                      {"by", NULL, WHO_SIZE, PARAM_TEXT, false, false},
                                      {"dive", NULL, DIVE_ID_SIZE, PARAM_DIVE, false, false},
                                      {0}};
static const struct param STRIKE[] = {
    {"ref", NULL, REF_SIZE, PARAM_TEXT, true, false},       {"why", NULL, NOTE_SIZE, PARAM_TEXT, false, true},
    {"by", NULL, WHO_SIZE, PARAM_TEXT, false, false},       {"undo", NULL, 0, PARAM_FLAG, false, false},
    {"dive", NULL, DIVE_ID_SIZE, PARAM_DIVE, false, false}, {0}};
static const struct param IDENTIFY[] = {{"ref", NULL, REF_SIZE, PARAM_TEXT, true, false},
                                        {"name", NULL, LABEL_SIZE * 2, PARAM_TEXT, true, false},
                                        {"qualifier", NULL, LABEL_SIZE, PARAM_TEXT, false, true},
                                        {"rank", NULL, 24, PARAM_TEXT, false, true},
                                        {"name_id", NULL, TERM_SIZE, PARAM_TEXT, false, true},
                                        {"by", NULL, WHO_SIZE, PARAM_TEXT, false, false},
                                        {"why", NULL, NOTE_SIZE, PARAM_TEXT, false, true},
                                        {"dive", NULL, DIVE_ID_SIZE, PARAM_DIVE, false, false},
                                        {0}};
static const struct param RETIME[] = {
    {"ref", NULL, REF_SIZE, PARAM_TEXT, true, false},       {"at_utc", NULL, 0, PARAM_UTC, true, false},
    {"why", NULL, NOTE_SIZE, PARAM_TEXT, false, true},      {"by", NULL, WHO_SIZE, PARAM_TEXT, false, false},
    {"dive", NULL, DIVE_ID_SIZE, PARAM_DIVE, false, false}, {0}};
static const struct param SIZE[] = {{"ref", NULL, REF_SIZE, PARAM_TEXT, true, false},
                                    {"pixels", NULL, 0, PARAM_ABOVE_0, true, false},
                                    {"laser_pixels", NULL, 0, PARAM_ABOVE_0, true, false},
                                    {"spacing_m", NULL, 0, PARAM_ABOVE_0, false, false},
                                    {"spacing_sigma_m", NULL, 0, PARAM_FROM_0, false, false},
                                    {"pixel_sigma", NULL, 0, PARAM_FROM_0, false, false},
                                    {"note", NULL, NOTE_SIZE, PARAM_TEXT, false, true},
                                    {"by", NULL, WHO_SIZE, PARAM_TEXT, false, false},
                                    {"dive", NULL, DIVE_ID_SIZE, PARAM_DIVE, false, false},
                                    {0}};
static const struct param SEAT[] = {
    {"seat", NULL, SEAT_SIZE, PARAM_TEXT, true, false}, {"who", NULL, WHO_SIZE, PARAM_TEXT, true, true}, {0}};
static const struct param CLAP[] = {
    {"pad", NULL, SOURCE_SIZE, PARAM_TEXT, false, false}, {"frame", NULL, 16, PARAM_TEXT, false, false}, {0}};
static const struct param ROWS[] = {{"dive", NULL, DIVE_ID_SIZE, PARAM_DIVE, false, true},
                                    {"after", NULL, 0, PARAM_WHOLE, false, false},
                                    {"limit", NULL, 0, PARAM_WHOLE, false, false},
                                    {"newest", NULL, 0, PARAM_FLAG, false, false},
                                    {0}};

static const struct method METHODS[] = {
    {"hello", REQUEST_HELLO, false, 0, HELLO},
    {"status", REQUEST_STATUS, false, 0, NO_PARAMS},
    {"subscribe", REQUEST_SUBSCRIBE, false, 0, SUBSCRIBE},
    {"unsubscribe", REQUEST_UNSUBSCRIBE, false, 0, NO_PARAMS},
    {"press", REQUEST_COMMAND, true, 0, PRESS},
    {"sample", REQUEST_COMMAND, true, 0, SAMPLE},
    {"dive.begin", REQUEST_COMMAND, true, SOCKET_QUERY_DIVE_KNOWN, DIVE_BEGIN},
    {"dive.end", REQUEST_COMMAND, true, 0, NO_PARAMS},
    {"remark", REQUEST_COMMAND, true, 0, REMARK},
    {"strike", REQUEST_COMMAND, true, 0, STRIKE},
    {"identify", REQUEST_COMMAND, true, 0, IDENTIFY},
    {"size", REQUEST_COMMAND, true, 0, SIZE},
    {"retime", REQUEST_COMMAND, true, 0, RETIME},
    {"seat", REQUEST_COMMAND, true, 0, SEAT},
    {"clap", REQUEST_COMMAND, true, 0, CLAP},
    {"markers", REQUEST_QUERY, false, SOCKET_QUERY_MARKERS, ROWS},
    {"sightings", REQUEST_QUERY, false, SOCKET_QUERY_SIGHTINGS, ROWS},
    {"samples", REQUEST_QUERY, false, SOCKET_QUERY_SAMPLES, ROWS},
    {"dives", REQUEST_QUERY, false, SOCKET_QUERY_DIVES, ROWS},
};
#define METHOD_COUNT (sizeof METHODS / sizeof METHODS[0])

#define ROWS_DEFAULT 1000
#define ROWS_MOST 10000
#define AGO_MOST_S (10.0 * 366 * 86400)
#define WHOLE_MOST INT64_C(9007199254740991)

const char *request_method(size_t i)
{
    return i < METHOD_COUNT ? METHODS[i].name : NULL;
}

/* What one reading of params works on. */
struct reading {
    const struct method *method;
    struct request *out;
    struct fields_writer record;
    char *why;
};

static bool refuse(const struct reading *reading, const char *name, const char *text)
{
    snprintf(reading->why, JSONRPC_WHY_SIZE, "%s: %s %s", reading->method->name, name, text);
    return false;
}

/* Letters a terminal or a table cannot be harmed by: no control characters but newline and tab. */
static bool is_plain(const char *text)
{
    for (; *text != '\0'; text++) {
        unsigned char c = (unsigned char)*text;
        if ((c < 0x20 && c != '\n' && c != '\t') || c == 0x7f)
            return false;
    }
    return true;
}

static bool is_dive_id(const char *text)
{
    static const char LETTERS[] = "ABCDEFGHIJKLMNOPQRSTUVWXYZabcdefghijklmnopqrstuvwxyz0123456789_.-";
    return strspn(text, LETTERS) == strlen(text) && (text[0] == '\0' || strchr("_.-", text[0]) == NULL);
}

/* The text of a param that is one; NULL after refusing it. */
static const char *checked_text(const struct reading *reading, const struct param *param, const json_t *value)
{
    char text[64];
    const char *given = json_string_value(value);
    if (given == NULL) {
        refuse(reading, param->name, "must be a text");
        return NULL;
    }
    if (param->size > 0 && strlen(given) >= param->size) {
        snprintf(text, sizeof text, "is longer than %zu bytes of UTF-8", param->size - 1);
        refuse(reading, param->name, text);
        return NULL;
    }
    if (given[0] == '\0' && !param->may_be_empty) {
        refuse(reading, param->name, "is empty");
        return NULL;
    }
    if (!is_plain(given)) {
        refuse(reading, param->name, "holds a control character");
        return NULL;
    }
    return given;
}

static bool take_text(struct reading *reading, const struct param *param, const json_t *value)
{
    const char *given = checked_text(reading, param, value);
    if (given == NULL)
        return false;
    if (param->type == PARAM_DIVE && !is_dive_id(given))
        return refuse(reading, param->name,
                      "is 1 to 31 of A-Z a-z 0-9 _ . - and begins with a letter or digit");
    struct request *out = reading->out;
    if (out->kind == REQUEST_HELLO)
        snprintf(out->token, sizeof out->token, "%s", given);
    else if (param->type == PARAM_DIVE) {
        snprintf(out->query.dive, sizeof out->query.dive, "%s", given);
        out->query.dive_given = true;
    }
    if (out->kind == REQUEST_COMMAND)
        fields_put(&reading->record, param->name, given);
    return true;
}

static bool take_seconds(struct reading *reading, const struct param *param, const json_t *value)
{
    double seconds = json_number_value(value);
    if (!json_is_number(value) || !(seconds >= 0) || seconds > AGO_MOST_S)
        return refuse(reading, param->name, "must be a number of seconds, 0 to ten years");
    fields_put_int(&reading->record, param->field, llround(seconds * 1e9));
    return true;
}

static bool take_minutes(struct reading *reading, const struct param *param, const json_t *value)
{
    double minutes = json_number_value(value);
    if (!json_is_number(value) || !(minutes >= 1 && minutes <= 10080))
        return refuse(reading, param->name, "must be a number of minutes, 1 to 10080");
    fields_put_int(&reading->record, param->field, llround(minutes * 60e9));
    return true;
}

static bool take_real(struct reading *reading, const struct param *param, const json_t *value)
{
    double number = json_number_value(value);
    if (!json_is_number(value) || !(number >= 0) || (number <= 0 && param->type == PARAM_ABOVE_0))
        return refuse(reading, param->name,
                      param->type == PARAM_ABOVE_0 ? "must be a number above 0"
                                                   : "must be a number, 0 or more");
    fields_put_real(&reading->record, param->name, number);
    return true;
}

static bool take_utc(struct reading *reading, const struct param *param, const json_t *value)
{
    utc_ns utc;
    const char *text = json_string_value(value);
    if (text == NULL || !utctext_parse(text, &utc))
        return refuse(reading, param->name, "must be a UTC such as \"2031-03-04T05:06:07.089Z\"");
    fields_put_int(&reading->record, param->name, utc.ns);
    return true;
}

static bool take_whole(struct reading *reading, const struct param *param, const json_t *value)
{
    json_int_t number = json_integer_value(value);
    if (!json_is_integer(value) || number < 0 || number > WHOLE_MOST)
        return refuse(reading, param->name, "must be a whole number, 0 or more");
    struct request *out = reading->out;
    if (strcmp(param->name, "since") == 0) {
        out->has_since = true;
        out->since = number;
    } else if (strcmp(param->name, "after") == 0) {
        out->query.after = number;
    } else if (number < 1 || number > ROWS_MOST) {
        return refuse(reading, param->name, "must be 1 to 10000");
    } else {
        out->query.limit = number;
    }
    return true;
}

static bool take_types(struct reading *reading, const struct param *param, const json_t *value)
{
    if (!json_is_array(value) || json_array_size(value) == 0)
        return refuse(reading, param->name, "must be an array of names of event types");
    reading->out->types = 0;
    for (size_t i = 0; i < json_array_size(value); i++) {
        const char *name = json_string_value(json_array_get(value, i));
        enum entry_type type = name == NULL ? ENTRY_TYPES : entry_type_find(name);
        if (type == ENTRY_TYPES) {
            refuse(reading, param->name, "holds an unknown type; there are");
            for (int known = 0; known < ENTRY_TYPES; known++) {
                size_t len = strlen(reading->why);
                snprintf(reading->why + len, JSONRPC_WHY_SIZE - len, " %s",
                         entry_type_name((enum entry_type)known));
            }
            return false;
        }
        reading->out->types |= UINT32_C(1) << type;
    }
    return true;
}

static bool take_flag(struct reading *reading, const struct param *param, const json_t *value)
{
    if (!json_is_boolean(value))
        return refuse(reading, param->name, "must be true or false");
    if (reading->out->kind == REQUEST_COMMAND)
        fields_put_int(&reading->record, param->name, json_is_true(value) ? 1 : 0);
    else
        reading->out->query.newest = json_is_true(value);
    return true;
}

static bool take(struct reading *reading, const struct param *param, const json_t *value)
{
    switch (param->type) {
    case PARAM_SECONDS:
        return take_seconds(reading, param, value);
    case PARAM_MINUTES:
        return take_minutes(reading, param, value);
    case PARAM_ABOVE_0:
    case PARAM_FROM_0:
        return take_real(reading, param, value);
    case PARAM_UTC:
        return take_utc(reading, param, value);
    case PARAM_WHOLE:
        return take_whole(reading, param, value);
    case PARAM_TYPES:
        return take_types(reading, param, value);
    case PARAM_FLAG:
        return take_flag(reading, param, value);
    default:
        return take_text(reading, param, value);
    }
}

/* Names that the method does not have; the accepted ones are said. */
static bool names_are_known(const struct reading *reading, json_t *params)
{
    const char *name;
    json_t *value;
    json_object_foreach(params, name, value)
    {
        const struct param *param = reading->method->params;
        while (param->name != NULL && strcmp(param->name, name) != 0)
            param++;
        if (param->name != NULL)
            continue;
        int len = snprintf(reading->why, JSONRPC_WHY_SIZE,
                           "%s: unknown param \"%.60s\"; accepted:", reading->method->name, name);
        for (param = reading->method->params; param->name != NULL; param++)
            len += snprintf(reading->why + len, JSONRPC_WHY_SIZE - (size_t)len, " %s", param->name);
        if (reading->method->params->name == NULL)
            snprintf(reading->why + len, JSONRPC_WHY_SIZE - (size_t)len, " none");
        return false;
    }
    return true;
}

static bool one_instant(const struct reading *reading, const json_t *params)
{
    int given = (json_object_get(params, "ago_s") != NULL) + (json_object_get(params, "at_utc") != NULL) +
                (json_object_get(params, "at_timecode") != NULL);
    return given <= 1 || refuse(reading, "ago_s, at_utc, at_timecode:", "give one of them at most");
}

static bool read_params(struct reading *reading, json_t *params)
{
    if (!names_are_known(reading, params) || !one_instant(reading, params))
        return false;
    for (const struct param *param = reading->method->params; param->name != NULL; param++) {
        const json_t *value = json_object_get(params, param->name);
        if (value == NULL && param->must)
            return refuse(reading, param->name, "is missing");
        if (value != NULL && !take(reading, param, value))
            return false;
    }
    return true;
}

static const struct method *find_method(const char *name)
{
    for (size_t i = 0; i < METHOD_COUNT; i++)
        if (strcmp(METHODS[i].name, name) == 0)
            return &METHODS[i];
    return NULL;
}

enum jsonrpc_code request_read(const struct jsonrpc_call *call, int64_t number, struct request *out,
                               char why[JSONRPC_WHY_SIZE])
{
    const struct method *method = find_method(call->method);
    if (method == NULL) {
        snprintf(why, JSONRPC_WHY_SIZE, "no method \"%.60s\"; docs/socket.md lists them", call->method);
        return JSONRPC_NO_METHOD;
    }
    out->kind = method->kind;
    out->writes = method->writes;
    out->new_dive = method->kind == REQUEST_COMMAND && method->query == SOCKET_QUERY_DIVE_KNOWN;
    out->has_since = false;
    out->since = 0;
    out->types = (UINT32_C(1) << ENTRY_TYPES) - 1;
    out->query = (struct socket_query){.kind = method->query, .limit = ROWS_DEFAULT};
    out->token[0] = '\0';
    struct reading reading = {.method = method, .out = out, .why = why};
    fields_begin(&reading.record, out->record, sizeof out->record, method->name);
    fields_put_int(&reading.record, "token", number);
    if (!read_params(&reading, call->params))
        return JSONRPC_PARAMS;
    if (reading.record.full) {
        snprintf(why, JSONRPC_WHY_SIZE, "%s: the texts are too long together", method->name);
        return JSONRPC_PARAMS;
    }
    out->record_len = reading.record.len;
    return JSONRPC_FINE;
}
