/* lines: see lines.h. Two searches by memchr find the ends; bytes are copied only where a line is broken over chunks. */
#include "core/lines.h"

#include <string.h>

static void emit(struct lines *lines, const char *line, size_t len, lines_fn *sink, void *ctx)
{
    lines->lines++;
    sink(ctx, line, len);
}

/* The end of a line was met; `tail` is what this chunk held of it. */
static void finish(struct lines *lines, const char *tail, size_t len, lines_fn *sink, void *ctx)
{
    size_t used = lines->used;

    if (used == 0 && !lines->dropping && len > 0 && len <= LINES_MAX) {
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

void lines_feed(struct lines *lines, const void *bytes, size_t len, lines_fn *sink, void *ctx)
{
    const char *at = bytes;
    const char *end = at + len;
    const char *lf = at < end ? memchr(at, '\n', len) : NULL; /* the next LF at or after `at` */

    while (at < end) {
        size_t to_lf = (size_t)((lf != NULL ? lf : end) - at);
        const char *cr = memchr(at, '\r', to_lf);
        const char *stop = cr != NULL ? cr : lf;
        if (stop == NULL) {
            keep(lines, at, (size_t)(end - at));
            return;
        }
        finish(lines, at, (size_t)(stop - at), sink, ctx);
        at = stop + 1;
        at += at == lf; /* CR LF: the empty line between them is no line */
        if (lf != NULL && lf < at) {
            lf = memchr(at, '\n', (size_t)(end - at));
        }
    }
}

void lines_end(struct lines *lines, lines_fn *sink, void *ctx)
{
    finish(lines, lines->part, 0, sink, ctx);
}
