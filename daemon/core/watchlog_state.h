/* The inside of a watch log, shared by watchlog.c (what changes it) and watchlog_query.c (what only looks). */
#ifndef BELLROPE_CORE_WATCHLOG_STATE_H
#define BELLROPE_CORE_WATCHLOG_STATE_H

#include "core/watchfold.h"

struct watchlog {
    struct watchfold fold;
    struct watch_outcome *spare; /* the other set of outcomes: a new fold is compared with the old one */
    uint32_t capacity;
    uint32_t highest_marker;
    utc_ns horizon; /* idle sightings were closed up to here */
    bool begun;     /* a dive, open or ended, is in the log */
    bool held, stale;
    int64_t idle_ns; /* of the next dive */
    int64_t planned_ns;
};

#endif
