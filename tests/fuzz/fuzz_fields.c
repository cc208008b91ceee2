/*
 * Any bytes as a record of fields: what is accepted points into those bytes and reads back through a writer unchanged; numbers are finite and
 * write as they read.
 */
#include "core/fields.h"

#include <math.h>
#include <stdlib.h>
#include <string.h>

int LLVMFuzzerTestOneInput(const uint8_t *data, size_t size);

static void must(bool holds)
{
    if (!holds)
        abort();
}

static void check_field(const struct fields *fields, const struct field *field, const char *bytes, size_t len)
{
    char name[64], text[256];
    int64_t whole;
    double real;
    must(field->name >= bytes && field->value >= field->name + field->name_len);
    must(field->value + field->value_len <= bytes + len);
    must(field->name_len >= 1 && field->name_len <= 31);
    memcpy(name, field->name, field->name_len);
    name[field->name_len] = '\0';
    must(fields_has(fields, name));
    must(memchr(field->value, FIELDS_SEPARATOR, field->value_len) == NULL);
    if (fields_text(fields, name, text, sizeof text))
        must(strlen(text) < sizeof text);
    else
        must(text[0] == '\0');
    if (fields_int(fields, name, &whole))
        must(fields_real(fields, name, &real) && fabs(real - (double)whole) <= 1024);
    if (fields_real(fields, name, &real))
        must(isfinite(real));
}

/* A record whose values are texts goes through the writer and comes back the same. */
static void write_again(const struct fields *fields)
{
    static char bytes[FIELDS_BYTES_MAX], value[FIELDS_BYTES_MAX];
    struct fields_writer writer;
    struct fields again;
    fields_begin(&writer, bytes, sizeof bytes, "fuzz");
    for (size_t i = 0; i < fields->count; i++) {
        char name[32];
        memcpy(name, fields->field[i].name, fields->field[i].name_len);
        name[fields->field[i].name_len] = '\0';
        memcpy(value, fields->field[i].value, fields->field[i].value_len);
        value[fields->field[i].value_len] = '\0';
        fields_put(&writer, name, value);
    }
    must(writer.len < sizeof bytes && bytes[writer.len] == '\0');
    if (fields->count == FIELDS_MAX || writer.full)
        return;
    must(fields_parse(&again, bytes, writer.len) && again.count == fields->count + 1);
    for (size_t i = 0; i < fields->count; i++) {
        const struct field *was = &fields->field[i], *is = &again.field[i + 1];
        must(is->value_len == was->value_len && memcmp(is->value, was->value, is->value_len) == 0);
    }
}

int LLVMFuzzerTestOneInput(const uint8_t *data, size_t size)
{
    struct fields fields;
    if (size > FIELDS_BYTES_MAX)
        return 0;
    char *exact = malloc(size > 0 ? size : 1); /* so that a sanitizer sees a byte too far */
    must(exact != NULL);
    memcpy(exact, data, size);
    if (fields_parse(&fields, exact, size)) {
        must(fields.count <= FIELDS_MAX);
        for (size_t i = 0; i < fields.count; i++)
            check_field(&fields, &fields.field[i], exact, size);
        write_again(&fields);
    }
    free(exact);
    return 0;
}
