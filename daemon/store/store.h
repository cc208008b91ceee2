/*
 * store: the record on disk. One SQLite database (daemon/store/schema.sql, docs/database.md), one writer thread that owns it.
 *
 * The loop thread hands in entries in order of seq; the writer commits all that wait as one group (WAL, synchronous FULL) and calls
 * `on_committed` after the commit is synced, never before. What arrives during a commit shares the next one. Entries are never shed: while the
 * disk is full or failing they wait in memory, in order, and the writer tries again by itself with a growing pause. Telemetry and clock
 * observations wait in a bounded room, are written about once a second between groups of entries, and are shed, counted and told when the
 * room is full. With nothing to write the writer sleeps without waking up.
 *
 * An entry whose table row a constraint refuses (a press that is already kept: UNIQUE(pad, pad_boot, press_seq)) does not fail its group: the
 * journal has its event, the table `refused` says why there is no row, and `on_notice` tells.
 *
 * A second opener is refused while the first is open; the lock is a file beside the database, PATH-lock, freed by the system when its
 * holder dies.
 *
 * Rejected: a connection on the loop thread (a commit blocks it for a disk's time), one commit an entry, `synchronous=NORMAL` (a power cut
 * takes back what was called kept).
 */
#ifndef BELLROPE_STORE_STORE_H
#define BELLROPE_STORE_STORE_H

#include "core/engine.h"
#include "core/entry.h"

#include <stdbool.h>
#include <stddef.h>
#include <stdint.h>

enum store_result {
    STORE_OK = 0,
    STORE_CANNOT_OPEN = -1, /* no such folder, no permission, read-only, out of descriptors ... */
    STORE_NOT_OURS = -2,    /* a file, but no Bellrope database */
    STORE_NEWER = -3,       /* made by a later version of the program */
    STORE_HELD = -4,        /* another program writes to it */
    STORE_NO_MEMORY = -5,
    STORE_ORDER = -6, /* an entry's seq is not the last one + 1: the caller's bug; the entry was not taken */
    STORE_TROUBLE = -7, /* the disk is full or failing; what was handed in waits in memory */
    STORE_DAMAGED = -8, /* SQLite calls the file malformed */
    STORE_NO_SUCH = -9, /* no such dive or record */
    STORE_EXISTS = -10  /* the file to be written is there already */
};

/* What went wrong, for people: what, where, what to do. */
struct store_error {
    enum store_result result;
    char text[640];
};

enum store_state { STORE_STATE_OK, STORE_STATE_FAILING, STORE_STATE_FULL };
/* "ok", "failing", "full": the words of INPUT_STORE. */
const char *store_state_name(enum store_state state);

enum store_notice {
    STORE_NOTICE_REFUSED, /* an entry's row was refused by a constraint; the journal has the event */
    STORE_NOTICE_SHED     /* telemetry or observations were shed */
};

/* All text is copied. Callbacks may be NULL; they run on the writer thread and must not call the store. */
struct store_options {
    const char *path; /* of the database; made where there is none, in a folder that exists */
    const char *
        host_boot_id; /* names this boot of the machine, /proc/sys/kernel/random/boot_id: monotonic times compare within it */
    utc_ns now; /* for the run's row; 0: not known */
    bool
        wait_for_room; /* for replay and other offline work: store_sample and the others wait instead of shedding, and store_submit where
                           more than 4 MB of entries wait */
    size_t telemetry_room; /* samples that may wait; 0: 32768 (2 minutes of 20 channels at 10 Hz) */
    int64_t retry_ns;      /* first pause after a failed commit, doubled up to 64 times; 0: 100 ms */
    void *ctx;
    /* All entries up to `seq` are synced to disk. */
    void (*on_committed)(void *ctx, int64_t seq);
    /* Called on every change of state, and with `ok` when it is over. */
    void (*on_trouble)(void *ctx, enum store_state state, const char *why);
    void (*on_notice)(void *ctx, enum store_notice notice, const char *text);
};

struct store;

/* STORE_OK, or what *error says. A database that is refused is left as it was, byte for byte. */
enum store_result store_open(struct store **out, const struct store_options *options,
                             struct store_error *error);

/*
 * Writes all that waits, moves the log into the database and closes it. Where the disk is in trouble the writer tries once more and gives up:
 * STORE_TROUBLE, and the entries not written are lost to the database (no pad was told that they were kept). NULL is fine.
 */
enum store_result store_close(struct store *store);

/* The seq of the last entry on disk when the database was opened; 0: none. */
int64_t store_last_seq(const struct store *store);

/* Number of this run of the program, the `run` of its journal rows. */
int64_t store_run(const struct store *store);

/*
 * Takes an entry and the bytes of its event (event_json(); anything up to EVENT_BYTES_MAX). Copies both, returns at once. Loop thread only.
 * STORE_OK, STORE_ORDER or STORE_NO_MEMORY.
 */
enum store_result store_submit(struct store *store, const struct entry *entry, const char *event, size_t len);

/*
 * Between these two what is submitted waits, so that all that comes of one input shares one commit instead of the first entry of it having one
 * to itself. Loop thread only. Not needed: without them each entry goes as soon as the writer is free.
 */
void store_hold(struct store *store);
void store_release(struct store *store);

/* Loop thread only. May be shed. Values that are not finite are dropped. */
void store_sample(struct store *store, const struct engine_sample *sample);
void store_observe(struct store *store, const struct engine_observation *observation);

/*
 * Waits until everything handed in before is synced, telemetry and observations too. STORE_TROUBLE as soon as a try fails; the store goes on
 * trying. Any thread but the writer.
 */
enum store_result store_flush(struct store *store);

/* What happened since the database was opened. Any thread. */
struct store_counts {
    uint64_t entries, groups, refused;
    uint64_t samples, samples_shed;
    uint64_t observations, observations_shed;
    uint64_t failed_tries;
    uint64_t waiting_entries;
    uint64_t waiting_bytes;
    int64_t committed_seq;
    enum store_state state;
};
void store_counts(struct store *store, struct store_counts *out);

/*
 * What was open when the database was last written, as `fields` records (core/fields.h) in the order in which the engine takes them as
 * INPUT_RESTORE; the last is op=restore.end. docs/database.md lists them. Call it after store_open and before anything is handed in.
 * STORE_OK, or STORE_TROUBLE with *error filled in where the database cannot be read.
 */
typedef void store_restore_sink(void *ctx, const char *bytes, size_t len);
enum store_result store_restore(struct store *store, store_restore_sink *sink, void *ctx,
                                struct store_error *error);

#endif
