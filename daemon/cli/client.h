/*
 * client: talks to a daemon over its socket, one call at a time. Blocking, with a limit on how long an answer may take; a
 * command answers when its entry is on disk.
 */
#ifndef BELLROPE_CLI_CLIENT_H
#define BELLROPE_CLI_CLIENT_H

#include "cli/target.h"

#include <jansson.h>

#define CLIENT_WHY_SIZE 640
#define CLIENT_ANSWER_MS 30000

struct client;

/* NULL with a sentence in `why`. Over TCP with a token file it has said hello. */
struct client *client_open(const struct target *target, char why[CLIENT_WHY_SIZE]);
void client_close(struct client *client);

/* The result (to be json_decref'd), or NULL with a sentence. Takes over `params`, which may be NULL. Events that come
 * in between are kept for client_next(). */
json_t *client_call(struct client *client, const char *method, json_t *params, char why[CLIENT_WHY_SIZE]);

/* The next notification, waiting up to `wait_ms` (-1: for ever). NULL: none in time (`why` empty), or the connection ended. */
json_t *client_next(struct client *client, int wait_ms, char why[CLIENT_WHY_SIZE]);

#endif
