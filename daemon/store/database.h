/*
 * database: opening the file. What it is and whether it is ours is read from the file's first 100 bytes before SQLite touches it, because
 * SQLite may write to a file that it merely opens (it plays back a log that a crash left); a database that is refused stays as it was.
 *
 *   bytes 0..15   "SQLite format 3" and NUL        60..63  user_version       68..71  application_id    (big-endian)
 *
 * See the SQLite file format, https://www.sqlite.org/fileformat2.html, section 1.3.
 *
 * Versions: user_version counts schemas from 1. An older file is brought up step by step, all in one transaction; a newer one is refused.
 */
#ifndef BELLROPE_STORE_DATABASE_H
#define BELLROPE_STORE_DATABASE_H

#include "store/store.h"

#include <sqlite3.h>

#define DATABASE_APPLICATION_ID 0x42656c6c /* "Bell" */
#define DATABASE_VERSION 1

/* The absolute path without symbolic links, to be freed; NULL where the folder is not there. The file itself need not be. */
char *database_path(const char *path);

/* STORE_OK for a file that is ours or is not there or is empty. */
enum store_result database_check(const char *path, struct store_error *error);

/* For the writer: made where it is not there, brought to DATABASE_VERSION, WAL, synchronous FULL. */
enum store_result database_open(sqlite3 **out, const char *path, struct store_error *error);

/* A fresh file with the schema and no log, for a dive pack. */
enum store_result database_create(sqlite3 **out, const char *path, struct store_error *error);

enum store_result database_open_reader(sqlite3 **out, const char *path, struct store_error *error);

/* Closes what database_open or database_open_reader gave. */
int database_close(sqlite3 *db);

/* Fills *error for a failed call on `db` and gives back the result. `doing` ends "cannot ...". */
enum store_result database_fail(struct store_error *error, sqlite3 *db, const char *path, const char *doing);

enum store_result store_error_set(struct store_error *error, enum store_result result, const char *format,
                                  ...) __attribute__((format(printf, 3, 4)));

/* One integer of a query without parameters. SQLITE_OK, or an error code. NULL and no row give 0. */
int database_int(sqlite3 *db, const char *sql, int64_t *out);

#endif
