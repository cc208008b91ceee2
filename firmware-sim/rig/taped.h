/*
 * taped: the rig as fast as it goes, against the daemon's own engine in the same process; every input goes onto a tape.
 *
 * The clock is simulated: it begins at a fixed instant (CLOCK_BOOTTIME 1000 s, 2031-03-04T05:00:00Z) and each run gives the same
 * tape, byte for byte. The engine is made of the configuration and the key plans by the same player that replays tapes. What it
 * sends to the pads goes to the simulated firmware; what it commits is on disk 0.4 ms later. The recorder's audio is decoded by
 * libltc in portions of 40 ms.
 */
#ifndef BELLROPE_RIG_TAPED_H
#define BELLROPE_RIG_TAPED_H

#include "script.h"

#include <stdint.h>

struct taped_options {
    const char *config; /* of the daemon */
    const char *tape;   /* to be written; what is there is replaced */
    const char *truth;  /* NULL: none */
    int64_t length_ns;  /* go on after the script until so long has passed; 0: end with it */
};

/* 0 all presses kept, 1 not, 2 it could not run (said on stderr). */
int taped_run(const struct script *script, const struct taped_options *options);

#endif
