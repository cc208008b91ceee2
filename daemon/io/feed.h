/*
 * feed: one configured input of telemetry.
 *
 *   udp:HOST:PORT     listens: on an address of this machine (0.0.0.0 takes broadcasts), or joins a multicast group
 *   tcp:HOST:PORT     connects, and again after 0.25 s, 0.5 s ... up to 8 s when the connection ends or fails
 *   serial:PATH@BAUD  a line (line.h)
 *   file:PATH         a regular file is read from its start and followed as it grows; a fifo is a line
 *
 * Chunks are delivered as they come (INPUT_FEED), each datagram whole. FEED_UP is delivered when data can come (bound,
 * connected, opened), FEED_DOWN with the reason when they no longer can.
 */
#ifndef BELLROPE_IO_FEED_H
#define BELLROPE_IO_FEED_H

#include "io/config.h"
#include "io/deliver.h"

#include <uv.h>

struct feed;

/* Starts at the loop's next turn; NULL where memory is short. What cannot be opened is tried again. */
struct feed *feed_new(uv_loop_t *loop, const char *name, const struct config_feed *config, int source,
                      const struct deliver *deliver);

/* Delivers nothing more; frees itself when the loop has closed its handles. */
void feed_close(struct feed *feed);

#endif
