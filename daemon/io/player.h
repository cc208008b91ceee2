/*
 * player: tape records into an engine. The daemon and a replay both go through here, so that a configuration, a key plan
 * and an input mean the same in both: live, each record is written on the tape (if there is one) and played at once.
 *
 * A tape holds one run of the daemon after another (TAPE_BEGIN). Each run gets an engine of its own, made when the run's
 * configuration and key plans have been read, and fed its restored state first.
 *
 * In a replay, entries that the engine commits are held back until the tape says that they were committed. A run that was
 * killed may have made entries that never reached the disk; the next run's restored state says how far it got, and what
 * lies beyond is dropped, because the live record does not have it and its numbers were used again. What is held when the
 * tape ends is handed over at the end. Entries, samples and observations are all that a replay hands over: no pad is there, nobody asks, and
 * ticks and answers stand on the tape.
 */
#ifndef BELLROPE_IO_PLAYER_H
#define BELLROPE_IO_PLAYER_H

#include "io/config.h"
#include "io/tape.h"

struct player;

enum player_mode { PLAYER_LIVE, PLAYER_REPLAY };

struct player_sink {
    const struct engine_sink
        *engine; /* effects of the engine in hand; must outlive the player. In a replay commit is there */
    /* A run begins (its engine is made next) or has ended (NULL). May be NULL. */
    void (*run)(void *ctx, const struct config *config);
    /* What is wrong with a configuration or plan on the tape. May be NULL. */
    ini_problem_fn *problem;
    void *ctx; /* of `run` and `problem` */
};

/* NULL where memory is short. `sink` is copied. */
struct player *player_new(const struct player_sink *sink, enum player_mode mode);

/*
 * Plays one record. 0, or -1 where it makes no sense: an input before a configuration, a configuration or plan that does
 * not read. The rest of such a run is passed over; a later run is played.
 */
int player_deliver(struct player *player, const struct tape_record *record);

/* The end of the tape: hands over what is held. */
void player_end(struct player *player);

/* The engine in hand; NULL before a run's first input. */
struct engine *player_engine(const struct player *player);

/* Entries dropped because their run was killed before they were on disk. */
uint64_t player_dropped(const struct player *player);

/* Ends the run in hand. Does not hand over what is held. */
void player_free(struct player *player);

#endif
