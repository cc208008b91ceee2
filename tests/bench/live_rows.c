#include "live_rows.h"

#include "bench.h"
#include "live_daemon.h"

#include "schema_sql.h"

#include <sqlite3.h>
#include <stdbool.h>
#include <stdlib.h>
#include <string.h>
#include <unistd.h>

enum { COLUMNS_MAX = 64, JOURNAL = 0 };

/* Where a journal row's own row lies. */
struct table {
    const char *type, *name;
    const char *where; /* of one journal row, j */
};

static const struct table tables[] = {
    {"", "journal", "t.seq = j.seq"},
    {"marker", "marker", "t.seq = j.seq"},
    {"settled", "settled", "t.seq = j.seq"},
    {"link", "link", "t.seq = j.seq"},
    /* the present state: written again as often as the journal speaks of it */
    {"sighting", "sighting",
     "t.dive = j.dive AND t.number = CAST(substr(j.ref, instr(j.ref, '-S') + 2) AS INTEGER)"},
    {"pad", "notice", "t.seq = j.seq"},
    {"feed", "notice", "t.seq = j.seq"},
    {"clock", "notice", "t.seq = j.seq"},
};
enum { TABLES = sizeof tables / sizeof *tables };

struct row {
    int table;
    sqlite3_value *value[COLUMNS_MAX];
};

struct live_rows {
    struct row *row;
    size_t count, room;
    int columns[TABLES];
};

static void keep_row(struct live_rows *rows, int table, sqlite3_stmt *stmt)
{
    if (rows->count == rows->room) {
        rows->room = rows->room == 0 ? 1024 : 2 * rows->room;
        rows->row = realloc(rows->row, rows->room * sizeof *rows->row);
        if (rows->row == NULL)
            live_fail("no memory for rows");
    }
    struct row *row = &rows->row[rows->count++];
    row->table = table;
    rows->columns[table] = sqlite3_column_count(stmt);
    for (int i = 0; i < rows->columns[table]; i++)
        row->value[i] = sqlite3_value_dup(sqlite3_column_value(stmt, i));
}

static sqlite3_stmt *prepare(sqlite3 *db, const char *sql)
{
    sqlite3_stmt *stmt = NULL;
    if (sqlite3_prepare_v3(db, sql, -1, SQLITE_PREPARE_PERSISTENT, &stmt, NULL) != SQLITE_OK)
        live_fail("%s: %s", sql, sqlite3_errmsg(db));
    return stmt;
}

static void run(sqlite3 *db, const char *sql)
{
    if (sqlite3_exec(db, sql, NULL, NULL, NULL) != SQLITE_OK)
        live_fail("%s: %s", sql, sqlite3_errmsg(db));
}

static int table_of(const char *type)
{
    for (int i = 1; i < TABLES; i++)
        if (strcmp(tables[i].type, type) == 0)
            return i;
    return JOURNAL;
}

struct live_rows *live_rows_read(const char *database, int64_t after, int64_t upto)
{
    struct live_rows *rows = calloc(1, sizeof *rows);
    sqlite3 *db = NULL;
    sqlite3_stmt *one[TABLES];
    if (rows == NULL || sqlite3_open_v2(database, &db, SQLITE_OPEN_READONLY, NULL) != SQLITE_OK)
        live_fail("%s cannot be read", database);
    sqlite3_busy_timeout(db, 1000);
    for (int i = 1; i < TABLES; i++) {
        char sql[300];
        snprintf(sql, sizeof sql, "SELECT t.* FROM journal j JOIN %s t ON %s WHERE j.seq = ?", tables[i].name,
                 tables[i].where);
        one[i] = prepare(db, sql);
    }
    sqlite3_stmt *all = prepare(db, "SELECT * FROM journal WHERE seq > ? AND seq <= ? ORDER BY seq");
    sqlite3_bind_int64(all, 1, after);
    sqlite3_bind_int64(all, 2, upto);
    while (sqlite3_step(all) == SQLITE_ROW) {
        int table = table_of((const char *)sqlite3_column_text(all, 1));
        keep_row(rows, JOURNAL, all);
        if (table == JOURNAL)
            continue;
        sqlite3_bind_int64(one[table], 1, sqlite3_column_int64(all, 0));
        if (sqlite3_step(one[table]) == SQLITE_ROW)
            keep_row(rows, table, one[table]);
        sqlite3_reset(one[table]);
    }
    sqlite3_finalize(all);
    for (int i = 1; i < TABLES; i++)
        sqlite3_finalize(one[i]);
    sqlite3_close(db);
    return rows;
}

void live_rows_free(struct live_rows *rows)
{
    for (size_t i = 0; i < rows->count; i++)
        for (int c = 0; c < rows->columns[rows->row[i].table]; c++)
            sqlite3_value_free(rows->row[i].value[c]);
    free(rows->row);
    free(rows);
}

size_t live_rows_count(const struct live_rows *rows)
{
    return rows->count;
}

static void remove_database(const char *path)
{
    static const char *const ends[] = {"", "-wal", "-shm"};
    for (size_t i = 0; i < 3; i++) {
        char name[256];
        snprintf(name, sizeof name, "%s%s", path, ends[i]);
        (void)unlink(name);
    }
}

static void make_statements(sqlite3 *db, const struct live_rows *rows, sqlite3_stmt *insert[TABLES])
{
    for (int i = 0; i < TABLES; i++) {
        char sql[400];
        size_t len = (size_t)snprintf(sql, sizeof sql, "INSERT OR REPLACE INTO %s VALUES (?", tables[i].name);
        insert[i] = NULL;
        for (int c = 1; c < rows->columns[i]; c++)
            len += (size_t)snprintf(sql + len, sizeof sql - len, ", ?");
        snprintf(sql + len, sizeof sql - len, ")");
        if (rows->columns[i] > 0)
            insert[i] = prepare(db, sql);
    }
}

double live_rows_write(const struct live_rows *rows, const char *path, size_t group)
{
    sqlite3 *db = NULL;
    sqlite3_stmt *insert[TABLES];
    remove_database(path);
    if (sqlite3_open(path, &db) != SQLITE_OK)
        live_fail("%s cannot be made", path);
    run(db, "PRAGMA journal_mode=WAL; PRAGMA synchronous=FULL");
    run(db, schema_sql);
    make_statements(db, rows, insert);
    sqlite3_stmt *begin = prepare(db, "BEGIN IMMEDIATE"), *commit = prepare(db, "COMMIT");
    size_t in_group = 0;
    double begun = bench_wall_s();
    for (size_t i = 0; i < rows->count; i++) {
        const struct row *row = &rows->row[i];
        sqlite3_stmt *stmt = insert[row->table];
        if (in_group == 0 && sqlite3_step(begin) != SQLITE_DONE)
            live_fail("BEGIN: %s", sqlite3_errmsg(db));
        sqlite3_reset(begin);
        in_group += row->table == JOURNAL;
        for (int c = 0; c < rows->columns[row->table]; c++)
            sqlite3_bind_value(stmt, c + 1, row->value[c]);
        if (sqlite3_step(stmt) != SQLITE_DONE)
            live_fail("%s: %s", tables[row->table].name, sqlite3_errmsg(db));
        sqlite3_reset(stmt);
        bool last = i + 1 == rows->count, full = in_group >= group && rows->row[i + !last].table == JOURNAL;
        if ((last || full) && sqlite3_step(commit) != SQLITE_DONE)
            live_fail("COMMIT: %s", sqlite3_errmsg(db));
        sqlite3_reset(commit);
        in_group = last || full ? 0 : in_group;
    }
    double seconds = bench_wall_s() - begun;
    for (int i = 0; i < TABLES; i++)
        sqlite3_finalize(insert[i]);
    sqlite3_finalize(begin);
    sqlite3_finalize(commit);
    sqlite3_close(db);
    remove_database(path);
    return seconds;
}
