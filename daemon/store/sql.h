/*
 * sql: what every use of SQLite here shares. Values are bound and read in the order of the statement's text, so that a statement and the code
 * beside it can be compared line by line. Binding keeps the first bad result code; sql_run hands it back.
 *
 * Unknown is NULL in the database: an empty text, a number 0 where numbers run from 1, a negative bound.
 */
#ifndef BELLROPE_STORE_SQL_H
#define BELLROPE_STORE_SQL_H

#include "core/entry.h"

#include <sqlite3.h>

struct sql_bind {
    sqlite3_stmt *stmt;
    int at;
    int rc;
};

struct sql_bind sql_bind_begin(sqlite3_stmt *stmt);
void sql_bind_null(struct sql_bind *bind);
void sql_bind_int(struct sql_bind *bind, int64_t value);
void sql_bind_int_if(struct sql_bind *bind, bool known, int64_t value);
void sql_bind_number(struct sql_bind *bind, uint32_t number); /* 0 becomes NULL */
void sql_bind_bound(struct sql_bind *bind, int64_t bound_ns); /* negative becomes NULL */
void sql_bind_real(struct sql_bind *bind, double value);
void sql_bind_real_if(struct sql_bind *bind, bool known, double value);
/* Texts and blobs are not copied: they must stay until sql_run. */
void sql_bind_text(struct sql_bind *bind, const char *text);
void sql_bind_text_if(struct sql_bind *bind, const char *text); /* empty becomes NULL */
void sql_bind_text_of(struct sql_bind *bind, const char *text, size_t len);
void sql_bind_blob(struct sql_bind *bind, const void *bytes, size_t len);

/* Steps a statement that gives no rows and resets it: SQLITE_OK or an extended result code. */
int sql_run(struct sql_bind *bind);

/* Reads columns from left to right. */
struct sql_take {
    sqlite3_stmt *stmt;
    int at;
};
struct sql_take sql_take_begin(sqlite3_stmt *stmt);
int64_t sql_take_int(struct sql_take *take);   /* 0 for NULL */
int64_t sql_take_bound(struct sql_take *take); /* -1 for NULL */
uint32_t sql_take_number(struct sql_take *take);
bool sql_take_bool(struct sql_take *take);
double sql_take_real(struct sql_take *take, double absent);
void sql_take_text(struct sql_take *take, char *out,
                   size_t size); /* empty for NULL; cut where it is too long */

#endif
