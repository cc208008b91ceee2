#include "store/restore_samples.h"

#include "core/fields.h"
#include "core/sampleblock.h"
#include "store/database.h"
#include "store/series.h"

#include <stdlib.h>

enum { BLOCKS_OF_A_SERIES = 2 }; /* 1,024 samples: 20 s at 50 Hz */
static const int64_t BACK_NS = INT64_C(20) * NS_PER_S;

struct recalled {
    int64_t at_ns;
    double value;
    uint32_t series; /* in order of their feeds, so that what came in one line stays together */
    bool last;       /* of its series */
};

struct recall {
    struct series_name name[SERIES_MAX];
    int64_t id[SERIES_MAX];
    uint32_t series;
    struct recalled *sample;
    size_t count, room;
    int64_t newest_ns;
    bool no_memory;
};

static bool keep(struct recall *recall, const struct recalled *sample)
{
    if (recall->count == recall->room) {
        size_t room = recall->room == 0 ? 4096 : recall->room * 2;
        struct recalled *more = realloc(recall->sample, room * sizeof *more);
        recall->no_memory = more == NULL;
        if (more == NULL)
            return false;
        recall->sample = more;
        recall->room = room;
    }
    recall->sample[recall->count++] = *sample;
    return true;
}

static int64_t find_series(struct recall *recall, struct store_reader *reader)
{
    struct reader_query query;
    reader_begin(&query, reader, "SELECT id, channel, feed FROM series ORDER BY feed, id");
    while (recall->series < SERIES_MAX && reader_row(&query)) {
        struct series_name *name = &recall->name[recall->series];
        recall->id[recall->series++] = sql_take_int(&query.take);
        sql_take_text(&query.take, name->channel, sizeof name->channel);
        sql_take_text(&query.take, name->feed, sizeof name->feed);
    }
    return reader_end(&query);
}

static void take_block(struct recall *recall, struct sql_take *take, uint32_t series)
{
    const void *blob = sqlite3_column_blob(take->stmt, take->at);
    int len = sqlite3_column_bytes(take->stmt, take->at);
    struct sampleblock_reader block;
    struct sampleblock_sample sample;
    if (blob == NULL || sampleblock_open(&block, blob, (size_t)len) != SAMPLEBLOCK_OK)
        return;
    while (sampleblock_next(&block, &sample)) {
        struct recalled recalled = {.at_ns = sample.at.ns, .value = sample.value, .series = series};
        if (!keep(recall, &recalled))
            return;
    }
}

/* The latest blocks, and of these the ones of this boot: times of another mean nothing now. */
static int64_t take_series(struct recall *recall, struct store_reader *reader, const char *host_boot_id,
                           uint32_t series)
{
    static const char sql[] =
        "SELECT t.block FROM (SELECT run, block FROM telemetry WHERE series = ? ORDER BY first_utc_ns DESC "
        "LIMIT ?) t JOIN run r ON r.id = t.run WHERE r.host_boot_id = ?";
    struct reader_query query;
    size_t first = recall->count;
    reader_begin(&query, reader, sql);
    sql_bind_int(&query.bind, recall->id[series]);
    sql_bind_int(&query.bind, BLOCKS_OF_A_SERIES);
    sql_bind_text(&query.bind, host_boot_id);
    while (!recall->no_memory && reader_row(&query))
        take_block(recall, &query.take, series);
    struct recalled *last = NULL;
    for (size_t i = first; i < recall->count; i++)
        if (last == NULL || recall->sample[i].at_ns > last->at_ns)
            last = &recall->sample[i];
    if (last != NULL) {
        last->last = true;
        if (last->at_ns > recall->newest_ns)
            recall->newest_ns = last->at_ns;
    }
    return reader_end(&query);
}

static int by_time(const void *left, const void *right)
{
    const struct recalled *a = left, *b = right;
    if (a->at_ns != b->at_ns)
        return a->at_ns < b->at_ns ? -1 : 1;
    return a->series < b->series ? -1 : a->series > b->series;
}

static void emit(const struct recall *recall, const struct recalled *sample, store_restore_sink *sink,
                 void *ctx)
{
    char bytes[256];
    struct fields_writer record;
    fields_begin(&record, bytes, sizeof bytes, "restore.sample");
    fields_put(&record, "feed", recall->name[sample->series].feed);
    fields_put(&record, "channel", recall->name[sample->series].channel);
    fields_put_int(&record, "at", sample->at_ns);
    fields_put_real(&record, "value", sample->value);
    sink(ctx, record.bytes, record.len);
}

static int64_t emit_all(struct recall *recall, store_restore_sink *sink, void *ctx)
{
    int64_t emitted = 0;
    if (recall->count > 0)
        qsort(recall->sample, recall->count, sizeof *recall->sample, by_time);
    for (size_t i = 0; i < recall->count; i++) {
        const struct recalled *sample = &recall->sample[i];
        if (!sample->last && sample->at_ns < recall->newest_ns - BACK_NS)
            continue;
        emit(recall, sample, sink, ctx);
        emitted++;
    }
    return emitted;
}

int64_t restore_samples(struct store_reader *reader, const char *host_boot_id, store_restore_sink *sink,
                        void *ctx)
{
    struct recall *recall = calloc(1, sizeof *recall);
    int64_t result = recall != NULL ? find_series(recall, reader) : 0;
    for (uint32_t i = 0; recall != NULL && i < recall->series && result >= 0; i++)
        result = take_series(recall, reader, host_boot_id, i);
    if (recall == NULL || recall->no_memory)
        result = store_error_set(&reader->error, STORE_TROUBLE, "out of memory");
    else if (result >= 0)
        result = emit_all(recall, sink, ctx);
    if (recall != NULL)
        free(recall->sample);
    free(recall);
    return result;
}
