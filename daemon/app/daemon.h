/*
 * daemon: everything on one loop. Shells deliver, the tape records, the engine decides, and its effects go to the store,
 * the pads and the socket.
 *
 *   pads, feeds, timecode, commands --deliver--> tape + engine --commit--> store (writer thread)
 *                                        ^           |                          |
 *                                        +------ "committed up to n" <----------+    then: pads told, then subscribers
 *
 * With nothing to do the loop sleeps: one timer runs, at the instant the engine asked for, and the host's UTC is observed
 * only when an input is about to be delivered and the last observation is older than a second.
 */
#ifndef BELLROPE_APP_DAEMON_H
#define BELLROPE_APP_DAEMON_H

#include "io/config.h"

/*
 * Runs until SIGTERM or SIGINT. `text` is the configuration's text, for the tape. Returns the exit code: 0 after a clean
 * end, 1 where something could not be opened or the record could not be kept; the log says what.
 */
int daemon_run(const struct config *config, const char *text, size_t len);

#endif
