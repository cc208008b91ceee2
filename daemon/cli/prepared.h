/*
 * prepared: a dive prepared on paper, so that beginning it is one command:
 *
 *   [dive]    id, vehicle, ship, site, planned_bottom_min      (docs/configuration.md)
 *   [seats]   SEAT = NAME: who is on watch when it begins
 */
#ifndef BELLROPE_CLI_PREPARED_H
#define BELLROPE_CLI_PREPARED_H

#include <jansson.h>

#include "cli/cli.h"

/* `dive` gets the params of dive.begin, `seats` an array of params of `seat`. CLI_DONE, or CLI_FAILED after telling every mistake with its line. */
int prepared_read(const struct cli_verb *verb, const char *path, json_t *dive, json_t *seats);

#endif
