/* lines: see lines.h. One search finds the end of a line, of either kind; bytes are copied only where a line is broken over chunks. */
#include "core/lines.h"

#include <string.h>

#include "core/bytes16.h"

static void emit(struct lines *lines, const char *line, size_t len, lines_fn *sink, void *ctx)
{
    lines->lines++;
    sink(ctx, line, len);
}

/* The end of a line was met; `tail` is what this chunk held of it. */
static void finish(struct lines *lines, const char *tail, size_t len, lines_fn *sink, void *ctx)
{
    size_t used = lines->used;

    if (__builtin_expect(used == 0 && !lines->dropping && len > 0 && len <= LINES_MAX, 1)) {
        emit(lines, tail, len, sink, ctx); /* nearly all lines */
        return;
    }
    lines->used = 0;
    if (lines->dropping) {
        lines->dropping = false;
    } else if (used + len > LINES_MAX) {
        lines->overlong++;
    } else if (used > 0) {
        memcpy(lines->part + used, tail, len);
        emit(lines, lines->part, used + len, sink, ctx);
    }
}

/* A line that goes on in the next chunk. */
static void keep(struct lines *lines, const char *tail, size_t len)
{
    if (lines->dropping || len == 0) {
        return;
    }
    if (lines->used + len > LINES_MAX) {
        lines->overlong++;
        lines->dropping = true;
        lines->used = 0;
        return;
    }
    memcpy(lines->part + lines->used, tail, len);
    lines->used += len;
}

/* Bit i for byte i of sixteen that ends a line. */
static uint32_t ends_in_16(const char *at)
{
    bytes16 bytes = bytes16_load(at);

    return bytes16_bits(bytes16_or(bytes16_equal(bytes, '\n'), bytes16_equal(bytes, '\r')));
}

/* The first CR or LF; `end` if there is none. */
static const char *line_end(const char *at, const char *end)
{
    for (; end - at >= 32; at += 32) {
        uint32_t ends = ends_in_16(at) | ends_in_16(at + 16) << 16;
        if (ends != 0) {
            return at + __builtin_ctz(ends);
        }
    }
    while (at < end && *at != '\n' && *at != '\r') {
        at++;
    }
    return at;
}

void lines_feed(struct lines *lines, const void *bytes, size_t len, lines_fn *sink, void *ctx)
{
    const char *at = bytes;
    const char *end = at + len;

    while (at < end) {
        const char *stop = line_end(at, end);
        if (stop == end) {
            keep(lines, at, (size_t)(end - at));
            return;
        }
        finish(lines, at, (size_t)(stop - at), sink, ctx);
        at = stop + 1;
        at += at < end && *stop == '\r' && *at == '\n'; /* the empty line between CR and LF is no line */
    }
}

void lines_end(struct lines *lines, lines_fn *sink, void *ctx)
{
    finish(lines, lines->part, 0, sink, ctx);
}
