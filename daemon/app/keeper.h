/*
 * keeper: the store on the loop. Entries go to the writer thread; what it says comes back as events on the loop's thread.
 */
#ifndef BELLROPE_APP_KEEPER_H
#define BELLROPE_APP_KEEPER_H

#include "store/store.h"

#include <uv.h>

struct keeper;

struct keeper_events {
    void *ctx;
    /* All entries up to `seq` are synced to disk. */
    void (*committed)(void *ctx, int64_t seq);
    void (*trouble)(void *ctx, enum store_state state, const char *why);
};

/* STORE_OK, or what *error says. `events` is copied. */
enum store_result keeper_open(struct keeper **out, uv_loop_t *loop, const char *path,
                              const struct keeper_events *events, struct store_error *error);

/* For everything that needs no event: submit, sample, observe, restore, counts. */
struct store *keeper_store(const struct keeper *keeper);

/* Waits until all that was submitted is on disk (or the disk refuses), and hands over what the writer said meanwhile. */
void keeper_flush(struct keeper *keeper);

/* No event comes after this. The loop must turn until its handles are closed; then keeper_close(). */
void keeper_quiet(struct keeper *keeper);

/* STORE_OK, or STORE_TROUBLE where entries did not reach the disk. NULL is fine. */
enum store_result keeper_close(struct keeper *keeper);

#endif
