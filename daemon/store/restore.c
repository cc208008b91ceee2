/*
 * What was open, found by questions that indexes answer: the time it takes goes with the open dive, not with the journal.
 */
#include "core/fields.h"
#include "store/database.h"
#include "store/reader.h"
#include "store/restore_samples.h"
#include "store/store_state.h"

#include <assert.h>
#include <stdio.h>
#include <string.h>

enum { BOOTS_OF_A_PAD = 8, PRESSES_OF_A_BOOT = 64, OBSERVATIONS_OF_A_CLOCK = 64, CLOCKS = 64 };

struct restoring {
    struct store_reader *reader;
    const char *host_boot_id;
    store_restore_sink *sink;
    void *ctx;
    char dive[DIVE_ID_SIZE]; /* the open one; empty: none */
    struct fields_writer writer;
    char bytes[FIELDS_BYTES_MAX];
};

typedef int64_t restore_part(struct restoring *r);

static void record(struct restoring *r, const char *op)
{
    fields_begin(&r->writer, r->bytes, sizeof r->bytes, op);
}

static void emit(struct restoring *r)
{
    r->sink(r->ctx, r->writer.bytes, r->writer.len);
}

/* A column as a field; NULL leaves the field out. Integers and texts alike: SQLite writes an integer as we would. */
static void put(struct restoring *r, struct sql_take *take, const char *name)
{
    const unsigned char *text = sqlite3_column_text(take->stmt, take->at++);
    if (text != NULL)
        fields_put(&r->writer, name, (const char *)text);
}

static int64_t put_rows(struct restoring *r, struct reader_query *query, const char *op,
                        const char *const *names, size_t count)
{
    while (reader_row(query)) {
        record(r, op);
        for (size_t i = 0; i < count; i++)
            put(r, &query->take, names[i]);
        emit(r);
    }
    return reader_end(query);
}

#define PUT_ROWS(r, query, op, names) put_rows(r, query, op, names, sizeof(names) / sizeof *(names))

static int64_t restore_seq(struct restoring *r)
{
    static const char *const names[] = {"last"};
    struct reader_query query;
    reader_begin(&query, r->reader, "SELECT coalesce(max(seq), 0) FROM journal");
    return PUT_ROWS(r, &query, "restore.seq", names);
}

static int64_t restore_dive(struct restoring *r)
{
    static const char *const names[] = {"id",        "vehicle",   "ship",    "site",      "planned_bottom",
                                        "begun_utc", "ended_utc", "markers", "sightings", "spans",
                                        "samples"};
    /* the open one, else the latest: presses that waited in their pads still find their place in it */
    static const char find[] = "SELECT id FROM dive ORDER BY ended_seq IS NULL DESC, begun_seq DESC LIMIT 1";
    /* clang-format off */
    static const char sql[] = "SELECT d.id, d.vehicle, d.ship, d.site, d.planned_bottom_ns, d.begun_utc_ns, CASE WHEN d.ended_seq IS NOT NULL THEN coalesce(d.ended_utc_ns, d.begun_utc_ns) END, "
                              "(SELECT coalesce(max(number), 0) FROM marker WHERE dive = d.id), "
                              "(SELECT coalesce(max(number), 0) FROM sighting WHERE dive = d.id), "
                              "(SELECT coalesce(max(number), 0) FROM span WHERE dive = d.id), "
                              "(SELECT coalesce(max(number), 0) FROM sample WHERE dive = d.id) FROM dive d WHERE d.id = ?";
    /* clang-format on */
    struct reader_query query;
    if (r->dive[0] == '\0') {
        reader_begin(&query, r->reader, find);
        if (reader_row(&query))
            sql_take_text(&query.take, r->dive, sizeof r->dive);
        int64_t found = reader_end(&query);
        if (found <= 0)
            return found;
    }
    reader_begin(&query, r->reader, sql);
    sql_bind_text(&query.bind, r->dive);
    return PUT_ROWS(r, &query, "restore.dive", names);
}

static int64_t restore_outside(struct restoring *r)
{
    static const char *const names[] = {"markers"};
    struct reader_query query;
    reader_begin(&query, r->reader, "SELECT coalesce(max(number), 0) FROM marker WHERE dive = ''");
    return PUT_ROWS(r, &query, "restore.outside", names);
}

static int64_t restore_seats(struct restoring *r)
{
    static const char *const names[] = {"seat", "who"};
    struct reader_query query;
    reader_begin(&query, r->reader, "SELECT seat, who FROM seat WHERE who IS NOT NULL ORDER BY seq");
    return PUT_ROWS(r, &query, "restore.seat", names);
}

/* Who sat where when the dive began: the last word on each seat before it. */
static int64_t restore_watch(struct restoring *r)
{
    static const char *const names[] = {"seat", "who"};
    /* clang-format off */
    static const char sql[] = "SELECT json_extract(event, '$.seat'), json_extract(event, '$.who') FROM journal WHERE seq IN "
                              "(SELECT max(seq) FROM journal WHERE type = 'seat' AND seq < (SELECT begun_seq FROM dive WHERE id = ?) "
                              "GROUP BY json_extract(event, '$.seat')) ORDER BY seq";
    /* clang-format on */
    struct reader_query query;
    if (r->dive[0] == '\0')
        return 0;
    reader_begin(&query, r->reader, sql);
    sql_bind_text(&query.bind, r->dive);
    return PUT_ROWS(r, &query, "restore.watch", names);
}

/*
 * The chains step from pad to pad, and from boot to boot of a pad, each by one look-up in the index of presses (comparing pairs instead would
 * scan it); which boots are the latest is judged by their last marker. Boots in order of that, so that where the engine has no room for all
 * the latest stay.
 */
static int64_t restore_presses(struct restoring *r)
{
    static const char *const names[] = {"pad", "boot", "seq"};
    /* clang-format off */
    static const char sql[] =
        "WITH RECURSIVE pads (pad) AS ("
        "  SELECT min(pad) FROM marker WHERE pad > '' UNION ALL"
        "  SELECT (SELECT min(m.pad) FROM marker m WHERE m.pad > p.pad) FROM pads p WHERE p.pad IS NOT NULL), "
        "boot (pad, id) AS ("
        "  SELECT pad, (SELECT min(m.pad_boot) FROM marker m WHERE m.pad = p.pad) FROM pads p WHERE pad IS NOT NULL UNION ALL"
        "  SELECT b.pad, (SELECT min(m.pad_boot) FROM marker m WHERE m.pad = b.pad AND m.pad_boot > b.id) FROM boot b "
        "  WHERE b.id IS NOT NULL), "
        "dated AS (SELECT pad, id, (SELECT m.seq FROM marker m WHERE m.pad = boot.pad AND m.pad_boot = boot.id "
        "                           ORDER BY m.press_seq DESC LIMIT 1) AS last FROM boot WHERE id IS NOT NULL), "
        "ranked AS (SELECT pad, id, last, row_number() OVER (PARTITION BY pad ORDER BY last DESC) AS place FROM dated) "
        "SELECT k.pad, k.id, m.press_seq FROM ranked k JOIN marker m ON m.pad = k.pad AND m.pad_boot = k.id AND m.press_seq > "
        "  coalesce((SELECT x.press_seq FROM marker x WHERE x.pad = k.pad AND x.pad_boot = k.id ORDER BY x.press_seq DESC "
        "            LIMIT 1 OFFSET ?), -1) "
        "WHERE k.place <= ? ORDER BY k.last, m.press_seq";
    /* clang-format on */
    struct reader_query query;
    reader_begin(&query, r->reader, sql);
    sql_bind_int(&query.bind, PRESSES_OF_A_BOOT);
    sql_bind_int(&query.bind, BOOTS_OF_A_PAD);
    return PUT_ROWS(r, &query, "restore.press", names);
}

/*
 * Monotonic times of an earlier boot of the host mean nothing now; what a clap measured holds until the next clap. A clock whose last
 * observation is of an earlier boot is passed over with one look-up, and the latest CLOCKS do: pads leave a clock behind at every power-up.
 */
static int64_t restore_clocks(struct restoring *r)
{
    static const char *const names[] = {"clock", "a", "lo", "hi"};
    /* clang-format off */
    static const char sql[] =
        "WITH RECURSIVE name (clock) AS ("
        "  SELECT min(clock) FROM clock_observation"
        "  UNION ALL SELECT (SELECT min(o.clock) FROM clock_observation o WHERE o.clock > name.clock) FROM name "
        "  WHERE name.clock IS NOT NULL), "
        "last AS MATERIALIZED (SELECT n.clock, (SELECT max(o.id) FROM clock_observation o WHERE o.clock = n.clock) AS id FROM name n "
        "  WHERE n.clock IS NOT NULL), "
        "live AS MATERIALIZED (SELECT l.clock, l.id FROM last l JOIN clock_observation o ON o.id = l.id JOIN run r ON r.id = o.run "
        "  WHERE r.host_boot_id = ?1 OR l.clock = 'clap' ORDER BY l.clock = 'clap' DESC, l.id DESC LIMIT ?3) "
        "SELECT o.clock, o.a, o.lo, o.hi FROM live l JOIN clock_observation o ON o.clock = l.clock JOIN run r ON r.id = o.run "
        "WHERE o.id > coalesce((SELECT x.id FROM clock_observation x WHERE x.clock = l.clock ORDER BY x.id DESC LIMIT 1 OFFSET ?2), -1) "
        "AND CASE l.clock WHEN 'clap' THEN o.id = l.id ELSE r.host_boot_id = ?1 END ORDER BY o.id";
    /* clang-format on */
    struct reader_query query;
    reader_begin(&query, r->reader, sql);
    sql_bind_text(&query.bind, r->host_boot_id);
    sql_bind_int(&query.bind, OBSERVATIONS_OF_A_CLOCK);
    sql_bind_int(&query.bind, CLOCKS);
    return PUT_ROWS(r, &query, "restore.clock", names);
}

/*
 * object: what this marker opened, whatever its state now. struck: by name; what a strike key struck follows from that key's own fact.
 */
static int64_t restore_facts(struct restoring *r)
{
    /* clang-format off */
    static const char *const names[] = {
        "number", "utc", "seat", "kind", "phase", "label", "term", "lead_ns", "key", "gesture", "note", "container", "gear",
        "capacity", "target", "instead_of", "sighting", "who", "object", "idled", "struck", "struck_by"};
    static const char sql[] =
        "WITH opened AS MATERIALIZED ("
        "  SELECT first_marker AS marker, number, closed_by IS 'idle' AS idled FROM sighting WHERE dive = ?1"
        "  UNION ALL SELECT first_marker, number, 0 FROM span WHERE dive = ?1"
        "  UNION ALL SELECT marker, number, 0 FROM sample WHERE dive = ?1) "
        "SELECT n.number, n.utc_ns, n.seat, n.kind, n.phase, n.label, n.term, n.lead_ns, n.key, n.gesture, n.note, n.container, n.gear, "
        "n.capacity, n.target, n.instead_of, n.sighting, n.who, coalesce(o.number, CASE n.kind WHEN 'waypoint' THEN n.object END), "
        "coalesce(o.idled, 0), "
        "coalesce((SELECT NOT k.restored AND k.by_marker IS NULL FROM strike k WHERE k.target_dive = n.dive AND k.target_letter = 'M' "
        "          AND k.target_number = n.number ORDER BY k.seq DESC LIMIT 1), 0), n.struck_by "
        "FROM marker_now n LEFT JOIN opened o ON o.marker = n.number WHERE n.dive = ?1 ORDER BY n.number";
    /* clang-format on */
    struct reader_query query;
    if (r->dive[0] == '\0')
        return 0;
    reader_begin(&query, r->reader, sql);
    sql_bind_text(&query.bind, r->dive);
    return PUT_ROWS(r, &query, "restore.fact", names);
}

static int64_t restore_unsettled(struct restoring *r)
{
    static const char *const names[] = {"number", "mono", "mono_bound", "utc", "trust"};
    /* clang-format off */
    static const char sql[] = "SELECT n.number, n.mono_ns, n.mono_bound_ns, n.utc_ns, n.clock FROM marker_now n "
                              "JOIN journal j ON j.seq = n.seq JOIN run r ON r.id = j.run "
                              "WHERE n.dive = ? AND n.clock IN ('none', 'unsynced') AND r.host_boot_id = ? ORDER BY n.number";
    /* clang-format on */
    struct reader_query query;
    if (r->dive[0] == '\0')
        return 0;
    reader_begin(&query, r->reader, sql);
    sql_bind_text(&query.bind, r->dive);
    sql_bind_text(&query.bind, r->host_boot_id);
    return PUT_ROWS(r, &query, "restore.unsettled", names);
}

static int64_t restore_telemetry(struct restoring *r)
{
    return restore_samples(r->reader, r->host_boot_id, r->sink, r->ctx);
}

static int64_t restore_end(struct restoring *r)
{
    record(r, "restore.end");
    emit(r);
    return 1;
}

enum store_result store_restore(struct store *store, store_restore_sink *sink, void *ctx,
                                struct store_error *error)
{
    static restore_part *const parts[] = {
        restore_seq,    restore_dive,  restore_outside,   restore_seats,     restore_watch, restore_presses,
        restore_clocks, restore_facts, restore_unsettled, restore_telemetry, restore_end};
    /* a boot of the machine without a name is like no other */
    const char *boot = store->host_boot_id[0] != '\0' ? store->host_boot_id : "?";
    struct restoring r = {.host_boot_id = boot, .sink = sink, .ctx = ctx};
    /* The writer's connection: nothing was handed in yet, so its thread has not touched it. */
    assert(store->submitted_seq == store->first_seq && store->samples_in + store->observations_in == 0);
    enum store_result result = reader_borrow(&r.reader, store->db, store->path, error);
    for (size_t i = 0; i < sizeof parts / sizeof *parts && result == STORE_OK; i++)
        if (parts[i](&r) < 0)
            result = store_error_set(error, STORE_TROUBLE, "%s", store_reader_error(r.reader));
    store_reader_close(r.reader);
    return result;
}

enum store_result store_restore_dive(struct store_reader *reader, const char *dive, store_restore_sink *sink,
                                     void *ctx, struct store_error *error)
{
    static restore_part *const parts[] = {restore_dive, restore_watch, restore_facts, restore_end};
    struct restoring r = {.reader = reader, .host_boot_id = "?", .sink = sink, .ctx = ctx};
    snprintf(r.dive, sizeof r.dive, "%s", dive);
    for (size_t i = 0; i < sizeof parts / sizeof *parts; i++) {
        int64_t rows = parts[i](&r);
        if (rows < 0)
            return store_error_set(error, STORE_TROUBLE, "%s", store_reader_error(reader));
        if (i == 0 && rows == 0)
            return store_error_set(error, STORE_NO_SUCH,
                                   "there is no dive %s; `bellrope dive list` shows the dives", dive);
    }
    return STORE_OK;
}
