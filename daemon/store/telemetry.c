#include "store/telemetry.h"

#include "core/sampleblock.h"
#include "store/database.h"
#include "store/sql.h"

#include <stdlib.h>
#include <string.h>

/* One transaction writes at most so many closed blocks, so that a press never waits long behind telemetry. */
enum { CLOSED_MAX = 64, FIRST_ROOM = 32 };

/* What a row says beside the samples. */
struct block_head {
    int64_t row;
    uint32_t series;
    bool has_utc;
    int64_t first_ns, last_ns;
    int64_t first_utc_ns, last_utc_ns;
    double low, high;
};

struct block {
    struct block_head head;
    struct sampleblock_sample *sample;
    size_t count, room;
    int64_t step_ns; /* UTC less monotonic at the last sample */
    bool changed, written;
};

/* A full block, encoded. */
struct closed {
    struct block_head head;
    size_t count, len;
    uint8_t *bytes;
};

enum statement { PUT_BLOCK, ADD_SERIES, FIND_SERIES, ADD_OBSERVATION, STATEMENTS };

/* clang-format off */
static const char *const sql[STATEMENTS] = {
    [PUT_BLOCK] = "INSERT INTO telemetry (id, series, run, samples, first_mono_ns, last_mono_ns, first_utc_ns, last_utc_ns, low, high, "
                  "block) VALUES (?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?) ON CONFLICT (id) DO UPDATE SET samples = excluded.samples, "
                  "last_mono_ns = excluded.last_mono_ns, last_utc_ns = excluded.last_utc_ns, low = excluded.low, "
                  "high = excluded.high, block = excluded.block",
    [ADD_SERIES] = "INSERT OR IGNORE INTO series (channel, feed) VALUES (?, ?)",
    [FIND_SERIES] = "SELECT id FROM series WHERE channel = ? AND feed = ?",
    [ADD_OBSERVATION] = "INSERT INTO clock_observation (run, clock, a, lo, hi) VALUES (?, ?, ?, ?, ?)",
};
/* clang-format on */

struct telemetry {
    sqlite3_stmt *stmt[STATEMENTS];
    int64_t run, next_row;
    const struct series_table *names;
    struct block block[SERIES_MAX];
    int64_t series_id[SERIES_MAX]; /* 0: not looked up yet */
    uint32_t series_seen;          /* numbers below this have had a sample */
    struct closed closed[CLOSED_MAX];
    size_t closed_count;
    uint8_t bytes[SAMPLEBLOCK_ROOM(TELEMETRY_BLOCK)];
};

struct telemetry *telemetry_open(sqlite3 *db, int64_t run, const struct series_table *names)
{
    struct telemetry *t = calloc(1, sizeof *t);
    if (t == NULL)
        return NULL;
    t->run = run;
    t->names = names;
    int rc = database_int(db, "SELECT max(id) FROM telemetry", &t->next_row);
    t->next_row++;
    for (int i = 0; i < STATEMENTS && rc == SQLITE_OK; i++)
        rc = sqlite3_prepare_v3(db, sql[i], -1, SQLITE_PREPARE_PERSISTENT, &t->stmt[i], NULL);
    if (rc != SQLITE_OK) {
        telemetry_close(t);
        return NULL;
    }
    return t;
}

void telemetry_close(struct telemetry *t)
{
    if (t == NULL)
        return;
    for (int i = 0; i < STATEMENTS; i++)
        sqlite3_finalize(t->stmt[i]);
    for (size_t i = 0; i < SERIES_MAX; i++)
        free(t->block[i].sample);
    for (size_t i = 0; i < t->closed_count; i++)
        free(t->closed[i].bytes);
    free(t);
}

/* ---- filling ---- */

static bool close_block(struct telemetry *t, struct block *block)
{
    size_t len = 0;
    /* values are finite and the room suffices, so this cannot fail */
    if (sampleblock_encode(block->sample, block->count, t->bytes, sizeof t->bytes, &len) != SAMPLEBLOCK_OK)
        return false;
    struct closed *closed = &t->closed[t->closed_count];
    closed->bytes = malloc(len);
    if (closed->bytes == NULL)
        return false;
    memcpy(closed->bytes, t->bytes, len);
    closed->head = block->head;
    closed->count = block->count;
    closed->len = len;
    t->closed_count++;
    block->count = 0;
    block->changed = false;
    return true;
}

static bool fits(const struct block *block, const struct queued_sample *sample)
{
    if (block->count == 0)
        return true;
    int64_t step_ns = sample->utc.ns - sample->at.ns;
    bool stepped = sample->has_utc && llabs(step_ns - block->step_ns) > TELEMETRY_STEP_NS;
    return block->count < TELEMETRY_BLOCK && sample->has_utc == block->head.has_utc && !stepped &&
           sample->at.ns >= block->head.first_ns && sample->at.ns - block->head.first_ns <= TELEMETRY_SPAN_NS;
}

static bool grow(struct block *block)
{
    if (block->count < block->room)
        return true;
    size_t room = block->room == 0 ? FIRST_ROOM : block->room * 2;
    struct sampleblock_sample *sample = realloc(block->sample, room * sizeof *sample);
    if (sample == NULL)
        return false;
    block->sample = sample;
    block->room = room;
    return true;
}

static void open_block(struct telemetry *t, struct block *block, const struct queued_sample *sample)
{
    block->head = (struct block_head){
        .row = t->next_row++,
        .series = sample->series,
        .has_utc = sample->has_utc,
        .first_ns = sample->at.ns,
        .last_ns = sample->at.ns,
        .first_utc_ns = sample->utc.ns,
        .last_utc_ns = sample->utc.ns,
        .low = sample->value,
        .high = sample->value,
    };
}

static void add(struct telemetry *t, struct block *block, const struct queued_sample *sample)
{
    if (block->count == 0)
        open_block(t, block, sample);
    struct block_head *head = &block->head;
    if (sample->at.ns >= head->last_ns) {
        head->last_ns = sample->at.ns;
        head->last_utc_ns = sample->utc.ns;
    }
    if (sample->value < head->low)
        head->low = sample->value;
    if (sample->value > head->high)
        head->high = sample->value;
    block->step_ns = sample->utc.ns - sample->at.ns;
    block->sample[block->count++] = (struct sampleblock_sample){sample->at, sample->value};
    block->changed = true;
}

bool telemetry_take(struct telemetry *t, struct sample_queue *queue)
{
    while (queue->at < queue->count) {
        const struct queued_sample *sample = &queue->of[queue->at];
        struct block *block = &t->block[sample->series];
        if (!fits(block, sample)) {
            if (t->closed_count == CLOSED_MAX)
                return true;
            if (!close_block(t, block))
                return false;
        }
        if (!grow(block))
            return false;
        if (sample->series >= t->series_seen)
            t->series_seen = sample->series + 1;
        add(t, block, sample);
        queue->at++;
    }
    return true;
}

bool telemetry_has(const struct telemetry *t, bool open)
{
    if (t->closed_count > 0)
        return true;
    for (uint32_t i = 0; open && i < SERIES_MAX; i++)
        if (t->block[i].changed)
            return true;
    return false;
}

/* ---- writing ---- */

static int find_series(struct telemetry *t, uint32_t series)
{
    const struct series_name *name = &t->names->name[series];
    struct sql_bind bind = sql_bind_begin(t->stmt[ADD_SERIES]);
    sql_bind_text(&bind, name->channel);
    sql_bind_text(&bind, name->feed);
    int rc = sql_run(&bind);
    if (rc != SQLITE_OK)
        return rc;
    bind = sql_bind_begin(t->stmt[FIND_SERIES]);
    sql_bind_text(&bind, name->channel);
    sql_bind_text(&bind, name->feed);
    rc = bind.rc == SQLITE_OK ? sqlite3_step(bind.stmt) : bind.rc;
    if (rc == SQLITE_ROW)
        t->series_id[series] = sqlite3_column_int64(bind.stmt, 0);
    int reset = sqlite3_reset(bind.stmt);
    return rc == SQLITE_ROW ? reset : rc == SQLITE_DONE ? SQLITE_INTERNAL : rc;
}

static int put_block(struct telemetry *t, const struct block_head *head, size_t count, const uint8_t *bytes,
                     size_t len)
{
    struct sql_bind bind = sql_bind_begin(t->stmt[PUT_BLOCK]);
    sql_bind_int(&bind, head->row);
    sql_bind_int(&bind, t->series_id[head->series]);
    sql_bind_int(&bind, t->run);
    sql_bind_int(&bind, (int64_t)count);
    sql_bind_int(&bind, head->first_ns);
    sql_bind_int(&bind, head->last_ns);
    sql_bind_int_if(&bind, head->has_utc, head->first_utc_ns);
    sql_bind_int_if(&bind, head->has_utc, head->last_utc_ns);
    sql_bind_real(&bind, head->low);
    sql_bind_real(&bind, head->high);
    sql_bind_blob(&bind, bytes, len);
    return sql_run(&bind);
}

static int put_open_block(struct telemetry *t, struct block *block)
{
    size_t len = 0;
    if (sampleblock_encode(block->sample, block->count, t->bytes, sizeof t->bytes, &len) != SAMPLEBLOCK_OK)
        return SQLITE_INTERNAL;
    block->written = true;
    return put_block(t, &block->head, block->count, t->bytes, len);
}

static int add_observation(struct telemetry *t, const struct queued_observation *observation)
{
    struct sql_bind bind = sql_bind_begin(t->stmt[ADD_OBSERVATION]);
    sql_bind_int(&bind, t->run);
    sql_bind_text(&bind, observation->clock);
    sql_bind_int(&bind, observation->a);
    sql_bind_int(&bind, observation->lo);
    sql_bind_int(&bind, observation->hi);
    return sql_run(&bind);
}

int telemetry_write(struct telemetry *t, bool open, const struct observation_queue *observations)
{
    int rc = SQLITE_OK;
    /* in order of their numbers, so that ids follow the order in which series first spoke */
    for (uint32_t i = 0; i < t->series_seen && rc == SQLITE_OK; i++)
        if (t->series_id[i] == 0)
            rc = find_series(t, i);
    for (size_t i = 0; i < t->closed_count && rc == SQLITE_OK; i++)
        rc = put_block(t, &t->closed[i].head, t->closed[i].count, t->closed[i].bytes, t->closed[i].len);
    for (uint32_t i = 0; open && i < SERIES_MAX && rc == SQLITE_OK; i++)
        if (t->block[i].changed)
            rc = put_open_block(t, &t->block[i]);
    for (size_t i = observations->at; i < observations->count && rc == SQLITE_OK; i++)
        rc = add_observation(t, &observations->of[i]);
    return rc;
}

void telemetry_written(struct telemetry *t, bool committed)
{
    for (uint32_t i = 0; i < SERIES_MAX; i++) {
        if (committed && t->block[i].written)
            t->block[i].changed = false;
        t->block[i].written = false;
    }
    if (!committed) {
        memset(t->series_id, 0, sizeof t->series_id); /* their rows may have gone with the transaction */
        return;
    }
    for (size_t i = 0; i < t->closed_count; i++)
        free(t->closed[i].bytes);
    t->closed_count = 0;
}
