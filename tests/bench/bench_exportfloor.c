/*
 * bench_exportfloor: what exports and a replay are measured beside. No bench by itself: exports.py and replay.py call it.
 *
 *   bench_exportfloor FORMAT DB OUT BYTES   reads once the rows of the dive that the format needs, all columns that it needs, and writes so
 *                                           many bytes into OUT as an export does: under another name, synced, renamed
 *   bench_exportfloor insert DB NEW         reads every row of DB, a batch at a time, and inserts them into NEW, an empty database of the same
 *                                           schema, with prepared statements, in the store's mode (WAL, FULL). Prints the processor's and
 *                                           the wall's seconds of inserting alone.
 */
#include "bench.h"

#include <sqlite3.h>
#include <stdbool.h>
#include <stdint.h>
#include <stdlib.h>
#include <string.h>
#include <unistd.h>

static void fail(sqlite3 *db, const char *what)
{
    fprintf(stderr, "%s: %s\n", what, db != NULL ? sqlite3_errmsg(db) : "failed");
    exit(1);
}

static sqlite3 *open_database(const char *path, int flags)
{
    sqlite3 *db = NULL;
    if (sqlite3_open_v2(path, &db, flags | SQLITE_OPEN_NOMUTEX, NULL) != SQLITE_OK)
        fail(db, path);
    return db;
}

static sqlite3_stmt *prepare(sqlite3 *db, const char *sql)
{
    sqlite3_stmt *stmt = NULL;
    if (sqlite3_prepare_v2(db, sql, -1, &stmt, NULL) != SQLITE_OK)
        fail(db, sql);
    return stmt;
}

static void run(sqlite3 *db, const char *sql)
{
    if (sqlite3_exec(db, sql, NULL, NULL, NULL) != SQLITE_OK)
        fail(db, sql);
}

/* ---- an export ---- */

static uint64_t seen; /* something is done with every value, so that it is fetched */

static void look_at(sqlite3_stmt *stmt, int column)
{
    switch (sqlite3_column_type(stmt, column)) {
    case SQLITE_INTEGER:
        seen += (uint64_t)sqlite3_column_int64(stmt, column);
        break;
    case SQLITE_FLOAT:
        seen += sqlite3_column_double(stmt, column) > 0;
        break;
    case SQLITE_TEXT:
        seen += sqlite3_column_text(stmt, column)[0];
        break;
    case SQLITE_BLOB:
        seen += ((const unsigned char *)sqlite3_column_blob(stmt, column))[0];
        break;
    default:
        break;
    }
}

static void read_rows(sqlite3 *db, const char *sql)
{
    sqlite3_stmt *stmt = prepare(db, sql);
    int columns = sqlite3_column_count(stmt), rc;
    while ((rc = sqlite3_step(stmt)) == SQLITE_ROW)
        for (int i = 0; i < columns; i++)
            look_at(stmt, i);
    if (rc != SQLITE_DONE)
        fail(db, sql);
    sqlite3_finalize(stmt);
}

#define PLACED                                                                                               \
    "SELECT seq, number, ref, struck, settlings, mono_ns, mono_bound_ns, utc_ns, utc_bound_ns, clock, "      \
    "origin, seat, who, pad, key, gesture, kind, label, term, lead_ns, note, entered_by, phase, container,"  \
    " gear, target, sighting, object, settled, timecode, timecode_rate, timecode_frame, timecode_within, "   \
    "timecode_bound_frames, timecode_state, lat_deg, lon_deg, position_uncertainty_m, position_source, "     \
    "position_feed, position_method, position_age_s"
#define MARKERS PLACED ", channels FROM marker_now ORDER BY dive, number"
#define MARKER_TIMES PLACED " FROM marker_now ORDER BY utc_ns"
#define SIGHTINGS                                                                                            \
    "SELECT g.*, i.name, i.verbatim, i.rank, i.qualifier, i.name_id, i.listed, i.who, z.* FROM sighting g "  \
    "LEFT JOIN identification i ON i.seq = (SELECT max(x.seq) FROM identification x WHERE "                  \
    "x.target_dive = g.dive AND x.target_letter = 'S' AND x.target_number = g.number) "                      \
    "LEFT JOIN measurement z ON z.seq = (SELECT max(x.seq) FROM measurement x WHERE "                        \
    "x.target_dive = g.dive AND x.target_letter = 'S' AND x.target_number = g.number)"
#define SPANS "SELECT * FROM span"
#define SAMPLES "SELECT * FROM sample"
#define NAMES "SELECT * FROM identification"
#define LENGTHS "SELECT * FROM measurement"
#define REMARKS "SELECT * FROM remark"
#define STRIKES "SELECT * FROM strike"
#define NOTICES "SELECT * FROM notice"
#define OTHER_EVENTS                                                                                         \
    "SELECT seq, event FROM journal WHERE type NOT IN ('marker', 'settled', 'sighting', 'span', 'sample')"
#define MARKER_EVENTS                                                                                        \
    "SELECT seq, at_mono_ns, at_utc_ns, event FROM journal WHERE type IN ('marker', 'settled')"
#define BLOCKS(channels)                                                                                     \
    "SELECT t.run, t.first_mono_ns, t.last_mono_ns, t.first_utc_ns, t.last_utc_ns, t.block FROM series s "   \
    "JOIN telemetry t ON t.series = s.id WHERE s.channel IN (" channels                                      \
    ") ORDER BY t.series, t.first_utc_ns"
#define WAY "'vehicle.lat_deg', 'vehicle.lon_deg', 'vehicle.depth_m'"
#define SHIP "'ship.lat_deg', 'ship.lon_deg'"
#define CAPTION "'vehicle.depth_m', 'vehicle.heading_deg', 'water.temperature_C'"
#define CURVES WAY ", 'water.temperature_C', 'water.conductivity_mS_cm', 'water.pressure_dbar'"
#define COVERAGE                                                                                             \
    "SELECT series, first_mono_ns, last_mono_ns, first_utc_ns, last_utc_ns, samples, low, high FROM "        \
    "telemetry"

struct needs {
    const char *format;
    const char *sql[12];
};

static const struct needs NEEDS[] = {
    {"csv", {MARKERS}},
    {"json", {MARKERS, SIGHTINGS, SPANS, SAMPLES, OTHER_EVENTS}},
    {"geojson", {BLOCKS(WAY), SPANS, MARKERS}},
    {"gpx", {MARKERS, BLOCKS(WAY), BLOCKS(SHIP)}},
    {"kml", {BLOCKS(WAY), MARKERS, SAMPLES}},
    {"webvtt", {MARKERS}},
    {"srt", {MARKERS}},
    {"chapters", {MARKER_TIMES, SPANS, SIGHTINGS}},
    {"matroska-chapters", {MARKER_TIMES, SPANS, SIGHTINGS}},
    {"edl", {MARKER_TIMES, SIGHTINGS}},
    {"dwca", {MARKERS, SIGHTINGS, SPANS, SAMPLES, NAMES, LENGTHS, REMARKS, BLOCKS(WAY)}},
    {"overlay", {MARKER_TIMES, SIGHTINGS, BLOCKS(CAPTION)}},
    {"report",
     {MARKERS, SIGHTINGS, SPANS, SAMPLES, NAMES, REMARKS, STRIKES, NOTICES, MARKER_EVENTS, COVERAGE,
      BLOCKS(CURVES)}},
    {"start", {NULL}}}; /* what every one of them begins with */

static void write_bytes(const char *path, long long bytes)
{
    static const char text[65536] = {'x'};
    char name[4096];
    snprintf(name, sizeof name, "%s.part", path);
    FILE *out = fopen(name, "wb");
    if (out == NULL)
        fail(NULL, name);
    for (; bytes > 0; bytes -= (long long)sizeof text)
        fwrite(text, 1, bytes < (long long)sizeof text ? (size_t)bytes : sizeof text, out);
    if (fflush(out) != 0 || fsync(fileno(out)) != 0 || fclose(out) != 0 || rename(name, path) != 0)
        fail(NULL, path);
}

static int stand_in_for(const char *format, const char *path, const char *out, long long bytes)
{
    size_t i = 0;
    while (i < sizeof NEEDS / sizeof NEEDS[0] && strcmp(NEEDS[i].format, format) != 0)
        i++;
    if (i == sizeof NEEDS / sizeof NEEDS[0])
        fail(NULL, format);
    sqlite3 *db = open_database(path, SQLITE_OPEN_READONLY);
    run(db, "BEGIN");
    for (size_t k = 0; NEEDS[i].sql[k] != NULL; k++)
        read_rows(db, NEEDS[i].sql[k]);
    sqlite3_close(db);
    if (NEEDS[i].sql[0] != NULL)
        write_bytes(out, bytes);
    return seen == 1 ? 3 : 0;
}

/* ---- a replay ---- */

enum { BATCH = 1000, COLUMNS_MAX = 64 };

struct insertion {
    sqlite3 *to;
    sqlite3_stmt *stmt;
    int columns;
    int rows;
    sqlite3_value *value[BATCH][COLUMNS_MAX];
    double cpu_s, wall_s;
};

static void insert_batch(struct insertion *insertion)
{
    double cpu_s = bench_cpu_s(), wall_s = bench_wall_s();
    run(insertion->to, "BEGIN");
    for (int row = 0; row < insertion->rows; row++) {
        for (int i = 0; i < insertion->columns; i++)
            sqlite3_bind_value(insertion->stmt, i + 1, insertion->value[row][i]);
        if (sqlite3_step(insertion->stmt) != SQLITE_DONE)
            fail(insertion->to, "insert");
        sqlite3_reset(insertion->stmt);
    }
    run(insertion->to, "COMMIT");
    insertion->cpu_s += bench_cpu_s() - cpu_s;
    insertion->wall_s += bench_wall_s() - wall_s;
    for (int row = 0; row < insertion->rows; row++)
        for (int i = 0; i < insertion->columns; i++)
            sqlite3_value_free(insertion->value[row][i]);
    insertion->rows = 0;
}

static void copy_table(struct insertion *insertion, sqlite3 *from, const char *table)
{
    char sql[512];
    snprintf(sql, sizeof sql, "SELECT * FROM %s", table);
    sqlite3_stmt *read = prepare(from, sql);
    insertion->columns = sqlite3_column_count(read);
    int len = snprintf(sql, sizeof sql, "INSERT INTO %s VALUES (?", table);
    for (int i = 1; i < insertion->columns; i++)
        len += snprintf(sql + len, sizeof sql - (size_t)len, ",?");
    snprintf(sql + len, sizeof sql - (size_t)len, ")");
    insertion->stmt = prepare(insertion->to, sql);
    while (sqlite3_step(read) == SQLITE_ROW) {
        for (int i = 0; i < insertion->columns; i++)
            insertion->value[insertion->rows][i] = sqlite3_value_dup(sqlite3_column_value(read, i));
        if (++insertion->rows == BATCH)
            insert_batch(insertion);
    }
    insert_batch(insertion);
    sqlite3_finalize(read);
    sqlite3_finalize(insertion->stmt);
}

static void make_schema(sqlite3 *from, sqlite3 *to)
{
    run(to, "PRAGMA journal_mode=WAL; PRAGMA synchronous=FULL; PRAGMA cache_size=-1024");
    sqlite3_stmt *stmt =
        prepare(from, "SELECT sql FROM sqlite_schema WHERE sql IS NOT NULL AND type IN ('table', 'index')");
    while (sqlite3_step(stmt) == SQLITE_ROW)
        run(to, (const char *)sqlite3_column_text(stmt, 0));
    sqlite3_finalize(stmt);
}

static int insert_all(const char *path, const char *new_path)
{
    static struct insertion insertion;
    sqlite3 *from = open_database(path, SQLITE_OPEN_READONLY);
    insertion.to = open_database(new_path, SQLITE_OPEN_READWRITE | SQLITE_OPEN_CREATE);
    make_schema(from, insertion.to);
    sqlite3_stmt *tables = prepare(from, "SELECT name FROM sqlite_schema WHERE type = 'table'");
    while (sqlite3_step(tables) == SQLITE_ROW)
        copy_table(&insertion, from, (const char *)sqlite3_column_text(tables, 0));
    sqlite3_finalize(tables);
    double cpu_s = bench_cpu_s(), wall_s = bench_wall_s();
    sqlite3_close(insertion.to); /* moves the rest of the log into the database */
    printf("%.6f %.6f\n", insertion.cpu_s + bench_cpu_s() - cpu_s,
           insertion.wall_s + bench_wall_s() - wall_s);
    sqlite3_close(from);
    return 0;
}

int main(int argc, char **argv)
{
    if (argc == 4 && strcmp(argv[1], "insert") == 0)
        return insert_all(argv[2], argv[3]);
    if (argc == 5)
        return stand_in_for(argv[1], argv[2], argv[3], atoll(argv[4]));
    fprintf(stderr, "bench_exportfloor FORMAT DB OUT BYTES | insert DB NEW\n");
    return 2;
}
