/*
 * offline: a command carried out on the database itself, where no daemon runs: weeks later, at the video, on the file that was carried
 * ashore. The same engine, journal and rules as in the daemon: the store is opened (and locked against a daemon), what it remembers is given
 * to an engine, the command is delivered, and the answer comes when its entries are on disk.
 *
 * With a configuration (target.config) its key plans, feeds, timecode rate and checklist count. Without one, a key means what it meant on that
 * dive: a plan is made of the dive's own markers.
 */
#ifndef BELLROPE_CLI_OFFLINE_H
#define BELLROPE_CLI_OFFLINE_H

#include "cli/client.h"

/* As client_call(): the result (to be json_decref'd), or NULL with a sentence. Takes over `params`. */
json_t *offline_call(const struct target *target, const char *method, json_t *params,
                     char why[CLIENT_WHY_SIZE]);

#endif
