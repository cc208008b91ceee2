/*
 * wakeup: one alarm at an instant of the host's monotonic clock, to a tenth of a millisecond.
 *
 * The loop's own timers count whole milliseconds, up to one late; a ping sent that late looks as if it had been that much longer on its way,
 * and the bound of every press would grow by a quarter of a millisecond.
 */
#ifndef BELLROPE_IO_WAKEUP_H
#define BELLROPE_IO_WAKEUP_H

#include "core/instant.h"

#include <uv.h>

struct wakeup;

/* `now` is not before the instant asked for. */
typedef void wakeup_fn(void *ctx, mono_ns now);

/* NULL where the system has no room for it. */
struct wakeup *wakeup_new(uv_loop_t *loop, wakeup_fn *fn, void *ctx);

/* In place of the instant set before; one that is past is due at once. INT64_MAX: never. */
void wakeup_at(struct wakeup *wakeup, mono_ns at);

/* Not called any more; frees itself when the loop has closed its handle. NULL is fine. */
void wakeup_close(struct wakeup *wakeup);

#endif
