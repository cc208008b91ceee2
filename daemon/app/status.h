/*
 * status: the lines of `status`: what the engine says of clocks, pads, feeds, timecode and dive, and what only the daemon
 * knows, the disk and the tape. The sick ones come first.
 */
#ifndef BELLROPE_APP_STATUS_H
#define BELLROPE_APP_STATUS_H

#include "io/config.h"
#include "io/tape.h"
#include "store/store.h"

struct status_sources {
    const struct config *config;
    struct engine *engine;
    struct store *store;
    struct tape_writer *tape; /* NULL: none */
};

typedef void status_line_fn(void *ctx, const struct engine_status_line *line);
void status_tell(const struct status_sources *sources, status_line_fn *line, void *ctx);

#endif
