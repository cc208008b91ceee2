#include "store/store.h"

#include "store/database.h"
#include "store/store_state.h"

#include <assert.h>
#include <math.h>
#include <stdlib.h>
#include <string.h>

const char *store_state_name(enum store_state state)
{
    static const char *const names[] = {"ok", "failing", "full"};
    return names[state];
}

static bool telemetry_waits(const struct store *store)
{
    return store->samples_in != store->samples_out || store->observations_in != store->observations_out;
}

/* ---- opening and closing ---- */

static bool init_sync(struct store *store)
{
    pthread_condattr_t monotonic;
    if (pthread_condattr_init(&monotonic) != 0)
        return false;
    bool good = pthread_condattr_setclock(&monotonic, CLOCK_MONOTONIC) == 0 &&
                pthread_mutex_init(&store->lock, NULL) == 0 &&
                pthread_cond_init(&store->work, &monotonic) == 0 &&
                pthread_cond_init(&store->done, &monotonic) == 0;
    pthread_condattr_destroy(&monotonic);
    return good;
}

static void take_options(struct store *store, const struct store_options *options)
{
    store->options = *options;
    store->options.path = store->path;
    store->options.host_boot_id = store->host_boot_id;
    if (options->telemetry_room == 0)
        store->options.telemetry_room = SAMPLE_ROOM;
    if (options->retry_ns <= 0)
        store->options.retry_ns = RETRY_NS;
}

/* Nothing here fails on Linux except for memory, so what was made need not be unmade one by one. */
static struct store *new_store(const struct store_options *options)
{
    struct store *store = calloc(1, sizeof *store);
    if (store == NULL)
        return NULL;
    store->lockfile.fd = -1;
    store->path = database_path(options->path);
    store->host_boot_id = strdup(options->host_boot_id);
    if (store->host_boot_id == NULL || !init_sync(store)) {
        free(store->path);
        free(store->host_boot_id);
        free(store);
        return NULL;
    }
    take_options(store, options);
    return store;
}

static enum store_result read_last(struct store *store, struct store_error *error)
{
    if (database_int(store->db, "SELECT max(seq) FROM journal", &store->first_seq) != SQLITE_OK ||
        database_int(store->db, "SELECT max(id) FROM run", &store->run) != SQLITE_OK)
        return database_fail(error, store->db, store->path, "read the database");
    store->run++;
    store->submitted_seq = store->first_seq;
    store->counts.committed_seq = store->first_seq;
    return STORE_OK;
}

static enum store_result open_parts(struct store *store, struct store_error *error)
{
    enum store_result result = database_check(store->path, error); /* no lock file beside what is not ours */
    if (result == STORE_OK)
        result = lockfile_take(&store->lockfile, store->path, error);
    if (result == STORE_OK)
        result = database_open(&store->db, store->path, error);
    if (result == STORE_OK)
        result = read_last(store, error);
    return result == STORE_OK ? writer_start(store, error) : result;
}

static void free_store(struct store *store)
{
    writer_stop(store);
    int closed = database_close(
        store->db); /* moves the log into the database; where it cannot, the next opener does */
    assert(closed == SQLITE_OK);
    (void)closed;
    lockfile_drop(&store->lockfile);
    entry_queue_free(&store->entries);
    free(store->samples.of);
    free(store->observations.of);
    pthread_mutex_destroy(&store->lock);
    pthread_cond_destroy(&store->work);
    pthread_cond_destroy(&store->done);
    free(store->path);
    free(store->host_boot_id);
    free(store);
}

enum store_result store_open(struct store **out, const struct store_options *options,
                             struct store_error *error)
{
    *out = NULL;
    struct store *store = new_store(options);
    if (store == NULL)
        return store_error_set(error, STORE_NO_MEMORY, "%s: out of memory", options->path);
    enum store_result result =
        store->path != NULL ? open_parts(store, error)
                            : store_error_set(error, STORE_CANNOT_OPEN,
                                              "%s: its folder is not there; make the folder, or give another "
                                              "file name",
                                              options->path);
    if (result == STORE_OK)
        *out = store;
    else
        free_store(store);
    return result;
}

enum store_result store_close(struct store *store)
{
    if (store == NULL)
        return STORE_OK;
    writer_stop(store);
    bool all = store->counts.committed_seq == store->submitted_seq && !telemetry_waits(store);
    free_store(store);
    return all ? STORE_OK : STORE_TROUBLE;
}

int64_t store_last_seq(const struct store *store)
{
    return store->first_seq;
}

int64_t store_run(const struct store *store)
{
    return store->run;
}

/* ---- handing in ---- */

/* Under lock: offline work waits for room while the disk is well. */
static void wait_for_entry_room(struct store *store)
{
    while (store->options.wait_for_room && store->entries.len > ENTRY_ROOM &&
           store->counts.state == STORE_STATE_OK)
        pthread_cond_wait(&store->done, &store->lock);
}

enum store_result store_submit(struct store *store, const struct entry *entry, const char *event, size_t len)
{
    enum store_result result = STORE_OK;
    pthread_mutex_lock(&store->lock);
    wait_for_entry_room(store);
    if (entry->seq != store->submitted_seq + 1)
        result = STORE_ORDER;
    else if (!entry_queue_push(&store->entries, entry, event, len))
        result = STORE_NO_MEMORY;
    else
        store->submitted_seq = entry->seq;
    if (result == STORE_OK && store->entries.count == 1 && !store->held)
        pthread_cond_broadcast(&store->work);
    pthread_mutex_unlock(&store->lock);
    return result;
}

void store_hold(struct store *store)
{
    pthread_mutex_lock(&store->lock);
    store->held = true;
    pthread_mutex_unlock(&store->lock);
}

void store_release(struct store *store)
{
    pthread_mutex_lock(&store->lock);
    store->held = false;
    if (store->entries.count > 0)
        pthread_cond_broadcast(&store->work);
    pthread_mutex_unlock(&store->lock);
}

/* Under lock: what just came is the first that waits, or makes the room half full. */
static void arm_telemetry(struct store *store, bool first)
{
    if (first)
        store->telemetry_due_ns = writer_clock_ns() + TELEMETRY_NS;
    if (first || store->samples.count == store->options.telemetry_room / 2)
        pthread_cond_broadcast(&store->work);
}

static bool has_sample_room(struct store *store)
{
    while (store->samples.count + store->samples_back >= store->options.telemetry_room) {
        if (!store->options.wait_for_room || store->counts.state != STORE_STATE_OK)
            return false;
        pthread_cond_wait(&store->done, &store->lock);
    }
    return true;
}

void store_sample(struct store *store, const struct engine_sample *sample)
{
    if (!isfinite(sample->value))
        return;
    pthread_mutex_lock(&store->lock);
    bool first = !telemetry_waits(store);
    int series = has_sample_room(store) ? series_number(&store->series, sample->channel, sample->feed) : -1;
    struct queued_sample queued = {.series = series < 0 ? 0 : (uint32_t)series,
                                   .has_utc = sample->utc.ns != 0,
                                   .at = sample->at,
                                   .utc = sample->utc,
                                   .value = sample->value};
    if (series >= 0 && sample_queue_push(&store->samples, &queued)) {
        store->samples_in++;
        arm_telemetry(store, first);
    } else {
        store->counts.samples_shed++;
    }
    pthread_mutex_unlock(&store->lock);
}

static bool has_observation_room(struct store *store)
{
    while (store->observations.count + store->observations_back >= OBSERVATION_ROOM) {
        if (!store->options.wait_for_room || store->counts.state != STORE_STATE_OK)
            return false;
        store->telemetry_due_ns = 0;
        pthread_cond_broadcast(&store->work);
        pthread_cond_wait(&store->done, &store->lock);
    }
    return true;
}

void store_observe(struct store *store, const struct engine_observation *observation)
{
    pthread_mutex_lock(&store->lock);
    bool first = !telemetry_waits(store);
    if (has_observation_room(store) && strlen(observation->clock) < CLOCK_NAME_SIZE &&
        observation_queue_push(&store->observations, observation)) {
        store->observations_in++;
        arm_telemetry(store, first);
        if (strcmp(observation->clock, "clap") ==
            0) { /* rare, measured by a person, and in force from now on */
            store->telemetry_due_ns = 0;
            pthread_cond_broadcast(&store->work);
        }
    } else {
        store->counts.observations_shed++;
    }
    pthread_mutex_unlock(&store->lock);
}

/* ---- waiting and counting ---- */

enum store_result store_flush(struct store *store)
{
    pthread_mutex_lock(&store->lock);
    int64_t seq = store->submitted_seq;
    uint64_t samples = store->samples_in, observations = store->observations_in;
    uint64_t failed_tries = store->counts.failed_tries;
    store->flushers++;
    store->retry_ns = 0;
    pthread_cond_broadcast(&store->work);
    enum store_result result = STORE_OK;
    while (result == STORE_OK && (store->counts.committed_seq < seq || store->samples_out < samples ||
                                  store->observations_out < observations)) {
        pthread_cond_wait(&store->done, &store->lock);
        if (store->counts.failed_tries != failed_tries)
            result = STORE_TROUBLE;
    }
    store->flushers--;
    pthread_mutex_unlock(&store->lock);
    return result;
}

void store_counts(struct store *store, struct store_counts *out)
{
    pthread_mutex_lock(&store->lock);
    *out = store->counts;
    out->waiting_entries = store->entries.count + store->entries_back;
    out->waiting_bytes = store->entries.len + store->entry_bytes_back;
    pthread_mutex_unlock(&store->lock);
}
