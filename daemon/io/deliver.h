/*
 * deliver: how every shell hands its input on.
 *
 * A shell reads bytes, samples the clock once (hostclock_now), and calls its `deliver`. The daemon passes the
 * call on to the tape and the engine; a test records it. Kinds and records are those of core/engine.h. `bytes`
 * live until the call returns. Called on the loop's thread only; a shell may be closed from within its own call.
 */
#ifndef BELLROPE_IO_DELIVER_H
#define BELLROPE_IO_DELIVER_H

#include "core/engine.h"

typedef void deliver_fn(void *ctx, enum input_kind kind, int source, mono_ns now, const void *bytes,
                        size_t len);

struct deliver {
    deliver_fn *fn;
    void *ctx;
};

/* Hands on `op=OP`, with `why=WHY` where `why` is not NULL, now. For the UP and DOWN kinds. */
void deliver_state(const struct deliver *deliver, enum input_kind kind, int source, const char *op,
                   const char *why);

#endif
