#include "store/reader.h"

#include "store/database.h"

#include <stdlib.h>
#include <string.h>

static struct store_reader *reader_new(const char *path, struct store_error *error)
{
    struct store_reader *reader = calloc(1, sizeof *reader);
    if (reader != NULL && (reader->path = strdup(path)) != NULL)
        return reader;
    free(reader);
    store_error_set(error, STORE_NO_MEMORY, "%s: out of memory", path);
    return NULL;
}

enum store_result reader_borrow(struct store_reader **out, sqlite3 *db, const char *path,
                                struct store_error *error)
{
    *out = reader_new(path, error);
    if (*out == NULL)
        return STORE_NO_MEMORY;
    (*out)->db = db;
    (*out)->borrowed = true;
    return STORE_OK;
}

enum store_result store_reader_open(struct store_reader **out, const char *path, struct store_error *error)
{
    *out = NULL;
    struct store_reader *reader = reader_new(path, error);
    if (reader == NULL)
        return STORE_NO_MEMORY;
    enum store_result result = database_open_reader(&reader->db, path, error);
    if (result == STORE_OK)
        *out = reader;
    else
        store_reader_close(reader);
    return result;
}

void store_reader_close(struct store_reader *reader)
{
    if (reader == NULL)
        return;
    for (size_t i = 0; i < READER_KEPT; i++)
        sqlite3_finalize(reader->kept[i].stmt);
    if (!reader->borrowed)
        (void)database_close(reader->db);
    free(reader->path);
    free(reader);
}

const char *store_reader_error(const struct store_reader *reader)
{
    return reader->error.text;
}

static enum store_result run(struct store_reader *reader, const char *sql)
{
    if (sqlite3_exec(reader->db, sql, NULL, NULL, NULL) == SQLITE_OK)
        return STORE_OK;
    return database_fail(&reader->error, reader->db, reader->path, "read the database");
}

enum store_result store_reader_hold(struct store_reader *reader)
{
    /* the transaction sees the state of its first read */
    enum store_result result = run(reader, "BEGIN");
    if (result == STORE_OK)
        result = run(reader, "SELECT count(*) FROM (SELECT 1 FROM journal LIMIT 1)");
    reader->held = result == STORE_OK;
    return result;
}

void store_reader_release(struct store_reader *reader)
{
    if (reader->held)
        run(reader, "COMMIT");
    reader->held = false;
}

/* ---- statements ---- */

static struct reader_statement *find_kept(struct store_reader *reader, const char *sql)
{
    struct reader_statement *unused = NULL;
    for (size_t i = 0; i < READER_KEPT; i++) {
        struct reader_statement *kept = &reader->kept[i];
        if (kept->sql == sql && !kept->busy)
            return kept;
        if (unused == NULL && kept->sql == NULL)
            unused = kept;
    }
    return unused;
}

static void begin(struct reader_query *query, struct store_reader *reader, const char *sql,
                  struct reader_statement *kept)
{
    *query = (struct reader_query){.reader = reader, .kept = kept};
    sqlite3_stmt *stmt = kept != NULL ? kept->stmt : NULL;
    if (stmt == NULL)
        query->rc = sqlite3_prepare_v3(reader->db, sql, -1, kept != NULL ? SQLITE_PREPARE_PERSISTENT : 0,
                                       &stmt, NULL);
    if (kept != NULL && stmt != NULL)
        *kept = (struct reader_statement){sql, stmt, true};
    query->bind = sql_bind_begin(stmt);
}

void reader_begin(struct reader_query *query, struct store_reader *reader, const char *sql)
{
    begin(query, reader, sql, find_kept(reader, sql));
}

void reader_begin_once(struct reader_query *query, struct store_reader *reader, const char *sql)
{
    begin(query, reader, sql, NULL);
}

bool reader_row(struct reader_query *query)
{
    if (query->rc == SQLITE_OK)
        query->rc = query->bind.rc;
    if (query->rc != SQLITE_OK && query->rc != SQLITE_ROW)
        return false;
    query->rc = sqlite3_step(query->bind.stmt);
    query->take = sql_take_begin(query->bind.stmt);
    if (query->rc != SQLITE_ROW)
        return false;
    query->rows++;
    return true;
}

int64_t reader_end(struct reader_query *query)
{
    struct store_reader *reader = query->reader;
    bool good = query->rc == SQLITE_OK || query->rc == SQLITE_ROW || query->rc == SQLITE_DONE;
    if (!good)
        database_fail(&reader->error, reader->db, reader->path, "read the database");
    /* Both repeat the error of the step, which was looked at. */
    if (query->kept == NULL) {
        sqlite3_finalize(query->bind.stmt);
    } else if (query->bind.stmt != NULL) {
        sqlite3_reset(query->bind.stmt);
        sqlite3_clear_bindings(query->bind.stmt);
        query->kept->busy = false;
    }
    return good ? query->rows : (int64_t)reader->error.result;
}

/* ---- what questions share ---- */

void reader_bind_dives(struct reader_query *query, const char *dive)
{
    /* names are of letters, digits and "_.-", all below "~" */
    sql_bind_text(&query->bind, dive != NULL ? dive : "");
    sql_bind_text(&query->bind, dive != NULL ? dive : "~");
}

void reader_bind_want(struct reader_query *query, const struct query_want *want)
{
    reader_bind_dives(query, want->dive);
    sql_bind_int(&query->bind, want->after);
    sql_bind_int(&query->bind, want->limit > 0 ? want->limit : -1);
}

enum clock_trust reader_clock_trust(const char *name)
{
    for (int i = CLOCK_TRUST_NONE; i <= CLOCK_TRUST_SYNCED; i++)
        if (strcmp(name, clock_trust_name((enum clock_trust)i)) == 0)
            return (enum clock_trust)i;
    return CLOCK_TRUST_NONE;
}

enum reading_method reader_method(const char *name)
{
    for (int i = READING_METHOD_INTERPOLATED; i <= READING_METHOD_DERIVED; i++)
        if (strcmp(name, reading_method_name((enum reading_method)i)) == 0)
            return (enum reading_method)i;
    return READING_METHOD_INTERPOLATED;
}

struct when reader_take_when(struct sql_take *take)
{
    struct when when;
    char clock[16];
    when.mono.ns = sql_take_int(take);
    when.mono_bound_ns = sql_take_bound(take);
    when.utc.ns = sql_take_int(take);
    when.utc_bound_ns = sql_take_bound(take);
    sql_take_text(take, clock, sizeof clock);
    when.trust = reader_clock_trust(clock);
    return when;
}

struct when reader_take_at(struct sql_take *take)
{
    struct when when = {.mono_bound_ns = -1};
    char clock[16];
    when.mono.ns = sql_take_int(take);
    when.utc.ns = sql_take_int(take);
    when.utc_bound_ns = sql_take_bound(take);
    sql_take_text(take, clock, sizeof clock);
    when.trust = reader_clock_trust(clock);
    return when;
}
