/*
 * player: a tape's records handed to an engine, with configuration and key plans read the same way as live.
 *
 * A tape holds one run of the daemon after another. Each run gets an engine of its own, made when the run's
 * configuration has been read and fed its restored state first, as live.
 */
#ifndef BELLROPE_IO_PLAYER_H
#define BELLROPE_IO_PLAYER_H

#include "io/config.h"
#include "io/tape.h"

struct player;

struct player_sink {
    const struct engine_sink *engine; /* effects of the engine in hand */
    /* A run begins or ends; `config` is NULL when it ends. May be NULL. */
    void (*run)(void *ctx, const struct config *config);
    ini_problem_fn *problem; /* a configuration or plan on the tape that does not read */
    void *ctx;               /* of `run` and `problem` */
};

/* NULL where memory is short. `sink` is copied; `sink->engine` must outlive the player. */
struct player *player_new(const struct player_sink *sink);

/* Delivers one record. 0, or -1 where the tape makes no sense here (input before a configuration, a configuration
 * that does not read); playing may go on with the next run. */
int player_deliver(struct player *player, const struct tape_record *record);

/* The engine in hand; NULL before the first run. */
struct engine *player_engine(const struct player *player);
void player_free(struct player *player);

#endif
