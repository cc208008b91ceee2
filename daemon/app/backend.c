#include "app/backend.h"

#include "export/rowjson.h"
#include "store/query.h"

#include <stdio.h>
#include <stdlib.h>
#include <string.h>

struct backend {
    char *path;
    struct store_reader *reader[SOCKET_LANES]; /* one a lane: jobs of a lane never overlap */
};

struct backend *backend_new(const char *path)
{
    struct backend *backend = calloc(1, sizeof *backend);
    if (backend == NULL)
        return NULL;
    backend->path = strdup(path);
    if (backend->path == NULL) {
        free(backend);
        return NULL;
    }
    return backend;
}

void backend_free(struct backend *backend)
{
    if (backend == NULL)
        return;
    for (int i = 0; i < SOCKET_LANES; i++)
        store_reader_close(backend->reader[i]);
    free(backend->path);
    free(backend);
}

static struct store_reader *reader_of(struct backend *backend, enum socket_lane lane,
                                      char why[SOCKET_WHY_SIZE])
{
    struct store_error error;
    if (backend->reader[lane] == NULL &&
        store_reader_open(&backend->reader[lane], backend->path, &error) != STORE_OK) {
        snprintf(why, SOCKET_WHY_SIZE, "%.*s", SOCKET_WHY_SIZE - 1, error.text);
        backend->reader[lane] = NULL;
    }
    return backend->reader[lane];
}

bool backend_journal(struct backend *backend, int64_t after, int64_t upto, socket_row_fn *row, void *row_ctx,
                     char why[SOCKET_WHY_SIZE])
{
    struct store_reader *reader = reader_of(backend, SOCKET_LANE_JOURNAL, why);
    if (reader == NULL)
        return false;
    if (query_journal_texts(reader, after, upto, row, row_ctx) >= 0)
        return true;
    snprintf(why, SOCKET_WHY_SIZE, "%s", store_reader_error(reader));
    return false;
}

static char *dive_known(struct store_reader *reader, const char *dive, char why[SOCKET_WHY_SIZE])
{
    int known = rowjson_dive_known(reader, dive);
    if (known >= 0)
        return strdup(known ? "true" : "false");
    snprintf(why, SOCKET_WHY_SIZE, "%s", store_reader_error(reader));
    return NULL;
}

char *backend_query(struct backend *backend, const struct socket_query *query, char why[SOCKET_WHY_SIZE])
{
    static const enum rowjson_kind kinds[] = {[SOCKET_QUERY_MARKERS] = ROWJSON_MARKERS,
                                              [SOCKET_QUERY_SIGHTINGS] = ROWJSON_SIGHTINGS,
                                              [SOCKET_QUERY_SAMPLES] = ROWJSON_SAMPLES,
                                              [SOCKET_QUERY_DIVES] = ROWJSON_DIVES};
    struct store_reader *reader = reader_of(backend, SOCKET_LANE_QUERY, why);
    if (reader == NULL)
        return NULL;
    if (query->kind == SOCKET_QUERY_DIVE_KNOWN)
        return dive_known(reader, query->dive, why);
    struct rowjson_query want = {.kind = kinds[query->kind],
                                 .dive = query->dive_given ? query->dive : NULL,
                                 .after = query->after,
                                 .limit = query->limit,
                                 .newest = query->newest};
    return rowjson_answer(reader, &want, why, SOCKET_WHY_SIZE);
}
