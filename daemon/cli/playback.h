/*
 * playback: a tape through the daemon's own engine into a fresh database. The player (io/player.h) holds entries back until the
 * tape says that they were committed, so that a run which was killed leaves what its disk had.
 */
#ifndef BELLROPE_CLI_PLAYBACK_H
#define BELLROPE_CLI_PLAYBACK_H

#include "cli/cli.h"
#include "io/tape.h"

#include <stdint.h>

struct playback {
    uint64_t records, runs, entries, markers;
    uint64_t problems; /* records that made no sense and were passed over */
    uint64_t gaps;     /* places where the disk was too slow for the tape */
    int64_t taken_ns;  /* how long the tape lasts */
    char
        program[24]; /* the other version of the program that a run was recorded by; empty: all by this one */
    struct tape_damage damage;
};

/* Makes the database `path`, which must not be there. CLI_DONE, or CLI_FAILED after saying why. */
int playback_run(const struct cli_verb *verb, const char *tape, const char *path, struct playback *out);

#endif
