#include "store/database.h"

#include "schema_sql.h"
#include "store/opened.h"

#include <errno.h>
#include <fcntl.h>
#include <inttypes.h>
#include <limits.h>
#include <stdarg.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/stat.h>
#include <unistd.h>

enum { HEADER_SIZE = 100, VERSION_AT = 60, APPLICATION_AT = 68 };

/* steps[n] brings a file of version n to n + 1. */
static const char *const steps[DATABASE_VERSION] = {schema_sql};

enum store_result store_error_set(struct store_error *error, enum store_result result, const char *format,
                                  ...)
{
    if (error != NULL) {
        va_list args;
        va_start(args, format);
        vsnprintf(error->text, sizeof error->text, format, args);
        va_end(args);
        error->result = result;
    }
    return result;
}

static const char *advice(int primary)
{
    switch (primary) {
    case SQLITE_FULL:
        return "free some space on that disk";
    case SQLITE_READONLY:
    case SQLITE_CANTOPEN:
    case SQLITE_PERM:
        return "check that the folder exists and that this user may write in it";
    case SQLITE_BUSY:
    case SQLITE_LOCKED:
        return "another program is writing to it: close that one";
    case SQLITE_CORRUPT:
    case SQLITE_NOTADB:
        return "keep a copy of the file and its -wal as they are, then try `sqlite3 FILE .recover`";
    default:
        return "look at the disk and the system's log";
    }
}

static enum store_result result_of(int primary)
{
    switch (primary) {
    case SQLITE_NOMEM:
        return STORE_NO_MEMORY;
    case SQLITE_CORRUPT:
    case SQLITE_NOTADB:
        return STORE_DAMAGED;
    case SQLITE_FULL:
    case SQLITE_IOERR:
    case SQLITE_BUSY:
        return STORE_TROUBLE;
    default:
        return STORE_CANNOT_OPEN;
    }
}

enum store_result database_fail(struct store_error *error, sqlite3 *db, const char *path, const char *doing)
{
    int code = db != NULL ? sqlite3_extended_errcode(db) : SQLITE_NOMEM;
    int system_error = db != NULL ? sqlite3_system_errno(db) : 0;
    const char *message = db != NULL ? sqlite3_errmsg(db) : "out of memory";
    return store_error_set(error, result_of(code & 0xff), "%s: cannot %s: %s%s%s; %s", path, doing, message,
                           system_error != 0 ? ", " : "", system_error != 0 ? strerror(system_error) : "",
                           advice(code & 0xff));
}

char *database_path(const char *path)
{
    char *whole = realpath(path, NULL);
    if (whole != NULL)
        return whole;
    const char *slash = strrchr(path, '/');
    const char *base = slash != NULL ? slash + 1 : path;
    char folder[PATH_MAX];
    size_t folder_len = slash == NULL ? 0 : slash == path ? 1 : (size_t)(slash - path);
    if (base[0] == '\0' || folder_len >= sizeof folder)
        return NULL;
    memcpy(folder, path, folder_len);
    folder[folder_len] = '\0';
    char *real_folder = realpath(folder_len == 0 ? "." : folder, NULL);
    if (real_folder == NULL)
        return NULL;
    size_t size = strlen(real_folder) + strlen(base) + 2;
    whole = malloc(size);
    if (whole != NULL)
        snprintf(whole, size, "%s/%s", strcmp(real_folder, "/") == 0 ? "" : real_folder, base);
    free(real_folder);
    return whole;
}

static uint32_t big_endian(const unsigned char *bytes)
{
    return (uint32_t)bytes[0] << 24 | (uint32_t)bytes[1] << 16 | (uint32_t)bytes[2] << 8 | bytes[3];
}

static enum store_result judge(uint32_t application, uint32_t version, const char *path,
                               struct store_error *error)
{
    if (application != DATABASE_APPLICATION_ID)
        return store_error_set(
            error, STORE_NOT_OURS,
            "%s is a database of another program; it was left as it is. Give another file name", path);
    if (version > DATABASE_VERSION)
        return store_error_set(
            error, STORE_NEWER,
            "%s was made by a later version of Bellrope (schema %" PRIu32
            ", this one knows up to %d); it was left as it is. Use that version, or another file",
            path, version, DATABASE_VERSION);
    return STORE_OK;
}

static bool has_hot_journal(const char *path)
{
    char journal[PATH_MAX];
    struct stat status;
    int len = snprintf(journal, sizeof journal, "%s-journal", path);
    return len > 0 && (size_t)len < sizeof journal && stat(journal, &status) == 0 && status.st_size > 0;
}

static bool has_log(const char *path)
{
    char log[PATH_MAX];
    struct stat status;
    int len = snprintf(log, sizeof log, "%s-wal", path);
    return len > 0 && (size_t)len < sizeof log && stat(log, &status) == 0 && status.st_size > 0;
}

enum store_result database_check(const char *path, struct store_error *error)
{
    if (opened_has(path)) /* looked at before; to look again would drop its locks */
        return STORE_OK;
    int fd = open(path, O_RDONLY | O_CLOEXEC | O_NONBLOCK);
    if (fd < 0)
        return errno == ENOENT
                   ? STORE_OK
                   : store_error_set(
                         error, STORE_CANNOT_OPEN,
                         "%s: cannot be read: %s; check its owner and mode, or give another file name", path,
                         strerror(errno));
    struct stat status;
    unsigned char header[HEADER_SIZE];
    ssize_t got = -1;
    enum store_result result = STORE_OK;
    if (fstat(fd, &status) != 0 || !S_ISREG(status.st_mode))
        result = store_error_set(error, STORE_CANNOT_OPEN, "%s is no file; give the name of a file", path);
    else if ((got = pread(fd, header, sizeof header, 0)) < 0)
        result = store_error_set(error, STORE_CANNOT_OPEN, "%s: cannot be read: %s; look at the disk", path,
                                 strerror(errno));
    close(fd);
    /* An interrupted creation is SQLite's to undo; the versions are looked at again then. */
    if (result != STORE_OK || got == 0 || has_hot_journal(path))
        return result;
    if (got < HEADER_SIZE || memcmp(header, "SQLite format 3", 16) != 0)
        result = store_error_set(error, STORE_NOT_OURS,
                                 "%s is no database; it was left as it is. Give another file name", path);
    else
        result = judge(big_endian(header + APPLICATION_AT), big_endian(header + VERSION_AT), path, error);
    /* A power cut while the log is moved into the file may leave any first page; the log still has the true one. */
    return result == STORE_NOT_OURS && has_log(path) ? STORE_OK : result;
}

int database_int(sqlite3 *db, const char *sql, int64_t *out)
{
    sqlite3_stmt *stmt = NULL;
    *out = 0;
    int rc = sqlite3_prepare_v2(db, sql, -1, &stmt, NULL);
    if (rc == SQLITE_OK) {
        rc = sqlite3_step(stmt);
        if (rc == SQLITE_ROW)
            *out = sqlite3_column_int64(stmt, 0);
        rc = rc == SQLITE_ROW || rc == SQLITE_DONE ? SQLITE_OK : rc;
    }
    int final = sqlite3_finalize(stmt);
    return rc != SQLITE_OK ? rc : final;
}

static int run_all(sqlite3 *db, const char *const *sql, size_t count)
{
    int rc = SQLITE_OK;
    for (size_t i = 0; i < count && rc == SQLITE_OK; i++)
        rc = sqlite3_exec(db, sql[i], NULL, NULL, NULL);
    return rc;
}

static int set_version(sqlite3 *db)
{
    char sql[96];
    snprintf(sql, sizeof sql, "PRAGMA application_id=%d; PRAGMA user_version=%d;", DATABASE_APPLICATION_ID,
             DATABASE_VERSION);
    return sqlite3_exec(db, sql, NULL, NULL, NULL);
}

/* All steps in one transaction: a crash leaves the old version or the new one. */
static int bring_up(sqlite3 *db, size_t version)
{
    int rc = sqlite3_exec(db, "BEGIN IMMEDIATE", NULL, NULL, NULL);
    if (rc == SQLITE_OK)
        rc = run_all(db, steps + version, DATABASE_VERSION - version);
    if (rc == SQLITE_OK)
        rc = set_version(db);
    if (rc == SQLITE_OK)
        rc = sqlite3_exec(db, "COMMIT", NULL, NULL, NULL);
    return rc;
}

/* The versions once more, now through SQLite, which also sees what only the log has yet. `*version` 0: an empty file. */
static enum store_result read_version(sqlite3 *db, const char *path, int64_t *version,
                                      struct store_error *error)
{
    int64_t application = 0, objects = 0;
    if (database_int(db, "PRAGMA application_id", &application) != SQLITE_OK ||
        database_int(db, "PRAGMA user_version", version) != SQLITE_OK ||
        database_int(db, "SELECT count(*) FROM sqlite_schema", &objects) != SQLITE_OK)
        return database_fail(error, db, path, "open the database");
    if (objects == 0 && application == 0) {
        *version = 0;
        return STORE_OK;
    }
    return judge((uint32_t)application, (uint32_t)*version, path, error);
}

static enum store_result make_current(sqlite3 *db, const char *path, struct store_error *error)
{
    int64_t version = 0;
    enum store_result result = read_version(db, path, &version, error);
    if (result == STORE_OK && version < DATABASE_VERSION && bring_up(db, (size_t)version) != SQLITE_OK)
        result = database_fail(error, db, path,
                               version == 0 ? "make the database" : "bring the database up to this version");
    return result;
}

static enum store_result open_at(sqlite3 **out, const char *path, int flags, struct store_error *error)
{
    *out = NULL;
    int rc = sqlite3_open_v2(path, out, flags | SQLITE_OPEN_NOMUTEX | SQLITE_OPEN_EXRESCODE, NULL);
    /* A refused database must not be written to when it is closed again. */
    if (rc == SQLITE_OK)
        rc = sqlite3_db_config(*out, SQLITE_DBCONFIG_NO_CKPT_ON_CLOSE, 1, NULL);
    if (rc == SQLITE_OK)
        rc = sqlite3_busy_timeout(*out, 200);
    return rc == SQLITE_OK ? STORE_OK : database_fail(error, *out, path, "open the database");
}

int database_close(sqlite3 *db)
{
    opened_drop(db);
    return sqlite3_close(db);
}

static enum store_result close_failed(sqlite3 **db, enum store_result result)
{
    (void)database_close(*db);
    *db = NULL;
    return result;
}

static bool is_wal(sqlite3 *db)
{
    sqlite3_stmt *stmt = NULL;
    bool wal = sqlite3_prepare_v2(db, "PRAGMA journal_mode=WAL", -1, &stmt, NULL) == SQLITE_OK &&
               sqlite3_step(stmt) == SQLITE_ROW &&
               strcmp((const char *)sqlite3_column_text(stmt, 0), "wal") == 0;
    return sqlite3_finalize(stmt) == SQLITE_OK && wal;
}

enum store_result database_open(sqlite3 **out, const char *path, struct store_error *error)
{
    static const char *const settings[] = {
        "PRAGMA synchronous=FULL",
        "PRAGMA cache_size=-1024", /* 1 MB: the tails of the tables, which is all that is written */
        "PRAGMA cache_spill=OFF", /* a large group takes more for its time; spilt pages would be written and read again */
        "PRAGMA journal_size_limit=16777216", /* a log that grew in a bad hour gives its room back */
        "PRAGMA trusted_schema=OFF",
        "PRAGMA temp_store=MEMORY",
    };
    enum store_result result = database_check(path, error);
    if (result != STORE_OK)
        return result;
    result = open_at(out, path, SQLITE_OPEN_READWRITE | SQLITE_OPEN_CREATE, error);
    if (result == STORE_OK)
        result = make_current(*out, path, error);
    if (result == STORE_OK && !opened_add(*out, path))
        result = store_error_set(error, STORE_CANNOT_OPEN, "%s: went away while it was opened", path);
    if (result == STORE_OK &&
        (!is_wal(*out) || run_all(*out, settings, sizeof settings / sizeof *settings) != SQLITE_OK ||
         sqlite3_db_config(*out, SQLITE_DBCONFIG_NO_CKPT_ON_CLOSE, 0, NULL) != SQLITE_OK))
        result = database_fail(error, *out, path, "use a write-ahead log, which needs a local disk");
    return result == STORE_OK ? STORE_OK : close_failed(out, result);
}

enum store_result database_create(sqlite3 **out, const char *path, struct store_error *error)
{
    enum store_result result =
        open_at(out, path, SQLITE_OPEN_READWRITE | SQLITE_OPEN_CREATE | SQLITE_OPEN_URI, error);
    if (result == STORE_OK)
        result = make_current(*out, path, error);
    return result == STORE_OK ? STORE_OK : close_failed(out, result);
}

/* "file:PATH?immutable=1" with the characters that mean something in a URI escaped. */
static bool immutable_uri(const char *path, char *out, size_t size)
{
    size_t len = (size_t)snprintf(out, size, "file:");
    for (const char *at = path; *at != '\0'; at++) {
        bool plain = *at != '%' && *at != '?' && *at != '#';
        if (len + 4 >= size)
            return false;
        len += (size_t)snprintf(out + len, size - len, plain ? "%c" : "%%%02X", (unsigned char)*at);
    }
    return len + 16 < size && snprintf(out + len, size - len, "?immutable=1") > 0;
}

/* A log needs files beside the database; on a disk that cannot be written, and without a log, the file by itself is the whole truth. */
static enum store_result open_alone(sqlite3 **out, const char *path, struct store_error *error)
{
    char uri[PATH_MAX * 3];
    if (!immutable_uri(path, uri, sizeof uri))
        return store_error_set(error, STORE_CANNOT_OPEN, "%s: the path is too long", path);
    return open_at(out, uri, SQLITE_OPEN_READONLY | SQLITE_OPEN_URI, error);
}

static enum store_result reader_version(sqlite3 *db, const char *path, struct store_error *error)
{
    int64_t version = 0;
    enum store_result result = read_version(db, path, &version, error);
    if (result == STORE_OK && version != DATABASE_VERSION)
        return store_error_set(
            error, STORE_NOT_OURS,
            version == 0 ? "%s holds nothing yet; begin a dive first, or give another file"
                         : "%s has an older schema; start bellroped on it once, which brings it up to date",
            path);
    return result;
}

enum store_result database_open_reader(sqlite3 **out, const char *path, struct store_error *error)
{
    struct stat status;
    *out = NULL;
    if (stat(path, &status) != 0)
        return store_error_set(error, STORE_CANNOT_OPEN, "%s: cannot be read: %s; check the name", path,
                               strerror(errno));
    enum store_result result = database_check(path, error);
    if (result != STORE_OK)
        return result;
    result = open_at(out, path, SQLITE_OPEN_READONLY, error);
    if (result == STORE_OK && !opened_add(*out, path))
        result = store_error_set(error, STORE_CANNOT_OPEN, "%s: went away while it was opened", path);
    if (result == STORE_OK)
        result = reader_version(*out, path, error);
    if ((result == STORE_CANNOT_OPEN || result == STORE_TROUBLE) && !has_log(path)) {
        (void)database_close(*out);
        result = open_alone(out, path, error);
        if (result == STORE_OK)
            result = reader_version(*out, path, error);
    }
    return result == STORE_OK ? STORE_OK : close_failed(out, result);
}
