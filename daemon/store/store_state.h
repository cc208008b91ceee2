/*
 * store_state: what store.c (the callers' side) and writer.c (the writer thread) share, and nobody else.
 *
 * The loop thread fills the front queues under `lock`; the writer swaps them for its empty back queues under `lock` and works on those
 * without it. The members below "writer" belong to the writer thread, and to store_open and store_close while it does not run.
 */
#ifndef BELLROPE_STORE_STORE_STATE_H
#define BELLROPE_STORE_STORE_STATE_H

#include "store/lockfile.h"
#include "store/queue.h"
#include "store/rows.h"
#include "store/store.h"
#include "store/telemetry.h"

#include <pthread.h>

enum {
    GROUP_MAX = 1024,     /* entries of one commit: a burst is acknowledged in parts */
    ENTRY_ROOM = 4 << 20, /* bytes of entries beyond which wait_for_room waits */
    SAMPLE_ROOM = 32768,
    OBSERVATION_ROOM = 4096,
    REFUSALS_TOLD = 8 /* of one group; more are only counted */
};
#define TELEMETRY_NS NS_PER_S
#define RETRY_NS (100 * NS_PER_MS)

struct store {
    struct store_options options; /* its texts are the copies below */
    char *path, *host_boot_id;
    struct lockfile lockfile;
    int64_t first_seq; /* last on disk when opened */
    int64_t run;

    pthread_mutex_t lock;
    pthread_cond_t work, done;
    pthread_t thread;
    bool running;

    /* under lock */
    struct entry_queue entries;
    struct sample_queue samples;
    struct observation_queue observations;
    struct series_table series;
    int64_t submitted_seq;
    uint64_t samples_in, observations_in;   /* taken from the loop thread so far */
    uint64_t samples_out, observations_out; /* of those on disk */
    size_t samples_back, observations_back; /* in the back queues */
    uint64_t entries_back, entry_bytes_back;
    int64_t telemetry_due_ns; /* when the telemetry that waits is to be written */
    int64_t retry_ns;         /* no try before this instant; 0: at once */
    uint32_t flushers;
    bool held; /* entries wait for store_release */
    bool closing;
    struct store_counts counts;

    /* writer */
    sqlite3 *db;
    struct rows *rows;
    struct telemetry *telemetry;
    sqlite3_stmt *begin, *commit, *rollback;
    struct entry_queue back;
    struct sample_queue back_samples;
    struct observation_queue back_observations;
    size_t group_end, group_count; /* of the group being written: offset in `back`, entries */
    int64_t group_seq;
    char refusal[REFUSALS_TOLD][256];
    size_t refusals;
    bool write_open; /* telemetry: growing blocks too */
    uint64_t samples_taken;
    bool run_written;
    int64_t pause_ns;
    int log_pages, log_pages_next;
    uint64_t shed_told;
};

/* Opens statements on store->db and starts the thread. STORE_OK or what *error says. */
enum store_result writer_start(struct store *store, struct store_error *error);
/* Ends the thread after a last try, and frees what writer_start made. Sound after a writer_start that failed. */
void writer_stop(struct store *store);

int64_t writer_clock_ns(void);

#endif
