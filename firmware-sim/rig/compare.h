/*
 * compare: the daemon's record against the rig's truth.
 *
 * Every press that was answered with *kept* must be one marker, with the instant of the press inside the bound that the marker
 * claims; no marker may exist that no finger made; the journal must have no gap. Where the rig played a recorder, the frame is
 * compared too.
 *
 * The database is opened read-only and may be in use. Only the SQL of docs/data-model.md is used, none of the daemon's code.
 */
#ifndef BELLROPE_RIG_COMPARE_H
#define BELLROPE_RIG_COMPARE_H

#include <stdbool.h>

struct compare_options {
    const char *database, *truth;
    bool json;  /* one JSON object instead of the table */
    bool table; /* a line a press before it, a line a pad behind it */
    bool pads;  /* the lines of the pads alone */
};

/* Prints the comparison. 0 all is right, 1 something is not, 2 it could not be made (said on stderr). */
int compare_run(const struct compare_options *options);

#endif
