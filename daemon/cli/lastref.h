/*
 * lastref: what REF means to the verbs that speak of sightings: there `last` is the newest sighting, not the newest marker.
 */
#ifndef BELLROPE_CLI_LASTREF_H
#define BELLROPE_CLI_LASTREF_H

#include "cli/options.h"

#include <jansson.h>

/* Puts the first argument into params as "ref", `last` by its full reference. False after saying why. */
bool lastref_put(const struct options *options, json_t *params);

#endif
