#include "core/fields.h"

#include <inttypes.h>
#include <math.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

static bool name_is_sound(const char *name, size_t len)
{
    if (len == 0 || len > 31)
        return false;
    for (size_t i = 0; i < len; i++) {
        char c = name[i];
        bool sound = (c >= 'a' && c <= 'z') || (c >= '0' && c <= '9') || c == '_' || c == '.';
        if (!sound)
            return false;
    }
    return true;
}

bool fields_parse(struct fields *out, const char *bytes, size_t len)
{
    out->count = 0;
    if (len == 0 || len > FIELDS_BYTES_MAX || memchr(bytes, '\0', len) != NULL)
        return false;
    const char *end = bytes + len;
    for (const char *at = bytes; at <= end;) {
        const char *stop = memchr(at, FIELDS_SEPARATOR, (size_t)(end - at));
        if (stop == NULL)
            stop = end;
        const char *equals = memchr(at, '=', (size_t)(stop - at));
        if (equals == NULL || out->count == FIELDS_MAX || !name_is_sound(at, (size_t)(equals - at)))
            return false;
        struct field *field = &out->field[out->count++];
        field->name = at;
        field->name_len = (size_t)(equals - at);
        field->value = equals + 1;
        field->value_len = (size_t)(stop - field->value);
        at = stop + 1;
    }
    return true;
}

static const struct field *find(const struct fields *fields, const char *name)
{
    size_t len = strlen(name);
    for (size_t i = 0; i < fields->count; i++)
        if (fields->field[i].name_len == len && memcmp(fields->field[i].name, name, len) == 0)
            return &fields->field[i];
    return NULL;
}

bool fields_has(const struct fields *fields, const char *name)
{
    return find(fields, name) != NULL;
}

bool fields_text(const struct fields *fields, const char *name, char *out, size_t size)
{
    const struct field *field = find(fields, name);
    out[0] = '\0';
    if (field == NULL || field->value_len >= size)
        return false;
    memcpy(out, field->value, field->value_len);
    out[field->value_len] = '\0';
    return true;
}

bool fields_int(const struct fields *fields, const char *name, int64_t *out)
{
    char text[24];
    if (!fields_text(fields, name, text, sizeof text) || text[0] == '\0')
        return false;
    size_t digits = strspn(text + (text[0] == '-'), "0123456789");
    size_t sign = text[0] == '-' ? 1 : 0;
    /* 19 digits, as nanoseconds since 1970 have, may just not fit in 63 bits; more never do. */
    if (digits == 0 || digits > 19 || text[sign + digits] != '\0')
        return false;
    uint64_t value = 0;
    for (size_t i = 0; i < digits; i++)
        value = value * 10 + (uint64_t)(text[sign + i] - '0');
    if (value > INT64_MAX)
        return false;
    *out = sign ? -(int64_t)value : (int64_t)value;
    return true;
}

bool fields_real(const struct fields *fields, const char *name, double *out)
{
    char text[40];
    if (!fields_text(fields, name, text, sizeof text) || text[0] == '\0')
        return false;
    if (strspn(text, "0123456789+-.eE") != strlen(text))
        return false;
    char *end = NULL;
    double value = strtod(text, &end);
    if (*end != '\0' || !isfinite(value))
        return false;
    *out = value;
    return true;
}

static void put_bytes(struct fields_writer *writer, const char *bytes, size_t len)
{
    if (writer->full || len >= writer->size - writer->len) {
        writer->full = true;
        return;
    }
    memcpy(writer->bytes + writer->len, bytes, len);
    writer->len += len;
    writer->bytes[writer->len] = '\0';
}

static void put_value(struct fields_writer *writer, const char *value)
{
    size_t start = writer->len;
    put_bytes(writer, value, strlen(value));
    for (size_t i = start; i < writer->len; i++)
        if (writer->bytes[i] == FIELDS_SEPARATOR)
            writer->bytes[i] = ' ';
}

void fields_begin(struct fields_writer *writer, char *bytes, size_t size, const char *op)
{
    *writer = (struct fields_writer){.bytes = bytes, .size = size};
    bytes[0] = '\0';
    put_bytes(writer, "op=", 3);
    put_value(writer, op);
}

void fields_put(struct fields_writer *writer, const char *name, const char *value)
{
    const char separator = FIELDS_SEPARATOR;
    size_t before = writer->len;
    put_bytes(writer, &separator, 1);
    put_bytes(writer, name, strlen(name));
    put_bytes(writer, "=", 1);
    put_value(writer, value);
    if (writer->full) { /* no half field */
        writer->len = before;
        writer->bytes[before] = '\0';
    }
}

void fields_put_int(struct fields_writer *writer, const char *name, int64_t value)
{
    char text[24];
    snprintf(text, sizeof text, "%" PRId64, value);
    fields_put(writer, name, text);
}

void fields_put_real(struct fields_writer *writer, const char *name, double value)
{
    char text[40];
    snprintf(text, sizeof text, "%.17g", value);
    fields_put(writer, name, text);
}
