/*
 * dive: a scripted dive as what reaches the store: entries with their events, samples and clock observations, in order. It is made by the
 * rig and the daemon's own engine (taped.h), so every kind of row that a dive makes is in it.
 */
#ifndef BELLROPE_TESTS_FAULT_DIVE_H
#define BELLROPE_TESTS_FAULT_DIVE_H

#include "core/engine.h"
#include "core/entry.h"

#include <stddef.h>

enum dive_kind { DIVE_ENTRY, DIVE_SAMPLE, DIVE_OBSERVATION };

struct dive_step {
    enum dive_kind kind;
    struct entry *entry;
    char *event;
    size_t event_len;
    struct engine_sample sample;
    struct engine_observation observation;
    char *text[2]; /* what the two above point to */
};

struct dive {
    struct dive_step *step;
    size_t count, room;
    int64_t entries; /* also the seq of the last */
    int64_t markers;
};

/* Plays tests/data/dives/NAME.rig within `folder`. False where that is not possible (said on stderr). */
bool dive_make(struct dive *dive, const char *folder, const char *name);
void dive_free(struct dive *dive);

/* The first step after the entry `seq`. */
size_t dive_after(const struct dive *dive, int64_t seq);

#endif
