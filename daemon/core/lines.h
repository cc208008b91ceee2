/*
 * lines: a stream of bytes cut into lines. Serves every text feed (NMEA 0183, columns).
 *
 * CR, LF, CR LF and any run of them end a line; empty lines are not reported. A line longer than LINES_MAX
 * bytes is dropped up to its end and counted once. Bytes are not judged: NUL and bytes above 127 pass through
 * to the parser. Whole lines inside a chunk are handed over in place, without a copy; only a line broken over
 * two chunks is copied.
 *
 * Datagrams: a datagram ends its last line whether or not it has a terminator; call lines_end() after feeding
 * it.
 */
#ifndef BELLROPE_CORE_LINES_H
#define BELLROPE_CORE_LINES_H

#include <stdbool.h>
#include <stddef.h>
#include <stdint.h>

enum { LINES_MAX = 1024 };

/* Zeroed memory is an empty framer. */
struct lines {
    uint64_t lines;    /* handed over */
    uint64_t overlong; /* dropped */
    size_t used;
    bool dropping;
    char part[LINES_MAX];
};

/* `line` is not terminated, is 1..LINES_MAX bytes long and is valid only during the call. */
typedef void lines_fn(void *ctx, const char *line, size_t len);

void lines_feed(struct lines *lines, const void *bytes, size_t len, lines_fn *sink, void *ctx);

/* Ends the line in hand, if any. */
void lines_end(struct lines *lines, lines_fn *sink, void *ctx);

#endif
