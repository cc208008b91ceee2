#include "io/fetch.h"

#include <stdio.h>
#include <stdlib.h>

/* A filter that fits few events must not hold the lane for the whole journal. */
#define ROWS_MOST 20000
/* A piece ends with the line that fills it; a longer line than this is rare. */
#define LINE_ROOM 4096

struct fetch_job {
    struct lane_job job; /* first */
    const struct socket_backend *backend;
    struct fetch fetch;
    unsigned rows;
    bool stopped;
    void (*done)(void *ctx, struct fetch *fetch);
    void *ctx;
};

static bool on_row(void *ctx, int64_t seq, enum entry_type type, const char *json, size_t len)
{
    struct fetch_job *job = ctx;
    struct piece *piece = &job->fetch.piece;
    if ((job->fetch.types >> type & 1) != 0)
        piece_add(piece, seq, json, len);
    piece->next = seq + 1;
    job->rows++;
    job->stopped = piece->bytes.failed || piece->bytes.len >= job->fetch.bytes || job->rows >= ROWS_MOST ||
                   atomic_load(&job->job.lane->stopping);
    return !job->stopped;
}

static void run(struct lane_job *base)
{
    struct fetch_job *job = (struct fetch_job *)(void *)base;
    struct fetch *fetch = &job->fetch;
    fetch->piece.next = fetch->after + 1;
    bytes_reserve(&fetch->piece.bytes, fetch->bytes + LINE_ROOM);
    fetch->failed =
        !job->backend->journal(job->backend->ctx, fetch->after, fetch->upto, on_row, job, fetch->why);
    if (fetch->piece.bytes.failed) {
        fetch->failed = true;
        snprintf(fetch->why, sizeof fetch->why, "out of memory");
    }
    if (!job->stopped)
        fetch->piece.next = fetch->upto + 1;
}

static void done(struct lane_job *base, bool has_run)
{
    struct fetch_job *job = (struct fetch_job *)(void *)base;
    if (!has_run) {
        job->fetch.failed = true;
        snprintf(job->fetch.why, sizeof job->fetch.why, "the daemon is ending");
    }
    job->done(job->ctx, &job->fetch);
    piece_free(&job->fetch.piece);
    free(job);
}

bool fetch_start(struct lane *lane, const struct socket_backend *backend, const struct fetch *want,
                 void (*on_done)(void *ctx, struct fetch *fetch), void *ctx)
{
    struct fetch_job *job = calloc(1, sizeof *job);
    if (job == NULL)
        return false;
    job->job = (struct lane_job){.run = run, .done = done};
    job->backend = backend;
    job->fetch = *want;
    job->done = on_done;
    job->ctx = ctx;
    lane_submit(lane, &job->job);
    return true;
}
