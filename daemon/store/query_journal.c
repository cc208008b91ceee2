#include "store/reader.h"

#include <string.h>

static bool is_wanted(const struct query_journal *want, struct reader_query *query, enum entry_type type)
{
    if (type == ENTRY_TYPES || (want->types != 0 && (want->types & QUERY_TYPE(type)) == 0))
        return false;
    if (want->dive == NULL)
        return true;
    const unsigned char *dive = sqlite3_column_text(query->bind.stmt, 2);
    return dive != NULL && strcmp((const char *)dive, want->dive) == 0;
}

static enum entry_type type_of(struct reader_query *query)
{
    const unsigned char *name = sqlite3_column_text(query->bind.stmt, 1);
    return name != NULL ? entry_type_find((const char *)name) : ENTRY_TYPES;
}

static bool hand_over(struct reader_query *query, enum entry_type type, query_event_row *row, void *ctx)
{
    sqlite3_stmt *stmt = query->bind.stmt;
    struct query_event event = {.seq = sqlite3_column_int64(stmt, 0), .type = type};
    event.event = (const char *)sqlite3_column_text(stmt, 3);
    event.len = (size_t)sqlite3_column_bytes(stmt, 3);
    query->take.at = 4;
    event.at = reader_take_at(&query->take);
    return event.event == NULL || row(ctx, &event); /* NULL: no memory for it; the next step says so */
}

int64_t query_journal(struct store_reader *reader, const struct query_journal *want, query_event_row *row,
                      void *ctx)
{
    static const char all[] =
        "SELECT seq, type, dive, event, at_mono_ns, at_utc_ns, at_utc_bound_ns, at_clock FROM journal "
        "WHERE seq > ? ORDER BY seq";
    static const char of_ref[] =
        "SELECT seq, type, dive, event, at_mono_ns, at_utc_ns, at_utc_bound_ns, at_clock FROM journal "
        "WHERE seq > ? AND ref = ? ORDER BY seq";
    struct reader_query query;
    reader_begin(&query, reader, want->ref != NULL ? of_ref : all);
    sql_bind_int(&query.bind, want->since);
    if (want->ref != NULL)
        sql_bind_text(&query.bind, want->ref);
    int64_t handed = 0;
    bool more = true;
    while (more && reader_row(&query)) {
        enum entry_type type = type_of(&query);
        if (!is_wanted(want, &query, type))
            continue;
        handed++;
        more = hand_over(&query, type, row, ctx) && handed != want->limit;
    }
    int64_t rows = reader_end(&query);
    return rows < 0 ? rows : handed;
}

int64_t query_journal_texts(struct store_reader *reader, int64_t after, int64_t upto, query_text_row *row,
                            void *ctx)
{
    struct reader_query query;
    reader_begin(&query, reader,
                 "SELECT seq, type, event FROM journal WHERE seq > ? AND seq <= ? ORDER BY seq");
    sql_bind_int(&query.bind, after);
    sql_bind_int(&query.bind, upto);
    sqlite3_stmt *stmt = query.bind.stmt;
    bool more = true;
    while (more && reader_row(&query)) {
        enum entry_type type = type_of(&query);
        const char *event = (const char *)sqlite3_column_text(stmt, 2);
        if (type != ENTRY_TYPES && event != NULL) /* NULL: no memory for it; the next step says so */
            more =
                row(ctx, sqlite3_column_int64(stmt, 0), type, event, (size_t)sqlite3_column_bytes(stmt, 2));
    }
    return reader_end(&query);
}

int64_t query_last_seq(struct store_reader *reader)
{
    struct reader_query query;
    int64_t seq = 0;
    reader_begin(&query, reader, "SELECT max(seq) FROM journal");
    if (reader_row(&query))
        seq = sql_take_int(&query.take);
    int64_t rows = reader_end(&query);
    return rows < 0 ? rows : seq;
}
