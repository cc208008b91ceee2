#include "app/keeper.h"

#include "io/hostclock.h"
#include "io/log.h"

#include <stdatomic.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

struct keeper {
    struct store *store;
    uv_async_t async;
    struct keeper_events events;
    bool quiet;
    _Atomic int64_t committed; /* by the writer thread */
    int64_t told;
    uv_mutex_t lock; /* of the rest */
    bool has_trouble;
    enum store_state state;
    char why[256];
};

/* ---- on the writer's thread ---- */

static void on_committed(void *ctx, int64_t seq)
{
    struct keeper *keeper = ctx;
    atomic_store(&keeper->committed, seq);
    uv_async_send(&keeper->async);
}

static void on_trouble(void *ctx, enum store_state state, const char *why)
{
    struct keeper *keeper = ctx;
    uv_mutex_lock(&keeper->lock);
    keeper->has_trouble = true;
    keeper->state = state;
    snprintf(keeper->why, sizeof keeper->why, "%s", why == NULL ? "" : why);
    uv_mutex_unlock(&keeper->lock);
    uv_async_send(&keeper->async);
}

static void on_notice(void *ctx, enum store_notice notice, const char *text)
{
    (void)ctx;
    (void)notice;
    log_warning("store: %s", text);
}

/* ---- on the loop's thread ---- */

static void tell_trouble(struct keeper *keeper)
{
    char why[sizeof keeper->why];
    uv_mutex_lock(&keeper->lock);
    bool has = keeper->has_trouble;
    enum store_state state = keeper->state;
    memcpy(why, keeper->why, sizeof why);
    keeper->has_trouble = false;
    uv_mutex_unlock(&keeper->lock);
    if (has)
        keeper->events.trouble(keeper->events.ctx, state, why);
}

static void hand_over(struct keeper *keeper)
{
    int64_t committed = atomic_load(&keeper->committed);
    if (keeper->quiet)
        return;
    if (committed > keeper->told) {
        keeper->told = committed;
        keeper->events.committed(keeper->events.ctx, committed);
    }
    tell_trouble(keeper);
}

static void on_async(uv_async_t *async)
{
    hand_over(async->data);
}

enum store_result keeper_open(struct keeper **out, uv_loop_t *loop, const char *path,
                              const struct keeper_events *events, struct store_error *error)
{
    struct keeper *keeper = calloc(1, sizeof *keeper);
    char boot_id[HOSTCLOCK_BOOT_ID_SIZE];
    struct hostclock_utc now;
    *out = NULL;
    if (keeper == NULL || uv_mutex_init(&keeper->lock) != 0) {
        free(keeper);
        snprintf(error->text, sizeof error->text, "not enough memory");
        return error->result = STORE_NO_MEMORY;
    }
    (void)hostclock_boot_id(boot_id);
    hostclock_observe(&now);
    keeper->events = *events;
    struct store_options options = {.path = path,
                                    .host_boot_id = boot_id,
                                    .now = now.utc,
                                    .ctx = keeper,
                                    .on_committed = on_committed,
                                    .on_trouble = on_trouble,
                                    .on_notice = on_notice};
    uv_async_init(loop, &keeper->async, on_async);
    keeper->async.data = keeper;
    *out = keeper;
    enum store_result result = store_open(&keeper->store, &options, error);
    if (result == STORE_OK)
        keeper->told = store_last_seq(keeper->store);
    return result;
}

struct store *keeper_store(const struct keeper *keeper)
{
    return keeper->store;
}

void keeper_flush(struct keeper *keeper)
{
    (void)store_flush(keeper->store);
    hand_over(keeper);
}

void keeper_quiet(struct keeper *keeper)
{
    if (keeper == NULL || keeper->quiet)
        return;
    keeper->quiet = true;
    /* The writer may still send: the handle stays until the store is closed, and no longer keeps the loop going. */
    uv_unref((uv_handle_t *)&keeper->async);
}

enum store_result keeper_close(struct keeper *keeper)
{
    if (keeper == NULL)
        return STORE_OK;
    enum store_result result = store_close(keeper->store);
    uv_loop_t *loop = keeper->async.loop;
    uv_close((uv_handle_t *)&keeper->async, NULL);
    (void)uv_run(loop, UV_RUN_DEFAULT);
    uv_mutex_destroy(&keeper->lock);
    free(keeper);
    return result;
}
