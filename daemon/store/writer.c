/*
 * What the writer does, first to last: entries that wait; telemetry that is due (a second after the first sample of a batch, or when half the
 * room is taken, or when somebody flushes); moving the log into the database when it is long and nobody waits; sleeping.
 *
 * A try that fails is rolled back and made again after a pause that doubles; store_flush and store_close have it made at once. SQLite's log
 * makes a retry safe: a transaction whose COMMIT failed is not in the log's index, and the next one is written over it.
 */
#include "store/store_state.h"

#include "bellrope/version.h"
#include "store/database.h"
#include "store/sql.h"

#include <errno.h>
#include <inttypes.h>
#include <signal.h>
#include <stdio.h>
#include <stdlib.h>
#include <time.h>

enum {
    LOG_PAGES = 1000,        /* of the write-ahead log, before it is moved into the database */
    LOG_PAGES_AGAIN = 50,    /* more, before it is tried again after a failure */
    LOG_PAGES_URGENT = 4000, /* the same although entries wait */
    BACK_OFF_MAX = 64
};

int64_t writer_clock_ns(void)
{
    struct timespec now;
    clock_gettime(CLOCK_MONOTONIC, &now);
    return now.tv_sec * NS_PER_S + now.tv_nsec;
}

/* ---- state, and telling it ---- */

static void tell_notice(struct store *store, enum store_notice notice, const char *text)
{
    if (store->options.on_notice != NULL)
        store->options.on_notice(store->options.ctx, notice, text);
}

static void set_state(struct store *store, enum store_state state, const char *why)
{
    pthread_mutex_lock(&store->lock);
    bool changed = store->counts.state != state;
    store->counts.state = state;
    pthread_mutex_unlock(&store->lock);
    if (changed && store->options.on_trouble != NULL)
        store->options.on_trouble(store->options.ctx, state, why);
}

static void tell_shed(struct store *store)
{
    pthread_mutex_lock(&store->lock);
    uint64_t samples = store->counts.samples_shed, observations = store->counts.observations_shed;
    pthread_mutex_unlock(&store->lock);
    if (samples + observations == store->shed_told)
        return;
    char text[200];
    snprintf(text, sizeof text,
             "telemetry is shed so that markers are kept: %" PRIu64 " samples and %" PRIu64
             " clock observations since the start; the disk does not keep up",
             samples, observations);
    store->shed_told = samples + observations;
    tell_notice(store, STORE_NOTICE_SHED, text);
}

static void failed(struct store *store, enum store_state state, const char *why)
{
    store->pause_ns = store->pause_ns == 0 ? store->options.retry_ns : store->pause_ns * 2;
    if (store->pause_ns > store->options.retry_ns * BACK_OFF_MAX)
        store->pause_ns = store->options.retry_ns * BACK_OFF_MAX;
    set_state(store, state, why);
    pthread_mutex_lock(&store->lock);
    store->counts.failed_tries++;
    store->retry_ns = writer_clock_ns() + store->pause_ns;
    pthread_cond_broadcast(&store->done);
    pthread_mutex_unlock(&store->lock);
}

/* ---- transactions ---- */

static int run_plain(sqlite3_stmt *stmt)
{
    struct sql_bind bind = sql_bind_begin(stmt);
    return sql_run(&bind);
}

/* The run's row goes with the first thing that the run writes. */
static int write_run(struct store *store)
{
    sqlite3_stmt *stmt = NULL;
    int rc = sqlite3_prepare_v2(
        store->db, "INSERT INTO run (id, started_utc_ns, host_boot_id, program) VALUES (?, ?, ?, ?)", -1,
        &stmt, NULL);
    if (rc != SQLITE_OK)
        return rc;
    struct sql_bind bind = sql_bind_begin(stmt);
    sql_bind_int(&bind, store->run);
    sql_bind_int_if(&bind, store->options.now.ns != 0, store->options.now.ns);
    sql_bind_text(&bind, store->host_boot_id);
    sql_bind_text(&bind, BELLROPE_VERSION);
    rc = sql_run(&bind);
    int final = sqlite3_finalize(stmt);
    return rc != SQLITE_OK ? rc : final;
}

static enum store_state state_of(sqlite3 *db, int rc)
{
    int system_error = sqlite3_system_errno(db);
    bool full = (rc & 0xff) == SQLITE_FULL ||
                ((rc & 0xff) == SQLITE_IOERR && (system_error == ENOSPC || system_error == EDQUOT));
    return full ? STORE_STATE_FULL : STORE_STATE_FAILING;
}

/* A file that was moved or removed under the writer would take commits that nobody finds again. One stat(2) a transaction. */
static int check_place(struct store *store)
{
    int moved = 0;
    int rc = sqlite3_file_control(store->db, "main", SQLITE_FCNTL_HAS_MOVED, &moved);
    return rc == SQLITE_OK && moved ? SQLITE_READONLY_DBMOVED : SQLITE_OK;
}

static void explain(struct store *store, int rc, struct store_error *error)
{
    if (rc == SQLITE_READONLY_DBMOVED)
        store_error_set(
            error, STORE_TROUBLE,
            "%s was moved or removed while it was in use; put it back under that name, with its -wal",
            store->path);
    else
        database_fail(error, store->db, store->path, "write to the database");
}

static void roll_back(struct store *store, int rc)
{
    struct store_error error; /* asked for before the rollback replaces it */
    enum store_state state = state_of(store->db, rc);
    explain(store, rc, &error);
    /* Where even this fails the transaction stays open, the next BEGIN fails, and this is tried again. */
    if (!sqlite3_get_autocommit(store->db) && run_plain(store->rollback) != SQLITE_OK)
        state = STORE_STATE_FAILING;
    failed(store, state, error.text);
}

/* Begin, body, commit. True: it is on disk. False: nothing of it is, and the pause before the next try has begun. */
static bool transact(struct store *store, int (*body)(struct store *store))
{
    int rc = check_place(store);
    if (rc == SQLITE_OK)
        rc = run_plain(store->begin);
    if (rc == SQLITE_OK && !store->run_written)
        rc = write_run(store);
    if (rc == SQLITE_OK)
        rc = body(store);
    if (rc == SQLITE_OK)
        rc = run_plain(store->commit);
    if (rc != SQLITE_OK) {
        roll_back(store, rc);
        return false;
    }
    store->run_written = true;
    store->pause_ns = 0;
    set_state(store, STORE_STATE_OK, "the database can be written again");
    return true;
}

/* ---- entries ---- */

static int write_group(struct store *store)
{
    struct queued_entry queued;
    int rc = SQLITE_OK;
    store->group_end = store->back.at;
    store->group_count = 0;
    store->refusals = 0;
    while (rc == SQLITE_OK && store->group_count < GROUP_MAX &&
           entry_queue_next(&store->back, &store->group_end, &queued)) {
        char refusal[256];
        rc = rows_write(store->rows, &queued, refusal, sizeof refusal);
        if (refusal[0] != '\0' && store->refusals++ < REFUSALS_TOLD)
            snprintf(store->refusal[store->refusals - 1], sizeof refusal, "%s", refusal);
        store->group_seq = queued.entry->seq;
        store->group_count++;
    }
    return rc;
}

static void swap_entries(struct store *store)
{
    if (store->back.at < store->back.len)
        return; /* the rest of what an earlier group left */
    entry_queue_clear(&store->back);
    pthread_mutex_lock(&store->lock);
    struct entry_queue empty = store->back;
    store->back = store->entries;
    store->entries = empty;
    store->entries_back = store->back.count;
    store->entry_bytes_back = store->back.len;
    pthread_cond_broadcast(&store->done); /* there is room */
    pthread_mutex_unlock(&store->lock);
}

static bool commit_entries(struct store *store)
{
    swap_entries(store);
    if (!transact(store, write_group))
        return false;
    store->back.at = store->group_end;
    if (store->options.on_committed != NULL)
        store->options.on_committed(store->options.ctx, store->group_seq);
    for (size_t i = 0; i < store->refusals && i < REFUSALS_TOLD; i++)
        tell_notice(store, STORE_NOTICE_REFUSED, store->refusal[i]);
    pthread_mutex_lock(&store->lock);
    store->counts.entries += store->group_count;
    store->counts.groups++;
    store->counts.refused += store->refusals;
    store->counts.committed_seq = store->group_seq;
    store->entries_back -= store->group_count;
    store->entry_bytes_back = store->back.len - store->back.at;
    pthread_cond_broadcast(&store->done);
    pthread_mutex_unlock(&store->lock);
    return true;
}

/* ---- telemetry and observations ---- */

static int write_telemetry(struct store *store)
{
    return telemetry_write(store->telemetry, store->write_open, &store->back_observations);
}

static void swap_telemetry(struct store *store)
{
    pthread_mutex_lock(&store->lock);
    if (store->back_samples.at == store->back_samples.count) {
        struct sample_queue empty = store->back_samples;
        empty.at = empty.count = 0;
        store->back_samples = store->samples;
        store->samples = empty;
    }
    if (store->back_observations.at == store->back_observations.count) {
        struct observation_queue empty = store->back_observations;
        empty.at = empty.count = 0;
        store->back_observations = store->observations;
        store->observations = empty;
    }
    store->write_open = store->flushers > 0 || store->closing || writer_clock_ns() >= store->telemetry_due_ns;
    store->observations_back = store->back_observations.count;
    pthread_mutex_unlock(&store->lock);
}

static bool commit_telemetry(struct store *store)
{
    swap_telemetry(store);
    size_t before = store->back_samples.at;
    if (!telemetry_take(store->telemetry, &store->back_samples)) {
        failed(store, STORE_STATE_FAILING, "out of memory for telemetry; close other programs");
        return false;
    }
    store->samples_taken += store->back_samples.at - before;
    bool all = store->back_samples.at == store->back_samples.count;
    bool any = telemetry_has(store->telemetry, store->write_open) || store->back_observations.count > 0;
    if (any) {
        bool committed = transact(store, write_telemetry);
        telemetry_written(store->telemetry, committed);
        if (!committed)
            return false;
    }
    store->back_observations.at = store->back_observations.count;
    pthread_mutex_lock(&store->lock);
    store->samples_back = store->back_samples.count - store->back_samples.at;
    store->observations_out += store->observations_back;
    store->observations_back = 0;
    store->counts.observations = store->observations_out;
    if (store->write_open) {
        store->samples_out = store->samples_taken;
        store->counts.samples = store->samples_out;
        if (all)
            store->telemetry_due_ns = writer_clock_ns() + TELEMETRY_NS;
    }
    pthread_cond_broadcast(&store->done);
    pthread_mutex_unlock(&store->lock);
    return true;
}

/* ---- the log ---- */

static int count_log(void *ctx, sqlite3 *db, const char *schema, int pages)
{
    struct store *store = ctx;
    (void)db;
    (void)schema;
    store->log_pages = pages;
    if (pages < LOG_PAGES)
        store->log_pages_next = LOG_PAGES;
    return SQLITE_OK;
}

/*
 * What cannot be moved, because a reader needs it or the disk is full, is tried again when the log has grown further, after a failure by
 * little: a log that grew on and on while the disk was full now and then would end by filling it. No record depends on it; a disk that is really
 * full shows at the next commit.
 */
static bool move_log(struct store *store)
{
    int rc = sqlite3_wal_checkpoint_v2(store->db, NULL, SQLITE_CHECKPOINT_PASSIVE, NULL, NULL);
    store->log_pages_next = store->log_pages + (rc == SQLITE_OK ? LOG_PAGES : LOG_PAGES_AGAIN);
    return rc == SQLITE_OK;
}

/*
 * On a full disk the log cannot grow, but may have room in itself: once all of it is in the database, commits begin at its front again. Without
 * this a log that filled the disk would keep it full.
 */
static void make_room(struct store *store)
{
    pthread_mutex_lock(&store->lock);
    bool full = store->counts.state == STORE_STATE_FULL;
    pthread_mutex_unlock(&store->lock);
    if (full)
        (void)move_log(store);
}

/* ---- the thread ---- */

enum job { JOB_SLEEP, JOB_ENTRIES, JOB_TELEMETRY, JOB_LOG, JOB_END };

/* Under lock. For JOB_SLEEP *until is the instant to look again; INT64_MAX: when something comes. */
static enum job next_job(const struct store *store, int64_t now_ns, int64_t *until)
{
    bool hurry = store->flushers > 0 || store->closing;
    bool entries = (store->entries.count > 0 && (!store->held || hurry)) || store->entries_back > 0;
    bool telemetry =
        store->samples_in != store->samples_out || store->observations_in != store->observations_out;
    bool half_full = store->samples.count + store->samples_back >= store->options.telemetry_room / 2;
    *until = INT64_MAX;
    if (store->retry_ns > now_ns) {
        *until = store->retry_ns;
        return JOB_SLEEP;
    }
    if (entries && store->log_pages >= LOG_PAGES_URGENT && store->log_pages >= store->log_pages_next)
        return JOB_LOG;
    if (telemetry && now_ns - store->telemetry_due_ns >= TELEMETRY_NS)
        return JOB_TELEMETRY; /* entries kept coming for a second: it is its turn */
    if (entries)
        return JOB_ENTRIES;
    if (telemetry && (hurry || half_full || now_ns >= store->telemetry_due_ns))
        return JOB_TELEMETRY;
    if (store->log_pages >= store->log_pages_next)
        return JOB_LOG;
    if (telemetry)
        *until = store->telemetry_due_ns;
    return store->closing ? JOB_END : JOB_SLEEP;
}

static bool do_job(struct store *store, enum job job)
{
    switch (job) {
    case JOB_ENTRIES:
        return commit_entries(store);
    case JOB_TELEMETRY:
        return commit_telemetry(store);
    default:
        return move_log(store);
    }
}

static enum job wait_for_job(struct store *store)
{
    int64_t until;
    enum job job;
    pthread_mutex_lock(&store->lock);
    while ((job = next_job(store, writer_clock_ns(), &until)) == JOB_SLEEP) {
        if (until == INT64_MAX) {
            pthread_cond_wait(&store->work, &store->lock);
        } else {
            struct timespec at = {.tv_sec = (time_t)(until / NS_PER_S), .tv_nsec = (long)(until % NS_PER_S)};
            pthread_cond_timedwait(&store->work, &store->lock, &at);
        }
    }
    pthread_mutex_unlock(&store->lock);
    return job;
}

static void *run(void *ctx)
{
    struct store *store = ctx;
    enum job job;
    while ((job = wait_for_job(store)) != JOB_END) {
        bool good = do_job(store, job);
        if (!good && job != JOB_LOG)
            make_room(store);
        tell_shed(store);
        pthread_mutex_lock(&store->lock);
        bool give_up = !good && job != JOB_LOG && store->closing;
        pthread_mutex_unlock(&store->lock);
        if (give_up)
            break;
    }
    return NULL;
}

/* Signals are the loop thread's business. */
static int start_thread(struct store *store)
{
    sigset_t all, before;
    sigfillset(&all);
    pthread_sigmask(SIG_SETMASK, &all, &before);
    int failure = pthread_create(&store->thread, NULL, run, store);
    pthread_sigmask(SIG_SETMASK, &before, NULL);
    return failure;
}

static int prepare(struct store *store)
{
    int rc = sqlite3_prepare_v2(store->db, "BEGIN IMMEDIATE", -1, &store->begin, NULL);
    if (rc == SQLITE_OK)
        rc = sqlite3_prepare_v2(store->db, "COMMIT", -1, &store->commit, NULL);
    if (rc == SQLITE_OK)
        rc = sqlite3_prepare_v2(store->db, "ROLLBACK", -1, &store->rollback, NULL);
    return rc;
}

enum store_result writer_start(struct store *store, struct store_error *error)
{
    store->log_pages_next = LOG_PAGES;
    sqlite3_wal_hook(store->db, count_log, store);
    store->rows = rows_open(store->db, store->run);
    store->telemetry = store->rows == NULL ? NULL : telemetry_open(store->db, store->run, &store->series);
    if (store->telemetry == NULL || prepare(store) != SQLITE_OK)
        return database_fail(error, store->db, store->path, "prepare its statements");
    if (start_thread(store) != 0) {
        return store_error_set(error, STORE_NO_MEMORY,
                               "cannot start the thread that writes %s; close other programs", store->path);
    }
    store->running = true;
    return STORE_OK;
}

void writer_stop(struct store *store)
{
    if (store->running) {
        pthread_mutex_lock(&store->lock);
        store->closing = true;
        store->retry_ns = 0;
        pthread_cond_broadcast(&store->work);
        pthread_mutex_unlock(&store->lock);
        pthread_join(store->thread, NULL);
        store->running = false;
    }
    rows_close(store->rows);
    telemetry_close(store->telemetry);
    store->rows = NULL;
    store->telemetry = NULL;
    sqlite3_finalize(store->begin);
    sqlite3_finalize(store->commit);
    sqlite3_finalize(store->rollback);
    store->begin = store->commit = store->rollback = NULL;
    entry_queue_free(&store->back);
    free(store->back_samples.of);
    free(store->back_observations.of);
    store->back_samples = (struct sample_queue){0};
    store->back_observations = (struct observation_queue){0};
}
