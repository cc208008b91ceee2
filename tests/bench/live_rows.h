/*
 * live_rows: what a stretch of the journal made a daemon write, held in memory, and written once more by plain SQLite: the same rows in the
 * same order into the same tables and indexes, with prepared statements, WAL and synchronous FULL, so many journal rows a transaction. That is
 * the peer of whatever commits.
 */
#ifndef TESTS_BENCH_LIVE_ROWS_H
#define TESTS_BENCH_LIVE_ROWS_H

#include <stddef.h>
#include <stdint.h>

struct live_rows;

/* Journal rows after `after` up to `upto` of a database, each followed by the row of its own. */
struct live_rows *live_rows_read(const char *database, int64_t after, int64_t upto);
void live_rows_free(struct live_rows *rows);

/* Rows, those of the journal and those of other tables. */
size_t live_rows_count(const struct live_rows *rows);

/* Writes them into a new database at `path`, which is removed again; the seconds from the first BEGIN to the last COMMIT. */
double live_rows_write(const struct live_rows *rows, const char *path, size_t group);

#endif
