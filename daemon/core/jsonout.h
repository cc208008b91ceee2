/*
 * jsonout: a bounded writer of JSON text (RFC 8259) into the caller's buffer; commas and escapes are its business. After an overflow it
 * stays `full` and writes no more. Only for the core's own events: everything that reads JSON stands outside the core.
 */
#ifndef BELLROPE_CORE_JSONOUT_H
#define BELLROPE_CORE_JSONOUT_H

#include <stdbool.h>
#include <stddef.h>
#include <stdint.h>

struct jsonout {
    char *at;
    char *start;
    char *end; /* one byte is kept for the terminator */
    bool comma;
    bool full;
};

void jsonout_begin(struct jsonout *out, char *bytes, size_t size);
/* Terminates the text; its length, or 0 where it did not fit. */
size_t jsonout_end(struct jsonout *out);

/* `name` NULL inside an array. Names are ours and need no escaping. */
void jsonout_open(struct jsonout *out, const char *name, char bracket);
void jsonout_close(struct jsonout *out, char bracket);
/* Invalid UTF-8 becomes U+FFFD; control characters are escaped. */
void jsonout_text(struct jsonout *out, const char *name, const char *text);
/* null where the text is empty. */
void jsonout_text_or_null(struct jsonout *out, const char *name, const char *text);
void jsonout_int(struct jsonout *out, const char *name, int64_t value);
/* `decimals` digits after the point at most (0 to 9), trailing zeros cut; null where the value is not finite. */
void jsonout_real(struct jsonout *out, const char *name, double value, int decimals);
void jsonout_bool(struct jsonout *out, const char *name, bool value);
void jsonout_null(struct jsonout *out, const char *name);

#endif
