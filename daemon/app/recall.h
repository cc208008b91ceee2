/*
 * recall: what a command or a late entry needs from the record on disk and from the checklist of names, fetched on a worker thread with a
 * reader of its own, so that no press waits for it. Jobs come one after another; each waits until what was handed to the store before is
 * on disk, and so sees it.
 */
#ifndef BELLROPE_APP_RECALL_H
#define BELLROPE_APP_RECALL_H

#include "io/config.h"
#include "store/lookback.h"
#include "store/store.h"

#include <uv.h>

struct recall;

/* On the loop's thread. */
struct recall_events {
    void *ctx;
    void (*restore)(void *ctx, const char *record, size_t len); /* an ended dive is taken up again */
    void (*command)(void *ctx, const char *record, size_t len); /* completed; also op=stored */
    /* What the engine has in hand now; while a dive is open none is taken up. */
    void (*hand)(void *ctx, struct lookback_hand *hand);
};

/* NULL where memory is short. All pointers must outlive it. */
struct recall *recall_new(uv_loop_t *loop, const struct config *config, struct store *store,
                          const struct recall_events *events);

/* Reads the checklist, at the start and again on SIGHUP; what was in force stays where it does not read. */
void recall_names(struct recall *recall);

/* Takes a command that needs more than the engine knows; it comes back through `command`. False: it needs nothing, deliver it as it is. */
bool recall_command(struct recall *recall, const char *record, size_t len);

/* The answer comes through `command`. */
void recall_lookup(struct recall *recall, const struct engine_lookup *lookup);

/* No event comes after this; jobs under way end with the loop. */
void recall_stop(struct recall *recall);
/* When the loop has ended. NULL is fine. */
void recall_free(struct recall *recall);

#endif
