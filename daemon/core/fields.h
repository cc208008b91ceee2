/*
 * fields: a record of named texts in one run of bytes, the form in which commands and restored state enter the core.
 *
 *   field  = name "=" value          record = field *(US field)          US = 0x1F, the ASCII unit separator
 *
 * A name is 1 to 31 of [a-z0-9_.]; a value is any bytes without US and NUL. The first field is `op`. Such a record is what a tape keeps,
 * so it stays readable with a pager. Rejected: JSON inside the core (a parser with allocation), binary structs (a layout to version).
 * Nothing here allocates; a reader points into the caller's bytes, which must outlive it.
 */
#ifndef BELLROPE_CORE_FIELDS_H
#define BELLROPE_CORE_FIELDS_H

#include <stdbool.h>
#include <stddef.h>
#include <stdint.h>

#define FIELDS_SEPARATOR '\x1f'
#define FIELDS_MAX 80
/* The longest record the core accepts; longer remarks are refused before they come here. */
#define FIELDS_BYTES_MAX 8192

struct field {
    const char *name;
    size_t name_len;
    const char *value;
    size_t value_len;
};

struct fields {
    struct field field[FIELDS_MAX];
    size_t count;
};

/* Reads `len` bytes. False where a field has no name, a name is ill-formed, or there are more than FIELDS_MAX. */
bool fields_parse(struct fields *out, const char *bytes, size_t len);

/* Copies the value of `name` into `out` (always terminated). False where it is absent or longer than size - 1. */
bool fields_text(const struct fields *fields, const char *name, char *out, size_t size);

/* Whether `name` is there at all. */
bool fields_has(const struct fields *fields, const char *name);

/* A whole decimal number, optionally signed, that fits; false otherwise. */
bool fields_int(const struct fields *fields, const char *name, int64_t *out);

/* A plain decimal number ("-12.5", "3e-4"); false where it is absent, has other characters or is not finite. */
bool fields_real(const struct fields *fields, const char *name, double *out);

/* A writer into the caller's buffer. After an overflow it stays `full` and adds nothing more. */
struct fields_writer {
    char *bytes;
    size_t size;
    size_t len;
    bool full;
};

void fields_begin(struct fields_writer *writer, char *bytes, size_t size, const char *op);
/* US and NUL bytes in a value become spaces: they cannot be typed, and must not end a field. */
void fields_put(struct fields_writer *writer, const char *name, const char *value);
void fields_put_int(struct fields_writer *writer, const char *name, int64_t value);
/* Written with 17 significant digits, so that it reads back as the same double. */
void fields_put_real(struct fields_writer *writer, const char *name, double value);

#endif
