/*
 * bytes: a run of bytes that grows. For text built outside the core; where memory is short it stays `failed` and adds
 * nothing more, so that one check at the end is enough.
 */
#ifndef BELLROPE_IO_BYTES_H
#define BELLROPE_IO_BYTES_H

#include <stdbool.h>
#include <stddef.h>

/* Zeroed memory is an empty one. `at` is terminated once anything was put, and is the owner's to free through bytes_free(). */
struct bytes {
    char *at;
    size_t len;
    size_t size;
    bool failed;
};

/* Makes room for `more` bytes at once, where that is known before. */
void bytes_reserve(struct bytes *bytes, size_t more);
void bytes_put(struct bytes *bytes, const void *from, size_t len);
void bytes_text(struct bytes *bytes, const char *text);
void bytes_print(struct bytes *bytes, const char *format, ...) __attribute__((format(printf, 2, 3)));
/* A JSON string with its quotes; invalid UTF-8 becomes U+FFFD. */
void bytes_json_text(struct bytes *bytes, const char *text);
/* Forgets the first `len` bytes. */
void bytes_skip(struct bytes *bytes, size_t len);
void bytes_clear(struct bytes *bytes);
void bytes_free(struct bytes *bytes);

#endif
