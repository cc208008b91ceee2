/*
 * lockfile: one writer a database. A file PATH-lock beside the database is locked with flock(2), which the system frees when its holder dies,
 * however it dies; its text says who holds it. Rejected: locks on the database file itself (closing any descriptor of it would drop SQLite's
 * own locks) and files whose mere presence is the lock (they stay behind after a crash).
 */
#ifndef BELLROPE_STORE_LOCKFILE_H
#define BELLROPE_STORE_LOCKFILE_H

#include "store/store.h"

struct lockfile {
    int fd; /* -1: not held */
    char *path;
};

/* STORE_OK, STORE_HELD with the holder in *error, STORE_CANNOT_OPEN or STORE_NO_MEMORY. */
enum store_result lockfile_take(struct lockfile *lock, const char *database, struct store_error *error);
void lockfile_drop(struct lockfile *lock);

#endif
