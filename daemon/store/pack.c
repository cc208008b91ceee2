/*
 * A dive as a database of its own. Rows are copied through two connections, so that the source needs no more than reading (it may lie on a
 * read-only disk) and the whole pack shows one state of it. The pack has no write-ahead log: it is one file, to be carried ashore.
 *
 * It keeps the numbers of the journal, which therefore has gaps in a pack. Rules of a pack are otherwise those of schema.sql.
 */
#include "store/database.h"
#include "store/reader.h"

#include <errno.h>
#include <fcntl.h>
#include <limits.h>
#include <stdio.h>
#include <string.h>
#include <sys/stat.h>
#include <unistd.h>

struct pack_table {
    const char *name;
    const char *where; /* ?1 is the dive */
};

/* Changes made to the dive's records afterwards are journalled under the dive that was open then, or none. Who sat where when the dive began
 * is told by what was journalled before it. */
#define ABOUT_THE_DIVE                                                                                       \
    "dive = ?1 OR seq IN (SELECT seq FROM identification WHERE target_dive = ?1 UNION SELECT seq FROM "      \
    "measurement WHERE target_dive = ?1 UNION SELECT seq FROM remark WHERE target_dive = ?1 UNION "          \
    "SELECT seq FROM strike WHERE target_dive = ?1 UNION "                                                   \
    "SELECT max(seq) FROM journal WHERE type = 'seat' AND seq < (SELECT begun_seq FROM dive WHERE "          \
    "id = ?1) GROUP BY json_extract(event, '$.seat'))"
#define SEQ_OF_THE_DIVE "seq IN (SELECT seq FROM journal WHERE " ABOUT_THE_DIVE ")"
#define RUNS_OF_THE_DIVE "(SELECT run FROM journal WHERE dive = ?1)"

static const struct pack_table tables[] = {
    {"run", "?1 IS NOT NULL"},
    {"journal", ABOUT_THE_DIVE},
    {"refused", SEQ_OF_THE_DIVE},
    {"dive", "id = ?1"},
    {"marker", "dive = ?1"},
    {"settled", "dive = ?1"},
    {"link", "dive = ?1"},
    {"sighting", "dive = ?1"},
    {"span", "dive = ?1"},
    {"sample", "dive = ?1"},
    {"identification", "target_dive = ?1"},
    {"measurement", "target_dive = ?1"},
    {"remark", "target_dive = ?1"},
    {"strike", "target_dive = ?1"},
    {"seat", SEQ_OF_THE_DIVE},
    {"notice", SEQ_OF_THE_DIVE},
    {"clock_observation", "run IN " RUNS_OF_THE_DIVE},
    {"series", "?1 IS NOT NULL"},
    /* by UTC; what has none by the monotonic time between the dive's first and last journal row of the same run */
    {"telemetry", "(last_utc_ns >= (SELECT begun_utc_ns FROM dive WHERE id = ?1) AND first_utc_ns <= "
                  "(SELECT coalesce(ended_utc_ns, 9223372036854775807) FROM dive WHERE id = ?1)) OR "
                  "(first_utc_ns IS NULL AND EXISTS "
                  "(SELECT 1 FROM (SELECT run, min(at_mono_ns) AS first, max(at_mono_ns) AS last FROM "
                  "journal WHERE dive = ?1 GROUP BY run) d "
                  "WHERE d.run = telemetry.run AND last_mono_ns >= d.first AND first_mono_ns <= d.last))"},
};

struct packing {
    struct store_reader *reader;
    const char *dive;
    const char *path;
    char part[PATH_MAX];
    sqlite3 *db;
    struct store_error *error;
};

static sqlite3_stmt *prepare_insert(struct packing *p, const char *table, int columns)
{
    char sql[512];
    size_t len = (size_t)snprintf(sql, sizeof sql, "INSERT INTO %s VALUES (?", table);
    for (int i = 1; i < columns && len + 4 < sizeof sql; i++)
        len += (size_t)snprintf(sql + len, sizeof sql - len, ",?");
    snprintf(sql + len, sizeof sql - len, ")");
    sqlite3_stmt *stmt = NULL;
    if (sqlite3_prepare_v2(p->db, sql, -1, &stmt, NULL) != SQLITE_OK)
        return NULL;
    return stmt;
}

static int copy_row(sqlite3_stmt *from, sqlite3_stmt *to, int columns)
{
    struct sql_bind bind = sql_bind_begin(to);
    for (int i = 0; i < columns && bind.rc == SQLITE_OK; i++)
        bind.rc = sqlite3_bind_value(to, i + 1, sqlite3_column_value(from, i));
    return sql_run(&bind);
}

static enum store_result copy_table(struct packing *p, const struct pack_table *table)
{
    char sql[2048];
    struct reader_query query;
    snprintf(sql, sizeof sql, "SELECT * FROM %s WHERE %s", table->name, table->where);
    reader_begin_once(&query, p->reader, sql);
    sql_bind_text(&query.bind, p->dive);
    int columns = sqlite3_column_count(query.bind.stmt);
    sqlite3_stmt *insert = prepare_insert(p, table->name, columns);
    int rc = insert != NULL ? SQLITE_OK : SQLITE_ERROR;
    while (rc == SQLITE_OK && reader_row(&query))
        rc = copy_row(query.bind.stmt, insert, columns);
    enum store_result result =
        rc == SQLITE_OK ? STORE_OK : database_fail(p->error, p->db, p->part, "write the dive pack");
    sqlite3_finalize(insert);
    if (reader_end(&query) < 0 && result == STORE_OK) {
        *p->error = p->reader->error;
        result = p->error->result;
    }
    return result;
}

static enum store_result copy_all(struct packing *p)
{
    enum store_result result = STORE_OK;
    if (sqlite3_exec(p->db, "BEGIN", NULL, NULL, NULL) != SQLITE_OK)
        return database_fail(p->error, p->db, p->part, "write the dive pack");
    for (size_t i = 0; i < sizeof tables / sizeof *tables && result == STORE_OK; i++)
        result = copy_table(p, &tables[i]);
    if (result == STORE_OK && sqlite3_exec(p->db, "COMMIT", NULL, NULL, NULL) != SQLITE_OK)
        result = database_fail(p->error, p->db, p->part, "write the dive pack");
    return result;
}

static bool count_dive(void *ctx, const struct query_dive *row)
{
    (void)ctx;
    (void)row;
    return true;
}

static enum store_result check(struct packing *p)
{
    struct stat status;
    struct query_want want = {.dive = p->dive};
    if (lstat(p->path, &status) == 0)
        return store_error_set(p->error, STORE_EXISTS,
                               "%s is there already; remove it, or give another file name", p->path);
    int64_t found = query_dives(p->reader, &want, count_dive, NULL);
    if (found < 0) {
        *p->error = p->reader->error;
        return p->error->result;
    }
    return found > 0 ? STORE_OK
                     : store_error_set(p->error, STORE_NO_SUCH,
                                       "%s has no dive %s; `bellrope dive list` names them", p->reader->path,
                                       p->dive);
}

/* The new name is durable when the folder is. File systems that cannot sync a folder promise nothing here, and nothing can be done about it. */
static void sync_folder(const char *path)
{
    char folder[PATH_MAX];
    snprintf(folder, sizeof folder, "%s", path);
    char *slash = strrchr(folder, '/');
    if (slash != NULL)
        slash[slash == folder] = '\0';
    int fd = open(slash != NULL ? folder : ".", O_RDONLY | O_DIRECTORY | O_CLOEXEC);
    if (fd < 0)
        return;
    (void)fsync(fd);
    close(fd);
}

static enum store_result give_name(struct packing *p)
{
    if (rename(p->part, p->path) != 0)
        return store_error_set(p->error, STORE_CANNOT_OPEN, "%s: cannot be made: %s; give another file name",
                               p->path, strerror(errno));
    sync_folder(p->path);
    return STORE_OK;
}

static void remove_part(const struct packing *p)
{
    char journal[PATH_MAX + 16];
    snprintf(journal, sizeof journal, "%s-journal", p->part);
    unlink(p->part);
    unlink(journal);
}

enum store_result store_pack(struct store_reader *reader, const char *dive, const char *path,
                             struct store_error *error)
{
    struct store_error own = {0};
    struct packing p = {.reader = reader, .dive = dive, .path = path, .error = error != NULL ? error : &own};
    if ((size_t)snprintf(p.part, sizeof p.part, "%s.part", path) >= sizeof p.part)
        return store_error_set(error, STORE_CANNOT_OPEN, "%s: the name is too long", path);
    enum store_result result = check(&p);
    if (result != STORE_OK)
        return result;
    remove_part(&p); /* of an attempt that was interrupted */
    bool ours = !reader->held;
    result = ours ? store_reader_hold(reader) : STORE_OK;
    if (result != STORE_OK)
        *p.error = reader->error;
    if (result == STORE_OK)
        result = database_create(&p.db, p.part, p.error);
    if (result == STORE_OK)
        result = copy_all(&p);
    if (ours)
        store_reader_release(reader);
    if (sqlite3_close(p.db) != SQLITE_OK && result == STORE_OK)
        result = database_fail(p.error, p.db, p.part, "close the dive pack");
    if (result == STORE_OK)
        result = give_name(&p);
    if (result != STORE_OK)
        remove_part(&p);
    return result;
}
