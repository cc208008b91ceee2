/*
 * ask: what the verbs that send one command have in common.
 */
#ifndef BELLROPE_CLI_ASK_H
#define BELLROPE_CLI_ASK_H

#include "cli/client.h"

/* A client for the options' target, or NULL after saying why not. */
struct client *ask_open(const struct options *options, struct target *target);

/* One command: to the daemon; with --db, or where none answers and the verb allows it, to the database itself. As client_call(). */
json_t *ask_call(const struct options *options, const struct target *target, const char *method,
                 json_t *params, char why[CLIENT_WHY_SIZE]);

/* Sends one command and prints what came of it: "WORD D007-M0112 (seq 1841)", or the result with --json. Takes over `params`. */
int ask_command(const struct options *options, const char *method, json_t *params, const char *word);

/* Puts an option's or argument's text into params, where it was given. */
void ask_put(json_t *params, const char *name, const char *value);

/* --ago, --at: puts ago_s, at_utc or at_timecode. CLI_DONE or CLI_USAGE. */
int ask_put_instant(const struct options *options, json_t *params);

/* One line of JSON on stdout. */
void ask_print_json(const json_t *json);

#endif
