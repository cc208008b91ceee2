/*
 * padlink: the daemon's end of one configured pad: a line (line.h) whose bytes are the wire protocol and go on as they
 * are, or a plain USB number pad (evdev.h), whose key-downs go on as records:
 *
 *   PAD   op=hello boot=N                       once after PAD_UP; N is drawn anew each time the device is opened
 *   PAD   op=key key=B2 seq=N at=NS within=NS   the kernel's stamp; the key was down at most WITHIN before it
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
