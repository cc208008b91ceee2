/*
 * reader: the inside of a store_reader, for the files that ask. Statements are kept by the address of their text, so that a question asked
 * again costs no parsing; of one that is in use (asked from within its own rows) a second is kept.
 *
 *   struct reader_query query;
 *   reader_begin(&query, reader, "SELECT ... ? ...");
 *   sql_bind_...(&query.bind, ...);
 *   while (reader_row(&query)) { ... sql_take_...(&query.take) ... }
 *   return reader_end(&query);
 */
#ifndef BELLROPE_STORE_READER_H
#define BELLROPE_STORE_READER_H

#include "store/query.h"
#include "store/sql.h"

enum { READER_KEPT = 32 };

struct reader_statement {
    const char *sql;
    sqlite3_stmt *stmt;
    bool busy;
};

struct store_reader {
    sqlite3 *db;
    bool borrowed; /* the connection belongs to somebody else */
    char *path;
    struct reader_statement kept[READER_KEPT];
    bool held;
    struct store_error error;
};

struct reader_query {
    struct store_reader *reader;
    struct reader_statement *kept; /* NULL: a statement of this query alone */
    struct sql_bind bind;
    struct sql_take take; /* at the first column after each reader_row */
    int rc;
    int64_t rows;
};

/* A reader on a connection that is open already and stays so; closed like any other. The store's schema is parsed once less that way. */
enum store_result reader_borrow(struct store_reader **out, sqlite3 *db, const char *path,
                                struct store_error *error);

void reader_begin(struct reader_query *query, struct store_reader *reader, const char *sql);
/* The same for a text that is made up anew each time. */
void reader_begin_once(struct reader_query *query, struct store_reader *reader, const char *sql);
/* Counts and positions on the next row; false at the end and after an error. */
bool reader_row(struct reader_query *query);
/* The rows counted, or a negative store_result with the reader's error filled in. */
int64_t reader_end(struct reader_query *query);

/* The dives wanted as a range of names for `dive BETWEEN ? AND ?`, which an index answers for one dive and for all. */
void reader_bind_dives(struct reader_query *query, const char *dive);
/* ... and `> ?`, and `LIMIT ?`. */
void reader_bind_want(struct reader_query *query, const struct query_want *want);

/* Enumerations from the names that the tables hold; the first value where the name is not known. */
enum clock_trust reader_clock_trust(const char *name);
enum reading_method reader_method(const char *name);

/* Five columns: mono_ns, mono_bound_ns, utc_ns, utc_bound_ns, clock. */
struct when reader_take_when(struct sql_take *take);
/* Four columns of the journal: at_mono_ns, at_utc_ns, at_utc_bound_ns, at_clock. */
struct when reader_take_at(struct sql_take *take);

#endif
