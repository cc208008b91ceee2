/*
 * opened: which database files this process has open through SQLite.
 *
 * POSIX record locks belong to the process: closing any descriptor of a file drops all of the process's locks on it, those of SQLite's own
 * connections too (SQLite, "How To Corrupt An SQLite Database File", 2.2). Another program would then take itself for the last user of the
 * database, and move its log away under a daemon that goes on writing to it. So the check of a file's first bytes, which opens the file by
 * itself, must not happen to a file that is open here. Any thread.
 */
#ifndef BELLROPE_STORE_OPENED_H
#define BELLROPE_STORE_OPENED_H

#include <sqlite3.h>
#include <stdbool.h>

/* After a connection was opened on `path`. False where memory is short. */
bool opened_add(sqlite3 *db, const char *path);
/* Before it is closed. One that was never added, and NULL, are fine. */
void opened_drop(sqlite3 *db);
/* Whether the file that `path` names now is open here. */
bool opened_has(const char *path);

#endif
