/*
 * padlink: the daemon's end of one configured pad: a serial line (line.h) that speaks the wire protocol, or a plain
 * USB number pad read through evdev (evdev_pad.h).
 */
#ifndef BELLROPE_IO_PADLINK_H
#define BELLROPE_IO_PADLINK_H

#include "io/config.h"
#include "io/deliver.h"

#include <uv.h>

struct padlink;

/* `name` as in its section. Starts at the loop's next turn; NULL where memory is short. */
struct padlink *padlink_new(uv_loop_t *loop, const char *name, const struct config_pad *config, int source,
                            const struct deliver *deliver);

/* False where the pad is not there or its queue is full; the protocol repeats what matters. */
bool padlink_send(struct padlink *pad, const void *bytes, size_t len);

/* Delivers nothing more; frees itself when the loop has closed its handles. */
void padlink_close(struct padlink *pad);

#endif
