/*
 * rows: an entry as rows. Every entry gives one journal row; most give one row of their own table, by one statement, so that a constraint
 * that refuses it undoes that statement alone and the rest of the group goes on.
 */
#ifndef BELLROPE_STORE_ROWS_H
#define BELLROPE_STORE_ROWS_H

#include "store/queue.h"

#include <sqlite3.h>

struct rows;

/* Prepares every statement. NULL: see sqlite3_errmsg(db). */
struct rows *rows_open(sqlite3 *db, int64_t run);
void rows_close(struct rows *rows);

/*
 * Writes one entry inside the transaction that is open. SQLITE_OK or an extended result code. Where the table's row was refused, `refusal` (of
 * `size` bytes) says why and is otherwise empty.
 */
int rows_write(struct rows *rows, const struct queued_entry *queued, char *refusal, size_t size);

#endif
