/*
 * live: the rig in real time: pads behind pseudo-terminals, feeds over UDP, the recorder into a fifo, truth into a file.
 *
 * One thread, one libuv loop, a timer of 0.25 ms. What the loop owes when it comes late is made up in order of time; how late it
 * came at worst is told at the end.
 */
#ifndef BELLROPE_RIG_LIVE_H
#define BELLROPE_RIG_LIVE_H

#include "script.h"

struct live_options {
    const char *folder; /* for links, EEPROMs and a relative fifo */
    const char *truth;  /* path, or NULL */
    bool quiet;         /* no lines about what happens */
    bool stay;          /* run on after the script until told to stop */
};

/* Runs the script to its end. 0 all presses kept, 1 some are not, or 2 it could not run (said on stderr). */
int live_run(const struct script *script, const struct live_options *options);

#endif
