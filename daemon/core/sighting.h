/*
 * sighting: the run of markers about one subject, from its first press to done; the part of watchfold that knows seats, relations and returns.
 * The rules are in watchlog.h.
 */
#ifndef BELLROPE_CORE_SIGHTING_H
#define BELLROPE_CORE_SIGHTING_H

#include "core/watchfold.h"

/* One a key kind; `at` is the fact's index. */
void sighting_subject(struct watchfold *fold, uint32_t at);
void sighting_detail(struct watchfold *fold, uint32_t at);
void sighting_relation(struct watchfold *fold, uint32_t at);
void sighting_again(struct watchfold *fold, uint32_t at);
void sighting_done(struct watchfold *fold, uint32_t at);

/* A marker that goes to the sighting in hand if there is one, and needs none: a note, a sample. */
void sighting_mention(struct watchfold *fold, uint32_t at);

/* `which` is a seat. Closes what has had no marker at this seat for the idle time by `now`. */
void sighting_idle(struct watchfold *fold, uint8_t which, utc_ns now);
/* The instant at which sighting_idle() would close the seat's sightings; false: nothing open, or no idle time. */
bool sighting_idle_due(const struct watchfold *fold, uint8_t which, utc_ns *due);
/* Closes what is open at this seat because the dive has ended. */
void sighting_end(struct watchfold *fold, uint8_t which);

#endif
