/*
 * divestate: the lines of `status` that a watch asks for all the time, in one: "on bottom, on the bottom 12 min 03 s, 47 min 57 s left | S31
 * Crab for 0 min 14 s".
 */
#ifndef BELLROPE_CLI_DIVESTATE_H
#define BELLROPE_CLI_DIVESTATE_H

#include <jansson.h>

#define DIVESTATE_SIZE 512

/* From the array `lines` of a status; empty where no dive is open. */
void divestate(const json_t *lines, char out[DIVESTATE_SIZE]);

#endif
